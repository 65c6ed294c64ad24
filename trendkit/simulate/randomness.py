"""One random stream per concern, so that adding a noise source leaves every other stream as it was."""

from __future__ import annotations

import zlib

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def stream(seed: int, *concern: str) -> np.random.Generator:
    """Return the generator that belongs to `concern` (words such as "bfp-1", "feed solids") under `seed`.

    Examples
    --------
    >>> stream(7, "feed").random() == stream(7, "feed").random()
    True
    >>> stream(7, "feed").random() == stream(7, "cake").random()
    False
    """
    key = zlib.crc32("/".join(concern).encode())
    return np.random.default_rng(np.random.SeedSequence(entropy=seed, spawn_key=(key,)))


def wandering(rng: np.random.Generator, n: int, step_s: float, memory_s: float) -> Array:
    """Return a stationary Gaussian series (mean 0, deviation 1) that forgets itself over `memory_s` seconds.

    First-order autoregression on a grid of `step_s` seconds, shape (n,).
    """
    from scipy.signal import lfilter

    keep = float(np.exp(-step_s / memory_s))
    shocks = rng.standard_normal(n) * np.sqrt(1.0 - keep * keep)
    if n:
        shocks[0] = rng.standard_normal()
    series: Array = np.asarray(lfilter([1.0], [1.0, -keep], shocks), dtype=np.float64)
    return series
