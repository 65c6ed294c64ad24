"""Where the gravity belt should run: from the figure table of one press to the whole answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from trendkit.plant.model import Plant, Press
from trendkit.press.amounts import ratio
from trendkit.press.belts import belt_speed_ratio
from trendkit.press.results import FigureTable
from trendkit.tuning.blocks import is_from_grabs, sludge_minutes, steady_blocks
from trendkit.tuning.changes import changes_between_grabs, effect_on_cake, effect_on_log_loss, speed_changes
from trendkit.tuning.curve import GRID, LIMITS, Curve, change_curve, regression_curve
from trendkit.tuning.decide import Contrast, compare_estimates, decide
from trendkit.tuning.grabs import grab_blocks
from trendkit.tuning.identify import identify, range_run, why_insufficient
from trendkit.tuning.lasting import lasting_errors
from trendkit.tuning.outcome import SPEED
from trendkit.tuning.response import Response, fit_response, typical_conditions
from trendkit.tuning.results import Gain, Identifiability, Recommended, Tuning
from trendkit.tuning.step_result import StepTest, finish_test, merge_test
from trendkit.tuning.step_test import plan_step_test
from trendkit.tuning.what_if import best_by_loading, rule_over_loading, what_if
from trendkit.tuning.worth import Worth, amounts_per_fed_t, weigh

Floats = npt.NDArray[np.float64]

NOW_DAYS = 7  # the present setting is that of the last pressing days
_OUTCOMES = ("cake_solids_pct", "capture_pct", "cost_per_dry_t")
CURVE_COLUMNS = (SPEED, *(f"{name}{limit}" for name in _OUTCOMES for limit in ("", "_low", "_high")))


def tune(table: FigureTable, press: Press, plant: Plant, sheet: pd.DataFrame | None = None) -> Tuning:
    """Return where the gravity belt of `press` should run, judged from its figure table, with limits.

    Speeds in m/min, cake solids and capture in %, cost in the plant's currency per dry tonne leaving in cake.
    `sheet` is a filled step-test sheet (`read_step_sheet`); it is judged by its plan and merged with the history.
    Only speeds that were run are judged. The decision is `insufficient` when the data cannot tell; nothing is
    raised.
    """
    minutes = sludge_minutes(table, press, plant)
    if is_from_grabs(table.frame):
        blocks = grab_blocks(minutes, table.lab, table.every_s)
        changes = changes_between_grabs(blocks)
    else:
        blocks = steady_blocks(minutes, table.every_s)
        changes = speed_changes(minutes, table.every_s)
    test = None
    if sheet is not None:
        test = finish_test(sheet, minutes, not is_from_grabs(table.frame), table.every_s)
        blocks, changes = merge_test(test, blocks, changes)
    return replace(_answer(table, press, plant, minutes, blocks, changes, test), finished_test=test)


def _answer(
    table: FigureTable,
    press: Press,
    plant: Plant,
    minutes: pd.DataFrame,
    blocks: pd.DataFrame,
    changes: pd.DataFrame,
    test: StepTest | None,
) -> Tuning:
    found = identify(blocks, changes)
    why_not = why_insufficient(blocks, found, None if test is None else test.holds)
    if why_not is None:
        try:
            response = fit_response(blocks, typical_conditions(minutes))
        except np.linalg.LinAlgError:
            why_not = f"in the {len(blocks)} steady blocks the speed and the other inputs cannot be told apart"
        else:
            response = replace(response, lasting=lasting_errors(table, minutes))
            return _judge(table, press, plant, minutes, response, changes, found)
    return Tuning(
        decision="insufficient",
        reason=why_not,
        recommended=None,
        curve=pd.DataFrame(columns=list(CURVE_COLUMNS), dtype=float),
        now=present_setting(minutes),
        gain=None,
        identifiability=found,
        step_test=plan_step_test(minutes, blocks, press),
        blocks=blocks,
        changes=changes,
    )


def _judge(
    table: FigureTable,
    press: Press,
    plant: Plant,
    minutes: pd.DataFrame,
    response: Response,
    changes: pd.DataFrame,
    found: Identifiability,
) -> Tuning:
    amounts = amounts_per_fed_t(table.frame.loc[minutes.index])

    def worth_at(changed: Mapping[str, float]) -> Worth:
        return weigh(press, plant.costs, {**response.typical, **changed}, amounts, response.loss is not None)

    speeds, worth = speeds_run(response.blocks), worth_at({})
    first = regression_curve(response, worth, speeds)
    contrast = second_opinion(response, changes, first, worth)
    decision, reason = decide(first, contrast, scale_error_of(press, first.best_speed))
    now = present_setting(minutes, first, worth)
    is_settled = decision != "disagree"
    by_loading = best_by_loading(response, minutes, worth_at, speeds)
    return Tuning(
        decision=decision,
        reason=reason,
        recommended=_recommend(first, response, press) if is_settled else None,
        curve=first.as_frame(worth),
        now=now,
        gain=gain_over_present(first, now[SPEED], worth, dry_t_per_year(table)) if is_settled else None,
        identifiability=found,
        step_test=plan_step_test(minutes, response.blocks, press),
        blocks=response.blocks,
        changes=changes,
        by_loading=by_loading,
        loading_rule=rule_over_loading(by_loading),
        what_if=what_if(response, worth_at, speeds) if is_settled else pd.DataFrame(),
        decided_by=worth.decided_by,
        notes=_notes(response, worth, contrast, first, now[SPEED]),
    )


def speeds_run(blocks: pd.DataFrame) -> Floats:
    """Return the grid of gravity belt speeds [m/min] that were run: no speed outside it is ever judged."""
    return np.linspace(*range_run(blocks), GRID)


def second_opinion(response: Response, changes: pd.DataFrame, first: Curve, worth: Worth) -> Contrast | None:
    """Return what crossing the middle half of the speeds run does by both estimates, None if unknown."""
    days = [str(day) for day in response.days]
    centre = float(response.blocks[SPEED].median())
    cake = effect_on_cake(changes, days, response.weights, centre)
    if cake is None:
        return None
    loss = effect_on_log_loss(changes, days, response.weights, centre)
    second = change_curve(first, cake, loss, centre, worth)
    slow, fast = first.speeds[GRID // 4], first.speeds[-1 - GRID // 4]
    return compare_estimates(first, second, float(slow), float(fast), cake.days)


def scale_error_of(press: Press, speed_m_min: float) -> float:
    """Return the relative standard uncertainty of the gravity belt speed's meter at a speed."""
    stated = press.uncertainty_of("gravity_belt_speed")
    return float(np.hypot(stated.relative, stated.absolute / speed_m_min))


