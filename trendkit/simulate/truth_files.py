"""The truth of an invented plant on disk: series, upsets, other events, instrument faults, the best speed."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from trendkit.simulate.faults import EFFECTS
from trendkit.simulate.plant import tuning_truth
from trendkit.simulate.record import Recorded

FAULT_COLUMNS = ["press", "tag", "role", "fault", "start", "end", "effect"]


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
