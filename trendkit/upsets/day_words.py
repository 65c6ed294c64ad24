"""The words of a day's account: its answer in one sentence, the operator's checks in order, the notes.

Comes in: what the account found. Goes out: plain sentences in SI units.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

import pandas as pd

from trendkit.findings import Finding
from trendkit.upsets.bench_check import Agreement, agreement_note
from trendkit.upsets.causes import rows_of, signatures
from trendkit.upsets.judging import JudgedMode
from trendkit.upsets.results import Cause, ComparedDay, Contribution, Upset

Verdict = Literal["bad", "not_bad", "cannot_tell"]
Means = dict[str, float | None]

VERDICT_LABELS = (("cake_solids_pct", "cake solids"), ("capture_pct", "capture"))
MOST_CHECKS = 7


def checks_of_day(
    verdict: Verdict,
    causes: Sequence[Cause],
    agreement: Agreement | None,
    unranked: Sequence[tuple[str, str]] = (),
    grabs: Sequence[str] = (),
) -> tuple[str, ...]:
    """Return what an operator would look at, in order: what is not measured, the instrument, cause by cause."""
    if verdict == "not_bad" and not causes:
        return tuple(grabs)
    found = list(grabs)
    if agreement is not None and agreement.is_apart:
        found.append("Repeat the cake bench test on a fresh composite sample and check the cake meter first")
    for hidden, test in unranked[:3]:
        found.append(f"Look for {hidden}, which no tag here shows; it takes {test}")
    table = signatures()
    for cause in causes[:3]:
        found += [row.check for row in rows_of(table, cause.cause) if row.check]
    if not causes or causes[0].cause == "unknown":
        found += [
            "Repeat the cake and filtrate samples before anything is changed",
            "Walk the press with the feed on: floc, ponding, belt wash, cake edges, release at the scrapers",
            "Ask what was fed and what was set differently from the days before",
        ]
    return tuple(dict.fromkeys(found))[:MOST_CHECKS]


def missing_grabs(rows: pd.DataFrame) -> tuple[str, ...]:
    """Return the grab that would tell what no reading of the day does: cake, else filtrate."""
    wanted = [
        f"Take a grab of the {point} each hour and have it tested: nothing measured it that day"
        for point, column in (("cake", "cake_solids_pct"), ("filtrate", "capture_pct"))
        if rows[column].isna().all()
    ]
    return tuple(wanted)


def basis_of_day(rows: pd.DataFrame, modes: Mapping[str, JudgedMode], grabs: int) -> tuple[str, ...]:
    """Return what the verdict rests on where that is less than meters of cake and filtrate; `grabs` of cake."""
    found = []
    if rows["cake_solids_pct"].isna().all() and rows["capture_pct"].notna().any():
        found.append("There are no cake solids for this day: it is judged by its capture, and wet cake would not show.")
    cake = modes["dewatering"].columns.get("cake_solids") if "dewatering" in modes else None
    if cake is not None and cake.is_sampled and rows["cake_solids_pct"].notna().any():
        number = f"{grabs} bench grab{'' if grabs == 1 else 's'}"
        found.append(
            f"Cake solids rest on {number} this day: what lies between them is not known, and times are no sharper."
        )
    return tuple(found)


def hours_words(seconds: float) -> str:
    """Return a length of time as a plant says it.

    Examples
    --------
    >>> hours_words(1500), hours_words(29760)
    ('25 min', '8.3 h')
    """
    return f"{seconds / 60.0:.0f} min" if seconds < 5400 else f"{seconds / 3600.0:.1f} h"


@dataclass(frozen=True)
class Said:
    """What the answer of a day is made of."""

    day: date
    verdict: Verdict
    reasons: tuple[str, ...]
    value: Means
    usual: Means
    causes: tuple[Cause, ...]
    contributions: tuple[Contribution, ...]
    own: tuple[Upset, ...]
    in_doubt: Agreement | None  # the meter alone calls the day bad, the bench does not


def reason_words(label: str, value: float, short: float | None, missed: float | None) -> str:
    """Return why one figure makes a day bad; one more digit where rounding would hide a missed target.

    Examples
    --------
    >>> reason_words("cake solids", 18.96, 2.2, 19.0)
    'cake solids averaged 18.96 %, 2.2 points below usual and below the target of 19.0 %'
    """
    digits = 2 if missed is not None and round(value, 1) >= missed else 1
    parts = [] if short is None else [f"{short:.1f} points below usual"]
    parts += [] if missed is None else [f"below the target of {missed:.1f} %"]
    return f"{label} averaged {value:.{digits}f} %, " + " and ".join(parts)


def answer_of_day(said: Said) -> str:
    """Return the one sentence for the top of the page."""
    name = f"{said.day:%Y-%m-%d}"
    if said.in_doubt is not None:
        meter, bench = said.in_doubt.meter, said.in_doubt.bench
        doubt = f"the cake meter averages {meter:.1f} % at the samples, the bench {bench:.1f} %, which is as usual"
        return f"These data cannot tell whether {name} was bad: {doubt}."
    if said.verdict == "cannot_tell":
        return f"These data cannot tell whether {name} was bad: neither cake solids nor capture can be judged."
    if said.verdict == "not_bad":
        figures = [_figure_words(label, said.value[figure], said.usual[figure]) for figure, label in VERDICT_LABELS]
        text = f"{name} was not a bad day: " + " and ".join(words for words in figures if words)
        marked = sum(upset.severity >= 2 for upset in said.own)
        return f"{text}, in spite of {marked} marked upset{'s' if marked > 1 else ''}." if marked else f"{text}."
    return f"{name} was a bad day: " + "; ".join(said.reasons) + f"; {_blame(said.causes, said.contributions)}."


def _blame(causes: Sequence[Cause], contributions: Sequence[Contribution]) -> str:
    if not causes or causes[0].cause == "unknown":
        return "no known cause stands out"
    likeliest = causes[0]
    text = f"likeliest cause {likeliest.cause.replace('_', ' ')} (weight {likeliest.weight:.2f})"
    share = next((each for each in contributions if each.factor == likeliest.cause), None)
    if share is None or share.points <= 0.0:
        return text
    return f"{text}, which took {share.points:.1f} points of cake solids ({share.low:.1f} to {share.high:.1f})"


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
    """Return what a reader should know beside the answer: comparison, bench check, faults."""
    notes = ["The order of the timeline is sludge time: when the sludge that shows a change was fed."]
    if not compared:
        notes.append("Too few undisturbed days to compare with: the day is held against its targets alone.")
    if agreement is not None:
        notes.append(agreement_note(agreement))
    notes += [
        f"The {finding.tag} reading was at fault ({finding.fault}, {finding.effect}); it was not judged."
        for finding in faults
    ]
    if own and rows["cake_solids_pct"].notna().any():
        notes.append(_had_it_been_an_instrument(own, modes))
    return tuple(notes)


def _had_it_been_an_instrument(own: Sequence[Upset], modes: Mapping[str, JudgedMode]) -> str:
    """Return what would have been seen had only the cake reading been off, and what was seen instead."""
    cake = modes["dewatering"].columns.get("cake_solids") if "dewatering" in modes else None
    if cake is not None and cake.is_sampled:
        alone = "Had it been one bad cake sample, the next would have been as usual and capture with it"
    else:
        alone = "Had it been the cake meter alone, nothing else would have moved with it and the bench would disagree"
    moved = ", ".join(sorted({upset.first_sign.replace("_", " ") for upset in own}))
    return f"{alone}; here these moved first: {moved}."
