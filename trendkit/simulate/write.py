"""From a scenario's name and a seed to files: exports, bench sheet, plant file and truth.

Comes in: a scenario, a seed and a folder. Goes out: the contract's files in that folder, the same bytes every
time.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pandas as pd

from trendkit.errors import InputError, Problem
from trendkit.simulate import bench
from trendkit.simulate.disturbances import CAUSES, draw_events
from trendkit.simulate.export_files import Clock, write_exports
from trendkit.simulate.family import draw_household
from trendkit.simulate.faults import EFFECTS
from trendkit.simulate.meters import Units
from trendkit.simulate.operation import Grid
from trendkit.simulate.plant import Lived, begin_life, lived, tuning_truth
from trendkit.simulate.plant_file import plant_text
from trendkit.simulate.record import Recorded, record_scenario, streams_of
from trendkit.simulate.scenarios import Depth, Scenario, scenario_named
from trendkit.simulate.shapes import SHAPES

TIMEZONE = "America/Denver"
FIRST_DAY = date(2026, 2, 2)
STEP_S = 10.0
FAULT_COLUMNS = ["press", "tag", "role", "fault", "start", "end", "effect"]


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
    every_s: float = 60.0,
    shape: str | None = None,
    units: Units = "si",
) -> SimulatedPlant:
    """Write an invented plant with known truth into a folder and return where everything is.

    Parameters
    ----------
    out
        Folder to write into; what an earlier call wrote there is replaced.
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
        When scenario, shape, day, days or interval are not possible; it lists those that are.
    """
    kind = scenario_named(scenario, depth)
    first_day, chosen = as_day(start), shape or kind.shape
    _check(days, every_s, chosen)
    recorded = [
        record_scenario(live_scenario(kind, seed, first_day, days, number), kind, seed, every_s, SHAPES[chosen], units)
        for number in range(1, kind.presses + 1)
    ]
    clock = Clock(kind.clock_timezone or TIMEZONE, kind.clock_ahead_s)
    folder = Path(out)
    if (folder / "exports").exists():
        shutil.rmtree(folder / "exports")
    folder.mkdir(parents=True, exist_ok=True)
    for press in recorded:
        slug, grid = press.lived.household.station.machine.slug, press.lived.history.grid
        write_exports(folder / "exports", slug, press.spoilt, grid, SHAPES[chosen], clock, kind.records_changes)
    write_sheet(folder / "lab.csv", [press.sheet for press in recorded], TIMEZONE)
    (folder / "plant.toml").write_text(_plant_text(recorded, kind, units), encoding="utf-8", newline="\n")
    write_truth(folder / "truth", recorded)
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


def _plant_text(recorded: Sequence[Recorded], kind: Scenario, units: Units) -> str:
    sources = []
    if kind.clock_timezone or kind.clock_ahead_s:
        sources = [("bfp-*", kind.clock_timezone or TIMEZONE, -kind.clock_ahead_s)]
    prices = recorded[0].lived.household.prices
    texts = [press.text for press in recorded]
    return plant_text("Invented plant", TIMEZONE, units, texts, prices, sources=sources, lab_uncertainty=bench.STATED)


def _check(days: int, every_s: float, shape: str) -> None:
    problems = []
    if days < 1:
        problems.append(Problem("too few days", place="--days", found=str(days), expected="1 or more"))
    if every_s < STEP_S or every_s % STEP_S:
        problem = Problem(
            "readings cannot come that often", place="every_s", found=f"{every_s:g}", expected="a multiple of 10 s"
        )
        problems.append(problem)
    if shape not in SHAPES:
        problems.append(Problem("no such export shape", place="shape", found=repr(shape), expected=", ".join(SHAPES)))
    if problems:
        raise InputError(problems)


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
        raise InputError(Problem("this is not a day", place="start", found=repr(start), expected=expected)) from None


def make_grid(first_day: date, days: int, timezone: str, step_s: float = STEP_S) -> Grid:
    """Return the grid of `days` plant days from `first_day` at midnight plant time."""
    start = pd.Timestamp(first_day).tz_localize(timezone).tz_convert("UTC")
    end = (pd.Timestamp(first_day) + pd.Timedelta(days=days)).tz_localize(timezone).tz_convert("UTC")
    return Grid(start, round((end - start).total_seconds() / step_s), step_s, timezone)


def live_scenario(scenario: Scenario, seed: int, first_day: date, days: int, number: int = 1) -> Lived:
    """Return press `number` of a scenario's plant, lived through with its events."""
    household = draw_household(scenario, seed, number)
    streams = streams_of(seed, household.station.machine.slug)
    life = begin_life(household, make_grid(first_day, days, TIMEZONE), first_day, days, scenario.variation, streams)
    events = draw_events(
        life.timeline.runs,
        scenario.upsets_per_run,
        scenario.look_alikes_per_run,
        scenario.share_overlapping,
        scenario.causes or CAUSES,
        scenario.severities,
        streams("events"),
    )
    return lived(life, events)


def write_sheet(path: Path, sheets: Sequence[pd.DataFrame], timezone: str) -> None:
    """Write the bench sheet, rows in order of sampling, times as plant time without offset."""
    table = pd.concat(sheets, ignore_index=True).sort_values("sampled_at", kind="stable")
    local = pd.DatetimeIndex(table["sampled_at"]).tz_convert(timezone).strftime("%Y-%m-%d %H:%M")
    table.assign(sampled_at=local).to_csv(path, index=False, lineterminator="\n")


def write_truth(folder: Path, recorded: Sequence[Recorded]) -> None:
    """Write what truly happened: series, upsets, other events, instrument faults and the best speed."""
    folder.mkdir(parents=True, exist_ok=True)
    series = pd.concat([press.lived.table for press in recorded])
    series.reset_index().to_parquet(folder / "series.parquet", index=False)
    _csv(pd.concat([press.lived.upsets for press in recorded], ignore_index=True), folder / "upsets.csv")
    others = pd.concat([press.lived.other_events for press in recorded], ignore_index=True)
    _csv(others, folder / "other_events.csv")
    _csv(faults_table(recorded), folder / "faults.csv")
    presses = [tuning_truth(press.lived) for press in recorded]
    text = json.dumps(presses[0] | {"presses": presses}, indent=1)
    (folder / "tuning.json").write_text(text + "\n", encoding="utf-8", newline="\n")


def _csv(table: pd.DataFrame, path: Path) -> None:
    shown = table.copy()
    for column in shown.columns:
        if pd.api.types.is_datetime64_any_dtype(shown[column]):
            shown[column] = [moment.isoformat() if pd.notna(moment) else "" for moment in shown[column]]
    shown.to_csv(path, index=False, lineterminator="\n")


def faults_table(recorded: Sequence[Recorded]) -> pd.DataFrame:
    """Return the instrument faults put in, one row each, times UTC."""
    rows = []
    for press in recorded:
        grid, slug = press.lived.history.grid, press.lived.household.station.machine.slug
        for fault in press.faults:
            start, end = grid.moment(fault.start_s).ceil("min"), grid.moment(fault.end_s).ceil("min")
            rows.append((slug, fault.tag, fault.role, fault.fault, start, end, EFFECTS[fault.fault]))
    return pd.DataFrame(rows, columns=FAULT_COLUMNS)
