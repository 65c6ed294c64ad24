"""The JSON documents beside the pages, key by key as the contract, section 4, lists them. All numbers SI."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import pandas as pd

from trendkit import __version__
from trendkit.plant.model import Limit
from trendkit.press.calibration import Calibration
from trendkit.press.closure import Closure
from trendkit.press.results import Figure, FigureTable, PeriodReview
from trendkit.reports.cautions import AT_THE_PRESS
from trendkit.reports.context import PageContext
from trendkit.reports.jsonio import records

if TYPE_CHECKING:  # results are read, never made here: the rooms that make them need not be loaded
    from trendkit.reports.held_against import HeldAgainst
    from trendkit.series import QualityAccount, TagQuality
    from trendkit.tuning.compare import Comparison
    from trendkit.tuning.results import Tuning
    from trendkit.tuning.step_result import StepTest
    from trendkit.upsets.results import Cause, DayAccount, Upset
    from trendkit.upsets.run_charts import RunChart

SPEED = "gravity_belt_speed_m_min"


def frame_of_page(command: str, context: PageContext, notes: Sequence[str]) -> dict[str, Any]:
    """Return the keys every page's JSON opens with; `cautions` are the notes, then those for work at the
    press.
    """
    period = context.period
    return {
        "command": command,
        "trendkit_version": __version__,
        "press": context.press.slug,
        "press_name": context.press.name,
        "plant": context.plant.name,
        "plant_file_sha256": context.plant.sha256,
        "period": {
            "start": period.start_utc,
            "end": period.end_utc,
            "timezone": period.timezone,
            "covered_share": context.covered_share,
        },
        "inputs": [
            {"file": each.file, "sha256": each.sha256, "rows": each.rows, "refused": each.refused}
            for each in context.inputs
        ],
        "data_quality": [
            {
                "press": finding.press,
                "tag": finding.tag,
                "role": finding.role,
                "fault": finding.fault,
                "start": finding.start_utc,
                "end": finding.end_utc,
                "effect": finding.effect,
                "evidence": finding.evidence,
                "count": finding.count,
            }
            for finding in context.findings
        ],
        "excluded": [
            {"start": each.start_utc, "end": each.end_utc, "press": each.press, "reason": each.reason}
            for each in context.excluded
        ],
        "cautions": list(dict.fromkeys((*context.notes, *notes, *AT_THE_PRESS))),
    }


def _limit(limit: Limit | None) -> dict[str, float | None] | None:
    return None if limit is None else {"min": limit.low, "max": limit.high}


def _figure(figure: Figure) -> dict[str, Any]:
    return {
        "value": figure.value,
        "low": figure.low,
        "high": figure.high,
        "unit": figure.unit,
        "n": figure.n,
        "method": figure.method,
        "previous": figure.previous,
        "target": _limit(figure.target),
        "meets_target": figure.meets_target,
        "reason": figure.reason,
    }


def figure_documents(figures: Mapping[str, Figure]) -> dict[str, Any]:
    """Return figures by name as the JSON documents hold them."""
    return {name: _figure(figure) for name, figure in figures.items()}


def _causes(causes: Sequence[Cause]) -> list[dict[str, Any]]:
    return [{"cause": c.cause, "weight": c.weight, "because": c.because, "check": c.check} for c in causes]


def upset_rows(upsets: Sequence[Upset]) -> list[dict[str, Any]]:
    """Return the ledger's rows, lists kept as lists; the 95 % limits of loss and cost stand last."""
    return [
        {
            "press": upset.press,
            "run": upset.run,
            "start": upset.start,
            "effect_start": upset.effect_start,
            "detected_at": upset.detected_at,
            "end": upset.end,
            "kind": upset.kind,
            "kinds": list(upset.kinds),
            "severity": upset.severity,
            "first_sign": upset.first_sign,
            "cause": upset.cause,
            "causes": _causes(upset.causes),
            "evidence": upset.evidence,
            "lost_dry_solids_kg": upset.lost_dry_solids_kg,
            "extra_cost": upset.extra_cost,
            "lost_dry_solids_kg_low": upset.lost_dry_solids_kg_low,
            "lost_dry_solids_kg_high": upset.lost_dry_solids_kg_high,
            "extra_cost_low": upset.extra_cost_low,
            "extra_cost_high": upset.extra_cost_high,
        }
        for upset in upsets
    ]


def _closure(closure: Closure) -> dict[str, Any]:
    """Return a balance's tests, its suspects most likely first, and each measurement as read and as reconciled."""
    return asdict(closure)


def _calibration(calibration: Calibration) -> dict[str, Any]:
    told = asdict(calibration)
    told["start"], told["end"] = told.pop("start_utc"), told.pop("end_utc")
    return {name: None if value != value else value for name, value in told.items() if name != "covariance"}


