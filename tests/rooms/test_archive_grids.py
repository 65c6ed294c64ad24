"""A grid from the archive is the grid from the files, and is kept as long as nothing it rests on changes."""

import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from archive_files import ingested, plant_at, written_export
from exports_files import a_tag

from trendkit.archive import ArchivedWeek, read_archive
from trendkit.exports import open_exports
from trendkit.plant import load_plant
from trendkit.plant.model import Plant
from trendkit.series import PressGrid, build_grids, grids_from_archive, kept_grids, weighed_weeks

SAMPLES = Path(__file__).parents[2] / "sample_exports"
FIRST, LAST = pd.Timestamp("2026-02-26", tz="UTC"), pd.Timestamp("2026-03-02", tz="UTC")
END = LAST + pd.Timedelta(days=1)


def from_archive(
    plant: Plant, start: pd.Timestamp | None = None, end: pd.Timestamp | None = None
) -> dict[str, PressGrid]:
    grids, _ = grids_from_archive(read_archive(plant), plant, plant.presses, start, end)
    return grids


def assert_same(first: PressGrid, second: PressGrid, relative: float = 0.0) -> None:
    exact = {"check_exact": True} if relative == 0.0 else {"rtol": relative, "atol": 0.0}
    pd.testing.assert_frame_equal(first.roles, second.roles, check_freq=False, **exact)
    pd.testing.assert_frame_equal(first.good_s, second.good_s, check_freq=False, **exact)
    assert dict(first.basis) == dict(second.basis)
    assert first.findings == second.findings
    assert first.notes == second.notes
    assert (first.press, first.every_s) == (second.press, second.every_s)


@pytest.mark.parametrize("period", [(None, None), (FIRST, END), (END - pd.Timedelta(hours=20), END)])
def test_the_grid_from_the_archive_is_the_grid_from_the_files(
    tmp_path: Path, period: tuple[pd.Timestamp | None, pd.Timestamp | None]
) -> None:
    """A file a week: bit for bit, findings and notes included, bad cells, gaps and repeats among the readings."""
    plant = plant_at(tmp_path, a_tag("spare_word", "state"))
    bad = {"FLOW": dict.fromkeys(range(100, 130), "Bad") | {500: "4999"}, "SOLIDS": dict.fromkeys(range(900, 1000), "")}
    files = [
        written_export(tmp_path / "feb.csv", "2026-02-27", 3 * 1440, bad),
        written_export(tmp_path / "mar.csv", "2026-03-02", 1440),
    ]
    lines = files[1].read_text().splitlines()
    files[1].write_text("\n".join([*lines[:50], *lines[40:50], *lines[50:]]) + "\n")
    straight, inputs = build_grids(open_exports(files, plant), plant, plant.presses, *period)
    ingested(plant, *files)
    archive = read_archive(plant, None, *period)
    again, listed = grids_from_archive(archive, plant, plant.presses, *period)
    for slug, grid in straight.items():
        assert_same(again[slug], grid)
    assert {"bad_quality", "text_value", "duplicate"} & {each.fault for each in straight["bfp-1"].findings}
    told = [(each.file, each.sha256, each.rows, each.refused) for each in listed]
    assert told == [(each.file, each.sha256, each.rows, each.refused) for each in inputs][-len(told) :]


def test_the_sample_exports_give_the_same_grids_from_the_archive(tmp_path: Path) -> None:
    """Daily files and weekly parts are summed in other pieces: the last binary digit may differ, nothing else."""
    for path in SAMPLES.iterdir():
        shutil.copy(path, tmp_path)
    plant = load_plant(tmp_path / "plant.toml")
    files = sorted(tmp_path.glob("bfp-*.csv.gz"))
    straight, inputs = build_grids(open_exports(files, plant), plant, plant.presses, None, None)
    ingested(plant, *files)
    again, listed = grids_from_archive(read_archive(plant), plant, plant.presses, None, None)
    for slug, grid in straight.items():
        assert_same(again[slug], grid, 1e-14)
    assert [(each.file, each.sha256, each.rows, each.refused) for each in listed] == [
        (each.file, each.sha256, each.rows, each.refused) for each in inputs
    ]


@pytest.fixture
def plant(tmp_path: Path) -> Plant:
    plant = plant_at(tmp_path, a_tag("spare_word", "state"))
    ingested(plant, written_export(tmp_path / "feb.csv", "2026-02-26", 3 * 1440, {"FLOW": {9: "Bad"}}))
    return plant


