"""The signature table and how evidence becomes ranked causes."""

from __future__ import annotations

import csv
from dataclasses import replace
from importlib.resources import files

import numpy as np
import pandas as pd
import pytest
from upsets_press import Trouble, made_up_table

from trendkit.upsets import find_upsets
from trendkit.upsets.causes import (
    NO_UPSET,
    Score,
    is_measurable,
    missing_tests,
    read_signatures,
    rows_of,
    score_cause,
    signatures,
    weigh,
)
from trendkit.upsets.events import Event
from trendkit.upsets.evidence import EVENTS, Evidence, Record, Window, window_of
from trendkit.upsets.kinds import is_clear, kinds_of
from trendkit.upsets.ledger import first_sign
from trendkit.upsets.signs import Sign
from trendkit.upsets.trials import inputs_beside
from trendkit.upsets.watched import BY_NAME

CONTRACT = {
    "feed_thin", "feed_thick", "solids_overload", "hydraulic_overload", "sludge_change", "polymer_loss", "polymer_weak",
    "polymer_excess", "dilution_loss", "belt_blinding", "washwater_loss", "gravity_belt_fast", "gravity_belt_slow",
    "pressure_belt_fast", "pressure_belt_slow", "belt_slip", "belt_tracking", "tension_loss",
}  # fmt: skip
EVERYTHING = [*BY_NAME, *EVENTS]
BARE = ["feed_flow", "hydraulic_loading", "polymer_flow", "gravity_belt_speed", "pressure_belt_speed", "cake_solids"]


def table_text() -> str:
    return files("trendkit.upsets").joinpath("signatures.csv").read_text(encoding="utf-8")


def seen(name: str, strength: float, onset: str | None = None, shape: str | None = None) -> Evidence:
    moment = None if onset is None else pd.Timestamp(onset)
    return Evidence(name, strength, 20.0 * strength, 6.0, moment, shape)  # type: ignore[arg-type]


def test_every_cause_of_the_contract_has_a_signature_and_no_other_is_named() -> None:
    causes = {name.partition("/")[0] for name in signatures()}
    assert {cause for cause in causes if not cause.startswith(NO_UPSET)} == CONTRACT


def test_every_row_names_a_watched_column_a_known_rule_and_its_source() -> None:
    for row in csv.DictReader(table_text().splitlines()):
        assert row["sign"] in EVERYTHING, row
        assert row["direction"] in ("up", "down", "steady", "changed")
        assert row["rule"] in ("must", "expected", "one_of", "may", "not")
        assert row["timing"] in ("any", "leads", "slow", "sudden")
        assert float(row["weight"]) > 0 and row["source"]


def test_every_cause_gives_the_operator_something_to_check_and_names_what_would_decide() -> None:
    for cause in CONTRACT:
        rows = rows_of(signatures(), cause)
        assert any(row.check for row in rows), cause
        assert any(row.decides for row in rows), cause


def test_a_cause_whose_signs_are_not_measured_is_not_ranked_but_named_with_its_test() -> None:
    table = signatures()
    assert not is_measurable(table["polymer_weak"], BARE)
    missing = missing_tests(table, BARE)
    assert "bench test" in missing["polymer_weak"]
    assert "polymer_loss" not in missing
    assert not any(cause.startswith(NO_UPSET) for cause in missing)
    assert missing_tests(table, EVERYTHING) == {}


def test_one_measured_sign_of_several_is_enough_where_any_of_them_will_do() -> None:
    table = signatures()
    assert is_measurable(table["washwater_loss"], ["washwater_pressure"])
    assert is_measurable(table["washwater_loss"], ["washwater_flow"])
    assert not is_measurable(table["washwater_loss"], ["cake_solids"])


def test_a_full_match_beats_a_half_one_and_a_contradiction_loses() -> None:
    rows = signatures()["polymer_loss"]
    down = {"polymer_flow": seen("polymer_flow", -1.0), "polymer_dose": seen("polymer_dose", -1.0)}
    full = {**down, "capture": seen("capture", -1.0), "filtrate_solids": seen("filtrate_solids", 1.0)}
    contrary = {**down, "polymer_dose": seen("polymer_dose", 1.0)}
    scores = [score_cause(rows, evidence, None).log_odds for evidence in (full, down, contrary)]
    assert scores == sorted(scores, reverse=True)
    assert scores[2] < 0 < scores[1]


