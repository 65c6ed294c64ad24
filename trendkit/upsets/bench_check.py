"""Does the cake meter agree with the bench: "the meter says 21, the bench says 17"?

Comes in: the metered cake solids and the accepted bench samples of one press. Goes out: sentences for the
page.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trendkit.upsets.charts import robust_spread

AROUND = pd.Timedelta(minutes=10)  # the meter's mean over this much on either side of a sample
CLEAR_POINTS = 1.0  # common practice: a duplicate of cake solids is within a few tenths of a point


@dataclass(frozen=True)
class Agreement:
    """Meter against bench on one day [points of cake solids], and how it usually is."""

    samples: int
    meter: float
    bench: float
    usual_gap: float  # meter less bench over the other days
    usual_spread: float
    is_apart: bool  # the gap of the day is not the usual one


def meter_against_bench(meter: pd.Series, lab: pd.DataFrame | None, slug: str, is_day: pd.Series) -> Agreement | None:
    """Return how meter and bench agree on the rows where `is_day` is True; None without a pair on the day.

    `meter`: cake solids by the meter [%] on the table's rows; `lab`: the bench sheet's frame.
    """
    if lab is None or lab.empty or meter.notna().sum() == 0:
        return None
    cake = cake_samples(lab, slug)
    pairs = []
    for moment, value in zip(pd.DatetimeIndex(cake["sampled_at"]), cake["value"], strict=True):
        near = meter.loc[moment - AROUND : moment + AROUND].dropna()
        if len(near) and pd.notna(value):
            nearest = int(np.argmin(np.abs((pd.DatetimeIndex(is_day.index) - moment).total_seconds())))
            pairs.append((bool(is_day.iloc[nearest]), float(near.mean()), float(value)))
    table = pd.DataFrame(pairs, columns=["on_day", "meter", "bench"])
    today, before = table[table["on_day"]], table[~table["on_day"]]
    if today.empty:
        return None
    gaps = before["meter"] - before["bench"]
    usual = float(gaps.median()) if len(gaps) >= 3 else 0.0
    spread = max(robust_spread(gaps), 0.4) if len(gaps) >= 3 else 0.8
    meter_mean, bench_mean = float(today["meter"].mean()), float(today["bench"].mean())
    gap = meter_mean - bench_mean - usual
    limit = max(CLEAR_POINTS, 3.0 * spread / float(np.sqrt(len(today))))
    return Agreement(len(today), meter_mean, bench_mean, usual, spread, bool(abs(gap) > limit))


def cake_samples(lab: pd.DataFrame, slug: str) -> pd.DataFrame:
    """Return the accepted bench samples of one press's cake solids, rows of the bench sheet's frame."""
    is_cake = (lab["point"] == "cake") & (lab["analysis"] == "TS")
    return lab[(lab["press"] == slug) & is_cake & ~lab["is_suspect"].astype(bool)]


def count_cake_samples(lab: pd.DataFrame | None, slug: str, start: pd.Timestamp, end: pd.Timestamp) -> int:
    """Return how many accepted cake samples were taken from `start` up to `end`."""
    if lab is None or lab.empty:
        return 0
    taken = pd.DatetimeIndex(cake_samples(lab, slug)["sampled_at"])
    return int(((taken >= start) & (taken < end)).sum())


def agreement_note(agreement: Agreement) -> str:
    """Return what the comparison says, in one or two sentences."""
    samples = f"{agreement.samples} cake sample" + ("s" if agreement.samples > 1 else "")
    said = f"The cake meter says {agreement.meter:.1f} %, the bench says {agreement.bench:.1f} % ({samples})"
    usual = f"usually the meter reads {agreement.usual_gap:+.1f} points against the bench"
    if not agreement.is_apart:
        return f"{said}; they agree as usual ({usual})."
    return (
        f"{said}; {usual}, so one of them is off today. Settle that first: repeat the bench test on a fresh "
        "composite sample and check the meter before anything on the press is changed."
    )