def _run_rows(runs: pd.DataFrame) -> list[dict[str, Any]]:
    return records(runs.rename(columns={"start_utc": "start", "end_utc": "end"}))


def _run_chart(chart: RunChart) -> dict[str, Any]:
    limits = chart.limits
    return {
        "mean": limits.centre,
        "lower": limits.lower,
        "upper": limits.upper,
        "runs": _run_rows(chart.runs),
    }


def _results_that_count(context: PageContext) -> int:
    """Return how many accepted results of the bench were sampled in the period."""
    lab, period = context.lab, context.period
    if lab is None or lab.empty:
        return 0
    inside = (lab["sampled_at"] >= period.start_utc) & (lab["sampled_at"] < period.end_utc)
    return int((inside & ~lab["is_suspect"].astype(bool)).sum())


def review_document(
    context: PageContext, review: PeriodReview, table: FigureTable, upsets: Sequence[Upset], held: HeldAgainst
) -> dict[str, Any]:
    """Return review.json: figures with limits, by mode, day and shift, and the upsets of the period."""
    year = held.year_before
    return {
        **frame_of_page("review", context, (*table.notes, *review.notes)),
        "figures": figure_documents(review.figures),
        "by_mode": {mode: {"figures": figure_documents(figures)} for mode, figures in review.by_mode.items()},
        "by_day": records(review.by_day),
        "by_shift": records(review.by_shift),
        "by_run": _run_rows(review.runs),
        "year_before": year
        and {"period": {"start": year.start_utc, "end": year.end_utc}, "figures": figure_documents(held.year_figures)},
        "run_charts": {chart.figure: _run_chart(chart) for chart in held.charts},
        "lab_results": _results_that_count(context),
        "capture_by_method": figure_documents(review.capture_by_method),
        "costs": [
            {"name": line.name, "amount": line.amount, "per_dry_t": line.per_dry_t, "price": line.price}
            for line in review.costs
        ],
        "missing_prices": list(review.missing_prices),
        "workload": review.workload and asdict(review.workload),
        "reconciliation": {
            **(_closure(review.closure) if review.closure else {}),
            "by_run": [_closure(each) for each in review.closure_by_run],
        },
        "calibrations": [_calibration(each) for each in review.calibrations],
        "compared_with_gate": [asdict(each) for each in review.compared],
        "unavailable": dict(table.unavailable),
        "upsets": upset_rows(upsets),
    }


def troubleshoot_document(
    context: PageContext, account: DayAccount, table: FigureTable, upsets: Sequence[Upset]
) -> dict[str, Any]:
    """Return troubleshoot.json: the verdict, the differences, the order of signs, the causes and the
    checks.
    """
    return {
        **frame_of_page("troubleshoot", context, (*table.notes, *account.notes)),
        "day": account.day,
        "verdict": account.verdict,
        "cake_solids_pct": account.cake_solids_pct,
        "usual_cake_solids_pct": account.usual_cake_solids_pct,
        "capture_pct": account.capture_pct,
        "usual_capture_pct": account.usual_capture_pct,
        "compared_with": [{"day": each.day, "why": each.why} for each in account.compared_with],
        "changes": [
            {
                "figure": change.figure,
                "value": change.value,
                "usual": change.usual,
                "usual_low": change.usual_low,
                "usual_high": change.usual_high,
                "z": change.z,
            }
            for change in account.changes
        ],
        "timeline": [
            {"time": m.time, "role": m.role, "direction": m.direction, "size": m.size, "unit": m.unit}
            for m in account.timeline
        ],
        "contributions": [
            {"factor": c.factor, "points": c.points, "low": c.low, "high": c.high} for c in account.contributions
        ],
        "causes": _causes(account.causes),
        "checks": list(account.checks),
        "rests_on": list(account.rests_on),
        "unranked": [{"cause": cause, "decided_by": test} for cause, test in account.unranked],
        "unavailable": dict(table.unavailable),
        "upsets": upset_rows(upsets),
    }


def tune_document(context: PageContext, tuning: Tuning, table: FigureTable) -> dict[str, Any]:
    """Return tune.json: the decision with its reason, the curve, the recommendation and its worth."""
    best, gain, known, rule = tuning.recommended, tuning.gain, tuning.identifiability, tuning.loading_rule
    return {
        **frame_of_page("tune", context, (*table.notes, *tuning.notes)),
        "decision": tuning.decision,
        "reason": tuning.reason,
        "decided_by": tuning.decided_by,
        "recommended": best
        and {
            "gravity_belt_speed_m_min": best.gravity_belt_speed_m_min,
            "low": best.low,
            "high": best.high,
            "belt_speed_ratio": best.belt_speed_ratio,
            "best_low": best.best_low,
            "best_high": best.best_high,
        },
        "curve": records(tuning.curve),
        "now": dict(tuning.now),
        "gain": gain and {"value": gain.value, "low": gain.low, "high": gain.high, "unit": gain.unit},
        "identifiability": {
            "speed_range_m_min": known.speed_range_m_min,
            "free_speed_share": known.free_speed_share,
            "independent_changes": known.independent_changes,
            "days": known.days,
        },
        "by_load": records(tuning.by_loading),
        "load_rule": rule
        and {
            "gravity_belt_speed_m_min": rule.speed_m_min,
            "solids_loading_kg_h_m": rule.loading_kg_h_m,
            "share_per_tenth_more_load": rule.share_per_tenth,
        },
        "what_if": records(tuning.what_if),
        "step_test": records(tuning.step_test),
        "finished_step_test": _finished(tuning.finished_test),
    }