def test_a_sign_that_should_lead_but_comes_late_counts_less() -> None:
    rows = signatures()["tension_loss"]
    effect = pd.Timestamp("2026-03-01T10:00Z")
    early, late = (
        score_cause(rows, {"belt_tension": seen("belt_tension", -1.0, onset)}, effect).log_odds
        for onset in ("2026-03-01T09:50Z", "2026-03-01T11:00Z")
    )
    assert early > late


def test_less_washwater_at_a_higher_pressure_is_plugged_nozzles_and_at_a_lower_one_a_loss() -> None:
    table = signatures()
    evidence = {
        "washwater_flow": seen("washwater_flow", -0.8),
        "zone_depth": seen("zone_depth", 0.9, "2026-03-01T10:00Z", "ramp"),
        "cake_solids": seen("cake_solids", -0.9, "2026-03-01T10:00Z", "ramp"),
    }
    for pressure, expected in ((0.7, "belt_blinding"), (-0.9, "washwater_loss")):
        here = {**evidence, "washwater_pressure": seen("washwater_pressure", pressure)}
        scores = {
            cause: score_cause(table[cause], here, None).log_odds for cause in ("belt_blinding", "washwater_loss")
        }
        assert max(scores, key=scores.__getitem__) == expected


def test_slip_shows_in_the_drive_load_and_a_slow_drive_does_not() -> None:
    table = signatures()
    slow = {
        "pressure_belt_speed": seen("pressure_belt_speed", -1.2),
        "pressure_speed_gap": seen("pressure_speed_gap", -1.2),
    }
    slipping = {**slow, "pressure_drive_load": seen("pressure_drive_load", -1.0)}
    pulling = {**slow, "pressure_drive_load": seen("pressure_drive_load", 0.5)}
    slip, drive = table["belt_slip/pressure"], table["pressure_belt_slow"]
    assert score_cause(slip, slipping, None).log_odds > score_cause(drive, slipping, None).log_odds
    assert score_cause(drive, pulling, None).log_odds > score_cause(slip, pulling, None).log_odds


def test_nothing_that_fits_is_unknown_and_a_variant_speaks_in_its_causes_name() -> None:
    assert [cause.cause for cause in weigh([])] == ["unknown"]
    table = signatures()
    evidence = {
        "gravity_drive_load": seen("gravity_drive_load", -1.0),
        "pressure_drive_load": seen("pressure_drive_load", 0.0),
    }
    ranked = weigh([score_cause(table[name], evidence, None) for name in ("belt_slip/gravity", "belt_slip/pressure")])
    assert [cause.cause for cause in ranked].count("belt_slip") == 1
    assert ranked[0].cause == "belt_slip"
    assert sum(cause.weight for cause in ranked) == pytest.approx(1.0, abs=0.03)


def test_competing_causes_are_listed_down_to_the_third_however_sure_the_first_is() -> None:
    scores = [Score("feed_thin", 7.0, "", ""), Score("sludge_change", 2.6, "", ""), Score("polymer_loss", -9.0, "", "")]
    ranked = weigh(scores)
    assert [cause.cause for cause in ranked] == ["feed_thin", "sludge_change", "unknown"]
    assert ranked[1].weight < 0.03


def test_evidence_is_told_in_percent_and_spreads() -> None:
    assert Evidence("belt_tension", -1.0, -30.2, 8.0, None, None).words() == (
        "belt tension 30 % below usual (8.0 times its usual spread)"
    )
    assert Evidence("cake_solids", 0.1, 0.2, 0.5, None, None).words() == "cake solids as usual"


def test_adding_a_cause_is_adding_rows() -> None:
    made = made_up_table(12, 9, (Trouble("tension", "2026-03-09T16:00", 150, 0.7),))
    rows = [
        "air_leak,belt_tension,down,leads,must,6,common practice,Listen for air at the tension cylinders,a belt tension"
    ]
    richer = read_signatures(table_text() + "\n".join(rows) + "\n")
    (before,) = find_upsets(made.table, made.press, made.plant, ())
    (after,) = find_upsets(made.table, made.press, made.plant, (), richer)
    assert before.cause == "tension_loss"
    assert after.cause == "air_leak" and after.causes[0].check == "Listen for air at the tension cylinders"
    assert "tension_loss" in [cause.cause for cause in after.causes]


