"""Results of the bench, kept as they were read from their sheets, each once however many sheets repeat it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from trendkit.archive.files import NEW, name_by_content
from trendkit.archive.manifest import Bench, verified
from trendkit.archive.weeks import microseconds
from trendkit.exports import LabSheet
from trendkit.plant.model import Plant

BENCH = "bench"
_SAMPLE = ["sampled_at", "press", "point", "analysis"]
_ORDER = ["sampled_at", "line", "press", "point", "analysis", "nth_last"]


@dataclass(frozen=True)
class BenchOutcome:
    """What became of the results of one sheet."""

    new: int
    known: int
    conflicts: tuple[str, ...]


def reading_of(plant: Plant) -> str:
    """Return a short sign of all in the plant file that decides how a sheet is read."""
    presses = [(press.name, press.slug, press.feed_density_kg_m3, press.cake_density_kg_m3) for press in plant.presses]
    settings = repr((plant.timezone, plant.lab, presses, [(rule.files, rule.dates) for rule in plant.sources]))
    return f"[lab] {hashlib.sha256(settings.encode()).hexdigest()[:12]}"


def merge_results(kept: pd.DataFrame | None, sheet: LabSheet) -> tuple[pd.DataFrame, BenchOutcome]:
    """Return all results after one more sheet; of two for one sample the last good one counts.

    Rows of a sheet for one sample and analysis are told apart by their place from the last one backwards.
    """
    fresh = sheet.frame.assign(nth_last=sheet.frame.groupby(_SAMPLE).cumcount(ascending=False), sheet=sheet.input.file)
    if kept is None:
        return fresh, BenchOutcome(len(fresh), 0, ())
    key = [*_SAMPLE, "nth_last"]
    before = fresh[key].merge(kept.reset_index(names="row"), on=key, how="left", validate="1:1")
    is_there = before["row"].notna().to_numpy()
    mine, theirs = fresh["value"].to_numpy(), before["value"].to_numpy()
    differs = is_there & (mine != theirs) & ~(np.isnan(mine) & np.isnan(theirs))
    is_good = ~fresh["is_suspect"].to_numpy(bool)
    was_good = ~before["is_suspect"].eq(True).to_numpy()
    wins = differs & (is_good | ~was_good)
    changes = wins | (is_there & ~differs & (is_good != was_good))  # another sheet's median may judge it otherwise
    whole = pd.concat(
        [kept.drop(index=before["row"].to_numpy()[changes].astype(int)), fresh[~is_there | changes]], ignore_index=True
    )
    told = tuple(_conflict(fresh.iloc[row], theirs[row], bool(wins[row])) for row in np.flatnonzero(differs))
    return whole, BenchOutcome(int((~is_there).sum()), int((is_there & ~differs).sum()), told)


def _conflict(row: pd.Series, theirs: float, wins: bool) -> str:
    when = row["sampled_at"].strftime("%Y-%m-%d %H:%M UTC")
    stays = f"{theirs:g} before counts no more" if wins else f"{theirs:g} stays"
    return f"{row['press']} {row['point']} {row['analysis']} at {when}: the sheet has {row['value']:g}; {stays}"


def write_results(folder: Path, results: pd.DataFrame) -> Bench:
    """Write all results as one file and return its entry."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    fresh = folder / BENCH / ("results" + NEW)
    fresh.parent.mkdir(parents=True, exist_ok=True)
    table = pa.Table.from_pandas(results.sort_values(_ORDER, kind="stable"), preserve_index=False)
    pq.write_table(table, fresh, compression="zstd")
    path, sha256 = name_by_content(fresh, ".parquet")
    return Bench(path.relative_to(folder).as_posix(), sha256, len(results))


def read_results(folder: Path, bench: Bench | None, url: str | None = None) -> pd.DataFrame | None:
    """Return all results kept, in order of time; None when there are none.

    Raises
    ------
    InputError
        When their file is damaged.
    """
    return None if bench is None else pd.read_parquet(verified(folder, bench.path, bench.sha256, url))


def ends_of(sheet: LabSheet) -> tuple[int, int]:
    """Return the first and last sampling time of a sheet [us since 1970 UTC]."""
    times = sheet.frame["sampled_at"]
    return microseconds(times.min()), microseconds(times.max())
