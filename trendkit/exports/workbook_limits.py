"""What a workbook may hold before it is opened: how much it unpacks to, and how large the table in it is.

A workbook is a packed folder of XML. A small one can unpack to gigabytes, and two cells far apart span a table of
billions. Both are found while it is unpacked piece by piece, whatever sizes it states itself.
"""

from __future__ import annotations

import struct
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from trendkit.errors import InputError, Problem
from trendkit.exports.size_limits import MB
from trendkit.exports.workbook_spread import Spread, UnusualPartError, spread_of

MOST_UNPACKED_BYTES = 512 * MB
MOST_CELLS = (
    16_000_000  # of one sheet, from its first cell to its last: a month of 30 tags by the minute has 1.4 million
)
MOST_OLD_BYTES = 64 * MB  # of a workbook in the old form, which packs nothing

_PIECE_BYTES = MB


def require_workbook_size(path: Path) -> None:
    """Raise an InputError when a workbook unpacks to more than it may, spans too large a table or declares entities."""
    if not zipfile.is_zipfile(path):
        if path.stat().st_size > MOST_OLD_BYTES:
            raise InputError(_too_much(path, MOST_OLD_BYTES))
        return
    left = MOST_UNPACKED_BYTES
    with zipfile.ZipFile(path) as folder, path.open("rb") as raw:
        for entry in folder.infolist():
            spread = spread_of(entry.filename)
            for piece in _unpacked(raw, entry, path):
                left -= len(piece)
                if left < 0:
                    raise InputError(_too_much(path, MOST_UNPACKED_BYTES))
                if spread is not None:
                    _look_at(spread, piece, path)


def _look_at(spread: Spread, piece: bytes, path: Path) -> None:
    try:
        spread.see(piece)
    except UnusualPartError as cause:
        raise InputError(_broken(path, str(cause))) from cause
    if spread.rows * spread.columns > MOST_CELLS:
        raise InputError(
            Problem(
                "the workbook spans a larger table than can be read",
                file=path.name,
                found=f"a cell in row {spread.rows:,}, another in column {spread.columns:,}",
                expected=f"at most {MOST_CELLS:,} cells from the first to the last",
                hint="delete what stands far below or beside the rows, or export as CSV",
            )
        )


def _unpacked(raw: IO[bytes], entry: zipfile.ZipInfo, path: Path) -> Iterator[bytes]:
    """Yield what an entry unpacks to, to its true end and not to the size it states."""
    raw.seek(entry.header_offset)
    head = raw.read(30)
    if len(head) < 30 or head[:4] != b"PK\x03\x04":
        raise InputError(_broken(path, f"the part {entry.filename!r} is not where the list says"))
    name_bytes, extra_bytes = struct.unpack("<HH", head[26:30])
    raw.seek(entry.header_offset + 30 + name_bytes + extra_bytes)
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise InputError(_broken(path, f"the part {entry.filename!r} is packed in an unusual way"))
    unpacking = zlib.decompressobj(-15) if entry.compress_type == zipfile.ZIP_DEFLATED else None
    left = entry.compress_size
    try:
        while left > 0 and (packed := raw.read(min(left, _PIECE_BYTES))):
            left -= len(packed)
            if unpacking is None:
                yield packed
                continue
            while packed:
                yield unpacking.decompress(packed, _PIECE_BYTES)
                packed = unpacking.unconsumed_tail
        if unpacking is not None:
            yield unpacking.flush()
    except zlib.error as cause:
        raise InputError(_broken(path, str(cause))) from cause


def _too_much(path: Path, most: int) -> Problem:
    return Problem(
        "the workbook is larger than can be read",
        file=path.name,
        found=f"over {most // MB} MB unpacked from {max(path.stat().st_size // 1024, 1):,} kB",
        expected=f"at most {most // MB} MB",
        hint="export as CSV, or in parts; of a workbook somebody sent, ask what it is",
    )


def _broken(path: Path, found: str) -> Problem:
    return Problem("the workbook cannot be opened", file=path.name, found=found, hint="save it again, or export as CSV")
