"""A right plant file becomes SI, with every default the contract names."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from plant_file import GOOD, changed, write

from trendkit.plant import Limit, Plant, Uncertainty, load_plant


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    return load_plant(write(tmp_path_factory.mktemp("plant"), GOOD))


def test_presses_are_found_by_name_and_by_slug(plant: Plant) -> None:
    assert [press.slug for press in plant.presses] == ["bfp-1", "bfp-2"]
    assert plant.press("BFP-2") is plant.press("bfp-2")
    assert plant.press("BFP-3") is None


def test_geometry_is_in_metres_and_gaps_in_millimetres(plant: Plant) -> None:
    press = plant.presses[0]
    assert (press.belt_width_m, press.gravity_zone_length_m, press.pressure_zone_length_m) == (2.0, 4.2, 11.0)
    assert press.wedge_gaps == ((0.0, 25.0), (1.2, 4.0))
    assert press.cake_delay_s == 20.0


def test_feed_counts_from_one_cubic_metre_an_hour_per_metre_of_width(plant: Plant) -> None:
    assert [press.feed_on_above_m3_h for press in plant.presses] == [2.0, 1.0]


def test_a_flow_meter_in_gallons_a_minute_turns_into_cubic_metres_an_hour(plant: Plant) -> None:
    tag = plant.presses[0].tags["feed_flow"]
    assert tag.factor == pytest.approx(3.785411784 * 60 / 1000, rel=1e-12)
    assert tag.column == "feed_flow_m3_h"
    assert tag.range == (0.0, 250.0)  # stays in the unit of the reading
    assert tag.uncertainty.absolute == pytest.approx(2 * 0.22712470704)


def test_solids_in_grams_per_litre_take_the_feed_density(tmp_path: Path) -> None:
    text = changed(('belt_width = "2.0 m"', 'belt_width = "2.0 m"\nfeed_density = "1010 kg/m3"'))
    tag = load_plant(write(tmp_path, text)).presses[0].tags["feed_solids"]
    assert tag.factor == pytest.approx(0.1 * 1000 / 1010)


def test_filtrate_in_percent_becomes_milligrams_per_litre(plant: Plant) -> None:
    tag = plant.presses[0].tags["filtrate_solids"]
    assert tag.factor * 0.09 == pytest.approx(900.0)


def test_a_flow_given_as_its_counter_turns_into_the_amount(plant: Plant) -> None:
    tag = plant.presses[0].tags["filtrate_flow"]
    assert tag.is_counter_of_rate
    assert tag.factor == pytest.approx(0.003785411784)
    assert tag.counter_rolls_at == 1_000_000
    assert tag.si_unit == "m3/h"


def test_scale_points_keep_readings_and_give_si_values(plant: Plant) -> None:
    speed = plant.presses[0].tags["gravity_belt_speed"]
    assert speed.scale == ((0.0, 0.0), (60.0, 12.4))
    assert speed.measured_by == "drive"


def test_an_uncertainty_in_the_unit_of_a_scaled_signal_follows_the_scale(plant: Plant) -> None:
    assert plant.presses[0].tags["belt_tension"].uncertainty.absolute == pytest.approx(3 * 7 / 300)


def test_an_uncertainty_not_given_is_the_usual_one_and_marked_assumed(plant: Plant) -> None:
    assert plant.presses[0].tags["gravity_belt_speed"].uncertainty == Uncertainty(0.01, 0.0, is_assumed=True)


def test_a_free_tag_gets_a_column_of_its_si_unit(plant: Plant) -> None:
    tag = plant.presses[0].tags["polymer_pump_2"]
    assert tag.column == "polymer_pump_2_m3_h"
    assert tag.factor == pytest.approx(0.003785411784)
    assert not tag.is_role


def test_a_state_has_neither_unit_nor_suffix(plant: Plant) -> None:
    tag = plant.presses[0].tags["running"]
    assert (tag.kind, tag.column, tag.unit, tag.on_values) == ("state", "running", "", ("RUN",))


def test_targets_are_named_by_column_in_si(plant: Plant) -> None:
    targets = plant.presses[0].targets["dewatering"]
    assert targets == {"cake_solids_pct": Limit(low=19.0), "polymer_dose_kg_t": Limit(high=9.0)}


def test_prices_are_per_si_unit_and_a_missing_one_is_none(plant: Plant) -> None:
    assert plant.costs is not None
    assert plant.costs.polymer_per_kg == pytest.approx(1.86 / 0.45359237)
    assert plant.costs.haul_per_t == 62.0
    assert plant.costs.power_per_kwh is None


def test_a_fixed_role_is_in_its_columns_unit(plant: Plant) -> None:
    fixed = plant.presses[0].fixed["polymer_strength"]
    assert (fixed.value, fixed.uncertainty) == (0.25, Uncertainty(relative=0.05))


def test_a_shared_meter_is_a_tag_of_every_press_it_serves(plant: Plant) -> None:
    tags = [press.tags["washwater_flow"] for press in plant.presses]
    assert tags[0] == tags[1]
    assert (tags[0].split, tags[0].split_among) == ("by_feed", ("bfp-1", "bfp-2"))


def test_a_dated_setting_holds_from_the_start_of_its_plant_day(plant: Plant) -> None:
    press = plant.presses[0]
    before = pd.Timestamp("2026-03-16 12:59:59", tz="UTC")  # 06:59:59 in plant time, one day earlier
    after = pd.Timestamp("2026-03-16 13:00:00", tz="UTC")
    assert press.at(before).cake_density_kg_m3 == 1060.0
    assert press.at(after).cake_density_kg_m3 == 1040.0
    assert press.at(after).fixed["polymer_strength"].value == 0.3
    assert press.at(after).fixed["polymer_strength"].uncertainty == Uncertainty(relative=0.05)  # not set anew


def test_a_dated_setting_changes_only_what_it_names(plant: Plant) -> None:
    assert set(plant.presses[0].changes[0].settings) == {"cake_density_kg_m3", "fixed"}


def test_dated_settings_add_up_in_time_order_however_they_are_listed(tmp_path: Path) -> None:
    def change(day: str, reason: str, figure: str, limit: str) -> str:
        targets = f'targets = {{ dewatering = {{ {figure} = {{ min = "{limit}" }} }} }}'
        return f'[[press.change]]\nfrom = {day}\nreason = "{reason}"\nset = {{ {targets} }}\n'

    later = change("2026-04-01", "b", "capture", "94 %")
    earlier = change("2026-03-20", "a", "cake_solids", "20 %")
    text = changed(("[[press.change]]", later + earlier + "[[press.change]]"))
    press = load_plant(write(tmp_path, text)).presses[0]
    assert [change.reason for change in press.changes] == ["new polymer", "a", "b"]
    last = press.at(pd.Timestamp("2026-05-01", tz="UTC")).targets["dewatering"]
    assert last["cake_solids_pct"] == Limit(low=20.0)
    assert last["capture_pct"] == Limit(low=94.0)
    assert last["polymer_dose_kg_t"] == Limit(high=9.0)


def test_a_new_belt_width_moves_the_feed_threshold_unless_one_is_given(tmp_path: Path) -> None:
    text = changed(('cake_density = "1040 kg/m3"', 'belt_width = "1.8 m"'))
    press = load_plant(write(tmp_path, text)).presses[0]
    assert press.changes[0].settings["feed_on_above_m3_h"] == 1.8


def test_a_meter_of_a_new_span_is_another_version_of_its_tag(tmp_path: Path) -> None:
    span = 'tags = { gravity_belt_speed = { scale = [["0 Hz", "0 m/min"], ["60 Hz", "14 m/min"]] } }'
    press = load_plant(write(tmp_path, changed(('cake_density = "1040 kg/m3"', span)))).presses[0]
    versions = press.tag_spans("gravity_belt_speed")
    assert [(start is None, tag.scale[-1][1]) for start, tag in versions] == [(True, 12.4), (False, 14.0)]
    assert len(press.tag_spans("feed_flow")) == 1


def test_a_new_feed_density_changes_how_grams_per_litre_are_read(tmp_path: Path) -> None:
    text = changed(('cake_density = "1040 kg/m3"', 'feed_density = "1020 kg/m3"'))
    versions = load_plant(write(tmp_path, text)).presses[0].tag_spans("feed_solids")
    assert [round(tag.factor, 6) for _, tag in versions] == [0.1, round(0.1 / 1.02, 6)]


def test_an_excluded_period_is_read_in_plant_time(plant: Plant) -> None:
    exclude = plant.excludes[0]
    assert exclude.start_utc == pd.Timestamp("2026-03-09 19:00", tz="UTC")  # the day after the spring change
    assert exclude.press == "bfp-1"


def test_times_with_an_offset_keep_it(tmp_path: Path) -> None:
    text = changed(("to = 2026-03-09T15:30:00", "to = 2026-03-09T15:30:00-05:00"))
    assert load_plant(write(tmp_path, text)).excludes[0].end_utc == pd.Timestamp("2026-03-09 20:30", tz="UTC")


def test_sources_may_have_a_fixed_offset_and_a_clock_correction(plant: Plant) -> None:
    assert plant.sources[0].timezone == "-07:00"
    assert plant.sources[0].shift_clock_s == -90.0


def test_lab_validity_and_uncertainties(plant: Plant) -> None:
    assert plant.lab.max_age_s == 6 * 3600
    assert plant.lab.uncertainty == {"TS": Uncertainty(absolute=0.1), "TSS": Uncertainty(relative=0.08)}


def test_a_wide_bench_sheet_names_its_columns(tmp_path: Path) -> None:
    wide = """\
