"""A comparison in sentences: the answer, what stands beside it, and what its days could show."""

from __future__ import annotations

from math import floor, log10

from trendkit.reports.context import PageContext
from trendkit.reports.page import Mark
from trendkit.reports.shown import DASH, Shown, joined
from trendkit.reports.words import figure_name
from trendkit.tuning.compare import BETTER, Comparison, Effect

_BESIDE = ("cost_per_dry_t", "cake_solids_pct", "capture_pct", "polymer_dose_kg_t")


def difference(effect: Effect, name: str, shown: Shown) -> tuple[str, str]:
    """Return the adjusted difference with its sign and unit, and its limits; a dash and "" when there is none."""
    if effect.adjusted_difference is None or effect.low is None or effect.high is None:
        return DASH, ""
    unit = shown.currency if name.startswith("cost_") else shown.unit(name)
    value, low, high = (shown.number(each, name) for each in (effect.adjusted_difference, effect.low, effect.high))
    # a difference that chance could make shows its place in its limits: a digit more than they support
    decimals = max(0, -floor(log10((high - low) / 6.0))) if high > low else 2
    texts = [signed(f"{each:.{decimals}f}") for each in (value, low, high)]
    return joined(texts[0], "points" if unit == "%" else unit), f"{texts[1]} to {texts[2]}"


def signed(number: str) -> str:
    """Return a number's text with its sign, a true minus; zero bears none.

    Examples
    --------
    >>> signed("0.4 points"), signed("-0.4"), signed("0.0")
    ('+0.4 points', '−0.4', '0.0')
    """
    text = number.replace("-", "−", 1)
    is_zero = not any(each in "123456789" for each in text)
    return text.removeprefix("−") if is_zero else text if text.startswith("−") else f"+{text}"


def answer(context: PageContext, found: Comparison, shown: Shown) -> str:
    """Return the one sentence that answers whether the change helped, with its limits."""
    press, name = context.press.name, found.decided_by
    if found.verdict == "cannot_tell":
        return f"These readings cannot tell whether the change helped {press}: {shown.retold(found.reason)}."
    value, limits = difference(found.effects[name], name, shown)
    told = f"{figure_name(name, shown.system).lower()} {value} ({limits}), the feed's differences taken out"
    if found.verdict == "no_difference":
        return f"No difference can be shown on {press}: {told}."
    return f"{'It helped' if found.verdict == 'better' else 'It did harm'} on {press}: {told}."


def marked(context: PageContext, found: Comparison, shown: Shown) -> tuple[tuple[Mark, str], ...]:
    """Return what stands under the answer: the other figures that moved, the year's worth, press days, the basis."""
    lines: list[tuple[Mark, str]] = []
    for name in _BESIDE:
        effect = found.effects[name]
        if name != found.decided_by and effect.adjusted_difference is not None:
            value, limits = difference(effect, name, shown)
            is_better = effect.adjusted_difference * BETTER[name] > 0.0
            mark: Mark = "" if not effect.is_shown else "meets" if is_better else "misses"
            chance = "beyond chance" if effect.is_shown else "within what chance does"
            lines.append((mark, f"{figure_name(name, shown.system)} {value} ({limits}): {chance}."))
    year = _year_words(found)
    if year:
        lines.append(("", year))
    week = found.press_days_per_week
    if week["before"] is not None and week["after"] is not None:
        lines.append(("", f"Press days a week: {week['before']:.1f} before, {week['after']:.1f} after."))
    if found.verdict != "cannot_tell":
        lines.append(("", f"It rests on days alike: {shown.retold(found.reason)}."))
    return tuple(lines)


def _year_words(found: Comparison) -> str:
    cost = found.cost_per_year
    if cost is None:
        return ""
    currency = cost.unit.removesuffix("/y")
    value, low, high = (_money(each) for each in (cost.value, cost.low, cost.high))
    if cost.low <= 0.0 <= cost.high:
        return f"Over a year the cost may not move at all: {value} {currency} ({low} to {high}; minus is saved)."
    return f"Over a year the cost moves by {value} {currency} ({low} to {high}; minus is saved)."


def _money(amount: float) -> str:
    return signed(f"{float(f'{amount:.2g}'):,.0f}")


def power_words(found: Comparison, shown: Shown) -> tuple[str, ...]:
    """Return, figure by figure, the least difference these days would show and the days half a point would need."""
    told = []
    for each in found.power:
        name = figure_name(each.figure, shown.system)
        rest = (
            f"to show {each.wanted:g} points, about {each.more_press_days} more press days are needed, spread evenly "
            "over both periods"
            if each.more_press_days
            else f"{each.wanted:g} points would be shown"
        )
        told.append(
            f"{name}: with this scatter a true difference of {each.least_shown:.1f} points is shown four times in "
            f"five; {rest}."
        )
    return tuple(told)
