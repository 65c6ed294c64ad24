"""The page on a change: did it help, once the feed's differences are taken out."""

from __future__ import annotations

from trendkit.press.results import FigureTable
from trendkit.reports.closing import caution_list, method_section, provenance_section
from trendkit.reports.compare_charts import DayMarks, draw_days
from trendkit.reports.compare_words import answer, difference, marked, power_words, signed
from trendkit.reports.context import PageContext
from trendkit.reports.docket import day_label, facts, shown_for
from trendkit.reports.page import Cell, FigureLine, Head, Item, Listing, Mark, Page, Panel, Section, Sheet, made_at
from trendkit.reports.plant_clock import clock_of, period_text
from trendkit.reports.readings import quality_section
from trendkit.reports.rulers import ruler
from trendkit.reports.shown import DASH, Shown, is_known
from trendkit.reports.words import figure_name
from trendkit.tuning.compare import BETTER, FEED, Comparison, Effect

_MARKS: dict[str, Mark] = {
    "better": "meets",
    "worse": "misses",
    "no_difference": "undecided",
    "cannot_tell": "undecided",
}
_MAIN = ("cost_per_dry_t", "cake_solids_pct", "capture_pct", "polymer_dose_kg_t")
_DRAWN = ("cake_solids_pct", "capture_pct")
_LISTED = ("solids_loading_kg_h_m", "cake_solids_pct", "capture_pct", "polymer_dose_kg_t", "cost_per_dry_t")


def compare_page(context: PageContext, found: Comparison, table: FigureTable) -> Page:
    """Return the page on a change as page content; `table` holds the rows of both periods."""
    shown, clock = shown_for(context), clock_of(context.period)
    before, after = (period_text(context.plant, side) for side in (found.before, found.after))
    sections = [
        _effects_section(found, shown),
        _days_section(found, shown),
        _power_section(found, shown),
        quality_section(context, table, clock),
        method_section(context, (*table.notes, *found.notes)),
        provenance_section(context, clock, made_at()),
    ]
    sections.insert(3, Section("cautions", "Before changing anything", "", (caution_list(),)))
    return Page(
        title=f"{context.press.name}, before and after",
        press=context.press.name,
        plant=context.plant.name,
        question="Did the change help?",
        facts=(("Before", before), ("After", after), *(each for each in facts(context, clock) if each[0] != "Period")),
        answer=answer(context, found, shown),
        mark=_MARKS[found.verdict],
        marked=marked(context, found, shown),
        sections=tuple(section for section in sections if section.items),
        lines=tuple(_line(name, found.effects[name], shown) for name in _MAIN),
        lines_heads=(Head("Difference", "95 % limits"), Head("Where it lies"), Head("Before"), Head("After")),
        lines_note="After minus before, the feed's differences taken out. On the ruler: the bar is the 95 % limits, "
        "the upright the difference, the diamond no difference at all.",
    )


def _line(name: str, effect: Effect, shown: Shown) -> FigureLine:
    title = figure_name(name, shown.system)
    if effect.adjusted_difference is None:
        return FigureLine(title, "", DASH, reason=shown.retold(effect.reason or "not known on both sides"))
    value, limits = difference(effect, name, shown)
    is_worse = effect.is_shown and effect.adjusted_difference * BETTER.get(name, 0) < 0.0
    return FigureLine(
        name=title,
        meaning=_chance_words(effect),
        value=value,
        limits=limits,
        ruler=ruler(effect.adjusted_difference, effect.low, effect.high, None, 0.0, is_worse),
        target=shown.amount(effect.before, name),
        previous=shown.amount(effect.after, name),
    )


def _chance_words(effect: Effect) -> str:
    p = effect.p_value or 0.0
    chance = "p under 0.001" if p < 0.001 else f"p {p:.3f}" if p < 0.1 else f"p {p:.2f}"
    return f"beyond what chance does ({chance})" if effect.is_shown else f"within what chance does ({chance})"


