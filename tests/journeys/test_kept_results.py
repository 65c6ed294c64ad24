"""A second review from the archive reads back what the first one worked out, and says the same."""

import shutil
from pathlib import Path

import pytest

from trendkit.jobs import keeping, pages
from trendkit.jobs.call import Call


def test_a_second_review_searches_and_draws_nothing_again_and_writes_the_same_bytes(
    plant_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import vl_convert

    plant = shutil.copy(plant_folder / "plant.toml", tmp_path)
    keeping.ingest(Call(Path(plant), (str(plant_folder / "exports"), str(plant_folder / "lab.csv"))))
    call = Call(Path(plant), (), None, "2026-02-04", "2026-02-11")
    pages.review(call, None, tmp_path / "first")

    def never(*given: object, **named: object) -> object:
        raise AssertionError("this was worked out before")

    monkeypatch.setattr(pages, "find_upsets", never)
    monkeypatch.setattr(vl_convert, "vegalite_to_svg", never)
    pages.review(call, None, tmp_path / "second")
    for path in sorted((tmp_path / "first").iterdir()):
        assert path.read_bytes() == (tmp_path / "second" / path.name).read_bytes(), path.name
    damaged = next((tmp_path / "archive" / "grids").glob("upsets-*.json"))
    damaged.write_bytes(damaged.read_bytes()[:-3])
    with pytest.raises(AssertionError, match="worked out before"):
        pages.review(call, None, tmp_path / "third")
