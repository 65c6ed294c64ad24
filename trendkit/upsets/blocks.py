"""The minutes an upset can be judged on, gathered into blocks of five minutes.

Comes in: the figure table of one press, its data faults. Goes out: per mode, the judged minutes and their
block means. Raw minutes are autocorrelated and noisy: every rule of this room looks at blocks, never at
minutes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trendkit.findings import Finding
from trendkit.plant.calendar import is_excluded
from trendkit.plant.model import Plant, Press
from trendkit.press.results import FigureTable
from trendkit.upsets.watched import WATCHED

BLOCK_S = 300
SETTLE = pd.Timedelta(minutes=10)  # for cake, filtrate and depth once pressing begins (common practice)
LONGEST_PIECE = pd.Timedelta(hours=24)  # a run that lasts longer is judged a day at a time
RUN_UP_S = 240.0  # of a drive to a new setpoint (common practice)
LEAST_SHARE = 0.5  # of a block's minutes

# Watched names that rest on a role's meter; a fault of the meter takes them all out.
RESTS_ON: dict[str, tuple[str, ...]] = {
    "feed_flow": (
        "feed_flow",
        "hydraulic_loading",
        "solids_loading",
        "polymer_dose",
        "polymer_flow",
        "capture",
        "solids_closure",
        "fed_flow",
    ),
    "feed_solids": (
        "feed_solids",
        "solids_loading",
        "polymer_dose",
        "capture",
        "solids_closure",
        "fed_solids",
        "fed_dose",
    ),
    "filtrate_flow": ("capture", "solids_closure"),
    "filtrate_solids": ("filtrate_solids", "capture", "filtrate_agreement", "solids_closure"),
    "filtrate_turbidity": ("filtrate_turbidity", "filtrate_agreement"),
    "cake_solids": ("cake_solids", "solids_closure"),
    "cake_rate": ("capture", "solids_closure"),
    "cake_weight": ("capture",),
    "thickened_flow": ("capture",),
    "thickened_solids": ("thickened_solids",),
    "polymer_flow": ("polymer_flow", "polymer_dose", "fed_dose"),
    "polymer_neat_flow": ("polymer_dose",),
    "polymer_strength": ("polymer_strength", "polymer_dose", "fed_dose"),
    "dilution_water_flow": ("dilution_water",),
    "washwater_flow": ("washwater_flow",),
    "gravity_belt_speed": ("gravity_belt_speed", "gravity_speed_gap", "gravity_belt_lag"),
    "pressure_belt_speed": ("pressure_belt_speed", "pressure_speed_gap", "pressure_belt_lag"),
}
HARMLESS_FAULTS = ("duplicate",)  # counted and settled by the reader; the values stand


@dataclass(frozen=True)
class Judged:
    """The minutes of one mode that can be judged, and their block means.

    `minutes`: UTC index "time", one column per watched name, and `piece`, `run`; `feed_lag_s` and
    `gravity_lag_s` (how long before the row the sludge it discharges, or has in its gravity zone, was fed);
    `fed_flow`, `fed_solids`, `fed_dose` (the feed that made what the row discharges).
    `blocks`: the same columns, one row per block that holds at least half its minutes, indexed by its start.
    """

    mode: str
    minutes: pd.DataFrame
    blocks: pd.DataFrame
    every_s: int
    block_s: int


def feed_lags(frame: pd.DataFrame, press: Press) -> pd.DataFrame:
    """Return how long ago [s] the sludge discharged at a row, and that leaving its gravity zone, was fed.

    Columns `feed_lag_s` and `gravity_lag_s`; NaN where the table has no feed time.
    """
    total = (frame.index.to_series() - frame["feed_time"]).dt.total_seconds()
    speed = frame["pressure_belt_speed_m_min"].where(frame["pressure_belt_speed_m_min"] > 0.2)
    after_gravity = press.pressure_zone_length_m / speed * 60.0 + press.cake_delay_s
    after_gravity = after_gravity.where(frame["mode"] != "thickening", 0.0)
    gravity = (total - after_gravity.fillna(0.5 * total)).clip(lower=0.0)
    return pd.DataFrame({"feed_lag_s": total, "gravity_lag_s": gravity}, index=frame.index)


def faulty_names(finding: Finding) -> tuple[str, ...]:
    """Return the watched names a data fault takes out, () when it concerns none."""
    if finding.role is None or finding.fault in HARMLESS_FAULTS:
        return ()
    direct = tuple(watched.name for watched in WATCHED if watched.name == finding.role)
    return RESTS_ON.get(finding.role, direct)


def watched_values(frame: pd.DataFrame, press: Press, every_s: int) -> pd.DataFrame:
    """Return the table's watched columns under their watched names; see `watched.csv` for those computed here."""
    values = {watched.name: frame[watched.column] for watched in WATCHED if watched.column in frame}
    for belt in ("gravity", "pressure"):
        gap = _speed_gap(frame[f"{belt}_belt_speed_m_min"], frame[f"{belt}_belt_setpoint_m_min"], every_s)
        tag = press.tags.get(f"{belt}_belt_speed")
        # Only a speed taken from the belt itself can lag behind its drive.
        is_on_belt = tag is not None and tag.measured_by == "belt"
        values[f"{belt}_belt_lag" if is_on_belt else f"{belt}_speed_gap"] = gap
    feed = frame["feed_flow_m3_h"]
    values["polymer_flow"] = frame["polymer_flow_l_h"] / feed.where(feed > 0.0)
    turbidity = frame["filtrate_turbidity_ntu"]
    values["filtrate_agreement"] = frame["filtrate_solids_mg_l"] / turbidity.where(turbidity > 0.0)
    return pd.DataFrame(values, index=frame.index).astype(float)


