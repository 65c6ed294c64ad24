"""One plant exported in every shape the simulator knows: whatever the shape, the figures are the same."""

import shutil
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trendkit.exports import find_inputs, open_exports, read_lab
from trendkit.plant import Plant, load_plant
from trendkit.plant.calendar import Period
from trendkit.plant.model import Source
from trendkit.press import compute_figures, review_period
from trendkit.series import PressGrid, build_grids, check_against_lab
from trendkit.simulate import simulate
from trendkit.simulate.export_files import Clock, write_exports
from trendkit.simulate.from_scenario import live_scenario
from trendkit.simulate.scenarios import SCENARIOS
from trendkit.simulate.shapes import SHAPES
from trendkit.simulate.write import record_scenario

FIRST, DAYS, SEED = "2026-02-11", 3, 5  # past the twelfth, so that a day-first date proves itself
CHANGES_ALONE = {"pairs-csv"}  # shapes that leave out what stays within the deadband
SHOWN = ("capture_pct", "cake_solids_pct", "polymer_dose_kg_t", "solids_loading_kg_h_m", "press_hours", "feed_volume_m3",
         "feed_dry_solids_t", "wet_cake_t", "polymer_kg", "washwater_m3", "energy_kwh")  # fmt: skip


@pytest.fixture(scope="module")
def plant_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shapes")
    simulate(folder, DAYS, SEED, "clean", FIRST)
    return folder


@cache
def recorded():  # type: ignore[no-untyped-def]
    kind = SCENARIOS["clean"]
    lived = live_scenario(kind, SEED, pd.Timestamp(FIRST).date(), DAYS)
    return record_scenario(lived, kind, SEED, 60.0, SHAPES["wide-csv"], "si")


def grid_in(shape: str, plant_folder: Path) -> tuple[Plant, PressGrid]:
    folder = plant_folder / shape
    press, plant = recorded(), load_plant(plant_folder / "plant.toml")
    write_exports(folder, "bfp-1", press.spoilt, press.lived.history.grid, SHAPES[shape], Clock(plant.timezone))
    if SHAPES[shape].quality == "opc-ua":  # nothing but zeros could mean anything: the plant file says what
        plant = replace(plant, sources=(Source("*", quality="opc_ua"),))
    exports = open_exports(find_inputs([folder], plant).exports, plant)
    grids, inputs = build_grids(exports, plant, plant.presses, None, None)
    assert sum(each.refused for each in inputs) == (1 if SHAPES[shape].has_preamble else 0), shape  # its line of rows
    shutil.rmtree(folder)
    return plant, grids["bfp-1"]


def figures_of(plant: Plant, grid: PressGrid, plant_folder: Path) -> dict[str, float]:
    press = plant.presses[0]
    lab = read_lab(plant_folder / "lab.csv", plant).frame
    grid = check_against_lab(grid, lab, press)
    table = compute_figures(grid.roles, grid.basis, lab, press, plant, grid.every_s)
    index = table.frame.index
    period = Period(index[0], index[-1] + pd.Timedelta(minutes=1), plant.timezone)
    found = review_period(table, press, plant, period, None).figures
    return {name: found[name].value for name in SHOWN if found[name].value is not None}  # type: ignore[misc]


@pytest.fixture(scope="module")
def usual(plant_folder: Path) -> tuple[pd.DataFrame, dict[str, float]]:
    plant, grid = grid_in("wide-csv", plant_folder)
    return grid.roles, figures_of(plant, grid, plant_folder)


@pytest.mark.parametrize("shape", [shape for shape in SHAPES if shape != "wide-csv"])
def test_every_shape_of_one_plant_gives_the_same_figures(
    shape: str, plant_folder: Path, usual: tuple[pd.DataFrame, dict[str, float]]
) -> None:
    """The grid is the same to rounding, and with it every figure; changes alone agree within the deadband."""
    roles, figures = usual
    assert len(figures) == len(SHOWN)
    plant, grid = grid_in(shape, plant_folder)
    if shape in CHANGES_ALONE:
        for name, value in figures_of(plant, grid, plant_folder).items():
            assert value == pytest.approx(figures[name], rel=0.005), name
        return
    assert list(grid.roles.columns) == list(roles.columns)
    numbers = roles.select_dtypes("number").columns
    assert np.allclose(grid.roles[numbers], roles[numbers], rtol=1e-9, atol=1e-9, equal_nan=True)
    words = [column for column in roles if column not in numbers]
    pd.testing.assert_frame_equal(grid.roles[words], roles[words])
