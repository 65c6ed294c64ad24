"""The index of several presses: one answer per press, each a link to its page; reviews side by side."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from trendkit.plant.model import Plant, Press
from trendkit.reports.files import write_whole
from trendkit.reports.page import Cell, Head, Sheet
from trendkit.reports.shown import Shown
from trendkit.reports.words import figure_name

_QUESTIONS = {
    "review": "How did the presses do?",
    "troubleshoot": "What went wrong on this day?",
    "tune": "Where should the gravity belts run?",
    "quality": "Can the readings be trusted?",
    "compare": "Did the change help?",
}
_SIDE_BY_SIDE = (
    "capture_pct",
    "cake_solids_pct",
    "polymer_dose_kg_t",
    "solids_loading_kg_h_m",
    "press_hours",
    "dry_cake_t",
    "cost_per_dry_t",
)


def write_index(folder: Path, plant: Plant, command: str, answers: Sequence[tuple[Press, str]]) -> Path:
    """Write ``index.html`` into `folder`: for each press its answer and a link to ``<slug>/<command>.html``.

    `answers` holds each press with the answer its page opens with, in the order to show. Reviews are also set side
    by side, from the ``review.json`` each press's folder holds.
    """
    from trendkit.reports.page import render

    entries = [(press.name, f"{press.slug}/{command}.html", answer) for press, answer in answers]
    question = _QUESTIONS.get(command, command)
    together = _side_by_side(folder, plant, [press for press, _ in answers]) if command == "review" else None
    text = render("index.html.j2", plant=plant.name, question=question, entries=entries, together=together)
    return write_whole(folder, {"index.html": text})[0]


def _side_by_side(folder: Path, plant: Plant, presses: Sequence[Press]) -> Sheet | None:
    """Return the figures of every press in one table, None where no review can be read."""
    shown = Shown(plant.display_units, plant.costs.currency if plant.costs else "")
    read = [(press, _review_in(folder / press.slug / "review.json")) for press in presses]
    known = [(press, review) for press, review in read if review is not None]
    if not known:
        return None
    heads = (
        Head("Press", is_short=True),
        *(Head(figure_name(name, shown.system), shown.unit(name), is_number=True) for name in _SIDE_BY_SIDE),
        Head("Upsets", is_number=True),
    )
    rows = tuple(_row(press, review, shown) for press, review in known)
    return Sheet("The presses side by side", heads, rows)


def _row(press: Press, review: Mapping[str, Any], shown: Shown) -> tuple[Cell | str, ...]:
    cells = [_cell(review["figures"].get(name), name, shown) for name in _SIDE_BY_SIDE]
    return (press.name, *cells, str(len(review["upsets"])))


def _review_in(path: Path) -> dict[str, Any] | None:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) and {"figures", "upsets"} <= found.keys() else None


def _cell(figure: Mapping[str, Any] | None, name: str, shown: Shown) -> Cell:
    if figure is None:
        return Cell(shown.digits(None, name))
    text = shown.digits(figure["value"], name, figure["low"], figure["high"])
    return Cell(text, "misses" if figure["meets_target"] is False else "")
