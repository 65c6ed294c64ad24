"""From a lived press to files: exports, bench sheet, plant file and truth.

Comes in: a scenario, a seed and a folder. Goes out: the contract's files in that folder, the same bytes every time.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from trendkit.errors import InputError, Problem
from trendkit.simulate import bench
from trendkit.simulate.disturbances import CAUSES, draw_events
from trendkit.simulate.export_files import SHAPES, write_exports
from trendkit.simulate.family import draw_household
from trendkit.simulate.faults import EFFECTS, InstrumentFault, Spoilt, draw_faults, spoil
from trendkit.simulate.meters import (
    Meter,
    Readings,
    Units,
    bare_meters,
    full_meters,
    read_meter,
    state_texts,
    true_readings,
)
from trendkit.simulate.operation import Grid
from trendkit.simulate.plant import Lived, begin_life, lived, tuning_truth
from trendkit.simulate.plant_file import PressText, plant_text
from trendkit.simulate.randomness import stream
from trendkit.simulate.scenarios import Depth, Scenario, scenario_named
from trendkit.simulate.stretch import sludge_density_kg_m3
from trendkit.simulate.truth_table import step_roles

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


@dataclass(frozen=True)
class Recorded:
    """One press as its meters, its bench and its plant file tell it."""

    lived: Lived
    spoilt: Spoilt
    faults: tuple[InstrumentFault, ...]
    sheet: pd.DataFrame
    text: PressText


def make_grid(first_day: date, days: int, timezone: str, step_s: float = STEP_S) -> Grid:
    """Return the grid of `days` plant days from `first_day` at midnight plant time."""
    start = pd.Timestamp(first_day).tz_localize(timezone).tz_convert("UTC")
    end = (pd.Timestamp(first_day) + pd.Timedelta(days=days)).tz_localize(timezone).tz_convert("UTC")
    return Grid(start, round((end - start).total_seconds() / step_s), step_s, timezone)


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
        problem = Problem(
            "this is not a day", place="start", found=repr(start), expected="YYYY-MM-DD, as in 2026-03-14"
        )
        raise InputError(problem) from None


def streams_of(seed: int, slug: str) -> Callable[[str], np.random.Generator]:
    """Return the streams of one press: concern -> a fresh generator, the same every time it is asked for."""
    return lambda concern: stream(seed, slug, concern)


def live_scenario(scenario: Scenario, seed: int, first_day: date, days: int, number: int) -> Lived:
    """Return press `number` of a scenario's plant, lived through."""
    household = draw_household(scenario, seed, number)
    grid = make_grid(first_day, days, TIMEZONE)
    streams = streams_of(seed, household.station.machine.slug)
    life = begin_life(household, grid, first_day, days, scenario.variation, streams)
    events = draw_events(
        life.timeline.runs,
        scenario.upsets_per_run,
        scenario.look_alikes_per_run,
        scenario.share_overlapping,
        scenario.causes or CAUSES,
        streams("events"),
    )
    return lived(life, events)


def record(
    press: Lived,
    meters: tuple[Meter, ...],
    faults: tuple[InstrumentFault, ...],
    seed: int,
    every_s: float,
    grabs_per_run: int,
    has_slips: bool,
    fixed_strength: str = "",
) -> Recorded:
    """Return what meters, bench and plant file make of a lived press."""
    history, machine = press.history, press.household.station.machine
    streams = streams_of(seed, machine.slug)
    grid = history.grid
    roles = step_roles(history, machine)
    roles["filtrate_turbidity"] = roles["filtrate_solids"] * press.turbidity_per_mg_l
    seconds = np.arange(0.0, grid.n * grid.step_s, every_s)
    steps = seconds // grid.step_s
    readings = {}
    for meter in meters:
        if meter.kind == "state":
            texts = state_texts(
                meter, roles, history.drivers.timeline.mode, history.drivers.feed.source, steps
            )
            readings[meter.tag] = Readings(meter, None, texts)
        else:
            true = np.nan_to_num(true_readings(meter, roles, steps, grid.step_s))
            readings[meter.tag] = Readings(meter, read_meter(meter, true, every_s, streams))
    spoilt = spoil(Spoilt(seconds, readings), faults, every_s, streams("fault noise"))
    sheet = bench.bench_sheet(history, machine.name, roles, grabs_per_run, has_slips, streams)
    usual_solids = np.array([press.household.station.sludge.feed_solids_pct / 100.0])
    density = round(float(sludge_density_kg_m3(usual_solids)[0]))
    has_filtrate = any(meter.role == "filtrate_flow" for meter in meters)
    text = PressText(press.household, meters, density, fixed_strength, has_filtrate)
    return Recorded(press, spoilt, faults, sheet, text)


