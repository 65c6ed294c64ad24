"""What goes into the archive comes out of it once, however files overlap, repeat or contradict each other."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from archive_files import files_of, ingested, kept, plant_at, written_export, written_sheet
from exports_files import a_plant, a_tag, written
from hypothesis import given
from hypothesis import strategies as st

from trendkit.archive import parts, read_archive
from trendkit.archive.readings import NOTHING, Readings, merged
from trendkit.errors import InputError
from trendkit.exports import BAD, GOOD, ReadLog, open_exports, read_blocks
from trendkit.plant.model import Source

DAY = 1440


def test_ingesting_the_same_files_again_changes_no_byte(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    export = written_export(tmp_path / "a.csv", "2026-02-27", 4 * DAY)
    sheet = written_sheet(tmp_path / "lab.csv", "2026-02-27 08:00,BFP-1,feed,TS,3.1,%,")
    first = ingested(plant, export, sheets=[sheet])
    assert (first.new, first.known, first.conflicting) == (4 * DAY * 7 + 1, 0, 0)
    before = files_of(plant) | {"manifest": (plant.archive / "manifest.json").read_bytes()}
    again = ingested(plant, export, sheets=[sheet])
    assert (again.new, again.known, again.conflicting, again.parts_written) == (0, first.new, 0, 0)
    assert [file.was_known for file in again.files] == [True, True]
    assert files_of(plant) | {"manifest": (plant.archive / "manifest.json").read_bytes()} == before


def test_a_copy_under_another_name_is_the_same_file(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    export = written_export(tmp_path / "a.csv", "2026-02-27", 60)
    copy = written(tmp_path, export.read_bytes(), "b.csv")
    report = ingested(plant, export, copy)
    assert [file.was_known for file in report.files] == [False, True]
    assert report.new == report.known == 60 * 7


def test_a_week_of_a_press_has_a_folder_of_its_own_and_common_or_unknown_tags_are_shared(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    ingested(plant, written_export(tmp_path / "a.csv", "2026-02-27", 4 * DAY))
    folders = {path.rsplit("/", 1)[0].removeprefix("observations/") for path in files_of(plant)}
    presses = ("bfp-1", "bfp-2", "_shared")
    assert folders == {f"press={press}/week={week}" for press in presses for week in ("2026-02-23", "2026-03-02")}
    shared = next(path for path in plant.archive.rglob("*.parquet") if "_shared" in str(path))
    table = pq.read_table(shared, partitioning=None)
    assert table.column_names == ["tag", "time", "value", "quality", "text"]
    assert str(table.schema.field("time").type) == "timestamp[us, tz=UTC]"
    assert set(table["tag"].to_pylist()) == {"WASH", "SPARE", "SPARE_WORD"}
    frame = table.select(["tag", "time"]).to_pandas()
    assert frame.equals(frame.sort_values(["tag", "time"], ignore_index=True))


def test_overlapping_files_give_the_same_bytes_as_one_whole_file_in_any_order(tmp_path: Path) -> None:
    spans = {"a.csv": ("2026-02-27", 2 * DAY), "b.csv": ("2026-02-28 12:00", 2 * DAY), "c.csv": ("2026-02-27", DAY)}
    files = [written_export(tmp_path / name, *span) for name, span in spans.items()]
    whole = written_export(tmp_path / "whole.csv", "2026-02-27", 5 * DAY // 2 + DAY)
    made = {}
    for order in ([whole], files, files[::-1], [files[1], files[2], files[0]]):
        folder = tmp_path / f"plant{len(made)}"
        folder.mkdir()
        plant = plant_at(folder)
        reports = [ingested(plant, file) for file in order]
        assert sum(report.conflicting for report in reports) == 0
        assert sum(report.new for report in reports) == (5 * DAY // 2 + DAY) * 7
        made[len(made)] = files_of(plant)
    assert made[0] == made[1] == made[2] == made[3]


def test_of_two_values_for_one_time_the_last_good_one_stays_and_both_are_told(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    ingested(plant, written_export(tmp_path / "a.csv", "2026-02-27", 10, {"SOLIDS": {5: "I/O Timeout"}}))
    changes = {"FLOW": {3: "99.5", 4: "Bad"}, "SOLIDS": {5: "7.5", 6: ""}, "RUN": {7: "STANDBY"}}
    second = ingested(plant, written_export(tmp_path / "b.csv", "2026-02-27", 10, changes))
    assert (second.new, second.known, second.conflicting) == (0, 10 * 7 - 5, 4)
    source = second.files[0].source
    assert "FLOW at 2026-02-27 00:03:00 UTC: the file has 99.5; the value before counts no more" in source.conflicts
    stays = next(line for line in source.conflicts if "00:04" in line)
    assert stays.startswith("FLOW at 2026-02-27 00:04:00 UTC: the file has no value (bad); ") and "stays" in stays
    rows = kept(plant).set_index(["tag", "time"])["cell"]
    minute = pd.Timestamp("2026-02-27", tz="UTC").timestamp() * 1e6
    assert rows["FLOW", minute + 3 * 60e6] == 99.5
    assert rows["FLOW", minute + 4 * 60e6] == pytest.approx(40, abs=5.1)
    assert rows["SOLIDS", minute + 5 * 60e6] == 7.5
    assert rows["SOLIDS", minute + 6 * 60e6] == pytest.approx(3.0, abs=0.21)
    assert rows["RUN", minute + 7 * 60e6] == "STANDBY"


def test_files_of_one_call_that_contradict_each_other_do_not_depend_on_the_order_given(tmp_path: Path) -> None:
    one = written_export(tmp_path / "a.csv", "2026-02-27", 10)
    two = written_export(tmp_path / "b.csv", "2026-02-27 00:05", 10, {"FLOW": {2: "99.5"}})
    made = []
    for number, order in enumerate(([one, two], [two, one])):
        (tmp_path / f"plant{number}").mkdir()
        plant = plant_at(tmp_path / f"plant{number}")
        assert ingested(plant, *order).conflicting == 1
        made.append(files_of(plant))
    assert made[0] == made[1]


def test_a_tag_the_plant_file_names_only_later_is_there_already_as_words_or_numbers(tmp_path: Path) -> None:
    export = written_export(tmp_path / "a.csv", "2026-02-27", 10)
    ingested(plant_at(tmp_path), export)
    later = plant_at(tmp_path, a_tag("spare"), a_tag("SPARE_WORD", "state"))
    found = kept(later).groupby("tag")["cell"].agg(list)
    assert found["spare"][0] == pytest.approx(float(export.read_text().splitlines()[1].split(",")[6]))
    assert set(found["SPARE_WORD"]) <= {"OPEN", "SHUT"}
    assert ingested(later, export).files[0].was_known


def test_a_tag_asked_for_as_another_kind_than_it_was_kept_is_turned_into_it(tmp_path: Path) -> None:
    plant = plant_at(tmp_path, a_tag("SWITCH", "state"), a_tag("CODE"))
    export = written(tmp_path, "Time,SWITCH,CODE\n2026-03-01 00:00:00,1,2\n2026-03-01 00:01:00,auto,3.5\n")
    ingested(plant, export)
    (week,) = (week for week in read_archive(plant).weeks if "SWITCH" in week.tags)
    log = ReadLog()
    wanted = {"SWITCH": a_tag("SWITCH"), "CODE": a_tag("CODE", "state")}
    values, texts, quality = {}, {}, {}
    for block in read_blocks(week, plant, wanted, log):
        values |= block.values
        texts |= block.texts
        quality |= block.quality
    assert values["SWITCH"].tolist()[0] == 1.0
    assert np.isnan(values["SWITCH"][1])
    assert quality["SWITCH"].tolist() == [GOOD, BAD]
    assert log.texts == {"SWITCH": {"auto": 1}}
    assert texts["CODE"].tolist() == ["2", "3.5"]


def test_a_long_file_brings_all_its_tags_also_those_that_come_late(tmp_path: Path) -> None:
    plant = a_plant("FLOW", timezone="UTC", archive=tmp_path / "archive")
    times = pd.date_range("2026-03-01", periods=30_000, freq="s")
    rows = [f"{time},FLOW,{row % 7}" for row, time in enumerate(times)]
    late = [f"{time},RARE,{row}" for row, time in enumerate(times[20_000:20_050])]
    export = written(tmp_path, "time,tag,value\n" + "\n".join([*rows[:20_050], *late, *rows[20_050:]]) + "\n")
    assert open_exports([export], plant)[0].tags == ("FLOW",)
    report = ingested(plant, export)
    assert report.new == 30_050
    assert report.files[0].source.rows == 30_050
    assert kept(plant)["tag"].value_counts().to_dict() == {"FLOW": 30_000, "RARE": 50}
    assert ingested(plant, export).files[0].was_known


def test_rows_refused_are_counted_with_their_line_and_why(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    export = written_export(tmp_path / "a.csv", "2026-02-27", 50)
    lines = export.read_text().splitlines()
    lines[20] = "no time at all" + lines[20][19:]
    export.write_text("\n".join(lines) + "\n")
    source = ingested(plant, export).files[0].source
    assert (source.rows, source.refused) == (50, 1)
    assert source.refusals[0][0] == 21
    remembered = json.loads((plant.archive / "manifest.json").read_text())["archive"]["sources"][0]
    assert (remembered["file"], remembered["rows"], remembered["refused"]) == ("a.csv", 50, 1)
    assert len(remembered["sha256"]) == 64


def test_a_file_that_cannot_be_used_leaves_the_archive_as_it_was(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    ingested(plant, written_export(tmp_path / "a.csv", "2026-02-27", 10))
    before = files_of(plant) | {"manifest": (plant.archive / "manifest.json").read_bytes()}
    good = written_export(tmp_path / "b.csv", "2026-02-28", 10)
    times = pd.date_range("2026-03-02", periods=20_000, freq="s")
    rows = [f"{time},FLOW,{row % 7},{'SULKING' if row == 9_990 else 192}" for row, time in enumerate(times)]
    spoilt = written(tmp_path, "time,tag,value,quality\n" + "\n".join(rows) + "\n", "c.csv")
    with pytest.raises(InputError, match=r"c\.csv.*SULKING"):
        ingested(plant, good, spoilt)
    assert files_of(plant) | {"manifest": (plant.archive / "manifest.json").read_bytes()} == before
    assert not (plant.archive / "staging").exists()


def test_a_file_ingested_before_is_refused_when_its_clock_is_now_read_otherwise(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    export = written_export(tmp_path / "a.csv", "2026-02-27", 10)
    ingested(plant, export)
    moved = replace(plant, sources=(Source("a.csv", shift_clock_s=60.0),))
    with pytest.raises(InputError, match=r"a\.csv: the file was ingested before, read in another way; found .*60 s"):
        ingested(moved, export)


def test_an_export_in_another_unit_than_the_archive_has_is_refused(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    for name, unit in (("a.csv", "gpm"), ("b.csv", "m3/h")):
        rows = "\n".join(f"2026-03-0{1 if unit == 'gpm' else 2} 00:0{minute}:00,{minute}" for minute in range(5))
        written(tmp_path, f"Time,FLOW ({unit})\n{rows}\n", name)
    assert open_exports([tmp_path / "a.csv"], plant)[0].units == {"FLOW": "gpm"}
    ingested(plant, tmp_path / "a.csv")
    with pytest.raises(InputError, match=r"b\.csv: the unit of FLOW differs from that in the archive; found m3/h"):
        ingested(plant, tmp_path / "b.csv")


def test_a_press_and_week_are_read_without_touching_the_rest(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    ingested(plant, written_export(tmp_path / "a.csv", "2026-02-27", 4 * DAY))
    for path in plant.archive.rglob("*.parquet"):
        if "press=bfp-1/week=2026-03-02" not in path.as_posix():
            path.unlink()
    monday = pd.Timestamp("2026-03-02", tz="UTC")
    rows = kept(plant, ["FLOW"], start_utc=monday, end_utc=monday + pd.Timedelta(hours=1))
    assert len(rows) == 60


def test_many_stretches_of_days_hold_the_same_as_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    export = written_export(tmp_path / "a.csv", "2026-03-02", 9 * DAY)
    half = written_export(tmp_path / "b.csv", "2026-03-05 07:30", DAY)
    contents = []
    for size in (parts.STRETCH_READINGS, 12_000):
        monkeypatch.setattr(parts, "STRETCH_READINGS", size)
        folder = tmp_path / str(size)
        folder.mkdir()
        plant = plant_at(folder)
        for file in (half, export):
            ingested(plant, file)
        contents.append(kept(plant))
    pd.testing.assert_frame_equal(*contents)


def test_results_of_the_bench_are_kept_once_and_the_last_good_one_counts(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    feed, cake = "2026-02-27 08:00,BFP-1,feed,TS", "2026-02-27 09:00,BFP-1,cake,TS"
    ingested(plant, written_export(tmp_path / "a.csv", "2026-02-27", 10))
    ingested(plant, sheets=[written_sheet(tmp_path / "lab1.csv", f"{feed},3.1,%,", f"{cake},21.0,%,first")])
    later = written_sheet(
        tmp_path / "lab2.csv", f"{feed},99,%,slip", f"{cake},22.0,%,again", "2026-02-28 08:00,BFP-2,feed,TS,2.9,%,"
    )
    report = ingested(plant, sheets=[later])
    assert (report.new, report.known, report.conflicting) == (1, 0, 2)
    lab = read_archive(plant).lab
    assert lab is not None
    assert lab["value"].tolist() == [3.1, 22.0, 2.9]
    assert any("cake TS at 2026-02-27 09:00 UTC" in line for line in report.files[0].source.conflicts)


def test_replicates_of_one_sample_stay_two(tmp_path: Path) -> None:
    plant = plant_at(tmp_path)
    ingested(plant, written_export(tmp_path / "a.csv", "2026-02-27", 10))
    rows = ["2026-02-27 08:00,BFP-1,feed,TS,3.1,%,", "2026-02-27 08:00,BFP-1,feed,TS,3.3,%,"]
    ingested(plant, sheets=[written_sheet(tmp_path / "lab1.csv", *rows)])
    more = written_sheet(tmp_path / "lab2.csv", *rows, "2026-02-27 10:00,BFP-1,feed,TS,3.2,%,")
    assert ingested(plant, sheets=[more]).new == 1
    lab = read_archive(plant).lab
    assert lab is not None
    assert lab["value"].tolist() == [3.1, 3.3, 3.2]
    assert lab["is_suspect"].tolist() == [True, False, False]


def test_without_an_archive_the_message_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no file is named and the archive holds no reading.*trendkit ingest"):
        read_archive(plant_at(tmp_path))


reading = st.tuples(st.integers(0, 12), st.sampled_from([1.0, 2.0, None]), st.integers(0, 2))


def as_readings(cells: list[tuple[int, float | None, int]]) -> Readings:
    """Return one reading per time (the last one listed), a missing value being a bad text."""
    by_time = {time: (np.nan if value is None else value, 2 if value is None else q) for time, value, q in cells}
    times = sorted(by_time)
    values, quality = [by_time[t][0] for t in times], [by_time[t][1] for t in times]
    return Readings(np.array(times, np.int64), np.array(values, float), np.array(quality, np.uint8))


@given(st.lists(reading), st.lists(reading))
def test_merging_follows_the_rule_reading_by_reading(
    old: list[tuple[int, float | None, int]], new: list[tuple[int, float | None, int]]
) -> None:
    """Consistency check against the rule written as a dictionary."""
    before, fresh = as_readings(old), as_readings(new)
    whole, outcome = merged(before, fresh)
    rule = {t: (str(v), q) for t, v, q in zip(before.time_us, before.values, before.rated(), strict=True)}
    counts = {"new": 0, "known": 0, "conflicting": 0}
    for t, v, q in zip(fresh.time_us, fresh.values, fresh.rated(), strict=True):
        if t not in rule:
            counts["new"] += 1
            rule[t] = str(v), q
        elif rule[t] == (str(v), q):
            counts["known"] += 1
        else:
            counts["conflicting"] += 1
            if q <= rule[t][1]:
                rule[t] = str(v), q
    assert whole.time_us.tolist() == sorted(rule)
    got = [(str(v), q) for v, q in zip(whole.values, whole.rated(), strict=True)]
    assert got == [rule[t] for t in sorted(rule)]
    assert (outcome.new, outcome.known, len(outcome.conflicts_us)) == tuple(counts.values())
    again, nothing = merged(whole, whole)
    assert again is whole
    assert (nothing.new, len(nothing.conflicts_us)) == (0, 0)


def test_nothing_merged_with_nothing_is_nothing() -> None:
    assert len(merged(NOTHING, NOTHING)[0]) == 0


def test_a_long_file_is_an_input_of_the_presses_whose_tags_it_holds(tmp_path: Path) -> None:
    """It is searched for every tag of the plant, but lists only BFP-1's: the page of BFP-2 does not rest on it."""
    plant = plant_at(tmp_path)
    times = pd.date_range("2026-02-27", periods=60, freq="min").strftime("%Y-%m-%d %H:%M:%S")
    rows = [f"{time},{tag},40" for time in times for tag in ("FLOW", "SOLIDS")]
    long = written(tmp_path, "\n".join(["Time,Tag,Value", *rows]).encode(), "first.csv")
    other = written(tmp_path, "\n".join(["Time,FLOW2", *(f"{time},20" for time in times)]).encode(), "second.csv")
    ingested(plant, long, other)
    named = {
        press.slug: [each.file for each in read_archive(plant, (press,), None, None).inputs] for press in plant.presses
    }
    assert named == {"bfp-1": ["first.csv"], "bfp-2": ["second.csv"]}
