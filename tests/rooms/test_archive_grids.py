"""A grid from the archive is the grid from the files, and is kept as long as nothing it rests on changes."""

import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from archive_files import ingested, plant_at, written_export
from exports_files import a_tag

from trendkit.archive import read_archive
from trendkit.exports import open_exports
from trendkit.plant import load_plant
from trendkit.plant.model import Plant
from trendkit.series import PressGrid, build_grids, grids_from_archive, kept_grids

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
    pd.testing.assert_frame_equal(first.good_share, second.good_share, check_freq=False, **exact)
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
