"""Bench samples beside the bins: each bin takes the nearest accepted sample of its own run.

Comes in: lab rows (UTC `sampled_at`, SI `value`) and the run of every bin. Goes out: per bin the value and the
number of the sample it came from. Steps, never straight lines between samples, never across a run's edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trendkit.plant.model import Plant, Uncertainty
from trendkit.press.uncertainty import Array, Codes, Measured, Samples, reading

# Standard uncertainty assumed where the plant file states none: duplicate TS within 5 % relative standard
# deviation, suspended solids about twice as coarse (common practice).
ASSUMED = {"TS": Uncertainty(0.03, 0.0, True), "TSS": Uncertainty(0.08, 0.0, True)}
ASSUMED |= {"TDS": Uncertainty(0.05, 0.0, True), "VS": Uncertainty(0.03, 0.0, True)}


@dataclass(frozen=True)
class BenchSeries:
    """One analysis at one point, bin by bin: `measured` in its SI unit, `samples` says which grab each bin uses."""

    source: str
    measured: Measured
    samples: Samples

    @property
    def is_known(self) -> bool:
        """True when at least one bin has a sample."""
        return bool((self.samples.ids >= 0).any())


def nearest_sample(
    sampled: pd.DatetimeIndex, times: pd.DatetimeIndex, run_code: Codes, every_s: float, max_age_s: float
) -> Codes:
    """Return per bin the position of the nearest sample of its own run, -1 where there is none near enough.

    A bin stands for its middle. A sample belongs to the run its bin is in; one taken outside runs serves no bin.
    """
    nearest = np.full(len(times), -1, dtype=np.int64)
    if len(sampled) == 0 or len(times) == 0:
        return nearest
    first = times[0]
    taken_s = (sampled - first).total_seconds().to_numpy()
    rows = np.floor(taken_s / every_s).astype(np.int64)
    inside = (rows >= 0) & (rows < len(times))
    middle_s = (np.arange(len(times)) + 0.5) * every_s
    runs = np.where(inside, run_code[np.clip(rows, 0, len(times) - 1)], -1)
    for run in np.unique(runs[runs >= 0]):
        members = np.flatnonzero(runs == run)
        members = members[np.argsort(taken_s[members], kind="stable")]
        bins = np.flatnonzero(run_code == run)
        right = np.searchsorted(taken_s[members], middle_s[bins]).clip(0, len(members) - 1)
        left = np.maximum(right - 1, 0)
        is_left = np.abs(middle_s[bins] - taken_s[members[left]]) <= np.abs(taken_s[members[right]] - middle_s[bins])
        chosen = members[np.where(is_left, left, right)]
        is_near = np.abs(middle_s[bins] - taken_s[chosen]) <= max_age_s
        nearest[bins[is_near]] = chosen[is_near]
    return nearest


def bench_series(
    lab: pd.DataFrame | None,
    point: str,
    analysis: str,
    times: pd.DatetimeIndex,
    run_code: Codes,
    every_s: float,
    plant: Plant,
) -> BenchSeries:
    """Return one analysis at one point for every bin, NaN where no accepted sample serves it."""
    source = f"bench {point} {analysis}"
    if lab is None or lab.empty:
        rows = pd.DataFrame({"sampled_at": pd.DatetimeIndex([], tz="UTC"), "value": []})
    else:
        is_wanted = (lab["point"] == point) & (lab["analysis"] == analysis) & ~lab["is_suspect"].astype(bool)
        rows = lab.loc[is_wanted & lab["value"].notna()].sort_values("sampled_at", kind="stable")
    values: Array = rows["value"].to_numpy(dtype=float)
    sampled = pd.DatetimeIndex(rows["sampled_at"])
    ids = nearest_sample(sampled, times, run_code, every_s, plant.lab.max_age_s)
    taken = np.where(ids >= 0, values[np.maximum(ids, 0)], np.nan) if len(values) else np.full(len(times), np.nan)
    uncertainty = plant.lab.uncertainty.get(analysis, ASSUMED[analysis])
    return BenchSeries(source, reading(taken, source, uncertainty), Samples(ids, len(values)))
