"""Small plants and export files for the tests of the exports room, and their readings as pandas series."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from trendkit.exports import Export, InputFile, ReadLog, input_file, open_exports, read_blocks
from trendkit.plant.model import Plant, Press, Source, Tag

QUALITY = {0: "good", 1: "uncertain", 2: "bad"}


def a_tag(name: str, kind: str = "analog", unit: str = "m3/h", **more: object) -> Tag:
    return Tag(name, name, name.lower(), unit, unit, kind, **more)  # type: ignore[arg-type]


def a_plant(
    *tags: str,
    states: tuple[str, ...] = (),
    timezone: str = "America/Denver",
    sources: tuple[Source, ...] = (),
    more_tags: tuple[Tag, ...] = (),
    **more: object,
) -> Plant:
    """Return a plant with one press whose tags are called as given."""
    named = {name: a_tag(name) for name in tags} | {name: a_tag(name, "state") for name in states}
    press = Press("BFP-1", "bfp-1", 2.0, 4.0, 11.0, 2.0, tags=named | {tag.name: tag for tag in more_tags})
    return Plant("Test works", timezone, (press,), Path("plant.toml"), "0", sources=sources, **more)  # type: ignore[arg-type]


@dataclass
class Taken:
    """What reading some files gave."""

    exports: list[Export]
    logs: list[ReadLog]
    inputs: list[InputFile]
    series: dict[str, pd.Series]  # tag -> values or texts over UTC time, empty cells left out
    quality: dict[str, list[str]]  # tag -> quality of these rows

    @property
    def notes(self) -> str:
        return "\n".join(note for each in self.inputs for note in each.notes)

    @property
    def log(self) -> ReadLog:
        return self.logs[0]

    def values(self, tag: str) -> list[object]:
        return [None if value != value else value for value in self.series[tag]]

    def times(self, tag: str) -> list[str]:
        return [time.strftime("%Y-%m-%dT%H:%M:%S") for time in self.series[tag].index]


def take_all(plant: Plant, *paths: Path) -> Taken:
    """Open files together and read all tags of the plant, as a command does."""
    exports = open_exports(paths, plant)
    wanted = {tag.tag: tag for press in plant.presses for tag in press.tags.values()}
    logs: list[ReadLog] = []
    parts: dict[str, list[pd.DataFrame]] = {}
    for export in exports:
        log = ReadLog()
        for block in read_blocks(export, plant, wanted, log):
            times = pd.to_datetime(block.time_us, unit="us", utc=True)
            for tag, cells in [*block.values.items(), *block.texts.items()]:
                rated = block.quality.get(tag, np.zeros(len(times), np.uint8))
                frame = pd.DataFrame({"cell": cells, "quality": rated}, index=times)
                parts.setdefault(tag, []).append(frame[frame["cell"].notna() | (frame["quality"] == 2)])
        logs.append(log)
    frames = {tag: pd.concat(own) for tag, own in parts.items()}
    series = {tag: frame["cell"].rename(None) for tag, frame in frames.items()}
    quality = {tag: frame["quality"].map(QUALITY).tolist() for tag, frame in frames.items()}
    inputs = [input_file(export, log) for export, log in zip(exports, logs, strict=True)]
    return Taken(exports, logs, inputs, series, quality)


def written(folder: Path, text: str | bytes, name: str = "export.csv") -> Path:
    """Write a file as it stands and return its path."""
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return path
