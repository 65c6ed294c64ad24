"""A small plant with an archive, exports of it written minute by minute, and what the archive gives back."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from exports_files import a_tag

from trendkit.archive import IngestReport, ingest, read_archive
from trendkit.archive.manifest import load_manifest
from trendkit.exports import LabSheet, ReadLog, open_exports, read_blocks, read_lab
from trendkit.plant.model import Plant, Press, Tag

SHEET_HEADER = "sampled_at,press,point,analysis,value,unit,note\n"


def plant_at(folder: Path, *more_tags: Tag, **more: object) -> Plant:
    """Return a plant of two presses on UTC; FLOW, SOLIDS and RUN belong to BFP-1, FLOW2 to BFP-2, WASH to both."""
    wash = a_tag("WASH", split_among=("bfp-1", "bfp-2"))
    first = [a_tag("FLOW"), a_tag("SOLIDS"), a_tag("RUN", "state"), wash, *more_tags]
    second = [a_tag("FLOW2"), wash]
    presses = tuple(
        Press(name, name.lower(), 2.0, 4.0, 11.0, 2.0, tags={tag.name: tag for tag in tags})
        for name, tags in (("BFP-1", first), ("BFP-2", second))
    )
    settings: dict[str, object] = {"timezone": "UTC", "sha256": "0"} | more
    return Plant("Test works", presses=presses, path=folder / "plant.toml", archive=folder / "archive", **settings)  # type: ignore[arg-type]


def written_export(path: Path, start: str, minutes: int, changed: dict[str, dict[int, object]] | None = None) -> Path:
    """Write `minutes` rows of all tags, the same values for the same minute in any file, `changed` ones apart."""
    times = pd.date_range(start, periods=minutes, freq="min")
    seconds = times.astype("datetime64[s]").astype(np.int64).to_numpy()
    hour = seconds / 3600.0
    rows: dict[str, list[object]] = {
        "FLOW": [f"{value:.2f}" for value in 40 + 5 * np.sin(hour)],
        "SOLIDS": [f"{value:.3f}" for value in 3 + 0.2 * np.cos(hour)],
        "RUN": ["RUN" if value else "STOP" for value in (hour % 24 > 6)],
        "FLOW2": [f"{value:.2f}" for value in 20 + 2 * np.sin(hour)],
        "WASH": [f"{value:.1f}" for value in 11 + np.cos(3 * hour)],
        "SPARE": [f"{value:.1f}" for value in hour % 7],
        "SPARE_WORD": ["OPEN" if value else "SHUT" for value in (hour % 5 > 2)],
    }
    for tag, cells in (changed or {}).items():
        for row, cell in cells.items():
            rows[tag][row] = cell
    frame = pd.DataFrame({"Time": times.strftime("%Y-%m-%d %H:%M:%S"), **rows})
    frame.to_csv(path, index=False)
    return path


def written_sheet(path: Path, *rows: str) -> Path:
    path.write_text(SHEET_HEADER + "\n".join(rows) + "\n", encoding="utf-8")
    return path


def ingested(plant: Plant, *exports: Path, sheets: Sequence[Path] = ()) -> IngestReport:
    """Ingest files as a command does."""
    read: list[LabSheet] = [read_lab(path, plant) for path in sheets]
    return ingest(plant, open_exports(exports, plant) if exports else [], read)


def kept(plant: Plant, tags: Sequence[str] | None = None, **period: pd.Timestamp) -> pd.DataFrame:
    """Return all readings of the archive: tag, time [us], value or word, quality; in order of tag and time."""
    known = {tag.tag: tag for press in plant.presses for tag in press.tags.values()}
    parts = []
    for week in read_archive(plant).weeks:
        names = [name for name in week.tags if tags is None or name in tags]
        wanted = {name: known.get(name, a_tag(name, "state" if "WORD" in name else "analog")) for name in names}
        for block in read_blocks(week, plant, wanted, ReadLog(), **period):
            for tag, cells in [*block.values.items(), *block.texts.items()]:
                quality = block.quality.get(tag, np.zeros(len(cells), np.uint8))
                parts.append(pd.DataFrame({"tag": tag, "time": block.time_us, "cell": cells, "quality": quality}))
    whole = pd.concat(parts, ignore_index=True).astype({"cell": object})
    return whole.sort_values(["tag", "time"], ignore_index=True)


def files_of(plant: Plant) -> dict[str, bytes]:
    """Return every file that belongs to the archive by its path below it, with its bytes."""
    manifest = load_manifest(plant.archive)
    paths = [part.path for part in manifest.parts] + ([manifest.bench.path] if manifest.bench else [])
    return {path: (plant.archive / path).read_bytes() for path in paths}
