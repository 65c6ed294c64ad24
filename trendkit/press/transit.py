"""Sludge time: when the sludge discharged in a bin was fed, and when it left the gravity zone.

Comes in: flows (m3/h) and belt speeds (m/min) on a regular grid, volumes (m3) and lengths (m). Goes out: clock
positions in seconds from the grid's first edge. The way is solved from the flow and speed histories, not from a
fixed lag: plug flow through the conditioning volume, then the belts (continuity; contract, section 3).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trendkit.plant.model import Press
from trendkit.press.rows import Mask, carried_forward, has_role, role_values, setting
from trendkit.press.uncertainty import Array, Codes, Measured

HOLD_S = 600.0  # a gap in a speed or flow is bridged this long when the sludge's way is followed
_NUDGE = 1e-9  # settles on which side of a standstill an exact hit falls: the moment things move again


@dataclass(frozen=True)
class Span:
    """For every bin the stretch of an earlier clock it stands for, in seconds from the first edge; NaN unknown."""

    lower: Array
    upper: Array

    @property
    def middle(self) -> Array:
        """Middle of the stretch, seconds."""
        return 0.5 * (self.lower + self.upper)

    def over(self, rows: slice, shift_s: float) -> Span:
        """Return the spans of some rows on a clock that begins `shift_s` later."""
        return Span(self.lower[rows] - shift_s, self.upper[rows] - shift_s)

    def after(self, earliest: Array) -> Span:
        """Return the span cut off before `earliest` (a run's first edge): nothing older is counted."""
        return Span(np.maximum(self.lower, earliest), np.maximum(self.upper, earliest))


@dataclass(frozen=True)
class Transit:
    """The sludge's way through the press, bin by bin, seconds from the grid's first edge.

    `fed`: the feeding of what is discharged in the bin. `drained`: its leaving of the gravity zone.
    `fed_of_drained`: the feeding of what leaves the gravity zone in the bin. `moved_m3`: sludge volume discharged
    in the bin, as fed; zero while nothing comes off. `fed_middle` and the like are solved at the bin's middle.
    """

    fed: Span
    drained: Span
    fed_middle: Array
    fed_of_drained_middle: Array
    moved_m3: Array
    notes: tuple[str, ...] = ()

    def over(self, rows: slice, every_s: float) -> Transit:
        """Return the way of some rows, on a clock that begins with the first of them."""
        shift_s = rows.start * every_s
        return Transit(
            self.fed.over(rows, shift_s),
            self.drained.over(rows, shift_s),
            self.fed_middle[rows] - shift_s,
            self.fed_of_drained_middle[rows] - shift_s,
            self.moved_m3[rows],
            self.notes,
        )


def _cumulative(rate: Array) -> Array:
    return np.concatenate(([0.0], np.cumsum(rate)))


def _at(clock: Array, cumulative: Array, every_s: float) -> Array:
    """Return a cumulative amount at clock positions; before the first edge it runs on unknown (NaN)."""
    edges = np.arange(len(cumulative)) * every_s
    result: Array = np.interp(clock, edges, cumulative, left=np.nan)
    return np.where(np.isnan(clock), np.nan, result)


def _back(clock: Array, behind: Array, cumulative: Array, every_s: float) -> Array:
    """Return the clock positions at which the cumulative amount was `behind` less; NaN before the grid begins."""
    edges = np.arange(len(cumulative)) * every_s
    target = _at(clock, cumulative, every_s) - behind + _NUDGE
    result: Array = np.interp(target, cumulative, edges, left=np.nan)
    result = np.where(np.isnan(target), np.nan, result)
    return np.minimum(result, clock)


def _speed(roles: pd.DataFrame, belt: str, is_moving: Mask, hold: int) -> tuple[Array | None, str]:
    """Return the belt's speed for following the sludge, zero where unknown, and a note on a stand-in."""
    if has_role(roles, f"{belt}_belt_speed"):
        speed = carried_forward(role_values(roles, f"{belt}_belt_speed"), hold)
        return np.nan_to_num(np.where(is_moving, speed, 0.0)).clip(min=0.0), ""
    if has_role(roles, f"{belt}_belt_setpoint"):
        speed = carried_forward(role_values(roles, f"{belt}_belt_setpoint"), hold)
        note = f"Sludge time: the {belt} belt's speed is not measured; its setpoint stands in."
        return np.nan_to_num(np.where(is_moving, speed, 0.0)).clip(min=0.0), note
    note = f"Sludge time: the {belt} belt's speed is not known; the time sludge spends on it is left out."
    return None, note


def conditioning_flow_m3_h(roles: pd.DataFrame, is_feeding: Mask, hold: int) -> Array:
    """Return feed, polymer solution and dilution water together [m3/h], zero while the feed is off."""
    feed = carried_forward(role_values(roles, "feed_flow"), hold)
    polymer = carried_forward(role_values(roles, "polymer_flow"), hold) / 1000.0
    dilution = carried_forward(role_values(roles, "dilution_water_flow"), hold)
    total = np.nan_to_num(feed) + np.nan_to_num(polymer) + np.nan_to_num(dilution)
    return np.where(is_feeding, total, 0.0).clip(min=0.0)


def follow_sludge(
    roles: pd.DataFrame,
    press: Press,
    is_moving: Mask,
    is_feeding: Mask,
    is_thickening: Mask,
    every_s: float,
) -> Transit:
    """Return the sludge's way through the press for every bin of a regular grid.

    `roles` is indexed by bin start (UTC, closed left). Speeds and flows are constant within a bin, so the
    integrals are straight lines between the edges and their inverses exact. Thickened sludge leaves at the end
    of the gravity zone.
    """
    times = pd.DatetimeIndex(roles.index)
    hold = int(HOLD_S // every_s)
    flow = _cumulative(conditioning_flow_m3_h(roles, is_feeding, hold) * every_s / 3600.0)
    gravity, gravity_note = _speed(roles, "gravity", is_moving, hold)
    pressure, pressure_note = _speed(roles, "pressure", is_moving, hold)
    gravity_m = None if gravity is None else _cumulative(gravity * every_s / 60.0)
    pressure_m = None if pressure is None else _cumulative(pressure * every_s / 60.0)
    conditioning = np.nan_to_num(setting(press, times, "conditioning_volume_m3"))
    gravity_length = setting(press, times, "gravity_zone_length_m")
    pressure_length = setting(press, times, "pressure_zone_length_m")

    def drained_at(clock: Array) -> Array:
        if pressure_m is None:
            return clock
        return np.where(is_thickening, clock, _back(clock, pressure_length, pressure_m, every_s))

    def fed_at(clock: Array) -> Array:
        landed = clock if gravity_m is None else _back(clock, gravity_length, gravity_m, every_s)
        return _back(landed, conditioning, flow, every_s)

    first: Array = np.arange(len(times), dtype=float) * float(every_s)
    middle, last = first + every_s / 2, first + every_s
    drained = Span(drained_at(first), drained_at(last))
    fed = Span(fed_at(drained.lower), fed_at(drained.upper))
    return Transit(
        fed=fed,
        drained=drained,
        fed_middle=fed_at(drained_at(middle)),
        fed_of_drained_middle=fed_at(middle),
        moved_m3=_at(fed.upper, flow, every_s) - _at(fed.lower, flow, every_s),
        notes=tuple(note for note in (gravity_note, pressure_note) if note),
    )


class _Passing:
    """How much of a binned series passed within each of some spans."""

    def __init__(self, span: Span, every_s: float, count: int) -> None:
        self.every_s = every_s
        self.edges = [self._place(edge, every_s, count) for edge in (span.lower, span.upper)]

    @staticmethod
    def _place(edge: Array, every_s: float, count: int) -> tuple[Codes, Array]:
        """Return the bin in which each clock position lies, and how far into it [s]."""
        clock = np.nan_to_num(edge) / every_s
        whole = np.clip(clock.astype(np.int64), 0, count - 1)
        return whole, (clock - whole) * every_s

    def amount(self, values: Array) -> Array:
        """Return the integral of a series without gaps over each span (series unit times seconds)."""
        cumulative = _cumulative(values * self.every_s)
        from_start, to_end = (cumulative[whole] + into_s * values[whole] for whole, into_s in self.edges)
        result: Array = to_end - from_start
        return result


def carry(quantity: Measured, span: Span, every_s: float, is_rate: bool) -> Measured:
    """Return a series of an earlier clock as seen by the bins whose `span` it was.

    Rates (kg/h, m3/h) keep their amount: what passed in the span, spread over the bin. Other series give their
    mean over the span. NaN where less than half of the span is known; a rate is zero where the span is empty.
    """
    known = (~np.isnan(quantity.value)).astype(float)
    length = span.upper - span.lower
    passing = _Passing(span, every_s, len(known))
    covered = passing.amount(known)
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = (length / every_s if is_rate else 1.0) / covered
    usable = (covered >= 0.5 * length) & (length > 1e-6)
    factor = np.where(usable, factor, np.nan)
    if is_rate:
        factor = np.where(length <= 1e-6, 0.0, factor)

    def mean(series: Array) -> Array:
        return passing.amount(np.where(known > 0, series, 0.0)) * factor

    return Measured(mean(quantity.value), {source: mean(part) for source, part in quantity.parts.items()})
