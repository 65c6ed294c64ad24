"""Files made to harm: packed bombs, workbooks of bare XML, and a child process that tells its peak memory."""

from __future__ import annotations

import gzip
import subprocess
import sys
import zipfile
from pathlib import Path

import pyarrow as pa

ROWS = b"Time,FLOW\n" + b"".join(b"2026-03-14 %02d:%02d:00,1.5\n" % (i // 60, i % 60) for i in range(600))
MAIN = 'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_BOOK = {
    "[Content_Types].xml": f'<Types xmlns="{_PACKAGE}/content-types"><Default Extension="rels" ContentType='
    '"application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/>'
    '<Override PartName="/xl/workbook.xml" ContentType='
    '"application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/></Types>',
    "_rels/.rels": f'<Relationships xmlns="{_PACKAGE}/relationships"><Relationship Id="rId1" '
    f'Type="{_OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
    "xl/workbook.xml": f'<workbook {MAIN} xmlns:r="{_OFFICE}"><sheets><sheet name="S" sheetId="1" r:id="rId1"/></sheets></workbook>',
    "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{_PACKAGE}/relationships"><Relationship Id="rId1" '
    f'Type="{_OFFICE}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
}


def workbook(path: Path, rows: str, lead: str = "") -> Path:
    """Write a workbook of one sheet with these rows of XML; `lead` stands before its root."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as book:
        for name, content in _BOOK.items():
            book.writestr(name, content)
        book.writestr("xl/worksheets/sheet1.xml", f"{lead}<worksheet {MAIN}><sheetData>{rows}</sheetData></worksheet>")
    return path


def cell(place: str, text: str) -> str:
    """Return a cell with a text of its own."""
    return f'<c r="{place}" t="inlineStr"><is><t>{text}</t></is></c>'


def packed_rows(path: Path, more: bytes, times: int) -> Path:
    """Write a packed export (.gz or .zst) whose rows are followed by `more`, over and over."""
    if path.suffix == ".gz":  # packed pieces one behind the other are one packed file
        path.write_bytes(gzip.compress(ROWS) + gzip.compress(more) * times)
        return path
    with pa.CompressedOutputStream(str(path), "zstd") as file:
        file.write(ROWS)
        for _ in range(times):
            file.write(more)
    return path


_CHILD = """
import resource, sys
sys.path.insert(0, {rooms!r})
from pathlib import Path
from exports_files import a_plant, take_all
from trendkit.errors import InputError
take_all(a_plant("FLOW"), Path({usual!r}))
usual = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
try:
    take_all(a_plant("FLOW"), Path({path!r}))
except InputError as refused:
    print(refused)
print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - usual) // 1024)
"""


def read_in_child(path: Path, usual: Path) -> tuple[str, int]:
    """Return what reading a file says, and the memory [MB] beyond that of reading a usual one."""
    script = _CHILD.format(rooms=str(Path(__file__).parent), path=str(path), usual=str(usual))
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    *said, more = done.stdout.strip().splitlines()
    return "\n".join(said), int(more)
