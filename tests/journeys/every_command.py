"""Every command once in one process, each into files below a folder; run twice by `test_determinism.py`.

python every_command.py FOLDER        invents a plant there, and does everything with it

What the commands print goes to FOLDER/said, a file each; the plant's archive and other working files stay out of
FOLDER/out, which holds what a user asked for and nothing else.
"""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import sys
from pathlib import Path

from trendkit.cli import run
from trendkit.jobs import district

FIRST, DAY, PAST = "2026-03-16", "2026-03-18", "2026-03-19"  # the demo's bad day is one of these
ARCHIVED = (
    ("review", "--from", FIRST, "--to", PAST, "--out", "out/review"),
    ("troubleshoot", "--day", DAY, "--out", "out/troubleshoot"),
    ("tune", "--out", "out/tune"),
)
COMMANDS: tuple[tuple[str, ...], ...] = (
    ("simulate", "--out", "sample_exports", "--days", "3", "--seed", "5", "--start", FIRST),
    ("plant", "new", "sample_exports/exports", "--out", "out/draft.toml"),
    ("plant", "check", "sample_exports/plant.toml", "sample_exports/exports", "--json"),
    ("table", "--out", "out/figures.csv", "sample_exports"),
    ("table", "--out", "out/figures.parquet", "sample_exports"),
    ("table", "--out", "out/figures.xlsx", "--from", DAY, "--to", PAST, "--every", "1h", "sample_exports"),
    ("upsets", "--out", "out/upsets.csv", "sample_exports"),
    ("upsets", "--out", "out/upsets.parquet", "sample_exports"),
    ("upsets", "--out", "out/upsets.json", "--json", "sample_exports"),
    ("quality", "--out", "out/quality", "sample_exports"),
    ("ingest", "--json", "sample_exports"),
    *ARCHIVED,
    ("compare", "--before", f"{FIRST}/2026-03-17", "--after", f"2026-03-17/{PAST}", "--out", "out/compare"),
    ("demo", "--out", "out/demo"),
    ("district", "--plants", "plants", "--month", "2026-03", "--out", "out/district", "--workers", "1"),
)
WITHOUT_PLANT = ("simulate", "plant", "demo", "district")


def done(words: tuple[str, ...]) -> str:
    """Run a command and return what it printed on standard output."""
    named = () if words[0] in WITHOUT_PLANT else ("--plant", "sample_exports/plant.toml")
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        code = run([*words, *named])
    assert code == 0, words
    return said.getvalue()


def main() -> None:
    folder = Path(sys.argv[1])
    # processes of its own are `test_district.py`'s matter and take long to start
    district.work_through = lambda work, tasks, *_: ((task, work(task)) for task in tasks)
    os.chdir(folder)
    (folder / "said").mkdir()
    for number, words in enumerate(COMMANDS):
        if words[0] == "district":  # a plant of its own, without the pages kept beside the archive
            kept_out = shutil.ignore_patterns("grids", "truth", "exports")
            shutil.copytree("sample_exports", "plants/quillmark", ignore=kept_out)
        told = done(words).replace(str(folder.resolve()), "HERE")
        (folder / "said" / f"{number:02} {' '.join(words[:2]).replace('/', ' ')}").write_text(told, encoding="utf-8")


if __name__ == "__main__":
    main()
