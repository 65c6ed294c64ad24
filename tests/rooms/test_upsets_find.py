"""Upsets on a made-up press whose every trouble is known."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from upsets_press import FIGURE_COLUMNS, ROLE_COLUMNS, Made, Trouble, made_up_table

from trendkit.findings import Finding
from trendkit.plant.model import Exclude, Limit
from trendkit.upsets import Upset, find_upsets, ledger
from trendkit.upsets.kinds import is_more_than_expected
from trendkit.upsets.signs import Sign

TROUBLES = {
    "polymer_loss": Trouble("polymer_flow", "2026-03-04T17:00", 120, 0.6),
    "feed_thin": Trouble("feed_solids", "2026-03-05T16:00", 150, 0.72),
    "belt_blinding": Trouble("fouling", "2026-03-06T15:00", 360, 2.4, ramp_min=300),
    "tension_loss": Trouble("tension", "2026-03-09T16:00", 150, 0.7),
    "sludge_change": Trouble("sludge", "2026-03-10T16:00", 200, 0.6),
    "washwater_loss": Trouble("washwater", "2026-03-11T16:00", 200, 0.6),
    "gravity_belt_fast": Trouble("gravity_speed", "2026-03-12T16:00", 120, 1.5),
    "dilution_loss": Trouble("dilution", "2026-03-13T16:00", 120, 0.2),
    "solids_overload": Trouble("feed_flow", "2026-03-16T16:00", 120, 1.3),
    "polymer_weak": Trouble("polymer_strength", "2026-03-17T16:00", 120, 0.6),
    "polymer_excess": Trouble("polymer_flow", "2026-03-18T16:00", 120, 1.6),
    "feed_thick": Trouble("feed_solids", "2026-03-19T16:00", 150, 1.35),
}


METERED_BARE = {"feed_flow_m3_h", "hydraulic_loading_m3_h_m", "polymer_flow_l_h", "gravity_belt_speed_m_min", "running"}


def upsets_of(made: Made, findings: tuple[Finding, ...] = ()) -> list[Upset]:
    return find_upsets(made.table, made.press, made.plant, findings)


@pytest.fixture(scope="module")
def troubled() -> Made:
    return made_up_table(20, 1, tuple(TROUBLES.values()))


@pytest.fixture(scope="module")
def found(troubled: Made) -> list[Upset]:
    return upsets_of(troubled)


def during(upsets: list[Upset], trouble: Trouble) -> list[Upset]:
    start = pd.Timestamp(trouble.start, tz="UTC")
    end = start + pd.Timedelta(minutes=trouble.minutes)
    return [upset for upset in upsets if upset.start < end and upset.end > start]


@pytest.mark.parametrize("cause", TROUBLES)
def test_each_trouble_is_one_upset_with_its_cause_first_or_close_behind(found: list[Upset], cause: str) -> None:
    own = during(found, TROUBLES[cause])
    assert len(own) == 1
    assert cause in [each.cause for each in own[0].causes[:3]]
    if cause != "belt_blinding":  # a ramp without washwater or drive signs looks much like a change of sludge
        assert own[0].cause == cause


@pytest.mark.parametrize("cause", [cause for cause in TROUBLES if cause != "belt_blinding"])
def test_a_sudden_trouble_is_placed_within_ten_minutes_and_ends_with_it(found: list[Upset], cause: str) -> None:
    trouble = TROUBLES[cause]
    start = pd.Timestamp(trouble.start, tz="UTC")
    (upset,) = during(found, trouble)
    assert abs(upset.start - start) <= pd.Timedelta(minutes=10)
    assert abs(upset.end - start - pd.Timedelta(minutes=trouble.minutes + 8)) <= pd.Timedelta(minutes=15)
    assert upset.start < upset.detected_at <= upset.start + pd.Timedelta(minutes=20)


def test_a_ramp_is_dated_before_half_of_it(found: list[Upset]) -> None:
    (upset,) = during(found, TROUBLES["belt_blinding"])
    assert upset.start < pd.Timestamp("2026-03-06T17:30Z")
    assert upset.detected_at > upset.start


def test_the_role_that_moved_first_is_named(found: list[Upset]) -> None:
    first = {cause: during(found, trouble)[0].first_sign for cause, trouble in TROUBLES.items()}
    assert first["polymer_loss"] == first["polymer_excess"] == "polymer_flow"
    assert first["feed_thin"] == first["feed_thick"] == "feed_solids"
    assert first["solids_overload"] == "feed_flow"
    assert first["tension_loss"] == "belt_tension"
    assert first["washwater_loss"] in ("washwater_flow", "washwater_pressure")


def test_severity_follows_the_contracts_table(found: list[Upset]) -> None:
    (fast,) = during(found, TROUBLES["gravity_belt_fast"])  # 50 % over: the third step is 30 %
    assert fast.severity == 3 and "belt_speed_off" in fast.kinds
    (loose,) = during(found, TROUBLES["tension_loss"])  # 30 % low: the steps are 10, 20, 40 %
    assert loose.kind == "wet_cake" and "tension_low" in loose.kinds and loose.severity == 2


def a_sign(name: str, is_as_expected: bool = False) -> Sign:
    at, end = pd.Timestamp("2026-03-16T16:00", tz="UTC"), pd.Timestamp("2026-03-16T18:00", tz="UTC")
    return Sign(
        name, "dewatering", "run", -1, at, at, end, at, end, 21.0, -1.6, 1.6, 5.5, "move", "step", 1, is_as_expected
    )


def test_wet_cake_is_no_upset_where_the_inputs_within_their_band_account_for_the_filtrate() -> None:
    cake, filtrate = a_sign("cake_solids"), a_sign("filtrate_solids", is_as_expected=True)
    assert is_more_than_expected([cake], [])
    assert not is_more_than_expected([cake, filtrate], [])
    assert not is_more_than_expected([cake, filtrate, a_sign("solids_closure")], [])  # a check is no input
    assert is_more_than_expected([cake, filtrate, a_sign("feed_flow")], [])


def test_a_quiet_month_has_hardly_any_upset() -> None:
    quiet = [upset for seed in (11, 12) for upset in upsets_of(made_up_table(15, seed))]
    assert len(quiet) <= 1


def test_lost_solids_and_cost_are_what_was_really_lost(troubled: Made, found: list[Upset]) -> None:
    (upset,) = during(found, TROUBLES["sludge_change"])
    truth = troubled.truth
    span = truth.loc["2026-03-10T16:00Z":"2026-03-10T19:19Z"]
    before = truth.loc["2026-03-10T14:30Z":"2026-03-10T15:59Z"]
    lost = float(((span["loss"] - before["loss"].mean()) / 100 * span["solids"] / 60).sum())
    assert upset.lost_dry_solids_kg == pytest.approx(lost, rel=0.08)
    assert upset.lost_dry_solids_kg_low < upset.lost_dry_solids_kg < upset.lost_dry_solids_kg_high
    assert upset.extra_cost is not None and upset.extra_cost > 0.095 * lost  # solids sent back, and wetter cake


def test_evidence_is_in_numbers(found: list[Upset]) -> None:
    (upset,) = during(found, TROUBLES["polymer_loss"])
    assert "polymer dose 4" in upset.evidence and "% below usual" in upset.evidence
    assert "times its usual spread" in upset.causes[0].because
    assert upset.causes[0].check


def test_what_is_known_later_does_not_change_an_upset(troubled: Made, found: list[Upset]) -> None:
    frame = troubled.table.frame
    until = pd.Timestamp("2026-03-10T23:59Z")
    earlier = find_upsets(replace(troubled.table, frame=frame[frame.index < until]), troubled.press, troubled.plant, ())
    assert [upset for upset in found if upset.end < until] == earlier


def test_data_up_to_detection_suffice_to_find_it(troubled: Made, found: list[Upset]) -> None:
    frame = troubled.table.frame
    (upset,) = during(found, TROUBLES["polymer_loss"])
    known = replace(troubled.table, frame=frame[frame.index < upset.detected_at])
    seen = find_upsets(known, troubled.press, troubled.plant, ())
    assert any(abs(each.start - upset.start) <= pd.Timedelta(minutes=5) for each in seen)


def test_a_faulty_reading_makes_no_upset_and_one_in_an_upset_is_named(troubled: Made) -> None:
    frame = troubled.table.frame.copy()
    wrong = (frame.index >= "2026-03-03T16:00Z") & (frame.index < "2026-03-03T19:00Z")
    frame.loc[wrong, "cake_solids_pct"] -= 5.0  # the meter alone
    made = replace(troubled, table=replace(troubled.table, frame=frame))
    at = pd.Timestamp
    fault = Finding(
        "bfp-1",
        "BFP1_CAKE_TS",
        "cake_solids",
        "offset",
        at("2026-03-03T16:00Z"),
        at("2026-03-03T19:10Z"),
        "left out",
    )
    in_upset = replace(fault, start_utc=at("2026-03-10T17:00Z"), end_utc=at("2026-03-10T18:00Z"))
    day = [upset for upset in upsets_of(made) if upset.start.date() == at("2026-03-03").date()]
    assert [upset.kind for upset in day] == ["wet_cake"]
    judged = upsets_of(made, (fault, in_upset))
    assert not [upset for upset in judged if upset.start.date() == at("2026-03-03").date()]
    (during_change,) = during(judged, TROUBLES["sludge_change"])
    assert "BFP1_CAKE_TS" in during_change.evidence
    assert "BFP1_CAKE_TS" not in during(judged, TROUBLES["polymer_loss"])[0].evidence


def test_an_excluded_trial_is_not_judged(troubled: Made) -> None:
    at = pd.Timestamp
    trial = Exclude(at("2026-03-04T16:50Z"), at("2026-03-04T19:30Z"), "bfp-1", "supplier trial")
    judged = find_upsets(troubled.table, troubled.press, replace(troubled.plant, excludes=(trial,)), ())
    assert not during(judged, TROUBLES["polymer_loss"])
    assert during(judged, TROUBLES["tension_loss"])


def test_two_overlapping_troubles_with_unlike_signs_are_told_apart() -> None:
    made = made_up_table(
        14,
        3,
        (
            Trouble("tension", "2026-03-10T16:00", 180, 0.7),
            Trouble("polymer_flow", "2026-03-10T17:00", 150, 0.55),
        ),
    )
    day = [upset for upset in upsets_of(made) if upset.start >= pd.Timestamp("2026-03-10T15:30Z")]
    assert {upset.cause for upset in day} == {"tension_loss", "polymer_loss"}


def test_a_trip_and_a_stop_within_a_run_are_upsets_by_their_length() -> None:
    made = made_up_table(12, 4)
    frame = made.table.frame.copy()
    trip = (frame.index >= "2026-03-09T17:00Z") & (frame.index < "2026-03-09T17:25Z")
    frame.loc[trip, ["phase", "belt_trip"]] = ["stopped", 1.0]
    stop = (frame.index >= "2026-03-10T17:00Z") & (frame.index < "2026-03-10T17:07Z")
    frame.loc[stop, "phase"] = "stopped"
    found = find_upsets(replace(made.table, frame=frame), made.press, made.plant, ())
    kinds = {upset.kind: upset for upset in found}
    assert set(kinds) == {"belt_trip", "press_stop"}
    assert (kinds["belt_trip"].severity, kinds["belt_trip"].cause) == (2, "belt_tracking")
    assert (kinds["press_stop"].severity, kinds["press_stop"].cause) == (1, "unknown")
    assert kinds["belt_trip"].end == pd.Timestamp("2026-03-09T17:25Z")


def test_a_planned_feed_cut_and_the_end_of_a_shift_are_no_upsets() -> None:
    made = made_up_table(12, 5, (Trouble("feed_flow", "2026-03-09T17:00", 150, 0.7),))
    assert upsets_of(made) == []


def test_beyond_a_target_counts_though_the_press_often_runs_near_it() -> None:
    trouble = (Trouble("polymer_flow", "2026-03-09T17:00", 150, 1.25),)
    limited = upsets_of(made_up_table(12, 6, trouble, polymer_dose_kg_t=Limit(high=6.0)))
    assert [upset.kind for upset in limited] == ["dose_off"]


def test_columns_that_are_not_metered_are_not_needed() -> None:
    bare = [column for column in (*FIGURE_COLUMNS, *ROLE_COLUMNS) if column not in METERED_BARE]
    made = made_up_table(12, 7, (Trouble("feed_flow", "2026-03-09T17:00", 150, 1.4),), without=tuple(bare))
    (upset,) = upsets_of(made)
    assert upset.kind == "overload" and upset.cause == "hydraulic_overload"
    assert upset.lost_dry_solids_kg is None and upset.effect_start is None


def test_no_pressing_no_upset() -> None:
    made = made_up_table(3, 8)
    frame = made.table.frame.copy()
    frame["phase"], frame["run"] = "stopped", None
    assert find_upsets(replace(made.table, frame=frame), made.press, made.plant, ()) == []
    assert list(ledger([]).columns)[:3] == ["press", "run", "start"]


def test_the_ledger_is_a_table_with_lists_as_json(found: list[Upset]) -> None:
    table = ledger(found)
    assert len(table) == len(found)
    row = table.iloc[0]
    assert json.loads(row["kinds"]) == list(found[0].kinds)
    first = json.loads(row["causes"])[0]
    assert set(first) == {"cause", "weight", "because", "check"} and 0.0 <= first["weight"] <= 1.0
    assert str(table["start"].dt.tz) == "UTC"
    assert table["severity"].between(1, 3).all()
    contract = [
        "press", "run", "start", "effect_start", "detected_at", "end", "kind", "kinds", "severity", "first_sign",
        "cause", "causes", "evidence", "lost_dry_solids_kg", "extra_cost",
    ]  # fmt: skip
    assert [column for column in table.columns if column in contract] == contract


def test_weights_of_an_upset_add_up_to_at_most_one(found: list[Upset]) -> None:
    for upset in found:
        weights = np.array([cause.weight for cause in upset.causes])
        assert (np.diff(weights) <= 0).all() and 0.5 < weights.sum() <= 1.0005
        assert upset.cause == upset.causes[0].cause
