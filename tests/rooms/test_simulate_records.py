"""Meters, faults, bench and files of the invented plant: what is on record differs from the truth as it should."""

import gzip
import hashlib
import json
import shutil
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated import lived_press

from trendkit.errors import InputError
from trendkit.plant import load_plant
from trendkit.simulate import SCENARIOS, sample, scenario_named, simulate, write
from trendkit.simulate.bench import CAKE_NOISE_PCT, TS_NOISE, TSS_NOISE
from trendkit.simulate.export_files import Clock, write_exports
from trendkit.simulate.faults import FAULTS, InstrumentFault, draw_faults
from trendkit.simulate.meters import full_meters
from trendkit.simulate.record import record
from trendkit.simulate.shapes import SHAPES
from trendkit.simulate.truth_files import faults_table

CONTRACT_FAULTS = (
    "gap", "bad_quality", "frozen", "spike", "out_of_range", "offset", "drift", "clock_shift", "duplicate",
    "text_value", "counter_reset", "unit_suspect",
)  # fmt: skip
USUAL = {"feed_flow": 20.0, "filtrate_flow": 33.0, "polymer_flow": 1400.0, "washwater_flow": 11.0}


def recorded(*faults, units="si", scenario="clean", days=7):
    meters = full_meters("BFP1", units, False, USUAL)
    return record(lived_press(scenario, days), meters, faults, 3, 60.0, 2, has_slips=False)


def fault(name, tag="BFP1_FEED_TS", day=1, from_hour=10.0, hours=3.0, size=0.0):
    begin = day * 86400.0 + from_hour * 3600.0
    return InstrumentFault(tag, "feed_solids", name, begin, begin + hours * 3600.0, size)


def numbers(press, tag="BFP1_FEED_TS"):
    return press.spoilt.readings[tag].numbers


def spoilt_by(*faults):
    """Return clean readings, spoilt readings and the rows of the first fault."""
    clean, spoilt = recorded(), recorded(*faults)
    seconds = spoilt.spoilt.seconds
    rows = (seconds >= faults[0].start_s) & (seconds < faults[0].end_s)
    return clean, spoilt, rows


# --- meters ---------------------------------------------------------------------------------------------


def test_readings_scatter_and_lean_as_stated():
    press = recorded()
    table = press.lived.table
    pressing = (table["phase"] == "pressing").to_numpy()
    true = table["feed_solids_pct"].to_numpy()[pressing]
    ratio = numbers(press)[pressing] / true
    assert abs(ratio.mean() - 1.0) < 3 * 0.012
    assert 0.006 < ratio.std() < 0.02
    assert numbers(press, "BFP1_FEED_FLOW")[~pressing].min() == 0.0


def test_readings_keep_to_their_resolution():
    for meter, readings in ((r.meter, r) for r in recorded().spoilt.readings.values() if r.texts is None):
        assert np.allclose(readings.numbers, np.round(readings.numbers, meter.decimals), atol=1e-12), meter.tag


def test_us_tags_show_the_same_plant_in_other_units():
    si, us = recorded(), recorded(units="us")
    assert numbers(us, "BFP1_FEED_FLOW").max() == pytest.approx(
        numbers(si, "BFP1_FEED_FLOW").max() * 4.402868, rel=0.01
    )
    assert numbers(us, "BFP1_FEED_TEMP").max() == pytest.approx(
        numbers(si, "BFP1_FEED_TEMP").max() * 1.8 + 32.0, rel=0.01
    )


def test_a_drive_sensor_does_not_see_slip_and_a_belt_sensor_does():
    press = lived_press("upsets", 28, 1)
    slip = press.upsets[press.upsets["cause"] == "belt_slip"].iloc[0]
    inside = (press.table.index >= slip["start"]) & (press.table.index < slip["applied_until"])
    readings = {}
    for place in ("drive", "belt"):
        meters = [m for m in full_meters("P", "si", False, USUAL, place) if m.role.startswith("pressure_belt")]
        made = record(press, tuple(meters), (), 1, 60.0, 2, has_slips=False)
        setpoint = made.spoilt.readings["P_PRES_SP"].numbers
        readings[place] = np.median((made.spoilt.readings["P_PRES_SPEED"].numbers / setpoint)[inside])
    assert readings["drive"] == pytest.approx(1.0, abs=0.02)
    assert readings["belt"] < 0.93