def scenario_meters(press: Lived, scenario: Scenario, units: Units) -> tuple[Meter, ...]:
    """Return the meters of a scenario's press."""
    station = press.household.station
    settings, machine = station.settings, station.machine
    prefix = machine.slug.upper().replace("-", "")
    polymer = settings.feed_flow_m3_h * station.sludge.feed_solids_pct * 10.0 * settings.dose_kg_t / 1000.0
    polymer_l_h = polymer / (settings.strength_pct / 100.0)
    if scenario.depth == "bare":
        fastest = max(
            settings.gravity_belt_m_min * 2.4, settings.thickening_belt_m_min * 1.2 * scenario.thickens
        )
        return bare_meters(prefix, units, round(polymer_l_h * 2.6, -1), round(fastest, 1), 8.0)
    usual = {
        "feed_flow": max(settings.feed_flow_m3_h, settings.thickening_feed_m3_h),
        "filtrate_flow": max(settings.feed_flow_m3_h, settings.thickening_feed_m3_h) + machine.washwater_m3_h,
        "polymer_flow": polymer_l_h,
        "washwater_flow": machine.washwater_m3_h,
    }
    return full_meters(prefix, units, scenario.thickens, usual)


def record_scenario(
    press: Lived, scenario: Scenario, seed: int, every_s: float, shape: str, units: Units
) -> Recorded:
    """Return a scenario's press as recorded."""
    machine = press.household.station.machine
    meters = scenario_meters(press, scenario, units)
    tags = {meter.tag: meter.role for meter in meters if meter.kind != "state"}
    pressing = np.repeat((press.table["phase"] == "pressing").to_numpy(), 60)
    faults = draw_faults(
        tags,
        scenario.faults_per_week,
        press.history.grid.n * press.history.grid.step_s,
        "quality" in shape,
        pressing,
        stream(seed, machine.slug, "faults"),
    )
    strength = f"{press.household.station.settings.strength_pct:g} %" if scenario.depth == "bare" else ""
    grabs = 3 if scenario.depth == "bare" else 2
    return record(press, meters, faults, seed, every_s, grabs, scenario.faults_per_week > 0.0, strength)


def write_plant(
    folder: Path,
    recorded: list[Recorded],
    plant_toml: str,
    shapes: list[str],
    changes_only: bool,
    truth: Path | None,
) -> None:
    """Write exports, bench sheet, plant file and (when `truth` is given) truth of the presses."""
    for press, shape in zip(recorded, shapes, strict=True):
        slug = press.lived.household.station.machine.slug
        write_exports(folder / "exports", slug, press.spoilt, press.lived.history.grid, shape, changes_only)
    write_sheet(
        folder / "lab.csv", [press.sheet for press in recorded], recorded[0].lived.history.grid.timezone
    )
    (folder / "plant.toml").write_text(plant_toml, encoding="utf-8", newline="\n")
    if truth is not None:
        write_truth(truth, recorded)


