"""The command `simulate`: an invented plant with known truth."""

from __future__ import annotations

from pathlib import Path

from trendkit.errors import InputError, Problem
from trendkit.jobs.call import Done, Progress
from trendkit.plant.display import counted
from trendkit.plant.quantities import parse_quantity
from trendkit.simulate import simulate as write_plant


def simulate(
    out: Path,
    days: int,
    seed: int,
    scenario: str,
    start: str | None,
    every: str,
    shape: str | None,
    progress: Progress,
) -> Done:
    """Write an invented plant with its truth."""
    progress(f"inventing {days} days")
    made = write_plant(out, days, seed, scenario, start, every_s=_seconds(every), shape=shape)
    lines = (
        f"{days} invented days (scenario {made.scenario}, seed {seed}) written to {out}.",
        f"  {counted(len(made.exports), 'export')}, bench sheet {made.lab.name}, plant file {made.plant.name}, "
        "truth in truth/",
    )
    named = {"plant": made.plant, "lab": made.lab, "truth": made.truth}
    return Done(
        lines,
        {
            "command": "simulate",
            "scenario": made.scenario,
            "seed": seed,
            "days": days,
            "exports": [str(path) for path in made.exports],
            **{name: str(path) for name, path in named.items()},
        },
    )


def _seconds(every: str) -> float:
    try:
        return parse_quantity(every, "s")
    except InputError:
        expected = "a duration of 10 s or a multiple of it, up to 1 h, as in 1min"
        raise InputError(
            Problem("this is no time between readings", place="--every", found=repr(every), expected=expected)
        ) from None