def test_counters_only_grow_and_end_at_the_total():
    press = recorded()
    total = numbers(press, "BFP1_CAKE_TOTAL")
    assert (np.diff(total) >= 0.0).all()
    true = press.lived.table["wet_cake_kg_h"].sum() / 60.0
    assert total[-1] == pytest.approx(true, rel=0.03)


# --- faults ---------------------------------------------------------------------------------------------


def test_the_faults_are_those_of_the_contract():
    assert sorted(FAULTS) == sorted(CONTRACT_FAULTS)


def test_every_fault_is_dealt_where_the_export_has_a_quality_column():
    meters = full_meters("BFP1", "si", False, USUAL)
    tags = {meter.tag: meter.role for meter in meters if meter.kind != "state"}
    pressing = np.repeat((lived_press("clean", 28).table["phase"] == "pressing").to_numpy(), 60)
    dealt = {
        has_quality: draw_faults(tags, 14.0, has_quality, pressing, np.random.default_rng(1))
        for has_quality in (True, False)
    }
    assert {fault.fault for fault in dealt[True]} == set(CONTRACT_FAULTS)
    assert {fault.fault for fault in dealt[False]} == {*CONTRACT_FAULTS} - {"bad_quality"}
    assert SHAPES[SCENARIOS["faults-long"].shape].quality
    for fault in dealt[True]:
        assert fault.tag in {*tags, "*"} and pressing[int(fault.start_s)]
        assert 0.0 <= fault.start_s < fault.end_s <= 28 * 86400.0


def test_the_truth_names_tag_role_and_span_of_every_fault_put_in():
    begin = pd.Timestamp("2026-02-02 07:00", tz="UTC")  # midnight in Denver
    row = faults_table([recorded(fault("frozen"))]).iloc[0]
    assert row[["press", "tag", "role", "fault"]].tolist() == ["bfp-1", "BFP1_FEED_TS", "feed_solids", "frozen"]
    assert row["start"] == begin + pd.Timedelta(hours=34) and row["end"] == row["start"] + pd.Timedelta(hours=3)


@pytest.mark.parametrize("name", CONTRACT_FAULTS)
def test_a_fault_changes_its_own_rows_alone(name):
    tag = "BFP1_CAKE_TOTAL" if name == "counter_reset" else "BFP1_FEED_TS"
    clean, spoilt, rows = spoilt_by(
        fault(name, tag=tag, size=2.0 if name == "spike" else 20.0 if name == "clock_shift" else 0.2)
    )
    same = np.isclose(numbers(clean, tag), numbers(spoilt, tag), equal_nan=True)
    after = np.arange(len(rows)) >= np.argmax(rows)
    touched = after if name == "counter_reset" else rows
    assert same[~touched].all()
    if name not in ("duplicate", "text_value"):
        assert not same[touched].all()


def test_each_fault_looks_like_its_name():
    assert np.isnan(numbers(spoilt_by(fault("gap"))[1])[spoilt_by(fault("gap"))[2]]).all()
    clean, frozen, rows = spoilt_by(fault("frozen"))
    assert np.unique(numbers(frozen)[rows]).size == 1 < np.unique(numbers(clean)[rows]).size
    clean, drifted, rows = spoilt_by(fault("drift", size=0.3))
    share = (numbers(drifted) / numbers(clean))[rows]
    assert share[0] == pytest.approx(1.0, abs=0.01) and share[-1] == pytest.approx(1.3, abs=0.01)
    _, texts, rows = spoilt_by(fault("text_value"))
    assert sorted(texts.spoilt.texts["BFP1_FEED_TS"]) == np.flatnonzero(rows).tolist()
    clean, late, rows = spoilt_by(fault("clock_shift", size=20.0))
    assert np.allclose(numbers(late)[rows], numbers(clean)[np.flatnonzero(rows) - 20])


