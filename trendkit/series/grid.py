"""The regular grid of one press: what the series room hands to the press room."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from trendkit.findings import Finding


@dataclass(frozen=True)
class Habit:
    """How a tag was recorded over the span read.

    `recorded` is "sampled" on a clock, at "changes" only, or "" where too little was read to tell; `spacing_s` is the
    usual step between readings, NaN when unknown; `uncertain_share` the share of its good time marked uncertain,
    `longest_silence_s` the longest time between two readings.
    """

    tag: str
    name: str  # role or free name
    recorded: str
    spacing_s: float
    uncertain_share: float
    longest_silence_s: float = 0.0


@dataclass(frozen=True)
class PressGrid:
    """Time-weighted bins of one press on one regular UTC grid, in SI units.

    `roles` has a UTC DatetimeIndex named "time" (the bin's start, closed left) and one column per role or
    free tag of the press, named as in the contract; NaN where less than half of the bin has good data.
    Numbers are float64. `running` and `belt_trip` are 1.0, 0.0 or NaN; `feed_source` and `mode` are text or
    None. `good_s` has the same index and columns: the seconds of each bin with good data, float32. `basis` says per
    column "metered", "counter", "assumed" (a fixed value of the plant file) or "split" (a share of a common meter).
    `habits` says for each column read from a tag how that tag was recorded; of a tag set up anew in between, the last.
    """

    press: str  # slug
    every_s: int
    roles: pd.DataFrame
    good_s: pd.DataFrame
    basis: Mapping[str, str]
    findings: tuple[Finding, ...] = ()
    notes: tuple[str, ...] = ()
    habits: Mapping[str, Habit] = field(default_factory=dict)

    def good_share(self, column: str) -> pd.Series:
        """Return the share of each bin with good data in a column, 0 to 1."""
        return (self.good_s[column].astype(float) / self.every_s).clip(upper=1.0)
