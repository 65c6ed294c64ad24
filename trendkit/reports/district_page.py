"""The index of many presses: which did best and worst, by what, how sure that is, and where each review lies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from trendkit import __version__
from trendkit.plant.display import counted
from trendkit.press.results import Figure
from trendkit.press.standing import BEST_FIRST, Place, Standing, rank
from trendkit.reports.docket import limit_text
from trendkit.reports.documents import figure_documents
from trendkit.reports.files import write_whole
from trendkit.reports.jsonio import json_text
from trendkit.reports.page import Cell, Head, Item, Listing, Mark, Page, Prose, Section, Sheet, made_at
from trendkit.reports.rulers import span_ruler
from trendkit.reports.shown import DASH, Shown, is_known, share_text

_SHOWN_WHOLE, _ENDS = 12, 5  # a longer ranking shows its first and last places; all stand in the last table
_MARKED = 8

_RANKINGS = {
    "capture_pct": ("Capture", "Share of the dry solids fed that left in the cake; most first."),
    "cost_per_dry_t": ("Cost", "For each dry {ton} that left in the cake, at each plant's own prices; least first."),
    "upset_hours": ("Hours in upsets", "Hours of the month with at least one upset under way; least first."),
    "covered_share": ("Data availability", "Share of the month in which the feed flow is known; most first."),
}
_TOTALS = ("feed_dry_solids_t", "press_hours", "cake_solids_pct", "polymer_dose_kg_t", *BEST_FIRST)


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
    rankings = [_ranking_section(name, account.standings, shown) for name in BEST_FIRST]
    sections = (*rankings, _all_section(account, shown), _failed_section(account), _reading_section())
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
    made = made_at()
    return (
        ("Period", f"{account.when}, each plant by its own clock"),
        ("Presses", f"{len(account.standings)} of {total} reviewed"),
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
    text = (
        f"In {account.when}, {_named(best.standing)} captured {_said(best.figure, 'capture_pct', shown)} of its solids"
    )
    if best is worst:
        return f"{text}.", failed
    text = (
        f"{text}, the most of {len(places)}, and {_named(worst.standing)} {_said(worst.figure, 'capture_pct', shown)}"
    )
    if best.last >= worst.first:
        return f"{text}, the least; their limits overlap, so that this order may be chance.", failed or "undecided"
    return f"{text}, the least.", failed


def _named(standing: Standing) -> str:
    return f"{standing.press} of {standing.plant}"


def _said(figure: Figure, name: str, shown: Shown) -> str:
    return _shown_for(name, figure, shown).sentence(figure.value, figure.low, figure.high, name)


def _shown_for(name: str, figure: Figure, shown: Shown) -> Shown:
    """Return how a figure is shown, with its own plant's currency where it is money."""
    return Shown(shown.system, figure.unit.partition("/")[0]) if name.startswith("cost_") else shown


def _exceptions(account: DistrictAccount, shown: Shown) -> tuple[tuple[Mark, str], ...]:
    marked: list[tuple[Mark, str]] = [("misses", f"{each.label}: no review. {each.reason}") for each in account.failed]
    for standing in account.standings:
        for name in ("capture_pct", "cake_solids_pct", "polymer_dose_kg_t"):
            figure = standing.known(name)
            if figure is not None and figure.meets_target is False:
                text = f"{shown.name(name).partition(',')[0].lower()} {_said(figure, name, shown)}"
                target = limit_text(figure.target, name, shown)
                marked.append(("misses", f"{_named(standing)}: {text}, its target is {target}."))
    if len(marked) > _MARKED:
        marked = [*marked[:_MARKED], ("misses", f"{len(marked) - _MARKED} more stand in the tables below.")]
    return tuple(marked)


def _ranking_section(name: str, standings: Sequence[Standing], shown: Shown) -> Section:
    title, note = _RANKINGS[name]
    items: list[Item] = []
    places = rank(standings, name)
    for unit in dict.fromkeys(place.figure.unit for place in places):
        items.append(_ranking_sheet(name, [place for place in places if place.figure.unit == unit], shown))
    unknown = [each for each in standings if each.known(name) is None]
    if unknown:
        items.append(Listing(tuple(_unknown(each, name) for each in unknown), heading="Not ranked"))
    return Section(
        name.replace("_", "-"), title, note.format(ton="ton" if shown.system == "us" else "tonne"), tuple(items)
    )


