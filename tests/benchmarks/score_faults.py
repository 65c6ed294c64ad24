"""Instrument faults found against faults put in: recall and precision by fault name."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd
from played import Played

NEAR = pd.Timedelta(minutes=90)
# Names that describe one and the same reading differently: standing outside the range is also standing still, etc.
ALSO_KNOWN_AS = {
    "out_of_range": {"out_of_range", "spike", "frozen", "unit_suspect"},
    "frozen": {"frozen"},
    "bad_quality": {"bad_quality", "gap"},
    "text_value": {"text_value", "gap"},
    "gap": {"gap"},
}


@dataclass(frozen=True)
class FaultScore:
    """One plant's share of the score."""

    put_in: pd.DataFrame
    found: pd.DataFrame


def score_faults(played: Played) -> FaultScore:
    """Return which faults were found, by name, and which findings stand for one."""
    series = next(played.reading.presses)
    findings = [finding for finding in series.findings if finding.press in (series.press.slug, None)]
    used: set[int] = set()
    rows = []
    for _, fault in played.faults.iterrows():
        partners = [
            number
            for number, finding in enumerate(findings)
            if (fault["tag"] in ("*", finding.tag) or finding.tag == "")
            and finding.start_utc < fault["end"] + NEAR
            and finding.end_utc > fault["start"] - NEAR
        ]
        names = {findings[number].fault for number in partners}
        used |= set(partners)
        wanted = ALSO_KNOWN_AS.get(fault["fault"], {fault["fault"]})
        rows.append(
            {
                "seed": played.seed,
                "fault": fault["fault"],
                "role": fault["role"],
                "is_named": fault["fault"] in names,
                "is_found": bool(wanted & names),
                "is_noticed": bool(names),
            }
        )
    found = pd.DataFrame(
        [
            {
                "seed": played.seed,
                "fault": each.fault,
                "role": each.role,
                "is_true": number in used,
                "evidence": each.evidence,
            }
            for number, each in enumerate(findings)
        ],
        columns=["seed", "fault", "role", "is_true", "evidence"],
    )
    return FaultScore(
        pd.DataFrame(rows, columns=["seed", "fault", "role", "is_named", "is_found", "is_noticed"]), found
    )


def fault_lines(scores: list[FaultScore]) -> list[str]:
    """Return the score over all plants, line by line."""
    put_in = pd.concat([score.put_in for score in scores], ignore_index=True)
    found = pd.concat([score.found for score in scores], ignore_index=True)
    lines = [
        f"faults put in {len(put_in)}, findings {len(found)}",
        f"recall, by its name: {put_in['is_named'].mean():.3f}; noticed under any name: {put_in['is_noticed'].mean():.3f}",
        f"precision: {found['is_true'].mean():.3f}",
    ]
    for name, rows in put_in.groupby("fault"):
        right = found.loc[found["fault"] == name, "is_true"]
        precision = f"{right.mean():.2f} of {len(right)}" if len(right) else "-"
        lines.append(
            f"  {name:14s} recall {rows['is_named'].mean():.2f} (noticed {rows['is_noticed'].mean():.2f}) of {len(rows)}"
            f", precision {precision}"
        )
    false = found[~found["is_true"]].groupby(["fault", "role"]).size().sort_values(ascending=False)
    lines.append(f"  findings that stand for no fault: {false.head(12).to_dict()}")
    return lines
