"""What a command was told, and what it has to say."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

Progress = Callable[[str], None]


def unheard(_: str) -> None:
    """Take what is being done, and say nothing."""


@dataclass(frozen=True)
class Call:
    """What one command was told: plant file, inputs, press and period, as typed."""

    plant: Path
    files: tuple[str, ...]
    press: str | None = None
    start: str | None = None
    end: str | None = None
    progress: Progress = unheard


@dataclass(frozen=True)
class Done:
    """What a command has to say: lines for a person, and the same as one JSON object."""

    summary: tuple[str, ...]
    as_json: dict[str, Any]
    pages: tuple[Path, ...] = ()  # the pages written, the one to read first in front
    code: int = 0  # the command's exit code

    def json_line(self) -> str:
        """Return the object as one line of JSON: null for what is not known, times in UTC ending in Z."""
        from trendkit.reports.jsonio import json_text

        return json_text(self.as_json, indent=None)
