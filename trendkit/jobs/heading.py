"""What every page says about itself: its press and period, the inputs it rests on, the faults and what was left out."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from trendkit.exports import InputFile, names
from trendkit.findings import Finding
from trendkit.jobs.reading import PressSeries, Reading, within
from trendkit.plant import Plant, Press
from trendkit.plant.calendar import Period
from trendkit.reports import PageContext


def page_context(
    plant: Plant,
    press: Press,
    period: Period,
    good_feed_share: pd.Series,
    inputs: Sequence[InputFile],
    findings: Sequence[Finding],
    notes: Sequence[str],
    lab: pd.DataFrame | None,
    every_s: int,
) -> PageContext:
    """Gather what a page of one press says about itself: of its period and its own tags alone."""
    bins = max(round(period.hours * 3600 / every_s), 1)
    keys = {names.key(tag.tag) for tag in names.every_tag([press])}
    return PageContext(
        plant,
        press,
        period,
        float(within(good_feed_share, period).sum()) / bins,
        tuple(each for each in inputs if not each.tag_keys or each.tag_keys & keys),
        tuple(each for each in findings if _touches(each.start_utc, each.end_utc, period)),
        tuple(
            each
            for each in plant.excludes
            if each.press in (None, press.slug) and _touches(each.start_utc, each.end_utc, period)
        ),
        tuple(notes),
        lab,
    )


def series_context(reading: Reading, series: PressSeries, period: Period) -> PageContext:
    """Gather what a page that rests on the figures of one press says about itself."""
    return page_context(
        reading.plant,
        series.press,
        period,
        series.good_feed_share,
        reading.inputs,
        series.findings,
        series.notes,
        series.lab,
        series.table.every_s,
    )


def _touches(start_utc: pd.Timestamp, end_utc: pd.Timestamp, period: Period) -> bool:
    return bool(start_utc < period.end_utc and end_utc > period.start_utc)
