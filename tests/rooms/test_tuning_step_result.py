"""A filled step-test sheet: read with its mistakes named, judged by its plan, merged with the history."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tuning_table import Truth, made_up_plant, made_up_table

from trendkit.errors import InputError
from trendkit.tuning import plan_step_test, read_step_sheet, step_test_csv, tune
from trendkit.tuning.blocks import sludge_minutes, steady_blocks
from trendkit.tuning.step_result import finish_test, judge_levels

PLANT, PRESS = made_up_plant()
HEAD = "step,test_day,gravity_belt_speed_m_min,started_at,ended_at,cake_solids_pct,filtrate_tss_mg_l,seen"
GOOD = "1,1,7.5,2026-03-02 08:15,2026-03-02 09:10,21.2,640,"


def read(*rows: str, head: str = HEAD) -> pd.DataFrame:
    return read_step_sheet("\n".join(["# keep the guards on", head, *rows]), "filled.csv", PLANT)


def test_a_hold_is_read_in_plant_time_with_its_samples_averaged() -> None:
    hold = read("1,1,7.5,2026-03-02 08:15,2026-03-02 09:10,21.2; 21.6,640,a little water").iloc[0]
    assert hold["started_utc"] == pd.Timestamp("2026-03-02T15:15Z")
    assert hold["cake_solids_pct"] == pytest.approx(21.4)
    assert hold["seen"] == "a little water"


def test_a_sheet_saved_with_semicolons_decimal_commas_and_dotted_dates_reads_the_same() -> None:
    text = '1;1;7,5;02.03.2026 08:15;02.03.2026 09:10;"21,2 / 21,6";640;'
    hold = read(text, head=HEAD.replace(",", ";")).iloc[0]
    assert hold["started_utc"] == pd.Timestamp("2026-03-02T15:15Z")
    assert (hold["gravity_belt_speed_m_min"], hold["cake_solids_pct"]) == (7.5, pytest.approx(21.4))


def test_holds_not_run_are_left_out() -> None:
    assert len(read(GOOD, "2,1,8.5,,,,,", "3,1,6.5,,,,,the feed pump failed")) == 1


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (GOOD.replace("21.2", "2l.2"), "line 3, column 'cake_solids_pct': this is no number; found '2l.2'"),
        (GOOD.replace("21.2", "212"), "line 3, column 'cake_solids_pct': this cannot be; found '212'"),
        (GOOD.replace("7.5", "fast"), "line 3, column 'gravity_belt_speed_m_min': this is no number"),
        (GOOD.replace("2026-03-02 08:15", "8.15"), "line 3, column 'started_at': this is no time; found '8.15'"),
        (GOOD.replace("2026-03-02 09:10", "2026-03-02"), "line 3, column 'ended_at': the time of day is missing"),
        (GOOD.replace("09:10", "07:10"), "line 3, column 'ended_at': the hold does not end after it starts"),
        (GOOD + ",,,", "line 3, column 'seen': the row has too many cells"),
        (GOOD + "\n" + GOOD.replace("08:15", "08:45"), "line 4, column 'started_at': two holds overlap"),
        (GOOD + "\n2,1,8.5,,2026-03-02 10:20,21.4,,", "line 4, column 'started_at': the hold has samples or a time"),
        (GOOD + "\n2,1,8.5,,,21.4,,", "line 4, column 'started_at': the hold has samples or a time, but not this one"),
        (",,,,,,,", "filled.csv, column 'started_at': no hold was filled in"),
    ],
)
def test_a_mistake_is_said_with_line_and_column(row: str, said: str) -> None:
    with pytest.raises(InputError) as refused:
        read(row)
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_missing_column_is_named() -> None:
    with pytest.raises(InputError, match="line 2, column 'ended_at': a column is missing"):
        read(GOOD, head=HEAD.replace("ended_at,", ""))


def test_a_column_that_stands_twice_is_refused() -> None:
    with pytest.raises(InputError, match="line 2, column 'cake_solids_pct': a column stands twice"):
        read(GOOD + ",19.9", head=HEAD + ",cake_solids_pct")


def test_the_textbooks_randomised_blocks() -> None:
    """Montgomery, Design and Analysis of Experiments, vascular grafts: yield at four pressures in six batches.

    Its table of variance: levels 178.17, blocks 192.25, error 109.89 on 15 degrees; F 8.11, P 0.0019; levels'
    means 92.8, 91.7, 88.9, 85.8 (values from memory).
    """
    yields = {
        8500: [90.3, 89.2, 98.2, 93.9, 87.4, 97.9],
        8700: [92.5, 89.5, 90.6, 94.7, 87.0, 95.8],
        8900: [85.5, 90.8, 89.6, 86.2, 88.0, 93.4],
        9100: [82.5, 89.5, 85.6, 87.4, 78.9, 90.7],
    }
    rows = [(block, level, value) for level, values in yields.items() for block, value in enumerate(values)]
    found = judge_levels(pd.DataFrame(rows, columns=["test_day", "level", "cake_solids_pct"]), "cake_solids_pct")
    assert found is not None
    assert found.p_value == pytest.approx(0.0019, abs=5e-5)
    assert found.spread**2 == pytest.approx(109.89 / 15, abs=5e-3)
    assert [level.value for level in found.levels] == pytest.approx([92.8, 91.7, 88.9, 85.8], abs=0.051)


def test_holds_that_are_all_alike_show_no_effect() -> None:
    rows = [(day, level, 21.3) for day in range(4) for level in (6.0, 7.0, 8.0)]
    found = judge_levels(pd.DataFrame(rows, columns=["test_day", "level", "cake_solids_pct"]), "cake_solids_pct")
    assert found is not None and found.p_value == 1.0
    assert [(level.low, level.value, level.high) for level in found.levels] == [pytest.approx((21.3, 21.3, 21.3))] * 3


def test_with_a_hold_missing_the_levels_are_judged_beside_the_days() -> None:
    """Consistency check by the same library's tables: the type-2 F test of levels, and means as predicted."""
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    generator = np.random.default_rng(8)
    holds = pd.DataFrame(
        [(day, level) for day in range(1, 6) for level in (6.0, 7.0, 8.0)], columns=["test_day", "level"]
    )
    holds["cake_solids_pct"] = (
        20.0 + holds["test_day"] * 0.5 - (holds["level"] - 7.0) ** 2 + generator.normal(0, 0.3, 15)
    )
    holds = holds.drop(index=4)
    found = judge_levels(holds, "cake_solids_pct")
    fit = ols("cake_solids_pct ~ C(test_day) + C(level, Sum)", holds).fit()
    assert found is not None
    assert found.p_value == pytest.approx(anova_lm(fit, typ=2).loc["C(level, Sum)", "PR(>F)"], rel=1e-6)
    assert found.spread == pytest.approx(np.sqrt(fit.scale), rel=1e-6)
    second = found.levels[1]
    effect = -fit.params["C(level, Sum)[S.6.0]"] - fit.params["C(level, Sum)[S.7.0]"]
    assert found.levels[2].value - second.value == pytest.approx(effect - fit.params["C(level, Sum)[S.7.0]"], rel=1e-6)
    half = (fit.conf_int().loc["C(level, Sum)[S.7.0]", 1] - fit.conf_int().loc["C(level, Sum)[S.7.0]", 0]) / 2
    assert (second.high - second.low) / 2 == pytest.approx(half, rel=1e-6)


