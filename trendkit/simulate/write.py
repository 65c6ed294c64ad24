"""From a scenario's name and a seed to files: exports, bench sheet, plant file and truth.

Comes in: a scenario, a seed and a folder. Goes out: the contract's files in that folder, the same bytes every
time, all of them or none.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd

from trendkit.errors import InputError, Problem
from trendkit.simulate import bench
from trendkit.simulate.export_files import Clock, write_exports
from trendkit.simulate.from_scenario import TIMEZONE, live_scenario, record_scenario
from trendkit.simulate.meters import Units
from trendkit.simulate.operation import STEP_S
from trendkit.simulate.plant_file import LEAD, plant_text
from trendkit.simulate.record import Recorded
from trendkit.simulate.scenarios import Depth, Scenario, scenario_named
from trendkit.simulate.shapes import SHAPES, ExportShape
from trendkit.simulate.truth_files import write_truth

FIRST_DAY = date(2026, 2, 2)
SLOWEST_S = 3600.0  # longest time between readings
PIECES = ("exports", "lab.csv", "plant.toml", "truth")


@dataclass(frozen=True)
class SimulatedPlant:
    """Where everything of an invented plant was written."""

    folder: Path
    plant: Path
    exports: tuple[Path, ...]
    lab: Path
    truth: Path  # folder
    scenario: str
    seed: int
    start_utc: pd.Timestamp
    end_utc: pd.Timestamp


def simulate(
    out: Path | str,
    days: int,
    seed: int,
    scenario: str = "",
    start: date | str | None = None,
    depth: Depth = "full",
    every_s: float = STEP_S * 6.0,
    shape: str | None = None,
    units: Units = "si",
) -> SimulatedPlant:
    """Write an invented plant with known truth into a folder and return where everything is.

    Parameters
    ----------
    out
        Folder to write into; an invented plant that an earlier call wrote there is replaced.
    days, seed, scenario
        How many plant days, which plant, of which kind (see `SCENARIOS`; "" is the ordinary one).
    start
        First plant day; 2026-02-02 when not given.
    depth
        "bare" writes the few-meter form of the scenario, the same as its name with "-bare".
    every_s
        Seconds between exported readings, a multiple of 10.
    shape
        How the exports look, one of `shapes.SHAPES`; the scenario's own when not given.
    units
        Units of the tags, "si" or "us".

    Raises
    ------
    InputError
        When scenario, shape, day, days or interval are not possible (it lists those that are), or when the
        folder holds anything in the place of a file to be written that is not of an invented plant.
    """
    kind = scenario_named(scenario, depth)
    first_day, looks = as_day(start), shape or kind.shape
    _require_possible(days, every_s, looks)
    folder = Path(out)
    _require_free(folder)
    recorded = [
        record_scenario(live_scenario(kind, seed, first_day, days, number), kind, seed, every_s, SHAPES[looks], units)
        for number in range(1, kind.presses + 1)
    ]
    folder.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(prefix=".unfinished-", dir=folder) as unfinished:
        _write_pieces(Path(unfinished), recorded, kind, SHAPES[looks], units)
        _put_in_place(Path(unfinished), folder)
    grid = recorded[0].lived.history.grid
    return SimulatedPlant(
        folder=folder,
        plant=folder / "plant.toml",
        exports=tuple(sorted((folder / "exports").iterdir())),
        lab=folder / "lab.csv",
        truth=folder / "truth",
        scenario=kind.name,
        seed=seed,
        start_utc=grid.start_utc,
        end_utc=grid.moment(grid.n * grid.step_s),
    )


def _write_pieces(folder: Path, recorded: Sequence[Recorded], kind: Scenario, shape: ExportShape, units: Units) -> None:
    clock = Clock(kind.clock_timezone or TIMEZONE, kind.clock_ahead_s)
    for press in recorded:
        slug, grid = press.lived.household.station.machine.slug, press.lived.history.grid
        write_exports(folder / "exports", slug, press.spoilt, grid, shape, clock, kind.records_changes)
    bench.write_sheet(folder / "lab.csv", [press.sheet for press in recorded], TIMEZONE)
    (folder / "plant.toml").write_text(_plant_text(recorded, kind, units), encoding="utf-8", newline="\n")
    write_truth(folder / "truth", recorded)


def _put_in_place(unfinished: Path, folder: Path) -> None:
    for name in PIECES:
        place = folder / name
        if place.is_dir():
            shutil.rmtree(place)
        os.replace(unfinished / name, place)


def _plant_text(recorded: Sequence[Recorded], kind: Scenario, units: Units) -> str:
    sources = []
    if kind.clock_timezone or kind.clock_ahead_s:
        sources = [("bfp-*", kind.clock_timezone or TIMEZONE, -kind.clock_ahead_s)]
    prices = recorded[0].lived.household.prices
    texts = [press.text for press in recorded]
    return plant_text("Invented plant", TIMEZONE, units, texts, prices, sources=sources, lab_uncertainty=bench.STATED)


def _require_possible(days: int, every_s: float, shape: str) -> None:
    problems = []
    if days < 1:
        problems.append(Problem("too few days", place="--days", found=str(days), expected="1 or more"))
    if not STEP_S <= every_s <= SLOWEST_S or every_s % STEP_S:
        expected = "a multiple of 10 s, up to 1 h"
        found = f"{every_s:g} s"
        problems.append(Problem("readings cannot come that often", place="--every", found=found, expected=expected))
    if shape not in SHAPES:
        expected = ", ".join(SHAPES)
        problems.append(Problem("there is no such export shape", place="--shape", found=repr(shape), expected=expected))
    if problems:
        raise InputError(problems)


def _require_free(folder: Path) -> None:
    """Refuse a folder in which something other than an invented plant would be written over."""
    for place in (folder, *folder.parents):
        if place.exists() and not place.is_dir():
            found, expected = f"{place}, which is a file", "a folder, there or to be made"
            raise InputError(Problem("an invented plant needs a folder", place="--out", found=found, expected=expected))
    plant = folder / "plant.toml"
    if plant.is_file() and plant.read_text(encoding="utf-8", errors="replace").startswith(LEAD):
        return
    taken = [name for name in PIECES if (folder / name).exists()]
    if taken:
        raise InputError(
            Problem(
                "an invented plant would write over what may be a real one",
                place="--out",
                found=f"{', '.join(taken)} in {folder}",
                expected="an empty folder, one to be made, or one with an invented plant",
                hint="name another folder",
            )
        )


def as_day(start: date | str | None) -> date:
    """Return the first day of a simulation.

    Raises
    ------
    InputError
        When the text is no day.
    """
    if start is None:
        return FIRST_DAY
    if isinstance(start, date):
        return start
    try:
        return date.fromisoformat(start)
    except ValueError:
        expected = "YYYY-MM-DD, as in 2026-03-14"
        raise InputError(Problem("this is not a day", place="--start", found=repr(start), expected=expected)) from None
