"""A plant file somebody else wrote: where it may point to, and that its own words reach SQL and spreadsheets as words."""

from __future__ import annotations

import ast
from pathlib import Path

import pandas as pd
import pytest
from archive_files import ingested, plant_at, written_export
from plant_file import GOOD

import trendkit
from trendkit.errors import InputError
from trendkit.plant import load_plant
from trendkit.reports.files import csv_bytes, csv_text


def refused(folder: Path, *changes: tuple[str, str], more: str = "") -> str:
    text = GOOD + more
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = folder / "plant.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as told:
        load_plant(path)
    return str(told.value)


@pytest.mark.parametrize("outside", ["../archive", "a/../../archive", ".."])
def test_an_archive_outside_the_plants_folder_is_refused(tmp_path: Path, outside: str) -> None:
    said = refused(tmp_path, ('display_units = "us"', f'display_units = "us"\narchive = "{outside}"'))
    assert "line 6, plant.archive: the archive would lie outside the folder of the plant file" in said
    assert "write the whole path from the root" in said


@pytest.mark.parametrize("section", ["tickets", "deliveries"])
@pytest.mark.parametrize(
    "outside", ["../*.csv", "/etc/*", "C:/Users/*.csv", "..\\\\*.csv", "\\\\\\\\server\\\\all\\\\*"]
)
def test_files_opened_unasked_must_lie_beside_the_plant_file(tmp_path: Path, section: str, outside: str) -> None:
    said = refused(tmp_path, more=f'\n[{section}]\nfiles = "{outside}"\n')
    assert f"{section}.files: the files would lie outside the folder of the plant file" in said


def test_a_press_with_an_endless_name_is_refused(tmp_path: Path) -> None:
    said = refused(tmp_path, ('name = "BFP-1"', f'name = "{"x" * 300}"'))
    assert "line 23, press.name: this name makes no file name" in said
    assert "expected a name of at most 80 characters" in said


def test_a_press_called_by_a_path_has_a_folder_of_letters(tmp_path: Path) -> None:
    path = tmp_path / "plant.toml"
    path.write_text(GOOD.replace('"BFP-1"', '"../../etc/passwd <b>"'), encoding="utf-8")
    assert load_plant(path).presses[0].slug == "etc-passwd-b"


def test_a_folder_with_other_files_never_becomes_an_archive(tmp_path: Path) -> None:
    """An ingest removes what its list does not name: named `bench` or `staging`, a person's folder would be lost."""
    plant = plant_at(tmp_path)
    for name in ("bench/results.txt", "staging/notes.txt", "letters.txt"):
        (plant.archive / name).parent.mkdir(parents=True, exist_ok=True)
        (plant.archive / name).write_text("mine")
    export = written_export(tmp_path / "a.csv", "2026-02-27", 10)
    with pytest.raises(
        InputError, match=r"archive: the folder of the archive holds other files; found bench, letters.txt"
    ):
        ingested(plant, export)
    assert sorted(each.name for each in plant.archive.iterdir()) == ["bench", "letters.txt", "staging"]
    assert (plant.archive / "staging" / "notes.txt").read_text() == "mine"


def test_sql_is_spoken_to_one_engine_with_every_word_quoted_by_it() -> None:
    """Only the engine's module imports DuckDB, so no query runs outside a connection that fetches nothing."""
    package = Path(trendkit.__file__).parent
    importing: set[str] = set()
    for module in package.rglob("*.py"):
        for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if "duckdb" in names or (isinstance(node, ast.ImportFrom) and node.module == "duckdb"):
                importing.add(module.relative_to(package).as_posix())
    assert importing == {"exports/engine.py"}  # which loads it where it is first asked


def test_the_engine_reads_no_address_and_takes_no_other_setting() -> None:
    import duckdb

    from trendkit.exports.engine import connection, identifier, literal

    words = ["it's", 'a"b', "'; DROP TABLE x; --", "\\'", "", "\u202e\U0001f986", "a\nb"]
    with connection() as database:
        for word in words:
            table = f"(SELECT {literal(word)} AS {identifier(word or 'x')})"
            assert database.execute(f"SELECT {identifier(word or 'x')} FROM {table}").fetchall() == [(word,)]
        for forbidden in ("SELECT * FROM 'http://127.0.0.1:9/a.csv'", "SET memory_limit = '8GB'", "LOAD httpfs"):
            with pytest.raises(duckdb.Error):
                database.execute(forbidden)


@pytest.mark.parametrize("word", ["=1+1", "+cmd", "-2+3", "@SUM(A1)", "\t=1", "\r=1"])
def test_what_begins_like_a_formula_is_a_text_in_a_csv(word: str) -> None:
    """A state of the process may be called anything; a number stays a number, a text not begun so stays as it is."""
    assert csv_text(word) == f"'{word}"
    frame = pd.DataFrame({"time": pd.to_datetime(["2026-03-01"], utc=True), "mode": [word], "n": [-1.5]})
    written = csv_bytes(frame).decode().split("\n", 1)[1]
    assert f"'{word}" in written
    assert '"-1.5"' in written
    assert [csv_text(each) for each in ("-4.5", "+3e5", "press 1", "")] == ["-4.5", "+3e5", "press 1", ""]
