"""The tuning answer under other terms: at other loadings, with another pressure belt speed, at other prices."""

from __future__ import annotations

from trendkit.reports.frame_sheet import frame_sheet
from trendkit.reports.page import Head, Item, Prose, Section, Sheet
from trendkit.reports.shown import DASH, Shown, is_known
from trendkit.reports.tune_response import SPEED
from trendkit.tuning.results import Tuning

_LOADING, _PRESSURE = "solids_loading_kg_h_m", "pressure_belt_speed_m_min"
_TERMS = {
    "haul_dearer": "hauling a quarter dearer",
    "haul_cheaper": "hauling a quarter cheaper",
    "return_dearer": "treating lost solids again a quarter dearer",
    "return_cheaper": "treating lost solids again a quarter cheaper",
    "dose_more": "polymer dose a tenth higher",
    "dose_less": "polymer dose a tenth lower",
    "pressure_faster": "pressure belt a tenth faster",
    "pressure_slower": "pressure belt a tenth slower",
}
_OUTCOMES = ("cake_solids_pct", "capture_pct", "cost_per_dry_t")


def loading_section(tuning: Tuning, shown: Shown) -> Section:
    """Return the section on the best speed at other loadings, as a rule; empty when the loading is not known."""
    if tuning.by_loading.empty:
        return Section("loading", "When the loading changes", "", ())
    sheet = frame_sheet("Best speed over solids loading", tuning.by_loading, shown, {"low": SPEED, "high": SPEED})
    note = "Each row holds the other inputs at their usual and asks for the best speed at that loading."
    items: list[Item] = [sheet]
    if tuning.loading_rule is not None and tuning.decision in ("window", "step_outwards"):
        items.insert(0, Prose(_rule_words(tuning, shown), "lead"))
    return Section("loading", "When the loading changes", note, tuple(items))


def _rule_words(tuning: Tuning, shown: Shown) -> str:
    rule = tuning.loading_rule
    assert rule is not None
    percent = 100.0 * rule.share_per_tenth
    base = f"about {shown.amount(rule.speed_m_min, SPEED)} at {shown.amount(rule.loading_kg_h_m, _LOADING)}"
    if abs(percent) < 0.5:
        return f"As a rule: {base}, and the same at any loading that was run."
    way = "faster" if percent > 0 else "slower"
    return f"As a rule: {base}, and {abs(percent):.0f} % {way} for every tenth more loading."


def terms_section(tuning: Tuning, shown: Shown) -> Section:
    """Return the section on what would change the answer; empty when no speed is recommended."""
    best, what_if = tuning.recommended, tuning.what_if
    if best is None or what_if.empty:
        return Section("terms", "What would change the answer", "", ())
    pressure = tuning.now.get(_PRESSURE)
    outcomes = tuple(name for name in _OUTCOMES if what_if[name].notna().any())
    heads = (
        Head("If"),
        Head("Best speed", shown.unit(SPEED), is_number=True),
        Head("95 % limits", is_number=True),
        Head("Belt speed ratio", is_number=True),
        *(Head(shown.name(name).split(",")[0], shown.unit(name), is_number=True) for name in outcomes),
    )
    rows = [_row(_TERMS[str(row["term"])], row, outcomes, shown) for row in what_if.to_dict("records")]
    items: list[Item] = [
        Prose(_steadiness(tuning, shown), "lead"),
        Sheet("The best speed under other terms", heads, tuple(rows)),
    ]
    if pressure is not None and is_known(pressure):
        items.append(
            Prose(
                f"All else at its usual; the pressure belt ran at {shown.amount(pressure, _PRESSURE)} lately. A change "
                "of the pressure belt is a matter of its own: make it alone, and judge it by a comparison of before "
                "and after."
            )
        )
    note = "The answer asked again, one thing changed at a time. More data, above all at speeds seldom run, narrow it."
    return Section("terms", "What would change the answer", note, tuple(items))


def _row(words: str, row: dict[object, object], outcomes: tuple[str, ...], shown: Shown) -> tuple[str, ...]:
    numbers = {str(name): value if isinstance(value, float) else None for name, value in row.items()}
    low, high, ratio = numbers["low"], numbers["high"], numbers["belt_speed_ratio"]
    return (
        words,
        shown.digits(numbers[SPEED], SPEED, low, high),
        shown.limited(numbers[SPEED], low, high, SPEED)[1],
        f"{ratio:.2f}" if is_known(ratio) else DASH,
        *(shown.digits(numbers[name], name) for name in outcomes),
    )


def _steadiness(tuning: Tuning, shown: Shown) -> str:
    best = tuning.recommended
    assert best is not None
    speeds = tuning.what_if[SPEED]
    low, high = float(speeds.min()), float(speeds.max())
    if best.low <= low and high <= best.high:
        return "None of these would move the best speed out of the recommended band."
    rows = tuning.what_if[["term", SPEED]].to_dict("records")
    farthest = max(rows, key=lambda row: abs(row[SPEED] - best.gravity_belt_speed_m_min))
    words = _TERMS[str(farthest["term"])]
    return (
        f"The answer leans most on this: with {words}, the best speed would be "
        f"{shown.amount(float(farthest[SPEED]), SPEED)}, outside the recommended band."
    )
