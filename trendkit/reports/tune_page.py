"""The tuning page: where the gravity belt should run, how sure that is, and the step test that would settle it."""

from __future__ import annotations

import pandas as pd

from trendkit.plant.model import Limit
from trendkit.press.results import FigureTable
from trendkit.reports import common
from trendkit.reports.context import PageContext
from trendkit.reports.page import Cell, FigureLine, Head, Item, Listing, Mark, Page, Panel, Prose, Section, Sheet, made_at
from trendkit.reports.plant_clock import PlantClock, clock_of, period_text
from trendkit.reports.response_charts import Response, draw_responses
from trendkit.reports.rulers import ruler
from trendkit.reports.shown import DASH, Shown, is_known
from trendkit.reports.words import figure_name, meaning
from trendkit.tuning.results import Tuning

SPEED = "gravity_belt_speed_m_min"
_OUTCOMES = ("cake_solids_pct", "capture_pct", "cost_per_dry_t")
_WORDS_DECISION: dict[str, Mark] = {
    "window": "meets",
    "flat": "meets",
    "step_outwards": "undecided",
    "disagree": "undecided",
    "insufficient": "undecided",
}
_SAID_ONCE = ("samples", "stop_if")  # columns of the step-test sheet that repeat one text
_MOST_CHANGES = 40


def tune_page(context: PageContext, tuning: Tuning, table: FigureTable) -> Page:
    """Return the tuning page as page content."""
    shown, clock = common.shown_for(context), clock_of(context.period)
    sections = [
        _log_section(context, tuning, shown),
        _response_section(context, tuning, shown),
        _worth_section(tuning, shown),
        _evidence_section(tuning, clock, shown),
        _step_test_section(tuning, shown),
        common.quality_section(context, table, clock),
        common.method_section(context, (*table.notes, *tuning.notes)),
        common.provenance_section(context, clock, made_at()),
    ]
    return Page(
        title=f"{context.press.name}, {period_text(context.plant, context.period)}",
        press=context.press.name,
        plant=context.plant.name,
        question="Where should the gravity belt run?",
        facts=common.facts(context, clock),
        answer=_answer(context, tuning, shown),
        mark=_WORDS_DECISION[tuning.decision],
        marked=_exceptions(context, tuning, shown),
        sections=tuple(section for section in sections if section.items),
        lines=_lines(context, tuning, shown),
        lines_heads=("", "Target", "Now"),
        lines_note="What the fitted response gives at the recommended speed. On the ruler: the bar is the 95 % limits, "
        "the upright the value there, the diamond the present one, the hatching lies beyond the target.",
    )


# --- the answer -----------------------------------------------------------------------------------------


def _speed_band(tuning: Tuning, shown: Shown) -> str:
    best = tuning.recommended
    if best is None:
        return DASH
    return shown.sentence(best.gravity_belt_speed_m_min, best.low, best.high, SPEED)


def _answer(context: PageContext, tuning: Tuning, shown: Shown) -> str:
    press, best = context.press.name, tuning.recommended
    if tuning.decision == "insufficient":
        return f"These readings cannot tell where the gravity belt of {press} should run: {shown.retold(tuning.reason).rstrip('.')}."
    if tuning.decision == "disagree" or best is None:
        return f"Two ways of reading the records of {press} disagree about the gravity belt, so leave its speed as it is and run the step test."
    if tuning.decision == "flat":
        low, high = (shown.digits(each, SPEED, best.low, best.high) for each in (best.low, best.high))
        return f"Any gravity belt speed from {low} to {high}\u00a0{shown.unit(SPEED)} does as well on {press}: hold one of them and spare the belt."
    if tuning.decision == "step_outwards":
        return f"The best gravity belt speed of {press} lies at or beyond the edge of what was run: {shown.retold(tuning.reason).rstrip('.')}."
    ratio = f", {best.belt_speed_ratio:.2f} times the pressure belt" if is_known(best.belt_speed_ratio) else ""
    return f"Run the gravity belt of {press} at {_speed_band(tuning, shown)}{ratio}."


def _exceptions(context: PageContext, tuning: Tuning, shown: Shown) -> tuple[tuple[Mark, str], ...]:
    marked: list[tuple[Mark, str]] = []
    now, best = tuning.now.get(SPEED), tuning.recommended
    if now is not None and is_known(now):
        text = f"It runs at {shown.amount(now, SPEED)} now"
        if best is None:
            marked.append(("", f"{text}."))
        elif best.low <= now <= best.high:
            marked.append(("meets", f"{text}, inside that band."))
        else:
            side = "faster" if now > best.high else "slower"
            marked.append(("misses", f"{text}, {side} than that band."))
    gain = _gain_text(tuning)
    if gain:
        marked.append(("", gain))
    known = tuning.identifiability
    share = f"{known.free_speed_share:.0%}".replace("%", "\u00a0%") if is_known(known.free_speed_share) else "an unknown share"
    spread = shown.amount(known.speed_range_m_min, SPEED)
    marked.append(
        ("", f"It rests on {known.days} days, {known.independent_changes} speed changes of their own and a speed range of {spread}; {share} of the speed's movement is not explained by feed, load or dose.")
    )
    return tuple(marked)


