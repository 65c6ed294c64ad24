"""Every figure of a period as a sum or a ratio of sums, for any grouping of the bins, errors carried along."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from trendkit.plant.calendar import is_excluded, plant_days
from trendkit.plant.model import Plant, Press
from trendkit.plant.roles import MODES
from trendkit.press.amounts import ratio
from trendkit.press.figures import Quotient, figure_quotients
from trendkit.press.methods import Chosen
from trendkit.press.phases import Operation
from trendkit.press.record import Record, Stretch, without_errors_in
from trendkit.press.results import FigureTable
from trendkit.press.rows import Mask
from trendkit.press.streams import Streams
from trendkit.press.totals import all_over_known, filled_sum
from trendkit.press.uncertainty import Array, Codes, Measured, Samples, exact, sum_by

FIGURE_UNITS = {
    "feed_volume_m3": "m³",
    "feed_dry_solids_t": "t",
    "dry_cake_t": "t",
    "wet_cake_t": "t",
    "solids_returned_t": "t",
    "polymer_kg": "kg",
    "washwater_m3": "m³",
    "energy_kwh": "kWh",
    "capture_pct": "%",
    "cake_solids_pct": "%",
    "thickened_solids_pct": "%",
    "polymer_dose_kg_t": "kg/t",
    "solids_loading_kg_h_m": "kg/h/m",
    "hydraulic_loading_m3_h_m": "m³/h/m",
    "belt_speed_ratio": "",
    "press_hours": "h",
    "run_hours": "h",
    "press_days": "d",
    "washwater_m3_t": "m³/t",
    "energy_kwh_t": "kWh/t",
}
COSTED = ("polymer_kg", "wet_cake_t", "energy_kwh", "washwater_m3", "solids_returned_t", "press_hours")
MEANS = (
    "capture_pct",
    "cake_solids_pct",
    "thickened_solids_pct",
    "polymer_dose_kg_t",
    "solids_loading_kg_h_m",
    "hydraulic_loading_m3_h_m",
    "belt_speed_ratio",
)
PRESS_DAY_MIN = 60.0  # minutes of pressing that make a press day (contract, section 3)
_METHODS = {
    "cake_solids_pct": "dry over wet, pressing",
    "thickened_solids_pct": "dry over wet, pressing",
    "polymer_dose_kg_t": "active polymer over feed dry solids, pressing",
    "solids_loading_kg_h_m": "mass over width and pressing hours",
    "hydraulic_loading_m3_h_m": "volume over width and pressing hours",
    "belt_speed_ratio": "mean gravity over mean pressure belt speed, pressing",
    "press_hours": "time feeding",
    "run_hours": "time moving",
    "press_days": "plant days with at least 60 min pressing",
}


@dataclass(frozen=True)
class GroupFigures:
    """Figures of every group, shape (groups,), and the bins each rests on.

    `more_kept_than_fed_t`: by how much, where the solids sent back come out negative; they are then NaN.
    `feed_known_share`: of the hours feeding, those with a known feed flow. What was fed in the others is in no total,
    so that an amount of all hours counts by this share where it is told per tonne.
    """

    values: Mapping[str, Measured]
    counts: Mapping[str, Array]
    more_kept_than_fed_t: Array
    feed_known_share: Array


@dataclass(frozen=True)
class Sums:
    """A figure table's streams, ready to be summed over any groups of bins."""

    table: FigureTable
    press: Press
    plant: Plant
    made: Stretch | None = None  # the table's streams, where somebody has them

    @cached_property
    def stretch(self) -> Stretch:
        """The streams the table's rows are ratios of."""
        return self.made or self.record.around(pd.DatetimeIndex(self.table.frame.index))

    @cached_property
    def bare(self) -> Sums:
        """The same without errors, for tables of values alone: a share per source and grab for every day is much."""
        return replace(self, made=without_errors_in(self.stretch))

    @property
    def record(self) -> Record:
        """The record the table is of."""
        if self.table.record is None:
            raise ValueError("this figure table was not made by compute_figures: it carries no record")
        return self.table.record

    @property
    def streams(self) -> Streams:
        """The streams the figures are ratios of."""
        return self.stretch.streams

    @property
    def chosen(self) -> Chosen:
        """The capture method of every run."""
        return self.stretch.chosen

    @property
    def operation(self) -> Operation:
        """What the press was doing."""
        return self.streams.operation

    @property
    def times(self) -> pd.DatetimeIndex:
        """Start of every bin, UTC."""
        return self.streams.times

    @property
    def every_s(self) -> float:
        """Length of a bin [s]."""
        return self.streams.every_s

    @cached_property
    def is_meant(self) -> Mask:
        """True in bins that count in means: pressing, outside the plant file's excluded periods."""
        return np.asarray(self.streams.is_pressing & ~is_excluded(self.plant, self.press.slug, self.times))

    @cached_property
    def quotients(self) -> Mapping[str, Quotient]:
        """Every ratio figure as numerator and denominator, bin by bin."""
        return figure_quotients(self.streams, self.chosen, self.press)

    @cached_property
    def samples(self) -> Mapping[str, Samples]:
        """Which bench grab each bin used, wall clock first."""
        return {**self.streams.discharge_samples, **self.streams.samples}

    def is_mode(self, mode: str) -> Mask:
        """True in runs of the mode."""
        return np.asarray((self.operation.mode == MODES.index(mode)) & (self.operation.run_code >= 0))

    def method(self, name: str) -> str:
        """Say how a figure is taken, in plain words."""
        return _METHODS.get(name, "sum over all phases" if not name.endswith("_t") else "totals, all phases")

    def reason(self, name: str, mode: str) -> str:
        """Say why a figure of the period is not known."""
        if not self.is_mode(mode).any():
            return f"no {mode} run in the period"
        column = {
            "energy_kwh": "energy_kwh_t",
            "washwater_m3": "washwater_m3_t",
            "polymer_kg": "polymer_dose_kg_t",
        }
        column |= {"feed_dry_solids_t": "feed_dry_solids_kg_h", "dry_cake_t": "dry_cake_kg_h"}
        column |= {"wet_cake_t": "wet_cake_kg_h", "solids_returned_t": "capture_pct"}
        if name == "thickened_solids_pct" and mode == "dewatering":
            return "cake is judged in dewatering; thickened solids belong to thickening runs"
        if mode == "thickening" and name in (
            "cake_solids_pct",
            "dry_cake_t",
            "wet_cake_t",
            "belt_speed_ratio",
        ):
            return "thickening makes no cake and uses no pressure zone"
        unknown = "its inputs are not known together in the period, or for under a tenth of it"
        return self.table.unavailable.get(column.get(name, name), unknown)


