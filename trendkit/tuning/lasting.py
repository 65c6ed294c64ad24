"""What the meters may be off by throughout: it does not average out, and no resampling of days can show it."""

from __future__ import annotations

from collections.abc import Sequence
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
    if table.record is None or not len(minutes):
        return NONE
    # the record keeps the whole span read when a period is cut out of the table
    rows = np.asarray(table.record.times.get_indexer(pd.DatetimeIndex(minutes.index)))
    rows = rows[np.linspace(0, len(rows) - 1, min(ROWS, len(rows))).round().astype(int)]
    scattered: set[str] = set()
    cake, loss = [], []
    for block in table.record.blocks:
        inside = rows[(rows >= block.start) & (rows < block.stop)]
        if len(inside):
            stretch = table.record.stretch(block)
            places = inside - block.start + stretch.asked.start
            scattered |= {*stretch.streams.samples, *stretch.streams.discharge_samples}
            cake.append(_at(stretch.streams.product_solids_pct, places))
            kept, fed = _at(stretch.chosen.kept_kg_h, places), _at(stretch.streams.fed_kg_h, places)
            loss.append(_logarithm_of_loss(ratio(kept * 100.0, fed)))
    sources = [source for each in zip(cake, loss, strict=True) for part in each for source in part.parts]
    lasting = [source for source in dict.fromkeys(sources) if source not in scattered]
    return Lasting(
        np.array([_mean(cake, source) for source in lasting]),
        np.array([_mean(loss, source) for source in lasting]),
    )


def _at(quantity: Measured, rows: npt.NDArray[np.int64]) -> Measured:
    parts = {source: np.broadcast_to(part, quantity.value.shape)[rows] for source, part in quantity.parts.items()}
    return Measured(quantity.value[rows], parts)


def _logarithm_of_loss(capture: Measured) -> Measured:
    """Return the lost solids' logarithm, unknown where nothing is lost."""
    loss = np.where(capture.value < 100.0, 100.0 - capture.value, np.nan)
    return Measured(np.log(loss), {source: -part / loss for source, part in capture.parts.items()})


def _mean(pieces: Sequence[Measured], source: str) -> float:
    """Return a source's mean share where that is known; it has none in a piece that does not name it."""
    shares = [piece.parts.get(source, 0.0 * piece.value) for piece in pieces]
    known = np.concatenate([share[np.isfinite(share)] for share in shares])
    return float(known.mean()) if len(known) else 0.0
