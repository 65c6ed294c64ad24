"""Results of the bench that cannot be: flagged with why, listed, left out of the figures, never deleted.

The bounds are what dewatering by belts can hardly leave (common practice), not verdicts on a plant.
"""

from __future__ import annotations

from collections.abc import Iterator

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
_FAR, _FITS = 0.3, 0.2  # decades from the own median, and from the other kind's, of results exchanged
_FAR_OFF = 1.3  # decades, from which a result may be one of another kind rather than a slip of its own
_ENOUGH = 5  # results of one kind before their median means anything
_NEAR = pd.Timedelta(hours=4)  # feed and filtrate samples this near belong together


def mark_suspects(frame: pd.DataFrame) -> tuple[pd.DataFrame, tuple[Finding, ...]]:
    """Return the results with `is_suspect` and `why` filled in, and a finding for each suspect one.

    `frame` is a sheet's frame numbered from 0, with the rows whose cell is no number marked already.
    """
    marked = frame.copy()
    faults: dict[int, Fault] = {int(row): "text_value" for row in np.flatnonzero(marked["is_suspect"])}
    for test in (_exchanged, _unbelievable, _ten_times_off, _filtrate_above_feed, _repeated):
        for row, (fault, why) in test(marked).items():
            if row not in faults:
                faults[row] = fault
                marked.loc[row, "is_suspect"] = True
                marked.loc[row, "why"] = why
    return marked, tuple(_finding(marked, row, faults[row]) for row in sorted(faults))


Marks = dict[int, tuple[Fault, str]]  # by row


def _unbelievable(frame: pd.DataFrame) -> Marks:
    marks: Marks = {}
    for row, (point, analysis, value) in enumerate(_results(frame)):
        what = _BELIEVABLE.get((point, analysis), (0.0, np.inf, "a sample"))
        low, high, spoken = (*_VS, "volatile solids") if analysis == "VS" else what
        unit = "mg/L" if analysis in ("TSS", "TDS") else "%"
        if value < low or value > high:
            bound = f"below {low:g}" if value < low else f"above {high:g}"
            perhaps = _tenfold(frame, row, value, unit)
            marks[row] = ("out_of_range", f"{spoken} of {value:.3g} {unit} cannot be ({bound} {unit}){perhaps}")
    return marks


def _tenfold(frame: pd.DataFrame, row: int, value: float, unit: str) -> str:
    """Return the result ten times larger or smaller as a suggestion, where it fits the others of its kind."""
    here = frame.loc[row]
    kind = (frame["press"] == here["press"]) & (frame["point"] == here["point"])
    others = frame.loc[kind & (frame["analysis"] == here["analysis"]) & (frame["value"] > 0.0), "value"]
    if len(others) <= _ENOUGH or not value > 0.0:
        return ""
    fits = [each for each in (value / 10.0, value * 10.0) if abs(np.log10(each / others.median())) <= _FITS]
    return f"; perhaps {fits[0]:.3g} {unit} is meant" if fits else _elsewhere(frame, row)


def _elsewhere(frame: pd.DataFrame, row: int) -> str:
    """Return the other kind of result of the press whose usual values a stray result fits, as a suggestion."""
    here, value = frame.loc[row], float(frame["value"].to_numpy()[row])
    others = frame[(frame["press"] == here["press"]) & ~frame["is_suspect"] & (frame["value"] > 0.0)]
    own = (here["point"], here["analysis"])
    for (point, analysis), group in others.groupby(["point", "analysis"])["value"]:
        is_like = len(group) >= _ENOUGH and abs(np.log10(value / float(group.median()))) <= _FITS
        if (point, analysis) != own and is_like:
            return f"; it fits {point} {analysis}: perhaps it is written in the wrong place"
    return ""


def _results(frame: pd.DataFrame) -> Iterator[tuple[str, str, float]]:
    """Yield point, analysis and value of each row."""
    return zip(frame["point"], frame["analysis"], frame["value"], strict=True)


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
        for row in group.index[off.abs() > max(_TEN_TIMES, 6.0 * spread)]:
            marks[row] = ("unit_suspect", _slip(frame, row, float(off[row]), float(10 ** decades.median())))
    return marks


