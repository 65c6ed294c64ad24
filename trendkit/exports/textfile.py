"""A text file as bytes: what kind of file it really is, its encoding, and its lines at the start, the end and between.

Nothing here knows of tags or times. Files are opened through one function, packed or not, so that a packed file
is looked at like any other.
"""

from __future__ import annotations

import io
import os
import re
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import IO, Any, Literal, cast

from trendkit.errors import InputError, Problem

Packing = Literal["", "gzip", "zstd"]

HEAD_BYTES = 256 * 1024
TAIL_BYTES = 64 * 1024
WHOLE_BYTES = 32 * 1024 * 1024  # files up to this size are looked at whole

COPY_NAME = "plain.csv"

# Control bytes but for those of white space, the zero that pads some exports, and the old mark of a file's end.
_CONTROLS = bytes(sorted(set(range(1, 32)) - set(b"\t\n\v\f\r\x1a")))
_ENCODING_WORDS = {"utf-8": "UTF-8", "utf-16": "UTF-16", "utf-16-le": "UTF-16", "cp1252": "Windows-1252"}


@dataclass(frozen=True)
class TextFile:
    """A text file and how its bytes are to be read."""

    path: Path
    packing: Packing
    encoding: str
    size_bytes: int
    needs_copy: bool  # DuckDB cannot read it as it is: another encoding, mixed line ends, NUL bytes
    nul_bytes: int
    head: str  # decoded, at most HEAD_BYTES, cut at a line end
    is_whole: bool  # `head` is the whole file
    tail: str | None  # decoded, the last that was seen of a packed file; it may begin and end inside a line
    seen_share: float  # of a packed file; 1 for any other, whose end can be seen
    ends_with_newline: bool | None  # None: unknown, the file being packed and large
    changed_ns: int = 0  # when it was last changed, as the system tells it

    def has_changed(self) -> bool:
        """Return True when the file is not any more what it was when it was looked at."""
        try:
            now = self.path.stat()
        except OSError:
            return True
        return (now.st_size, now.st_mtime_ns) != (self.size_bytes, self.changed_ns)

    @property
    def encoding_words(self) -> str:
        """The encoding as people call it."""
        return _ENCODING_WORDS.get(self.encoding, self.encoding)


@contextmanager
def open_bytes(path: Path, packing: Packing) -> Iterator[tuple[IO[bytes], IO[bytes]]]:
    """Give an open file's unpacked bytes, and the file itself, whose position tells how much of it was used."""
    with path.open("rb") as raw:
        if packing == "gzip":
            import gzip

            try:
                with gzip.GzipFile(fileobj=raw) as unpacked:
                    yield cast(IO[bytes], unpacked), raw
            except zlib.error as cause:  # the one kind of damage that is not told as an error of the file
                raise gzip.BadGzipFile(str(cause)) from cause
        elif packing == "zstd":
            import pyarrow as pa

            stream = pa.CompressedInputStream(pa.PythonFile(raw), "zstd")
            with io.BufferedReader(_ArrowBytes(stream)) as buffered:
                yield cast(IO[bytes], buffered), raw
        else:
            yield raw, raw


class _ArrowBytes(io.RawIOBase):
    """An Arrow input stream as Python's io module wants it."""

    def __init__(self, stream: Any) -> None:
        self._stream = stream

    def readable(self) -> bool:
        """Return True: it is read and never written."""
        return True

    def readinto(self, buffer: Any) -> int:
        """Fill a buffer and return how many bytes came; 0 at the end."""
        piece = self._stream.read(len(buffer))
        buffer[: len(piece)] = piece
        return len(piece)

    def close(self) -> None:
        """Let go of the stream."""
        self._stream.close()
        super().close()