def write_sheet(path: Path, sheets: list[pd.DataFrame], timezone: str) -> None:
    """Write the bench sheet, rows in order of sampling, times as plant time without offset."""
    table = pd.concat(sheets, ignore_index=True).sort_values("sampled_at", kind="stable")
    local = pd.DatetimeIndex(table["sampled_at"]).tz_convert(timezone).strftime("%Y-%m-%d %H:%M")
    table.assign(sampled_at=local).to_csv(path, index=False, lineterminator="\n")


def write_truth(folder: Path, recorded: list[Recorded]) -> None:
    """Write what truly happened: series, upsets, other events, instrument faults and the best speed."""
    folder.mkdir(parents=True, exist_ok=True)
    series = pd.concat([press.lived.table for press in recorded])
    series.reset_index().to_parquet(folder / "series.parquet", index=False)
    upsets = pd.concat([press.lived.upsets for press in recorded], ignore_index=True)
    _csv(upsets, folder / "upsets.csv")
    others = pd.concat([press.lived.other_events for press in recorded], ignore_index=True)
    _csv(others, folder / "other_events.csv")
    _csv(faults_table(recorded), folder / "faults.csv")
    presses = [tuning_truth(press.lived) for press in recorded]
    text = json.dumps({"presses": presses} | presses[0], indent=1)
    (folder / "tuning.json").write_text(text + "\n", encoding="utf-8", newline="\n")


def _csv(table: pd.DataFrame, path: Path) -> None:
    shown = table.copy()
    for column in shown.columns:
        if pd.api.types.is_datetime64_any_dtype(shown[column]):
            shown[column] = shown[column].map(lambda moment: moment.isoformat() if pd.notna(moment) else "")
    shown.to_csv(path, index=False, lineterminator="\n")


def faults_table(recorded: list[Recorded]) -> pd.DataFrame:
    """Return the instrument faults put in, one row each, times UTC."""
    rows = []
    for press in recorded:
        grid = press.lived.history.grid
        slug = press.lived.household.station.machine.slug
        for fault in press.faults:
            start, end = grid.moment(fault.start_s).ceil("min"), grid.moment(fault.end_s).ceil("min")
            rows.append((slug, fault.tag, fault.role, fault.fault, start, end, EFFECTS[fault.fault]))
    return pd.DataFrame(rows, columns=FAULT_COLUMNS)


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
        How the exports look: one of `export_files.SHAPES`; the scenario's own when not given.
    units
        Units of the tags, "si" or "us".

    Raises
    ------
    InputError
        When scenario, shape, days or interval are not possible; it lists those that are.
    """
    kind = scenario_named(scenario, depth)
    first_day = as_day(start)
    chosen = shape or ("long-csv" if kind.recording == "changes" else kind.shape)
    _check(days, every_s, chosen)
    folder = Path(out)
    recorded = []
    for number in range(1, kind.presses + 1):
        press = live_scenario(kind, seed, first_day, days, number)
        recorded.append(record_scenario(press, kind, seed, every_s, chosen, units))
    household = recorded[0].lived.household
    text = plant_text(
        "Invented plant",
        TIMEZONE,
        units,
        [press.text for press in recorded],
        household.prices,
        lab_uncertainty=bench.STATED,
    )
    if (folder / "exports").exists():
        shutil.rmtree(folder / "exports")
    folder.mkdir(parents=True, exist_ok=True)
    changes_only = kind.recording == "changes" and chosen.startswith("long")
    write_plant(folder, recorded, text, [chosen] * len(recorded), changes_only, folder / "truth")
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


def _check(days: int, every_s: float, shape: str) -> None:
    problems = []
    if days < 1:
        problems.append(Problem("too few days", place="--days", found=str(days), expected="1 or more"))
    if every_s < STEP_S or every_s % STEP_S:
        problems.append(
            Problem(
                "readings cannot come that often",
                place="every_s",
                found=f"{every_s:g}",
                expected="a multiple of 10 s",
            )
        )
    if shape not in SHAPES:
        problems.append(
            Problem("no such export shape", place="shape", found=repr(shape), expected=", ".join(SHAPES))
        )
    if problems:
        raise InputError(problems)
