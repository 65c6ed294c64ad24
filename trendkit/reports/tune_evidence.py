"""How sure the tuning answer is, what a step test showed, and the one that would settle it."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from trendkit.plant.display import counted
from trendkit.reports.closing import caution_list
from trendkit.reports.frame_sheet import frame_sheet
from trendkit.reports.page import Cell, Head, Item, Listing, Prose, Section, Sheet
from trendkit.reports.plant_clock import PlantClock
from trendkit.reports.shown import DASH, Shown, is_known, share_text
from trendkit.reports.tune_response import SPEED
from trendkit.reports.words import figure_name
from trendkit.tuning.results import Tuning
from trendkit.tuning.step_result import Judged

_SAID_ONCE = ("samples", "stop_if")  # columns of the step-test sheet that repeat one text


_MOST_CHANGES = 20


def evidence_section(tuning: Tuning, clock: PlantClock, shown: Shown) -> Section:
    """Return the section on how much the records can say and what followed each speed change."""
    known = tuning.identifiability
    share = DASH if not is_known(known.free_speed_share) else share_text(known.free_speed_share)
    rows: tuple[tuple[Cell | str, ...], ...] = (
        (
            "Decision",
            {
                "window": "a best speed inside what was run",
                "flat": "no speed is clearly best",
                "step_outwards": "step outwards",
                "disagree": "the two estimates disagree",
                "insufficient": "not enough to tell",
            }[tuning.decision],
        ),
        ("Reason", shown.retold(tuning.reason)),
        (
            "Decided by",
            {
                "cost": "least cost per dry {} within the targets".format("ton" if shown.system == "us" else "tonne"),
                "dryness": "driest cake with capture at or above its target",
            }[tuning.decided_by],
        ),
        ("Range of speeds run", shown.amount(known.speed_range_m_min, SPEED)),
        ("Share of the speed's movement that feed, loading and dose do not explain", share),
        ("Speed changes while the rest held still", str(known.independent_changes)),
        ("Days", str(known.days)),
    )
    items: list[Item] = [Sheet("How much these records can say", (Head("What"), Head("Found")), rows)]
    if not tuning.changes.empty:
        items.append(_change_sheet(tuning.changes, clock, shown))
    return Section(
        "evidence",
        "How sure this is",
        "Two estimates are made: one from all steady stretches with the feed's differences taken "
        "out, one from what followed each change of speed.",
        tuple(items),
    )


def _change_sheet(changes: pd.DataFrame, clock: PlantClock, shown: Shown) -> Sheet:
    """Return what followed each change of speed; those made while the rest held still come first."""
    ordered = changes.sort_values(["is_independent", "time"], ascending=[False, True], kind="stable")
    rows = tuple(
        (
            clock.time_text(row["time"]),
            shown.digits(row["speed_before_m_min"], SPEED),
            shown.digits(row["speed_after_m_min"], SPEED),
            _points(row["cake_solids_change_pct"]),
            _points(row["capture_change_pct"]),
            _named(str(row["moved"])) or "nothing",
        )
        for row in ordered.head(_MOST_CHANGES).to_dict("records")
    )
    heads = (
        Head("Time", "plant time", is_short=True),
        Head("From", shown.unit(SPEED), is_number=True),
        Head("To", shown.unit(SPEED), is_number=True),
        Head("Cake solids", "points", is_number=True),
        Head("Capture", "points", is_number=True),
        Head("What else moved"),
    )
    return Sheet(f"What followed each speed change ({len(rows)} of {len(changes)} shown)", heads, rows)


def _named(columns: str) -> str:
    return ", ".join(figure_name(name).lower() for name in columns.split(", ") if name)


def _points(change: float) -> str:
    return f"{change:+.2f}".replace("-", "−") if is_known(change) else DASH


def finished_test_section(tuning: Tuning, shown: Shown) -> Section:
    """Return the section on a finished step test: each outcome by level, and the holds left out; empty without."""
    test = tuning.finished_test
    if test is None:
        return Section("finished", "What the step test showed", "", ())
    items: list[Item] = [_judged_sheet(judged, shown) for judged in test.judged]
    if not test.judged:
        items.append(
            Prose(
                "The holds that could be used are too few to judge the test by its plan: it takes two days and two "
                "speeds at least, and days that ran speeds of both when two tests are on the sheet."
            )
        )
    if test.left_out:
        told = tuple(f"Step {step}: {shown.retold(reason)}." for step, reason in test.left_out)
        items.append(Listing(told, heading="Holds left out"))
    note = (
        f"{counted(len(test.holds), 'hold')}, judged by the plan: days are blocks, so that a day's sludge favours no "
        "speed. They are also merged with the history, on which the answer rests."
    )
    return Section("finished", "What the step test showed", note, tuple(items))


def _judged_sheet(judged: Judged, shown: Shown) -> Sheet:
    name = judged.outcome
    chance = "under 0.001" if judged.p_value < 0.001 else f"{judged.p_value:.3f}"
    verdict = "the speed matters" if judged.p_value < 0.05 else "no effect of the speed is shown"
    rows = tuple(
        (
            shown.digits(at.gravity_belt_speed_m_min, SPEED),
            shown.digits(at.value, name, at.low, at.high),
            shown.limited(at.value, at.low, at.high, name)[1],
            str(at.holds),
        )
        for at in judged.levels
    )
    heads = (
        Head("Speed", shown.unit(SPEED), is_number=True),
        Head(figure_name(name), shown.unit(name), is_number=True),
        Head("95 % limits", is_number=True),
        Head("Holds", is_number=True),
    )
    return Sheet(f"{figure_name(name)} by speed, {judged.days} days: {verdict} (p {chance})", heads, rows)


def step_test_section(tuning: Tuning, shown: Shown) -> Section:
    """Return the section with the cautions and the step-test sheet to fill in."""
    if tuning.step_test.empty:
        return Section("step-test", "The step test", "", ())
    sheet = tuning.step_test
    once = [name for name in _SAID_ONCE if name in sheet and len(set(sheet[name])) == 1]
    rules = tuple(f"{figure_name(name)}: {shown.retold(str(sheet[name].iloc[0]))}." for name in once)
    items: list[Item] = [caution_list()]
    if rules:
        items.append(Listing(rules))
    items.append(replace(frame_sheet("Sheet to fill in, in this order", sheet.drop(columns=once), shown), is_form=True))
    note = "Holds in random order, so that a slow change in the sludge favours no speed. Print it and fill it in."
    return Section("step-test", "The step test", note, tuple(items))
