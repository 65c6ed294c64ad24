"""The command `district`: the review of a month for every press of many plants, and how they stand to one another."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from trendkit.errors import InputError, Problem
from trendkit.jobs.call import Done, Progress
from trendkit.jobs.press_task import PressOutcome, PressTask, review_press
from trendkit.jobs.workers import work_through
from trendkit.plant import Limit, Plant, load_plant
from trendkit.plant.calendar import month_period
from trendkit.plant.display import counted
from trendkit.press.results import Figure
from trendkit.press.standing import BEST_FIRST, Standing, hours_within, rank
from trendkit.reports.district_page import DistrictAccount, Failed, write_district
from trendkit.reports.files import require_folder
from trendkit.reports.plant_clock import period_text

PLANT_FILE = "plant.toml"
SOME_FAILED = 3  # exit code


@dataclass(frozen=True)
class Site:
    """One plant of the district: its folder's name and what its plant file says."""

    folder: str
    plant: Plant


def district(
    plants: Path, month: str, out: Path, scheduler: str | None, workers: int | None, progress: Progress
) -> Done:
    """Write the review of every press of every plant below a folder, and an index that ranks them.

    A press that fails is listed and the others go on; what was made before from the same readings is not made again.

    Raises
    ------
    InputError
        When no plant is found, the month is none, files cannot be written, or there is nobody to do the work.
    """
    sites, failed = _sites(plants)
    require_folder(out)
    tasks = [task for site in sites for task in _tasks(site, month, out)]
    outcomes: dict[PressTask, PressOutcome] = {}
    if tasks:
        for task, outcome in work_through(review_press, tasks, scheduler, workers):
            outcomes[task] = _seen_from_here(PressOutcome(failure=outcome) if isinstance(outcome, str) else outcome)
            progress(f"{len(outcomes)} of {len(tasks)}: {task.label}")
    standings, unread = _standings(sites, tasks, outcomes, out)
    when = period_text(sites[0].plant, month_period(sites[0].plant, month)) if sites else month
    account = DistrictAccount(month, when, len(sites) + len(failed), tuple(standings), (*failed, *unread))
    systems = {site.plant.display_units for site in sites}
    written = write_district(out, account, "us" if systems == {"us"} else "si")
    return _done(account, outcomes, written)


def _sites(folder: Path) -> tuple[list[Site], list[Failed]]:
    """Return the plants below a folder in order of name, and those whose plant file cannot be used."""
    files = sorted(folder.glob(f"*/{PLANT_FILE}"))
    if not files:
        found = "no such folder" if not folder.is_dir() else f"no {PLANT_FILE} one folder down"
        hint = f"put each plant's {PLANT_FILE} and archive into a folder of its own"
        expected = f"a folder a plant, each with its {PLANT_FILE}"
        raise InputError(Problem("no plant is there", str(folder), "--plants", found, expected, hint))
    sites, failed = [], []
    for file in files:
        try:
            sites.append(Site(file.parent.name, load_plant(file.resolve())))
        except InputError as error:
            failed.append(Failed(file.parent.name, "", error.in_one_line()))
    return sites, failed


def _tasks(site: Site, month: str, out: Path) -> list[PressTask]:
    month_period(site.plant, month)  # a month that is none is said before any worker is started
    folder = out.resolve() / site.folder
    return [
        PressTask(site.plant.path, press.name, press.slug, month, folder / press.slug) for press in site.plant.presses
    ]


def _seen_from_here(outcome: PressOutcome) -> PressOutcome:
    """Return the outcome, a failure where a worker on another machine wrote a page that cannot be seen here."""
    if outcome.page is None or outcome.page.with_suffix(".json").is_file():
        return outcome
    return PressOutcome(
        failure=f"The worker wrote {outcome.page}, which is not seen here: --out must be a shared path."
    )


def _standings(
    sites: list[Site], tasks: list[PressTask], outcomes: dict[PressTask, PressOutcome], out: Path
) -> tuple[list[Standing], list[Failed]]:
    """Return the presses that have a review, and the others with the reason; both in the order of the plants."""
    names = {site.plant.path: _called(site, sites) for site in sites}
    standings, failed = [], []
    for task in tasks:
        outcome = outcomes[task]
        if outcome.page is None:
            failed.append(Failed(names[task.plant], task.press, outcome.failure or ""))
            continue
        document = json.loads(outcome.page.with_suffix(".json").read_text(encoding="utf-8"))
        page = outcome.page.relative_to(out.resolve()).as_posix()
        figures = _figures(document)
        standings.append(Standing(names[task.plant], task.plant.parent.name, task.press, task.slug, page, figures))
    return standings, failed


def _called(site: Site, sites: list[Site]) -> str:
    """Return a plant's name, with its folder where another plant bears the same name."""
    is_shared = sum(other.plant.name == site.plant.name for other in sites) > 1
    return f"{site.plant.name} ({site.folder})" if is_shared else site.plant.name


def _figures(review: dict[str, Any]) -> dict[str, Figure]:
    """Return the figures of a review.json, with the hours in upsets and the share of time the feed flow is known."""
    figures = {name: _figure(each) for name, each in review["figures"].items()}
    period = review["period"]
    spans = [(pd.Timestamp(upset["start"]), pd.Timestamp(upset["end"])) for upset in review["upsets"]]
    in_upsets = hours_within(spans, pd.Timestamp(period["start"]), pd.Timestamp(period["end"]))
    figures["upset_hours"] = Figure(in_upsets if figures["press_hours"].value else None, "h", n=len(spans))
    figures["covered_share"] = Figure(period["covered_share"], "")
    return figures


def _figure(told: dict[str, Any]) -> Figure:
    target = told["target"] and Limit(told["target"]["min"], told["target"]["max"])
    return Figure(**{**told, "target": target})


def _done(account: DistrictAccount, outcomes: dict[PressTask, PressOutcome], index: Path) -> Done:
    made_before = sum(outcome.was_made_before for outcome in outcomes.values())
    reviewed = counted(len(account.standings), "press", "presses")
    again = f" ({made_before} made before, unchanged)" if made_before else ""
    lines = [f"{reviewed} of {counted(account.plants, 'plant')} reviewed{again}."]
    if account.failed:
        lines.append(f"{counted(len(account.failed), 'failure')}:")
        lines += [f"  {each.label}: {each.reason}" for each in account.failed]
    lines.append(f"All presses: {index}")
    ranking = {
        name: [
            {"plant": each.standing.folder, "press": each.standing.slug, "first": each.first, "last": each.last}
            for each in rank(account.standings, name)
        ]
        for name in BEST_FIRST
    }
    said = {
        "command": "district",
        "month": account.month,
        "index": str(index),
        "reviewed": len(account.standings),
        "made_before": made_before,
        "failed": [
            {"plant": each.plant, "press": each.press or None, "reason": each.reason} for each in account.failed
        ],
        "ranking": ranking,
    }
    return Done(tuple(lines), said, (index,), SOME_FAILED if account.failed else 0)
