"""Solids meters against the bench: turbidity turned into suspended solids, meters that read off put right.

Comes in: role columns and accepted grabs of one press. Goes out: `Calibration`, one per meter and stretch over which
its calibration held, and the readings with the error the calibration leaves. A meter that needs no grabs to be read
(a solids meter) is corrected only when the grabs contradict what it is stated to do; turbidity means nothing without.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trendkit.plant.model import Plant, Press, Uncertainty
from trendkit.press.lab import ASSUMED
from trendkit.press.robust_line import fit_robustly
from trendkit.press.uncertainty import COVERAGE_95, Array, Codes, Measured, Samples
from trendkit.series import paired_with_grabs

BENCH = {  # meter's role -> the point and analysis it is held against
    "feed_solids": ("feed", "TS"),
    "cake_solids": ("cake", "TS"),
    "thickened_solids": ("thickened", "TS"),
    "filtrate_solids": ("filtrate", "TSS"),
    "filtrate_turbidity": ("filtrate", "TSS"),
}
NEED_GRABS = ("filtrate_turbidity",)  # no solids without a calibration
LEAST_GRABS = 4  # to calibrate on at all
LEAST_TO_CORRECT = 8  # to set a solids meter aside that is stated to be right
LEAST_FOR_LINE = 12  # for an offset beside the gain, on readings that spread
LEAST_SPREAD = 1.5  # of readings, 90th over 10th percentile, for an offset to be seen
SURE = 3.0  # standard deviations beyond what meter and grabs together explain
SURE_OF_CHANGE = 5.0
LEAST_CHANGE = 0.08  # relative
PRIOR_GRABS = 4.0  # how many grabs the stated uncertainty of the bench counts for when few show their own


@dataclass(frozen=True)
class Calibration:
    """How a meter was read over one stretch: ``bench = offset + gain * reading``, with 95 % limits of the gain.

    `scatter` is the relative standard deviation of single grabs about the line. `covariance` is that of offset and
    gain, small numbers of grabs allowed for. Not used (`is_used` False): the meter stands as read, or, when it
    means nothing without grabs, is left out; `reason` says why.
    """

    role: str
    analysis: str
    start_utc: pd.Timestamp
    end_utc: pd.Timestamp  # exclusive
    grabs: int
    gain: float
    gain_low: float
    gain_high: float
    offset: float
    scatter: float
    covariance: Array
    is_used: bool
    reason: str


@dataclass(frozen=True)
class Calibrated:
    """Readings of one role after calibration, and which independent error each bin's scatter belongs to."""

    measured: Measured
    samples: dict[str, Samples]
    calibrations: tuple[Calibration, ...]


@dataclass(frozen=True)
class Fitted:
    """A meter of a whole record against the bench: the stretches its calibration held over, how good a grab is."""

    calibrations: tuple[Calibration, ...] = ()
    has_grabs: bool = False
    bench_share: float = 0.0

    @property
    def told(self) -> tuple[Calibration, ...]:
        """The calibrations a person is told of: none where no grab was held against the meter."""
        return self.calibrations if self.has_grabs else ()


def fit_to_grabs(
    role: str,
    readings: Array,
    lab: pd.DataFrame | None,
    times: pd.DatetimeIndex,
    every_s: float,
    press: Press,
    plant: Plant,
) -> Fitted:
    """Return how a meter stands against the grabs; `readings` has one value per bin of the record."""
    if np.isnan(readings).all():
        return Fitted()
    point, analysis = BENCH[role]
    pairs = paired_with_grabs(pd.Series(readings, index=times), _accepted(lab, point, analysis), every_s)
    stated = plant.lab.uncertainty.get(analysis, ASSUMED[analysis])
    found = tuple(
        _calibration(role, analysis, start, end, stretch, stated, press)
        for start, end, stretch in _stretches(pairs, times, every_s, stated)
    )
    return Fitted(found, len(pairs) > 0, _bench_share(stated, pairs))


def calibrated(role: str, as_read: Measured, fitted: Fitted, run_code: Codes, times: pd.DatetimeIndex) -> Calibrated:
    """Return readings on the scale of the bench; they may be some rows of the record the meter was fitted over.

    Bins of stretches that cannot be calibrated keep their reading, or are NaN for a meter that means nothing without
    grabs.
    """
    measured = as_read
    samples: dict[str, Samples] = {}
    for number, each in enumerate(fitted.calibrations):
        rows = np.asarray((times >= each.start_utc) & (times < each.end_utc))
        if not rows.any():
            continue
        if each.is_used:
            measured, samples = _applied(measured, each, number, rows, run_code, fitted.bench_share, samples)
        elif role in NEED_GRABS:
            measured = Measured(np.where(rows, np.nan, measured.value), measured.parts)
    return Calibrated(measured, samples, fitted.told)


def _accepted(lab: pd.DataFrame | None, point: str, analysis: str) -> pd.DataFrame:
    if lab is None or lab.empty:
        return pd.DataFrame({"sampled_at": pd.DatetimeIndex([], tz="UTC"), "value": np.zeros(0)})
    wanted = (lab["point"] == point) & (lab["analysis"] == analysis) & ~lab["is_suspect"].astype(bool)
    return lab.loc[wanted & (lab["value"] > 0.0), ["sampled_at", "value"]].sort_values("sampled_at", kind="stable")


