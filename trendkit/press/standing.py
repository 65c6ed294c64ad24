"""How presses stand to one another: what they are ranked by, and which places their limits leave open.

Comes in: figures of a period with 95 % limits, SI, one set per press. Goes out: places, 1 the best. Two presses whose
limits overlap cannot be told apart and share the places between them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import pandas as pd

from trendkit.press.results import Figure

BEST_FIRST = {"capture_pct": "most", "cost_per_dry_t": "least", "upset_hours": "least", "covered_share": "most"}


@dataclass(frozen=True)
class Standing:
    """One press of many over one period: its figures by name, SI, and where its review lies.

    `figures` holds those of the review and `upset_hours` [h] and `covered_share` [0 to 1], which bear no limits.
    `page` is relative to the folder of the index.
    """

    plant: str
    folder: str  # the plant's folder, which no other plant shares
    press: str
    slug: str
    page: str
    figures: Mapping[str, Figure] = field(default_factory=dict)

    def known(self, name: str) -> Figure | None:
        """Return a figure, None when its value is not known."""
        figure = self.figures.get(name)
        return figure if figure is not None and figure.value is not None else None


@dataclass(frozen=True)
class Place:
    """Where one press stands: from `first` to `last`, both counted; equal where its limits leave no doubt."""

    standing: Standing
    figure: Figure
    first: int
    last: int


def rank(standings: Sequence[Standing], name: str) -> list[Place]:
    """Return the presses that have a figure, the best first, each with the places its 95 % limits allow.

    A press is surely better than another when its limits lie wholly on the better side of the other's. Presses with
    different units (currencies) are ranked apart, one unit after the other.

    Examples
    --------
    >>> def of(press, value, low, high):
    ...     return Standing("", "", press, press, "", {"capture_pct": Figure(value, "%", low, high)})
    >>> presses = [of("a", 90.0, 89.0, 91.0), of("b", 96.0, 95.0, 97.0), of("c", 95.5, 94.8, 96.2)]
    >>> [(place.standing.press, place.first, place.last) for place in rank(presses, "capture_pct")]
    [('b', 1, 2), ('c', 1, 2), ('a', 3, 3)]
    """
    known = [(each, figure) for each in standings if (figure := each.known(name)) is not None]
    places = []
    for unit in sorted({figure.unit for _, figure in known}):
        places += _places([pair for pair in known if pair[1].unit == unit], 1 if BEST_FIRST[name] == "least" else -1)
    return places


def _places(of_unit: Sequence[tuple[Standing, Figure]], sign: int) -> list[Place]:
    spans = [_span(figure, sign) for _, figure in of_unit]
    found = []
    for (standing, figure), (best, worst) in zip(of_unit, spans, strict=True):
        better = sum(other_worst < best for _, other_worst in spans)
        worse = sum(other_best > worst for other_best, _ in spans)
        found.append(Place(standing, figure, better + 1, len(spans) - worse))
    return sorted(found, key=lambda place: sign * (place.figure.value or 0.0))


def _span(figure: Figure, sign: int) -> tuple[float, float]:
    """Return the limits of a figure as (best, worst), the smaller the better; the value itself without limits."""
    ends = [sign * end for end in (figure.low, figure.value, figure.high) if end is not None]
    return min(ends), max(ends)


def hours_within(spans: Iterable[tuple[pd.Timestamp, pd.Timestamp]], start: pd.Timestamp, end: pd.Timestamp) -> float:
    """Return the hours of a period that lie in at least one span [h]; time in two spans counts once.

    Examples
    --------
    >>> hour = [pd.Timestamp(f"2026-03-01T{hour:02d}:00Z") for hour in range(6)]
    >>> hours_within([(hour[1], hour[3]), (hour[2], hour[5])], hour[0], hour[4])
    3.0
    """
    total, reached = pd.Timedelta(0), start
    for first, past in sorted(spans):
        first, past = max(first, reached), min(past, end)
        if past > first:
            total, reached = total + (past - first), past
    return total / pd.Timedelta(hours=1)
