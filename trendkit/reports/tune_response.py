"""How the press answers to gravity belt speed: the drawings of the fitted response and of cost."""

from __future__ import annotations

import pandas as pd
from markupsafe import Markup

from trendkit.plant.model import Limit
from trendkit.reports.context import PageContext
from trendkit.reports.frame_sheet import frame_sheet
from trendkit.reports.page import Item, Panel, Section, Sheet
from trendkit.reports.response_charts import Response, draw_responses
from trendkit.reports.shown import Shown, is_known
from trendkit.reports.words import figure_name
from trendkit.tuning.results import Tuning

SPEED = "gravity_belt_speed_m_min"


MOST_CIRCLES = 800  # drawn; more say no more to the eye
OUTCOMES = ("cake_solids_pct", "capture_pct", "cost_per_dry_t")


def response_section(context: PageContext, tuning: Tuning, shown: Shown) -> Section:
    """Return the section with the fitted response and, where prices are given, the cost."""
    targets = context.press.targets.get("dewatering", {})
    found = {name: _response(name, tuning, targets.get(name), shown) for name in OUTCOMES}
    responses = [response for name in OUTCOMES[:2] if (response := found[name]) is not None]
    if not responses:
        return Section("response", "How the press answers", "", ())
    items: list[Item] = [
        Panel(
            "response-curve",
            "Cake solids and capture over gravity belt speed",
            _curve_finding(tuning, shown),
            _drawn("response-drawing", responses, tuning, shown),
            _circle_words(tuning, responses),
            _curve_sheet(tuning, shown),
        )
    ]
    cost = found["cost_per_dry_t"]
    if cost is not None:
        finding = (
            "The least cost decides the speed."
            if tuning.decided_by == "cost"
            else "Cost is shown but does not decide: not all prices are given."
        )
        title, svg = figure_name("cost_per_dry_t", shown.system), _drawn("cost-drawing", [cost], tuning, shown)
        items.append(Panel("cost-curve", title, finding, svg, "At the prices of the plant file."))
    note = (
        "Line and grey band: the fitted response with its 95 % limits. Circles: steady stretches. Blue "
        "dashed band: recommended, “best” its middle. Dotted rule: the present speed. Long dashes: "
        "target."
    )
    return Section("response", "How the press answers", note, tuple(items))


def _drawn(slug: str, responses: list[Response], tuning: Tuning, shown: Shown) -> Markup:
    """Draw responses over the speed in the reader's units, with the present speed and the recommended band."""
    best, now = tuning.recommended, tuning.now.get(SPEED)
    window = None
    if best is not None:
        low, middle, high = (shown.number(each, SPEED) for each in (best.low, best.gravity_belt_speed_m_min, best.high))
        window = (low, middle, high)
    present = shown.number(now, SPEED) if now is not None and is_known(now) else None
    return draw_responses(slug, responses, shown.name(SPEED), present, window)


def _response(name: str, tuning: Tuning, limit: Limit | None, shown: Shown) -> Response | None:
    curve = tuning.curve
    known = curve.dropna(subset=[name]) if name in curve else curve.iloc[:0]
    blocks = tuning.blocks
    has_blocks = name in blocks and SPEED in blocks and name != "cost_per_dry_t"
    points = blocks.dropna(subset=[name, SPEED]) if has_blocks else blocks.iloc[:0]
    if known.empty and points.empty:
        return None
    rows = [
        (
            shown.number(row[SPEED], SPEED),
            *(shown.number(row[f"{name}{end}"], name) for end in ("", "_low", "_high")),
        )
        for _, row in known.iterrows()
    ]
    in_units = (
        None
        if limit is None
        else Limit(*(None if each is None else shown.number(each, name) for each in (limit.low, limit.high)))
    )
    drawn = points.iloc[:: _one_in(points)]
    dots = [
        (shown.number(speed, SPEED), shown.number(value, name))
        for speed, value in zip(drawn.get(SPEED, ()), drawn.get(name, ()), strict=True)
    ]
    return Response(shown.name(name), [(r[0], r[1], r[2], r[3]) for r in rows], dots, in_units)


def _one_in(points: pd.DataFrame) -> int:
    """Return which of the stretches, every how manieth, is drawn as a circle: all of them up to 800."""
    return max(1, -(-len(points) // MOST_CIRCLES))


def _circle_words(tuning: Tuning, responses: list[Response]) -> str:
    beyond = sum(response.beyond for response in responses)
    left_out = f" {beyond} circles lie beyond the axes and are not drawn." if beyond else ""
    one_in = _one_in(tuning.blocks)
    which = "Each circle is one" if one_in == 1 else f"The circles are one in {one_in}"
    return (
        f"{which} of {len(tuning.blocks)} steady stretches of the press, at its own feed; the "
        "line is fitted with feed, loading and dose held at their usual."
        f"{left_out} No speed beyond those run is judged."
    )


def _curve_finding(tuning: Tuning, shown: Shown) -> str:
    curve = (
        tuning.curve.dropna(subset=["cake_solids_pct"]) if "cake_solids_pct" in tuning.curve else tuning.curve.iloc[:0]
    )
    if curve.empty:
        return "The steady stretches are shown; they do not carry a fit."
    cake, speed = curve["cake_solids_pct"], curve[SPEED]
    span = f"{shown.digits(speed.min(), SPEED)} to {shown.amount(speed.max(), SPEED)}"
    return (
        f"Over {span}, fitted cake solids lie between {cake.min():.1f} and {cake.max():.1f}\u00a0%, "
        f"driest at {shown.amount(float(speed.iloc[int(cake.argmax())]), SPEED)}."
    )


def _curve_sheet(tuning: Tuning, shown: Shown) -> Sheet | None:
    if tuning.curve.empty:
        return None
    step = max(1, len(tuning.curve) // 20)
    return frame_sheet("the fitted response", tuning.curve.iloc[::step], shown)
