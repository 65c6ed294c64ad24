"""Which capture method serves each run: the one with the narrowest limits, ties in the contract's order."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trendkit.press.amounts import ratio
from trendkit.press.streams import METHODS, Streams
from trendkit.press.uncertainty import Array, Codes, Measured, choose, exact, limits, sum_by

LEAST_SHARE = 0.5  # of a run's pressing bins that a method must serve to be chosen for it
_BY_LOSS = (
    "Feed flow or feed solids read low, or filtrate solids read low, or washwater solids read high, or feed and "
    "filtrate are on different solids bases (TS against TSS)."
)
MUST_BE_OFF = {  # which input must be wrong when more is kept than was fed
    "filtrate_metered": _BY_LOSS,
    "balance": _BY_LOSS,
    "cake_weighed": "The cake scale or the cake solids read high, or feed flow or feed solids read low.",
    "concentration": _BY_LOSS,
}
COLUMNS = ("run", "method", "capture_pct", "capture_pct_low", "capture_pct_high", "is_chosen", "reason")


@dataclass(frozen=True)
class Chosen:
    """The capture of every bin by its run's method: feed solids kept, and the dry and wet product [kg/h]."""

    kept_kg_h: Measured
    dry_kg_h: Measured
    wet_kg_h: Measured
    method_of_bin: NDArray[np.object_]  # None where no method serves the run
    by_run: pd.DataFrame
    is_wet_known: bool  # the wet product, in most bins in which something comes off


def choose_methods(streams: Streams) -> Chosen:
    """Return the capture of every bin by the best method of its run, and every method's capture per run."""
    rows, best = _by_run(streams)
    run_code = streams.operation.run_code
    picked = np.append(best, -1)[run_code]
    kept = exact(np.full(len(run_code), np.nan))
    for number, method in enumerate(METHODS):
        if (picked == number).any():
            kept = choose(picked == number, streams.kept_kg_h[method], kept)
    is_weighed = picked == METHODS.index("cake_weighed")
    dry = (kept + streams.polymer_active_kg_h) * streams.product_over_suspended
    percent = Measured(
        np.where(streams.product_solids_pct.value > 0.0, streams.product_solids_pct.value, np.nan),
        streams.product_solids_pct.parts,
    )
    wet = choose(is_weighed, streams.weighed_wet_kg_h, dry * 100.0 / percent)
    names = np.array([*METHODS, None], dtype=object)[picked]
    names[np.isnan(kept.value)] = None
    return Chosen(kept, dry, wet, names, rows, is_mostly_known(wet, streams))


def is_mostly_known(wet: Measured, streams: Streams) -> bool:
    """Return whether the wet product is known in most bins in which something comes off."""
    unknown = np.isnan(wet.value[streams.fed_kg_h.value > 0.0])
    return len(unknown) > 0 and float(unknown.mean()) <= 0.5


def capture_of(kept: Measured, fed: Measured, groups: Codes, count: int, streams: Streams) -> tuple[Measured, Array]:
    """Return capture [%] per group as a ratio of sums, and the bins it rests on; both shape (`count`,)."""
    usable = np.where(np.isnan(kept.value) | np.isnan(fed.value), -1, groups)
    sums = [sum_by(each, usable, count, streams.discharge_samples) for each in (kept * 100.0, fed)]
    bins = np.bincount(usable[usable >= 0], minlength=count).astype(float)
    return ratio(sums[0], sums[1]), bins


def _by_run(streams: Streams) -> tuple[pd.DataFrame, Codes]:
    """Return one row per run and method, and the position of the chosen method per run (-1 for none)."""
    run_code = np.where(streams.is_pressing, streams.operation.run_code, -1)
    names = streams.operation.run_names
    count = len(names)
    pressing = np.bincount(run_code[run_code >= 0], minlength=count)
    widths = np.full((len(METHODS), count), np.inf)
    parts = []
    for number, method in enumerate(METHODS):
        capture, bins = capture_of(streams.kept_kg_h[method], streams.fed_kg_h, run_code, count, streams)
        low, high = limits(capture)
        serves = (bins >= LEAST_SHARE * pressing) & (bins > 0) & ~np.isnan(capture.value)
        widths[number] = np.where(serves, high - low, np.inf)
        parts.append((method, capture.value, low, high, bins, serves))
    has_one = np.isfinite(widths).any(axis=0) if count else np.zeros(0, dtype=bool)
    best = np.where(has_one, np.argmin(np.round(widths, 9), axis=0), -1) if count else np.zeros(0, dtype=np.int64)
    rows = [
        {
            "run": names[run],
            "method": method,
            "capture_pct": value[run],
            "capture_pct_low": low[run],
            "capture_pct_high": high[run],
            "is_chosen": bool(best[run] == number),
            "reason": _reason(bool(best[run] == number), bool(serves[run]), bins[run], pressing[run]),
        }
        for run in range(count)
        for number, (method, value, low, high, bins, serves) in enumerate(parts)
        if bins[run] > 0
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS)), best.astype(np.int64)


def _reason(is_chosen: bool, serves: bool, bins: float, pressing: float) -> str:
    if is_chosen:
        return "narrowest limits"
    if not serves:
        return f"known in {100.0 * bins / max(pressing, 1):.0f} % of the run's pressing time only"
    return "wider limits"


def method_notes(rows: pd.DataFrame) -> tuple[str, ...]:
    """Say in words where capture, by run and method, cannot be right."""
    chosen = rows[rows["is_chosen"].astype(bool)] if len(rows) else rows
    over = chosen[chosen["capture_pct"] > 100.0] if len(chosen) else chosen
    return tuple(
        f"Capture reads over 100 % in {len(runs)} {'run' if len(runs) == 1 else 'runs'}: it is shown as computed. "
        f"{MUST_BE_OFF[str(method)]}"
        for method, runs in over.groupby("method", sort=False)
    )


def method_shares(streams: Streams, chosen: Chosen, inside: NDArray[np.bool_]) -> Mapping[str, float]:
    """Return the share of the bins of `inside` that each capture method serves, largest first."""
    names = pd.Series(chosen.method_of_bin[inside & streams.is_pressing], dtype=object).dropna()
    return {str(name): float(share) for name, share in names.value_counts(normalize=True).items()}
