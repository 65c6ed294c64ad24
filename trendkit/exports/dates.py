"""Day first or month first: what the dates of a file prove, and what a set of files decides for the open ones.

There is no default. A number above 12 proves an order; so do days that run on at midnight in a file of many rows
a day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from trendkit.errors import Problem
from trendkit.exports import ask, moments
from trendkit.exports.draft import Draft
from trendkit.exports.layout import Layout
from trendkit.exports.moments import DateOrder, TimeForm


def settle_dates(drafts: Sequence[Draft]) -> list[Problem]:
    """Settle day-first or month-first in every draft; return the problems of those nothing decides."""
    problems = []
    proofs: dict[int, DateOrder] = {}
    open_drafts = [draft for draft in drafts if any(form.is_open for form in draft.meaning.times)]
    for draft in open_drafts:
        told = draft.rules.dates if draft.rules else None
        proved = {told} if told else _proved(draft)
        if len(proved) > 1:
            problems.append(
                Problem(
                    "some dates can only be day first and others only month first",
                    file=draft.file,
                    expected="one order of day and month in a file",
                    hint="export the times as in 2026-03-14 07:00:00",
                )
            )
        elif proved:
            proofs[id(draft)] = next(iter(proved))
    agreed = set(proofs.values())
    for draft in open_drafts:
        order = proofs.get(id(draft)) or (next(iter(agreed)) if len(agreed) == 1 else None)
        if order is None and not problems:
            problems.append(_undecided(draft))
        elif order is not None:
            how = "as its dates prove" if id(draft) in proofs else "as the other files prove"
            draft.notes.append(f"dates are read {order.replace('_', ' ')}, {how}")
            draft.meaning = _with_order(draft.meaning, order)
    return problems


def _proved(draft: Draft) -> set[DateOrder]:
    """Return what the dates of a file prove: by a number above 12, else by days that run on at midnight."""
    columns = draft.time_columns
    proved = moments.proved_order(draft.samples.cells(columns[0]))
    if proved:
        return proved
    dates = ask.distinct_dates(draft.source, columns)
    return moments.proved_order(dates) or _running_on(draft, dates)


def _running_on(draft: Draft, dates: Sequence[str]) -> set[DateOrder]:
    """Return the only order under which a file of many rows a day runs on from day to day, empty if there is none."""
    if len(dates) < 2 or len(draft.samples.rows) < 12 * len(dates):
        return set()
    fitting: set[DateOrder] = set()
    for order in ("day_first", "month_first"):
        days = [cell.local_us(order) for date in dates if (cell := moments.take_apart(date))]
        if all(a is not None and b is not None and abs(b - a) == moments.DAY_US for a, b in pairwise(days)):
            fitting.add(order)
    return fitting if len(fitting) == 1 else set()


def _undecided(draft: Draft) -> Problem:
    return Problem(
        "the dates can be read day first or month first, and nothing decides which",
        file=draft.file,
        found=repr(draft.samples.cells(draft.time_columns[0])[0]),
        expected="a day above the 12th in this file or in another one given with it",
        hint='give a file of later days along with it, or add dates = "day_first" (or "month_first") to a [[source]] '
        "of the plant file",
    )


def _with_order(meaning: Layout, order: DateOrder) -> Layout:
    def settled(form: TimeForm) -> TimeForm:
        return moments.with_order(form, order) if form.is_open else form

    if meaning.long:
        return replace(meaning, long=replace(meaning.long, time=settled(meaning.long.time)))
    return replace(meaning, groups=tuple(replace(group, time=settled(group.time)) for group in meaning.groups))