def _recommend(first: Curve, response: Response, press: Press) -> Recommended:
    best = first.best_speed
    scale_error = scale_error_of(press, best)
    pressure = response.typical["pressure_belt_speed_m_min"]
    speed_ratio = best / pressure if pressure > 0.0 else None
    return Recommended(best, *first.bounds(scale_error), speed_ratio, *first.best_limits(scale_error))


def present_setting(
    minutes: pd.DataFrame, curve: Curve | None = None, worth: Worth | None = None
) -> dict[str, float | None]:
    """Return the median speed and ratio of the last seven pressing days, and what the curve gives there.

    Without a curve cake solids and capture are the medians of those days and the cost is None.
    """
    days = pd.unique(minutes["day"])[-NOW_DAYS:]
    recent = minutes[minutes["day"].isin(days)]
    speed, pressure = float(recent[SPEED].median()), float(recent["pressure_belt_speed_m_min"].median())
    now: dict[str, float] = {
        SPEED: speed,
        "pressure_belt_speed_m_min": pressure,
        "belt_speed_ratio": belt_speed_ratio(speed, pressure),
        "cake_solids_pct": float(recent["cake_solids_pct"].median()),
        "capture_pct": float(recent["capture_pct"].median()),
        "cost_per_dry_t": np.nan,
    }
    if curve is not None and worth is not None:
        now["cake_solids_pct"] = float(np.interp(speed, curve.speeds, curve.cake))
        now["capture_pct"] = float(np.interp(speed, curve.speeds, curve.capture))
        cost = worth.cost_per_dry_t(curve.cake, curve.capture)
        now["cost_per_dry_t"] = float(np.interp(speed, curve.speeds, cost))
    return {name: value if np.isfinite(value) else None for name, value in now.items()}


