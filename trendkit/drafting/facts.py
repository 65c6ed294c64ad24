"""What the readings of each tag show: kind of numbers, usual reading, whether they count, switch or hold steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.archive.asking import tags_known, unknown_tags
from trendkit.exports import Export, names
from trendkit.exports.ask import distinct_texts
from trendkit.plant.model import Plant, Press, Tag
from trendkit.series import build_grids

Floats = npt.NDArray[np.float64]
_FEW_WORDS = 12


@dataclass(frozen=True)
class Facts:
    """The readings of one tag in short.

    `values` are its minute means over the whole span (NaN: none; empty for words). `usual` is the median of the
    readings that are not zero, `on_share` their share. `held_share` is the share of minutes without a change.
    """

    tag: str
    stated_unit: str
    words: tuple[str, ...]  # the states it takes, most often first; empty for numbers
    values: Floats
    usual: float
    low: float
    high: float
    on_share: float
    held_share: float
    is_switch: bool
    is_counter: bool

    @property
    def is_worded(self) -> bool:
        """True when its readings are words."""
        return bool(self.words)

    @property
    def has_readings(self) -> bool:
        """True when anything was read."""
        return bool(self.words) or bool(np.isfinite(self.values).any())


def draft_plant(sources: Sequence[object] = ()) -> Plant:
    """Return the plant of which nothing is known yet: its clock is taken as it stands."""
    return Plant("draft", "UTC", (), Path("plant.toml"), "", sources=tuple(sources))  # type: ignore[arg-type]


def read_facts(exports: Sequence[Export], plant: Plant) -> tuple[list[Facts], pd.DatetimeIndex]:
    """Return the facts of every tag in exports, by name, and the minutes in which some changed (the files' clock)."""
    tags = _tags_of(exports, plant)
    press = Press("all", "all", 1.0, 1.0, 1.0, 1.0, tags=tags)
    grids, _ = build_grids(exports, plant, (press,), None, None)
    roles = grids["all"].roles
    units = {names.key(tag): unit for export in exports for tag, unit in export.units.items()}
    found = [_facts(name, units.get(names.key(name), ""), roles[name]) for name in sorted(tags) if name in roles]
    return found, _local_minutes(exports, roles)


def _local_minutes(exports: Sequence[Export], roles: pd.DataFrame) -> pd.DatetimeIndex:
    """Return the minutes in which some number changed, of files that give plant time.

    A number that stands may be held over a silence, and times with an offset show no clock's habit.
    """
    local = {names.key(tag) for export in exports if not export.meaning.times[0].is_absolute for tag in export.tags}
    numbers = roles.select_dtypes("number")
    shown = numbers[[column for column in numbers.columns if names.key(column) in local]]
    return pd.DatetimeIndex(roles.index[(shown.diff().abs() > 1e-9).any(axis=1).to_numpy()])


def _tags_of(exports: Sequence[Export], plant: Plant) -> dict[str, Tag]:
    tags: dict[str, Tag] = {}
    for export in exports:
        known = tags_known(export, plant)
        if export.meaning.long is not None:
            listed = distinct_texts(export.source, [export.meaning.long.tag_column])
            spelled = {names.key(name) for name in known}
            known |= unknown_tags(names.trimmed(name) for name in listed if names.key(name) not in spelled)
        for name, tag in known.items():
            tags.setdefault(name, tag)
    return tags


def _facts(name: str, unit: str, column: pd.Series) -> Facts:
    if column.dtype == object:
        counts = column.dropna().value_counts()
        words = tuple(str(word) for word in counts.index[:_FEW_WORDS])
        nothing = np.zeros(0)
        return Facts(name, unit, words, nothing, np.nan, np.nan, np.nan, np.nan, np.nan, False, False)
    values = column.to_numpy(float)
    known = values[np.isfinite(values)]
    if not len(known):
        return Facts(name, unit, (), values, *(np.nan,) * 5, False, False)
    on = known[np.abs(known) > 1e-9]
    steps = np.diff(known)
    low, high = (float(each) for each in np.quantile(known, [0.02, 0.98]))
    if len(on):  # of a tag that is seldom on as well, the usual reading lies between the two
        low, high = min(low, float(np.median(on))), max(high, float(np.median(on)))
    distinct = np.unique(known[:: max(len(known) // 20_000, 1)])
    is_switch = low >= 0.0 and high <= 1.0 and bool(np.isin(np.round(distinct, 6), (0.0, 1.0)).mean() > 0.5)
    return Facts(
        name,
        unit,
        (),
        values,
        float(np.median(on)) if len(on) else 0.0,
        low,
        high,
        len(on) / len(known),
        float((np.abs(steps) <= 1e-9).mean()) if len(steps) else np.nan,
        is_switch,
        _counts(steps, known) and not is_switch,
    )


def _counts(steps: Floats, known: Floats) -> bool:
    """Return True for readings that only grow, but for rare resets, and grow to many times their usual step."""
    grown = steps[steps > 0.0]
    if len(grown) < 20:
        return False
    falls = int((steps < -1e-6 * np.abs(known[:-1])).sum())
    return falls <= max(len(steps) // 10_000, 2) and float(grown.sum()) > 50.0 * float(np.median(grown))


def increments(values: Floats) -> Floats:
    """Return how much a counter grew in each minute, NaN where unknown or at a reset."""
    grown = np.diff(values, prepend=np.nan)
    return np.where(grown >= 0.0, grown, np.nan)


def together(first: Floats, second: Floats) -> float:
    """Return the rank correlation of two tags over the minutes in which both are known and one is not zero."""
    both = np.isfinite(first) & np.isfinite(second) & ((np.abs(first) > 1e-9) | (np.abs(second) > 1e-9))
    places = np.flatnonzero(both)
    places = places[:: max(len(places) // 20_000, 1)]
    if len(places) < 60:
        return float("nan")
    ranks = pd.DataFrame({"a": first[places], "b": second[places]}).rank()
    return float(ranks["a"].corr(ranks["b"]))
