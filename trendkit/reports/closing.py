"""How every page ends: how it was worked out, the cautions, what it rests on and who signs."""

from __future__ import annotations

from collections.abc import Sequence

from trendkit import __version__
from trendkit.reports.cautions import AT_THE_PRESS
from trendkit.reports.context import PageContext
from trendkit.reports.docket import shown_for
from trendkit.reports.page import Cell, Head, Item, Listing, Prose, Section, Sheet, SignOff
from trendkit.reports.plant_clock import PlantClock, period_text
from trendkit.reports.shown import share_text

_ON_CHANGE = "is recorded when it changes; each value is held until the next"  # how series/filling.py says it


def method_section(context: PageContext, notes: Sequence[str]) -> Section:
    """Return how the figures came about, in sentences."""
    shown = shown_for(context)
    told = tuple(dict.fromkeys(shown.retold(note) for note in together((*context.notes, *notes)) if note))
    general = (
        "Means over any span are ratios of sums (solids kept over solids fed), not means of minute values.",
        "Means count the minutes with the press feeding steadily; totals, hours and costs count every minute.",
        "Cake and filtrate are matched to the feed that made them, minutes earlier, by the sludge's own travel time.",
        "Limits are 95 %: the true value lies inside them 19 times in 20, if the meters are as good as stated.",
    )
    return Section("method", "How it was worked out", "", (Listing((*told, *general)),))


def together(notes: Sequence[str]) -> list[str]:
    """Return notes with those that say of several tags that changes are recorded joined in one.

    Examples
    --------
    >>> together([f"{tag} {_ON_CHANGE}" for tag in ("FLOW", "TS")] + ["Else."])
    ['Recorded when they change, each value held until the next: FLOW, TS.', 'Else.']
    """
    tags = [note.removesuffix(_ON_CHANGE).rstrip() for note in notes if note.endswith(_ON_CHANGE)]
    if len(tags) < 2:
        return list(notes)
    joined = f"Recorded when they change, each value held until the next: {', '.join(dict.fromkeys(tags))}."
    return [joined, *(note for note in notes if not note.endswith(_ON_CHANGE))]


def caution_list() -> Listing:
    """Return the cautions for work at the press."""
    return Listing(AT_THE_PRESS, "cautions", "Before anyone touches the press")


def _reading_notes(context: PageContext) -> tuple[str, ...]:
    """Return how the inputs were read, files with the same note together."""
    files: dict[str, list[str]] = {}
    for each in context.inputs:
        for note in each.notes:
            files.setdefault(note, []).append(each.file)
    return tuple(f"{', '.join(names)}: {note}" for note, names in files.items())


def _zone_words(clock: PlantClock) -> str:
    """Return whose time the page shows; over a clock change drawings and tables differ."""
    return f"drawn in {clock.zone}, written in the plant's own time" if clock.changes else clock.zone


def provenance_section(context: PageContext, clock: PlantClock, made: str) -> Section:
    """Return what the page rests on, and lines to sign."""
    inputs = Sheet(
        "Inputs read",
        (Head("File"), Head("Rows", is_number=True), Head("Refused", is_number=True), Head("SHA-256")),
        tuple(
            (
                each.file,
                f"{each.rows:,}",
                Cell(f"{each.refused:,}", "misses" if each.refused else ""),
                each.sha256,
            )
            for each in context.inputs
        ),
    )
    read = _reading_notes(context)
    share = share_text(context.covered_share, 1)
    text = (
        f"{context.press.name}, {context.plant.name}. "
        f"{period_text(context.plant, context.period)}, {_zone_words(clock)}. "
        f"Feed flow known for {share} of the period. Plant file SHA-256 {context.plant.sha256}. "
        f"Lines join readings; a state or setting holds until its next. "
        f"trendkit {__version__}{', made ' + made if made else ''}."
    )
    items: list[Item] = [inputs]
    if read:
        items.append(Listing(read))
    items += [
        Prose(text),
        SignOff(("Prepared by, date", "Checked by, date", "Licensed operator, date")),
    ]
    return Section(
        "basis",
        "What this page rests on",
        "Kept so that the figures can be made again from the same files.",
        tuple(items),
    )
