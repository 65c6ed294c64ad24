"""One press of many: its review made where a worker runs, or found made before from the same readings."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trendkit.archive.files import write_whole
from trendkit.archive.kept import program_sign
from trendkit.archive.manifest import MANIFEST
from trendkit.archive.weeks import folder_of
from trendkit.errors import InputError
from trendkit.jobs.call import Call
from trendkit.plant import Plant, load_plant

if TYPE_CHECKING:
    import pandas as pd

MADE_FROM = "made_from.json"  # beside a press's review: what it rests on, so that the same is not made twice


@dataclass(frozen=True)
class PressTask:
    """The review of one press for one month, and the folder its files go to."""

    plant: Path
    press: str
    slug: str
    month: str
    out: Path

    @property
    def label(self) -> str:
        """How it is called on a terminal: the plant's folder and the press."""
        return f"{self.plant.parent.name}, {self.press}"


@dataclass(frozen=True)
class PressOutcome:
    """What came of one task. `failure` says in one sentence why there is no review, None when there is one."""

    page: Path | None = None
    was_made_before: bool = False
    failure: str | None = None


def review_press(task: PressTask) -> PressOutcome:
    """Write one press's review, unless it was made before from the same readings by the same version.

    Nothing is raised: whatever goes wrong with this press is said in the outcome, and the others go on.
    """
    try:
        plant = load_plant(task.plant)
        inputs = _inputs(plant)
        made_from = _made_from(task, plant, inputs)
        if _is_made(task.out, made_from):
            return PressOutcome(task.out / "review.html", was_made_before=True)
        page = Path(_review(task, inputs))
    except InputError as error:
        return PressOutcome(failure=error.in_one_line())
    except Exception as error:
        return PressOutcome(failure=f"Something unforeseen went wrong ({type(error).__name__}: {error}).")
    write_whole(task.out / MADE_FROM, (json.dumps({"made_from": made_from}, indent=1) + "\n").encode())
    return PressOutcome(page)


def _review(task: PressTask, inputs: tuple[str, ...]) -> str:
    from trendkit.jobs.pages import review

    done = review(Call(task.plant, inputs, task.press), task.month, task.out)
    page: str = done.as_json["presses"][task.slug]["page"]
    return page


def _inputs(plant: Plant) -> tuple[str, ...]:
    """Return what to read: nothing (the archive) where the plant has one, else the exports in the plant's folder."""
    has_archive = plant.archive_url is not None or (folder_of(plant) / MANIFEST).is_file()
    return () if has_archive else (str(plant.path.parent),)


def _made_from(task: PressTask, plant: Plant, inputs: tuple[str, ...]) -> dict[str, Any]:
    """Return what changes whenever the review would: version, plant file, month and the readings it rests on."""
    from trendkit.jobs.pages import review_spans

    said = _sign_of_files(plant, inputs) if inputs else _sign_of_archive(task, plant, review_spans(plant, task.month))
    return {
        "program": program_sign(),
        "plant_file_sha256": plant.sha256,
        "month": task.month,
        "readings": hashlib.sha256(json.dumps(said).encode()).hexdigest(),
    }


def _sign_of_files(plant: Plant, inputs: tuple[str, ...]) -> list[Any]:
    """Return the name, size and time of every file the plant's folder gives: told without reading them."""
    from trendkit.exports import find_inputs

    found = find_inputs(inputs, plant)
    files = sorted((*found.exports, *found.labs, *found.tickets, *found.deliveries))
    return [[file.name, file.stat().st_size, file.stat().st_mtime_ns] for file in files]


def _sign_of_archive(task: PressTask, plant: Plant, spans: Sequence[tuple[pd.Timestamp, pd.Timestamp]]) -> list[Any]:
    """Return the checksums of the readings, ingested files and bench results that bear on the review."""
    from trendkit.archive import read_archive
    from trendkit.exports.names import every_tag
    from trendkit.jobs.gate import read_weighed
    from trendkit.series.build import LOOK_BACK

    press = plant.press(task.press)
    assert press is not None, "tasks are made from the plant's own presses"
    tags = [tag.tag for tag in every_tag(plant.presses)]  # a shared meter is split by what the others do
    said: list[Any] = [[each.file, each.sha256] for each in read_weighed(plant, Call(task.plant, ())).inputs]
    for start, end in spans:
        kept = read_archive(plant, (press,), start - LOOK_BACK, end)
        said.append(kept.sign(start - LOOK_BACK, end, tags))
        said += [[each.file, each.sha256] for each in kept.inputs]
        if kept.lab is not None:
            is_read = (kept.lab["press"] == press.slug) & kept.lab["sampled_at"].between(start, end)
            said.append(kept.lab[is_read].to_csv(index=False))
    return said


def _is_made(folder: Path, made_from: dict[str, Any]) -> bool:
    from trendkit.reports.page_set import is_of_one_making

    try:
        kept = json.loads((folder / MADE_FROM).read_text(encoding="utf-8"))
        return kept["made_from"] == made_from and is_of_one_making(folder, "review")
    except (OSError, ValueError, KeyError):
        return False
