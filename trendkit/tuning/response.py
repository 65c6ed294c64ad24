"""Estimate 1: the response of cake solids and lost solids to gravity belt speed, everything else held still.

Steady blocks are regressed on a smooth effect of the speed beside feed, loading, dose, pressure belt speed,
washwater and time into the run, with day levels and drift as part of the error. Limits come from resampling
whole days.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.tuning.lasting import NONE, Lasting
from trendkit.tuning.outcome import FEED_SOLIDS, LOADING, SLIDES, SPEED, Design, Outcome, fit_outcome
from trendkit.tuning.regression import day_weights
from trendkit.tuning.smooth import Smooth

Floats = npt.NDArray[np.float64]

DRAWS = 400
SEED = 20260223
BENDS = 10

# what else the cake may owe its dryness to; the loading and the feed solids together span the feed flow
_CANDIDATES = (LOADING, FEED_SOLIDS, "polymer_dose_kg_t", "pressure_belt_speed_m_min",
               "washwater_flow_m3_h", "belt_tension_kn_m")  # fmt: skip
_CURVED = (LOADING, "polymer_dose_kg_t")
_LEAST_SPREAD = 0.005  # an input whose log moves less than this (robust spread) explains nothing
_LEAST_KNOWN = 0.8  # an input known in fewer of the blocks is left out
_LEAST_OWN = 0.005  # an input of whose variance the earlier ones leave less than this share tells nothing new
_ROWS_PER_COLUMN = 6
_LEAST_LOSS_PCT = 0.2  # below this the logarithm of the loss is not to be trusted


@dataclass(frozen=True)
class Response:
    """The fitted response: cake solids [%] and lost solids [% of those fed], None where not known."""

    blocks: pd.DataFrame
    cake: Outcome
    loss: Outcome | None
    days: tuple[str, ...]  # plant days the fit rests on
    weights: Floats  # day resamples, (DRAWS, days)
    typical: Mapping[str, float]  # medians of the pressing minutes, by column
    lasting: Lasting = NONE  # what the meters may be off by throughout

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


def design_for(blocks: pd.DataFrame, inputs: tuple[str, ...]) -> Design:
    """Return the design of the outcome regressions, no richer than the number of blocks allows."""
    room = max(len(blocks) // _ROWS_PER_COLUMN - len(inputs) - 4, 0)
    curved = tuple(name for name in _CURVED if name in inputs)[:room]
    centres = {name: float(blocks[name].median()) for name in (*inputs, SPEED)}
    spread_of_hours = blocks["hours_into_run"].std() > 0.25
    hours = float(blocks["hours_into_run"].median()) if room > 2 and spread_of_hours else None
    powers = {name: 0.0 for name in SLIDES if name in inputs}
    room -= len(curved) + 1 + len(powers)
    return Design(
        inputs, curved, centres, hours, Smooth(0.0, 1.0, int(np.clip(room, 1, BENDS))), powers, opens=room > 0
    )


def fit_response(blocks: pd.DataFrame, typical: Mapping[str, float]) -> Response:
    """Return estimate 1 from steady blocks; `typical` holds the medians of the pressing minutes.

    Blocks that lack an input in use are left out. Needs at least two days and more blocks than columns
    (`numpy.linalg.LinAlgError` otherwise).
    """
    inputs = usable_inputs(blocks)
    known = blocks[blocks[[*inputs, "cake_solids_pct", SPEED]].gt(0.0).all(axis=1)].reset_index(drop=True)
    labels, day = np.unique(known["day"].astype(str).to_numpy(), return_inverse=True)
    weights = day_weights(len(labels), DRAWS, SEED)
    design = design_for(known, inputs)
    cake_pct = known["cake_solids_pct"].to_numpy(dtype=float)
    cake = fit_outcome(known, cake_pct, day, weights, design, is_log=False, seed=SEED + 1)
    loss_pct = 100.0 - known["capture_pct"].to_numpy(dtype=float)
    loss = None
    if np.isfinite(loss_pct).sum() > design.matrix(known).shape[1] + 5:
        is_log = bool(np.nanquantile(loss_pct, 0.02) > _LEAST_LOSS_PCT)
        loss = fit_outcome(known, loss_pct, day, weights, design, is_log, seed=SEED + 2)
    return Response(known, cake, loss, tuple(str(label) for label in labels), weights, typical)
