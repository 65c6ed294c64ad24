"""The index of many presses: which did best and worst, by what, how sure that is, and where each review lies."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from trendkit import __version__
from trendkit.plant.display import counted
from trendkit.press.standing import BEST_FIRST, Standing, rank
from trendkit.reports.district_tables import every_press_section, named, ranking_section, said_with_limits
from trendkit.reports.docket import limit_text
from trendkit.reports.documents import figure_documents
from trendkit.reports.files import write_whole
from trendkit.reports.jsonio import json_text
from trendkit.reports.page import Listing, Mark, Page, Prose, Section, made_at
from trendkit.reports.shown import Shown

_MARKED = 8  # exceptions named above the fold


@dataclass(frozen=True)
class Failed:
    """A press without a review, or a plant (`press` is "") whose file cannot be used, and why in one sentence."""

    plant: str
    press: str
    reason: str

    @property
    def label(self) -> str:
        """How it is called: plant and press."""
        return f"{self.plant}, {self.press}" if self.press else self.plant


@dataclass(frozen=True)
class DistrictAccount:
    """How the presses of some plants did in a month: those reviewed, in the order of the plants, and those not."""

    month: str  # "2026-03"
    when: str  # as people say it
    plants: int
    standings: tuple[Standing, ...]
    failed: tuple[Failed, ...]


def write_district(folder: Path, account: DistrictAccount, system: str) -> Path:
    """Write index.html, in the units of `system` ("us" or "si"), and district.json (SI); return the page's path."""
    from trendkit.reports.page import render_page

    contents = {
        "district.json": (json_text(_document(account)) + "\n").encode(),
        "index.html": render_page(district_page(account, Shown(system))),
    }
    return write_whole(folder, contents)[1]


def district_page(account: DistrictAccount, shown: Shown) -> Page:
    """Return the index as page content."""
    rankings = [ranking_section(name, account.standings, shown) for name in BEST_FIRST]
    sections = (*rankings, every_press_section(account.standings, shown), _failed_section(account), _reading_section())
    answer, mark = _answer(account, shown)
    return Page(
        title="All presses",
        press="",
        plant=f"{counted(account.plants, 'plant')} in {account.when}",
        question="How did the presses do, one beside another?",
        facts=_facts(account, shown),
        answer=answer,
        mark=mark,
        marked=_exceptions(account, shown),
        sections=tuple(section for section in sections if section.items),
    )


def _facts(account: DistrictAccount, shown: Shown) -> tuple[tuple[str, str], ...]:
    total = len(account.standings) + sum(bool(each.press) for each in account.failed)
    plants = sum(not each.press for each in account.failed)
    unreadable = f", {counted(plants, 'plant file')} not usable" if plants else ""
    made = made_at()
    return (
        ("Period", f"{account.when}, each plant by its own clock"),
        ("Presses", f"{len(account.standings)} of {total} reviewed{unreadable}"),
        ("Units", "US customary" if shown.system == "us" else "SI"),
        *((("Made", made),) if made else ()),
    )


def _answer(account: DistrictAccount, shown: Shown) -> tuple[str, Mark]:
    places = rank(account.standings, "capture_pct")
    failed: Mark = "misses" if account.failed else ""
    if not places:
        known = "no press could be reviewed" if not account.standings else "the capture of no press is known"
        return f"In {account.when}, {known}.", "misses" if account.failed else "undecided"
    best, worst = places[0], places[-1]
    most, least = (said_with_limits(place.figure, "capture_pct", shown) for place in (best, worst))
    text = f"In {account.when}, {named(best.standing)} captured {most} of its solids"
    if best is worst:
        return f"{text}.", failed
    text = f"{text}, the most of {len(places)}, and {named(worst.standing)} {least}"
    if best.last >= worst.first:
        return f"{text}, the least; their limits overlap, so that this order may be chance.", failed or "undecided"
    return f"{text}, the least.", failed


def _exceptions(account: DistrictAccount, shown: Shown) -> tuple[tuple[Mark, str], ...]:
    marked: list[tuple[Mark, str]] = [("misses", f"{each.label}: no review. {each.reason}") for each in account.failed]
    for standing in account.standings:
        for name in ("capture_pct", "cake_solids_pct", "polymer_dose_kg_t"):
            figure = standing.known(name)
            if figure is not None and figure.meets_target is False:
                text = f"{shown.name(name).partition(',')[0].lower()} {said_with_limits(figure, name, shown)}"
                target = limit_text(figure.target, name, shown)
                marked.append(("misses", f"{named(standing)}: {text}, its target is {target}."))
    if len(marked) > _MARKED:
        marked = [*marked[:_MARKED], ("misses", f"{len(marked) - _MARKED} more stand in the tables below.")]
    return tuple(marked)


def _failed_section(account: DistrictAccount) -> Section:
    lines = tuple(f"{each.label}: {each.reason}" for each in account.failed)
    note = "Put right what is said, and run the same command again: only these are done anew."
    return Section("failed", "Without a review", note, (Listing(lines),) if lines else ())


def _reading_section() -> Section:
    lines = (
        "A place such as 2 to 5 means that the 95 % limits overlap those of the presses between: their order may be "
        "chance. Hours and shares bear no limits.",
        "Costs rest on each plant's own prices and on the lines it has priced; other currencies are ranked apart.",
        "An upset is judged against the plant's own targets and the press's own normal: strict targets show more. A "
        "press with few meters, or without them for a while, shows fewer than it had.",
    )
    return Section(
        "care-in-reading",
        "Before comparing",
        "",
        (
            Prose(
                "Presses differ in sludge, in duty and in meters. A place says where to look first, not who did well."
            ),
            Listing(lines),
        ),
    )


def _document(account: DistrictAccount) -> dict[str, Any]:
    ranking = {name: rank(account.standings, name) for name in BEST_FIRST}
    return {
        "command": "district",
        "trendkit_version": __version__,
        "month": account.month,
        "plants": account.plants,
        "presses": [
            {
                "plant": each.plant,
                "folder": each.folder,
                "press": each.slug,
                "press_name": each.press,
                "page": each.page,
                "places": {
                    name: {"first": place.first, "last": place.last, "unit": place.figure.unit}
                    for name, places in ranking.items()
                    for place in places
                    if place.standing is each
                },
                "figures": figure_documents(each.figures),
            }
            for each in account.standings
        ],
        "failed": [
            {"plant": each.plant, "press": each.press or None, "reason": each.reason} for each in account.failed
        ],
    }
