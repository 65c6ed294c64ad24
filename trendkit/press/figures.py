"""Every computed series of one press: the figure table, contract section 4.

Comes in: role columns on a regular UTC grid (SI), bench samples. Goes out: `FigureTable`. A figure is a ratio of
two streams, so that its rolling value and its value over a month are ratios of sums of the same streams.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trendkit.plant.model import Plant, Press
from trendkit.plant.roles import MODES, ROLES
from trendkit.press.amounts import ratio
from trendkit.press.belts import wedge_contact_pct
from trendkit.press.methods import Chosen
from trendkit.press.phases import DEWATERING, THICKENING
from trendkit.press.record import Record, observe
from trendkit.press.results import FigureTable
from trendkit.press.rolling import trailing_limits, trailing_ratio
from trendkit.press.rows import setting, settings_over
from trendkit.press.streams import Streams, masked
from trendkit.press.uncertainty import Array, Measured, exact, limits

FIGURES = (
    "hydraulic_loading_m3_h_m",
    "feed_dry_solids_kg_h",
    "solids_loading_kg_h_m",
    "polymer_dose_kg_t",
    "capture_pct",
    "cake_solids_pct",
    "thickened_solids_pct",
    "filtrate_tss_mg_l",
    "dry_cake_kg_h",
    "wet_cake_kg_h",
    "belt_speed_ratio",
    "gravity_drain_time_s",
    "belt_solids_kg_m2",
    "cake_thickness_mm",
    "wedge_contact_pct",
    "tank_upflow_m_h",
    "washwater_m3_t",
    "energy_kwh_t",
)
WITHOUT_LIMITS = ("gravity_drain_time_s", "wedge_contact_pct", "tank_upflow_m_h", "belt_speed_ratio")
CAKE_FIGURES = ("cake_solids_pct", "dry_cake_kg_h", "wet_cake_kg_h", "cake_thickness_mm", "wedge_contact_pct")
LEAD = ("feed_time", "run", "phase", "mode", "capture_method")


@dataclass(frozen=True)
class Quotient:
    """One figure as numerator over denominator, both known bin by bin; `n` the bins where it exists."""

    above: Measured
    below: Measured


def compute_figures(
    roles: pd.DataFrame,
    basis: Mapping[str, str],
    lab: pd.DataFrame | None,
    press: Press,
    plant: Plant,
    every_s: int,
    in_full: bool = True,
) -> FigureTable:
    """Return every computed series of one press on its regular grid.

    Parameters
    ----------
    roles
        One column per role (`ROLES[...].column`) or free tag, SI, index UTC "time" at the bin's start, closed
        left; NaN where not known, or known for less than half of the bin.
    basis
        Column -> "metered", "counter", "assumed" or "split".
    lab
        Bench samples of this press, or None.
    in_full
        False leaves out limits and rolling values, most of the work and of the room, for who reads none.

    Raises
    ------
    ValueError
        When the index is not increasing, not regular or not UTC.
    """
    _checked_index(roles, every_s)
    record = observe(roles, lab, press, plant, every_s)
    pieces = FigurePieces(record, roles, in_full)
    frame = pieces.together()
    return FigureTable(
        press=press.slug,
        every_s=every_s,
        frame=frame,
        capture_by_run=record.survey.by_run,
        unavailable=pieces.unavailable(),
        basis=dict(basis),
        notes=record.notes,
        lab=lab if lab is not None else pd.DataFrame(),
        record=record,
    )


@dataclass
class FigurePieces:
    """The rows of a press's figure table a stretch at a time: go through them and let go of each.

    `roles` has all columns of the grid, those without value too; `known` the figures seen so far.
    """

    record: Record
    roles: pd.DataFrame
    in_full: bool = True
    known: set[str] = field(default_factory=set)

    def __iter__(self) -> Iterator[pd.DataFrame]:
        """Yield the rows, `FigureTable.frame` has them all."""
        for rows, lead, figures in self._computed():
            yield _side_by_side(lead, self.roles.iloc[rows], figures)

    def together(self) -> pd.DataFrame:
        """Return all rows in one frame, which shares the columns of the roles with the grid."""
        _, leads, figures = zip(*self._computed(), strict=True)
        if len(leads) == 1:
            return _side_by_side(leads[0], self.roles, figures[0])
        return _side_by_side(pd.concat(leads), self.roles, pd.concat(figures))

    def _computed(self) -> Iterator[tuple[slice, pd.DataFrame, pd.DataFrame]]:
        press, plant = self.record.press, self.record.plant
        for rows, stretch in self.record.stretches():
            quotients = figure_quotients(stretch.streams, stretch.chosen, press)
            columns = _figure_columns(quotients, stretch.streams, press, plant, self.in_full)
            times = self.record.times[rows]
            figures = pd.DataFrame({name: each[stretch.asked] for name, each in columns.items()}, times)
            self.known |= {name for name in FIGURES if figures[name].notna().any()}
            yield rows, _lead_columns(self.record, rows, stretch.chosen.method_of_bin[stretch.asked]), figures

    def unavailable(self) -> dict[str, str]:
        """Return, for every figure that is known nowhere once all rows are seen, why."""
        reasons, found = self.record.survey.reasons, {}
        for name in FIGURES:
            if name not in self.known:
                missing = [reasons[need] for need in _NEEDS.get(name, ()) if need in reasons]
                found[name] = "; ".join(missing) or _other_reason(name, self.record)
        return found


def figure_head(roles: pd.DataFrame, in_full: bool = True) -> pd.DataFrame:
    """Return the figure table of a grid without its rows: all columns, in their order and of their types."""
    times = pd.DatetimeIndex(roles.index[:0])
    lead = pd.DataFrame(None, times, columns=list(LEAD), dtype=object)
    lead["feed_time"] = times + pd.to_timedelta(np.zeros(0), unit="s")
    figures = pd.DataFrame(0.0, times, columns=figure_columns(in_full))
    return _side_by_side(lead, roles.iloc[:0], figures)


def figure_columns(in_full: bool) -> list[str]:
    """Return the names of the computed columns in their order."""
    names = []
    for name in FIGURES:
        ends = ("", "_low", "_high") if in_full and name not in WITHOUT_LIMITS else ("",)
        rolling = tuple(f"_rolling{end}" for end in ends) if in_full else ()
        names += [f"{name}{end}" for end in (*ends, *rolling)]
    return names


def _checked_index(roles: pd.DataFrame, every_s: int) -> pd.DatetimeIndex:
    times = roles.index
    if not isinstance(times, pd.DatetimeIndex) or str(times.tz) != "UTC":
        raise ValueError("the grid's index must be UTC times; convert it with tz_convert('UTC')")
    if len(times) > 1 and not bool((np.diff(times.asi8) == pd.Timedelta(seconds=every_s) // _unit(times)).all()):
        raise ValueError(f"the grid's index must rise in steps of {every_s} s without gaps or repeats")
    return times


def _unit(times: pd.DatetimeIndex) -> pd.Timedelta:
    return pd.Timedelta(1, unit=times.unit)


def figure_quotients(streams: Streams, chosen: Chosen, press: Press) -> dict[str, Quotient]:
    """Return every ratio figure of the contract as numerator and denominator, bin by bin (SI)."""
    times, ones = streams.times, np.ones(len(streams.times))
    width = exact(setting(press, times, "belt_width_m"))
    area = exact(setting(press, times, "conditioning_tank_area_m2"))
    length = exact(setting(press, times, "gravity_zone_length_m"))
    gravity_area = streams.gravity_m_min * 60.0 * width
    pressure_area = streams.pressure_m_min * 60.0 * width
    is_cake = streams.is_dewatering
    dry = masked(chosen.dry_kg_h, is_cake)
    wet = masked(chosen.wet_kg_h, is_cake)
    solids = streams.product_solids_pct
    comes_off = streams.fed_kg_h.value > 0.0
    # the concentration itself, weighed by what comes off: dry over wet where that is known, else by time
    weight = np.where(chosen.wet_kg_h.value > 0.0, chosen.wet_kg_h.value, np.nan) if chosen.is_wet_known else ones
    filtrate = streams.filtrate_tss_row_mg_l
    tonnes = streams.fed_row_kg_h * 0.001
    unit = exact(ones)
    return {
        "hydraulic_loading_m3_h_m": Quotient(streams.feed_m3_h, width),
        "feed_dry_solids_kg_h": Quotient(streams.fed_row_kg_h, unit),
        "solids_loading_kg_h_m": Quotient(streams.fed_row_kg_h, width),
        "polymer_dose_kg_t": Quotient(streams.polymer_active_row_kg_h, tonnes),
        "capture_pct": Quotient(chosen.kept_kg_h * 100.0, streams.fed_kg_h),
        "cake_solids_pct": Quotient(masked(solids * weight, is_cake & comes_off), masked(unit * weight, is_cake)),
        "thickened_solids_pct": Quotient(
            masked(solids * weight, streams.is_thickening & comes_off),
            masked(unit * weight, streams.is_thickening),
        ),
        "filtrate_tss_mg_l": Quotient(filtrate, unit),
        "dry_cake_kg_h": Quotient(dry, unit),
        "wet_cake_kg_h": Quotient(wet, unit),
        "belt_speed_ratio": Quotient(masked(streams.gravity_m_min, is_cake), _running(streams.pressure_m_min)),
        "gravity_drain_time_s": Quotient(length * 60.0, _running(streams.gravity_m_min)),
        "belt_solids_kg_m2": Quotient(streams.fed_row_kg_h, gravity_area),
        "cake_thickness_mm": Quotient(wet * 1000.0, pressure_area * exact(setting(press, times, "cake_density_kg_m3"))),
        "tank_upflow_m_h": Quotient(streams.feed_m3_h, area),
        "washwater_m3_t": Quotient(streams.washwater_row_m3_h, tonnes),
        "energy_kwh_t": Quotient(streams.power_row_kw, tonnes),
    }


def _running(speed: Measured) -> Measured:
    """Return a belt speed where the belt moves, NaN where it stands."""
    return masked(speed, speed.value > 0.2)


def _figure_columns(
    quotients: Mapping[str, Quotient], streams: Streams, press: Press, plant: Plant, in_full: bool
) -> dict[str, Array]:
    """Return each figure's columns: the bin's own value and its rolling value, each with 95 % limits."""
    columns: dict[str, Array] = {}
    for name in FIGURES:
        if name == "wedge_contact_pct":
            for ending in ("", "_rolling") if in_full else ("",):
                thickness = columns[f"cake_thickness_mm{ending}"]
                columns[f"{name}{ending}"] = _wedge_contact(press, streams.times, thickness)
            continue
        parts = quotients[name]
        value = ratio(parts.above, parts.below)
        columns[name] = value.value
        if not in_full:
            continue
        if name not in WITHOUT_LIMITS:
            columns[f"{name}_low"], columns[f"{name}_high"] = limits(value)
        columns |= _rolling_columns(name, parts, streams, plant)
    return columns


def _rolling_columns(name: str, parts: Quotient, streams: Streams, plant: Plant) -> dict[str, Array]:
    window = (streams.is_pressing, streams.operation.run_code, streams.every_s, plant.rolling_window_s)
    columns = {f"{name}_rolling": trailing_ratio(parts.above.value, parts.below.value, *window)}
    if name not in WITHOUT_LIMITS:
        low, high = trailing_limits(parts.above, parts.below, *window)
        columns |= {f"{name}_rolling_low": low, f"{name}_rolling_high": high}
    return columns


def _wedge_contact(press: Press, times: pd.DatetimeIndex, thickness_mm: Array) -> Array:
    result: Array = np.full(len(times), np.nan)
    for rows, there in settings_over(press, times):
        if there.wedge_gaps:
            result[rows] = np.asarray(wedge_contact_pct(thickness_mm[rows], there.wedge_gaps), dtype=float)
    return result


def _lead_columns(record: Record, rows: slice, method: NDArray[np.object_]) -> pd.DataFrame:
    operation, times = record.operation, record.times
    names = np.array([*operation.run_names, None], dtype=object)
    modes = np.array([*MODES, None], dtype=object)
    run_code = operation.run_code[rows]
    in_run = run_code >= 0
    fed_s = np.where(operation.is_moving[rows] & in_run, operation.transit.fed_middle[rows], np.nan)
    feed_time = times[0] + pd.to_timedelta(np.round(fed_s), unit="s") if len(times) else pd.DatetimeIndex([], tz="UTC")
    words = {
        "run": names[run_code],
        "phase": operation.phase[rows],
        "mode": modes[np.where(in_run, operation.mode[rows], -1)],
        "capture_method": method,
    }
    columns = {name: pd.Series(each, times[rows], dtype=object) for name, each in words.items()}
    return pd.DataFrame({"feed_time": pd.Series(feed_time, times[rows]), **columns}, times[rows])


def _side_by_side(lead: pd.DataFrame, roles: pd.DataFrame, figures: pd.DataFrame) -> pd.DataFrame:
    return pd.concat([lead, pd.DataFrame(_role_columns(roles), roles.index, copy=False), figures], axis=1)


def _role_columns(roles: pd.DataFrame) -> dict[str, pd.Series]:
    """Return all role columns in the contract's order, null where the press has none, then the free tags.

    The `mode` signal is not repeated: the column `mode` says what it, or the belts, told.
    """
    states = {role.column for role in ROLES.values() if role.kind == "state"} - {"running", "belt_trip"}
    columns: dict[str, pd.Series] = {}
    unknown = pd.Series(np.nan, index=roles.index)
    for role in ROLES.values():
        if role.name == "mode":
            continue
        if role.column in roles:
            columns[role.column] = roles[role.column]
        elif role.column in states:
            columns[role.column] = pd.Series(None, index=roles.index, dtype=object)
        else:
            columns[role.column] = unknown
    return columns | {name: roles[name] for name in roles.columns if name not in columns and name not in LEAD}


_NEEDS = {
    "feed_dry_solids_kg_h": ("feed solids",),
    "solids_loading_kg_h_m": ("feed solids",),
    "belt_solids_kg_m2": ("feed solids",),
    "polymer_dose_kg_t": ("polymer", "feed solids"),
    "capture_pct": ("feed solids", "filtrate solids", "product solids", "washwater"),
    "cake_solids_pct": ("product solids",),
    "thickened_solids_pct": ("product solids",),
    "filtrate_tss_mg_l": ("filtrate solids",),
    "dry_cake_kg_h": ("feed solids", "filtrate solids", "product solids", "washwater"),
    "wet_cake_kg_h": ("feed solids", "filtrate solids", "product solids", "washwater"),
    "cake_thickness_mm": ("feed solids", "filtrate solids", "product solids", "washwater"),
}


def _other_reason(name: str, record: Record) -> str:
    modes = record.operation.mode[record.operation.run_code >= 0]
    if name == "thickened_solids_pct" and not (modes == THICKENING).any():
        return "no thickening run in these data"
    if name in CAKE_FIGURES and not (modes == DEWATERING).any():
        return "no dewatering run in these data"
    if name == "wedge_contact_pct":
        has_gaps = any(there.wedge_gaps for _, there in settings_over(record.press, record.times))
        return "no wedge gaps in the plant file" if not has_gaps else "no cake thickness"
    needs = {
        "tank_upflow_m_h": "no conditioning tank area in the plant file",
        "washwater_m3_t": "no washwater flow meter",
        "energy_kwh_t": "no power or energy meter",
        "belt_speed_ratio": "the speed of both belts is needed",
        "gravity_drain_time_s": "no gravity belt speed",
    }
    return needs.get(name, "its inputs are not known together at any time")
