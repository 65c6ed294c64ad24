"""Pages made before from the same readings of an archive, written again instead of made again."""

from __future__ import annotations

import hashlib
import io
import json
import os
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from trendkit.archive import read_archive
from trendkit.archive.kept import GRIDS, keep, program_sign, recall
from trendkit.archive.weeks import folder_of
from trendkit.exports.names import every_tag
from trendkit.jobs.call import Call, Done
from trendkit.jobs.for_each_press import write_for_each_press
from trendkit.jobs.inputs import chosen_presses
from trendkit.plant import Plant, Press
from trendkit.reports import drawings_kept_in
from trendkit.reports.files import write_whole
from trendkit.series.build import LOOK_BACK

Span = tuple[pd.Timestamp | None, pd.Timestamp | None]  # from when up to when readings are asked for, UTC
FILES = {  # what a command writes for a press, the page last
    "review": ("review.json", "figures.parquet", "figures.xlsx", "upsets.csv", "review.html"),
    "troubleshoot": ("troubleshoot.json", "troubleshoot.html"),
    "tune": ("tune.json", "step-test.csv", "tune.html"),
}
_MOST = 48  # pages of an archive; the ones unused for longest go first


def made_once(
    page: str, plant: Plant, call: Call, out: Path, asked: object, spans: Sequence[Span], make: Callable[[], Done]
) -> Done:
    """Return what `make` does; of an archive in which nothing has changed, write again what it made before.

    Where something has changed, drawings that come out as before are not drawn again.

    `asked` is what else decides the page beside the readings of `spans`, the bench and the plant file; it must have
    a JSON form.
    """
    if call.files:
        return make()
    presses = chosen_presses(plant, call.press)
    kept = _KeptPages(page, plant, presses, _sign(page, plant, presses, asked, spans))
    done = kept.written_again(out)
    if done is None:
        with drawings_kept_in(folder_of(plant) / GRIDS):
            done = make()
        kept.keep(done)
    return done


def _sign(page: str, plant: Plant, presses: tuple[Press, ...], asked: object, spans: Sequence[Span]) -> str:
    """Return what changes whenever the pages would."""
    tags = [tag.tag for tag in every_tag(plant.presses)]
    told: list[Any] = [program_sign(), page, plant.sha256, asked, os.environ.get("SOURCE_DATE_EPOCH")]
    told.append([press.slug for press in presses])
    for start, end in spans:
        archive = read_archive(plant, presses, start, end)
        read_from = None if start is None else start - LOOK_BACK
        read_to = None if end is None else end + pd.Timedelta(seconds=plant.max_hold_s)
        told += [str(start), str(end), archive.sign(read_from, read_to, tags)]
        told += [[each.file, each.sha256] for each in archive.inputs]
        told.append(None if archive.lab is None else archive.lab.to_csv(index=False))
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:24]


@dataclass(frozen=True)
class _KeptPages:
    """The files of one call, kept beside the archive for each press."""

    page: str
    plant: Plant
    presses: tuple[Press, ...]
    sign: str

    def written_again(self, out: Path) -> Done | None:
        """Write the files of every press and say their answers; None when one is not kept, or would differ now."""
        writers = []
        for press in self.presses:
            folder = out if len(self.presses) == 1 else out / press.slug
            contents = self._recalled(press)
            if contents is None or not self._holds(contents, folder):
                return None
            writers.append((press, partial(self._write, contents)))
        return write_for_each_press(self.plant, out, self.page, writers)

    def keep(self, done: Done) -> None:
        """Keep the files just written."""
        for press in self.presses:
            folder = Path(done.as_json["presses"][press.slug]["page"]).parent
            sink = io.BytesIO()
            with zipfile.ZipFile(sink, "w") as files:
                for name in FILES[self.page]:
                    files.write(folder / name, name)
            keep(self._path(press), sink.getvalue(), _MOST)

    def _holds(self, contents: dict[str, bytes], folder: Path) -> bool:
        """Return whether the page may be written into a folder as it is kept.

        A page says what has moved since the one it replaces: it holds where that is the same page, or where there is
        none and it says nothing of the kind.
        """
        document = contents[f"{self.page}.json"]
        try:
            return (folder / f"{self.page}.json").read_bytes() == document
        except OSError:
            return json.loads(document).get("reissue") is None

    def _write(self, contents: dict[str, bytes], folder: Path) -> dict[str, str]:
        write_whole(folder, contents)
        answer: str = json.loads(contents[f"{self.page}.json"])["answer"]
        return {"answer": answer.replace("\u00a0", " "), "page": str(folder / f"{self.page}.html")}

    def _recalled(self, press: Press) -> dict[str, bytes] | None:
        content = recall(self._path(press))
        if content is None:
            return None
        with zipfile.ZipFile(io.BytesIO(content)) as files:
            return {name: files.read(name) for name in files.namelist()}

    def _path(self, press: Press) -> Path:
        return folder_of(self.plant) / GRIDS / f"{self.page}-{self.sign}-{press.slug}.zip"
