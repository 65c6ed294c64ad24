"""Comes in: a scenario's name, a number of days, a seed. Goes out: the files of an invented plant, and its truth.

Exports are in the plant's own units and local time; everything under `truth/` is SI and UTC.
The press here has its own balances and never uses `trendkit.press`, so that a shared mistake cannot hide.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from trendkit.simulate.scenarios import SCENARIOS, Depth, Scenario, scenario_named

if TYPE_CHECKING:
    from trendkit.simulate.write import SimulatedPlant

__all__ = ["SCENARIOS", "Scenario", "scenario_named", "simulate", "write_sample_exports"]


def simulate(
    out: Path | str,
    days: int,
    seed: int,
    scenario: str = "",
    start: date | str | None = None,
    depth: Depth = "full",
    every_s: float = 60.0,
    shape: str | None = None,
) -> SimulatedPlant:
    """Write an invented plant with known truth into a folder; see `trendkit.simulate.write.simulate`.

    The heavy libraries are loaded on the call, so that listing the scenarios stays instant.
    """
    from trendkit.simulate.write import simulate as write

    return write(out, days, seed, scenario, start, depth, every_s, shape)


def write_sample_exports(folder: Path | str) -> None:
    """Write the sample plant (exports, bench sheet, plant file) into a folder, byte for byte the same each time."""
    from trendkit.simulate.sample import write_sample_exports as write

    write(folder)