def _speed_gap(speed: pd.Series, setpoint: pd.Series, every_s: int) -> pd.Series:
    """Return belt speed against its setpoint [%], NaN while a drive runs up to a new one."""
    changed = (setpoint.diff().abs() > 1e-6).astype(float)
    around = max(1, round(RUN_UP_S / every_s))
    is_new = changed.rolling(around, min_periods=1).max() + changed.shift(-1, fill_value=0.0)
    gap = 100.0 * (speed / setpoint.where(setpoint > 0.2) - 1.0)
    return gap.where(is_new == 0.0)


def solids_closure(frame: pd.DataFrame, values: pd.DataFrame) -> pd.Series:
    """Return dry solids fed that neither filtrate nor cake meters account for [% of the fed], on the cake's rows.

    A real change of the sludge or the press leaves it where it was; a meter that is off moves it.
    """
    fed = values["fed_flow"] * values["fed_solids"] * 10.0  # kg/h, density 1000 kg/m3
    lost = frame["filtrate_flow_m3_h"] * frame["filtrate_solids_mg_l"] / 1000.0
    cake = frame["cake_rate_kg_h"] * frame["cake_solids_meter_pct"] / 100.0
    return 100.0 * (fed - lost - cake) / fed.where(fed > 0.0)


def without_faults(values: pd.DataFrame, press: Press, findings: Iterable[Finding]) -> pd.DataFrame:
    """Return the watched values with every span an instrument fault spoils set to NaN."""
    masked = values.copy()
    for finding in findings:
        if finding.press not in (None, press.slug):
            continue
        inside = (masked.index >= finding.start_utc) & (masked.index < finding.end_utc)
        names = [name for name in faulty_names(finding) if name in masked]
        if inside.any() and names:
            masked.loc[inside, names] = np.nan
    return masked