def dry_t_per_year(table: FigureTable) -> float:
    """Return the dry tonnes leaving in cake a year at the period's rate (those fed if capture is unknown).

    Pressing in which the cake is not known counts as the rest: a silent meter makes no smaller plant.
    """
    frame = table.frame[table.frame["mode"] == "dewatering"]
    rate = frame["dry_cake_kg_h"] if frame["dry_cake_kg_h"].notna().any() else frame["feed_dry_solids_kg_h"]
    pressed_m3 = frame["feed_flow_m3_h"].where(frame["phase"] == "pressing")
    unseen = ratio(float(pressed_m3.sum()), float(pressed_m3[rate.notna()].sum()))
    hours = table.every_s / 3600.0
    return float(rate.sum() / 1000.0 * hours * unseen / (len(table.frame) * hours / 24.0) * 365.25)


def gain_over_present(curve: Curve, present: float | None, worth: Worth, dry_t_y: float) -> Gain | None:
    """Return what the best speed is worth against the present one: money a year, or points of cake solids.

    A present speed outside what was run is judged as the nearest that was.
    """
    if present is None:
        return None
    now = int(np.argmin(np.abs(curve.speeds - present)))
    best = curve.best
    if worth.decided_by == "cost":
        value = (curve.burden[now] - curve.burden[best]) * dry_t_y
        draws = (curve.burden_draws[:, now] - curve.burden_draws[:, best]) * dry_t_y
        unit = f"{worth.currency}/y"
    else:
        value, draws = (
            curve.cake[best] - curve.cake[now],
            curve.cake_draws[:, best] - curve.cake_draws[:, now],
        )
        unit = "points of cake solids"
    low, high = np.quantile(draws, LIMITS)
    return Gain(float(value), float(low), float(high), unit)


def _notes(
    response: Response, worth: Worth, contrast: Contrast | None, first: Curve, present: float | None
) -> tuple[str, ...]:
    notes = [
        f"Limits come from drawing whole days anew {len(response.weights)} times, with how smooth the curve is, what "
        "smoothing takes from it and what the meters may be off by throughout drawn as well.",
        f"Taken out: {', '.join(response.cake.design.inputs) or 'no other input'}, day levels and drift.",
    ]
    if worth.missing_prices:
        notes.append(f"Cost does not decide: no price for {', '.join(worth.missing_prices)}.")
    if response.loss is None:
        notes.append("Capture is not known in enough steady blocks, so lost solids do not enter.")
    if contrast is None:
        notes.append("Too few speed changes with the other inputs still: the second estimate could not be made.")
    elif not contrast.differs:
        notes.append(
            f"Both estimates agree: from {contrast.slow_m_min:.1f} to {contrast.fast_m_min:.1f} m/min "
            "the burden moves by "
            f"{100 * contrast.by_regression:+.1f} % and {100 * contrast.by_changes:+.1f} % (known to "
            f"{100 * contrast.sigma:.1f} %)."
        )
    if worth.shortfall(first.cake, first.capture).min() > 0.0:
        notes.append("No speed that was run meets the targets.")
    if present is not None and not first.speeds[0] <= present <= first.speeds[-1]:
        notes.append("The present speed lies outside the steady speeds of the period; the nearest one stands for it.")
    return tuple(notes)
