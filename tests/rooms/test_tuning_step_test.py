"""The step-test sheet: fair to every level, the same every time, fit to take to the press."""

import csv

import numpy as np
import pandas as pd
import pytest
from tuning_table import made_up_plant, made_up_table

from trendkit.plant.model import Limit
from trendkit.tuning.blocks import sludge_minutes, steady_blocks
from trendkit.tuning.step_test import CAUTIONS, STEP_BEYOND, levels_to_hold, plan_step_test, step_test_csv

PLANT, PRESS = made_up_plant(capture_pct=Limit(low=95.0))


def sheet_for(policy: str = "free") -> pd.DataFrame:
    minutes = sludge_minutes(made_up_table(policy, days=3), PRESS, PLANT)
    return plan_step_test(minutes, steady_blocks(minutes, 60), PRESS)


def test_every_day_runs_every_level_once_in_an_order_of_its_own() -> None:
    sheet = sheet_for()
    orders = [tuple(rows) for _, rows in sheet.groupby("test_day")["gravity_belt_speed_m_min"]]
    assert len({tuple(sorted(order)) for order in orders}) == 1
    assert len(set(orders)) > 1
    assert sheet["step"].tolist() == list(range(1, len(sheet) + 1))


def test_the_sheet_is_the_same_every_time() -> None:
    pd.testing.assert_frame_equal(sheet_for(), sheet_for())


def test_a_hold_outlasts_settling_and_names_its_samples_and_stop_signs() -> None:
    sheet = sheet_for()
    assert (sheet["hold_min"] > sheet["settle_min"]).all()
    assert (sheet["settle_min"] >= 20.0).all()
    assert "cake TS" in sheet.loc[0, "samples"]
    assert "capture under 95 %" in sheet.loc[0, "stop_if"]


def test_levels_stay_near_what_was_run() -> None:
    wide = levels_to_hold(np.linspace(6.0, 10.0, 200))
    assert wide.min() >= 6.0 and wide.max() <= 10.0
    narrow = levels_to_hold(np.full(50, 8.0))
    assert narrow.min() >= 8.0 * (1.0 - STEP_BEYOND) - 0.05 and narrow.max() <= 8.0 * (1.0 + STEP_BEYOND) + 0.05
    assert len(narrow) == 4


def test_the_csv_opens_with_the_cautions_and_gives_each_speed() -> None:
    sheet = sheet_for()
    lines = step_test_csv(sheet).splitlines()
    assert lines[: len(CAUTIONS)] == [f"# {caution}" for caution in CAUTIONS]
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert [float(row["gravity_belt_speed_m_min"]) for row in rows] == sheet["gravity_belt_speed_m_min"].tolist()


def test_us_plants_read_the_speed_in_feet_too() -> None:
    rows = list(csv.DictReader(line for line in step_test_csv(sheet_for(), "us").splitlines() if line[0] != "#"))
    assert float(rows[0]["gravity_belt_speed_ft_min"]) == pytest.approx(
        float(rows[0]["gravity_belt_speed_m_min"]) / 0.3048, abs=0.06
    )
