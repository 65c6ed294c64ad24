"""Faults of meters that the bins show: frozen readings, readings in another unit, a shifted clock."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trendkit.findings import Fault, Finding
from trendkit.plant.model import Press, Tag
from trendkit.plant.roles import ROLES
from trendkit.series.clock_skew import find_clock_shifts
from trendkit.series.columns import from_us, to_si
from trendkit.series.segments import Bins, Bools, Floats
from trendkit.series.sharing import MOVING_M_MIN
from trendkit.series.source_skew import SourceSkew
from trendkit.series.standstill import find_standstills, find_stopped_count
from trendkit.series.tracks import Track
from trendkit.series.unit_steps import find_unit_steps
from trendkit.series.wild import NO_VALUE_CODES

Columns = Mapping[str, npt.NDArray[np.float64] | npt.NDArray[np.object_]]


@dataclass(frozen=True)
class Meter:
    """An analog tag, its bins, and the bins of its readings that were out of range."""

    tag: Tag
    track: Track
    outside: Track | None


@dataclass(frozen=True)
class Counter:
    """A counter, its bins, and what it usually grows by from reading to reading."""

    tag: Tag
    track: Track
    usual_increment: float


def moving_bins(press: Press, columns: Columns) -> Bools:
    """Return the bins in which the press moves: `running`, else its belts, else feed on."""

    def numbers(role: str) -> Floats | None:
        found = columns.get(ROLES[role].column)
        return None if found is None or found.dtype == object else np.asarray(found, float)

    running = numbers("running")
    belts = [speed for role in ("gravity_belt_speed", "pressure_belt_speed") if (speed := numbers(role)) is not None]
    feed = numbers("feed_flow")
    if running is not None and not np.isnan(running).all():
        return np.asarray(running > 0.5)
    if belts:
        return np.asarray(np.fmax.reduce(belts) > MOVING_M_MIN)
    return np.zeros(0, bool) if feed is None else np.asarray(feed > press.feed_on_above_m3_h)


def meter_findings(
    press: Press, meters: Mapping[str, Meter], columns: Columns, bins: Bins
) -> list[tuple[str, slice, Finding]]:
    """Return the faults of a press's analog meters: column, bins to be emptied and what was found.

    `meters` is keyed by column, `columns` holds the press's columns in SI units. A shifted clock empties nothing.
    """
    is_moving = moving_bins(press, columns)
    if not is_moving.any():
        return []
    numbers = {name: np.asarray(columns[name], float) for name in meters}
    found = []
    for column, meter in meters.items():
        for still in find_standstills(meter.tag.name, meter.track, numbers[column], is_moving):
            text = (
                f"stood at {still.value:.4g} {meter.tag.si_unit} for {still.moving_bins * bins.seconds / 60:.0f} "
                f"minutes of a moving press; otherwise it changes in {100 * still.usual_share:.0f} % of them"
            )
            is_code = float(meter.track.lowest[still.first : still.past].min()) in NO_VALUE_CODES
            fault: Fault = "out_of_range" if is_code else "frozen"
            text += "; such a number stands for no value" if is_code else ""
            rows = slice(still.first, still.past)
            effect = _left_out(numbers[column][rows], meter.tag.name, bins)
            found.append((column, rows, _finding(press, meter.tag, fault, rows, effect, text, bins)))
        for shift in find_clock_shifts(numbers[column], is_moving, bins.seconds):
            way = "late" if shift.late_s > 0 else "early"
            text = f"{shift.edges} starts and stops come {abs(shift.late_s) / 60:.0f} min {way} against the press's"
            rows = slice(shift.first, shift.past)
            effect = f"{meter.tag.name} is used as recorded; if its clock is off, set shift_clock for its source"
            found.append((column, slice(0, 0), _finding(press, meter.tag, "clock_shift", rows, effect, text, bins)))
    return [*found, *_unit_findings(press, meters, numbers, is_moving, bins)]


def _unit_findings(
    press: Press, meters: Mapping[str, Meter], numbers: Mapping[str, Floats], is_moving: Bools, bins: Bins
) -> list[tuple[str, slice, Finding]]:
    """Return the stretches in another unit; readings out of range count here, as another unit may lie there."""
    feed = numbers.get(ROLES["feed_flow"].column)
    is_fed = is_moving if feed is None else is_moving & ~(feed <= press.feed_on_above_m3_h)
    shown = {name: _with_outside(values, meters[name]) for name, values in numbers.items()}
    units = {name: meter.tag.si_unit for name, meter in meters.items()}
    found = []
    for column, steps in find_unit_steps(shown, units, is_fed if is_fed.any() else is_moving).items():
        tag = meters[column].tag
        for step in steps:
            text = (
                f"readings {step.ratio:.3g} times those before and after while the other meters hold still: "
                f"the factor between {step.units}"
            )
            rows = slice(step.first, step.past)
            effect = _left_out(shown[column][rows], tag.name, bins)
            found.append((column, rows, _finding(press, tag, "unit_suspect", rows, effect, text, bins)))
    return found


def _with_outside(values: Floats, meter: Meter) -> Floats:
    """Return the readings per bin with those that were out of range put back."""
    outside = meter.outside
    if outside is None:
        return values
    shown = outside.good_s > 0.0
    means = np.divide(outside.sloped, outside.good_s, out=np.full(len(values), np.nan), where=shown)
    return np.where(np.isnan(values), to_si(meter.tag, means), values)


def _left_out(readings: Floats, name: str, bins: Bins) -> str:
    return f"left out of {np.isfinite(readings).sum() * bins.seconds / 60.0:.0f} minutes of {name}"


def _finding(press: Press, tag: Tag, fault: Fault, rows: slice, effect: str, evidence: str, bins: Bins) -> Finding:
    return Finding(
        None if tag.split_among else press.slug,
        tag.tag,
        tag.name,
        fault,
        from_us(bins.start_us + rows.start * bins.every_us),
        from_us(bins.start_us + rows.stop * bins.every_us),
        effect,
        evidence,
        rows.stop - rows.start,
    )


def stopped_counter_findings(
    press: Press, counters: Mapping[str, Counter], columns: Columns, bins: Bins
) -> list[tuple[str, slice, Finding]]:
    """Return the counters whose number format holds no more single steps: column, bins to be emptied, finding."""
    is_moving = moving_bins(press, columns)
    found = []
    for column, counter in counters.items():
        amounts = np.asarray(columns[column], float)
        stopped = find_stopped_count(counter.track, counter.usual_increment, amounts, is_moving)
        if stopped is None:
            continue
        rows = slice(stopped.first, bins.count)
        text = (
            f"stands at {stopped.level:.0f} to the end, {stopped.moving_bins * bins.seconds / 60:.0f} minutes of a "
            f"moving press; a 32-bit number of that size loses steps below {stopped.least_step:g}"
        )
        effect = _left_out(amounts[rows], counter.tag.name, bins)
        found.append((column, rows, _finding(press, counter.tag, "frozen", rows, effect, text, bins)))
    return found


def skew_findings(press: Press, skews: Sequence[SourceSkew], bins: Bins) -> list[Finding]:
    """Return one finding per set of files whose clock differs from that of the others; nothing is corrected."""
    found = []
    for skew in skews:
        way = "after" if skew.late_s > 0 else "before"
        roles = ", ".join(skew.roles)
        text = f"{skew.edges} starts and stops come {abs(skew.late_s):.0f} s {way} those of {skew.against} ({roles})"
        effect = (
            f"used as recorded; if the clock of {skew.source} is off by about that much, give its source "
            f'shift_clock = "{-skew.late_s:.0f}s"'
        )
        start, end = from_us(bins.start_us), from_us(bins.start_us + bins.count * bins.every_us)
        found.append(
            Finding(press.slug, f"all tags of {skew.source}", None, "clock_shift", start, end, effect, text, skew.edges)
        )
    return found