def test_weak_polymer_makes_the_dose_off_though_only_its_strength_made_a_sign() -> None:
    size, low = 24, 8  # five-minute blocks; weak from the ninth on
    times = pd.date_range("2026-03-09T14:00Z", periods=size, freq="5min")
    fed = times.as_unit("ns").asi8
    weak = np.where(np.arange(size) < low, 1.0, 0.75)
    means = np.column_stack([5.0 * weak, 0.25 * weak])
    usual = np.column_stack([np.full(size, 5.0), np.full(size, 0.25)])
    names = ("polymer_dose", "polymer_strength")
    places = {"feed": fed, "gravity": fed, "discharge": fed}
    record = Record(names, places, np.zeros(size, dtype=np.int64), means, usual, usual / 50.0, usual / 50.0)
    start, end = times[low], times[-1]
    sign = Sign(
        "polymer_strength", "dewatering", "run", -1, start, start, end, start, end, 0.25, -0.0625, 25.0, 12.5, "move",
        "step", 0,
    )  # fmt: skip
    window = window_of(record, start, end)
    assert kinds_of([sign], [], "polymer_weak", record, window) == {"dose_off": 1}  # 25 % under: the first step is 15 %
    thicker = Sign(**{**vars(sign), "name": "feed_solids", "side": 1})
    assert kinds_of([thicker], [], "feed_thick", record, window) == {}


def a_sign(name: str, side: int, begins: str, ends: str, z: float, size: float = 10.0) -> Sign:
    start, end = pd.Timestamp(begins), pd.Timestamp(ends)
    return Sign(
        name, "dewatering", "run", side, start, start, end, start, end, 100.0, side * size, size, z, "move", "step", 0
    )


def test_a_clear_input_counts_alone_once_the_cake_is_two_points_wetter() -> None:
    less_wash = a_sign("washwater_flow", -1, "2026-03-09T10:00Z", "2026-03-09T14:00Z", 4.5)
    accounted = frozenset({("washwater_flow", -1)})

    def clear(kinds: dict[str, int], z: float = 4.5) -> bool:
        return is_clear([replace(less_wash, z=z)], [], accounted, kinds, ["cake_solids"])

    assert clear({"wet_cake": 2})
    assert not clear({"wet_cake": 1})
    assert not clear({"wet_cake": 2}, z=3.5)
    assert not clear({})


def test_an_input_that_came_back_before_the_cake_did_speaks_against_causes_by_exclusion() -> None:
    thin = a_sign("feed_solids", -1, "2026-03-09T10:00Z", "2026-03-09T11:00Z", 12.0)
    wet = a_sign("cake_solids", -1, "2026-03-09T10:05Z", "2026-03-09T14:00Z", 10.0)
    next_day = a_sign("feed_solids", -1, "2026-03-10T10:00Z", "2026-03-10T11:00Z", 12.0)
    assert inputs_beside([wet], [], [thin, wet, next_day]) == [thin]
    assert inputs_beside([thin, wet], [], [thin, wet]) == []
    rows = rows_of(signatures(), "sludge_change")
    alone = {"cake_solids": seen("cake_solids", -1.2), "feed_solids": seen("feed_solids", 0.0)}
    beside = alone | {"feed_solids": seen("feed_solids", -1.2)}
    assert score_cause(rows, alone, None).log_odds > score_cause(rows, beside, None).log_odds + 1.5


def test_a_lack_of_dilution_water_is_an_upset_once_the_filtrate_shows_it() -> None:
    no_water = a_sign("dilution_water", -1, "2026-03-09T10:00Z", "2026-03-09T11:00Z", 30.0, 75.0)
    cloudy = a_sign("filtrate_solids", 1, "2026-03-09T10:01Z", "2026-03-09T11:00Z", 6.0, 40.0)
    record = Record((), {}, np.empty(0, dtype=np.int64), *(np.empty((0, 0)) for _ in range(4)))
    window = Window({}, {}, {})
    assert kinds_of([no_water], [], "dilution_loss", record, window) == {}
    assert kinds_of([no_water, cloudy], [], "dilution_loss", record, window) == {"low_capture": 1}
    assert kinds_of([no_water, cloudy], [], "sludge_change", record, window) == {}


def test_a_figure_gives_way_to_the_meter_that_moved_it() -> None:
    # Loading is flow times solids: it fell first, but the feed flow stood still and the solids meter moved.
    loading = a_sign("solids_loading", -1, "2026-03-09T10:00Z", "2026-03-09T12:00Z", 6.0)
    thin = a_sign("feed_solids", -1, "2026-03-09T10:12Z", "2026-03-09T12:00Z", 8.0)
    late = replace(thin, feed_onset=thin.feed_onset + pd.Timedelta(hours=1))
    accounted = frozenset({("solids_loading", -1), ("feed_solids", -1)})

    def first(*signs: Sign) -> str:
        return first_sign(Event("dewatering", "run", signs, (), (), {}, {"feed_swing": 1}, accounted))

    assert first(loading, thin) == "feed_solids"
    assert first(loading, late) == first(loading) == "feed_flow"


