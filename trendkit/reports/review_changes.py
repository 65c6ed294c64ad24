"""The review's section on what changed: against other periods, in the plant's settings, since it was last made."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from trendkit.press.results import Figure, PeriodReview
from trendkit.reports.context import PageContext
from trendkit.reports.held_against import HeldAgainst
from trendkit.reports.page import Head, Item, Listing, Prose, Section, Sheet
from trendkit.reports.plant_clock import PlantClock, period_text
from trendkit.reports.shown import DASH, Shown, is_known
from trendkit.reports.words import figure_name

_COMPARED = (
    "capture_pct",
    "cake_solids_pct",
    "polymer_dose_kg_t",
    "solids_loading_kg_h_m",
    "hydraulic_loading_m3_h_m",
    "belt_speed_ratio",
    "cost_per_dry_t",
    "washwater_m3_t",
    "energy_kwh_t",
    "press_hours",
    "dry_cake_t",
)

_TOTALS = ("press_hours", "dry_cake_t")
_SAME_LENGTH = 0.05  # by how much periods may differ in length for their totals to be compared: 28 and 31 days do not


def is_short_before(review: PeriodReview) -> bool:
    """Return True when the period before holds much less pressing, so that its totals do not compare."""
    days = review.figures.get("press_days")
    return days is not None and is_known(days.value) and is_known(days.previous) and days.previous < 2 / 3 * days.value


def changes_section(
    context: PageContext,
    review: PeriodReview,
    held: HeldAgainst,
    again: Mapping[str, Any] | None,
    clock: PlantClock,
    shown: Shown,
) -> Section:
    """Return what changed, each clear change in a sentence; a table where a year before is known too."""
    items: list[Item] = _against_before(context, review, held, shown)
    sentences = _year_words(context, held)
    sentences += [
        f"From {clock.day_text(change.start_utc)}: {change.reason or 'settings changed'} "
        f"({', '.join(name.replace('_', ' ') for name in change.settings)}), as the plant file says."
        for change in context.press.changes
        if context.period.start_utc <= change.start_utc < context.period.end_utc
    ]
    items += [Listing(tuple(sentences))] if sentences else []
    if held.year_figures:
        items.append(_year_sheet(context, review, held, shown))
    if again:
        items += _again_items(again, shown)
    note = (
        "A change is called clear when the earlier value lies outside this period's 95 % limits. Whether it is more "
        "than days differ by chance, with the feed's differences taken out, is for trendkit compare to say."
    )
    return Section("changed", "What changed", note, tuple(items))


def _against_before(context: PageContext, review: PeriodReview, held: HeldAgainst, shown: Shown) -> list[Item]:
    if held.before is None:
        return []
    name = period_text(context.plant, held.before)
    is_like = abs(context.period.hours / held.before.hours - 1.0) <= _SAME_LENGTH and not is_short_before(review)
    names = [key for key in _COMPARED if key not in _TOTALS or is_like]
    known = {key: figure for key in names if (figure := review.figures.get(key)) and is_known(figure.previous)}
    if not known:
        return [Prose(f"No pressing is known of {name}, so nothing is compared with it.")]
    limited = {key: figure for key, figure in known.items() if figure.low is not None}
    clear = [key for key, figure in limited.items() if _is_clear(figure, figure.previous)]
    told = [f"{_moved_words(key, limited[key], shown)}." for key in clear]
    same = [figure_name(key, shown.system).lower() for key in limited if key not in clear]
    if same:
        told.append(f"No clear change: {', '.join(same)}.")
    return [Listing(tuple(told), heading=f"Against {name}")] if told else []


def _is_clear(figure: Figure, earlier: float | None) -> bool:
    if figure.low is None or figure.high is None or not is_known(earlier):
        return False
    return not figure.low <= earlier <= figure.high


def _moved_words(name: str, figure: Figure, shown: Shown) -> str:
    assert figure.value is not None and figure.previous is not None
    way = "rose" if figure.value > figure.previous else "fell"
    label = figure_name(name, shown.system)
    return f"{label} {way} from {_as_limited(figure, figure.previous, name, shown)} to {_full(name, figure, shown)}"


def _as_limited(figure: Figure, value: float, name: str, shown: Shown) -> str:
    """Return another period's value with as many digits as this period's limits support."""
    if figure.low is None or figure.high is None:
        return shown.digits(value, name)
    half = (figure.high - figure.low) / 2
    return shown.digits(value, name, value - half, value + half)


def _full(name: str, figure: Figure, shown: Shown) -> str:
    return shown.limited(figure.value, figure.low, figure.high, name)[0]


def _year_words(context: PageContext, held: HeldAgainst) -> list[str]:
    if held.year_before is None or held.year_figures:
        return []
    return [f"The archive holds no pressing of {period_text(context.plant, held.year_before)} to compare with."]


def _year_sheet(context: PageContext, review: PeriodReview, held: HeldAgainst, shown: Shown) -> Sheet:
    assert held.year_before is not None
    rows = []
    for name in _COMPARED:
        figure, earlier = review.figures.get(name), held.year_figures.get(name)
        if figure is None or earlier is None or not is_known(figure.value) or not is_known(earlier.value):
            continue
        before = _as_limited(figure, figure.previous, name, shown) if is_known(figure.previous) else DASH
        year = _as_limited(figure, earlier.value, name, shown)
        clear = "" if figure.low is None else "clear" if _is_clear(figure, earlier.value) else "no clear change"
        rows.append((shown.name(name), _as_limited(figure, figure.value, name, shown), before, year, clear))
    heads = (
        Head("Figure"),
        Head(period_text(context.plant, context.period), is_number=True),
        Head("Period before", is_number=True),
        Head(period_text(context.plant, held.year_before), is_number=True),
        Head("Against a year before"),
    )
    return Sheet("This period, the one before and a year before", heads, tuple(rows))


def _again_items(again: Mapping[str, Any], shown: Shown) -> list[Item]:
    """Say what moved since this review was last made, and what came in since."""
    came = _came_in(again)
    moved = [
        (figure_name(name, shown.system), *(shown.amount(pair[key], name) for key in ("was", "now")))
        for name, pair in again["figures"].items()
    ]
    upsets = again["upsets"]
    if upsets["was"] != upsets["now"]:
        moved.append(("Upsets found", str(upsets["was"]), str(upsets["now"])))
    seen = [row for row in moved if row[1] != row[2]]
    opening = f"Made again: {came}. " if came else "Made again. "
    if not seen:
        return [Prose(f"{opening}No figure moved by as much as is shown on this page.")]
    heads = (Head("Figure"), Head("Was", is_number=True), Head("Is now", is_number=True))
    return [Prose(f"{opening}These figures moved."), Sheet("Since this review was last made", heads, tuple(seen))]


def _came_in(again: Mapping[str, Any]) -> str:
    inputs, lab = again["inputs"], again["lab_results"]
    parts = []
    if is_known(lab["was"]) and lab["was"] != lab["now"]:
        parts.append(f"{lab['now']} results of the bench count, where {lab['was']} did")
    parts += [
        f"{each['file']} now has {each['rows']:,} rows, before {each['rows_was']:,}" for each in inputs["changed"]
    ]
    if inputs["added"]:
        parts.append(f"new among the inputs: {', '.join(inputs['added'])}")
    if inputs["gone"]:
        parts.append(f"no longer among the inputs: {', '.join(inputs['gone'])}")
    if again["is_plant_file_changed"]:
        parts.append("the plant file was changed")
    version = again["trendkit_version"]
    if version["was"] != version["now"]:
        parts.append(f"trendkit {version['was']} made the last one")
    return "; ".join(parts)