# --- bench ----------------------------------------------------------------------------------------------


def test_grabs_scatter_about_the_truth_of_their_minute():
    press = recorded(days=28)
    table, sheet = press.lived.table, press.sheet.assign(number=press.sheet["value"].astype(float))
    columns = {"feed": "feed_solids_pct", "cake": "cake_solids_pct", "filtrate": "filtrate_tss_mg_l"}
    errors = {}
    for point, column in columns.items():
        rows = sheet[sheet["point"] == point]
        errors[point] = rows["number"].to_numpy() - table.loc[rows["sampled_at"], column].to_numpy()
        errors[point] = errors[point] / (1.0 if point == "cake" else table.loc[rows["sampled_at"], column].to_numpy())
    assert errors["feed"].std() == pytest.approx(TS_NOISE, rel=0.5)
    assert errors["filtrate"].std() == pytest.approx(TSS_NOISE, rel=0.5)
    assert errors["cake"].std() == pytest.approx(CAKE_NOISE_PCT, rel=0.6)


def test_clerical_slips_are_few_and_of_the_usual_kinds():
    press = lived_press("faults", 28)
    meters = full_meters("BFP1", "si", False, USUAL)
    honest = record(press, meters, (), 3, 60.0, 12, has_slips=False).sheet
    sheet = record(press, meters, (), 3, 60.0, 12, has_slips=True).sheet
    right, found, notes = (column.tolist() for column in (honest["value"], sheet["value"], sheet["note"]))
    wrong = [row for row, value in enumerate(found) if value != right[row]]
    assert 0.003 < len(wrong) / len(found) < 0.06
    kinds = set()
    for row in wrong:
        is_ten_times = found[row] not in ("", f"<{right[row]}") and found[row] == f"{10.0 * float(right[row]):g}"
        is_swapped = found[row] in (right[row - 1], right[min(row + 1, len(right) - 1)])
        kind = (found[row] == "" and notes[row] == "spilt", found[row] == f"<{right[row]}", is_ten_times, is_swapped)
        assert any(kind), (found[row], right[row])
        kinds.add(kind.index(True))
    assert kinds == {0, 1, 2, 3}


# --- files ----------------------------------------------------------------------------------------------


def digest(folder: Path, names: str = "*") -> dict[str, str]:
    files = sorted(path for path in folder.rglob(names) if path.is_file())
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def test_the_same_seed_writes_the_same_bytes_and_another_does_not(tmp_path):
    first, again, other = (tmp_path / name for name in ("first", "again", "other"))
    for folder, seed in ((first, 5), (again, 5), (other, 6)):
        simulate(folder, 3, seed, "ordinary")
    assert digest(first) == digest(again)
    assert digest(first)["lab.csv"] != digest(other)["lab.csv"]


@settings(max_examples=4, deadline=None)
@given(st.sampled_from(sorted(SCENARIOS)), st.integers(0, 10_000))
def test_any_scenario_and_seed_writes_the_same_bytes_again(scenario, seed):
    with TemporaryDirectory() as folder:
        made = [simulate(Path(folder) / name, 1, seed, scenario).folder for name in ("first", "again")]
        assert digest(made[0]) == digest(made[1])


def test_an_invented_plant_replaces_an_invented_plant_and_nothing_else(tmp_path):
    simulate(tmp_path / "made", 1, 1, "clean")
    (tmp_path / "made" / "notes.txt").write_text("mine")
    simulate(tmp_path / "made", 2, 2, "clean-bare")
    simulate(tmp_path / "fresh", 2, 2, "clean-bare")
    assert digest(tmp_path / "made") == digest(tmp_path / "fresh") | digest(tmp_path / "made", "notes.txt")
    real = tmp_path / "real"
    (real / "exports").mkdir(parents=True)
    (real / "exports" / "march.csv").write_text("Time,FEED\n")
    (real / "plant.toml").write_text("[plant]\n")
    before = digest(real)
    with pytest.raises(InputError, match=r"what may be a real one; found exports, plant\.toml in"):
        simulate(real, 2, 2, "clean")
    with pytest.raises(InputError, match="which is a file"):
        simulate(real / "plant.toml", 2, 2, "clean")
    assert digest(real) == before


