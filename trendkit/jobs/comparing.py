"""The command that compares the press days before a change with those after it."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from trendkit.errors import InputError, Problem
from trendkit.jobs.call import Call, Done
from trendkit.jobs.for_each_press import write_for_each_press
from trendkit.jobs.heading import series_context
from trendkit.jobs.reading import Reading, cut, read_presses, within
from trendkit.plant import Plant, Press, load_plant
from trendkit.plant.calendar import Period, parse_moment
from trendkit.reports import write_compare
from trendkit.tuning import compare as find_difference

# read before the one period and after the other: how much press days resemble their neighbours is learned there too
AROUND = pd.Timedelta(weeks=8)


def compare(call: Call, before: str, after: str, out: Path) -> Done:
    """Write the page on whether a change helped: the period `before` it against the one `after` it, FROM/TO each."""
    plant = load_plant(call.plant)
    sides = named_period(plant, before, "--before"), named_period(plant, after, "--after")
    if sides[0].end_utc > sides[1].start_utc:
        raise InputError(
            Problem(
                "the period before must end before the one after begins",
                place="--before/--after",
                found=f"{before} and {after}",
                expected="no overlap, the earlier one first",
            )
        )
    whole = Period(sides[0].start_utc, sides[1].end_utc, plant.timezone)
    around = Period(whole.start_utc, whole.end_utc + AROUND, plant.timezone)
    reading = read_presses(plant, call, around, AROUND, in_full=False)
    for option, text, side in zip(("--before", "--after"), (before, after), sides, strict=True):
        _require_readings(reading, side, option, text)
    writers = [(press, partial(_page, reading, press, whole, sides)) for press, _ in reading.grids.grids]
    return write_for_each_press(plant, out, "compare", writers)


def named_period(plant: Plant, text: str, option: str) -> Period:
    """Return the period written as FROM/TO; an InputError names the option otherwise."""
    ends = text.split("/")
    if len(ends) != 2:
        raise InputError(
            Problem(
                "this is no period",
                place=option,
                found=repr(text),
                expected="FROM/TO, as in 2026-02-01/2026-03-01",
            )
        )
    first, last = (parse_moment(plant, end.strip(), option) for end in ends)
    if last <= first:
        raise InputError(Problem("the period is empty", place=option, found=repr(text), expected="TO after FROM"))
    return Period(first, last, plant.timezone)


def _require_readings(reading: Reading, side: Period, option: str, text: str) -> None:
    """Refuse a side in which no press has a reading of its feed."""
    fed = [grid.good_share("feed_flow_m3_h") for _, grid in reading.grids.grids]
    if any((within(good, side) > 0.0).any() for good in fed):
        return
    known = [good[good > 0.0].index for good in fed]
    times = pd.DatetimeIndex(sorted(time for index in known for time in index[[0, -1]] if len(index)))
    held = (
        f"readings from {side.local(times[0]):%Y-%m-%d} to {side.local(times[-1]):%Y-%m-%d}" if len(times) else "none"
    )
    raise InputError(
        Problem(
            "no reading of the feed falls in this period",
            place=option,
            found=f"{text}, and {held}",
            expected="a period with readings",
            hint="name exports over both periods, or other periods",
        )
    )


def _page(reading: Reading, press: Press, whole: Period, sides: tuple[Period, Period], folder: Path) -> dict[str, Any]:
    series = reading.series_of(press)
    found = find_difference(series.table, series.press, reading.plant, *sides)
    context = series_context(reading, series, whole)
    return write_compare(folder, context, found, cut(series.table, whole))