def _gain_text(tuning: Tuning) -> str:
    gain = tuning.gain
    if gain is None or not is_known(gain.value):
        return ""
    is_money = gain.unit.endswith("/y")
    numbers = [_round_money(each) if is_money else f"{each:.1f}".replace("-", "−") for each in (gain.value, gain.low, gain.high)]
    unit = f"{gain.unit.removesuffix('/y')} a year" if is_money else gain.unit
    if gain.low <= 0 <= gain.high:
        return f"Against the present speed that may be worth nothing: {numbers[0]} {unit} ({numbers[1]} to {numbers[2]})."
    return f"Against the present speed that is worth about {numbers[0]} {unit} ({numbers[1]} to {numbers[2]})."


def _round_money(amount: float) -> str:
    return f"{float(f'{amount:.2g}'):,.0f}".replace("-", "−")


# --- figures --------------------------------------------------------------------------------------------


def _nearest(curve: pd.DataFrame, speed: float) -> pd.Series:
    return curve.iloc[int((curve[SPEED] - speed).abs().to_numpy().argmin())]


def _lines(context: PageContext, tuning: Tuning, shown: Shown) -> tuple[FigureLine, ...]:
    best = tuning.recommended
    if best is None or tuning.curve.empty:
        return ()
    targets = context.press.targets.get("dewatering", {})
    there = _nearest(tuning.curve, best.gravity_belt_speed_m_min)
    lines = [
        _line(SPEED, (best.gravity_belt_speed_m_min, best.low, best.high), None, tuning.now.get(SPEED), shown),
        _line("belt_speed_ratio", (best.belt_speed_ratio, None, None), None, tuning.now.get("belt_speed_ratio"), shown),
    ]
    for name in _OUTCOMES:
        if name in there and is_known(there[name]):
            limits = (float(there[name]), float(there[f"{name}_low"]), float(there[f"{name}_high"]))
            lines.append(_line(name, limits, targets.get(name), tuning.now.get(name), shown))
    return tuple(lines)


def _line(
    name: str,
    limits: tuple[float | None, float | None, float | None],
    target: Limit | None,
    now: float | None,
    shown: Shown,
) -> FigureLine:
    value, low, high = limits
    text, between = shown.limited(value, low, high, name)
    misses = common.is_off(value, target)
    return FigureLine(
        name=figure_name(name, shown.system),
        meaning=meaning(name, shown.system) or ("the recommended band" if name == SPEED else ""),
        value=text,
        limits=between,
        ruler=ruler(value, low, high, target, now, misses),
        target=common.limit_text(target, name, shown) or "none set",
        mark="" if target is None else "misses" if misses else "meets",
        verdict="" if target is None else "missed" if misses else "met",
        previous=_present(now, value, low, high, name, shown),
    )


def _present(now: float | None, value: float | None, low: float | None, high: float | None, name: str, shown: Shown) -> str:
    if now is None or not is_known(now):
        return DASH
    if value is None or low is None or high is None:
        return shown.digits(now, name)
    half = (high - low) / 2
    return shown.digits(now, name, now - half, now + half)


# --- sections -------------------------------------------------------------------------------------------


def _log_section(context: PageContext, tuning: Tuning, shown: Shown) -> Section:
    note = "A note for the operators' log, to copy as it stands. The shift lead decides."
    return Section("log", "For the log", note, (Prose(_log_text(context, tuning, shown), "log"),))


def _log_text(context: PageContext, tuning: Tuning, shown: Shown) -> str:
    press, best, now = context.press.name, tuning.recommended, tuning.now.get(SPEED)
    when = period_text(context.plant, context.period)
    if tuning.decision in ("insufficient", "disagree") or best is None:
        return f"{press}: the records of {when} do not settle the gravity belt speed. Leave it as it is. The step test on the tuning page would settle it; ask the lead before starting it."
    low, high = (shown.digits(each, SPEED, best.low, best.high) for each in (best.low, best.high))
    unit = shown.unit(SPEED)
    if tuning.decision == "flat":
        return f"{press}: by the records of {when}, any gravity belt speed from {low} to {high} {unit} gives the same result. Pick one, hold it, and leave the speed alone when the feed changes."
    watch = _watch_words(context, shown)
    if tuning.decision == "step_outwards":
        return f"{press}: by the records of {when}, {shown.retold(tuning.reason)}. One step a day at most, nothing else changed. {watch}"
    move = f" It runs at {shown.amount(now, SPEED)} now: go there in small steps." if now is not None and is_known(now) and not best.low <= now <= best.high else ""
    aim = shown.digits(best.gravity_belt_speed_m_min, SPEED, best.low, best.high)
    return f"{press}: by the records of {when}, run the gravity belt at about {aim} {unit}, and keep it between {low} and {high} {unit}.{move} Leave feed, polymer, pressure belt and tension alone meanwhile. {watch}"


