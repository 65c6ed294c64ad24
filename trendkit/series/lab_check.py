"""Solids meters against the bench: offset and drift over stretches of grabs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd

from trendkit.findings import Finding
from trendkit.plant.model import Press
from trendkit.plant.roles import ROLES
from trendkit.series.grid import PressGrid
from trendkit.series.robust import robust_spread
from trendkit.series.segments import Floats

COMPARED = {
    ("feed", "TS"): "feed_solids",
    ("cake", "TS"): "cake_solids",
    ("thickened", "TS"): "thickened_solids",
    ("filtrate", "TSS"): "filtrate_solids",
    ("washwater", "TSS"): "washwater_solids",
}
AROUND_S = 300.0  # the meter's mean this long before and after the grab
LEAST_GRABS = 8  # in all, to know what agreement is usual
LEAST_INSIDE = 4
LEAST_IN_DRIFT = 6
LEAST_SPREAD = 0.03  # of the ratio of meter to grab, relative: no bench does better (common practice)
SURE = 4.3  # standard errors; the most of all stretches of sixty sound grabs comes to about 3
LEAST_OFFSET = 0.08  # relative
LEAST_DRIFT = 0.12  # relative, at its end
LEAST_THROUGHOUT = 0.15  # relative; less is a matter of calibration
LONE = 6.0  # spreads by which a single grab differs from those around it to count no more
MOST_STRETCHES = 3


@dataclass(frozen=True)
class Departure:
    """A stretch of grabs (places `first` to `last`) in which the meter reads otherwise than usual.

    `size` is the logarithm of the ratio of meter to grab, less the usual one; for a drift the one at its end.
    """

    kind: Literal["offset", "drift"]
    first: int
    last: int
    size: float
    standard_errors: float


def compare_with_lab(grid: PressGrid, lab: pd.DataFrame | None, press: Press) -> tuple[Finding, ...]:
    """Return where the press's solids meters depart from the bench: offset and drift.

    `lab` has `sampled_at` (UTC), `press` (slug), `point`, `analysis`, `value` and `is_suspect`; suspect grabs do not
    count. Compared is the ratio of meter to grab with what is usual for that meter; a ratio that is off throughout is
    an offset over the whole record.
    """
    return tuple(finding for finding, _ in _compared(grid, lab, press))


def check_against_lab(grid: PressGrid, lab: pd.DataFrame | None, press: Press) -> PressGrid:
    """Return the grid with the findings of `compare_with_lab`, and without the readings they concern.

    The grabs then take the meter's place. A meter that is off throughout is kept: the press room calibrates it.
    """
    compared = _compared(grid, lab, press)
    if not compared:
        return grid
    roles, good_s = {name: grid.roles[name] for name in grid.roles}, {name: grid.good_s[name] for name in grid.good_s}
    for finding, is_left_out in compared:
        if is_left_out and finding.role is not None:
            rows = (grid.roles.index >= finding.start_utc) & (grid.roles.index < finding.end_utc)
            column = ROLES[finding.role].column
            roles[column], good_s[column] = roles[column].mask(rows, np.nan), good_s[column].mask(rows, 0.0)
    findings = (*grid.findings, *(finding for finding, _ in compared))
    frames = (pd.DataFrame(columns, grid.roles.index, copy=False) for columns in (roles, good_s))
    return replace(grid, roles=next(frames), good_s=next(frames), findings=findings)


def _compared(grid: PressGrid, lab: pd.DataFrame | None, press: Press) -> list[tuple[Finding, bool]]:
    """Return the findings on all meters of a press, each with whether the readings are to be left out."""
    if lab is None or lab.empty:
        return []
    own = lab[(lab["press"] == press.slug) & ~lab["is_suspect"].astype(bool) & (lab["value"] > 0.0)]
    found = []
    for (point, analysis), role in COMPARED.items():
        column = ROLES[role].column
        grabs = own[(own["point"] == point) & (own["analysis"] == analysis)].sort_values("sampled_at")
        if role in press.tags and column in grid.roles and len(grabs) >= LEAST_GRABS:
            times, ratios = _ratios(grid.roles[column], grabs, grid.every_s)
            found.extend(_findings(times, ratios, press, role, grid))
    return found


def paired_with_grabs(meter: pd.Series, grabs: pd.DataFrame, every_s: float) -> pd.DataFrame:
    """Return, per grab the meter has readings around, `sampled_at`, `meter` (its median there) and `grab`.

    `meter` is indexed by bin start (UTC); `grabs` has `sampled_at` and `value`. Bins within five minutes before and
    after count, over a quarter of them must be there and above zero.
    """
    values, start = meter.to_numpy(float), meter.index[0] if len(meter) else pd.NaT
    reach = max(round(AROUND_S / every_s), 0)
    rows = []
    for moment, value in zip(grabs["sampled_at"], grabs["value"], strict=True):
        place = int((moment - start).total_seconds() // every_s) if len(values) else 0
        around = values[max(place - reach, 0) : max(place + reach + 1, 0)]
        around = around[np.isfinite(around) & (around > 0.0)]
        if len(around) > reach // 2:
            rows.append((moment, float(np.median(around)), float(value)))
    return pd.DataFrame(rows, columns=["sampled_at", "meter", "grab"])


def _ratios(meter: pd.Series, grabs: pd.DataFrame, every_s: int) -> tuple[pd.DatetimeIndex, Floats]:
    """Return, per grab the meter has a value for, its time and the logarithm of meter / grab."""
    pairs = paired_with_grabs(meter, grabs, every_s)
    return pd.DatetimeIndex(pairs["sampled_at"]), np.log((pairs["meter"] / pairs["grab"]).to_numpy(dtype=float))


def find_departures(hours: Floats, ratios: Floats) -> tuple[float, list[Departure]]:
    """Return the usual logarithm of meter / grab, and the stretches that depart from it.

    `hours` are the times of the grabs. Every stretch of grabs is tried as an offset (one level) and as a drift (from
    nothing at its start); the one that explains most goes first. The spread of single grabs is taken from the
    differences of neighbours, which an offset hardly touches.
    """
    spread = robust_spread(np.diff(ratios) / np.sqrt(2.0), LEAST_SPREAD)
    usual = float(np.median(ratios))
    found = _departures_from(usual, hours, ratios, spread)
    if found:  # the level of the other grabs is the usual one
        others = np.ones(len(ratios), bool)
        for each in found:
            others[each.first : each.last + 1] = False
        usual = float(np.median(ratios[others])) if others.sum() >= LEAST_INSIDE else usual
        found = _departures_from(usual, hours, ratios, spread)
    return usual, found


def _departures_from(usual: float, hours: Floats, ratios: Floats, spread: float) -> list[Departure]:
    rest = _without_lone_grabs(ratios - usual, spread)
    found: list[Departure] = []
    while len(found) < MOST_STRETCHES:
        best = max(departures_among(hours, rest, spread), key=lambda each: each.standard_errors, default=None)
        if best is None or best.standard_errors < SURE:
            break
        found.append(best)
        inside = slice(best.first, best.last + 1)
        rest[inside] -= best.size if best.kind == "offset" else best.size * _ramp(hours[inside])
    return found


def _without_lone_grabs(rest: Floats, spread: float) -> Floats:
    """Return the differences with every one that stands alone put level with its two neighbours on either side."""
    calm = rest.copy()
    for place in range(len(rest)):
        around = np.concatenate((rest[max(place - 2, 0) : place], rest[place + 1 : place + 3]))
        middle = float(np.median(around))
        if abs(rest[place] - middle) > LONE * spread:
            calm[place] = middle
    return calm


def _ramp(hours: Floats) -> Floats:
    """Return the share of a drift's length passed at each grab, 0 to 1."""
    span = float(hours[-1] - hours[0])
    return (hours - hours[0]) / span if span > 0.0 else np.ones(len(hours))