def _bench_share(stated: Uncertainty, pairs: pd.DataFrame) -> float:
    """Return the relative standard uncertainty of a grab as the plant file states it."""
    level = float(pairs["grab"].median()) if len(pairs) else np.nan
    return float(np.hypot(stated.relative, stated.absolute / level)) if level > 0.0 else stated.relative


# --- where a calibration changed --------------------------------------------------------------------------


def change_places(ratios: Array, bench_share: float) -> list[int]:
    """Return where the level of logarithms of grab over reading changes: first places of the stretches after.

    Stretches of at least four grabs; the split that explains most goes first, then each side is looked at again.
    The spread of single grabs comes from the differences of neighbours, which a change hardly touches.

    Examples
    --------
    >>> change_places(np.array([0.0, 0.01, -0.01, 0.0, 0.3, 0.31, 0.29, 0.3]), 0.02)
    [4]
    """
    if len(ratios) < 2 * LEAST_GRABS:
        return []
    neighbours = np.abs(np.diff(ratios))
    spread = max(float(np.median(neighbours)) * 1.4826 / np.sqrt(2.0), bench_share, 1e-6)
    places = np.arange(LEAST_GRABS, len(ratios) - LEAST_GRABS + 1)
    left_over = [_absolute_rest(ratios[:place]) + _absolute_rest(ratios[place:]) for place in places]
    split = int(places[int(np.argmin(left_over))])
    step = abs(float(np.median(ratios[split:]) - np.median(ratios[:split])))
    of_medians = 1.25 * spread * np.sqrt(1.0 / split + 1.0 / (len(ratios) - split))
    if step < SURE_OF_CHANGE * of_medians or step < LEAST_CHANGE:
        return []
    after = [split + place for place in change_places(ratios[split:], bench_share)]
    return [*change_places(ratios[:split], bench_share), split, *after]


def _absolute_rest(ratios: Array) -> float:
    return float(np.abs(ratios - np.median(ratios)).sum())


def _stretches(
    pairs: pd.DataFrame, times: pd.DatetimeIndex, every_s: float, stated: Uncertainty
) -> list[tuple[pd.Timestamp, pd.Timestamp, pd.DataFrame]]:
    if not len(times):
        return []
    end = times[-1] + pd.Timedelta(seconds=every_s)
    ratios = np.log((pairs["grab"] / pairs["meter"]).to_numpy(dtype=float))
    splits = change_places(ratios, _bench_share(stated, pairs))
    moments = pairs["sampled_at"].to_list()
    edges = [times[0], *(moments[place - 1] + (moments[place] - moments[place - 1]) / 2 for place in splits), end]
    bounds = [0, *splits, len(pairs)]
    return [(edges[i], edges[i + 1], pairs.iloc[bounds[i] : bounds[i + 1]]) for i in range(len(edges) - 1)]


# --- the line --------------------------------------------------------------------------------------------


def _calibration(
    role: str,
    analysis: str,
    start: pd.Timestamp,
    end: pd.Timestamp,
    pairs: pd.DataFrame,
    stated: Uncertainty,
    press: Press,
) -> Calibration:
    count = len(pairs)
    if count < LEAST_GRABS:
        reason = f"{count} {'grab' if count == 1 else 'grabs'}, at least {LEAST_GRABS} needed"
        unknown, spread = np.nan, np.zeros((2, 2))
        return Calibration(
            role, analysis, start, end, count, unknown, unknown, unknown, unknown, unknown, spread, False, reason
        )
    meter, grab = pairs["meter"].to_numpy(dtype=float), pairs["grab"].to_numpy(dtype=float)
    offset, gain, covariance, scatter = fit_line(meter, grab, _bench_share(stated, pairs))
    half = COVERAGE_95 * float(np.sqrt(covariance[1, 1]))
    is_used, reason = _verdict(role, meter, offset, gain, covariance, press, count)
    return Calibration(
        role, analysis, start, end, count, gain, gain - half, gain + half, offset, scatter, covariance, is_used, reason
    )