layout = "wide"
time = "Date"
press = "BFP-2"
[[lab.column]]
header = "Cake"
point = "cake"
analysis = "TS"
unit = "%"
"""
    lab = load_plant(write(tmp_path, changed(('max_age = "6 h"\n', wide)))).lab
    assert (lab.layout, lab.time_header, lab.press, lab.columns[0].point) == ("wide", "Date", "bfp-2", "cake")


def test_the_archive_stands_beside_the_plant_file(plant: Plant) -> None:
    assert plant.archive == plant.path.resolve().parent / "archive"


def test_an_absolute_archive_may_be_anywhere(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    text = changed(('display_units = "us"', f"archive = '{elsewhere}'"))
    (tmp_path / "site").mkdir()
    assert load_plant(write(tmp_path / "site", text)).archive == elsewhere


def test_defaults_of_the_contract(tmp_path: Path) -> None:
    text = changed(('display_units = "us"', ""), ('day_starts_at = "07:00"', ""), ('max_age = "6 h"', ""))
    plant = load_plant(write(tmp_path, text))
    assert (plant.day_starts_at, plant.display_units) == ("00:00", "si")
    assert (plant.rolling_window_s, plant.max_hold_s, plant.lab.max_age_s) == (3600.0, 600.0, 28800.0)
    assert (plant.presses[0].feed_density_kg_m3, plant.presses[0].cake_density_kg_m3) == (1000.0, 1060.0)


@pytest.mark.parametrize("mark", [b"\xef\xbb\xbf", b""], ids=["with a byte-order mark", "without"])
def test_windows_line_ends_and_byte_order_marks_change_nothing(tmp_path: Path, plant: Plant, mark: bytes) -> None:
    path = tmp_path / "plant.toml"
    path.write_bytes(mark + GOOD.replace("\n", "\r\n").encode())
    assert load_plant(path).presses == plant.presses


def test_unusual_but_possible_settings_are_cautions(tmp_path: Path) -> None:
    plant = load_plant(write(tmp_path, changed(('belt_width = "2.0 m"', 'belt_width = "4 m"'))))
    assert plant.presses[0].belt_width_m == 4.0
    assert any("usually 0.5 to 3.5 m" in caution for caution in plant.cautions)


def test_belt_wash_piped_away_is_not_in_the_filtrate_sample(tmp_path: Path) -> None:
    text = changed(('meter = "with_wash"', 'meter = "before_wash"\nwash_return = "separate"'))
    assert load_plant(write(tmp_path, text)).presses[0].filtrate.sample == "before_wash"


def test_unit_spelling_changes_nothing(tmp_path: Path, plant: Plant) -> None:
    text = changed(('unit = "gal/min"', 'unit = "GPM"'), ('unit = "m3/h"', 'unit = "m³/h"'))
    same = load_plant(write(tmp_path, text))
    assert same.presses[0].tags["feed_flow"].factor == plant.presses[0].tags["feed_flow"].factor
    assert same.presses[1].tags["feed_flow"].factor == 1.0
