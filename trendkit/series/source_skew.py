"""Exports from two clocks: what starts and stops together on the press, compared between the files it came from.

A constant difference between two controllers shows in no tag alone. Suggested, never applied.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from os.path import commonprefix

import numpy as np

from trendkit.series.robust import robust_spread
from trendkit.series.segments import Floats

# Roles whose readings rise and fall at the same moment on any press (common practice: one start button each).
TOGETHER = (
    ("running", "gravity_belt_speed", "pressure_belt_speed", "gravity_drive_load", "pressure_drive_load", "power"),
    ("feed_flow", "polymer_flow"),
)
STEADY = 6  # bins of work, or of rest, on either side of a start or stop
LOOK_S = 5400.0
LEAST_EACH = 3  # starts, and stops
LEAST_SKEW_S = 45.0
LOOSE_S = 60.0  # spread of the single differences beyond which they say nothing


@dataclass(frozen=True)
class SourceSkew:
    """A source whose tags come `late_s` after those of another, by `edges` starts and stops of `roles`."""

    source: str
    against: str
    late_s: float
    edges: int
    roles: tuple[str, ...]


def find_source_skews(
    columns: Mapping[str, Floats], source_of: Mapping[str, str], every_s: float, spacing_s: float
) -> list[SourceSkew]:
    """Return the sources whose clock differs from that of the source with most roles by more than a reading lasts.

    `columns` holds the bins of each role (NaN where unknown), `source_of` where it came from, `spacing_s` the usual
    time between readings.
    """
    roles = [role for group in TOGETHER for role in group if role in columns and role in source_of]
    sources = list(dict.fromkeys(source_of[role] for role in roles))
    if len(sources) < 2:
        return []
    edges = {role: _edges(columns[role], every_s) for role in roles}
    reference = max(sources, key=lambda source: sum(source_of[role] == source for role in roles))
    found = []
    for source in sources:
        if source != reference:
            pairs = [
                (ours, theirs)
                for group in TOGETHER
                for ours, theirs in product(group, group)
                if source_of.get(ours) == source and source_of.get(theirs) == reference
                if ours in edges and theirs in edges
            ]
            skew = _skew(source, reference, pairs, edges)
            if skew is not None and abs(skew.late_s) > max(LEAST_SKEW_S, spacing_s):
                found.append(skew)
    return found


def _skew(
    source: str, against: str, pairs: Sequence[tuple[str, str]], edges: Mapping[str, tuple[Floats, Floats]]
) -> SourceSkew | None:
    """Return the difference on which all pairs of roles agree, None when they do not."""
    lates, counts, roles = [], [], []
    for ours, theirs in pairs:
        # starts and stops apart: a line drawn between readings makes the ones early and the others late by as much
        late = [_differences(edges[ours][kind], edges[theirs][kind]) for kind in (0, 1)]
        if min(map(len, late)) >= LEAST_EACH and max(map(robust_spread, late)) <= LOOSE_S:
            lates.append(float(np.mean([np.median(each) for each in late])))
            counts.append(sum(map(len, late)))
            roles += [ours, theirs]
    if not lates or max(lates) - min(lates) > LOOSE_S:
        return None
    return SourceSkew(source, against, float(np.median(lates)), max(counts), tuple(dict.fromkeys(roles)))


def _differences(ours: Floats, theirs: Floats) -> Floats:
    """Return how much later each of our moments [s] is than the nearest of theirs, within reach."""
    if not len(ours) or not len(theirs):
        return np.zeros(0)
    places = np.searchsorted(theirs, ours)
    before, after = theirs[np.maximum(places - 1, 0)], theirs[np.minimum(places, len(theirs) - 1)]
    nearest = np.where(np.abs(ours - before) <= np.abs(ours - after), before, after)
    late: Floats = ours - nearest
    return late[np.abs(late) <= LOOK_S]


def _edges(values: Floats, every_s: float) -> tuple[Floats, Floats]:
    """Return the moments [s from the first bin] at which a role starts and stops work, between the bins' edges.

    The moment within its bins is that of a sharp step with the same mean.
    """
    known = values[np.isfinite(values)]
    level = float(np.quantile(known, 0.9)) if len(known) else 0.0
    if level <= 0.0:
        return np.zeros(0), np.zeros(0)
    share = np.clip(values / level, 0.0, 1.0)
    starts = _rises(share, every_s)
    stops = len(values) * every_s - _rises(share[::-1], every_s)[::-1]
    return starts, stops


def _rises(share: Floats, every_s: float) -> Floats:
    is_on, is_off = share > 0.5, share <= 0.5  # both False where unknown
    runs = np.ones(STEADY, int)
    on_after = np.convolve(is_on, runs, "full")[STEADY - 1 :] == STEADY
    off_before = np.convolve(is_off, runs, "full")[: len(share)] == STEADY
    places = np.flatnonzero(on_after[1:] & off_before[:-1]) + 1
    places = places[(places >= 2) & (places + 3 <= len(share))]
    # the work level of this start, so that a slower start than usual does not look like a later one
    around = np.stack([share[places + step] for step in (-2, -1, 0, 1, 2)])
    top = np.maximum(around[4], 0.25)
    moments: Floats = (places + 3.0 - np.clip(around / top, 0.0, 1.0).sum(axis=0)) * every_s
    return moments


def spoken_source(files: Sequence[str]) -> str:
    """Return the pattern that means some files: one by its name, several by what their names share.

    Examples
    --------
    >>> spoken_source(["north_1.csv", "north_2.csv"])
    'north_*.csv'
    """
    names = sorted(set(files))
    if len(names) == 1:
        return names[0]
    head = commonprefix(names)  # noqa: RUF071  letter by letter is what is meant
    tail = commonprefix([name[len(head) :][::-1] for name in names])[::-1]  # noqa: RUF071
    return f"{head}*{tail}"
