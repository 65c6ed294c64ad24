"""Estimate 1: the response of cake solids and lost solids to gravity belt speed, everything else held still.

Steady blocks are regressed on a smooth effect of the speed beside feed, load, dose, pressure belt speed,
washwater and time into the run, with day levels and drift as part of the error. Limits come from resampling
whole days.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.tuning.regression import DayFit, day_weights, fit_by_day
from trendkit.tuning.serial import Memory, arrange_by_day, estimate_memory, whiten

Floats = npt.NDArray[np.float64]

SPEED = "gravity_belt_speed_m_min"
LOAD = "solids_loading_kg_h_m"
DRAWS = 400
SEED = 20260223
FOLDS = 10

# what else the cake may owe its dryness to; the load and the feed solids together span the feed flow
_CANDIDATES = (LOAD, "feed_solids_pct", "polymer_dose_kg_t", "pressure_belt_speed_m_min",
               "washwater_flow_m3_h", "belt_tension_kn_m")  # fmt: skip
_CURVED = (LOAD, "polymer_dose_kg_t")
_LEAST_SPREAD = 0.005  # an input whose log moves less than this (robust spread) explains nothing
_LEAST_KNOWN = 0.8  # an input known in fewer of the blocks is left out
_LEAST_OWN = 0.005  # an input of whose variance the earlier ones leave less than this share tells nothing new
_ROWS_PER_COLUMN = 6
_LEAST_LOSS_PCT = 0.2  # below this the logarithm of the loss is not to be trusted


@dataclass(frozen=True)
class Design:
    """How a block becomes a row: logarithms of inputs against their medians, powers of the log speed."""

    inputs: tuple[str, ...]
    curved: tuple[str, ...]
    centres: Mapping[str, float]  # median of each input and of the speed, in the column's unit
    hours_centre: float | None  # of time into the run; None when it does not enter
    shape: tuple[str, ...] = ("linear", "square")  # speed terms, simplest first

    def matrix(self, blocks: pd.DataFrame) -> Floats:
        """Return the design matrix (blocks, columns): level, inputs, then the speed terms."""
        logs = {name: np.log(blocks[name].to_numpy(dtype=float) / centre) for name, centre in self.centres.items()}
        columns = [np.ones(len(blocks))]
        for name in self.inputs:
            columns.append(logs[name])
            if name in self.curved:
                columns.append(logs[name] ** 2)
        if self.hours_centre is not None:
            columns.append(blocks["hours_into_run"].to_numpy(dtype=float) - self.hours_centre)
        speed = logs[SPEED]
        terms = {"linear": speed, "square": speed**2, "knee": np.maximum(speed, 0.0) ** 2}
        if LOAD in logs:
            terms |= {"with_load": speed * logs[LOAD], "square_with_load": speed**2 * logs[LOAD]}
        columns += [terms[term] for term in self.shape]
        return np.column_stack(columns)

    @property
    def speed_columns(self) -> int:
        """Number of columns at the end that carry the speed."""
        return len(self.shape)


@dataclass(frozen=True)
class Outcome:
    """One outcome's fit: `is_log` when the logarithm of the loss [%] was fitted, and its error's memory."""

    fit: DayFit
    design: Design
    memory: Memory
    is_log: bool
    draws: Floats  # coefficients by day resampling, (DRAWS, k)

    def at(self, blocks: pd.DataFrame) -> tuple[Floats, Floats]:
        """Return the fitted outcome for each row (n,), and for each resample and row (DRAWS, n)."""
        matrix = self.design.matrix(blocks)
        fitted, spread = matrix @ self.fit.coefficients, self.draws @ matrix.T
        return (np.exp(fitted), np.exp(spread)) if self.is_log else (fitted, spread)


@dataclass(frozen=True)
class Response:
    """The fitted response: cake solids [%] and lost solids [% of those fed], None where not known."""

    blocks: pd.DataFrame
    cake: Outcome
    loss: Outcome | None
    days: tuple[str, ...]  # plant days the fit rests on
    weights: Floats  # day resamples, (DRAWS, days)
    typical: Mapping[str, float]  # medians of the pressing minutes, by column

    def conditions(self, speeds: Floats, **others: float) -> pd.DataFrame:
        """Return one row per speed [m/min] with everything else typical, or as given in `others`."""
        values = {**self.typical, **others}
        return pd.DataFrame({name: np.full(len(speeds), value) for name, value in values.items()}).assign(
            **{SPEED: speeds}
        )


def typical_conditions(minutes: pd.DataFrame) -> dict[str, float]:
    """Return the median of every numeric column of the sludge minutes, NaN where nothing is known."""
    return {str(name): float(value) for name, value in minutes.median(numeric_only=True).items()}


def usable_inputs(blocks: pd.DataFrame) -> tuple[str, ...]:
    """Return the inputs that are known in most blocks, moved enough to matter, and do not follow from others.

    A dose paced to the flow alone, say, follows from the feed solids; the one named first is kept.
    """
    moved = [name for name in _CANDIDATES if _moved(blocks[name].where(blocks[name] > 0.0))]
    rows = blocks[blocks[moved].gt(0.0).all(axis=1)]
    chosen: list[str] = []
    basis = np.ones((len(rows), 1))
    for name in moved:
        logs = np.log(rows[name].to_numpy(dtype=float))
        own = logs - basis @ np.linalg.lstsq(basis, logs, rcond=None)[0]
        if len(rows) > basis.shape[1] + 1 and own.var() > _LEAST_OWN * logs.var():
            chosen.append(name)
            basis = np.column_stack([basis, logs])
    return tuple(chosen)


def _moved(values: pd.Series) -> bool:
    if values.notna().mean() < _LEAST_KNOWN:
        return False
    low, high = values.quantile(0.1), values.quantile(0.9)
    return bool(np.log(high / low) > _LEAST_SPREAD)


def design_for(blocks: pd.DataFrame, inputs: tuple[str, ...], days: int) -> Design:
    """Return the design of the outcome regressions, no richer than the number of blocks and days allows."""
    room = max(len(blocks) // _ROWS_PER_COLUMN - len(inputs) - 4, 0)
    curved = tuple(name for name in _CURVED if name in inputs)[:room]
    centres = {name: float(blocks[name].median()) for name in (*inputs, SPEED)}
    spread_of_hours = blocks["hours_into_run"].std() > 0.25
    hours = float(blocks["hours_into_run"].median()) if room > 2 and spread_of_hours else None
    return Design(inputs, curved, centres, hours)


def fit_response(blocks: pd.DataFrame, typical: Mapping[str, float]) -> Response:
    """Return estimate 1 from steady blocks; `typical` holds the medians of the pressing minutes.

    Blocks that lack an input in use are left out. Needs at least two days and more blocks than columns
    (`numpy.linalg.LinAlgError` otherwise).
    """
    inputs = usable_inputs(blocks)
    known = blocks[blocks[[*inputs, "cake_solids_pct", SPEED]].gt(0.0).all(axis=1)].reset_index(drop=True)
    labels, day = np.unique(known["day"].astype(str).to_numpy(), return_inverse=True)
    weights = day_weights(len(labels), DRAWS, SEED)
    design = design_for(known, inputs, len(labels))
    cake = _fit_outcome(known, known["cake_solids_pct"].to_numpy(dtype=float), day, weights, design, is_log=False)
    loss_pct = 100.0 - known["capture_pct"].to_numpy(dtype=float)
    loss = None
    if np.isfinite(loss_pct).sum() > design.matrix(known).shape[1] + 5:
        is_log = bool(np.nanquantile(loss_pct, 0.02) > _LEAST_LOSS_PCT)
        loss = _fit_outcome(known, loss_pct, day, weights, design, is_log)
    return Response(known, cake, loss, tuple(str(label) for label in labels), weights, typical)


def _fit_outcome(
    blocks: pd.DataFrame,
    outcome: Floats,
    day: npt.NDArray[np.int64],
    weights: Floats,
    design: Design,
    is_log: bool,
) -> Outcome:
    usable = np.isfinite(outcome) & ((outcome > 0.0) if is_log else True)
    rows, values, number = blocks[usable], outcome[usable], day[usable]
    values = np.log(values) if is_log else values
    hours = pd.DatetimeIndex(rows["start_utc"]).as_unit("s").asi8 / 3600.0
    _, compact = np.unique(number, return_inverse=True)
    by_day = arrange_by_day(compact, hours)
    memory = estimate_memory(design.matrix(rows), values, compact, hours)
    shapes = _SHAPES if LOAD in design.inputs else _SHAPES[:2]
    richest = replace(design, shape=shapes[-1])
    whitened, _ = whiten(np.column_stack([richest.matrix(rows), values]), by_day, memory)
    candidates = fit_by_day(whitened[:, :-1], whitened[:, -1], number, weights.shape[1])
    shape = _needed_shape(candidates, np.arange(weights.shape[1]) % FOLDS, shapes)
    width = whitened.shape[1] - 1 - len(shapes[-1]) + len(shape)
    fit = fit_by_day(whitened[:, :width], whitened[:, -1], number, weights.shape[1])
    return Outcome(fit, replace(design, shape=shape), memory, is_log, fit.resampled(weights))


# speed effects tried, simplest first; each holds the one before, so their order is the order of columns
_SHAPES = (
    ("linear", "square"),
    ("linear", "square", "knee"),
    ("linear", "square", "knee", "with_load"),
    ("linear", "square", "knee", "with_load", "square_with_load"),
)
_LEAST_IMPROVEMENT = 0.002  # of the error of predicting left-out days, to accept a richer shape


def _needed_shape(
    candidates: DayFit, fold: npt.NDArray[np.int64], shapes: Sequence[tuple[str, ...]]
) -> tuple[str, ...]:
    """Return the simplest speed effect whose error on left-out days a richer one does not cut by 0.2 %."""
    base = len(candidates.coefficients) - len(shapes[-1])
    errors = [candidates.left_out_error(fold, np.arange(base + len(shape))) for shape in shapes]
    chosen = 0
    for number in range(1, len(shapes)):
        if errors[number] < errors[chosen] * (1.0 - _LEAST_IMPROVEMENT):
            chosen = number
    return shapes[chosen]