def test_a_plant_that_cannot_be_written_leaves_nothing_behind(tmp_path, monkeypatch):
    def full_disk(*_):
        raise OSError("no space left on device")

    monkeypatch.setattr(write, "write_truth", full_disk)
    with pytest.raises(OSError, match="no space"):
        simulate(tmp_path, 1, 1, "clean")
    assert not list(tmp_path.iterdir())


def test_the_contracts_files_are_there_and_the_plant_file_is_valid(tmp_path):
    plant = simulate(tmp_path, 2, 5, "two-presses", shape="wide-csv")
    names = {"series.parquet", "upsets.csv", "faults.csv", "tuning.json", "other_events.csv"}
    assert {path.name for path in plant.truth.iterdir()} == names
    assert len(plant.exports) == 2 and plant.lab.is_file()
    assert [press.slug for press in load_plant(plant.plant).presses] == ["bfp-1", "bfp-2"]
    series = pd.read_parquet(plant.truth / "series.parquet")
    assert str(series["time"].dt.tz) == "UTC" and series["press"].nunique() == 2
    truth = json.loads((plant.truth / "tuning.json").read_text())
    assert truth["low"] <= truth["best_gravity_belt_speed_m_min"] <= truth["high"]
    assert len(truth["presses"]) == 2


def test_every_scenario_has_one_line_and_a_bare_form():
    for name, scenario in SCENARIOS.items():
        assert scenario.summary and len(scenario.summary) < 100
        assert name.endswith("-bare") == (scenario.depth == "bare")
        assert name.removesuffix("-bare") in SCENARIOS and f"{name.removesuffix('-bare')}-bare" in SCENARIOS


def test_a_full_plant_may_be_asked_for_by_that_word():
    assert scenario_named("interior-full") is scenario_named("interior") is SCENARIOS["interior"]
    assert scenario_named("interior", "bare") is SCENARIOS["interior-bare"]


def test_a_bare_plant_has_four_tags_and_a_fixed_strength(tmp_path):
    plant = simulate(tmp_path, 3, 5, "clean-bare")
    header = plant.exports[0].read_text().splitlines()[0].split(",")
    assert len(header) == 5
    press = load_plant(plant.plant).presses[0]
    assert set(press.tags) == {"feed_flow", "polymer_flow", "gravity_belt_speed", "pressure_belt_speed"}
    assert {"polymer_strength"} <= set(press.fixed)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        ({"scenario": "sunday"}, ("there is no such scenario", "ordinary", "confounded-bare")),
        ({"scenario": "ordinry"}, ("did you mean ordinary",)),
        ({"days": 0}, ("too few days",)),
        ({"every_s": 7.0}, ("multiple of 10 s",)),
        ({"every_s": 7200.0}, ("--every", "found 7200 s", "up to 1 h")),
        ({"days": 0, "shape": "papyrus"}, ("too few days", "no such export shape")),
        ({"shape": "papyrus"}, ("no such export shape", "wide-csv")),
        ({"start": "2026-02-31"}, ("not a day",)),
    ],
)
def test_an_impossible_call_lists_what_is_possible_and_writes_nothing(tmp_path, call, words):
    with pytest.raises(InputError) as caught:
        simulate(tmp_path / "plant", **({"days": 3, "seed": 1} | call))
    for word in words:
        assert word in str(caught.value)
    assert not (tmp_path / "plant").exists()


def read_back(path: Path, shape: str) -> pd.Series:
    """Return the feed flow of an export as pandas sees it, without any reader of the package."""
    kind = SHAPES[shape]
    if kind.container == "parquet":
        table = pd.read_parquet(path)
    elif kind.container == "xlsx":
        table = pd.read_excel(path, engine="openpyxl")
    else:
        source = pa.input_stream(path, compression="zstd") if path.suffix == ".zst" else path
        skip = 3 if kind.has_preamble else kind.header_rows - 1
        table = pd.read_csv(source, sep=kind.delimiter, decimal=kind.decimal, encoding=kind.encoding, skiprows=skip)
    if kind.layout == "long":
        table = table[table["tag"] == "BFP1_FEED_FLOW"].rename(columns={"value": "BFP1_FEED_FLOW"})
    return pd.to_numeric(table["BFP1_FEED_FLOW"], errors="coerce").dropna().reset_index(drop=True)


