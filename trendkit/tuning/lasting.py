"""What the meters may be off by throughout: it does not average out, and no resampling of days can show it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.press.amounts import ratio
from trendkit.press.results import FigureTable
from trendkit.press.uncertainty import Measured

Floats = npt.NDArray[np.float64]

ROWS = 400  # minutes looked at, evenly spread: lasting errors change little along the record


@dataclass(frozen=True)
class Lasting:
    """Standard uncertainties by source (s,), signed: points of cake solids, and of the logarithm of the loss."""

    cake_pct: Floats
    log_loss: Floats

    def drawn(self, draws: int, seed: int) -> tuple[Floats, Floats]:
        """Return draws of both errors (draws,); a meter that enters both errs in both at once."""
        errors = np.random.default_rng(seed).standard_normal((draws, len(self.cake_pct)))
        return errors @ self.cake_pct, errors @ self.log_loss


NONE = Lasting(np.zeros(0), np.zeros(0))


def lasting_errors(table: FigureTable, minutes: pd.DataFrame) -> Lasting:
    """Return the lasting errors of cake solids and lost solids over the sludge minutes; none if no meter states one.

    Grabs err independently of each other and are left to the scatter of the days.
    """
    if table.streams is None or table.chosen is None or not len(minutes):
        return NONE
    # the streams keep the whole span read when a period is cut out of the table
    rows = np.asarray(table.streams.times.get_indexer(pd.DatetimeIndex(minutes.index)))
    rows = rows[np.linspace(0, len(rows) - 1, min(ROWS, len(rows))).round().astype(int)]
    cake = _at(table.streams.product_solids_pct, rows)
    capture = ratio(_at(table.chosen.kept_kg_h, rows) * 100.0, _at(table.streams.fed_kg_h, rows))
    scattered = {**table.streams.samples, **table.streams.discharge_samples}
    sources = [source for source in {**cake.parts, **capture.parts} if source not in scattered]
    return Lasting(
        np.array([_mean(cake.parts.get(source)) for source in sources]),
        np.array([_mean(_of_loss(capture, source)) for source in sources]),
    )


def _at(quantity: Measured, rows: npt.NDArray[np.int64]) -> Measured:
    parts = {source: np.broadcast_to(part, quantity.value.shape)[rows] for source, part in quantity.parts.items()}
    return Measured(quantity.value[rows], parts)


def _of_loss(capture: Measured, source: str) -> Floats | None:
    """Return a source's share of the loss's logarithm; None where it has no part."""
    part = capture.parts.get(source)
    loss = 100.0 - capture.value
    return None if part is None else np.asarray(-part / np.where(loss > 0.0, loss, np.nan), dtype=np.float64)


def _mean(part: Floats | None) -> float:
    known = np.zeros(0) if part is None else part[np.isfinite(part)]
    return float(known.mean()) if len(known) else 0.0
