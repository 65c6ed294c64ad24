"""How sure the tuning answer is, what it is at other loads, and the step test that would settle it."""

from __future__ import annotations

from trendkit.reports.closing import caution_list
from trendkit.reports.frame_sheet import frame_sheet
from trendkit.reports.page import Cell, Head, Item, Listing, Section, Sheet
from trendkit.reports.plant_clock import PlantClock
from trendkit.reports.shown import DASH, Shown, is_known
from trendkit.reports.tune_response import SPEED
from trendkit.reports.words import figure_name
from trendkit.tuning.results import Tuning

_SAID_ONCE = ("samples", "stop_if")  # columns of the step-test sheet that repeat one text


_MOST_CHANGES = 40


def load_section(tuning: Tuning, shown: Shown) -> Section:
    """Return the section on the best speed at other loads; empty when the load is not known."""
    if tuning.by_load.empty:
        return Section("load", "When the load changes", "", ())
    sheet = frame_sheet(
        "Best speed over solids loading", tuning.by_load, shown, {"low": SPEED, "high": SPEED}
    )
    note = "Each row holds the other inputs at their usual and asks for the best speed at that load."
    return Section("load", "When the load changes", note, (sheet,))


def evidence_section(tuning: Tuning, clock: PlantClock, shown: Shown) -> Section:
    """Return the section on how much the records can say and what followed each speed change."""
    known = tuning.identifiability
    share = (
        DASH
        if not is_known(known.free_speed_share)
        else f"{known.free_speed_share:.0%}".replace("%", "\u00a0%")
    )
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
                "cost": "least cost per dry {} within the targets".format(
                    "ton" if shown.system == "us" else "tonne"
                ),
                "dryness": "driest cake with capture at or above its target",
            }[tuning.decided_by],
        ),
        ("Range of speeds run", shown.amount(known.speed_range_m_min, SPEED)),
        ("Share of the speed's movement that feed, load and dose do not explain", share),
        ("Speed changes while the rest held still", str(known.independent_changes)),
        ("Days", str(known.days)),
    )
    items: list[Item] = [Sheet("How much these records can say", (Head("What"), Head("Found")), rows)]
    if not tuning.changes.empty:
        names = [
            name
            for name in tuning.changes.columns
            if not name.endswith(("_low", "_high")) and name not in ("run", "day", "is_clean")
        ]
        sheet = frame_sheet(
            f"What followed each speed change ({min(len(tuning.changes), _MOST_CHANGES)} of "
            f"{len(tuning.changes)} shown)",
            tuning.changes[names].head(_MOST_CHANGES),
            shown,
            clock=clock,
        )
        items.append(sheet)
    return Section(
        "evidence",
        "How sure this is",
        "Two estimates are made: one from all steady stretches with the feed's differences taken "
        "out, one from what followed each change of speed.",
        tuple(items),
    )


def step_test_section(tuning: Tuning, shown: Shown) -> Section:
    """Return the section with the cautions and the step-test sheet to fill in."""
    if tuning.step_test.empty:
        return Section("step-test", "The step test", "", ())
    sheet = tuning.step_test
    once = [name for name in _SAID_ONCE if name in sheet and sheet[name].nunique() == 1]
    rules = tuple(f"{figure_name(name)}: {shown.retold(str(sheet[name].iloc[0]))}." for name in once)
    items: list[Item] = [caution_list()]
    if rules:
        items.append(Listing(rules))
    items.append(frame_sheet("Sheet to fill in, in this order", sheet.drop(columns=once), shown))
    note = (
        "Holds in random order, so that a slow change in the sludge favours no speed. Print it, fill it "
        "in, and read it back in with --step-test."
    )
    return Section("step-test", "The step test", note, tuple(items))
