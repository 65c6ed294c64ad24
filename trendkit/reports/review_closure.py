"""The section of a review on whether the numbers agree: balances, meters on grabs, tickets and deliveries."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from trendkit.plant.display import rounded
from trendkit.press.calibration import Calibration
from trendkit.press.closure import BalanceCheck, Closure
from trendkit.press.results import Compared, PeriodReview
from trendkit.press.uncertainty import COVERAGE_95
from trendkit.reports.page import Cell, Head, Item, Mark, Prose, Section, Sheet
from trendkit.reports.plant_clock import PlantClock
from trendkit.reports.shown import DASH, Shown, is_known, joined

QUANTITIES = {
    "feed_flow": "Feed flow",
    "conditioning_flow": "Polymer solution and dilution water",
    "washwater_flow": "Washwater flow",
    "filtrate_flow": "Filtrate flow",
    "product_flow": "Cake weight",
    "feed_solids": "Feed solids",
    "filtrate_solids": "Filtrate solids",
    "product_solids": "Cake solids",
}
_COLUMNS = {"kg": "wet_cake_t", "%": "cake_solids_pct", "mg/L": "filtrate_tss_mg_l"}
_COMPARED = {
    "wet_cake_t": ("Wet cake", "truck tickets"),
    "polymer_kg": ("Active polymer, all presses", "deliveries"),
}


def closure_section(review: PeriodReview, clock: PlantClock, shown: Shown) -> Section:
    """Return the section on what can be checked against something else."""
    items: list[Item] = []
    if review.closure is not None:
        items += _balance_items(review.closure, review.closure_by_run, shown)
    if review.compared:
        items.append(_compared_sheet(review.compared, shown))
    if review.calibrations:
        items.append(_calibration_sheet(review.calibrations, clock))
    note = "Water and solids that go in must come out; each measurement is held against all the others."
    return Section("agreement", "Do the numbers agree?", note, tuple(items))


def _balance_items(closure: Closure, by_run: Sequence[Closure], shown: Shown) -> list[Item]:
    if closure.reason is not None:
        return [Prose(f"The balances of water and solids cannot be checked: {closure.reason}.")]
    items: list[Item] = [Prose(balance_sentence(closure), "lead")]
    items.append(_balance_sheet(closure, shown))
    checked = [each for each in by_run if each.closes is not None]
    if len(checked) > 1:
        items.append(Prose(_runs_sentence(checked)))
    return items


def balance_sentence(closure: Closure) -> str:
    """Say whether the balances close and what most likely breaks them."""
    gaps = ""
    if closure.water_gap_pct is not None and closure.solids_gap_pct is not None:
        water, solids = _gap(closure.water_gap_pct), _gap(closure.solids_gap_pct)
        gaps = f" As read, of the feed's water {water}, of its solids {solids}."
    statistic = f"chi-square {closure.chi_square:.1f}, 95 % of honest sets of meters stay below"
    test = f"({statistic} {closure.critical_chi_square:.1f})"
    if not closure.suspects:
        return f"Water and solids balance within what the meters are stated to do {test}.{gaps}"
    first = next(each for each in closure.checks if each.name == closure.suspects[0])
    opening = (
        "One measurement does not fit the others" if closure.closes else "Water and solids do not balance within "
        "what the meters are stated to do"
    )  # fmt: skip
    text = f"{opening} {test}.{gaps} Most likely {QUANTITIES[first.name].lower()}: {_off(first)}."
    others = [each for each in closure.checks if each.name in closure.suspects[1:]]
    if others:
        rest = "; ".join(f"{QUANTITIES[each.name].lower()}, {_off(each)}" for each in others)
        text += f" The balances cannot tell it from {rest}."
    return text


def _gap(percent: float) -> str:
    return f"{abs(percent):.1f} % {'more goes in than comes out' if percent > 0 else 'more comes out than goes in'}"


def _off(check: BalanceCheck) -> str:
    if check.would_explain_pct is None or check.multiples is None:
        return "by how much cannot be told"
    side = "high" if check.would_explain_pct > 0 else "low"
    return (
        f"reading {abs(check.would_explain_pct):.1f} % {side} would explain it, "
        f"{abs(check.multiples):.1f} of its standard uncertainties"
    )


def _balance_sheet(closure: Closure, shown: Shown) -> Sheet:
    rows = []
    for check in closure.checks:
        factor, column = (0.001, _COLUMNS["kg"]) if check.unit == "kg" else (1.0, _COLUMNS[check.unit])
        best, spread = check.reconciled * factor, COVERAGE_95 * check.reconciled_uncertainty * factor
        measured = DASH
        if check.measured is not None and check.uncertainty is not None:
            read, wide = check.measured * factor, COVERAGE_95 * check.uncertainty * factor
            measured = shown.sentence(read, read - wide, read + wide, column)
        mark: Mark = "misses" if check.is_suspect else ""
        statistic = "not measured" if check.measured is None else "not checked"
        if check.statistic is not None:
            statistic = f"{abs(check.statistic):.1f}"
        wanted = shown.sentence(best, best - spread, best + spread, column)
        rows.append((QUANTITIES[check.name], measured, wanted, Cell(statistic, mark)))
    heads = (
        Head("Measurement"),
        Head("As read", "95 % limits", is_number=True),
        Head("As the balances want it", "95 % limits", is_number=True),
        Head("Test", f"over {closure.critical_statistic:.1f} is suspect", is_number=True),
    )
    return Sheet("Measurements under the balances of water and solids, pressing", heads, tuple(rows))


def _runs_sentence(by_run: Sequence[Closure]) -> str:
    broken = [each for each in by_run if each.suspects]
    if not broken:
        return f"Each of the {len(by_run)} runs balances by itself."
    names = [each.suspects[0] for each in broken]
    often = max(dict.fromkeys(names), key=names.count)
    return (
        f"{len(broken)} of {len(by_run)} runs do not balance by themselves; named most often is "
        f"{QUANTITIES[often].lower()} ({names.count(often)} runs)."
    )


def _compared_sheet(compared: Sequence[Compared], shown: Shown) -> Sheet:
    rows = []
    for each in compared:
        what, against = _COMPARED[each.name]
        computed = shown.sentence(each.computed, each.low, each.high, each.name)
        weighed = shown.amount(each.weighed, each.name) if each.rows else DASH
        mark: Mark = "misses" if each.agrees is False else "meets" if each.agrees else "undecided"
        gap = DASH if each.gap_pct is None else joined(f"{each.gap_pct:+.1f}".replace("-", "−"), "%")
        rows.append((what, computed, f"{weighed} ({each.rows} {against})", Cell(gap, mark), _opened(each.reason)))
    heads = (
        Head("Amount"),
        Head("Computed", "95 % limits", is_number=True),
        Head("Weighed", is_number=True),
        Head("Apart", is_number=True),
        Head("Remark"),
    )
    return Sheet("Computed amounts against tickets and deliveries", heads, tuple(rows))


def _opened(sentence: str) -> str:
    """Return a sentence with a capital at its beginning; names in it keep theirs."""
    return f"{sentence[:1].upper()}{sentence[1:]}"


def _calibration_sheet(calibrations: Sequence[Calibration], clock: PlantClock) -> Sheet:
    rows = []
    for each in calibrations:
        name = each.role.replace("_", " ").capitalize()
        last = each.end_utc - pd.Timedelta(microseconds=1)
        span = f"{clock.day_text(each.start_utc).rsplit(' ', 1)[0]} to {clock.day_text(last)}"
        gain = (
            "{} ({} to {})".format(*rounded(each.gain, each.gain_low, each.gain_high)) if is_known(each.gain) else DASH
        )
        scatter = joined(f"{100.0 * each.scatter:.0f}", "%") if each.scatter == each.scatter else DASH
        rows.append((name, span, str(each.grabs), gain, scatter, _opened(each.reason)))
    heads = (
        Head("Meter"),
        Head("Read"),
        Head("Grabs", is_number=True),
        Head("Bench over meter", "95 % limits", is_number=True),
        Head("Scatter of a grab", is_number=True),
        Head("What was done"),
    )
    return Sheet("Solids meters on the scale of the bench", heads, tuple(rows))