def _finished(test: StepTest | None) -> dict[str, Any] | None:
    if test is None:
        return None
    return {
        "holds_used": len(test.holds),
        "left_out": [{"step": step, "reason": reason} for step, reason in test.left_out],
        "judged": [
            {
                "outcome": each.outcome,
                "p_value": each.p_value,
                "days": each.days,
                "levels": [
                    {SPEED: at.gravity_belt_speed_m_min, "value": at.value, "low": at.low, "high": at.high}
                    for at in each.levels
                ],
            }
            for each in test.judged
        ],
    }


def compare_document(context: PageContext, found: Comparison, table: FigureTable) -> dict[str, Any]:
    """Return compare.json: both periods, every figure's difference raw and adjusted, and what the scatter lets see."""
    cost = found.cost_per_year
    return {
        **frame_of_page("compare", context, (*table.notes, *found.notes)),
        **{
            name: {"start": side.start_utc, "end": side.end_utc, "timezone": side.timezone}
            for name, side in (("before", found.before), ("after", found.after))
        },
        "verdict": found.verdict,
        "reason": found.reason,
        "decided_by": found.decided_by,
        "effects": {
            name: {
                "before": effect.before,
                "after": effect.after,
                "raw_difference": effect.raw_difference,
                "adjusted_difference": effect.adjusted_difference,
                "low": effect.low,
                "high": effect.high,
                "p_value": effect.p_value,
                "press_days_before": effect.days_before,
                "press_days_after": effect.days_after,
                "reason": effect.reason,
            }
            for name, effect in found.effects.items()
        },
        "press_days_per_week": dict(found.press_days_per_week),
        "same_solids_press_days_per_week": dict(found.same_solids_days_per_week),
        "cost_per_year": cost and {"value": cost.value, "low": cost.low, "high": cost.high, "unit": cost.unit},
        "power": [
            {
                "figure": each.figure,
                "least_shown": each.least_shown,
                "wanted": each.wanted,
                "more_press_days": each.more_press_days,
            }
            for each in found.power
        ],
        "days": records(found.days[["day", "is_after", "is_matched", *found.effects]]),
        "unavailable": dict(table.unavailable),
    }


def quality_document(context: PageContext, account: QualityAccount) -> dict[str, Any]:
    """Return quality.json: every tag with its shares, gaps and faults; every row refused with its line; texts."""
    return {
        **frame_of_page("quality", context, ()),
        "moving_hours": account.moving_hours,
        "tags": [_tag(tag) for tag in account.tags],
        "by_day": [
            {
                "day": each.day,
                "hours": each.hours,
                "share_good": each.share_good,
                "worst_share": each.worst_share,
                "worst_tag": each.worst_tag,
            }
            for each in account.days
        ],
        "refused": [
            {"file": each.file, "line": line, "why": why} for each in context.inputs for line, why in each.refusals
        ],
        "texts": [
            {"file": each.file, "tag": tag, "text": text, "count": count}
            for each in context.inputs
            for tag, texts in each.texts.items()
            for text, count in texts.items()
        ],
        "samples_left_out": [] if context.lab is None else records(context.lab[context.lab["is_suspect"].astype(bool)]),
        "reading_notes": {each.file: list(each.notes) for each in context.inputs},
    }


def _tag(quality: TagQuality) -> dict[str, Any]:
    habit, tag = quality.habit, quality.tag
    return {
        "tag": tag.tag,
        "role": tag.name,
        "column": tag.column,
        "unit": tag.unit or None,
        "kind": tag.kind,
        "recorded": (habit.recorded or None) if habit else None,
        "spacing_s": habit.spacing_s if habit else None,
        "longest_silence_s": habit.longest_silence_s if habit else None,
        "share_good": quality.share_good,
        "share_good_moving": quality.share_good_moving,
        "share_uncertain": habit.uncertain_share if habit else None,
        "lowest": quality.lowest,
        "highest": quality.highest,
        "gaps": {
            "count": quality.gaps,
            "minutes": quality.gap_minutes,
            "longest_minutes": quality.longest_gap_minutes,
        },
        "faults": [
            {"fault": f.fault, "count": f.count, "minutes": f.minutes, "lost_minutes": f.lost_minutes}
            for f in quality.faults
        ],
    }
