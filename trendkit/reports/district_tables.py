"""The tables of the index of many presses: a ranking a figure, and the month of every press."""

from __future__ import annotations

from collections.abc import Sequence

from trendkit.plant.display import counted
from trendkit.press.results import Figure
from trendkit.press.standing import BEST_FIRST, Place, Standing, rank
from trendkit.reports.page import Cell, Head, Item, Listing, Section, Sheet
from trendkit.reports.rulers import span_ruler
from trendkit.reports.shown import DASH, Shown, is_known, share_text

_SHOWN_WHOLE, _ENDS = 12, 5  # a longer ranking shows its first and last places; all stand in the last table

_RANKINGS = {
    "capture_pct": ("Capture", "Share of the dry solids fed that left in the cake; most first."),
    "cost_per_dry_t": ("Cost", "For each dry {ton} that left in the cake, at each plant's own prices; least first."),
    "upset_hours": ("Hours in upsets", "Hours of the month with at least one upset under way; least first."),
    "covered_share": ("Data availability", "Share of the month in which the feed flow is known; most first."),
}
_TOTALS = ("feed_dry_solids_t", "press_hours", "cake_solids_pct", "polymer_dose_kg_t", *BEST_FIRST)


def named(standing: Standing) -> str:
    """Return how a press is called beside those of other plants."""
    return f"{standing.press} of {standing.plant}"


def said_with_limits(figure: Figure, name: str, shown: Shown) -> str:
    """Return a figure as running text with its limits: "95.8 % (95.1 to 96.5)"."""
    return _shown_for(name, figure, shown).sentence(figure.value, figure.low, figure.high, name)


def _shown_for(name: str, figure: Figure, shown: Shown) -> Shown:
    """Return how a figure is shown, with its own plant's currency where it is money."""
    return Shown(shown.system, figure.unit.partition("/")[0]) if name.startswith("cost_") else shown


def ranking_section(name: str, standings: Sequence[Standing], shown: Shown) -> Section:
    """Return the presses in order of one figure, those without it named below with the reason."""
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
    return f"{named(standing)}: {reason}"


def _ranking_sheet(name: str, places: Sequence[Place], shown: Shown) -> Sheet:
    head = _shown_for(name, places[0].figure, shown)
    is_long = len(places) > _SHOWN_WHOLE
    chosen = [*places[:_ENDS], *places[-_ENDS:]] if is_long else places
    ends = [end for each in chosen for end in (each.figure.low, each.figure.value, each.figure.high) if is_known(end)]
    scale = (0.0, 1.0) if name == "covered_share" else (min(ends), max(ends))
    has_limits = any(each.figure.low is not None for each in places)
    rows = [_ranking_row(name, place, shown, scale) for place in chosen]
    if is_long:
        rows.insert(_ENDS, (DASH, f"{len(places) - 2 * _ENDS} presses between", *[""] * 4))
    unit = "" if name == "covered_share" else head.unit(name) or "h"
    heads = (
        Head("Place", is_short=True),
        Head("Press"),
        Head("Plant"),
        Head("Value", unit, is_number=True),
        Head("95 % limits" if has_limits else "", is_short=True),
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


def every_press_section(standings: Sequence[Standing], shown: Shown) -> Section:
    """Return one table of all presses in the order given."""
    if not standings:
        return Section("presses", "Every press", "", ())
    heads = [Head("Press"), Head("Plant"), *(_head_of(name, shown) for name in _TOTALS)]
    rows: list[tuple[Cell | str, ...]] = [
        (Cell(each.press, link=each.page), each.plant, *(_cell_of(each, name, shown) for name in _TOTALS))
        for each in standings
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