def test_levels_that_never_shared_a_day_are_not_judged_together() -> None:
    """Two tests of other speeds on one sheet: the second's levels differ from the first's by the days as well."""
    days = [(day, (5.0, 6.0)) for day in range(3)] + [(day, (8.0, 9.0)) for day in range(3, 6)]
    rows = [(day, level, 20.0 + day + np.sin(7.0 * day * level)) for day, levels in days for level in levels]
    holds = pd.DataFrame(rows, columns=["test_day", "level", "cake_solids_pct"])
    assert judge_levels(holds, "cake_solids_pct") is None
    shared = pd.concat([holds, holds.iloc[[0]].assign(level=8.0)])  # one day that ran levels of both ties them
    assert judge_levels(shared, "cake_solids_pct") is not None


def played_test(days: int = 6) -> tuple:
    """Return a press that only ever ran one speed, but for a step test on its last days, and the filled sheet."""
    truth = Truth(cake_curvature=45.0)
    table = made_up_table("fixed", days=24, truth=truth)
    minutes = sludge_minutes(table, PRESS, PLANT)
    plan = plan_step_test(minutes, steady_blocks(minutes, 60), PRESS)
    frame = table.frame.copy()
    starts = frame[frame["phase"] == "pressing"].groupby("run").apply(lambda rows: rows.index[0]).tolist()[-days:]
    lines = []
    for day, start in enumerate(sorted(starts), start=1):
        for place, hold in enumerate(plan[plan["test_day"] == min(day, 5)].to_dict("records")):
            begin = start + pd.Timedelta(minutes=20 + 60 * place)
            end = begin + pd.Timedelta(minutes=55)
            inside = (frame.index >= begin) & (frame.index < end + pd.Timedelta(minutes=5))
            old, speed = frame.loc[inside, "gravity_belt_speed_m_min"], hold["gravity_belt_speed_m_min"]
            load = frame.loc[inside, "solids_loading_kg_h_m"]
            frame.loc[inside, "cake_solids_pct"] += truth.cake_solids_pct(speed, load) - truth.cake_solids_pct(
                old, load
            )
            frame.loc[inside, "cake_solids_meter_pct"] = frame.loc[inside, "cake_solids_pct"]
            frame.loc[inside, "capture_pct"] += truth.loss_pct(old, load) - truth.loss_pct(speed, load)
            frame.loc[inside, "gravity_belt_speed_m_min"] = speed
            lines.append(f"{hold['step']},{day},{speed},{begin.isoformat()},{end.isoformat()},,,")
    return replace(table, frame=frame), read_step_sheet("\n".join([HEAD, *lines]), "filled.csv", PLANT)


