"""Plants kept the way other systems keep them: blanks and umlauts in paths, CRLF, a byte-order mark, odd press names."""

import shutil
from pathlib import Path

from typed import type_command

BOM = b"\xef\xbb\xbf"
SPAN = ("--from", "2026-02-04", "--to", "2026-02-05")


def as_windows_saves(path: Path) -> None:
    path.write_bytes(BOM + path.read_bytes().replace(b"\r\n", b"\n").replace(b"\n", b"\r\n"))


def test_a_plant_saved_on_windows_below_a_folder_with_blanks_and_umlauts_gives_the_same_table(
    plant_folder: Path, tmp_path: Path
) -> None:
    copy = tmp_path / "Kläranlage Süd (2)" / "März – Presse #1"
    shutil.copytree(plant_folder, copy, ignore=shutil.ignore_patterns("truth"))
    changed = [copy / "plant.toml", copy / "lab.csv", *(copy / "exports").glob("*.csv")]
    assert len(changed) > 2
    for path in changed:
        as_windows_saves(path)
    tables = []
    for folder in (plant_folder, copy):
        out = tmp_path / "Ergebnis für Müller.csv"
        done = type_command(
            "table", "--plant", folder / "plant.toml", "--out", out, *SPAN, folder / "exports", folder / "lab.csv"
        )
        assert done.code == 0, done.complained
        tables.append(out.read_bytes())
    assert tables[0] == tables[1] and len(tables[0]) > 10_000


def test_a_press_named_like_a_device_of_windows_has_its_run_names_from_a_safe_slug(
    plant_folder: Path, tmp_path: Path
) -> None:
    text = (plant_folder / "plant.toml").read_text(encoding="utf-8")
    name = next(line.split('"')[1] for line in text.splitlines() if line.startswith("name = ") and "BFP" in line)
    plant = tmp_path / "plant.toml"
    plant.write_text(text.replace(f'"{name}"', '"AUX"'), encoding="utf-8")
    out = tmp_path / "figures.csv"
    done = type_command("table", "--plant", plant, "--out", out, *SPAN, plant_folder / "exports")
    assert done.code == 0, done.complained
    assert "aux-press-2026" in out.read_text(encoding="utf-8")