def departures_among(hours: Floats, rest: Floats, spread: float) -> list[Departure]:
    """Return the surest offset and the surest drift from each grab on, where there are any."""
    longest = int(0.75 * len(rest))
    found = []
    for first in range(len(rest) - LEAST_INSIDE + 1):
        past = min(first + longest, len(rest))
        passed, here = hours[first:past] - hours[first], rest[first:past]
        # running sums: 500 grabs have a hundred thousand stretches
        count = np.arange(1.0, len(here) + 1.0)
        levels = np.cumsum(here) / count
        ends, weights = _drifts_from(passed, here)
        offset = _surest("offset", first, levels, count, spread)
        drift = _surest("drift", first, ends, weights, spread)
        found += [each for each in (offset, drift) if each is not None]
    return found


def _drifts_from(passed: Floats, rest: Floats) -> tuple[Floats, Floats]:
    """Return, for the stretch up to each grab, the end of the drift that fits it best and the sum of its ramp squared.

    A ramp is the hours passed over those of the whole stretch: least squares give its end from running sums. A
    stretch without length is level.
    """
    has_length = passed > 0.0
    length, square = np.where(has_length, passed, 1.0), np.cumsum(passed**2)
    ends = np.where(has_length, length * np.cumsum(passed * rest) / np.where(has_length, square, 1.0), 0.0)
    return ends, square / length**2


