"""The index of several presses: one answer per press, each a link to its page."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from trendkit.plant.model import Plant, Press
from trendkit.reports.files import write_whole

_QUESTIONS = {
    "review": "How did the presses do?",
    "troubleshoot": "What went wrong on this day?",
    "tune": "Where should the gravity belts run?",
    "quality": "Can the readings be trusted?",
}


def write_index(folder: Path, plant: Plant, command: str, answers: Sequence[tuple[Press, str]]) -> Path:
    """Write ``index.html`` into `folder`: for each press its answer and a link to ``<slug>/<command>.html``.

    `answers` holds each press with the answer its page opens with, in the order to show.
    """
    from trendkit.reports.page import render

    entries = [(press.name, f"{press.slug}/{command}.html", answer) for press, answer in answers]
    text = render("index.html.j2", plant=plant.name, question=_QUESTIONS.get(command, command), entries=entries)
    return write_whole(folder, {"index.html": text})[0]
