"""The command `plant new`: a draft of the plant file of a plant nobody has described yet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, get_args, get_type_hints

from trendkit.archive.files import write_whole
from trendkit.drafting import Proposal, draft_text, propose, read_facts
from trendkit.drafting.facts import draft_plant
from trendkit.errors import InputError, Problem
from trendkit.exports import Export, find_inputs, open_exports
from trendkit.jobs.call import Done, Progress
from trendkit.plant import Plant, Source
from trendkit.plant.display import counted


def draft_plant_file(
    files: tuple[str, ...], out: Path, dates: str | None, quality: str | None, progress: Progress
) -> Done:
    """Write a draft made from exports; a plant file that is there already is never overwritten."""
    if out.exists():
        raise InputError(
            Problem(
                "there is a plant file of this name already",
                str(out),
                hint="name another with --out, or move this one away",
            )
        )
    told = {"dates": _known("dates", dates), "quality": _known("quality", quality)}
    source_lines = {key: text for key, text in told.items() if text is not None}
    plant = draft_plant([Source("*", **source_lines)] if source_lines else [])  # type: ignore[arg-type]
    found = find_inputs(files, plant)
    progress(f"reading {len(found.exports)} exports")
    facts, minutes = read_facts(_opened(found.exports, plant), plant)
    progress("finding what each tag measures")
    proposals = propose(facts)
    write_whole(out, draft_text(proposals, minutes, source_lines, bool(found.labs)).encode())
    return Done(
        tuple(_summary(proposals, out)),
        {"command": "plant new", "out": str(out), "tags": [_row(each) for each in proposals]},
    )


def _opened(paths: Sequence[Path], plant: Plant) -> list[Export]:
    """Open the exports; what only a plant file could settle is asked for as an option."""
    try:
        return open_exports(paths, plant)
    except InputError as cause:
        raise InputError(_asking_here(problem) for problem in cause.problems) from None


def _asking_here(problem: Problem) -> Problem:
    for key in ("dates", "quality"):
        if problem.hint and f"{key} = " in problem.hint:
            return replace(problem, hint=f"{problem.hint}; there is none yet, so give --{key} here")
    return problem


def _known(key: str, text: str | None) -> str | None:
    """Return what was said of the exports, when it is one of the words the plant file knows."""
    if text is None:
        return None
    words = [word for part in get_args(get_type_hints(Source)[key]) for word in get_args(part)]
    if text not in words:
        raise InputError(Problem("this word is not known", f"--{key}", found=repr(text), expected=" or ".join(words)))
    return text


def _summary(proposals: list[Proposal], out: Path) -> list[str]:
    given = [each for each in proposals if each.role is not None]
    doubtful = sum(each.could_be is not None or (each.unit is None and each.kind != "state") for each in given)
    presses = len({each.press for each in proposals if each.press is not None})
    told = f"{out}: a draft of {counted(presses, 'press', 'presses')}."
    lines = [f"{told} {len(given)} of {len(proposals)} tags have a proposed role."]
    if doubtful:
        lines.append(f"  {doubtful} of them are in doubt: another role is as likely, or the unit cannot be told.")
    lines.append(
        '  Every line guess = "..." waits for a person: check it, then delete it. Until then the file is refused;'
    )
    lines.append(f"  trendkit plant check {out} says what is left.")
    return lines


def _row(each: Proposal) -> dict[str, Any]:
    return asdict(each)
