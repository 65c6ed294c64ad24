"""What the streams of a press are made from: its meters, calibrated where they must be, and its bench samples."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from trendkit.plant.model import Plant, Press
from trendkit.press.calibration import Calibrated, Calibration, Fitted, calibrated
from trendkit.press.capture import WATER_KG_M3
from trendkit.press.lab import BenchSeries, bench_series
from trendkit.press.phases import Operation
from trendkit.press.rows import has_role, role_values, setting
from trendkit.press.transit import Span
from trendkit.press.uncertainty import Array, Measured, Samples, choose, exact, reading


@dataclass(frozen=True)
class Known:
    """What a whole record decides for the streams of any of its rows.

    `fitted`: each solids meter against the grabs, by role. `own_share`: which share of what comes off in a bin was
    fed in its own run. `filtrate_has_gaps`: whether turbidity stands in for the filtrate solids meter anywhere.
    """

    fitted: Mapping[str, Fitted]
    own_share: Array
    filtrate_has_gaps: bool

    def over(self, rows: slice) -> Known:
        """Return what is known for some rows."""
        return replace(self, own_share=self.own_share[rows])


@dataclass(frozen=True)
class Given:
    """What every stream is made from: roles and grabs of one press, its settings, what it was doing."""

    roles: pd.DataFrame
    lab: pd.DataFrame | None
    press: Press
    plant: Plant
    operation: Operation
    every_s: float
    known: Known

    @property
    def times(self) -> pd.DatetimeIndex:
        """Start of every bin, UTC."""
        return pd.DatetimeIndex(self.roles.index)

    def seen_by_cake_meter(self) -> Span:
        """Return when the cake meter sees what is discharged in every bin."""
        delay_s = np.nan_to_num(setting(self.press, self.times, "cake_delay_s"))
        edges: Array = np.arange(len(self.roles), dtype=float) * self.every_s + delay_s
        return Span(edges, edges + self.every_s)

    def metered(self, role: str) -> Measured:
        """Return a role's readings with the error its meter has in common to all of them."""
        return reading(role_values(self.roles, role), role, self.press.uncertainty_of(role))

    def optional(self, role: str) -> Measured:
        """Return a role's readings, zero throughout where the press has no such meter."""
        return self.metered(role) if has_role(self.roles, role) else exact(np.zeros(len(self.roles)))

    def bench(self, point: str, analysis: str) -> BenchSeries:
        """Return one analysis at one point, bin by bin."""
        return bench_series(self.lab, point, analysis, self.times, self.operation.run_code, self.every_s, self.plant)

    def calibrated(self, role: str) -> Calibrated:
        """Return a solids meter's readings on the scale of the bench."""
        return calibrated(role, self.metered(role), self.known.fitted[role], self.operation.run_code, self.times)

    @property
    def calibrations(self) -> tuple[Calibration, ...]:
        """The calibrations a person is told of; those of turbidity where it stands in for the solids meter."""
        roles = ["feed_solids", "filtrate_solids", "filtrate_turbidity", "cake_solids", "thickened_solids"]
        if not self.known.filtrate_has_gaps:
            roles.remove("filtrate_turbidity")
        return tuple(each for role in roles for each in self.known.fitted[role].told)

    def metered_or_bench(
        self, meters: Sequence[Calibrated], bench: BenchSeries
    ) -> tuple[Measured, Mapping[str, Samples]]:
        """Return the first meter's readings, the next where it gives none, last the bench; and samples used."""
        found, used = bench.measured, {bench.source: bench.samples}
        for meter in reversed(meters):
            is_metered = ~np.isnan(meter.measured.value)
            found = choose(is_metered, meter.measured, found)
            used = {source: Samples(np.where(is_metered, -1, each.ids), each.count) for source, each in used.items()}
            used |= meter.samples
        return found, {source: each for source, each in used.items() if (each.ids >= 0).any()}


def dissolved_mg_l(given: Given) -> Array:
    """Return the dissolved solids of the feed's water [mg/L] as the bench has them, 0 where it does not.

    The feed's own where they were tested, else the filtrate's. One number for the run's nearest sample: they
    change slowly, and what matters is their level.
    """
    feed = given.bench("feed", "TDS").measured.value
    filtrate = given.bench("filtrate", "TDS").measured.value
    return np.nan_to_num(np.where(np.isnan(feed), filtrate, feed))


def conditioning_kg_h(given: Given) -> Measured:
    """Return polymer solution and dilution water together [kg/h]."""
    solution = given.optional("polymer_flow") * (WATER_KG_M3 / 1000.0)
    return solution + given.optional("dilution_water_flow") * WATER_KG_M3