def group_figures(sums: Sums, codes: Codes, count: int) -> GroupFigures:
    """Return every figure for every group: `codes` holds the group of each bin, -1 for none."""
    hours = sums.every_s / 3600.0
    values, counts = _totals(sums, codes, count)
    for name in MEANS:
        values[name], counts[name] = _mean(sums, name, codes, count)
    for name, mask in (("press_hours", sums.operation.is_feeding), ("run_hours", sums.operation.is_moving)):
        counts[name] = np.bincount(codes[(codes >= 0) & mask], minlength=count).astype(float)
        values[name] = exact(counts[name] * hours)
    values["press_days"] = exact(_press_days(sums, codes, count))
    counts["press_days"] = values["press_days"].value
    is_fed = sums.operation.is_feeding.astype(float)
    known = 1.0 / all_over_known(is_fed, ~np.isnan(sums.streams.feed_m3_h.value), codes, count)
    for name, above in (("washwater_m3_t", "washwater_m3"), ("energy_kwh_t", "energy_kwh")):
        values[name] = ratio(values[above] * known, values["feed_dry_solids_t"])
        counts[name] = counts[above]
    returned = values["solids_returned_t"]
    values["solids_returned_t"] = Measured(np.where(returned.value < 0.0, np.nan, returned.value), returned.parts)
    too_much = np.clip(-np.nan_to_num(returned.value), 0.0, None)
    return GroupFigures({name: values[name] for name in FIGURE_UNITS}, counts, too_much, known)


