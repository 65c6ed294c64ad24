"""The figures of a review, few and all: with limits, target and the period before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from trendkit.press.results import Figure
from trendkit.reports.docket import limit_text
from trendkit.reports.page import Cell, FigureLine, Head, Mark, Sheet
from trendkit.reports.rulers import ruler
from trendkit.reports.shown import DASH, Shown, is_known
from trendkit.reports.words import CAPTURE_METHODS, figure_name, meaning, said

_MATTER = (
    "capture_pct",
    "cake_solids_pct",
    "polymer_dose_kg_t",
    "solids_loading_kg_h_m",
    "hydraulic_loading_m3_h_m",
    "cost_per_dry_t",
)


AMOUNTS = (
    "feed_volume_m3",
    "feed_dry_solids_t",
    "dry_cake_t",
    "wet_cake_t",
    "solids_returned_t",
    "polymer_kg",
    "washwater_m3",
    "energy_kwh",
    "press_hours",
    "run_hours",
    "press_days",
    "belt_speed_ratio",
    "washwater_m3_t",
    "energy_kwh_t",
)


def figure_lines(figures: Mapping[str, Figure], shown: Shown) -> tuple[FigureLine, ...]:
    """Return the few figures that matter, each with limits, target and the period before."""
    return tuple(_figure_line(name, figures[name], shown) for name in _MATTER if name in figures)


def _figure_line(name: str, figure: Figure, shown: Shown) -> FigureLine:
    label, what = figure_name(name, shown.system), meaning(name, shown.system)
    if not is_known(figure.value):
        return FigureLine(label, what, DASH, reason=figure.reason or "no readings")
    value, limits = shown.limited(figure.value, figure.low, figure.high, name)
    mark: Mark = ""
    verdict = ""
    if figure.target is not None:
        mark = "meets" if figure.meets_target else "undecided" if figure.meets_target is None else "misses"
        verdict = {"meets": "met", "misses": "missed", "undecided": "cannot be told at these limits"}[mark]
    return FigureLine(
        name=label,
        meaning=f"{what}; by {said(CAPTURE_METHODS, figure.method)}"
        if name == "capture_pct" and figure.method
        else what,
        value=value,
        limits=limits,
        ruler=ruler(figure.value, figure.low, figure.high, figure.target, figure.previous, mark == "misses"),
        target=limit_text(figure.target, name, shown) or "none set",
        mark=mark,
        verdict=verdict,
        previous=_previous(figure, name, shown),
    )


def _previous(figure: Figure, name: str, shown: Shown) -> str:
    if not is_known(figure.previous) or not is_known(figure.value) or figure.previous is None or figure.value is None:
        return DASH
    change = figure.value - figure.previous
    before = shown.digits(figure.previous, name, *_like(figure, figure.previous))
    if figure.low is not None and figure.high is not None and figure.low <= figure.previous <= figure.high:
        return f"{before}, no clear change"
    return f"{before}, now {'higher' if change > 0 else 'lower'}"


def _like(figure: Figure, value: float) -> tuple[float | None, float | None]:
    """Return limits as wide as the figure's around another value, so that it is printed to as many digits."""
    if figure.low is None or figure.high is None:
        return None, None
    half = (figure.high - figure.low) / 2
    return value - half, value + half


def figure_sheet(
    caption: str, figures: Mapping[str, Figure], names: Sequence[str], shown: Shown, is_thickening: bool = False
) -> Sheet:
    """Return figures as a sheet: value, limits, the period before, and the meaning or why it is not known.

    In thickening, whose figures are shown nowhere else, the target and whether it is met stand with the meaning.
    """
    rows = []
    for name in names:
        if name not in figures:
            continue
        figure = figures[name]
        value, limits = shown.limited(figure.value, figure.low, figure.high, name)
        what = meaning(name, shown.system)
        if is_thickening:
            what = f"{what.replace('in the cake', 'with the thickened sludge')}{_target_words(name, figure, shown)}"
        remark = figure.reason or what
        previous = (
            shown.digits(figure.previous, name, *_like(figure, figure.previous))
            if figure.previous is not None
            else DASH
        )
        rows.append((figure_name(name, shown.system), value, limits or DASH, previous, remark))
    heads = (
        Head("Figure"),
        Head("Value", is_number=True),
        Head("95 % limits", is_number=True),
        Head("Period before", is_number=True),
        Head("Meaning"),
    )
    return Sheet(caption, heads, tuple(rows))


def _target_words(name: str, figure: Figure, shown: Shown) -> str:
    if figure.target is None:
        return ""
    verdict = {True: "met", False: "missed", None: "cannot be told at these limits"}[figure.meets_target]
    return f"; target {limit_text(figure.target, name, shown)}: {verdict}"


def capture_sheet(by_method: Mapping[str, Figure], shown: Shown) -> Sheet:
    """Return capture by every method beside the chosen one; a value over 100 % is shown and explained."""
    rows = []
    for method, figure in by_method.items():
        value, limits = shown.limited(figure.value, figure.low, figure.high, "capture_pct")
        doubt: Mark = "misses" if figure.value is not None and is_known(figure.value) and figure.value > 100 else ""
        remark = figure.reason or ("over 100 %: one of its inputs must be off" if doubt else "")
        rows.append((said(CAPTURE_METHODS, method).capitalize(), Cell(value, doubt), limits or DASH, remark))
    heads = (
        Head("Capture by"),
        Head("Value", is_number=True),
        Head("95 % limits", is_number=True),
        Head("Remark"),
    )
    return Sheet("Capture by each way it can be had", heads, tuple(rows))
