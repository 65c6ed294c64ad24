"""How a file writes numbers and qualities: its decimal mark and its quality scheme, told from cells all over it."""

from __future__ import annotations

from trendkit.errors import InputError, Problem
from trendkit.exports import ask, quality
from trendkit.exports.draft import Draft
from trendkit.exports.layout import Layout
from trendkit.exports.numbers import DecimalMark, has_open_mark, proved_marks
from trendkit.exports.sources import TextSource
from trendkit.exports.textfile import WHOLE_BYTES
from trendkit.plant.model import QualityScheme


def decimal_of(draft: Draft) -> DecimalMark:
    """Return the decimal mark of a file's numbers."""
    if draft.rules and draft.rules.decimal_mark:
        return draft.rules.decimal_mark
    if not isinstance(draft.source, TextSource) or draft.source.is_workbook:
        return "."
    is_large = draft.source.file.size_bytes > WHOLE_BYTES
    is_comma_separated = draft.source.table.delimiter == ","
    if is_comma_separated and not draft.samples.has(",") and not (is_large and draft.samples.has("_")):
        draft.guards_underscores = not is_large  # the answer of the lines below, without taking a million cells apart
        return "."
    cells = [cell for column in _number_columns(draft.meaning) for cell in draft.samples.cells(column)]
    draft.guards_underscores = not is_large or any("_" in cell for cell in cells)
    if is_comma_separated and not any("," in cell for cell in cells):
        return "."
    proved = proved_marks(cells)
    if len(proved) == 1:
        mark = next(iter(proved))
        if mark == ",":
            draft.notes.append("numbers are read with a decimal comma")
        return mark
    if is_comma_separated or not has_open_mark(cells):
        return "."
    if proved:
        commas = sum(proved_marks([cell]) == {","} for cell in cells)
        points = sum(proved_marks([cell]) == {"."} for cell in cells)
        draft.notes.append("numbers come with decimal points and commas; those of the rarer kind count as texts")
        return "," if commas > points else "."
    example = next(cell for cell in cells if has_open_mark([cell]))
    raise InputError(
        Problem(
            "a number can be read with a decimal mark or with a thousands mark, and nothing decides which",
            file=draft.file,
            found=repr(example),
            expected="some number that only one way can be read, such as 0.5 or 12,5",
            hint='add decimal_mark = "." (or ",") to a [[source]] of the plant file',
        )
    )


def _number_columns(meaning: Layout) -> list[int]:
    if meaning.long:
        return [meaning.long.value_column]
    return [tag.column for group in meaning.groups for tag in group.tags]


def scheme_of(draft: Draft) -> QualityScheme | None:
    """Return how the quality columns of a file are read, None when it has none."""
    meaning = draft.meaning
    if meaning.long:
        columns = [] if meaning.long.quality_column is None else [meaning.long.quality_column]
    else:
        columns = [t.quality_column for g in meaning.groups for t in g.tags if t.quality_column is not None]
    if not columns:
        return None
    if draft.rules and draft.rules.quality:
        return draft.rules.quality
    values = {cell for column in columns for cell in draft.samples.cells(column)}
    possible = quality.possible_schemes(values)
    if len(possible) != 1:
        values = set(ask.distinct_texts(draft.source, columns))
        possible = quality.possible_schemes(values)
    if len(possible) == 1:
        scheme = next(iter(possible))
        draft.notes.append(f"quality is read as {quality.SCHEMES[scheme]}")
        return scheme
    if not values:
        return None
    raise InputError(quality.unknown_quality(draft.file, sorted(values)))
