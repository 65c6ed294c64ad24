"""One page per press: straight in the folder for one press, else in a folder each with an index beside them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from trendkit.jobs.call import Done
from trendkit.plant import Plant, Press
from trendkit.reports import write_index

WritePage = Callable[[Path], dict[str, Any]]  # folder -> the page's answer and path


def write_for_each_press(plant: Plant, out: Path, page: str, writers: Sequence[tuple[Press, WritePage]]) -> Done:
    """Write one page per press, an index when there are several, and say the answers."""
    is_alone = len(writers) == 1
    answers = [(press, write(out if is_alone else out / press.slug)) for press, write in writers]
    lines = []
    for press, answer in answers:
        lines += [f"{press.name}: {answer['answer']}", f"  {answer['page']}"]
    written = [Path(answer["page"]) for _, answer in answers]
    if not is_alone:
        index = write_index(out, plant, page, [(press, each["answer"]) for press, each in answers])
        lines.append(f"All presses: {index}")
        written.insert(0, index)
    pages = {press.slug: answer for press, answer in answers}
    return Done(tuple(lines), {"command": page, "out": str(out), "presses": pages}, tuple(written))
