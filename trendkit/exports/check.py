"""What exports say about a plant file: tags that are not there, readings out of range, units that cannot be right."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from trendkit.errors import InputError, Problem
from trendkit.exports import names
from trendkit.exports.ahead import ReadAhead
from trendkit.exports.block import BAD, ReadLog
from trendkit.exports.export import Export
from trendkit.exports.presence import absent_tags, place_of
from trendkit.exports.read import read_blocks
from trendkit.plant.model import Plant, Press, Tag
from trendkit.plant.roles import ROLES

TOLERATED_SHARE = 0.01  # of readings outside the instrument range, for instance while it is calibrated
_KEPT_A_BLOCK, _KEPT = 200, 20_000  # readings of a tag kept for its median, evenly over each block and over all

# What is often behind a reading that is wrong by a constant factor (conversion factors by definition of the units).
KNOWN_FACTORS = (
    (4.403, "m3/h read as gal/min, or the reverse"),
    (3.785, "L read as gal, or the reverse"),
    (60.0, "per minute read as per hour, or the reverse"),
    (1000.0, "a thousandfold unit, such as L for m3"),
    (10_000.0, "% read as mg/L, or the reverse"),
    (10.0, "g/L read as %, or the reverse"),
    (3.281, "ft read as m, or the reverse"),
    (6.895, "psi read as kPa, or the reverse"),
    (2.205, "kg read as lb, or the reverse"),
)


@dataclass
class Readings:
    """What was seen of one tag: how many good numbers, how many outside its range, some for the median."""

    count: int = 0
    outside: int = 0
    kept: list[np.ndarray] = field(default_factory=list)
    every: int = 1  # how much more sparsely than at first readings are kept by now
    words: Counter[str] = field(default_factory=Counter)  # of a state

    def add(self, values: np.ndarray, limits: tuple[float, float] | None) -> None:
        """Take the good numbers of a block."""
        self.count += len(values)
        if limits is not None:
            self.outside += int(((values < limits[0]) | (values > limits[1])).sum())
        # a copy: a view would keep the whole block in memory
        self.kept.append(values[:: max(len(values) // _KEPT_A_BLOCK, 1) * self.every].copy())
        if sum(map(len, self.kept)) > _KEPT:
            self.kept, self.every = [np.concatenate(self.kept)[::2]], 2 * self.every

    def add_words(self, texts: np.ndarray) -> None:
        """Take the words of a block of a state."""
        self.words.update(str(text) for text in texts if text is not None)

    def median_when_on(self) -> float:
        """Return the median of the readings that are not zero, NaN when there are none."""
        sampled = np.concatenate(self.kept) if self.kept else np.array([])
        moving = sampled[np.abs(sampled) > 1e-9]
        return float(np.median(moving)) if len(moving) else float("nan")


WordJudge = Callable[[Tag, Mapping[str, int]], Sequence[str]]


def check_exports(
    exports: Sequence[Export], plant: Plant, presses: Sequence[Press], unread: WordJudge = lambda _, __: ()
) -> list[Problem]:
    """Return what the exports say against the plant file, in the order of the presses and their tags.

    Absent tags come with the nearest names found, readings outside the instrument range with their share, units
    with the factor that would explain them, states with the words that `unread` returns.
    """
    problems = [problem for press in presses for problem in absent_tags(exports, plant, press)]
    seen = _readings(exports, plant, presses)
    for press in presses:
        for tag in press.tags.values():
            if tag.tag in seen and seen[tag.tag].count:
                problems += _of_tag(tag, plant, press, seen[tag.tag], exports)
            if tag.tag in seen and (words := unread(tag, seen[tag.tag].words)):
                problems.append(_words_unread(tag, plant, press, words))
    return problems


def _words_unread(tag: Tag, plant: Plant, press: Press, words: Sequence[str]) -> Problem:
    told = f'mode_words = {{ dewatering = ["{words[0]}"], thickening = ["{words[-1]}"] }}'
    return Problem(
        f"the words of {tag.tag} are not understood, so that it would be left out",
        file=plant.path.name,
        place=place_of(tag, press),
        found=", ".join(map(repr, words[:5])),
        expected="words such as dewatering and thickening" if tag.name == "mode" else "words such as ON and OFF",
        hint=f"say which mean what, as in {told}"
        if tag.name == "mode"
        else f'say which mean on, as in on_values = ["{words[0]}"]',
    )


def _readings(exports: Sequence[Export], plant: Plant, presses: Sequence[Press]) -> dict[str, Readings]:
    wanted = {tag.tag: tag for press in presses for tag in press.tags.values()}
    seen: dict[str, Readings] = {}
    with ReadAhead(exports) as ahead:
        blocks = (block for each in exports for block in read_blocks(each, plant, wanted, ReadLog(), ahead=ahead))
        for block in blocks:
            for name, texts in block.texts.items():
                seen.setdefault(name, Readings()).add_words(texts)
            for name, values in block.values.items():
                if wanted[name].kind == "state":
                    continue
                quality = block.quality.get(name)
                good = np.isfinite(values) if quality is None else np.isfinite(values) & (quality != BAD)
                seen.setdefault(name, Readings()).add(values[good], wanted[name].range)
    return seen


def _of_tag(tag: Tag, plant: Plant, press: Press, readings: Readings, exports: Sequence[Export]) -> Iterator[Problem]:
    place = place_of(tag, press)
    if tag.range is not None and readings.outside > TOLERATED_SHARE * readings.count:
        share = 100.0 * readings.outside / readings.count
        yield Problem(
            f"{tag.tag} leaves its instrument range",
            file=plant.path.name,
            place=place,
            found=f"{share:.1f} % of {readings.count} readings outside",
            expected=f"{tag.range[0]:g} to {tag.range[1]:g} {tag.unit}",
            hint="correct the range or the unit; readings outside it are left out of the figures",
        )
    yield from _unit_stated(tag, place, exports)
    yield from _unit_suspected(tag, plant.path.name, place, readings.median_when_on())


def _unit_stated(tag: Tag, place: str, exports: Sequence[Export]) -> Iterator[Problem]:
    from trendkit.plant.units import conversion

    stated = {
        unit: export.file
        for export in exports
        for name, unit in export.units.items()
        if names.key(name) == names.key(tag.tag)
    }
    for unit, file in stated.items():
        try:
            exported, said = conversion(unit, tag.si_unit), conversion(tag.unit, tag.si_unit)
            is_same = abs(exported.factor / said.factor - 1.0) < 1e-6 and abs(exported.offset - said.offset) < 1e-6
        except (InputError, ZeroDivisionError):
            continue  # a unit only the plant knows, or none of the role's kind: nothing can be said
        if not is_same:
            yield Problem(
                f"{tag.tag} is exported in another unit than the plant file says",
                file=file,
                place=place,
                found=unit,
                expected=tag.unit,
                hint="set the unit in the plant file to that of the export",
            )


def _unit_suspected(tag: Tag, file: str, place: str, median: float) -> Iterator[Problem]:
    role = ROLES.get(tag.name)
    if (
        role is None
        or role.sane_high is None
        or tag.kind == "counter"
        or tag.is_counter_of_rate
        or not np.isfinite(median)
    ):
        return
    value = tag.factor * median + tag.offset
    if tag.scale:
        value = float(np.interp(median, [point[0] for point in tag.scale], [point[1] for point in tag.scale]))
    low = role.sane_low or 0.0
    if low <= value <= role.sane_high:
        return
    fitting = [
        f"{factor:g} ({why})"
        for factor, why in KNOWN_FACTORS
        if any(low <= changed <= role.sane_high for changed in (value / factor, value * factor))
    ]
    yield Problem(
        f"the unit of {tag.tag} is hardly right",
        file=file,
        place=place,
        found=f"a usual reading of {median:g} {tag.unit}, which is {value:g} {role.unit}",
        expected=f"{low:g} to {role.sane_high:g} {role.unit}",
        hint=f"correct the unit; a factor of {fitting[0]} would explain it"
        if fitting
        else "correct the unit or the tag",
    )
