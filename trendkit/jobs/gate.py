"""Truck tickets and polymer deliveries of a call, set against what the presses are computed to have made and used."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from trendkit.exports import InputFile, Slips, find_inputs, read_slips
from trendkit.jobs.call import Call
from trendkit.jobs.reading import PressSeries, Reading, cut
from trendkit.plant import Plant
from trendkit.plant.calendar import Period
from trendkit.press import Compared, Figure, PeriodReview, against_deliveries, against_tickets, review_period


@dataclass(frozen=True)
class Weighed:
    """What came and went over the gate; None where the plant file names no such files or none is there."""

    tickets: pd.DataFrame | None = None
    deliveries: pd.DataFrame | None = None
    inputs: tuple[InputFile, ...] = ()


@dataclass(frozen=True)
class Gate:
    """What was weighed, and the polymer every press used meanwhile, which deliveries are held against."""

    weighed: Weighed = Weighed()
    polymer: tuple[Figure, ...] = ()


NOTHING_WEIGHED = Gate()


def read_weighed(plant: Plant, call: Call) -> Weighed:
    """Read the tickets and deliveries among a call's files, or beside the plant file when no file is named."""
    if call.files:
        found = find_inputs(call.files, plant)
        tickets, deliveries = found.tickets, found.deliveries
    else:
        tickets, deliveries = _beside(plant, plant.tickets_files), _beside(plant, plant.deliveries_files)
    slips = [[read_slips(path, plant) for path in paths] for paths in (tickets, deliveries)]
    return Weighed(_joined(slips[0]), _joined(slips[1]), tuple(each.input for kind in slips for each in kind))


def _beside(plant: Plant, pattern: str | None) -> tuple[Path, ...]:
    return tuple(sorted(plant.path.parent.glob(pattern))) if pattern else ()


def _joined(slips: Sequence[Slips]) -> pd.DataFrame | None:
    return pd.concat([each.frame for each in slips], ignore_index=True) if slips else None


def polymer_of_all(reading: Reading, period: Period) -> list[Figure]:
    """Return the polymer used by every press read, a figure for each and each of its modes."""
    figures = []
    for series in replace(reading, in_full=False).presses:
        review = review_period(cut(series.table, period), series.press, reading.plant, period)
        figures += [by_name["polymer_kg"] for by_name in review.by_mode.values()]
    return figures


def compared(
    review: PeriodReview,
    gate: Gate,
    reading: Reading,
    series: PressSeries,
    period: Period,
) -> PeriodReview:
    """Return the review with its wet cake and polymer set against tickets and deliveries."""
    plant, weighed, found = reading.plant, gate.weighed, []
    if weighed.tickets is not None:
        wet_cake = review.figures["wet_cake_t"]
        found.append(against_tickets(weighed.tickets, wet_cake, series.press.slug, period, len(plant.presses)))
    if weighed.deliveries is not None:
        are_all = len(reading.grids.grids) == len(plant.presses)
        found.append(against_deliveries(weighed.deliveries, gate.polymer, period, are_all))
    return replace(review, compared=tuple(_explained(each, review.feed_unknown) for each in found))


def _explained(compared: Compared, feed_unknown: str) -> Compared:
    """Return a comparison that does not agree with what no total counts named first: it is known to be missing."""
    if compared.agrees is not False or not feed_unknown:
        return compared
    return replace(compared, reason=f"{feed_unknown} Else {compared.reason}")