def test_a_step_test_tells_what_a_fixed_speed_could_not() -> None:
    assert tune(made_up_table("fixed", days=24), PRESS, PLANT).decision == "insufficient"
    table, sheet = played_test()
    answer = tune(table, PRESS, PLANT, sheet)
    assert answer.finished_test is not None
    assert len(answer.finished_test.holds) > 15
    cake = answer.finished_test.judged[0]
    assert cake.outcome == "cake_solids_pct"
    ends, middle = (cake.levels[0], cake.levels[-1]), cake.levels[1:-1]
    assert max(each.value for each in ends) < min(each.value for each in middle)
    assert answer.decision in ("window", "flat")
    assert answer.identifiability.independent_changes > 8


def test_a_hold_at_another_speed_than_the_sheets_is_left_out() -> None:
    table, sheet = played_test()
    sheet.loc[0, "gravity_belt_speed_m_min"] *= 1.2
    test = finish_test(sheet, sludge_minutes(table, PRESS, PLANT), True, 60)
    assert [step for step, why in test.left_out if "not at the" in why] == [int(sheet.loc[0, "step"])]


def test_the_sheet_that_is_written_is_the_sheet_that_is_read() -> None:
    minutes = sludge_minutes(made_up_table("free", days=3), PRESS, PLANT)
    sheet = plan_step_test(minutes, steady_blocks(minutes, 60), PRESS)
    sheet["started_at"], sheet["ended_at"] = sheet["started_at"].astype(object), sheet["ended_at"].astype(object)
    sheet.loc[0, ["started_at", "ended_at"]] = ["2026-03-02 08:15", "2026-03-02 09:10"]
    back = read_step_sheet(step_test_csv(sheet, "us"), "step-test.csv", PLANT)
    assert back["gravity_belt_speed_m_min"].tolist() == [sheet.loc[0, "gravity_belt_speed_m_min"]]