def _watch_words(context: PageContext, shown: Shown) -> str:
    targets = context.press.targets.get("dewatering", {})
    told = [
        f"{words} is not {common.limit_text(targets[name], name, shown)}"
        for name, words in (("cake_solids_pct", "cake solids"), ("capture_pct", "capture"))
        if name in targets
    ]
    wait = "Wait 20 minutes after each step before judging it by a cake and a filtrate sample."
    back = f" Go back one step if {' or '.join(told)}, or" if told else " Go back one step if"
    return f"{wait}{back} if water stands before the wedge or sludge squeezes out at the edges."


def _response_section(context: PageContext, tuning: Tuning, shown: Shown) -> Section:
    targets = context.press.targets.get("dewatering", {})
    responses = [
        response for name in _OUTCOMES[:2] if (response := _response(name, tuning, targets.get(name), shown)) is not None
    ]
    if not responses:
        return Section("response", "How the press answers", "", ())
    best, now = tuning.recommended, tuning.now.get(SPEED)
    window = None if best is None else tuple(shown.number(each, SPEED) for each in (best.low, best.gravity_belt_speed_m_min, best.high))
    drawn_now = shown.number(now, SPEED) if now is not None and is_known(now) else None
    items: list[Item] = []
    svg = draw_responses("response-drawing", responses, shown.name(SPEED), drawn_now, window)
    items.append(
        Panel("response-curve", "Cake solids and capture over gravity belt speed", _curve_finding(tuning, shown), svg, f"Each circle is one of {len(tuning.blocks)} steady stretches of the press, at its own feed; the line is fitted with feed, load and dose held at their usual. No speed beyond those run is judged.", _curve_sheet(tuning, shown))
    )
    cost = _response("cost_per_dry_t", tuning, targets.get("cost_per_dry_t"), shown)
    if cost is not None:
        cost_svg = draw_responses("cost-drawing", [cost], shown.name(SPEED), drawn_now, window)
        words = "The least cost decides the speed." if tuning.decided_by == "cost" else "Cost is shown but does not decide: not all prices are given."
        items.append(Panel("cost-curve", figure_name("cost_per_dry_t", shown.system), words, cost_svg, "At the prices of the plant file."))
    note = "Line and grey band: the fitted response with its 95 % limits. Circles: steady stretches. Blue dashed band: recommended, “best” its middle. Dotted rule: the present speed. Long dashes: target."
    return Section("response", "How the press answers", note, tuple(items))


def _response(name: str, tuning: Tuning, limit: Limit | None, shown: Shown) -> Response | None:
    curve = tuning.curve
    known = curve.dropna(subset=[name]) if name in curve else curve.iloc[:0]
    blocks = tuning.blocks
    has_blocks = name in blocks and SPEED in blocks and name != "cost_per_dry_t"
    points = blocks.dropna(subset=[name, SPEED]) if has_blocks else blocks.iloc[:0]
    if known.empty and points.empty:
        return None
    rows = [
        (shown.number(row[SPEED], SPEED), *(shown.number(row[f"{name}{end}"], name) for end in ("", "_low", "_high")))
        for _, row in known.iterrows()
    ]
    in_units = None if limit is None else Limit(*(None if each is None else shown.number(each, name) for each in (limit.low, limit.high)))
    dots = [(shown.number(row[SPEED], SPEED), shown.number(row[name], name)) for _, row in points.iterrows()] if len(points) else []
    return Response(shown.name(name), [(r[0], r[1], r[2], r[3]) for r in rows], dots, in_units)


def _curve_finding(tuning: Tuning, shown: Shown) -> str:
    curve = tuning.curve.dropna(subset=["cake_solids_pct"]) if "cake_solids_pct" in tuning.curve else tuning.curve.iloc[:0]
    if curve.empty:
        return "The steady stretches are shown; they do not carry a fit."
    cake, speed = curve["cake_solids_pct"], curve[SPEED]
    span = f"{shown.digits(speed.min(), SPEED)} to {shown.amount(speed.max(), SPEED)}"
    return f"Over {span}, fitted cake solids lie between {cake.min():.1f} and {cake.max():.1f}\u00a0%, driest at {shown.amount(speed[cake.idxmax()], SPEED)}."


