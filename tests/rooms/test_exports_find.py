"""Which files a call means, and what exports say against a plant file."""

import gzip

import numpy as np
import pandas as pd
import pytest
from exports_files import a_plant, written

from trendkit.errors import InputError
from trendkit.exports import check_exports, find_inputs, open_exports, require_tags
from trendkit.exports.check import Readings
from trendkit.plant.model import Lab, Tag

PLANT = a_plant("FLOW", "CAKE")
ROWS = "Time,FLOW,CAKE\n2026-02-01 00:00,1.5,20\n"
SHEET = "sampled_at,press,point,analysis,value,unit,note\n2026-02-01 08:00,BFP-1,cake,TS,20,%,\n"


def test_folders_and_patterns_are_searched_and_bench_sheets_told_by_their_header(tmp_path):
    (tmp_path / "more").mkdir()
    (tmp_path / "truth").mkdir()
    (tmp_path / "archive").mkdir()
    written(tmp_path, ROWS, "b.csv")
    written(tmp_path, gzip.compress(ROWS.encode()), "more/a.csv.gz")
    written(tmp_path, SHEET, "grabs.csv")
    for name in ("truth/series.csv", "archive/old.csv", ".hidden.csv"):
        written(tmp_path, ROWS, name)
    written(tmp_path, "x", "plant.toml")
    plant = a_plant("FLOW", archive=tmp_path / "archive")
    found = find_inputs([tmp_path, tmp_path / "b.csv", f"{tmp_path}/*.csv"], plant)
    assert [path.name for path in found.exports] == ["b.csv", "a.csv.gz"]
    assert [path.name for path in found.labs] == ["grabs.csv"]


def test_the_plant_file_s_patterns_name_sheets_tickets_and_deliveries(tmp_path):
    for name in ("lab_1.csv", "tickets_1.csv", "deliveries_1.csv", "x.csv"):
        written(tmp_path, ROWS, name)
    plant = a_plant("FLOW", lab=Lab(files="lab*.csv"), tickets_files="tickets*.csv", deliveries_files="deliveries*.csv")
    found = find_inputs([tmp_path], plant)
    kinds = (found.exports, found.labs, found.tickets, found.deliveries)
    assert [path.name for own in kinds for path in own] == ["x.csv", "lab_1.csv", "tickets_1.csv", "deliveries_1.csv"]


def test_names_without_a_file_are_all_said_with_the_nearest(tmp_path):
    written(tmp_path, ROWS, "march.csv")
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError) as caught:
        find_inputs([tmp_path / "marhc.csv", f"{tmp_path}/x*.csv", tmp_path / "empty"], PLANT)
    assert [problem.message for problem in caught.value.problems] == [
        "there is no such file",
        "no file matches",
        "the folder holds no exports",
    ]
    assert "march.csv' is meant" in str(caught.value)


def opened(tmp_path, text, plant, name="export.csv"):
    return open_exports([written(tmp_path, text, name)], plant)


def test_absent_tags_are_named_with_the_nearest_found(tmp_path):
    exports = opened(tmp_path, ROWS.replace("CAKE", "BFP1.CAKE.TS"), a_plant("FLOW", "BFP1_CAKE_TS"))
    with pytest.raises(InputError) as caught:
        require_tags(exports, (plant := a_plant("FLOW", "BFP1_CAKE_TS")), plant.presses)
    assert str(caught.value) == (
        "plant.toml, press BFP-1, tags.BFP1_CAKE_TS: the tag 'BFP1_CAKE_TS' is in none of the exports; found "
        "BFP1.CAKE.TS, which no tag of the plant file names. To do: perhaps 'BFP1.CAKE.TS' is meant."
    )


def test_a_plant_of_which_nothing_is_there_is_one_sentence(tmp_path):
    plant = a_plant("FEED_FLOW", "CAKE_TS")
    exports = opened(tmp_path, ROWS.replace("FLOW", "FEEDFLOW"), plant)
    with pytest.raises(InputError) as caught:
        require_tags(exports, plant, plant.presses)
    assert len(caught.value.problems) == 1
    assert str(caught.value).startswith(
        "export.csv: none of the tags of BFP-1 is in the files; found FEEDFLOW, CAKE; expected FEED_FLOW, CAKE_TS. "
        "To do: near by are FEEDFLOW"
    )