def _effects_section(found: Comparison, shown: Shown) -> Section:
    heads = (
        Head("Figure"),
        Head("Before", is_number=True),
        Head("After", is_number=True),
        Head("Difference", "raw", is_number=True),
        Head("Difference", "adjusted", is_number=True),
        Head("95 % limits", is_number=True),
        Head("p", "by chance", is_number=True),
        Head("Days", "before, after", is_number=True),
    )
    rows = tuple(_effect_row(name, effect, shown) for name, effect in found.effects.items())
    weeks = tuple(
        _week_sentence(words, rate)
        for words, rate in (
            ("Press days a week", found.press_days_per_week),
            ("Press days a week that the solids of both periods would need", found.same_solids_days_per_week),
        )
        if rate["before"] is not None and rate["after"] is not None
    )
    items: list[Item] = [Sheet("Every figure, before and after", heads, rows)]
    if weeks:
        items.append(Listing(weeks))
    note = "Raw: as the periods were. Adjusted: days of like feed, feed flow and solids held still. The loadings "
    note += "themselves are not adjusted."
    return Section("effects", "What changed", note, tuple(items))


def _effect_row(name: str, effect: Effect, shown: Shown) -> tuple[Cell | str, ...]:
    value, limits = (text.partition("\u00a0")[0] for text in difference(effect, name, shown))
    p = effect.p_value
    chance = DASH if p is None else "< 0.001" if p < 0.001 else f"{p:.3f}"
    is_raw_known = effect.raw_difference is not None and is_known(effect.raw_difference)
    raw = signed(shown.digits(effect.raw_difference, name, effect.low, effect.high)) if is_raw_known else DASH
    title = shown.name(name) + (" (not adjusted)" if name in FEED else "")
    return (
        Cell(title, "undecided" if effect.adjusted_difference is None else ""),
        shown.digits(effect.before, name),
        shown.digits(effect.after, name),
        raw,
        value,
        limits or DASH,
        chance,
        f"{effect.days_before}, {effect.days_after}",
    )


def _week_sentence(words: str, rate: object) -> str:
    assert isinstance(rate, dict)
    return f"{words}: {rate['before']:.1f} before, {rate['after']:.1f} after."


def _days_section(found: Comparison, shown: Shown) -> Section:
    days = found.days
    load = next((name for name in reversed(FEED) if days[name].notna().any()), FEED[0])
    kind = days["is_after"].map({False: "before", True: "after"}).where(days["is_matched"], "left out")
    figures = [
        DayMarks(
            shown.name(name),
            [
                (shown.number(at, load), shown.number(value, name), which)
                for at, value, which in zip(days[load], days[name], kind, strict=True)
                if is_known(at) and is_known(value)
            ],
        )
        for name in _DRAWN
        if days[name].notna().any()
    ]
    if not figures:
        return Section("days", "The press days", "", ())
    counts = kind.value_counts()
    told = ", ".join(f"{counts.get(name, 0)} {name}" for name in ("before", "after", "left out"))
    panel = Panel(
        "day-marks",
        f"Press days over {figure_name(load).lower()}",
        f"{len(days)} press days: {told} because no day of the other period had feed like theirs.",
        draw_days("day-marks-drawing", figures, shown.name(load)),
        "Circles: before. Filled triangles: after. Crosses: left out.",
        _day_sheet(found, shown),
    )
    return Section("days", "The press days", "Each mark is one press day, as a ratio of sums.", (panel,))


def _day_sheet(found: Comparison, shown: Shown) -> Sheet:
    columns = [name for name in _LISTED if found.days[name].notna().any()]
    heads: tuple[Head, ...] = (Head("Day", is_short=True), Head("Period"), Head("Compared"))
    heads += tuple(Head(figure_name(name, shown.system), shown.unit(name), is_number=True) for name in columns)
    rows = tuple(
        (
            day_label(row["day"]),
            "after" if row["is_after"] else "before",
            "yes" if row["is_matched"] else "no",
            *(shown.digits(row[name], name) for name in columns),
        )
        for row in found.days.to_dict("records")
    )
    return Sheet("the press days", heads, rows)


def _power_section(found: Comparison, shown: Shown) -> Section:
    told = power_words(found, shown)
    note = "So that no difference shown is not taken for no difference."
    return Section("power", "What these days could show", note, (Listing(told),) if told else ())
