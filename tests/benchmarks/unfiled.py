"""An invented plant read by perfect clerks: lived and metered minute by minute, its figures computed, no files between.

A third of the work of `played.py`. What is left out: export files and their reading, the grid's weighing (a reading a
minute stands for its minute), the search for instrument faults, steps of the simulator finer than a minute. Good for
scenarios without events and faults; the scores that use it check a few plants against `played.py`.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from trendkit.plant import Plant, Press, load_plant
from trendkit.plant.roles import ROLES
from trendkit.press import FigureTable, compute_figures
from trendkit.simulate import bench
from trendkit.simulate.family import draw_household
from trendkit.simulate.from_scenario import TIMEZONE, record_scenario
from trendkit.simulate.operation import make_grid
from trendkit.simulate.plant import begin_life, lived, tuning_truth
from trendkit.simulate.plant_file import plant_text
from trendkit.simulate.record import Recorded, streams_of
from trendkit.simulate.scenarios import scenario_named
from trendkit.simulate.shapes import SHAPES

FIRST_DAY = date(2026, 2, 2)
STEP_S = 60.0


@dataclass(frozen=True)
class Unfiled:
    """One press with its figures, and the truth on its best speed."""

    seed: int
    plant: Plant
    press: Press
    table: FigureTable
    tuning: dict[str, Any]


def unfiled(scenario: str, seed: int, days: int) -> Unfiled:
    """Return press 1 of a scenario's plant, its figures computed from a reading a minute."""
    kind = scenario_named(scenario)
    household = draw_household(kind, seed, 1)
    streams = streams_of(seed, household.station.machine.slug)
    grid = make_grid(FIRST_DAY, days, TIMEZONE, STEP_S)
    life = begin_life(household, grid, FIRST_DAY, days, kind.variation, streams)
    recorded = record_scenario(lived(life, ()), kind, seed, STEP_S, SHAPES[kind.shape], "si")
    plant = _plant(recorded)
    roles = _roles(recorded)
    basis = dict.fromkeys(roles.columns, "metered")
    press = plant.presses[0]
    table = compute_figures(roles, basis, _samples(recorded, press), press, plant, int(STEP_S))
    return Unfiled(seed, plant, press, table, tuning_truth(recorded.lived))


def _plant(recorded: Recorded) -> Plant:
    text = plant_text(
        "Invented plant", TIMEZONE, "si", [recorded.text], recorded.lived.household.prices, lab_uncertainty=bench.STATED
    )
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "plant.toml"
        place.write_text(text, encoding="utf-8")
        return load_plant(place)


def _roles(recorded: Recorded) -> pd.DataFrame:
    grid = recorded.lived.history.grid
    index = pd.date_range(grid.start_utc, periods=grid.n, freq="min", name="time")
    columns: dict[str, Any] = {}
    for read in recorded.spoilt.readings.values():
        meter = read.meter
        if meter.kind == "counter":
            continue  # the rate beside it tells the same
        if read.texts is None:
            columns[ROLES[meter.role].column] = (read.numbers - meter.offset) / meter.factor
        elif meter.role in ("running", "belt_trip"):
            columns[ROLES[meter.role].column] = (read.texts == "1").astype(float)
    return pd.DataFrame(columns, index=index)


def _samples(recorded: Recorded, press: Press) -> pd.DataFrame:
    sheet = recorded.sheet.assign(press=press.slug, is_suspect=False)
    value = np.where(sheet["value"] == "", np.nan, sheet["value"]).astype(float)
    return sheet.assign(value=value)