def _totals(sums: Sums, codes: Codes, count: int) -> tuple[dict[str, Measured], dict[str, Array]]:
    """Return every total for every group, and the bins it rests on; each goes on where its meter is silent."""
    streams, chosen, hours = sums.streams, sums.chosen, sums.every_s / 3600.0
    on_sludge, on_clock = streams.discharge_samples, sums.samples
    volume, moving = streams.feed_m3_h.value, sums.operation.is_moving.astype(float)
    fed, is_cake = streams.fed_kg_h.value, sums.is_mode("dewatering")
    left_on_belts = sums.record.survey.left_on_belts
    # what came off of sludge whose feed solids nobody knows, and what lay on the belts at a stop
    unseen = all_over_known(volume, ~np.isnan(streams.fed_row_kg_h.value), codes, count) * left_on_belts
    rates = {
        "feed_volume_m3": (streams.feed_m3_h, 1.0, volume, on_clock),
        "feed_dry_solids_t": (streams.fed_row_kg_h, 0.001, volume, on_clock),
        "dry_cake_t": (_where(chosen.dry_kg_h, is_cake), 0.001, fed, on_sludge),
        "wet_cake_t": (_where(chosen.wet_kg_h, is_cake), 0.001, fed, on_sludge),
        "solids_returned_t": (streams.fed_kg_h - chosen.kept_kg_h, 0.001, fed, on_sludge),
        "polymer_kg": (streams.polymer_active_row_kg_h, 1.0, volume, on_clock),
        "washwater_m3": (streams.washwater_row_m3_h, 1.0, moving, on_clock),
        "energy_kwh": (streams.power_row_kw, 1.0, moving, on_clock),
    }
    values, counts = {}, {}
    for name, (rate, factor, weight, samples) in rates.items():
        summed, counts[name] = filled_sum(rate, weight, codes, count, samples)
        values[name] = summed * (factor * hours * (unseen if weight is fed else 1.0))
    return values, counts


def _where(quantity: Measured, mask: Mask) -> Measured:
    return Measured(np.where(mask, quantity.value, np.nan), quantity.parts)


def _mean(sums: Sums, name: str, codes: Codes, count: int) -> tuple[Measured, Array]:
    """Return a ratio figure over the pressing bins of every group, as a ratio of sums."""
    parts = sums.quotients[name]
    is_known = ~np.isnan(parts.above.value) & ~np.isnan(parts.below.value)
    groups = np.where(is_known & sums.is_meant, codes, -1)
    on_sludge = name in ("capture_pct", "cake_solids_pct", "thickened_solids_pct")
    samples = sums.streams.discharge_samples if on_sludge else sums.samples
    above, below = (sum_by(each, groups, count, samples) for each in (parts.above, parts.below))
    return ratio(above, below), np.bincount(groups[groups >= 0], minlength=count).astype(float)


def _press_days(sums: Sums, codes: Codes, count: int) -> Array:
    """Return per group the plant days with at least 60 min pressing."""
    rows = np.flatnonzero((codes >= 0) & sums.streams.is_pressing)
    if len(rows) == 0:
        return np.zeros(count)
    days = pd.factorize(plant_days(sums.plant, sums.times[rows]))[0]
    minutes = pd.Series(sums.every_s / 60.0, index=rows).groupby([codes[rows], days]).sum()
    full = minutes[minutes >= PRESS_DAY_MIN - 1e-9]
    return np.bincount(full.index.get_level_values(0), minlength=count).astype(float)