def _curve_sheet(tuning: Tuning, shown: Shown) -> Sheet | None:
    if tuning.curve.empty:
        return None
    step = max(1, len(tuning.curve) // 20)
    return frame_sheet("the fitted response", tuning.curve.iloc[::step], shown)


def _worth_section(tuning: Tuning, shown: Shown) -> Section:
    if tuning.by_load.empty:
        return Section("load", "When the load changes", "", ())
    sheet = frame_sheet("Best speed over solids loading", tuning.by_load, shown, {"low": SPEED, "high": SPEED})
    note = "Each row holds the other inputs at their usual and asks for the best speed at that load."
    return Section("load", "When the load changes", note, (sheet,))


def _evidence_section(tuning: Tuning, clock: PlantClock, shown: Shown) -> Section:
    known = tuning.identifiability
    share = DASH if not is_known(known.free_speed_share) else f"{known.free_speed_share:.0%}".replace("%", "\u00a0%")
    rows: tuple[tuple[Cell | str, ...], ...] = (
        ("Decision", {"window": "a best speed inside what was run", "flat": "no speed is clearly best", "step_outwards": "step outwards", "disagree": "the two estimates disagree", "insufficient": "not enough to tell"}[tuning.decision]),
        ("Reason", shown.retold(tuning.reason)),
        ("Decided by", {"cost": "least cost per dry {} within the targets".format("ton" if shown.system == "us" else "tonne"), "dryness": "driest cake with capture at or above its target"}[tuning.decided_by]),
        ("Range of speeds run", shown.amount(known.speed_range_m_min, SPEED)),
        ("Share of the speed's movement that feed, load and dose do not explain", share),
        ("Speed changes while the rest held still", str(known.independent_changes)),
        ("Days", str(known.days)),
    )
    items: list[Item] = [Sheet("How much these records can say", (Head("What"), Head("Found")), rows)]
    if not tuning.changes.empty:
        names = [name for name in tuning.changes.columns if not name.endswith(("_low", "_high")) and name not in ("run", "day", "is_clean")]
        sheet = frame_sheet(f"What followed each speed change ({min(len(tuning.changes), _MOST_CHANGES)} of {len(tuning.changes)} shown)", tuning.changes[names].head(_MOST_CHANGES), shown, clock=clock)
        items.append(sheet)
    return Section("evidence", "How sure this is", "Two estimates are made: one from all steady stretches with the feed's differences taken out, one from what followed each change of speed.", tuple(items))


def _step_test_section(tuning: Tuning, shown: Shown) -> Section:
    if tuning.step_test.empty:
        return Section("step-test", "The step test", "", ())
    sheet = tuning.step_test
    once = [name for name in _SAID_ONCE if name in sheet and sheet[name].nunique() == 1]
    rules = tuple(f"{figure_name(name)}: {shown.retold(str(sheet[name].iloc[0]))}." for name in once)
    items: list[Item] = [common.caution_list()]
    if rules:
        items.append(Listing(rules))
    items.append(frame_sheet("Sheet to fill in, in this order", sheet.drop(columns=once), shown))
    note = "Holds in random order, so that a slow change in the sludge favours no speed. Print it, fill it in, and read it back in with --step-test."
    return Section("step-test", "The step test", note, tuple(items))


def frame_sheet(
    caption: str, frame: pd.DataFrame, shown: Shown, columns_of: dict[str, str] | None = None, clock: PlantClock | None = None
) -> Sheet:
    """Return a frame as a sheet: SI columns in the reader's units, times in plant time, blanks left empty to fill in.

    `columns_of` names the column whose unit a bare column ("low") is in.
    """
    units = columns_of or {}
    numeric = {name: pd.api.types.is_numeric_dtype(frame[name]) for name in frame.columns}
    heads = tuple(
        Head(figure_name(str(name), shown.system), shown.unit(units.get(str(name), str(name))), numeric[name]) for name in frame.columns
    )
    rows = tuple(
        tuple(_cell(value, units.get(str(name), str(name)), shown, clock) for name, value in zip(frame.columns, row, strict=True))
        for row in frame.itertuples(index=False, name=None)
    )
    return Sheet(caption, heads, rows)


def _cell(value: object, column: str, shown: Shown, clock: PlantClock | None) -> str:
    if value is None or value is pd.NaT:
        return ""
    if isinstance(value, pd.Timestamp):
        return clock.time_text(value) if clock is not None else value.isoformat()
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return shown.digits(value, column) if is_known(value) else ""
    return shown.retold(str(value))