def _unknown(standing: Standing, name: str) -> str:
    figure = standing.figures.get(name)
    reason = (figure.reason if figure else None) or "no dewatering in the month"
    return f"{_named(standing)}: {reason}"


def _ranking_sheet(name: str, places: Sequence[Place], shown: Shown) -> Sheet:
    head = _shown_for(name, places[0].figure, shown)
    is_long = len(places) > _SHOWN_WHOLE
    chosen = [*places[:_ENDS], *places[-_ENDS:]] if is_long else places
    ends = [end for each in chosen for end in (each.figure.low, each.figure.value, each.figure.high) if is_known(end)]
    rows = [_ranking_row(name, place, shown, (min(ends), max(ends))) for place in chosen]
    if is_long:
        rows.insert(_ENDS, (DASH, f"{len(places) - 2 * _ENDS} presses between", "", "", "", ""))
    unit = "" if name == "covered_share" else head.unit(name) or "h"
    heads = (
        Head("Place", is_short=True),
        Head("Press"),
        Head("Plant"),
        Head("Value", unit, is_number=True),
        Head("95 % limits", is_short=True),
        Head("Beside the others"),
    )
    return Sheet(f"{counted(len(places), 'press', 'presses')} by {_RANKINGS[name][0].lower()}", heads, tuple(rows))


def _ranking_row(name: str, place: Place, shown: Shown, ends: tuple[float, float]) -> tuple[Cell | str, ...]:
    figure, standing = place.figure, place.standing
    value, limits = _value_and_limits(name, figure, _shown_for(name, figure, shown))
    return (
        str(place.first) if place.first == place.last else f"{place.first} to {place.last}",
        Cell(standing.press, link=standing.page),
        standing.plant,
        Cell(value, "misses" if figure.meets_target is False else ""),
        limits,
        Cell(span_ruler(figure.value, figure.low, figure.high, ends)),
    )


def _value_and_limits(name: str, figure: Figure | None, shown: Shown) -> tuple[str, str]:
    """Return the bare value and its limits in words, "" without any; a dash when it is not known."""
    if figure is None or not is_known(figure.value):
        return DASH, ""
    if name == "covered_share":
        return share_text(figure.value, 1), ""
    if name == "upset_hours":
        return f"{figure.value:.1f}", ""
    text, limits = shown.limited(figure.value, figure.low, figure.high, name)
    return text.removesuffix(shown.unit(name)).rstrip("\u00a0"), limits


def _all_section(account: DistrictAccount, shown: Shown) -> Section:
    if not account.standings:
        return Section("presses", "Every press", "", ())
    heads = [Head("Press"), Head("Plant"), *(_head_of(name, shown) for name in _TOTALS)]
    rows: list[tuple[Cell | str, ...]] = [
        (Cell(each.press, link=each.page), each.plant, *(_cell_of(each, name, shown) for name in _TOTALS))
        for each in account.standings
    ]
    note = "In the order of the plants' folders. Each press leads to its review."
    return Section("presses", "Every press", note, (Sheet("The month of every press", tuple(heads), tuple(rows)),))


def _head_of(name: str, shown: Shown) -> Head:
    title, _, unit = shown.name(name).partition(", ")
    if name in ("upset_hours", "covered_share"):
        title, unit = _RANKINGS[name][0], "h" if name == "upset_hours" else ""
    return Head(title, unit, is_number=True)


def _cell_of(standing: Standing, name: str, shown: Shown) -> Cell:
    figure = standing.known(name)
    text = _value_and_limits(name, figure, shown)[0]
    if figure is not None and name == "cost_per_dry_t":
        text = f"{figure.unit.partition('/')[0]} {text}"
    return Cell(text, "misses" if figure is not None and figure.meets_target is False else "")


def _failed_section(account: DistrictAccount) -> Section:
    lines = tuple(f"{each.label}: {each.reason}" for each in account.failed)
    note = "Put right what is said, and run the same command again: only these are done anew."
    return Section("failed", "Without a review", note, (Listing(lines),) if lines else ())


def _reading_section() -> Section:
    lines = (
        "A place such as 2 to 5 means that the 95 % limits overlap those of the presses between: their order may be "
        "chance. Hours and shares bear no limits.",
        "Costs rest on each plant's own prices and on the lines it has priced; other currencies are ranked apart.",
        "An upset is judged against the plant's own targets and the press's own normal: strict targets show more upsets.",
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
