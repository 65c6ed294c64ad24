"""What the press room hands on: the figure table of one press and the figures of a period."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd

from trendkit.plant.model import Limit

if TYPE_CHECKING:
    from trendkit.press.calibration import Calibration
    from trendkit.press.closure import Closure
    from trendkit.press.record import Record
    from trendkit.press.streams import Streams
    from trendkit.press.workload import Workload


@dataclass(frozen=True)
class FigureTable:
    """Every computed series of one press on the regular grid.

    `frame`: UTC DatetimeIndex "time"; columns `feed_time`, `run`, `phase`, `mode`, `capture_method`, the roles,
    the figures with `_rolling`, `_low`, `_high` as the contract, section 4, lists them, all present always (but
    limits and `_rolling` where they were not asked for).
    `unavailable`: column -> why it is null throughout. `capture_by_run`: one row per run and method with
    `run`, `method`, `capture_pct`, `capture_pct_low`, `capture_pct_high`, `is_chosen`, `reason`. `lab`: the bench
    samples of this press the figures were computed with, a row each, columns as `LabSheet.frame` (tuning needs to
    know when a grab was taken, which the frame no longer tells); empty without a bench sheet.
    """

    press: str  # slug
    every_s: int
    frame: pd.DataFrame
    capture_by_run: pd.DataFrame
    unavailable: Mapping[str, str] = field(default_factory=dict)
    basis: Mapping[str, str] = field(default_factory=dict)  # role column -> metered, assumed, split, counter
    notes: tuple[str, ...] = ()
    lab: pd.DataFrame = field(default_factory=pd.DataFrame)
    record: Record | None = None  # what the figures are ratios of, with errors; `review_period` sums it

    @property
    def streams(self) -> Streams:
        """The streams the rows are ratios of, whole runs around them included; made when asked for in a long record."""
        if self.record is None:
            raise ValueError("this figure table was not made by compute_figures: it carries no streams")
        return self.record.around(pd.DatetimeIndex(self.frame.index)).streams


@dataclass(frozen=True)
class Figure:
    """One figure of a period: the value with its 95 % limits, and how it came about."""

    value: float | None
    unit: str  # SI, as in the name's suffix: "%", "kg/t", "m3"
    low: float | None = None
    high: float | None = None
    n: int = 0  # bins, samples or runs it rests on
    method: str = ""
    previous: float | None = None  # the same figure over the period before
    target: Limit | None = None
    meets_target: bool | None = None  # None when no target is set or the limits straddle it
    reason: str | None = None  # why `value` is None


@dataclass(frozen=True)
class CostLine:
    """One line of the cost per dry tonne leaving in cake, in the plant's currency."""

    name: str
    amount: float
    per_dry_t: float
    price: str  # "62 USD/t of wet cake"


@dataclass(frozen=True)
class Compared:
    """A computed amount of the period against what was weighed over the gate, both in `unit`.

    `agrees`: the weighed amount lies within the computed one's 95 % limits; None when it cannot be told, with
    `reason` saying why.
    """

    name: str  # "wet_cake_t": computed wet cake against truck tickets; "polymer_kg": against deliveries
    unit: str
    computed: float | None
    low: float | None
    high: float | None
    weighed: float
    rows: int
    gap_pct: float | None  # computed less weighed, of the weighed
    agrees: bool | None
    reason: str


@dataclass(frozen=True)
class PeriodReview:
    """How one press did over a period: figures by the names of the contract, tables by day, shift and run."""

    figures: Mapping[str, Figure]  # dewatering only; totals and hours too
    by_mode: Mapping[str, Mapping[str, Figure]]
    by_day: pd.DataFrame  # columns `day`, `mode`, then figure names (SI)
    by_shift: pd.DataFrame  # columns `day`, `shift`, `mode`, then figure names
    runs: pd.DataFrame  # `run`, `mode`, `start_utc`, `end_utc`, `capture_method`, figure names
    costs: tuple[CostLine, ...] = ()
    missing_prices: tuple[str, ...] = ()
    capture_by_method: Mapping[str, Figure] = field(default_factory=dict)  # the whole period, each method
    notes: tuple[str, ...] = ()
    closure: Closure | None = None  # water and solids of the period's dewatering reconciled
    closure_by_run: tuple[Closure, ...] = ()
    calibrations: tuple[Calibration, ...] = ()  # of solids meters on grabs
    workload: Workload | None = None
    compared: tuple[Compared, ...] = ()  # with truck tickets and polymer deliveries
    feed_unknown: str = ""  # the hours, in a sentence, that no total counts for want of a feed flow
