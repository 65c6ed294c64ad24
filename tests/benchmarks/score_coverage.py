"""Whether the 95 % limits hold the truth, and whether they are wider than the errors that truly occur demand."""

from __future__ import annotations

import numpy as np
import pandas as pd

LEAST_COVERED, MOST_COVERED = 0.93, 0.97
WIDEST = 1.3  # times the half width that the errors seen demand
_NORMAL_95 = 1.959963984540054


def coverage_table(scores: list[pd.DataFrame]) -> pd.DataFrame:
    """Return per figure with limits: months, share of them whose limits hold the truth, width over that demanded.

    The width demanded is 1.96 times the root mean square of the errors seen over all plants, relative to the truth
    where the figure is no percentage; the width had is the median half width.
    """
    rows = pd.concat(scores, ignore_index=True)
    rows = rows[rows["is_had"].astype(bool) & rows["width"].notna()]
    found = []
    for name, group in rows.groupby("figure", sort=False):
        scale = 1.0 if name.endswith("_pct") else 100.0 / group["truth"]
        error, half = group["error"] * scale, group["width"] / 2.0 * scale
        root_mean_square = float(np.sqrt((error**2).mean()))
        found.append(
            {
                "figure": name,
                "months": len(group),
                "covered": float(group["is_covered"].astype(float).mean()),
                "half_width": float(half.median()),
                "rms_error": root_mean_square,
                "bias": float(error.mean()),
                "width_over_demanded": float(half.median()) / (_NORMAL_95 * root_mean_square),
            }
        )
    return pd.DataFrame(found)


def coverage_lines(scores: list[pd.DataFrame]) -> list[str]:
    """Return the table in words, each figure with whether it meets the measure."""
    lines = ["figure: months, limits hold the truth, half width, errors' RMS and mean (% of truth; points for %)"]
    for row in coverage_table(scores).itertuples():
        is_met = LEAST_COVERED <= row.covered <= MOST_COVERED and row.width_over_demanded <= WIDEST
        lines.append(
            f"  {row.figure:26s} {row.months:4d}  covered {row.covered:.3f}  half width {row.half_width:.3f}  "
            f"RMS {row.rms_error:.3f}  mean {row.bias:+.3f}  width over demanded {row.width_over_demanded:.2f}"
            f"  {'met' if is_met else 'not met'}"
        )
    return lines
