"""Results of the bench that cannot be: flagged with why, listed, left out of the figures, never deleted.

The bounds are what dewatering by belts can hardly leave (common practice), not verdicts on a plant.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from trendkit.findings import Fault, Finding

# (point, analysis) -> least and greatest believable result in the analysis's unit, and how it is said
_BELIEVABLE: dict[tuple[str, str], tuple[float, float, str]] = {
    ("feed", "TS"): (0.05, 15.0, "a pumped feed"),
    ("feed", "TSS"): (500.0, 150_000.0, "a pumped feed"),
    ("cake", "TS"): (6.0, 60.0, "a dewatered cake"),
    ("thickened", "TS"): (0.5, 20.0, "thickened sludge"),
    ("filtrate", "TSS"): (0.0, 40_000.0, "filtrate"),
    ("filtrate", "TS"): (0.0, 5.0, "filtrate"),
    ("polymer", "TS"): (0.01, 5.0, "a polymer solution"),
    ("washwater", "TSS"): (0.0, 2_000.0, "washwater"),
}
_VS = (10.0, 100.0)  # % of TS

_TEN_TIMES = 0.75  # decades from the sheet's median: nearer to ten times than to the median itself
_ENOUGH = 5  # results of one kind before their median means anything
_NEAR = pd.Timedelta(hours=4)  # feed and filtrate samples this near belong together


def mark_suspects(frame: pd.DataFrame) -> tuple[pd.DataFrame, tuple[Finding, ...]]:
    """Return the results with `is_suspect` and `why` filled in, and a finding for each suspect one."""
    marked = frame.copy()
    faults: dict[int, Fault] = {}
    for index in marked.index[marked["is_suspect"]]:
        faults[index] = "text_value"
    for test in (_unbelievable, _ten_times_off, _filtrate_above_feed, _repeated):
        for index, (fault, why) in test(marked).items():
            if not marked.loc[index, "is_suspect"]:
                marked.loc[index, "is_suspect"] = True
                marked.loc[index, "why"] = why
                faults[index] = fault
    findings = tuple(_finding(marked.loc[index], faults[index]) for index in sorted(faults))
    return marked, findings


Marks = dict[int, tuple[Fault, str]]


def _unbelievable(frame: pd.DataFrame) -> Marks:
    marks: Marks = {}
    for index, row in frame.iterrows():
        low, high, what = (
            (*_VS, "volatile solids")
            if row["analysis"] == "VS"
            else _BELIEVABLE.get((row["point"], row["analysis"]), (0.0, np.inf, "a sample"))
        )
        unit = "mg/L" if row["analysis"] in ("TSS", "TDS") else "%"
        if row["value"] < low or row["value"] > high:
            bound = f"below {low:g}" if row["value"] < low else f"above {high:g}"
            marks[int(index)] = (
                "out_of_range",
                f"{what} of {row['value']:.3g} {unit} cannot be ({bound} {unit})",
            )  # type: ignore[call-overload]
    return marks


def _ten_times_off(frame: pd.DataFrame) -> Marks:
    """Mark results about ten times the median of their kind, unless results of that kind spread as widely anyway."""
    marks: Marks = {}
    usable = frame[~frame["is_suspect"] & (frame["value"] > 0)]
    for _, group in usable.groupby(["press", "point", "analysis"]):
        if len(group) < _ENOUGH:
            continue
        decades = np.log10(group["value"])
        off = decades - decades.median()
        spread = 1.4826 * float(off.abs().median())
        for index in group.index[off.abs() > max(_TEN_TIMES, 6.0 * spread)]:
            times = 10 ** abs(off[index])
            side = "times" if off[index] > 0 else "times below"
            marks[int(index)] = (
                "unit_suspect",
                f"{times:.0f} {side} the sheet's median of {10 ** decades.median():.3g}: a decimal mark or unit slipped",
            )
    return marks


def _filtrate_above_feed(frame: pd.DataFrame) -> Marks:
    """Mark filtrate with more solids than the feed sampled within four hours."""
    marks: Marks = {}
    usable = frame[~frame["is_suspect"] & frame["value"].notna()]
    for press, own in usable.groupby("press"):
        feed = own[(own["point"] == "feed") & own["analysis"].isin(["TS", "TSS"])]
        feed_mg_l = feed["value"].where(feed["analysis"] == "TSS", feed["value"] * 10_000.0)
        for index, row in own[(own["point"] == "filtrate") & (own["analysis"] == "TSS")].iterrows():
            near = feed_mg_l[(feed["sampled_at"] - row["sampled_at"]).abs() <= _NEAR]
            if len(near) and row["value"] > near.max():
                why = f"filtrate of {row['value']:.0f} mg/L above its feed of {near.max():.0f} mg/L cannot be"
                marks[int(index)] = ("out_of_range", why)  # type: ignore[call-overload]
    return marks


def _repeated(frame: pd.DataFrame) -> Marks:
    """Mark all but the last of results written twice for one sample."""
    usable = frame[~frame["is_suspect"]]
    again = usable.duplicated(["sampled_at", "press", "point", "analysis"], keep="last")
    return {int(index): ("duplicate", "the same sample has a later row") for index in usable.index[again]}


def _finding(row: pd.Series, fault: Fault) -> Finding:
    return Finding(
        press=str(row["press"]),
        tag=f"bench: {row['point']} {row['analysis']}",
        role=None,
        fault=fault,
        start_utc=row["sampled_at"],
        end_utc=row["sampled_at"] + pd.Timedelta(minutes=1),
        effect="left out of the figures",
        evidence=f"line {row['line']}: {row['why']}",
    )
