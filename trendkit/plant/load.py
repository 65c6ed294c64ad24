"""The plant file: a path in, a checked `Plant` in SI out, or one error that lists every mistake."""

from __future__ import annotations

import hashlib
import re
import tomllib
from pathlib import Path
from typing import Any

from trendkit.errors import InputError, Problem
from trendkit.plant.model import Plant


def load_plant(path: Path | str) -> Plant:
    """Return the plant a TOML file describes, checked and in SI units.

    Raises
    ------
    InputError
        With every mistake of the file at once: line and key, what was found, what was expected, what to do.
        One problem alone when the file is missing, unreadable or no TOML.
    """
    from trendkit.plant.assemble import assemble  # pydantic and pint load only when a plant file is read

    path = Path(path)
    content = _content(path)
    text = _text(path, content)
    try:
        return assemble(_tables(path, text), text, path, hashlib.sha256(content).hexdigest())
    except RecursionError:
        expected = "sections, keys and lists in lists at most"
        raise InputError(
            Problem("tables are nested too deeply for a plant file", str(path), expected=expected)
        ) from None


def _content(path: Path) -> bytes:
    expected = "the plant file, as in plant.toml"
    if path.is_dir():
        inside = path / "plant.toml"
        hint = f"name {inside}" if inside.is_file() else None
        raise InputError(Problem("this is a folder", str(path), expected=expected, hint=hint))
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError(Problem("there is no such file", str(path), expected=expected)) from None
    except OSError as error:
        raise InputError(
            Problem("this file cannot be read", str(path), found=error.strerror, expected=expected)
        ) from None


def _text(path: Path, content: bytes) -> str:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        hint = "save the file again as UTF-8 text"
        raise InputError(
            Problem("this is no UTF-8 text", str(path), f"line {line}", expected="UTF-8", hint=hint)
        ) from None


def _tables(path: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message, place = str(error), None
        match = re.fullmatch(r"(.*) \(at (line \d+, column \d+|end of document)\)", message, re.S)
        if match:
            message, place = match.groups()
        hint = 'texts stand in double quotes, as in tag = "FEED"' if "alue" in message else None
        problem = Problem(
            "this is no valid TOML", str(path), place, message.lower(), 'lines such as key = "value"', hint
        )
        raise InputError(problem) from None