def count_builds(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    built: list[int] = []

    def counted(*given: object, **named: object) -> object:
        built.append(1)
        return build_grids(*given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(kept_grids, "build_grids", counted)
    return built


def test_a_grid_is_read_again_bit_for_bit_instead_of_made_again(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    built = count_builds(monkeypatch)
    first, second = from_archive(plant), from_archive(plant)
    assert built == [1]
    for slug, grid in first.items():
        assert_same(second[slug], grid)
        assert second[slug].roles.index.dtype == grid.roles.index.dtype
        assert second[slug].roles.dtypes.equals(grid.roles.dtypes)


def test_a_grid_is_made_again_when_something_it_rests_on_changes(
    plant: Plant, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    built = count_builds(monkeypatch)
    from_archive(plant, FIRST, LAST)
    from_archive(replace(plant, sha256="1"), FIRST, LAST)
    assert len(built) == 2
    from_archive(plant, FIRST, LAST - pd.Timedelta(hours=1))
    grids_from_archive(read_archive(plant), plant, plant.presses, FIRST, LAST, 600)
    assert len(built) == 4
    ingested(plant, written_export(tmp_path / "later.csv", "2026-05-01", 10))
    from_archive(plant, FIRST, LAST)
    assert len(built) == 4  # what came lies outside the period
    ingested(plant, written_export(tmp_path / "mar.csv", "2026-03-01", 100))
    from_archive(plant, FIRST, LAST)
    assert len(built) == 5


def test_a_damaged_kept_grid_is_made_again(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    built = count_builds(monkeypatch)
    first = from_archive(plant)
    for path in (plant.archive / "grids").iterdir():
        content = bytearray(path.read_bytes())
        content[len(content) // 2] ^= 1
        path.write_bytes(content)
    second = from_archive(plant)
    assert len(built) == 2
    assert_same(second["bfp-1"], first["bfp-1"])


def test_only_so_many_grids_are_kept(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_grids, "KEPT", 4)
    for hours in range(4):
        from_archive(plant, FIRST, LAST - pd.Timedelta(hours=hours))
    assert len(list((plant.archive / "grids").iterdir())) == 4


def read_parts(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return a list to which the weeks are added that are opened from now on."""
    opened: list[str] = []
    blocks = ArchivedWeek.blocks

    def told(self: ArchivedWeek, *given: object, **named: object) -> object:
        opened.append(self.part.place)
        return blocks(self, *given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(ArchivedWeek, "blocks", told)
    return opened


@pytest.mark.parametrize("period", [(None, None), (FIRST, pd.Timestamp("2026-04-01", tz="UTC"))])
def test_a_grown_archive_weighs_the_new_week_alone_and_gives_the_same_grid_bit_for_bit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, period: tuple[pd.Timestamp | None, pd.Timestamp | None]
) -> None:
    monkeypatch.setattr(weighed_weeks, "WORTH_KEEPING", 0.5)  # these exports have one reading a bin
    plant = plant_at(tmp_path, a_tag("spare_word", "state"))
    ingested(plant, written_export(tmp_path / "0.csv", "2026-02-26", 11 * 1440, {"FLOW": {7: "Bad", 9: "9999"}}))
    from_archive(plant, *period)
    for night in range(3):  # Monday 9 March to Wednesday: the first night opens a week
        day = (pd.Timestamp("2026-03-09") + pd.Timedelta(days=night)).strftime("%Y-%m-%d")
        odd = {"FLOW": {night: "Bad", 40: "4999"}, "SOLIDS": dict.fromkeys(range(300, 500), "")}
        ingested(plant, written_export(tmp_path / f"{day}.csv", day, 1440, odd))
        opened = read_parts(monkeypatch)
        grown = from_archive(plant, *period)
        monkeypatch.undo()
        monkeypatch.setattr(weighed_weeks, "WORTH_KEEPING", 0.5)
        if night:
            assert {place[-10:] for place in opened} == {"2026-03-09"}
        shutil.rmtree(plant.archive / "grids")
        for slug, whole in from_archive(plant, *period).items():
            assert_same(grown[slug], whole)
            assert grown[slug].habits == whole.habits


def test_a_reading_that_comes_late_into_a_weighed_week_is_weighed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(weighed_weeks, "WORTH_KEEPING", 0.5)
    plant = plant_at(tmp_path)
    ingested(
        plant, written_export(tmp_path / "0.csv", "2026-02-26", 11 * 1440, {"FLOW": dict.fromkeys(range(3, 60), "Bad")})
    )
    before = from_archive(plant)["bfp-1"]
    assert list((plant.archive / "grids").glob("*.weighed"))
    ingested(plant, written_export(tmp_path / "late.csv", "2026-02-26", 90))
    after = from_archive(plant)
    assert before.roles["flow"].iloc[30:50].isna().all() and after["bfp-1"].roles["flow"].iloc[30:50].notna().all()
    shutil.rmtree(plant.archive / "grids")
    for slug, whole in from_archive(plant).items():
        assert_same(after[slug], whole)
