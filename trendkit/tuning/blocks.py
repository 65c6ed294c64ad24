"""Steady blocks: stretches of pressing during which the settings stood still, in sludge time.

A row of the figure table describes what leaves the press in that minute; what went into that sludge is read
at its `feed_time`. After every step of a belt speed the press is given time to settle before a block may
begin.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.plant.calendar import is_excluded, plant_days
from trendkit.plant.model import Plant, Press
from trendkit.press.results import FigureTable

BLOCK_MIN = 15.0  # length of a block
SETTLING_MIN = 15.0  # from a belt-speed change to a fair sample: 15 to 20 min, value from memory
LEAST_SHARE = 0.6  # of a block's minutes that must have cake solids and inputs
STEP_WINDOW_MIN = 5.0
LEAST_STEP = 0.02  # relative change of a belt speed that counts as a change of setting

INPUTS = (
    "feed_flow_m3_h",
    "feed_solids_pct",
    "solids_loading_kg_h_m",
    "hydraulic_loading_m3_h_m",
    "polymer_dose_kg_t",
    "washwater_flow_m3_h",
    "belt_tension_kn_m",
)
SPEEDS = ("gravity_belt_speed_m_min", "pressure_belt_speed_m_min")
# largest move between the two halves of a steady block, as a share of its mean
_STEADY = {
    "gravity_belt_speed_m_min": 0.02,
    "pressure_belt_speed_m_min": 0.03,
    "feed_flow_m3_h": 0.10,
    "polymer_dose_kg_t": 0.15,
}


def is_from_grabs(frame: pd.DataFrame) -> bool:
    """Return True when cake solids are known but no meter reads them."""
    return bool(frame["cake_solids_meter_pct"].isna().all() and frame["cake_solids_pct"].notna().any())


def speed_steps(speed: pd.Series, every_s: int) -> npt.NDArray[np.bool_]:
    """Return True in the bin from which a belt runs at a new setting.

    `speed` [m/min] is one regular series, NaN where unknown. A step is where the medians of the five minutes
    before and from the bin on differ by at least 2 %, and by at least 4.5 times what the meter's noise gives.
    """
    width = max(2, round(STEP_WINDOW_MIN * 60 / every_s))
    logs = np.log(speed.where(speed > 0.0))
    before, after = logs.shift(1).rolling(width, min_periods=2), logs[::-1].rolling(width, min_periods=2)
    jump = (after.median()[::-1] - before.median()).abs()
    moves = logs.diff().abs().dropna()  # none of a belt that stood still throughout
    noise = float(moves.median()) / (0.6745 * np.sqrt(2.0)) if len(moves) else 0.0
    # the median of n normal readings scatters 1.25 / sqrt(n) as much as one of them; two medians are compared
    threshold = max(LEAST_STEP, 4.5 * 1.25 * np.sqrt(2.0 / width) * noise)
    # medians tell that there is a step, means where: their difference peaks in the very bin
    place = (after.mean()[::-1] - before.mean()).abs().where(jump >= threshold)
    highest = place.rolling(2 * width + 1, center=True, min_periods=1).max()
    peaks = (place == highest).to_numpy()
    starts: npt.NDArray[np.bool_] = peaks & ~np.r_[False, peaks[:-1]]
    return starts


def sludge_minutes(table: FigureTable, press: Press, plant: Plant) -> pd.DataFrame:
    """Return the pressing minutes of dewatering with each sludge's own inputs beside what came of it.

    Index: UTC time of discharge, a subset of the table's. Columns: `run`, `day` (plant day), `INPUTS` at feed
    time, belt speeds as means from feed to discharge, `cake_solids_pct`, `capture_pct`, `filtrate_tss_mg_l`,
    `hours_into_run`, `since_step_min` (minutes since either belt last changed), `step` (count of changes so
    far).
    """
    frame = table.frame
    index = pd.DatetimeIndex(frame.index)
    seconds = index.as_unit("s").asi8
    feed_s = pd.DatetimeIndex(frame["feed_time"]).as_unit("s").asi8
    wanted = (frame["phase"] == "pressing") & (frame["mode"] == "dewatering") & frame["feed_time"].notna()
    wanted &= ~is_excluded(plant, press.slug, index)
    rows = np.flatnonzero(wanted.to_numpy())
    fed = (feed_s[rows] - seconds[0]) // table.every_s if len(rows) else np.array([], dtype=np.int64)
    rows, fed = rows[fed >= 0], fed[fed >= 0].astype(np.int64)

    minutes = pd.DataFrame(index=index[rows])
    minutes["run"] = frame["run"].to_numpy()[rows]
    minutes["day"] = np.asarray(plant_days(plant, index))[rows]
    for column in INPUTS:
        minutes[column] = frame[column].to_numpy(dtype=float)[fed] if column in frame else np.nan
    for column in SPEEDS:
        minutes[column] = _mean_between(frame[column].to_numpy(dtype=float), fed, rows)
    for column in ("cake_solids_pct", "capture_pct", "filtrate_tss_mg_l"):
        minutes[column] = frame[column].to_numpy(dtype=float)[rows]
    if not is_from_grabs(frame):  # a grab that stands in for a silent meter does not make a trend
        minutes["cake_solids_pct"] = minutes["cake_solids_pct"].where(frame["cake_solids_meter_pct"].notna())
    minutes["since_step_min"], minutes["step"] = _time_since_steps(frame, rows, table.every_s)
    started = pd.Series(seconds[rows], index=minutes.index).groupby(minutes["run"].to_numpy()).transform("min")
    minutes["hours_into_run"] = (seconds[rows] - started.to_numpy()) / 3600.0
    minutes["transit_min"] = (rows - fed) * table.every_s / 60.0
    return minutes


def _mean_between(
    values: npt.NDArray[np.float64], first: npt.NDArray[np.int64], last: npt.NDArray[np.int64]
) -> npt.NDArray[np.float64]:
    """Return the mean of `values` over the closed spans of positions, NaN where none is known."""
    known = ~np.isnan(values)
    sums = np.r_[0.0, np.cumsum(np.where(known, values, 0.0))]
    counts = np.r_[0, np.cumsum(known)]
    total, count = sums[last + 1] - sums[first], counts[last + 1] - counts[first]
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _time_since_steps(
    frame: pd.DataFrame, rows: npt.NDArray[np.int64], every_s: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int64]]:
    stepped = np.zeros(len(frame), dtype=bool)
    for column in SPEEDS:
        moving = frame[column].where(frame["phase"].isin(("pressing", "starting")))
        stepped |= speed_steps(moving, every_s)
    positions = np.arange(len(frame))
    last = np.maximum.accumulate(np.where(stepped, positions, -1))
    since = np.where(last >= 0, (positions - last) * every_s / 60.0, np.inf)
    return since[rows], np.cumsum(stepped)[rows]


def settled_minutes(minutes: pd.DataFrame) -> pd.DataFrame:
    """Return the sludge minutes with known cake and speed whose last change of a belt speed has settled."""
    settling = np.maximum(SETTLING_MIN, minutes["transit_min"] + 5.0)
    known = minutes["cake_solids_pct"].notna() & minutes["gravity_belt_speed_m_min"].notna()
    return minutes[(minutes["since_step_min"] >= settling) & known]


def steady_blocks(minutes: pd.DataFrame, every_s: int) -> pd.DataFrame:
    """Return the steady blocks among the sludge minutes, a row each, in order of time.

    A block is up to 15 min of one run between changes of belt speed, begun once the last change has settled
    and all sludge fed before it has left. Cake solids and capture are ratios of sums over the block. Blocks
    in which a setting still moved, or with under 60 % of their minutes known, are left out. Columns:
    `start_utc`, `end_utc`, `day`, `run`, `minutes`, the inputs, speeds and outcomes of `sludge_minutes`.
    """
    settled = settled_minutes(minutes)
    if settled.empty:
        return no_blocks()
    per_block = max(2, round(BLOCK_MIN * 60 / every_s))
    stretch = pd.Series(
        pd.factorize(settled["run"].astype(str) + "|" + settled["step"].astype(str))[0], index=settled.index
    )
    seconds = pd.Series(pd.DatetimeIndex(settled.index).as_unit("s").asi8, index=settled.index)
    within = (seconds - seconds.groupby(stretch).transform("min")) // every_s
    block = pd.Series(
        pd.factorize(stretch.astype(np.int64) * 1_000_000 + (within // per_block))[0], index=settled.index
    )
    late = (within % per_block) >= per_block / 2
    blocks = average_over(settled, block, every_s)
    keep = (blocks["minutes"] >= LEAST_SHARE * BLOCK_MIN) & _held_still(settled, block, late)
    return blocks[keep].reset_index(drop=True)


def average_over(minutes: pd.DataFrame, block: pd.Series, every_s: int) -> pd.DataFrame:
    """Return one row per value of `block`: means of inputs, and outcomes as ratios of sums.

    Dry solids fed weigh the outcomes: capture is kept over fed, cake solids dry over wet. In a block whose feed
    solids are not known throughout the minutes weigh alike.
    """
    loading = minutes["solids_loading_kg_h_m"]
    weight = loading.where(loading.notna().groupby(block).transform("all"), 1.0)
    dry = weight * (minutes["capture_pct"] / 100.0).fillna(1.0)
    sums = pd.DataFrame(
        {
            "wet": dry / minutes["cake_solids_pct"],
            "dry": dry.where(minutes["cake_solids_pct"].notna()),
            "kept": weight * minutes["capture_pct"],
            "fed": weight.where(minutes["capture_pct"].notna()),
            "polymer": weight * minutes["polymer_dose_kg_t"],
            "dosed": weight.where(minutes["polymer_dose_kg_t"].notna()),
        }
    ).groupby(block)
    total = sums.sum(min_count=1)
    groups = minutes.groupby(block)
    times = pd.Series(minutes.index, index=minutes.index).groupby(block)
    means = groups[[*INPUTS, *SPEEDS, "filtrate_tss_mg_l", "hours_into_run"]].mean()
    averaged = pd.DataFrame(
        {
            "start_utc": times.min(),
            "end_utc": times.max() + pd.Timedelta(seconds=every_s),
            "day": groups["day"].first(),
            "run": groups["run"].first(),
            "minutes": groups.size() * every_s / 60.0,
        }
    ).join(means)
    averaged["cake_solids_pct"] = total["dry"] / total["wet"]
    averaged["capture_pct"] = total["kept"] / total["fed"]
    averaged["polymer_dose_kg_t"] = total["polymer"] / total["dosed"]
    return averaged


def _held_still(minutes: pd.DataFrame, block: pd.Series, late: pd.Series) -> pd.Series:
    """Return, per block, whether no setting moved between its halves by more than a steady block allows."""
    columns = list(_STEADY)
    early_mean = minutes.loc[~late, columns].groupby(block[~late]).mean()
    late_mean = minutes.loc[late, columns].groupby(block[late]).mean().reindex(early_mean.index)
    moved = (2.0 * (late_mean - early_mean) / (late_mean + early_mean)).abs()
    too_far = pd.concat([moved[column] > most for column, most in _STEADY.items()], axis=1).any(axis=1)
    return (~too_far).reindex(np.unique(block), fill_value=True)


def no_blocks() -> pd.DataFrame:
    """Return an empty frame with the columns of steady blocks."""
    columns = [
        "start_utc",
        "end_utc",
        "day",
        "run",
        "minutes",
        *INPUTS,
        *SPEEDS,
        "filtrate_tss_mg_l",
        "hours_into_run",
        "cake_solids_pct",
        "capture_pct",
    ]
    return pd.DataFrame({column: pd.Series(dtype=float) for column in columns})
