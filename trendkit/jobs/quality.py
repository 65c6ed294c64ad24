"""The command `quality`: what is wrong with the data itself, tag by tag."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from trendkit.jobs.call import Call, Done
from trendkit.jobs.for_each_press import write_for_each_press
from trendkit.jobs.heading import page_context
from trendkit.jobs.reading import NO_HISTORY, GridReading, asked_period, read_grids, within
from trendkit.plant import Plant, Press, load_plant
from trendkit.plant.calendar import Period
from trendkit.reports import write_quality
from trendkit.series import PressGrid, account_for_tags

_HABITS = pd.Timedelta(days=28)  # read in front of a period, to know what is usual for each meter


def quality(call: Call, out: Path) -> Done:
    """Write the page on the readings themselves: share good, gaps, faults, and what was refused."""
    plant = load_plant(call.plant)
    asked = asked_period(plant, call)
    read = read_grids(plant, call, asked, NO_HISTORY if asked is None else _HABITS)
    period = read.span(plant) if asked is None else asked
    writers = [(press, partial(_page, plant, read, press, grid, period)) for press, grid in read.grids]
    return write_for_each_press(plant, out, "quality", writers)


def _page(
    plant: Plant, read: GridReading, press: Press, grid: PressGrid, period: Period, folder: Path
) -> dict[str, Any]:
    account = account_for_tags(grid, press, plant, period.start_utc, period.end_utc)
    context = page_context(
        plant,
        press,
        period,
        grid.good_share("feed_flow_m3_h"),
        read.inputs,
        account.findings,
        grid.notes,
        read.samples_of(press),
        grid.every_s,
    )
    return write_quality(folder, context, account, within(grid.roles, period), grid.every_s)