def test_slack_belts_that_load_their_drive_less_do_not_slip_as_well() -> None:
    rows = rows_of(signatures(), "tension_loss")
    slack = {"belt_tension": seen("belt_tension", -1.4)}
    lighter = slack | {"pressure_drive_load": seen("pressure_drive_load", -1.0)}
    assert score_cause(rows, lighter, None).log_odds > score_cause(rows, slack, None).log_odds


def test_a_dose_that_moved_within_its_noise_does_not_contradict_the_pump() -> None:
    rows = rows_of(signatures(), "polymer_excess")
    pump = {"polymer_flow": seen("polymer_flow", 0.9)}
    noisy = pump | {"polymer_dose": Evidence("polymer_dose", 0.2, 18.0, 1.8, None, None)}
    steady = pump | {"polymer_dose": Evidence("polymer_dose", 0.05, 3.0, 0.3, None, None)}
    assert score_cause(rows, noisy, None).log_odds == score_cause(rows, pump, None).log_odds
    assert score_cause(rows, steady, None).log_odds < score_cause(rows, pump, None).log_odds - 3.0


def test_a_belt_that_was_fast_counts_though_the_depth_took_as_long_again_to_come_back() -> None:
    size = 48  # five-minute blocks: an hour as usual, an hour fast, two as usual
    times = pd.date_range("2026-03-09T14:00Z", periods=size, freq="5min")
    fed = times.as_unit("ns").asi8
    speed = np.where((np.arange(size) >= 12) & (np.arange(size) < 24), 7.6, 6.0)[:, None]
    usual = np.full((size, 1), 6.0)
    places = {"feed": fed, "gravity": fed, "discharge": fed}
    record = Record(
        ("gravity_belt_speed",), places, np.zeros(size, dtype=np.int64), speed, usual, usual / 60.0, usual / 60.0
    )
    fast = a_sign("gravity_belt_speed", 1, "2026-03-09T15:00Z", "2026-03-09T16:00Z", 20.0, 27.0)
    window = window_of(record, times[12], times[40])
    assert kinds_of([fast], [], "gravity_belt_fast", record, window) == {"belt_speed_off": 2}


def a_record(name: str, values: np.ndarray, usual: float, spread: float) -> Record:
    size = values.size
    fed = pd.date_range("2026-03-09T14:00Z", periods=size, freq="5min").as_unit("ns").asi8
    wide = np.full((size, 1), spread)
    places = {"feed": fed, "gravity": fed, "discharge": fed}
    numbers = np.zeros(size, dtype=np.int64)
    return Record((name,), places, numbers, values[:, None], np.full((size, 1), usual), wide, wide)


def test_a_dose_that_crosses_its_band_counts_from_the_near_edge_of_it() -> None:
    size, low = 36, 12
    up = a_sign("polymer_flow", 1, "2026-03-09T15:00Z", "2026-03-09T16:55Z", 8.0)

    def kinds(before: float, during: float) -> dict[str, int]:
        dose = np.where(np.arange(size) < low, before, during)
        record = a_record("polymer_dose", dose, 6.0, 0.6)
        window = window_of(record, up.feed_onset, up.feed_end)
        return kinds_of([up], [], "polymer_excess", record, window)

    assert kinds(5.4, 6.6) == {"dose_off": 1}  # a fifth up, from one edge of the band to the other
    assert kinds(4.2, 6.0) == {}  # it was off and is put right


def test_thicker_feed_loads_the_press_though_its_flow_stood_still() -> None:
    size, low = 36, 12
    loading = np.where(np.arange(size) < low, 280.0, 320.0)
    record = a_record("solids_loading", loading, 280.0, 8.0)
    thick = a_sign("feed_solids", 1, "2026-03-09T15:00Z", "2026-03-09T16:55Z", 8.0)
    window = window_of(record, thick.feed_onset, thick.feed_end)
    assert kinds_of([thick], [], "feed_thick", record, window) == {"overload": 1}  # 14 %: the first step is 5, then 15


def test_colder_feed_or_less_washwater_will_do_where_the_cake_alone_says_too_little() -> None:
    table = signatures()
    little = {"cake_solids": seen("cake_solids", -0.2), "washwater_pressure": seen("washwater_pressure", 0.4)}
    for cause, sign in (("sludge_change", "feed_temperature"), ("belt_blinding", "washwater_flow")):
        clear = little | {sign: seen(sign, -0.9)}
        assert score_cause(table[cause], clear, None).log_odds > 0.5
        assert score_cause(table[cause], little, None).log_odds < -2.0
