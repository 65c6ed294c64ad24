"""The aggregates of IEC 62541-13 (OPC UA part 13) by their definitions, on the integrals that fill the grid.

A reference for the tests and no part of the program, which knows one of them: its bins are `time_average_of_good`
(straight lines or held values by the tag's kind, bad stretches left out of numerator and divisor). What the printed
tables prove of the program is the integrals of `trendkit.series.segments` that all of these share, and, in a test of
its own, the grid's bins. One entry per interval, NaN where there is none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trendkit.exports.block import BAD, GOOD, UNCERTAIN
from trendkit.series.segments import (
    Bins,
    Bools,
    Floats,
    Ints,
    cut_at_edges,
    extremes_between,
    integrate_clean,
    integrate_trusted,
    sums_between,
)
from trendkit.series.signal import Holding, Observations, segments_of

# After the last raw value the published tables count one more unit of time, a millisecond.
LAST_UNIT_S = 0.001


@dataclass(frozen=True)
class History:
    """Raw values of one tag in time order and how they are to be read.

    `time_us` int64 [us], `values` float64 (NaN where there is none), `status` uint8 of GOOD, UNCERTAIN, BAD.
    """

    time_us: Ints
    values: Floats
    status: npt.NDArray[np.uint8]
    is_stepped: bool = False
    uncertain_is_bad: bool = True
    slopes_beyond_end: bool = False

    @property
    def is_usable(self) -> Bools:
        """True for values that may be used."""
        usable: Bools = (self.status == GOOD) | ((self.status == UNCERTAIN) & (not self.uncertain_is_bad))
        return usable


def _usable_to_end_of_interval(history: History, bins: Bins, is_stepped: bool) -> tuple[Ints, Floats]:
    """Return the usable values, carried on to the end of the interval the last one lies in."""
    time_us, values = history.time_us[history.is_usable], history.values[history.is_usable]
    if not len(time_us):
        return time_us, values
    end_us = bins.start_us + ((int(time_us[-1]) - bins.start_us) // bins.every_us + 1) * bins.every_us
    end = interpolated(history, np.array([end_us])) if not is_stepped else values[-1:]
    return np.append(time_us, end_us), np.append(values, end)


def interpolated(history: History, moments_us: Ints) -> Floats:
    """Return the value at some moments (Interpolative): between the nearest usable values, else NaN.

    After the last one it is held, or carried on along the last line where the history says so.
    """
    time_us, values = history.time_us[history.is_usable], history.values[history.is_usable]
    if not len(time_us):
        return np.full(len(moments_us), np.nan)
    before = np.searchsorted(time_us, moments_us, "right") - 1
    held = np.where(before >= 0, values[np.maximum(before, 0)], np.nan)
    if history.is_stepped or len(time_us) < 2:
        return held
    line = np.clip(before, 0, len(time_us) - 2)
    slope = (values[line + 1] - values[line]) / (time_us[line + 1] - time_us[line])
    on_line = values[line] + slope * (moments_us - time_us[line])
    is_beyond = (before == len(time_us) - 1) & (not history.slopes_beyond_end)
    return np.where((before < 0) | is_beyond, held, on_line)


def _integral_with_cover(history: History, bins: Bins, is_stepped: bool) -> tuple[Floats, Floats]:
    """Return the integral [value x s] and the time covered [s] with bad values bridged."""
    area, covered = np.full(bins.count, np.nan), np.zeros(bins.count)
    time_us, values = _usable_to_end_of_interval(history, bins, is_stepped)
    cuts = cut_at_edges(time_us, bins)
    if cuts is not None:
        sloped, held = integrate_clean(values, cuts)
        area[cuts.bins] = held if is_stepped else sloped
        covered[cuts.bins] = cuts.length_s
    return area, covered


def time_average(history: History, bins: Bins) -> Floats:
    """Return the mean along straight lines with bad values bridged (TimeAverage; stepped tags, too)."""
    area, covered = _integral_with_cover(history, bins, is_stepped=False)
    mean: Floats = np.divide(area, covered, out=np.full(bins.count, np.nan), where=covered > 0.0)
    return mean


def total(history: History, bins: Bins) -> Floats:
    """Return the integral in value x seconds with bad values bridged (Total), held for stepped tags."""
    return _integral_with_cover(history, bins, history.is_stepped)[0]


def time_average_of_good(history: History, bins: Bins) -> Floats:
    """Return the mean over good time alone (TimeAverage2).

    Stretches that begin with a bad value are left out; a value before a bad one is held up to it.
    """
    average = np.full(bins.count, np.nan)
    time_us, values, usable = history.time_us, history.values, history.is_usable
    if not len(time_us):
        return average
    end_us = bins.start_us + ((int(time_us[-1]) - bins.start_us) // bins.every_us + 1) * bins.every_us
    observations = Observations(np.append(time_us, end_us), np.append(values, np.nan), np.append(usable, False))
    cuts = cut_at_edges(observations.time_us, bins)
    if cuts is None:
        return average
    holding = Holding("held" if history.is_stepped else "sloped", np.inf, np.inf)
    runs = segments_of(observations, cuts.step_s, holding)
    area = integrate_trusted(runs.values, runs.slopes, runs.trusted_s, cuts)
    good = integrate_trusted(np.ones(len(runs.values)), np.zeros(len(cuts.step_s)), runs.trusted_s, cuts)
    average[cuts.bins] = np.divide(area, good, out=np.full(len(good), np.nan), where=good > 0.0)
    return average


def _raw_per_interval(history: History, bins: Bins) -> tuple[Floats, Ints]:
    """Return the good raw values and where each interval begins among them."""
    is_good = (history.status == GOOD) & ~np.isnan(history.values)
    edges = bins.start_us + bins.every_us * np.arange(bins.count + 1)
    return history.values[is_good], np.searchsorted(history.time_us[is_good], edges).astype(np.int64)


def count(history: History, bins: Bins) -> Floats:
    """Return how many good raw values each interval holds (Count)."""
    values, at = _raw_per_interval(history, bins)
    return sums_between(np.ones(len(values)), at)


def minimum(history: History, bins: Bins) -> Floats:
    """Return the least good raw value of each interval (Minimum)."""
    return extremes_between(*_raw_per_interval(history, bins), is_lowest=True)


def maximum(history: History, bins: Bins) -> Floats:
    """Return the greatest good raw value of each interval (Maximum)."""
    return extremes_between(*_raw_per_interval(history, bins), is_lowest=False)


def duration(history: History, bins: Bins, wanted: int) -> Floats:
    """Return how long each interval was GOOD or BAD [s] (DurationGood, DurationBad), NaN after all.

    A stretch runs from raw value to raw value with the status of the first, and is bad before the very first.
    The first stretch of an interval has the status of the bound at its start: uncertain where a line leads to
    a value that is not good, or where a stepped tag holds an uncertain value.
    """
    spent = np.full(bins.count, np.nan)
    for place, (start, end) in enumerate(_covered_intervals(history, bins)):
        inside = (history.time_us > start) & (history.time_us < end)
        points = np.concatenate(([start], history.time_us[inside], [end]))
        status = np.append(_bound_status(history, start), _treated(history)[inside])
        spent[place] = float((np.diff(points) * 1e-6)[status == wanted].sum())
    return spent


def percent_good(history: History, bins: Bins) -> Floats:
    """Return the share of good time of each interval [%] (PercentGood), of its covered part at the end."""
    spans = np.array([(end - start) * 1e-6 for start, end in _covered_intervals(history, bins)])
    good = duration(history, bins, GOOD)
    good[: len(spans)] *= 100.0 / spans
    return good


def _treated(history: History) -> npt.NDArray[np.uint8]:
    """Return the status of every value, uncertain ones as bad where the history says so."""
    if not history.uncertain_is_bad:
        return history.status
    return np.where(history.status == UNCERTAIN, BAD, history.status).astype(np.uint8)


def _covered_intervals(history: History, bins: Bins) -> list[tuple[int, int]]:
    """Return start and end of every interval up to the last raw value, the last one cut off there [us]."""
    if not len(history.time_us):
        return []
    last = int(history.time_us[-1]) + round(LAST_UNIT_S * 1e6)
    starts = range(bins.start_us, bins.end_us, bins.every_us)
    return [(start, min(start + bins.every_us, last)) for start in starts if start < last]


def _bound_status(history: History, moment_us: int) -> int:
    """Return the status of the simple bound at a moment."""
    before = int(np.searchsorted(history.time_us, moment_us, "right")) - 1
    if before < 0:
        return BAD
    treated = _treated(history)
    if history.time_us[before] == moment_us:
        return int(treated[before])
    if history.is_stepped:
        return int(history.status[before])
    following = before + 1
    if treated[before] == GOOD and following < len(treated) and treated[following] != GOOD:
        return UNCERTAIN
    return int(treated[before])


def is_bad_by_time(history: History, bins: Bins) -> Bools:
    """Return the intervals that are bad throughout, whose result the standard blanks at a limit of 100 % bad data.

    By time, as for time-weighted results. Where uncertain counts as bad, so does a stretch of a sloped tag whose line
    nothing good supports: between a good value and a bad one, and beyond the last value.
    """
    spans = np.array([(end - start) * 1e-6 for start, end in _covered_intervals(history, bins)])
    usable = spans - duration(history, bins, BAD)[: len(spans)]
    if history.uncertain_is_bad:
        usable = duration(history, bins, GOOD)[: len(spans)]
    is_unsupported = history.uncertain_is_bad and not history.is_stepped
    found = np.zeros(bins.count, bool)
    found[: len(spans)] = usable <= (LAST_UNIT_S if is_unsupported else 0.0) + 1e-9
    return found


def is_bad_by_count(history: History, bins: Bins) -> Bools:
    """Return the intervals whose raw values are all bad, or that begin after the last one: counts are blank there."""
    edges = bins.start_us + bins.every_us * np.arange(bins.count + 1)
    at = np.searchsorted(history.time_us, edges).astype(np.int64)
    bad = sums_between((_treated(history) == BAD).astype(float), at)
    is_after = edges[:-1] > (history.time_us[-1] if len(history.time_us) else -1)
    return np.asarray(((np.diff(at) > 0) & (bad == np.diff(at))) | is_after)
