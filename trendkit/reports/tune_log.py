"""The tuning answer as a note for the operators' log."""

from __future__ import annotations

from trendkit.reports.context import PageContext
from trendkit.reports.docket import limit_text
from trendkit.reports.page import Prose, Section
from trendkit.reports.plant_clock import period_text
from trendkit.reports.shown import Shown, is_known
from trendkit.reports.tune_response import SPEED
from trendkit.tuning.results import Tuning


def log_section(context: PageContext, tuning: Tuning, shown: Shown) -> Section:
    """Return the section with a paragraph for the log."""
    note = "A note for the operators' log, to copy as it stands. The shift lead decides."
    return Section("log", "For the log", note, (Prose(_log_text(context, tuning, shown), "log"),))


def _log_text(context: PageContext, tuning: Tuning, shown: Shown) -> str:
    press, best, now = context.press.name, tuning.recommended, tuning.now.get(SPEED)
    when = period_text(context.plant, context.period)
    if tuning.decision in ("insufficient", "disagree") or best is None:
        return (
            f"{press}: the records of {when} do not settle the gravity belt speed. Leave it as it is. The "
            "step test on the tuning page would settle it; ask the lead before starting it."
        )
    low, high = (shown.digits(each, SPEED, best.low, best.high) for each in (best.low, best.high))
    unit = shown.unit(SPEED)
    if tuning.decision == "flat":
        return (
            f"{press}: by the records of {when}, any gravity belt speed from {low} to {high} {unit} gives "
            "the same result. Pick one, hold it, and leave the speed alone when the feed changes."
        )
    watch = _watch_words(context, shown)
    if tuning.decision == "step_outwards":
        return (
            f"{press}: by the records of {when}, {shown.retold(tuning.reason)}. One step a day at most, "
            f"nothing else changed. {watch}"
        )
    move = (
        f" It runs at {shown.amount(now, SPEED)} now: go there in small steps."
        if now is not None and is_known(now) and not best.low <= now <= best.high
        else ""
    )
    aim = shown.digits(best.gravity_belt_speed_m_min, SPEED, best.low, best.high)
    return (
        f"{press}: by the records of {when}, run the gravity belt at about {aim} {unit}, and keep it "
        f"between {low} and {high} {unit}.{move} Leave feed, polymer, pressure belt and tension alone "
        f"meanwhile. {watch}"
    )


def _watch_words(context: PageContext, shown: Shown) -> str:
    targets = context.press.targets.get("dewatering", {})
    told = [
        f"{words} not {limit_text(targets[name], name, shown)}"
        for name, words in (("cake_solids_pct", "cake solids are"), ("capture_pct", "capture is"))
        if name in targets
    ]
    wait = "Wait 20 minutes after each step before judging it by a cake and a filtrate sample."
    back = f" Go back one step if {' or '.join(told)}, or" if told else " Go back one step if"
    return f"{wait}{back} if water stands before the wedge or sludge squeezes out at the edges."
