"""Names and notes made to harm, through the commands: shown as they are, never run, and never followed as a path."""

from __future__ import annotations

import csv
import gzip
import json
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest
from test_power_cuts import short_plant
from typed import Outcome, type_command

MARKUP = "</script><img src=x onerror=alert(1)>"
HOSTILE = {
    "html": f"FLOW {MARKUP}",
    "quotes": """FLOW "it's" `so`""",
    "path": "../../FLOW/../up",
    "sql": "FLOW'); DROP TABLE reject_errors; --",
    "formula": "=cmd|' /C calc'!A1",
    "long": "FLOW " + "x" * 3000,
    "right to left": "FLOW \u202eDEEF\u202c \u05d0\u05d1",
    "emoji": "FLOW \U0001f986\u200d\U0001f4a7",
    "terminal": "FLOW \x1b[2J\x1b]0;hi\x07",
}


@dataclass(frozen=True)
class Plant:
    """A plant whose press, tags, states, notes and files are called by hostile words, and what commands made of it."""

    folder: Path
    out: Path
    words: dict[str, str]
    quality: Outcome
    table: Outcome

    def made(self) -> list[str]:
        return sorted(str(path.relative_to(self.folder)) for path in self.folder.rglob("*") if path.is_file())


def _renamed(folder: Path, words: dict[str, str]) -> None:
    """Call the spare columns of each export and one state by hostile words."""
    for number, path in enumerate(sorted((folder / "exports").iterdir())):
        raw = path.read_bytes()
        text = (gzip.decompress(raw) if path.suffix == ".gz" else raw).decode("utf-8")
        header, *rows = list(csv.reader(text.splitlines()))
        header += list(words.values())
        rows = [[*row, *[str(place % 7)] * len(words)] for place, row in enumerate(rows)]
        path.unlink()
        named = path if number else path.with_name("f'); --<b>=1 \U0001f986")
        with named.with_suffix(".csv").open("w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows([header, *rows])


@pytest.fixture(scope="module")
def plant(plant_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Plant:
    folder = tmp_path_factory.mktemp("hostile") / "inside"
    short_plant(plant_folder, folder)
    _renamed(folder, HOSTILE)
    text = (folder / "plant.toml").read_text(encoding="utf-8")
    free = "".join(
        f'[press.tags.hostile_{number}]\ntag = {json.dumps(word, ensure_ascii=False)}\nunit = "m3/h"\n'
        for number, word in enumerate(HOSTILE.values())
    )
    cut = text.index("[press.tags.")
    text = text[:cut] + free + text[cut:]
    (folder / "plant.toml").write_text(text.replace('name = "BFP-1"', 'name = "BFP <b>1</b>"', 1), encoding="utf-8")
    lab = (folder / "lab.csv").read_text(encoding="utf-8").splitlines()
    note = MARKUP + "=1+1"
    lab = [lab[0], *(line.replace("BFP-1", "BFP <b>1</b>").rstrip(",") + f",{note}" for line in lab[1:])]
    (folder / "lab.csv").write_text("\n".join(lab) + "\n", encoding="utf-8")
    out = folder / "out"
    inputs = ("--plant", folder / "plant.toml", folder / "exports", folder / "lab.csv")
    quality = type_command("quality", "--out", out, *inputs)
    table = type_command("table", "--out", out / "figures.csv", *inputs)
    return Plant(folder, out, HOSTILE, quality, table)


class Elements(HTMLParser):
    """The elements of a page and its attributes that could run something."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.images, self.handlers, self.scripts, self.text = 0, 0, 0, ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.images += tag in ("img", "iframe", "object", "embed", "b")
        self.scripts += tag == "script" and dict(attrs).get("type", "") != "application/json"
        self.handlers += sum(name.startswith("on") for name, _ in attrs)

    def handle_data(self, text: str) -> None:
        self.text += text


def test_the_commands_go_through_and_say_so(plant: Plant) -> None:
    assert plant.quality.code == 0, plant.quality.complained
    assert plant.table.code == 0, plant.table.complained


def test_no_name_becomes_an_element_or_a_script_of_the_page(plant: Plant) -> None:
    page = Elements((plant.out / "quality.html").read_text(encoding="utf-8"))
    assert (page.images, page.handlers, page.scripts) == (0, 0, 1)
    assert HOSTILE["html"] in page.text
    assert "BFP <b>1</b>" in page.text


def test_letters_are_not_turned_round_and_quotes_stay(plant: Plant) -> None:
    page = Elements((plant.out / "quality.html").read_text(encoding="utf-8"))
    assert "\u202e" not in page.text
    assert "FLOW \ufffdDEEF\ufffd \u05d0\u05d1" in page.text
    for word in ("quotes", "path", "sql", "formula", "emoji"):
        assert HOSTILE[word] in page.text, word


def test_every_name_is_kept_as_it_is_in_the_json(plant: Plant) -> None:
    found = json.loads((plant.out / "quality.json").read_text(encoding="utf-8"))
    text = json.dumps(found, ensure_ascii=False)
    for word in HOSTILE.values():
        assert json.dumps(word, ensure_ascii=False)[1:-1] in text, word


def test_every_hostile_tag_is_read(plant: Plant) -> None:
    """SQL in a name ends no query: its numbers arrive like those of any other tag."""
    table = pd.read_csv(plant.out / "figures.csv")
    columns = [name for name in table if name.startswith("hostile_")]
    assert len(columns) == len(HOSTILE)
    assert table[columns].notna().mean().min() > 0.9
    assert (table[columns].nunique(axis=1) <= 1).all()


def test_no_path_in_a_name_is_followed(plant: Plant) -> None:
    beside = [path.name for path in plant.folder.parent.iterdir()]
    assert beside == ["inside"]
    made = [name for name in plant.made() if name.startswith("out")]
    assert made == ["out/figures.csv", "out/quality.html", "out/quality.json"]


def test_no_cell_of_a_csv_begins_a_formula(plant: Plant) -> None:
    with (plant.out / "figures.csv").open(newline="", encoding="utf-8") as file:
        for row in csv.reader(file):
            for cell in row:
                assert not cell.startswith(("=", "@", "\t")), cell
                if cell.startswith(("+", "-")):
                    float(cell)


def test_a_missing_hostile_tag_is_named_in_one_line_without_control_characters(plant: Plant, tmp_path: Path) -> None:
    text = (plant.folder / "plant.toml").read_text(encoding="utf-8")
    spoilt = tmp_path / "plant.toml"
    spoilt.write_text(text.replace("\\u001b[2J", "\\u001b[3J\\n\\u202e"), encoding="utf-8")
    told = type_command("plant", "check", spoilt, plant.folder / "exports")
    assert told.code == 2
    assert "\x1b" not in told.complained
    assert "\u202e" not in told.complained
    assert "the tag 'FLOW \\x1b[3J\\n\\u202e" in told.complained
    assert "found FLOW \ufffd[2J" in told.complained