def test_every_shape_holds_the_same_readings(tmp_path):
    press = recorded(days=1)
    clock, wanted = Clock("America/Denver"), None
    for shape, kind in SHAPES.items():
        write_exports(tmp_path / shape, "bfp-1", press.spoilt, press.lived.history.grid, kind, clock)
        written = sorted((tmp_path / shape).iterdir())
        path = next(path for path in written if shape != "tag-files" or path.name.endswith("_BFP1_FEED_FLOW.csv"))
        flow = read_back(path, shape)
        wanted = flow if wanted is None else wanted
        if shape == "pairs-csv":  # changes alone
            assert set(flow) <= set(wanted) and len(flow) < len(wanted)
        else:
            assert np.allclose(flow, wanted), shape


def test_changes_only_exports_leave_out_what_stays_within_the_deadband(tmp_path):
    dense = simulate(tmp_path / "dense", 3, 5, "changes-only", shape="wide-csv")
    sparse = simulate(tmp_path / "sparse", 3, 5, "changes-only")
    full = pd.read_csv(dense.exports[0]).set_index("Time")["BFP1_FEED_FLOW"]
    rows = pd.read_csv(sparse.exports[0])
    kept = rows[rows["tag"] == "BFP1_FEED_FLOW"].set_index("time")["value"].astype(float)
    assert len(kept) < 0.6 * len(full)
    assert (full[kept.index] == kept).all()
    held = kept.reindex(full.index).ffill()
    deadband = (full - held).abs().max()
    assert 0.01 <= deadband < 0.01 * full.max()
    assert (kept.diff().abs().dropna() > deadband).all()


def test_an_export_of_another_clock_is_stamped_by_it_and_the_plant_file_sets_it_right(tmp_path):
    plant = simulate(tmp_path, 2, 5, "other-clock")
    first = pd.Timestamp(pd.read_csv(plant.exports[0])["Time"].iloc[0], tz="UTC")
    assert first == plant.start_utc + pd.Timedelta(seconds=90)
    (source,) = load_plant(plant.plant).sources
    assert source.timezone == "UTC" and source.shift_clock_s == -90.0


def test_a_month_of_ten_second_readings_is_written_within_its_time(tmp_path):
    begin = time.perf_counter()
    plant = simulate(tmp_path, 31, 5, "ordinary", every_s=10.0)
    took = time.perf_counter() - begin
    with plant.exports[1].open() as lines:
        assert sum(1 for _ in lines) > 60_000
    assert took < 20.0


def test_the_sample_plant_in_the_repository_is_what_the_code_writes(tmp_path, monkeypatch):
    presses = sample.sample_plant()  # lived through once for both
    monkeypatch.setattr(sample, "sample_plant", lambda: presses)
    sample.write_sample_truth(tmp_path / "truth")
    kept_truth = Path(__file__).parents[1] / "data" / "sample_truth"
    for name in ("upsets.csv", "other_events.csv", "faults.csv"):
        assert (kept_truth / name).read_text() == (tmp_path / "truth" / name).read_text(), name
    shutil.rmtree(tmp_path / "truth")
    folder = Path(__file__).parents[2] / "sample_exports"
    sample.write_sample_exports(tmp_path)
    kept, made = digest(folder), digest(tmp_path)
    assert set(kept) == set(made)
    for name in kept:
        if name.endswith(".gz"):  # the same text whatever the compressor
            assert gzip.decompress((folder / name).read_bytes()) == gzip.decompress((tmp_path / name).read_bytes()), (
                name
            )
        else:
            assert kept[name] == made[name], name
    assert sum(path.stat().st_size for path in folder.iterdir()) < 10_000_000
