"""A press whose cake is only known from grabs: what belongs to a grab, and what a few a run can tell."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tuning_table import made_up_plant, made_up_table

from trendkit.press.results import FigureTable
from trendkit.tuning import tune
from trendkit.tuning.blocks import sludge_minutes
from trendkit.tuning.changes import changes_between_grabs
from trendkit.tuning.grabs import grab_blocks

PLANT, PRESS = made_up_plant()


def bench_row(
    moment: pd.Timestamp, point: str, analysis: str, value: float, is_suspect: bool = False
) -> dict[str, object]:
    return {
        "sampled_at": moment,
        "press": "bfp-1",
        "point": point,
        "analysis": analysis,
        "value": value,
        "is_suspect": is_suspect,
    }


def with_grabs(table: FigureTable, per_run: int = 3, seed: int = 5) -> FigureTable:
    """The table as a press without cake meter and with `per_run` grabs a run would give it."""
    rng, rows, frame = np.random.default_rng(seed), [], table.frame.copy()
    for _, run in frame[frame["phase"] == "pressing"].groupby("run"):
        at = np.sort(rng.choice(np.arange(30, len(run) - 30, 15), per_run, replace=False))
        rows += [bench_row(run.index[place], "cake", "TS", run["cake_solids_pct"].iloc[place]) for place in at]
        rows += [bench_row(run.index[place], "filtrate", "TSS", 900.0) for place in at]
        nearest = np.abs(np.arange(len(run))[:, None] - at[None, :]).argmin(axis=1)
        for column in ("cake_solids_pct", "capture_pct"):
            frame.loc[run.index, column] = run[column].to_numpy()[at[nearest]]
    frame["cake_solids_meter_pct"] = np.nan
    return replace(table, frame=frame, lab=pd.DataFrame(rows))


def test_each_grab_gives_one_block_with_its_own_value() -> None:
    table = with_grabs(made_up_table("fixed", days=4))
    blocks = grab_blocks(sludge_minutes(table, PRESS, PLANT), table.lab, 60)
    cake = table.lab[table.lab["point"] == "cake"]
    assert len(blocks) == len(cake) == 12
    assert blocks["cake_solids_pct"].to_numpy() == pytest.approx(cake["value"].to_numpy())
    taken = pd.DatetimeIndex(cake["sampled_at"])
    assert (blocks["start_utc"] <= taken).all() and (blocks["end_utc"] >= taken).all()


def test_a_grab_taken_before_the_speed_had_settled_is_left_out() -> None:
    table = with_grabs(made_up_table("fixed", days=1))
    moment = table.lab["sampled_at"].iloc[1]
    table.frame.loc[moment - pd.Timedelta(minutes=4) :, "gravity_belt_speed_m_min"] *= 0.9
    blocks = grab_blocks(sludge_minutes(table, PRESS, PLANT), table.lab, 60)
    assert len(blocks) == 2
    assert not ((blocks["start_utc"] <= moment) & (blocks["end_utc"] > moment)).any()


def test_a_suspect_grab_is_left_out() -> None:
    table = with_grabs(made_up_table("fixed", days=1))
    lab = table.lab.copy()
    lab.loc[0, "is_suspect"] = True
    assert len(grab_blocks(sludge_minutes(table, PRESS, PLANT), lab, 60)) == 2


def test_capture_is_kept_only_where_filtrate_was_sampled_too() -> None:
    table = with_grabs(made_up_table("fixed", days=1))
    first = table.lab[table.lab["point"] == "filtrate"].index[0]
    blocks = grab_blocks(sludge_minutes(table, PRESS, PLANT), table.lab.drop(index=first), 60)
    assert blocks["capture_pct"].isna().tolist() == [True, False, False]


def test_grabs_of_one_run_at_two_speeds_make_a_change() -> None:
    table = with_grabs(made_up_table("fixed", days=1))
    second = table.lab["sampled_at"].iloc[1]
    for column in ("feed_flow_m3_h", "feed_solids_pct", "polymer_dose_kg_t", "pressure_belt_speed_m_min"):
        table.frame[column] = 5.0
    table.frame.loc[second - pd.Timedelta(minutes=40) :, "gravity_belt_speed_m_min"] = 7.0
    changes = changes_between_grabs(grab_blocks(sludge_minutes(table, PRESS, PLANT), table.lab, 60))
    assert changes["speed_before_m_min"].tolist() == pytest.approx([8.0], rel=0.01)
    assert changes["speed_after_m_min"].tolist() == pytest.approx([7.0], rel=0.01)
    assert changes["is_independent"].all()


def test_three_grabs_a_run_over_two_months_still_find_the_best_speed() -> None:
    table = with_grabs(made_up_table("free", days=60, seed=12))
    tuning = tune(table, PRESS, PLANT)
    assert tuning.decision in ("window", "flat")
    assert len(tuning.blocks) < 181
    assert tuning.recommended is not None
    assert tuning.recommended.low <= 7.9 <= tuning.recommended.high
    assert tuning.recommended.gravity_belt_speed_m_min == pytest.approx(7.9, rel=0.1)


def test_without_a_bench_sheet_a_press_without_cake_meter_cannot_be_judged() -> None:
    table = replace(with_grabs(made_up_table("free", days=10)), lab=pd.DataFrame())
    assert tune(table, PRESS, PLANT).decision == "insufficient"
