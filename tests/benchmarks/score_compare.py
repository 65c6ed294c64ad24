"""Before/after comparisons of an invented plant in which nothing was changed, and with a known change added.

Ten windows a plant, sides of two to four weeks, each cut out of one stretch of twelve weeks of press days (as are all
that the command reads around them), so that the windows of a plant overlap and ten of them tell less than ten plants: read through the package's
own path (`score_compare`), or as they truly were (`score_lived`, a tenth of the time). With nothing changed a p-value under 5 % is a false positive. Then the days after are changed by a known
share, and the limits must hold what that share makes of those days' mean.
"""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
from played import Played

from trendkit.jobs.comparing import AROUND
from trendkit.simulate.from_scenario import TIMEZONE, live_scenario
from trendkit.simulate.scenarios import scenario_named
from trendkit.tuning.compare import matched, press_days, shift_of

FIRST_DAY = date(2026, 2, 2)
WINDOWS = 10
SIDES_D = (14, 21, 28)
CHANGED = {"cake_solids_pct": 1.04, "capture_pct": 0.99, "cost_per_dry_t": 0.96, "polymer_dose_kg_t": 1.08}


def score_compare(played: Played) -> pd.DataFrame:
    """Return one row per press, window and figure: the p-value with nothing changed, the limits with a change."""
    span = played.reading.span
    tables = [press_days(series.table, series.press, played.plant, span, None) for series in played.reading.presses]
    return pd.concat([_windows(days, played.seed) for days in tables], ignore_index=True)


def score_lived(scenario: str, days: int, seed: int) -> pd.DataFrame:
    """Return the same of a plant's true press days: no files, no meters."""
    lived = live_scenario(scenario_named(scenario), seed, FIRST_DAY, days)
    table, prices = lived.table, lived.household.prices
    rows = table[(table["phase"] == "pressing") & (table["mode"] == "dewatering") & table["cake_solids_pct"].notna()]
    polymer = rows["polymer_dose_kg_t"] * rows["feed_dry_solids_kg_h"] / 1000.0
    kept = rows["dry_cake_kg_h"] / (rows["capture_pct"] / 100.0)
    returned = (kept - rows["dry_cake_kg_h"]) / 1000.0
    spent = (
        polymer * prices.polymer_per_kg
        + rows["wet_cake_kg_h"] / 1000.0 * prices.haul_per_t
        + returned * prices.solids_return_per_t
        + prices.press_hour
    )
    day = rows.index.tz_convert(TIMEZONE).date
    sums = rows[["hydraulic_loading_m3_h_m", "solids_loading_kg_h_m", "dry_cake_kg_h", "wet_cake_kg_h"]].assign(
        polymer=polymer, kept=kept, spent=spent, fed=rows["feed_dry_solids_kg_h"], minutes=1.0
    )
    total = sums.groupby(day).sum()
    total = total[total["minutes"] >= 60.0]
    true = pd.DataFrame(
        {
            "number": [float(each.toordinal()) for each in total.index],
            "hydraulic_loading_m3_h_m": (total["hydraulic_loading_m3_h_m"] / total["minutes"]).to_numpy(),
            "solids_loading_kg_h_m": (total["solids_loading_kg_h_m"] / total["minutes"]).to_numpy(),
            "cake_solids_pct": (100.0 * total["dry_cake_kg_h"] / total["wet_cake_kg_h"]).to_numpy(),
            "capture_pct": (100.0 * total["dry_cake_kg_h"] / total["kept"]).to_numpy(),
            "cost_per_dry_t": (1000.0 * total["spent"] / total["dry_cake_kg_h"]).to_numpy(),
            "polymer_dose_kg_t": (1000.0 * total["polymer"] / total["fed"]).to_numpy(),
        }
    )
    return _windows(true, seed)


def _windows(days: pd.DataFrame, seed: int) -> pd.DataFrame:
    rows = []
    generator = np.random.default_rng(seed)
    first, last = days["number"].min(), days["number"].max()
    for window in range(WINDOWS):
        side = SIDES_D[window % len(SIDES_D)]
        middle = generator.integers(first + side, last - side + 2)
        near = days[(days["number"] >= middle - side) & (days["number"] < middle + side)]
        cut = matched(near.assign(is_after=near["number"] >= middle))
        far = side + AROUND.days
        near = days[(days["number"] >= middle - far) & (days["number"] < middle + far)]
        record = near.assign(is_after=near["number"] >= middle)
        rows += [
            {"seed": seed, "side": side, "figure": name, **_compared(cut, record, name, factor)}
            for name, factor in CHANGED.items()
        ]
    return pd.DataFrame(rows)


def _compared(days: pd.DataFrame, record: pd.DataFrame, name: str, factor: float) -> dict[str, float]:
    same = shift_of(days, name, record)
    used = days["is_after"] & days["is_matched"] & days[name].notna()
    changed = shift_of(_with_change(days, name, factor), name, _with_change(record, name, factor))
    if same is None or changed is None:
        return {"p_value": np.nan}
    truth = (factor - 1.0) * float(days.loc[used, name].mean())
    return {
        "p_value": same.p_value,
        "is_covered": changed.low <= truth <= changed.high,
        "is_seen": changed.p_value < 0.05,
        "half_width": (changed.high - changed.low) / 2.0,
    }


def _with_change(days: pd.DataFrame, name: str, factor: float) -> pd.DataFrame:
    return days.assign(**{name: days[name].where(~days["is_after"], days[name] * factor)})


def compare_lines(scores: list[pd.DataFrame]) -> list[str]:
    """Return false positives at 5 % and coverage of 95 % limits, by figure and over all."""
    rows = pd.concat(scores, ignore_index=True)
    known = rows[rows["p_value"].notna()]
    lines = [
        f"{len(rows) // len(CHANGED)} comparisons of {rows['seed'].nunique()} plants; {len(known)} of {len(rows)} judged"
    ]
    for name, of_figure in [*known.groupby("figure", sort=False), ("all", known)]:
        false = 100.0 * (of_figure["p_value"] < 0.05).mean()
        line = f"{name}: false positives {false:.1f} %, limits hold the change {100.0 * of_figure['is_covered'].astype(float).mean():.1f} %"
        if name != "all":
            seen = of_figure["is_seen"].astype(float).mean()
            line += f", half width {of_figure['half_width'].median():.2f}, a factor {CHANGED[name]} seen in {100 * seen:.0f} %"
        lines.append(f"{line} (n {len(of_figure)})")
    return lines