def judged_minutes(table: FigureTable, press: Press, plant: Plant, findings: Iterable[Finding]) -> list[Judged]:
    """Return, per mode that was run, the pressing minutes outside excluded periods and their blocks."""
    frame = table.frame
    pressing = (frame["phase"] == "pressing") & frame["run"].notna()
    pressing &= ~is_excluded(plant, press.slug, pd.DatetimeIndex(frame.index))
    if not pressing.any():
        return []
    values = watched_values(frame, press, table.every_s)
    # A value somebody assumed cannot move: it is no measurement.
    values = values.drop(
        columns=[each.name for each in WATCHED if table.basis.get(each.column) == "assumed"], errors="ignore"
    )
    values = pd.concat([values, feed_lags(frame, press), _fed(values, frame["feed_time"])], axis=1)
    values["solids_closure"] = solids_closure(frame, values)
    values = _where_feed_is_known(without_faults(values, press, findings))[pressing]
    values["capture_method"] = pd.factorize(frame.loc[pressing, "capture_method"])[0].astype(float)
    values["run"] = frame.loc[pressing, "run"]
    values = _settled(values, table.every_s)
    modes = frame.loc[pressing, "mode"].fillna("dewatering")
    return [_gathered(str(mode), values[modes == mode].copy(), table.every_s) for mode in sorted(modes.unique())]


def _where_feed_is_known(values: pd.DataFrame) -> pd.DataFrame:
    """Take out what cannot be judged without knowing the feed flow behind it, on rows where that is not known."""
    for watched in WATCHED:
        for flow in ("feed_flow", "fed_flow"):
            if flow in watched.given and watched.name in values and values[flow].notna().any():
                values[watched.name] = values[watched.name].where(values[flow].notna())
    return values


def _fed(values: pd.DataFrame, feed_time: pd.Series) -> pd.DataFrame:
    """Return the feed flow, solids and dose that made what each row discharges; NaN where that is not known."""
    position = values.index.get_indexer(pd.DatetimeIndex(feed_time), method="pad")
    found = position >= 0
    fed = {}
    for name, role in (
        ("fed_flow", "feed_flow"),
        ("fed_solids", "feed_solids"),
        ("fed_dose", "polymer_dose"),
    ):
        column = values[role].to_numpy()
        fed[name] = np.where(found, column[position], np.nan)
    return pd.DataFrame(fed, index=values.index)


def _settled(values: pd.DataFrame, every_s: int) -> pd.DataFrame:
    """Take out what comes out of the press in the first minutes of each stretch of pressing."""
    gaps = values.index.to_series().diff() > pd.Timedelta(seconds=1.5 * every_s)
    begins = gaps | (values["run"] != values["run"].shift())
    begun = values.index.to_series().where(begins).ffill()
    ends = begins.shift(-1, fill_value=True)
    # The minutes in which pressing begins and ends are part something else.
    numbers = values.columns.difference(["run"])
    values.loc[begins | ends, numbers] = np.nan
    fresh = values.index.to_series() - begun < SETTLE
    effects = [watched.name for watched in WATCHED if watched.is_effect and watched.name in values]
    values.loc[fresh, effects] = np.nan
    return values


def _days_since(times: pd.Series, begun: pd.Series) -> pd.Series:
    return ((times - begun).dt.total_seconds() // LONGEST_PIECE.total_seconds()).astype(int)


def _gathered(mode: str, minutes: pd.DataFrame, every_s: int) -> Judged:
    times = minutes.index.to_series()
    begun = times.groupby(minutes["run"]).transform("min")
    minutes["piece"] = minutes["run"].astype(str) + "/" + _days_since(times, begun).astype(str)
    block_s = max(BLOCK_S, every_s)
    key = pd.DatetimeIndex(minutes.index).floor(f"{block_s}s")
    numbers = minutes.drop(columns=["run", "piece"])
    grouped = numbers.groupby([minutes["piece"].to_numpy(), key])
    counts = grouped.size()
    means = grouped.mean()
    enough = grouped.count() >= LEAST_SHARE * block_s / every_s
    blocks = means.where(enough)[counts >= LEAST_SHARE * block_s / every_s]
    blocks.index.names = ["piece", "time"]
    blocks = blocks.reset_index("piece").sort_index(kind="stable")
    blocks["run"] = blocks["piece"].str.rpartition("/")[0]
    return Judged(mode, minutes, blocks, every_s, block_s)