def _slip(frame: pd.DataFrame, row: int, off: float, median: float) -> str:
    """Say what a result `off` decades from the `median` of its kind may be."""
    side = "times" if off > 0 else "times below"
    told = f"{10 ** abs(off):.0f} {side} the sheet's median of {median:.3g}"
    elsewhere = _elsewhere(frame, row) if abs(off) > _FAR_OFF else ""
    if elsewhere:
        return f"{told}{elsewhere}"
    meant = float(f"{float(frame['value'].to_numpy()[row]) / 10.0 ** round(off):.3g}")
    return f"{told}: a decimal mark or unit slipped, perhaps {meant:g} is meant"


def _exchanged(frame: pd.DataFrame) -> Marks:
    """Mark two results of one sample that are each far from their own usual and fit the other's: points swapped."""
    marks: Marks = {}
    usable = frame[~frame["is_suspect"] & (frame["value"] > 0)]
    decades = np.log10(usable["value"])
    kinds = usable["press"] + " " + usable["point"] + " " + usable["analysis"]
    usual = decades.groupby(kinds).median()[kinds.value_counts() >= _ENOUGH]
    for _, sample in usable.groupby(["press", "sampled_at"]):
        rows = [row for row in sample.index if kinds[row] in usual.index]
        for place, first in enumerate(rows):
            for second in rows[place + 1 :]:
                own = [abs(decades[row] - usual[kinds[row]]) for row in (first, second)]
                other = [abs(decades[a] - usual[kinds[b]]) for a, b in ((first, second), (second, first))]
                if min(own) >= _FAR and max(other) <= _FITS:
                    for row, back in ((first, second), (second, first)):
                        here, there = frame.loc[row], frame.loc[back]
                        why = f"exchanged with {there['point']} {there['analysis']} of the same sample: "
                        marks[row] = (
                            "out_of_range",
                            f"{why}perhaps {there['value']:.3g} is meant, not {here['value']:.3g}",
                        )
    return marks


def _filtrate_above_feed(frame: pd.DataFrame) -> Marks:
    """Mark filtrate with more solids than the feed sampled within four hours."""
    marks: Marks = {}
    usable = frame[~frame["is_suspect"] & frame["value"].notna()]
    for _, own in usable.groupby("press"):
        feed = own[(own["point"] == "feed") & own["analysis"].isin(["TS", "TSS"])]
        feed_mg_l = feed["value"].where(feed["analysis"] == "TSS", feed["value"] * 10_000.0)
        filtrate = own[(own["point"] == "filtrate") & (own["analysis"] == "TSS")]
        for row, sampled_at, value in zip(filtrate.index, filtrate["sampled_at"], filtrate["value"], strict=True):
            near = feed_mg_l[(feed["sampled_at"] - sampled_at).abs() <= _NEAR]
            if len(near) and value > near.max():
                why = f"filtrate of {value:.0f} mg/L above its feed of {near.max():.0f} mg/L cannot be"
                marks[row] = ("out_of_range", why)
    return marks


def _repeated(frame: pd.DataFrame) -> Marks:
    """Mark all but the last of results written twice for one sample."""
    usable = frame[~frame["is_suspect"]]
    again = usable.duplicated(["sampled_at", "press", "point", "analysis"], keep="last")
    return {row: ("duplicate", "the same sample has a later row") for row in usable.index[again]}


def _finding(frame: pd.DataFrame, row: int, fault: Fault) -> Finding:
    sampled_at = frame["sampled_at"].iloc[row]
    return Finding(
        press=str(frame["press"].iloc[row]),
        tag=f"bench: {frame['point'].iloc[row]} {frame['analysis'].iloc[row]}",
        role=None,
        fault=fault,
        start_utc=sampled_at,
        end_utc=sampled_at + pd.Timedelta(minutes=1),
        effect="left out of the figures",
        evidence=f"line {frame['line'].iloc[row]}: {frame['why'].iloc[row]}",
    )
