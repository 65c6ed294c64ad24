"""The words of a day's account: its answer in one sentence, the operator's checks in order, the notes.

Comes in: what the account found. Goes out: plain sentences in SI units.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Literal

import pandas as pd

from trendkit.findings import Finding
from trendkit.upsets.bench_check import Agreement, agreement_note
from trendkit.upsets.causes import rows_of, signatures
from trendkit.upsets.results import Cause, ComparedDay, Contribution, Upset
from trendkit.upsets.signs import JudgedMode

Verdict = Literal["bad", "not_bad", "cannot_tell"]
Means = dict[str, float | None]

VERDICT_LABELS = (("cake_solids_pct", "cake solids"), ("capture_pct", "capture"))
CAUTIONS = (
    "Before a hand goes near belts or rolls: stop, lock out, let tension and air go; guards stay on.",
    "Change one setting at a time, in small steps, and wait until the press is steady before the next.",
    "Polymer is slippery: clean spills at once. Local rules and licensed staff decide.",
)
MOST_CHECKS = 7


def checks_of_day(verdict: Verdict, causes: Sequence[Cause], agreement: Agreement | None) -> tuple[str, ...]:
    """Return what an operator would look at, in order:
    the instrument first, then cause by cause, then cautions.
    """
    if verdict == "not_bad" and not causes:
        return ()
    found = []
    if agreement is not None and agreement.is_apart:
        found.append("Repeat the cake bench test on a fresh composite sample and check the cake meter first")
    table = signatures()
    for cause in causes[:3]:
        found += [row.check for row in rows_of(table, cause.cause) if row.check]
    if not causes or causes[0].cause == "unknown":
        found += [
            "Repeat the cake and filtrate samples before anything is changed",
            "Walk the press with the feed on: floc, ponding, belt wash, cake edges, release at the scrapers",
            "Ask what was fed and what was set differently from the days before",
        ]
    return (*tuple(dict.fromkeys(found))[:MOST_CHECKS], *CAUTIONS)


def answer_of_day(
    day: date,
    verdict: Verdict,
    reasons: Sequence[str],
    means: tuple[Means, Means],
    causes: Sequence[Cause],
    contributions: Sequence[Contribution],
    own: Sequence[Upset],
) -> str:
    """Return the one sentence for the top of the page."""
    value, usual = means
    name = f"{day:%Y-%m-%d}"
    if verdict == "cannot_tell":
        return f"These data cannot tell whether {name} was bad: neither cake solids nor capture can be judged."
    if verdict == "not_bad":
        figures = [_figure_words(label, value[figure], usual[figure]) for figure, label in VERDICT_LABELS]
        said = f"{name} was not a bad day: " + " and ".join(words for words in figures if words)
        marked = sum(upset.severity >= 2 for upset in own)
        return f"{said}, in spite of {marked} marked upset{'s' if marked > 1 else ''}." if marked else f"{said}."
    said = f"{name} was a bad day: " + " and ".join(reasons)
    if not causes or causes[0].cause == "unknown":
        return f"{said}; no known cause stands out."
    likeliest = causes[0]
    said += f"; likeliest cause {likeliest.cause.replace('_', ' ')} (weight {likeliest.weight:.2f})"
    share = next((each for each in contributions if each.factor == likeliest.cause), None)
    if share is not None:
        drop = sum(each.points for each in contributions)
        limits = f"({share.low:.1f} to {share.high:.1f})"
        said += f", which took {share.points:.1f} of the {drop:.1f} cake points lost {limits}"
    return f"{said}."


def _figure_words(label: str, value: float | None, usual: float | None) -> str:
    if value is None:
        return ""
    return f"{label} averaged {value:.1f} %" + (f" (usual {usual:.1f} %)" if usual is not None else "")


def notes_of_day(
    rows: pd.DataFrame,
    compared: Sequence[ComparedDay],
    agreement: Agreement | None,
    own: Sequence[Upset],
    faults: Sequence[Finding],
    modes: Mapping[str, JudgedMode],
) -> tuple[str, ...]:
    """Return what a reader should know beside the answer: comparison, bench check, grabs, faults."""
    notes = ["The order of the timeline is sludge time: when the sludge that shows a change was fed."]
    if not compared:
        notes.append("Too few undisturbed days to compare with: the day is held against its targets alone.")
    if agreement is not None:
        notes.append(agreement_note(agreement))
    sampled = [name for name, mode in modes.items() if any(column.is_sampled for column in mode.columns.values())]
    if sampled:
        grabs = int((rows["cake_solids_pct"].diff().fillna(0.0) != 0.0).sum()) + int(
            rows["cake_solids_pct"].notna().any()
        )
        notes.append(f"Cake and filtrate rest on bench grabs ({grabs} on this day): times are no sharper than those.")
    if rows["cake_solids_pct"].isna().all():
        notes.append("There are no cake solids for this day: it is judged by its capture.")
    notes += [
        f"The {finding.tag} reading was at fault ({finding.fault}, {finding.effect}); it was not judged."
        for finding in faults
    ]
    inputs = {upset.first_sign for upset in own}
    if own and rows["cake_solids_pct"].notna().any():
        moved = ", ".join(sorted(role.replace("_", " ") for role in inputs))
        notes.append(
            f"Had it been the cake meter alone, nothing else would have moved with it; here these moved first: {moved}."
        )
    return tuple(notes)
