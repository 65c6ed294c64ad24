"""Plant days side by side: their means, and which of them a bad day is fairly held against.

Comes in: the figure table of one press with faulty readings already taken out. Goes out: one row per plant
day (SI, ratios as ratios of sums) and the comparison days with the reason for each.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from trendkit.plant.calendar import is_excluded, plant_days
from trendkit.plant.model import Plant
from trendkit.upsets.charts import robust_spread
from trendkit.upsets.results import ComparedDay, Upset

LEAST_MINUTES = 60.0  # the contract's press day
LEAST_DAYS, MOST_DAYS = 3, 8
DISTURBED_SHARE = 0.15  # of a day's pressing in upsets of severity 2 or 3: not a day to compare with
KNOWN_SHARE = 0.5  # of a day's pressing; less tells of some hours, not of the day
LIKENESS = ("feed_solids_pct", "solids_loading_kg_h_m", "feed_flow_m3_h")
# (label, unit as shown, digits) of what makes days alike
_WORDS = {
    "feed_solids_pct": ("feed solids", "%", 2),
    "solids_loading_kg_h_m": ("solids loading", "kg/h/m", 0),
    "feed_flow_m3_h": ("feed flow", "m3/h", 1),
}
COMPARED_FIGURES = (
    "cake_solids_pct",
    "capture_pct",
    "filtrate_tss_mg_l",
    "filtrate_turbidity_ntu",
    "feed_solids_pct",
    "feed_flow_m3_h",
    "hydraulic_loading_m3_h_m",
    "solids_loading_kg_h_m",
    "polymer_dose_kg_t",
    "polymer_flow_l_h",
    "polymer_strength_pct",
    "dilution_water_flow_m3_h",
    "gravity_belt_speed_m_min",
    "pressure_belt_speed_m_min",
    "belt_speed_ratio",
    "gravity_drain_time_s",
    "gravity_zone_depth_mm",
    "cake_thickness_mm",
    "washwater_flow_m3_h",
    "washwater_pressure_kpa",
    "belt_tension_kn_m",
    "gravity_drive_load_pct",
    "pressure_drive_load_pct",
    "feed_temperature_degc",
    "power_kw",
)


@dataclass(frozen=True)
class PressDays:
    """The judged minutes of every plant day and their means.

    `minutes`: pressing rows in dewatering outside excluded periods, with `day` and `in_upset` (severity, 0
    to 3). `means`: indexed by day: `minutes`, `disturbed_share` and the figures of `COMPARED_FIGURES`.
    `calm`: the same means over the minutes outside upsets, NaN on a day without an hour of them.
    """

    minutes: pd.DataFrame
    means: pd.DataFrame
    calm: pd.DataFrame


def press_days(frame: pd.DataFrame, upsets: Sequence[Upset], plant: Plant, slug: str, every_s: int) -> PressDays:
    """Return the plant days of a figure table's frame; see `PressDays`."""
    rows = frame[(frame["phase"] == "pressing") & (frame["mode"] == "dewatering")]
    rows = rows[~is_excluded(plant, slug, pd.DatetimeIndex(rows.index))]
    rows = rows.assign(day=plant_days(plant, pd.DatetimeIndex(rows.index)), in_upset=0)
    for upset in upsets:
        inside = (rows.index >= upset.start) & (rows.index < upset.end)
        rows.loc[inside, "in_upset"] = np.maximum(rows.loc[inside, "in_upset"], upset.severity)
    means = _daily_means(rows, every_s)
    calm = _daily_means(rows[rows["in_upset"] == 0], every_s)
    calm = calm[calm["minutes"] >= LEAST_MINUTES].reindex(means.index)
    means["disturbed_share"] = (rows["in_upset"] >= 2).groupby(rows["day"]).mean()
    return PressDays(rows, means, calm)


def _daily_means(rows: pd.DataFrame, every_s: int) -> pd.DataFrame:
    days = rows["day"]
    figures = [name for name in COMPARED_FIGURES if name in rows]
    means = rows[figures].astype(float).groupby(days).mean()
    means = means.where(rows[figures].notna().groupby(days).mean() >= KNOWN_SHARE)
    means["cake_solids_pct"] = _weighted(rows["cake_solids_pct"], cake_weight(rows), days)
    means["capture_pct"] = _weighted(rows["capture_pct"], rows["feed_dry_solids_kg_h"], days)
    means.insert(0, "minutes", days.groupby(days).size() * every_s / 60.0)
    return means


def cake_weight(rows: pd.DataFrame) -> pd.Series:
    """Return the weight of each row in a mean of cake solids: wet cake, so that the mean is dry over wet.

    Where no wet cake is computed, feed solids, else every row alike.
    """
    for name in ("wet_cake_kg_h", "feed_dry_solids_kg_h"):
        if rows[name].notna().mean() > 0.5:
            return rows[name]
    return pd.Series(1.0, index=rows.index)


def _weighted(values: pd.Series, weights: pd.Series, days: pd.Series) -> pd.Series:
    """Return the weighted mean per day; the plain mean on days without any weight."""
    known = values.notna() & weights.notna() & (weights > 0)
    top = (values * weights)[known].groupby(days[known]).sum()
    weighted = top / weights[known].groupby(days[known]).sum()
    return weighted.combine_first(values.groupby(days).mean())


def comparison_days(days: PressDays, day: date) -> tuple[ComparedDay, ...]:
    """Return up to eight undisturbed days with feed and load most like those of `day`, most alike first.

    Likeness is judged on the minutes outside upsets where there is an hour of them, so that an upset of
    the feed does not choose its own company.
    """
    means = days.means
    if day not in means.index:
        return ()
    candidates = means[
        (means["minutes"] >= LEAST_MINUTES) & (means["disturbed_share"] <= DISTURBED_SHARE) & (means.index != day)
    ]
    has_result = candidates["cake_solids_pct"].notna() | candidates["capture_pct"].notna()
    candidates = candidates[has_result]
    if len(candidates) < LEAST_DAYS:
        return ()
    calm = days.calm.loc[candidates.index].combine_first(candidates)
    has_calm = days.calm[days.calm.index == day].notna().any(axis=None)
    own = (days.calm if has_calm else means)[means.index == day].iloc[0]
    known = [name for name in LIKENESS if pd.notna(own.get(name)) and calm[name].notna().sum() >= LEAST_DAYS]
    distance = pd.Series(0.0, index=candidates.index)
    for name in known:
        spread = max(robust_spread(calm[name]), 0.02 * abs(float(calm[name].median())), 1e-9)
        distance += (((calm[name] - own[name]) / spread) ** 2).fillna(4.0)
    chosen = distance.sort_values(kind="stable").index[:MOST_DAYS]
    rows = calm.to_dict("index")
    return tuple(ComparedDay(each, _why(rows[each], own, known)) for each in chosen)


def _why(there: Mapping[Hashable, float], here: pd.Series, known: Sequence[str]) -> str:
    if not known:
        return "a day without a marked upset; feed and load are not measured"
    parts = []
    for name in known:
        if pd.notna(there[name]):
            label, unit, digits = _WORDS[name]
            parts.append(f"{label} {there[name]:.{digits}f} {unit} against {here[name]:.{digits}f}")
    return "alike in feed and load: " + ", ".join(parts)