def signature(
    path: Path,
) -> Literal["empty", "workbook", "old_workbook", "parquet", "gzip", "zstd", "pdf", "text"]:
    """Return what a file is by its first bytes, whatever its name says."""
    with path.open("rb") as file:
        start = file.read(8)
    if not start:
        return "empty"
    for beginning, kind in (
        (b"PK\x03\x04", "workbook"),
        (b"\xd0\xcf\x11\xe0", "old_workbook"),
        (b"PAR1", "parquet"),
        (b"\x1f\x8b", "gzip"),
        (b"\x28\xb5\x2f\xfd", "zstd"),
        (b"%PDF", "pdf"),
    ):
        if start.startswith(beginning):
            return kind  # type: ignore[return-value]
    return "text"


def look_at(path: Path) -> TextFile:
    """Return a text file with its encoding and its first lines; an unchanged file is looked at once.

    Raises
    ------
    InputError
        When the file holds nothing, or is cut off inside its packing.
    """
    state = path.stat()
    return _look_at(path, state.st_size, state.st_mtime_ns)


@lru_cache(maxsize=64)
def _look_at(path: Path, size: int, modified_ns: int) -> TextFile:
    """Look at a file of this size and time of change; both are only asked for so that a changed file is seen anew."""
    kind = signature(path)
    packing: Packing = "gzip" if kind == "gzip" else "zstd" if kind == "zstd" else ""
    start, rest, seen_share = _first_bytes(path, packing, size)
    _refuse_no_text(start, path.name)
    seen = start + rest
    encoding = _encoding(seen)
    has_wide_letters = encoding.startswith("utf-16")  # every other byte of plain text is zero
    nul_bytes = 0 if has_wide_letters else seen.count(b"\x00")
    return TextFile(
        path,
        packing,
        encoding,
        size,
        needs_copy=encoding != "utf-8" or nul_bytes > 0 or _mixes_line_ends(seen),
        nul_bytes=nul_bytes,
        head=_decoded_head(start, encoding, is_cut=bool(rest)),
        is_whole=not rest,
        tail=_decoded(seen[-TAIL_BYTES:], encoding) if packing else None,
        seen_share=seen_share,
        ends_with_newline=_ends_with_newline(path, packing, seen),
        changed_ns=modified_ns,
    )


def _first_bytes(path: Path, packing: Packing, size: int) -> tuple[bytes, bytes, float]:
    """Return a file's first bytes, those after them as far as they are looked at, and the share of it that they are.

    The share is that of a packed file of `size` bytes; 1 of any other, whose end can be seen.
    """
    try:
        with open_bytes(path, packing) as (file, raw):
            start = file.read(HEAD_BYTES)
            rest = file.read(WHOLE_BYTES) if len(start) == HEAD_BYTES else b""
            return start, rest, min(raw.tell() / size, 0.99) if len(rest) == WHOLE_BYTES and packing else 1.0
    except (OSError, EOFError) as cause:
        hint = "copy it again, whole"
        problem = Problem("the packed file cannot be unpacked", file=path.name, found=str(cause), hint=hint)
        raise InputError(problem) from cause


def _refuse_no_text(start: bytes, name: str) -> None:
    """Raise an InputError for a file whose first bytes are no text, or nothing."""
    if _is_binary(start):
        found, expected = "bytes that spell no words or numbers", "a CSV, Parquet or workbook export"
        hint = "export the readings as CSV"
        raise InputError(Problem("the file is no text", file=name, found=found, expected=expected, hint=hint))
    if not start.strip(b"\x00\r\n\t \xef\xbb\xbf\xff\xfe"):
        expected, hint = "a header and rows", "export it again"
        raise InputError(Problem("the file is empty", file=name, found="no text", expected=expected, hint=hint))


def _is_binary(start: bytes) -> bool:
    """Return True when a file's beginning holds control bytes that no text of any encoding read here has."""
    seen = start[:65_536]
    if seen.startswith((b"\xff\xfe", b"\xfe\xff")):
        return False
    return len(seen) - len(seen.translate(None, _CONTROLS)) > 0.01 * len(seen)


def _mixes_line_ends(seen: bytes) -> bool:
    returns = seen.count(b"\r")
    return returns > 0 and not returns == seen.count(b"\r\n") == seen.count(b"\n")


