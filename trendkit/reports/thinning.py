"""Fewer points for the eye, never for a figure: every extreme stays, and no line crosses a gap."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

MOST_POINTS = 2_000
_SHORTEST = 4  # points an M4 bin keeps: first, least, greatest, last


def segments(values: npt.NDArray[np.float64], most_missing: int = 0) -> list[tuple[int, int]]:
    """Return the stretches of known values as (start, stop) positions; up to `most_missing` NaN are
    bridged.
    """
    known = np.flatnonzero(np.isfinite(values))
    if not len(known):
        return []
    breaks = np.flatnonzero(np.diff(known) > most_missing + 1)
    starts = known[np.concatenate(([0], breaks + 1))]
    stops = known[np.concatenate((breaks, [len(known) - 1]))] + 1
    return list(zip(starts.tolist(), stops.tolist(), strict=True))


def thin(series: pd.Series, most: int = MOST_POINTS) -> pd.DataFrame:
    """Return the points of a line to draw: `time`, `value`, `segment`, at most about `most` of them.

    Each stretch between gaps gets its share of the points, at least four, chosen as the first, least,
    greatest and last of equal spans (M4; Jugel et al., 2014), so that the least and greatest value of the
    whole always stay.
    """
    from tsdownsample import M4Downsampler

    downsampler: Any = M4Downsampler

    values = series.to_numpy(dtype=np.float64)
    parts = segments(values, most_missing=2)
    total = sum(stop - start for start, stop in parts)
    kept: list[npt.NDArray[np.int64]] = []
    for start, stop in parts:
        places = start + np.flatnonzero(np.isfinite(values[start:stop]))
        share = max(_SHORTEST, most * len(places) // max(total, 1) // _SHORTEST * _SHORTEST)
        if total > most and len(places) > share:
            places = places[downsampler().downsample(values[places], n_out=share).astype(np.int64)]
        kept.append(np.unique(places))
    positions = np.concatenate(kept) if kept else np.array([], dtype=np.int64)
    numbers = np.repeat(np.arange(len(kept)), [len(part) for part in kept]) if kept else positions
    return pd.DataFrame({"time": series.index[positions], "value": values[positions], "segment": numbers})


def band(low: pd.Series, high: pd.Series, every: pd.Timedelta) -> pd.DataFrame:
    """Return a pair of limits averaged over equal spans: `time`, `low`, `high`, `segment`.

    Drawn behind a line as context; spans without limits are left out and start a new segment.
    """
    both = pd.DataFrame({"low": low, "high": high}).dropna()
    if both.empty:
        return pd.DataFrame({"time": both.index, "low": [], "high": [], "segment": []})
    means = both.groupby(pd.DatetimeIndex(both.index).floor(every)).mean()
    steps = means.index[1:] - means.index[:-1] > every
    means["segment"] = np.concatenate(([0], np.cumsum(steps)))
    means.index.name = "time"
    return means.reset_index()