def test_a_state_that_never_changed_may_be_missing_from_a_long_file(tmp_path):
    plant = a_plant("FLOW", states=("TRIP",))
    long = opened(tmp_path, "Time,Tag,Value\n2026-02-01 00:00,FLOW,1.5\n", plant)
    require_tags(long, plant, plant.presses)
    wide = opened(tmp_path, "Time,FLOW\n2026-02-01 00:00,1.5\n", plant)
    with pytest.raises(InputError, match="the tag 'TRIP' is in none of the exports"):
        require_tags(wide, plant, plant.presses)


def test_tags_far_inside_a_large_long_file_are_found(tmp_path):
    plant = a_plant("FLOW", "CAKE")
    times = pd.date_range("2026-02-01", periods=20_000, freq="s").strftime("%Y-%m-%d %H:%M:%S")
    lines = [f"{time},FLOW,1.5\n" for time in times]
    lines.insert(12_345, f"{times[0]},CAKE,20\n")
    exports = opened(tmp_path, "Time,Tag,Value\n" + "".join(lines), plant)
    require_tags(exports, plant, plant.presses)
    assert set(exports[0].tags) == {"FLOW", "CAKE"}


def feed(unit, factor, low, high):
    return Tag("feed_flow", "FLOW", "feed_flow_m3_h", unit, "m3/h", "analog", factor=factor, range=(low, high))


def checked(tmp_path, values, tag, header="Time,FLOW"):
    times = pd.date_range("2026-02-01", periods=len(values), freq="min").strftime("%Y-%m-%d %H:%M")
    text = header + "\n" + "".join(f"{time},{value}\n" for time, value in zip(times, values, strict=True))
    plant = a_plant(more_tags=(tag,))
    return [problem.sentence() for problem in check_exports(opened(tmp_path, text, plant), plant, plant.presses)]


def test_readings_out_of_range_are_told_with_their_share(tmp_path):
    assert checked(tmp_path, [50.0] * 90 + [300.0] * 10, feed("m3/h", 1.0, 0, 250)) == [
        "plant.toml, press BFP-1, tags.feed_flow: FLOW leaves its instrument range; found 10.0 % of 100 readings "
        "outside; expected 0 to 250 m3/h. To do: correct the range or the unit; readings outside it are left out of "
        "the figures."
    ]


def test_a_unit_that_cannot_be_is_told_with_the_factor_that_explains_it(tmp_path):
    (sentence,) = checked(tmp_path, np.full(50, 300.0), feed("m3/h", 1.0, 0, 500))
    assert "the unit of FLOW is hardly right; found a usual reading of 300 m3/h" in sentence
    assert "a factor of 4.403 (m3/h read as gal/min, or the reverse) would explain it" in sentence


def test_a_unit_stated_in_the_export_is_compared(tmp_path):
    (sentence,) = checked(tmp_path, np.full(50, 30.0), feed("m3/h", 1.0, 0, 500), header="Time,FLOW (gpm)")
    assert sentence == (
        "export.csv, press BFP-1, tags.feed_flow: FLOW is exported in another unit than the plant file says; found "
        "gpm; expected m3/h. To do: set the unit in the plant file to that of the export."
    )


def test_a_plant_file_that_fits_its_exports_has_no_problem(tmp_path):
    assert checked(tmp_path, [50.0] * 99 + ["Bad"], feed("m3/h", 1.0, 0, 250)) == []


def test_kelvin_is_not_taken_for_degrees_celsius(tmp_path):
    tag = Tag("feed_temperature", "FLOW", "feed_temperature_degc", "degC", "degC", "analog", factor=1.0)
    (sentence,) = checked(tmp_path, np.full(50, 18.0), tag, header="Time,FLOW (K)")
    assert "FLOW is exported in another unit than the plant file says; found K" in sentence


def test_what_is_kept_for_the_median_stays_small_and_speaks_for_all_readings():
    readings = Readings()
    for level in np.repeat([10.0, 30.0, 20.0], 400):  # 1,200 blocks: the median is that of all, not of the last
        readings.add(np.full(5000, level), None)
    held = sum((each if each.base is None else each.base).nbytes for each in readings.kept)
    assert readings.count == 6_000_000 and held < 500_000
    assert readings.median_when_on() == 20.0
    readings = Readings()
    for level in np.repeat([10.0, 30.0], [700, 500]):
        readings.add(np.full(5000, level), None)
    assert readings.median_when_on() == 10.0