def _encoding(seen: bytes) -> str:
    if seen.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    half = seen[: 2 * (min(len(seen), 4096) // 2)]
    if len(half) >= 8 and half[1::2].count(0) > 0.7 * len(half) / 2:
        return "utf-16-le"
    if seen.isascii():
        return "utf-8"
    try:
        seen.decode("utf-8")
    except UnicodeDecodeError as cause:
        if cause.start < len(seen) - 4:
            return "cp1252"
    return "utf-8"


def _decoded_head(start: bytes, encoding: str, is_cut: bool) -> str:
    text = _decoded(start, encoding).removeprefix("\ufeff")
    return text[: text.rfind("\n") + 1] if is_cut and "\n" in text else text


def _decoded(piece: bytes, encoding: str) -> str:
    """Return bytes as text with plain line ends."""
    plain = "utf-16-le" if encoding == "utf-16" and piece[:2] not in (b"\xff\xfe", b"\xfe\xff") else encoding
    return without_nul(piece.decode(plain, errors="replace").replace("\r\n", "\n").replace("\r", "\n"))


def _ends_with_newline(path: Path, packing: Packing, seen: bytes) -> bool | None:
    if packing:
        return seen.rstrip(b"\x00")[-1:] in (b"\n", b"\r") if len(seen) < HEAD_BYTES + WHOLE_BYTES else None
    with path.open("rb") as file:
        file.seek(-min(2, path.stat().st_size), os.SEEK_END)
        return file.read().rstrip(b"\x00")[-1:] in (b"\n", b"\r")


def without_nul(text: str) -> str:
    """Return a text with each run of NUL characters as one replacement character, so that its row is refused."""
    return re.sub("\x00+", "\ufffd", text) if "\x00" in text else text


def tail_lines(file: TextFile) -> list[str]:
    """Return the last lines of a file, or those last seen of a packed one, without a cut one at their start.

    The last line comes as it stands, also when it lacks its line end.
    """
    if file.is_whole:
        return [line for line in file.head.split("\n") if line.strip()]
    if file.packing:
        lines = (file.tail or "").split("\n")[1:]
        return [line for line in (lines if file.seen_share == 1.0 else lines[:-1]) if line.strip()]
    return lines_at(file, max(file.size_bytes - TAIL_BYTES, 0), TAIL_BYTES)


def lines_at(file: TextFile, position: int, count_bytes: int) -> list[str]:
    """Return the whole lines within `count_bytes` behind a byte position of an unpacked file."""
    with file.path.open("rb") as opened:
        opened.seek(position - position % 2 if file.encoding.startswith("utf-16") else position)
        lines = _decoded(opened.read(count_bytes), file.encoding).split("\n")
    is_end = position + count_bytes >= file.size_bytes
    lines = lines if is_end else lines[:-1]
    return [line for line in (lines if position == 0 else lines[1:]) if line.strip()]


def plain_copy(file: TextFile, folder: Path) -> Path:
    """Write a UTF-8 copy with plain line ends and NUL bytes marked, line for line; return its path."""
    copy = folder / COPY_NAME
    with open_bytes(file.path, file.packing) as (source, _), copy.open("w", encoding="utf-8", newline="\n") as target:
        text = io.TextIOWrapper(source, encoding=file.encoding, errors="replace", newline=None)
        while piece := text.read(4 * 1024 * 1024):
            target.write(without_nul(piece).removeprefix("\ufeff"))
        text.detach()
    return copy


def blank_lines(path: Path, packing: Packing, first_line: int) -> Iterator[int]:
    """Yield the numbers of the empty lines from `first_line` on (the first line of a file is 1)."""
    with open_bytes(path, packing) as (file, _):
        done = 0
        rest = b""
        while piece := file.read(4 * 1024 * 1024):
            piece = rest + piece
            end = piece.rfind(b"\n") + 1
            rest, piece = piece[end:], piece[:end]
            if b"\n\n" in piece or b"\n\r\n" in piece or piece[:1] in b"\r\n":
                for offset, line in enumerate(piece.split(b"\n")[:-1], start=done + 1):
                    if not line.strip() and offset >= first_line:
                        yield offset
            done += piece.count(b"\n")
