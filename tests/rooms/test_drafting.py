"""A plant file drafted from exports: what each tag is taken for and why, and that no guess is accepted silently."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trendkit.drafting import Facts, draft_text, propose, read_facts
from trendkit.drafting.draft_file import clock_notes
from trendkit.drafting.facts import draft_plant
from trendkit.drafting.name_clues import presses_in, read_name
from trendkit.errors import InputError
from trendkit.exports import find_inputs, open_exports
from trendkit.plant import load_plant

SAMPLES = Path(__file__).parents[2] / "sample_exports"
SPELLED_OUT = {
    "FEED_FLOW": "FeedFlow", "FEED_TS": "FeedSolids", "FEED_TEMP": "SludgeTemp", "FILT_FLOW": "FiltrateFlow",
    "FILT_TSS": "FiltrateTSS", "FILT_TURB": "Filtrate_NTU", "CAKE_TS": "CakeSolids", "CAKE_RATE": "CakeMassRate",
    "CAKE_TOTAL": "CakeWeightTotal", "THK_FLOW": "ThickenedFlow", "THK_TS": "ThickenedSolids",
    "POLY_FLOW": "PolymerFlow", "POLY_STRENGTH": "PolymerConc", "DIL_WATER": "DilutionWaterFlow",
    "WASH_FLOW": "BeltWashFlow", "WASH_PRESS": "BeltWashPressure", "GRAV_SPEED": "GravityBeltSpeed",
    "GRAV_SP": "GravityBeltSetpoint", "PRES_SPEED": "PressureBeltSpeed", "PRES_SP": "PressureBeltSetpoint",
    "GRAV_LOAD": "GravityDriveTorque", "PRES_LOAD": "PressureDriveTorque", "TENSION": "BeltTension",
    "GRAV_LEVEL": "GravityZoneDepth", "SPREADER": "SpreaderSpeed", "MIXER": "MixerSpeed", "POWER": "TotalPower",
    "ENERGY": "Energy_kWh", "RUNNING": "RunStatus", "MODE": "Mode", "TRIP": "BeltTrackingTrip",
    "FEED_TANK": "FeedSource",
}  # fmt: skip


@pytest.fixture(scope="module")
def sample_facts() -> tuple[list[Facts], pd.DatetimeIndex]:
    """Two weeks of the sample exports, the clock change of 8 March among them."""
    names = ("bfp-1_2026-03-02", "bfp-1_2026-03-16", "bfp-2_2026-03-02", "bfp-2_2026-03-16")
    plant = draft_plant()
    found = find_inputs([SAMPLES / f"{name}.csv.gz" for name in names], plant)
    return read_facts(open_exports(found.exports, plant), plant)


def respelled(facts: Facts, spelling: str) -> Facts:

    press, _, rest = facts.tag.partition("_")
    told = {"as exported": facts.tag, "spelled out": f"Works.Press{press[-1]}.{SPELLED_OUT.get(rest, rest)}"}
    return replace(facts, tag=told[spelling])


@pytest.mark.parametrize("spelling", ["as exported", "spelled out"])
def test_at_least_nine_of_ten_roles_of_the_sample_are_right(
    spelling: str, sample_facts: tuple[list[Facts], pd.DatetimeIndex], capsys: pytest.CaptureFixture[str]
) -> None:
    truth = {tag.tag: tag for press in load_plant(SAMPLES / "plant.toml").presses for tag in press.tags.values()}
    expected = {respelled(each, spelling).tag: truth[each.tag] for each in sample_facts[0]}
    proposals = propose([respelled(each, spelling) for each in sample_facts[0]])
    roles = sum(each.role == expected[each.tag].name for each in proposals)
    units = sum((each.unit or "") == expected[each.tag].unit for each in proposals)
    with capsys.disabled():
        print(f"\nplant new, sample tags {spelling}: {roles} of {len(expected)} roles right, {units} units right")
    assert len(proposals) == len(expected) == 36
    assert roles >= 0.9 * len(expected)
    assert units >= 0.9 * len(expected)
    assert all(each.reasons for each in proposals)


def test_the_readings_decide_where_a_name_leaves_it_open() -> None:
    """POLY alone: hundreds of litres an hour are the flow, a quarter of a percent is the strength."""
    flow, strength = propose([numbers("BFP1_POLY_A", 900.0), numbers("BFP1_POLY_B", 0.25)])
    assert (flow.tag, flow.role) == ("BFP1_POLY_A", "polymer_flow")
    assert (strength.tag, strength.role) == ("BFP1_POLY_B", "polymer_strength")


def test_a_tag_whose_name_says_nothing_gets_no_role_from_its_readings_alone() -> None:
    (proposal,) = propose([numbers("XJ77_QQ", 22.0)])
    assert proposal.role is None and proposal.reasons[0].startswith("readings run from")


def test_a_unit_that_two_systems_allow_is_asked_for_and_one_that_others_decide_is_not() -> None:
    """22 can be m3/h as well as gal/min; beside washwater of 80, which only psi makes usual, it is gal/min."""
    (alone,) = propose([numbers("BFP1_FEED_FLOW", 22.0)])
    assert alone.role == "feed_flow" and alone.unit is None and alone.reasons[-1].endswith("ask which it is")
    beside = propose([numbers("BFP1_FEED_FLOW", 22.0), numbers("BFP1_WASH_PRESS", 80.0)])
    assert {each.role: each.unit for each in beside} == {"feed_flow": "gal/min", "washwater_pressure": "psi"}


def test_a_drive_signal_is_proposed_with_the_scale_it_needs() -> None:
    facts = [numbers("BFP1_GRAV_DRIVE_HZ", 31.0)]
    text = draft_text(propose(facts), pd.DatetimeIndex([], tz="UTC"), {}, False)
    assert 'unit = "Hz"' in text and 'scale = [["0 Hz", "?"], ["? Hz", "?"]]' in text


def test_presses_are_told_apart_by_the_numbered_word_of_their_tags() -> None:
    tags = ["BFP-1.FEED", "BFP-1.CAKE", "BFP-2.FEED", "BFP-2.CAKE", "WASH_FLOW"]
    assert {tag: press for tag, (press, _) in presses_in(tags).items()} == {
        "BFP-1.FEED": "BFP-1", "BFP-1.CAKE": "BFP-1", "BFP-2.FEED": "BFP-2", "BFP-2.CAKE": "BFP-2",
    }  # fmt: skip
    assert presses_in(["FIT101_FEED", "FIT102_FILT", "TIT103"]) == {}


def test_a_word_may_be_written_in_many_ways() -> None:
    for tag in ("FILT_TSS", "FiltrateTSS", "filtrate tss", "P1.Filtrate-Susp"):
        concepts = [word for each in read_name(tag, "P1").concepts for word in each]
        assert "filtrate" in concepts and "suspended solids" in concepts, tag


def test_the_clock_s_habit_in_spring_is_told(sample_facts: tuple[list[Facts], pd.DatetimeIndex]) -> None:
    assert clock_notes(sample_facts[1])[0].startswith(
        "No reading from 02:00 to 03:00 on 2026-03-08: the clock follows the rule of North America"
    )
    steady = pd.date_range("2026-03-07", "2026-03-10", freq="min", tz="UTC")
    assert clock_notes(steady) == [
        "Readings from 02:00 to 03:00 on 2026-03-08: the clock was not put forward that night."
    ]


def test_a_draft_is_refused_until_every_guess_is_confirmed(
    tmp_path: Path, sample_facts: tuple[list[Facts], pd.DatetimeIndex]
) -> None:
    """Filling in what is asked is not enough; with the guess lines deleted as well the file loads."""
    proposals = propose(sample_facts[0])
    draft = tmp_path / "plant.toml"
    draft.write_text(draft_text(proposals, sample_facts[1], {}, True), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_plant(draft)
    said = str(caught.value)
    assert said.count("this is a guess that nobody has confirmed") == 36
    assert "plant.timezone" in said and "belt_width" in said and "To do: check the lines beside it" in said
    filled = draft.read_text(encoding="utf-8").replace('name = "?"', 'name = "Test works"')
    filled = filled.replace('timezone = "?"', 'timezone = "America/Denver"').replace(
        'meter = "?"', 'meter = "with_wash"'
    )
    filled = filled.replace('belt_width = "? m"', 'belt_width = "2 m"').replace('length = "? m"', 'length = "5 m"')
    filled = filled.replace('value = "? %"', 'value = "0.25 %"')
    filled = filled.replace('[["0 %", "?"], ["? %", "?"]]', '[["0 %", "0 L/h"], ["100 %", "1900 L/h"]]')
    filled = filled.replace('[["0 Hz", "?"], ["? Hz", "?"]]', '[["0 Hz", "0 m/min"], ["60 Hz", "12 m/min"]]')
    draft.write_text(filled, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_plant(draft)
    assert len(caught.value.problems) == 36
    draft.write_text(re.sub(r"(?m)^guess = .*\n", "", filled), encoding="utf-8")
    plant = load_plant(draft)
    assert [press.name for press in plant.presses] == ["BFP-1", "BFP-2"]
    assert plant.presses[0].tags["feed_flow"].tag == "BFP1_FEED_FLOW"


def numbers(tag: str, usual: float) -> Facts:
    values = usual * (1.0 + 0.02 * np.sin(np.arange(600)))
    return Facts(tag, "", (), values, usual, 0.98 * usual, 1.02 * usual, 1.0, 0.0, False, False)


def test_german_tag_names_are_read_with_accents_and_words_written_as_one() -> None:
    said = {
        "P1 Zulaufmenge": "feed_flow", "P1 Filtratmenge": "filtrate_flow", "P1 Filtrat Trübung": "filtrate_turbidity",
        "P1 Pressband Geschwindigkeit": "pressure_belt_speed",
    }  # fmt: skip
    facts = [numbers(tag, reading) for tag, reading in zip(said, (20.0, 28.0, 500.0, 2.3), strict=True)]
    proposals = propose(facts)
    assert {each.tag: each.role for each in proposals} == said
    assert any(reason == "the name says Filtrat Trübung" for each in proposals for reason in each.reasons)


def test_a_draft_without_a_feed_flow_says_so() -> None:
    text = draft_text(propose([numbers("BFP1_GRAV_DRIVE_HZ", 31.0)]), pd.DatetimeIndex([], tz="UTC"), {}, False)
    assert "No tag was found for feed_flow" in text


def german_long_export(path: Path) -> Path:
    """Six hours around the European clock change in plant time; a reading is held for minutes into the lost hour."""
    stamps = pd.date_range("2026-03-29 00:00", "2026-03-29 06:00", freq="1min")
    lines = ["Zeitstempel;Messort;Wert;Einheit;Status"]
    for stamp in stamps[stamps.hour != 2]:
        for tag, reading, unit in (("P1 Zulaufmenge", f"20,{stamp.minute % 10}", "m³/h"), ("P1 Zulauf TR", "3,1", "%")):
            lines.append(f"{stamp:%d.%m.%Y %H:%M:%S};{tag};{reading};{unit};gut")
    path.write_text("\n".join(lines), encoding="cp1252")
    return path


def test_a_long_export_is_told_by_its_rows_and_its_own_column_of_units(tmp_path: Path) -> None:
    """The header "Messort" is no known word; several names at one time say that it holds the tags."""
    plant = draft_plant()
    exports = open_exports([german_long_export(tmp_path / "leitsystem.csv")], plant)
    facts, minutes = read_facts(exports, plant)
    assert [(each.tag, each.stated_unit) for each in facts] == [("P1 Zulauf TR", "%"), ("P1 Zulaufmenge", "m³/h")]
    assert clock_notes(minutes)[-1].startswith("No reading from 02:00 to 03:00 on 2026-03-29: the clock follows")


def test_times_with_an_offset_tell_nothing_of_the_plant_s_clock(tmp_path: Path) -> None:
    stamps = pd.date_range("2026-03-29 00:00", "2026-03-29 06:00", freq="1min", tz="Europe/Berlin")
    rows = [f"{stamp.isoformat()},20.{stamp.minute % 10}" for stamp in stamps]
    path = tmp_path / "offsets.csv"
    path.write_text("\n".join(["Timestamp,BFP1_FEED_FLOW", *rows]), encoding="utf-8")
    assert clock_notes(read_facts(open_exports([path], draft_plant()), draft_plant())[1]) == []


def test_a_state_in_unknown_words_is_drafted_with_the_question_which_of_them_means_on() -> None:
    worded = replace(numbers("BFP1_RUNNING", 1.0), words=("MARCHE", "ARRET"), values=np.zeros(0))
    text = draft_text(propose([worded]), pd.DatetimeIndex([], tz="UTC"), {}, False)
    assert 'on_values = ["?"]  # which of its words mean on' in text
    known = replace(worded, words=("AUS", "EIN"))
    assert "on_values" not in draft_text(propose([known]), pd.DatetimeIndex([], tz="UTC"), {}, False)