def _surest(
    kind: Literal["offset", "drift"], first: int, sizes: Floats, weights: Floats, spread: float
) -> Departure | None:
    """Return the surest of the stretches from `first` to each grab that are long and large enough, None without any."""
    least, inside = (LEAST_OFFSET, LEAST_INSIDE) if kind == "offset" else (LEAST_DRIFT, LEAST_IN_DRIFT)
    sure = np.abs(sizes) * np.sqrt(weights) / spread
    counts = (np.abs(sizes) >= least) & (np.arange(1, len(sizes) + 1) >= inside)
    if not counts.any():
        return None
    best = int(np.argmax(np.where(counts, sure, -np.inf)))
    return Departure(kind, first, first + best, float(sizes[best]), float(sure[best]))


def _findings(
    times: pd.DatetimeIndex, ratios: Floats, press: Press, role: str, grid: PressGrid
) -> list[tuple[Finding, bool]]:
    """Return what the grabs say of one meter, each with whether its readings are to be left out."""
    if len(ratios) < LEAST_GRABS:
        return []
    hours = (times - times[0]).total_seconds().to_numpy() / 3600.0
    usual, departures = find_departures(hours, ratios)
    end = grid.roles.index[-1] + pd.Timedelta(seconds=grid.every_s)
    edges = [grid.roles.index[0], *(times[:-1] + (times[1:] - times[:-1]) / 2), end]
    found = []
    for each in departures:
        begin, past = edges[each.first].ceil("min"), edges[each.last + 1].ceil("min")
        grabs = each.last - each.first + 1
        share = 100.0 * (np.exp(each.size) - 1.0)
        inside = (grid.roles.index >= begin) & (grid.roles.index < past)
        minutes = int(grid.roles.loc[inside, ROLES[role].column].notna().sum() * grid.every_s / 60)
        how = "on average" if each.kind == "offset" else "at the end"
        text = f"reads {abs(share):.0f} % {'above' if share > 0 else 'below'} {grabs} grabs {how}, against its usual"
        effect = f"left out of {minutes} minutes of {role}; the grabs take its place"
        tag = press.tags[role].tag
        found.append((Finding(press.slug, tag, role, each.kind, begin, past, effect, text, grabs), True))
    error = robust_spread(ratios - usual, LEAST_SPREAD) / np.sqrt(len(ratios))
    if abs(usual) >= LEAST_THROUGHOUT and abs(usual) >= SURE * error:
        share = 100.0 * (np.exp(usual) - 1.0)
        text = (
            f"reads {abs(share):.0f} % {'above' if share > 0 else 'below'} the grabs throughout ({len(ratios)} grabs)"
        )
        is_corrected = role != "washwater_solids"
        kept = "put on the scale of the grabs" if is_corrected else "used as read"
        effect = f"{role} is {kept}; have the meter checked against the bench"
        tag = press.tags[role].tag
        found.append((Finding(press.slug, tag, role, "offset", edges[0], end, effect, text, len(ratios)), False))
    return found
