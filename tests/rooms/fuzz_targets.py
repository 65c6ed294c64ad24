"""What is fuzzed: each target takes any bytes as one kind of file; it may be refused with an InputError and nothing else."""

from __future__ import annotations

import os
import tempfile
import zipfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from exports_files import a_plant, a_tag
from hostile import MAIN, ROWS, cell, workbook
from plant_file import GOOD

from trendkit.archive.manifest import MANIFEST, load_manifest
from trendkit.errors import InputError
from trendkit.exports import ReadLog, check_exports, open_exports, read_blocks, read_lab, read_slips
from trendkit.exports.draft import draft_of
from trendkit.exports.names import plant_tags
from trendkit.exports.workbook import sheet_as_text
from trendkit.plant import load_plant
from trendkit.plant.model import Lab, LabColumn
from trendkit.tuning import read_step_sheet

PLANT = a_plant("FLOW", "SOLIDS", states=("RUN",), timezone="America/Denver")
WIDE = a_plant(
    "FLOW", lab=Lab(layout="wide", time_header="Date", press="bfp-1", columns=(LabColumn("Cake", "cake", "TS", "%"),))
)
WANTED = {tag.tag: tag for press in PLANT.presses for tag in press.tags.values()} | {"SPARE": a_tag("SPARE")}
_FOLDER = Path(tempfile.mkdtemp(prefix="trendkit-fuzz-", dir="/dev/shm" if os.path.isdir("/dev/shm") else None))


def _file(content: bytes, name: str) -> Path:
    """Write a file no reader has looked at before."""
    path = _FOLDER / name
    path.write_bytes(content)
    return path


def plant_file(content: bytes) -> None:
    """Any bytes as a plant file."""
    load_plant(_file(content, "plant.toml"))


def export_layout(content: bytes) -> None:
    """Any bytes as an export, as far as telling what its columns mean."""
    draft_of(_file(content, "export.csv"), PLANT, plant_tags(PLANT))


def export_rows(content: bytes) -> None:
    """Any bytes as an export, read to its last row and checked against the plant file."""
    exports = open_exports([_file(content, "export.csv")], PLANT)
    for export in exports:
        for block in read_blocks(export, PLANT, WANTED, ReadLog()):
            assert (block.time_us[1:] > block.time_us[:-1]).all()
    check_exports(exports, PLANT, PLANT.presses)


def lab_sheet(content: bytes) -> None:
    """Any bytes as a long and as a wide bench sheet."""
    path = _file(content, "lab.csv")
    for plant in (PLANT, WIDE):
        with suppress(InputError):
            frame = read_lab(path, plant).frame
            assert frame["sampled_at"].notna().all()


def slips(content: bytes) -> None:
    """Any bytes as truck tickets."""
    frame = read_slips(_file(content, "tickets.csv"), PLANT).frame
    assert (frame["mass_kg"] > 0.0).all()


def step_sheet(content: bytes) -> None:
    """Any text as a filled step-test sheet."""
    read_step_sheet(content.decode("utf-8", errors="replace"), "steps.csv", PLANT)


def workbook_sheet(content: bytes) -> None:
    """Any bytes as the rows of a workbook's sheet."""
    path = _FOLDER / "export.xlsx"
    workbook(path, "")
    with zipfile.ZipFile(path) as book:
        parts = {name: book.read(name) for name in book.namelist()}
    with zipfile.ZipFile(path, "w") as book:
        for name, part in parts.items():
            is_sheet = name.endswith("sheet1.xml")
            book.writestr(name, b"<worksheet " + MAIN.encode() + b"><sheetData>" + content if is_sheet else part)
    sheet_as_text(path)


def workbook_file(content: bytes) -> None:
    """Any bytes as a whole workbook."""
    sheet_as_text(_file(content, "export.xlsx"))


def archive_list(content: bytes) -> None:
    """Any bytes as the list of what an archive holds."""
    _file(content, MANIFEST)
    load_manifest(_FOLDER)


QUICK = (plant_file, export_layout, lab_sheet, slips, step_sheet)


def any_reader(content: bytes) -> None:
    """Any bytes; the first says for which of the quick readers."""
    if content:
        QUICK[content[0] % len(QUICK)](content[1:])


TARGETS: dict[str, Callable[[bytes], None]] = {
    each.__name__: each
    for each in (
        plant_file,
        export_layout,
        export_rows,
        lab_sheet,
        slips,
        step_sheet,
        workbook_sheet,
        workbook_file,
        archive_list,
        any_reader,
    )
}
_LAB = b"sampled_at,press,point,analysis,value,unit,note\n2026-03-14 08:00,BFP-1,feed,TS,3.1,%,\n14.03.2026 9:00,BFP-1,cake,TS,<2,,a"
_LONG = b"Time;Tag;Value;Quality\n14.03.2026 08:00:00;FLOW;1,5;192\n14.03.2026 08:01:00;RUN;ON;0\n15.03.2026 08:02:00;FLOW;x;64\n"
_STEPS = b"step,test_day,gravity_belt_speed_m_min,started_at,ended_at,cake_solids_pct,seen\n1,1,6.5,2026-03-02 08:15,2026-03-02 09:15,20/21,wet\n"
_SHEET = f'<row r="1">{cell("A1", "Time")}{cell("B1", "FLOW")}</row><row r="2"><c r="A2"><v>46000.5</v></c></row></sheetData></worksheet>'


def _book() -> bytes:
    rows = f'<row r="1">{cell("A1", "Time")}{cell("B1", "FLOW")}</row><row r="2"><c r="A2"><v>46000.5</v></c></row>'
    return workbook(_FOLDER / "seed.xlsx", rows).read_bytes()


SEEDS: dict[str, tuple[bytes, ...]] = {
    "plant_file": (
        GOOD.encode(),
        b'[plant]\nname = "A"\ntimezone = "UTC"\n[[press]]\nname = "B"\nbelt_width = "2 m"\n',
    ),
    "export_layout": (
        ROWS[:400],
        _LONG,
        b"Date,Time,FLOW,SOLIDS\n,,gpm,%\n03/14/2026,8:00:00 PM,1,2\n03/15/2026,9:00:00 PM,1,2\n",
    ),
    "export_rows": (ROWS[:400], _LONG, b"t,FLOW,RUN\n1772409600,1.5,ON\n1772409660,1_000,OFF\n1772409600,nan,ON\n"),
    "lab_sheet": (_LAB, b"Date,Cake\n3/14/2026 08:00,20.1\n3/15/2026 08:00,>30\n"),
    "slips": (
        b"time,press,wet_mass,unit\n2026-03-14 08:00,BFP-1,12.4,t\n",
        b"date;mass (kg);active\n14.03.2026;900;50 %\n",
    ),
    "step_sheet": (_STEPS,),
    "workbook_sheet": (_SHEET.encode(),),
    "workbook_file": (_book(),),
    "archive_list": (b'{"sha256": "0", "archive": {"form": 3, "parts": []}}',),
}
SEEDS["any_reader"] = tuple(bytes([n]) + seed for n, each in enumerate(QUICK) for seed in SEEDS[each.__name__])
