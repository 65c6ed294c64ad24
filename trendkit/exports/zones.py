"""Whose clock a file shows: the plant's, its source's, or one that ignores daylight saving, as its own times prove."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from trendkit.errors import InputError, Problem
from trendkit.exports import ask, clock
from trendkit.exports.clock import Zone
from trendkit.exports.draft import Draft, likely_span, order_of
from trendkit.exports.layout import Layout, says_utc
from trendkit.exports.seek import times_between
from trendkit.plant.model import Plant

_FEW_TIMES = 3  # fewer different times in the skipped hour are errors of single rows, not a habit of the clock


def zone_of(draft: Draft, plant: Plant) -> Zone:
    """Return the zone a file is read in: its source's, UTC where the header says so, else the plant's.

    Raises
    ------
    InputError
        When the zone named is not known.
    """
    named = draft.rules.timezone if draft.rules else None
    header = draft.source.header[draft.time_columns[0]] if draft.source.header else ""
    is_utc = says_utc(header)
    name = named or ("UTC" if is_utc else plant.timezone)
    if named is None and is_utc and not draft.meaning.times[0].is_absolute:
        draft.notes.append(f"times are read as UTC, as the column {header!r} says")
    if not clock.is_zone(name):
        raise InputError(
            Problem(
                "this time zone is not known",
                file=draft.file,
                found=repr(name),
                expected="America/Denver or -07:00",
            )
        )
    letters = clock.zone_letters(name if named else plant.timezone, 2020)
    if letters:
        draft.meaning = _with_letters(draft.meaning, letters)
    return Zone(name)


def _with_letters(meaning: Layout, letters: tuple[tuple[str, int], ...]) -> Layout:
    if meaning.long:
        return replace(meaning, long=replace(meaning.long, time=replace(meaning.long.time, zone_names=letters)))
    groups = tuple(replace(group, time=replace(group.time, zone_names=letters)) for group in meaning.groups)
    return replace(meaning, groups=groups)


def find_fixed_clocks(drafts: Sequence[Draft]) -> None:
    """Read files at a fixed offset whose clock shows an hour that daylight saving skips, and their like with them."""
    fixed: list[tuple[Draft, Zone]] = []
    for draft in drafts:
        zone = _fixed_by_evidence(draft)
        if zone is not None:
            fixed.append((draft, zone))
    for draft in drafts:
        for evident, zone in fixed:
            if draft is evident or _same_clock(draft, evident):
                whose = "its times" if draft is evident else f"those of {evident.file}, with the same columns,"
                draft.notes.append(
                    f"{whose} show an hour that {draft.zone.name} skips, so the clock ignores daylight saving: "
                    f"read at {zone.name}"
                )
                draft.zone = zone
                break


def _same_clock(draft: Draft, evident: Draft) -> bool:
    return (
        draft.rules is evident.rules
        and draft.source.header == evident.source.header
        and not draft.zone.is_fixed
        and not draft.meaning.times[0].is_absolute
    )


def _fixed_by_evidence(draft: Draft) -> Zone | None:
    form = draft.meaning.times[0]
    if form.is_absolute or draft.zone.is_fixed:
        return None
    ends = likely_span(draft)
    if ends is None:
        return None
    for turn in draft.zone.turns(*ends):
        is_inside = ends[0] < turn.last_local_us and ends[1] >= turn.first_local_us
        if turn.repeats or not is_inside:
            continue
        seen = _times_in_gap(draft, turn)
        if seen >= _FEW_TIMES:
            return Zone(clock.fixed_name(turn.before_us))
    return None


def _times_in_gap(draft: Draft, turn: clock.Turn) -> int:
    form, columns = draft.meaning.times[0], draft.time_columns
    if order_of(draft) == "forward" and draft.meaning.long is None:
        near = times_between(draft.source, form, columns, turn.first_local_us, turn.last_local_us)
        if near is not None:
            return near
    return ask.times_never_shown(draft.source, form, columns, turn)