def fit_line(meter: Array, grab: Array, bench_share: float) -> tuple[float, float, Array, float]:
    """Return offset, gain, their covariance and the relative scatter of grabs about ``offset + gain * meter``.

    Robust (Huber's weights) on relative errors. The offset is 0 unless the readings spread and the grabs show one
    beyond chance. Few grabs widen the covariance: Student's quantile takes the normal one's place, and the stated
    uncertainty of the bench stands beside a scatter seen in few.

    Source: Huber, Robust Statistics, proposal 2, tuning constant 1.345 (value from memory).

    Examples
    --------
    >>> readings = np.array([100.0, 200.0, 300.0, 400.0])
    >>> offset, gain, _, _ = fit_line(readings, 1.2 * readings, 0.05)
    >>> offset, round(gain, 6)
    (0.0, 1.2)
    """
    from scipy.special import stdtrit

    count = len(meter)
    level = float(np.median(grab / meter)) * meter
    columns = np.column_stack((1.0 / level, meter / level))
    low, high = np.percentile(meter, [10, 90])
    if count >= LEAST_FOR_LINE and high >= LEAST_SPREAD * low:
        line = fit_robustly(columns, grab / level)
        covariance = line.covariance * _widened(count - 2, line.scale, bench_share)
        if line.coefficients[0] ** 2 > stdtrit(count - 2, 0.995) ** 2 * line.covariance[0, 0]:
            return float(line.coefficients[0]), float(line.coefficients[1]), covariance, line.scale
    rest = np.log(grab / meter)
    calm = rest if np.ptp(rest) > 1e-9 else rest + 1e-9 * np.arange(count)  # the scale of equal values is 0
    only = fit_robustly(np.ones((count, 1)), calm)
    spread, gain = only.scale, float(np.exp(only.coefficients[0]))
    relative = (spread**2 / count) * _widened(count - 1, spread, bench_share)
    return 0.0, gain, np.diag([0.0, relative * gain**2]), spread


def _widened(degrees: int, spread: float, bench_share: float) -> float:
    """Return by what a variance is multiplied for resting on few grabs."""
    from scipy.special import stdtrit

    pooled = (degrees * spread**2 + PRIOR_GRABS * bench_share**2) / (degrees + PRIOR_GRABS)
    student = float(stdtrit(degrees + PRIOR_GRABS, 0.975)) / COVERAGE_95
    return student**2 * pooled / max(spread, 1e-9) ** 2


def _verdict(
    role: str, meter: Array, offset: float, gain: float, covariance: Array, press: Press, count: int
) -> tuple[bool, str]:
    """Return whether the calibration is used, and why."""
    if role in NEED_GRABS:
        return True, "solids by the grabs"
    level = float(np.median(meter))
    stated = press.uncertainty_of(role)
    of_meter = float(np.hypot(stated.relative, stated.absolute / level))
    at_level = np.array([1.0, level])
    predicted = float(at_level @ [offset, gain])
    of_grabs = float(np.sqrt(at_level @ covariance @ at_level)) / predicted
    apart = abs(np.log(predicted / level))
    if apart <= SURE * np.hypot(of_meter, of_grabs):
        return False, "agrees with the grabs: used as read"
    if count < LEAST_TO_CORRECT:
        return False, f"off the grabs, but {count} are too few to correct it: used as read"
    return True, "off the grabs beyond its stated uncertainty: corrected"


def _applied(
    measured: Measured,
    used: Calibration,
    number: int,
    rows: np.ndarray,
    run_code: Codes,
    bench_share: float,
    samples: dict[str, Samples],
) -> tuple[Measured, dict[str, Samples]]:
    """Return the readings with one stretch calibrated, its errors in place of the meter's own."""
    reading = np.where(rows, measured.value, 0.0)
    value = np.where(rows, used.offset + used.gain * measured.value, measured.value)
    parts = {source: np.where(rows, 0.0, part) for source, part in measured.parts.items()}
    factor = _square_root(used.covariance)
    for column in range(2):
        share = np.where(rows, factor[0, column] + factor[1, column] * reading, 0.0)
        if np.any(factor[:, column]):
            parts[f"{used.role} calibration {number}.{column}"] = share
    own = float(np.sqrt(max(used.scatter**2 - bench_share**2, 0.0)))
    if own > 0.0:  # what the meter itself strays from its line: alike within a run, independent from run to run
        source = f"{used.role} scatter {number}"
        parts[source] = np.where(rows, value * own, 0.0)
        ids = np.where(rows, run_code, -1)
        samples = {**samples, source: Samples(ids, int(run_code.max(initial=0)) + 1)}
    return Measured(value, parts), samples


def _square_root(covariance: Array) -> Array:
    sizes, directions = np.linalg.eigh(covariance)
    root: Array = directions * np.sqrt(np.clip(sizes, 0.0, None))
    return root


def calibration_notes(calibrations: tuple[Calibration, ...]) -> tuple[str, ...]:
    """Say in words what was calibrated, on how many grabs, and where a calibration changed."""
    notes = []
    for role in dict.fromkeys(each.role for each in calibrations):
        own = [each for each in calibrations if each.role == role]
        name = role.replace("_", " ").capitalize()
        for each in own:
            if each.is_used:
                unit = "mg/L per NTU" if role in NEED_GRABS else "times the reading"
                offset = f" and {each.offset:+.3g}" if each.offset else ""
                notes.append(
                    f"{name} is put on the scale of {each.grabs} grabs: {each.gain:.3g} {unit}{offset} "
                    f"({each.gain_low:.3g} to {each.gain_high:.3g})."
                )
            elif role in NEED_GRABS:
                notes.append(f"{name} gives no solids: {each.reason}.")
        if len(own) > 1:
            days = ", ".join(f"{each.start_utc:%Y-%m-%d}" for each in own[1:])
            notes.append(f"{name}: its calibration changed about {days}; each stretch is calibrated by itself.")
    return tuple(notes)
