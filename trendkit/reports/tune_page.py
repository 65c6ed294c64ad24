"""The tuning page: where the gravity belt should run, how sure that is, and the step test that would settle
it.
"""

from __future__ import annotations

import pandas as pd

from trendkit.plant.model import Limit
from trendkit.press.results import FigureTable
from trendkit.reports.closing import method_section, provenance_section
from trendkit.reports.context import PageContext
from trendkit.reports.docket import facts, is_off, limit_text, shown_for
from trendkit.reports.page import FigureLine, Head, Mark, Page, made_at
from trendkit.reports.plant_clock import clock_of, period_text
from trendkit.reports.readings import quality_section
from trendkit.reports.rulers import ruler
from trendkit.reports.shown import DASH, Shown, is_known, share_text
from trendkit.reports.tune_evidence import evidence_section, finished_test_section, step_test_section
from trendkit.reports.tune_log import log_section
from trendkit.reports.tune_response import OUTCOMES, SPEED, response_section
from trendkit.reports.tune_terms import loading_section, terms_section
from trendkit.reports.words import figure_name, meaning
from trendkit.tuning.results import Recommended, Tuning

PRESSURE = "pressure_belt_speed_m_min"
_WORDS_DECISION: dict[str, Mark] = {
    "window": "meets",
    "flat": "meets",
    "step_outwards": "undecided",
    "disagree": "undecided",
    "insufficient": "undecided",
}


def tune_page(context: PageContext, tuning: Tuning, table: FigureTable) -> Page:
    """Return the tuning page as page content."""
    shown, clock = shown_for(context), clock_of(context.period)
    sections = [
        log_section(context, tuning, shown),
        response_section(context, tuning, shown),
        loading_section(tuning, shown),
        terms_section(tuning, shown),
        evidence_section(tuning, clock, shown),
        finished_test_section(tuning, shown),
        step_test_section(tuning, shown),
        quality_section(context, table, clock),
        method_section(context, (*table.notes, *tuning.notes)),
        provenance_section(context, clock, made_at()),
    ]
    return Page(
        title=f"{context.press.name}, {period_text(context.plant, context.period)}",
        press=context.press.name,
        plant=context.plant.name,
        question="Where should the gravity belt run?",
        facts=facts(context, clock),
        answer=_answer(context, tuning, shown),
        mark=_WORDS_DECISION[tuning.decision],
        marked=_exceptions(context, tuning, shown),
        sections=tuple(section for section in sections if section.items),
        lines=_lines(context, tuning, shown),
        lines_heads=(Head("There", "95 % limits"), Head("Where it lies"), Head("Target"), Head("Now")),
        lines_note="What the fitted response gives at the recommended speed. On the ruler: the bar is the "
        "95 % limits, the upright the value there, the diamond the present one, the hatching beyond target.",
    )


def _speed_band(tuning: Tuning, shown: Shown) -> str:
    best = tuning.recommended
    if best is None:
        return DASH
    return shown.sentence(best.gravity_belt_speed_m_min, best.low, best.high, SPEED)


def _answer(context: PageContext, tuning: Tuning, shown: Shown) -> str:
    press, best = context.press.name, tuning.recommended
    if tuning.decision == "insufficient":
        return (
            f"These readings cannot tell where the gravity belt of {press} should run: "
            f"{shown.retold(tuning.reason).rstrip('.')}."
        )
    if tuning.decision == "disagree" or best is None:
        return (
            f"Two ways of reading the records of {press} disagree about the gravity belt, so leave its "
            "speed as it is and run the step test."
        )
    if tuning.decision == "flat":
        low, high = (shown.digits(each, SPEED, best.low, best.high) for each in (best.low, best.high))
        return (
            f"Any gravity belt speed from {low} to {high}\u00a0{shown.unit(SPEED)} does as well on "
            f"{press}: hold one of them and spare the belt."
        )
    if tuning.decision == "step_outwards":
        return (
            f"The best gravity belt speed of {press} lies at or beyond the edge of what was run: "
            f"{shown.retold(tuning.reason).rstrip('.')}."
        )
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
    share = share_text(known.free_speed_share) if is_known(known.free_speed_share) else "an unknown share"
    spread = shown.amount(known.speed_range_m_min, SPEED)
    marked.append(
        (
            "",
            f"It rests on {known.days} days, {known.independent_changes} speed changes made while the "
            f"rest held still, and a speed range of {spread}; {share} of the speed's movement does "
            "not merely follow feed, loading or dose.",
        )
    )
    return tuple(marked)


def _gain_text(tuning: Tuning) -> str:
    gain = tuning.gain
    if gain is None or not is_known(gain.value):
        return ""
    is_money = gain.unit.endswith("/y")
    numbers = [
        _round_money(each) if is_money else f"{each:.1f}".replace("-", "−")
        for each in (gain.value, gain.low, gain.high)
    ]
    unit = f"{gain.unit.removesuffix('/y')} a year" if is_money else gain.unit
    if gain.low <= 0 <= gain.high:
        return (
            f"Against the present speed that may be worth nothing: {numbers[0]} {unit} ({numbers[1]} to {numbers[2]})."
        )
    return f"Against the present speed that is worth about {numbers[0]} {unit} ({numbers[1]} to {numbers[2]})."


def _round_money(amount: float) -> str:
    return f"{float(f'{amount:.2g}'):,.0f}".replace("-", "−")


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
        _line(
            "belt_speed_ratio",
            (best.belt_speed_ratio, *_ratio_limits(best)),
            None,
            tuning.now.get("belt_speed_ratio"),
            shown,
        ),
    ]
    pressure = tuning.now.get(PRESSURE)
    if pressure is not None and is_known(pressure):
        lines.append(_line(PRESSURE, (pressure, None, None), None, pressure, shown))
    for name in OUTCOMES:
        if name in there and is_known(there[name]):
            limits = (float(there[name]), float(there[f"{name}_low"]), float(there[f"{name}_high"]))
            lines.append(_line(name, limits, targets.get(name), tuning.now.get(name), shown))
    return tuple(lines)


def _ratio_limits(best: Recommended) -> tuple[float | None, float | None]:
    if best.belt_speed_ratio is None:
        return None, None
    share = best.belt_speed_ratio / best.gravity_belt_speed_m_min
    return best.low * share, best.high * share


def _line(
    name: str,
    limits: tuple[float | None, float | None, float | None],
    target: Limit | None,
    now: float | None,
    shown: Shown,
) -> FigureLine:
    value, low, high = limits
    text, between = shown.limited(value, low, high, name)
    misses = is_off(value, target)
    return FigureLine(
        name=figure_name(name, shown.system),
        meaning=meaning(name, shown.system)
        or ("the band: 95 % limits, and what costs at most 1 % more" if name == SPEED else ""),
        value=text,
        limits=between,
        ruler=ruler(value, low, high, target, now, misses),
        target=limit_text(target, name, shown) or "none set",
        mark="" if target is None else "misses" if misses else "meets",
        verdict="" if target is None else "missed" if misses else "met",
        previous=_present(now, value, low, high, name, shown),
    )


def _present(
    now: float | None, value: float | None, low: float | None, high: float | None, name: str, shown: Shown
) -> str:
    if now is None or not is_known(now):
        return DASH
    if value is None or low is None or high is None:
        return shown.digits(now, name)
    half = (high - low) / 2
    return shown.digits(now, name, now - half, now + half)
