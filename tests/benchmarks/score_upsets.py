"""Upsets found against upsets put in: recall, precision, false alarms, timing, causes, first signs."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass

import numpy as np
import pandas as pd
from played import Played

from trendkit.plant.model import Press
from trendkit.upsets import Upset, find_upsets

NEAR = pd.Timedelta(minutes=30)
MONTH_MIN = 31 * 24 * 60
# What few meters cannot tell apart counts as one cause: everything that shows in grabs alone.
BARE_ALIKE = {
    "feed_thin", "feed_thick", "sludge_change", "polymer_weak", "dilution_loss", "belt_blinding", "washwater_loss",
    "tension_loss", "belt_slip",
}  # fmt: skip
BARE_PAIRS = ({"solids_overload", "hydraulic_overload"}, {"belt_tracking", "unknown"})


@dataclass(frozen=True)
class UpsetScore:
    """One plant's share of the score."""

    matches: pd.DataFrame  # one row per true upset
    found: pd.DataFrame  # one row per upset reported after the warm-up
    press_days: int  # pressed after the warm-up
    faults: int
    month_s: float  # processor time of the search, a month of minutes once the figures are there


def _alike(one: str, other: str, is_bare: bool) -> bool:
    if one == other:
        return True
    groups = (BARE_ALIKE, *BARE_PAIRS) if is_bare else ()
    return any(one in group and other in group for group in groups)


def score_upsets(played: Played, warm_up_days: float = 21.0) -> UpsetScore:
    """Return how the ledger compares with what was put in, after the warm-up that gives a press its normal."""
    series = next(played.reading.presses)
    begin = played.after(warm_up_days)
    begun = time.process_time()
    reported = find_upsets(series.table, series.press, played.plant, series.findings)
    took_s = time.process_time() - begun
    minutes = len(series.table.frame) * series.table.every_s / 60.0
    reported = [upset for upset in reported if upset.start >= begin]
    true = played.upsets[(played.upsets["press"] == series.press.slug) & (played.upsets["start"] >= begin)]
    is_bare = played.scenario.endswith("-bare")
    metered = set(series.press.tags)
    pairs = _matched(true, reported)
    rows = []
    for position, (_, event) in enumerate(true.iterrows()):
        upset = reported[pairs[position]] if position in pairs else None
        rows.append(_row(played, _as_metered(event, series.press), upset, metered, is_bare))
    used = set(pairs.values())
    found = pd.DataFrame(
        [
            {
                "seed": played.seed,
                "start": upset.start,
                "kind": upset.kind,
                "cause": upset.cause,
                "severity": upset.severity,
                "verdict": "true" if number in used else _unmatched(upset, played, true),
            }
            for number, upset in enumerate(reported)
        ],
        columns=["seed", "start", "kind", "cause", "severity", "verdict"],
    )
    after = series.table.frame[series.table.frame.index >= begin]
    days = after.index[after["phase"] == "pressing"].tz_convert(played.plant.timezone).normalize().nunique()
    return UpsetScore(
        pd.DataFrame(rows), found, days, int((played.faults["start"] >= begin).sum()), took_s * MONTH_MIN / minutes
    )


def _as_metered(event: pd.Series, press: Press) -> pd.Series:
    """Return a true event with the first sign its plant's meters can show.

    A belt that slips on a drive that is read moves no meter but the drive's load.
    """
    speed = press.tags.get("pressure_belt_speed")
    if event["cause"] != "belt_slip" or speed is None or speed.measured_by == "belt":
        return event
    seen = event.copy()
    if event["first_sign"] == "pressure_belt_speed":
        seen["first_sign"] = "pressure_drive_load"
    if "pressure_drive_load" not in press.tags:
        needs = json.loads(event["severity_by_need"])
        seen["severity_by_need"] = json.dumps({need: n for need, n in needs.items() if need != "pressure_belt_speed"})
    return seen


def _matched(true: pd.DataFrame, reported: list[Upset]) -> dict[int, int]:
    """Return true position -> reported position, the pair with the most common time first."""
    overlaps = []
    for position, (_, event) in enumerate(true.iterrows()):
        for number, upset in enumerate(reported):
            common = min(event["end"], upset.end) - max(event["start"], upset.start)
            if common > -NEAR:
                overlaps.append((common, position, number))
    pairs: dict[int, int] = {}
    for _, position, number in sorted(overlaps, reverse=True):
        if position not in pairs and number not in pairs.values():
            pairs[position] = number
    return pairs


def _unmatched(upset: Upset, played: Played, true: pd.DataFrame) -> str:
    """Return what a reported upset without a partner is: a part of a true one, something too small, or false.

    "false (natural)": it began within what the simulator's truth lists as an upset that nobody put in.
    """
    for _, event in true.iterrows():
        if upset.start < event["end"] + NEAR and upset.end > event["start"] - NEAR:
            return "part"
    put_in = played.other_events[played.other_events["why"] != "natural"]
    for _, event in put_in.iterrows():
        if upset.start < event["end"] + NEAR and upset.end > event["start"] - NEAR:
            return "false (look-alike)" if event["why"] == "look-alike" else "small"
    for _, event in played.other_events.drop(put_in.index).iterrows():
        if event["start"] - NEAR <= upset.start < event["end"] + NEAR:
            return "false (natural)"
    for _, fault in played.faults.iterrows():
        if upset.start < fault["end"] and upset.end > fault["start"]:
            return "false (fault)"
    return "false"


