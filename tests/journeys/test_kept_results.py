"""A page made again from an archive nothing new has come to is read back, and says the same."""

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from trendkit.jobs import keeping, pages
from trendkit.jobs.call import Call, Done

WEEK = ("2026-02-04", "2026-02-11")
MAKE: dict[str, Callable[[Call, Path], Done]] = {
    "review": lambda call, out: pages.review(call, None, out),
    "troubleshoot": lambda call, out: pages.troubleshoot(call, "2026-02-05", out),
    "tune": pages.tune,
}


@pytest.fixture(scope="module")
def call(plant_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Call:
    folder = tmp_path_factory.mktemp("kept")
    plant = Path(shutil.copy(plant_folder / "plant.toml", folder))
    keeping.ingest(Call(plant, (str(plant_folder / "exports"), str(plant_folder / "lab.csv"))))
    return Call(plant, (), None, *WEEK)


def never(*given: object, **named: object) -> object:
    raise AssertionError("this was worked out before")


def reviewed_without_the_last_results(plant_folder: Path, folder: Path) -> Call:
    """Keep a plant's readings and all but twenty results of the bench, review a week into folder/page."""
    plant = Path(shutil.copy(plant_folder / "plant.toml", folder))
    lines = (plant_folder / "lab.csv").read_text().splitlines(keepends=True)
    (folder / "early.csv").write_text("".join(lines[:-20]))
    keeping.ingest(Call(plant, (str(plant_folder / "exports"), str(folder / "early.csv"))))
    call = Call(plant, (), None, *WEEK)
    pages.review(call, None, folder / "page")
    return call


def the_last_results_come(plant_folder: Path, call: Call) -> None:
    keeping.ingest(Call(call.plant, (str(plant_folder / "lab.csv"),)))


def nothing_is_worked_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pages, "read_presses", never)
    monkeypatch.setattr(pages, "read_period", never)


@pytest.mark.parametrize("page", MAKE)
def test_made_again_a_page_is_written_as_it_was_and_nothing_is_worked_out(
    page: str, call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = MAKE[page](call, tmp_path / "first")
    nothing_is_worked_out(monkeypatch)
    second = MAKE[page](call, tmp_path / "second")
    assert [line.replace("second", "first") for line in second.summary] == list(first.summary)
    written = sorted(path.name for path in (tmp_path / "first").iterdir())
    assert written == sorted(path.name for path in (tmp_path / "second").iterdir())
    for name in written:
        assert (tmp_path / "first" / name).read_bytes() == (tmp_path / "second" / name).read_bytes(), name


def test_what_was_kept_and_is_damaged_is_worked_out_again(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pages.review(call, None, tmp_path / "first")
    nothing_is_worked_out(monkeypatch)
    for kept in (call.plant.parent / "archive" / "grids").glob("review-*.zip"):
        kept.write_bytes(kept.read_bytes()[:-3])
    with pytest.raises(AssertionError, match="worked out before"):
        pages.review(call, None, tmp_path / "second")


def test_a_late_result_of_the_bench_another_period_or_plant_file_is_worked_out_anew(
    plant_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    call = reviewed_without_the_last_results(plant_folder, tmp_path)
    nothing_is_worked_out(monkeypatch)
    pages.review(call, None, tmp_path / "page")
    with pytest.raises(AssertionError, match="worked out before"):
        pages.review(replace(call, end="2026-02-10"), None, tmp_path / "page")
    the_last_results_come(plant_folder, call)
    with pytest.raises(AssertionError, match="worked out before"):
        pages.review(call, None, tmp_path / "page")
    call.plant.write_text(call.plant.read_text() + "\n# a remark\n")
    with pytest.raises(AssertionError, match="worked out before"):
        pages.review(call, None, tmp_path / "page")


def test_a_page_that_says_what_moved_is_not_given_for_one_that_replaces_another(
    plant_folder: Path, tmp_path: Path
) -> None:
    """Made a second time after late results, in a folder of its own, there is nothing it could have moved from."""
    call = reviewed_without_the_last_results(plant_folder, tmp_path)
    the_last_results_come(plant_folder, call)
    pages.review(call, None, tmp_path / "page")
    reissued = (tmp_path / "page" / "review.json").read_bytes()
    pages.review(call, None, tmp_path / "page")
    assert (tmp_path / "page" / "review.json").read_bytes() == reissued
    pages.review(call, None, tmp_path / "elsewhere")
    assert b'"reissue": null' in (tmp_path / "elsewhere" / "review.json").read_bytes()
