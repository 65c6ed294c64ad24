"""The command `demo`: the main job on the sample exports."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from trendkit.jobs.call import Call, Done, Progress
from trendkit.jobs.pages import judged_day_page, review_page, tuning_page, upsets_of
from trendkit.jobs.reading import read_presses
from trendkit.plant import load_plant
from trendkit.plant.calendar import month_period
from trendkit.reports import HeldAgainst
from trendkit.upsets import judge

_SAMPLE_MONTH, _SAMPLE_MONTH_BEFORE = "2026-03", "2026-02"  # what the demo looks at in sample_exports/
_SAMPLE_BAD_DAY = date(2026, 3, 18)


def demo(out: Path, progress: Progress) -> Done:
    """Run the main job on the sample exports: review, bad-day page and tuning page of both presses."""
    with TemporaryDirectory() as spare:
        samples = _sample_folder(Path(spare), progress)
        call = Call(samples / "plant.toml", (str(samples),), progress=progress)
        plant = load_plant(call.plant)
        reading = read_presses(plant, call)
    month, before = month_period(plant, _SAMPLE_MONTH), month_period(plant, _SAMPLE_MONTH_BEFORE)
    pages: dict[str, dict[str, Any]] = {}
    lines = []
    for series in reading.presses:
        folder = out / series.press.slug
        progress(f"writing the pages of {series.press.name}")
        judged = judge(series.table, series.press, plant, series.findings)
        upsets = upsets_of(series, plant, judged)
        lines.append(f"{series.press.name}")
        answers = {
            "review": review_page(reading, series, upsets, month, HeldAgainst(before), folder),
            "troubleshoot": judged_day_page(reading, series, judged, upsets, _SAMPLE_BAD_DAY, folder),
            "tune": tuning_page(reading, series, reading.span, folder),
        }
        lines += [line for answer in answers.values() for line in (f"  {answer['answer']}", f"    {answer['page']}")]
        pages[series.press.slug] = answers
    written = tuple(Path(answer["page"]) for answers in pages.values() for answer in answers.values())
    return Done(tuple(lines), {"command": "demo", "out": str(out), "presses": pages}, written)


def _sample_folder(spare: Path, progress: Progress) -> Path:
    """Return sample_exports/ of this folder or checkout; an installed copy without it writes the same samples."""
    for place in (Path.cwd(), Path(__file__).resolve().parents[2]):
        if (place / "sample_exports" / "plant.toml").is_file():
            return place / "sample_exports"
    progress("no sample_exports/ here: inventing the same plant")
    from trendkit.simulate import write_sample_exports

    write_sample_exports(spare)
    return spare