def _row(played: Played, event: pd.Series, upset: Upset | None, metered: set[str], is_bare: bool) -> dict[str, object]:
    needs = json.loads(event["severity_by_need"])
    seen = max((rank for need, rank in needs.items() if set(need.split()) <= metered), default=0)
    row: dict[str, object] = {
        "seed": played.seed,
        "cause": event["cause"],
        "severity": event["severity"],
        "seen_severity": seen,
        "is_ramp": event["ramp_min"] > 0,
        "is_found": upset is not None,
        "start": event["start"],
    }
    if upset is None:
        return row
    half_of_ramp = event["applied_from"] + pd.Timedelta(minutes=event["ramp_min"] / 2.0)
    ranked = [cause.cause for cause in upset.causes]
    return row | {
        "found_cause": upset.cause,
        "start_error_min": (upset.start - event["start"]).total_seconds() / 60.0,
        "is_before_half_ramp": upset.start <= half_of_ramp,
        "is_cause_right": _alike(event["cause"], upset.cause, is_bare),
        "is_cause_in_three": any(_alike(event["cause"], cause, is_bare) for cause in ranked[:3]),
        "is_first_sign_right": _is_first_right(event["first_sign"], upset.first_sign, metered),
        "found_first_sign": upset.first_sign,
        "true_first_sign": event["first_sign"],
        "severity_error": upset.severity - event["severity"],
        "detection_delay_min": (upset.detected_at - event["detected_at"]).total_seconds() / 60.0,
    }


def _is_first_right(true: str, found: str, metered: set[str]) -> bool | None:
    """Return whether the first sign is right; None where no meter of the plant could show it."""
    return found == true if true in metered or true == "running" else None


def _share(values: pd.Series) -> str:
    values = values.dropna().astype(bool)
    return f"{values.mean():.3f} ({int(values.sum())}/{len(values)})" if len(values) else "-"


def upset_lines(scores: list[UpsetScore]) -> list[str]:
    """Return the score over all plants, line by line."""
    matches = pd.concat([score.matches for score in scores if len(score.matches)], ignore_index=True)
    found = pd.concat([score.found for score in scores], ignore_index=True)
    visible = matches[matches["seen_severity"] > 0]
    hits = matches[matches["is_found"]]
    steps, ramps = hits[~hits["is_ramp"]], hits[hits["is_ramp"]]
    counted = found[found["verdict"] != "small"]
    lines = [
        f"true upsets {len(matches)}, visible to the meters {len(visible)}, reported {len(found)}",
        *(
            f"recall, severity {rank}: {_share(visible.loc[visible['severity'] == rank, 'is_found'])}"
            for rank in (3, 2, 1)
        ),
        f"precision: {_share(~counted['verdict'].str.startswith('false'))}",
        f"reported twice (parts): {int((found['verdict'] == 'part').sum())}",
        f"start, steps: median |error| {steps['start_error_min'].abs().median():.1f} min",
        f"start, ramps: before half of the ramp {_share(ramps['is_before_half_ramp'])}",
        f"detection after the truth's: median {hits['detection_delay_min'].median():.1f} min",
        f"likeliest cause right: {_share(hits['is_cause_right'])}",
        f"cause among the first three: {_share(hits['is_cause_in_three'])}",
        f"first sign right: {_share(hits['is_first_sign_right'])}",
        f"severity right: {_share(hits['severity_error'] == 0)}",
        f"processor time, a month of minutes of one press: {np.median([score.month_s for score in scores]):.2f} s (median)",
        "",
        "by cause: recall (visible), likeliest right, first sign right",
    ]
    for cause, rows in visible.groupby("cause"):
        of_hits = rows[rows["is_found"]]
        wrong = of_hits.loc[~of_hits["is_cause_right"].astype(bool), "found_cause"].value_counts().to_dict()
        lines.append(
            f"  {cause:20s} {_share(rows['is_found'])}  {_share(of_hits['is_cause_right'])}  "
            f"{_share(of_hits['is_first_sign_right'])}  taken for {wrong}"
        )
    false = found[found["verdict"].str.startswith("false")]
    lines.append(f"false: {false.groupby(['verdict', 'kind', 'cause']).size().to_dict()}")
    return lines


def false_alarm_lines(scores: list[UpsetScore], per: str) -> list[str]:
    """Return the false upsets of plants on which nothing went wrong, per 30 press days or per instrument fault."""
    found = pd.concat([score.found for score in scores], ignore_index=True)
    days, faults = sum(score.press_days for score in scores), sum(score.faults for score in scores)
    if per == "days":
        real = found[found["verdict"] != "false (natural)"]
        lines = [
            f"upsets reported per 30 clean press days: {30.0 * len(found) / max(days, 1):.2f} ({len(found)} in {days})",
            f"  without those that began in an upset nobody put in: {30.0 * len(real) / max(days, 1):.2f} ({len(real)})",
        ]
    else:
        leaking = int((found["verdict"] == "false (fault)").sum())
        lines = [f"faults leaking into upsets: {leaking / max(faults, 1):.3f} ({leaking} of {faults} faults)"]
    kinds = found.groupby(["verdict", "kind", "cause"]).size().sort_values(ascending=False)
    return [*lines, f"  {kinds.head(12).to_dict()}"] if np.size(kinds) else lines
