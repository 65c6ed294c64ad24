"""One invented plant, written to disk and read back through the package's own path: what the scores rest on."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

import pandas as pd

from trendkit.jobs.call import Call
from trendkit.jobs.reading import Reading, read_presses
from trendkit.plant import Plant, load_plant
from trendkit.simulate import simulate

Score = TypeVar("Score")


@dataclass(frozen=True)
class Played:
    """A simulated plant as the package reads it, and what truly happened."""

    scenario: str
    seed: int
    plant: Plant
    reading: Reading
    series: pd.DataFrame  # true minutes, all presses
    upsets: pd.DataFrame
    other_events: pd.DataFrame
    faults: pd.DataFrame
    tuning: dict[str, Any]  # press -> truth

    def after(self, days: float) -> pd.Timestamp:
        """Return the moment `days` after the beginning."""
        return self.reading.span.start_utc + pd.Timedelta(days=days)


def _times(table: pd.DataFrame) -> pd.DataFrame:
    for column in table.columns.intersection(
        ["start", "effect_start", "detected_at", "end", "applied_from", "applied_until"]
    ):
        table[column] = pd.to_datetime(table[column], utc=True)
    return table


def play(scenario: str, seed: int, days: int, **options: Any) -> Played:
    """Write a plant, read it back, and return both sides."""
    with tempfile.TemporaryDirectory() as folder:
        made = simulate(folder, days, seed, scenario, **options)
        plant = load_plant(made.plant)
        reading = read_presses(plant, Call(made.plant, (str(made.folder / "exports"), str(made.lab))))
        tuning = json.loads((made.truth / "tuning.json").read_text())
        return Played(
            scenario,
            seed,
            plant,
            reading,
            pd.read_parquet(made.truth / "series.parquet").set_index("time"),
            _times(pd.read_csv(made.truth / "upsets.csv")),
            _times(pd.read_csv(made.truth / "other_events.csv")),
            _times(pd.read_csv(made.truth / "faults.csv", keep_default_na=False)),
            {truth["press"]: truth for truth in tuning["presses"]},
        )


def _scored(score: Callable[[Played], Score], scenario: str, days: int, seed: int) -> Score:
    return score(play(scenario, seed, days))


def over_seeds(
    score: Callable[[Played], Score], scenario: str, days: int, seeds: Iterable[int], workers: int
) -> list[Score]:
    """Return the score of each seed's plant, in the order of the seeds; `score` must be a function of a module."""
    work = partial(_scored, score, scenario, days)
    if workers == 1:
        return [work(seed) for seed in seeds]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(work, seeds))
