"""The kinds of an event with their severities, and whether it is beyond doubt.

Comes in: the signs and stops of one event and the record of its run. Goes out: kind -> severity 1 to 3.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from trendkit.upsets.evidence import Record, Window, worst_change
from trendkit.upsets.signs import Sign
from trendkit.upsets.stops import Stop
from trendkit.upsets.watched import BY_NAME

LARGE = 2.5  # times the least change worth a sign: of a column that makes no kind of its own
UNSEEN_KINDS = {"belt_slip": "belt_speed_off"}  # a speed read at the drive does not show the belt lag behind
FELT_KINDS = {"dilution_loss": "low_capture"}  # has no kind of its own: the filtrate's, once a sign of it shows
ALSO_MOVES = {  # groups: the dose is strength times flow, the loading flow times solids; a sign of either is one of it
    "polymer_strength": "polymer_flow",
    "feed_solids": "feed_flow",
}
EFFECT_KINDS = ("wet_cake", "low_capture", "ponding")
FELT = 2  # severity from which what came out of the press speaks for the input that left its band before it
CLEAR, UNMISTAKABLE, FAR_OUT = 4.0, 5.5, 8.0  # spreads


def kinds_of(
    signs: Sequence[Sign], stops: Sequence[Stop], cause: str | None, record: Record, window: Window | None
) -> dict[str, int]:
    """Return the kinds of an event with their severities, none of severity 0.

    What came out of the press counts whatever the reason, and an input that made a sign in any of its columns
    counts in all of them: both are held against the same run just before. Without a window the signs alone count. A
    cause that makes a kind no meter here can show, or has none of its own, is of that kind, at its least severity.
    """
    worst = {stop.kind: stop.severity for stop in stops}
    for sign in signs:
        kind = BY_NAME[sign.name].kind
        is_told_below = window is not None and sign.channel == "move" and not BY_NAME[sign.name].is_effect
        if kind is not None and not is_told_below:
            worst[kind] = max(worst.get(kind, 0), sign.severity)
    if window is None:
        return {kind: severity for kind, severity in worst.items() if severity}
    sides = {BY_NAME[sign.name].group: sign.side for sign in signs}
    sides |= {other: sides[group] for group, other in ALSO_MOVES.items() if group in sides and other not in sides}
    for name in record.names:
        watched = BY_NAME[name]
        if watched.kind is None or not (watched.is_effect or watched.group in sides):
            continue
        side = {"up": 1, "down": -1}.get(watched.side) or sides[watched.group]
        change = worst_change(record, name, window, side)
        if change == change:
            worst[watched.kind] = max(worst.get(watched.kind, 0), watched.severity(change, side))
    if cause in UNSEEN_KINDS and not any(worst.values()):
        worst[UNSEEN_KINDS[cause]] = 1
    if cause in FELT_KINDS and not any(worst.values()) and any(BY_NAME[sign.name].is_effect for sign in signs):
        worst[FELT_KINDS[cause]] = 1
    return {kind: severity for kind, severity in worst.items() if severity}


def is_clear(
    signs: Sequence[Sign],
    stops: Sequence[Stop],
    accounted: frozenset[tuple[str, int]],
    kinds: Mapping[str, int],
    continuous: Iterable[str],
    cause: str | None = None,
) -> bool:
    """Return whether an event is beyond doubt: one unmistakable sign, or two clear ones that tell of two things.

    One column a little out of its band, with nothing else moving, is what a month of sludge does by itself. Signs
    the likeliest cause does not account for do not count, and what the crew sets counts once something comes of it
    (where cake, filtrate or depth is among the `continuous` columns, which a meter and not a few grabs make). A clear
    input and a cake two points wetter on the same sludge tell of two things, too (`FELT`).
    """
    if stops:
        return True
    inputs = [sign for sign in signs if (sign.name, sign.side) in accounted and not BY_NAME[sign.name].is_effect]
    is_set = bool(inputs) and all(BY_NAME[sign.name].is_setting for sign in inputs)
    if is_set and any(BY_NAME[name].is_effect for name in continuous) and not set(EFFECT_KINDS) & set(kinds):
        return False
    told = [sign for sign in signs if (sign.name, sign.side) in accounted] or list(signs)
    clear = {BY_NAME[sign.name].group for sign in told if sign.z >= CLEAR}
    has_clear_input = any(sign.z >= CLEAR for sign in inputs)
    is_felt = has_clear_input and any(kinds.get(kind, 0) >= FELT for kind in EFFECT_KINDS)
    return len(clear) >= 2 or is_felt or any(_is_unmistakable(sign, cause in UNSEEN_KINDS) for sign in told)


def is_more_than_expected(signs: Sequence[Sign], stops: Sequence[Stop]) -> bool:
    """Return whether something left its band that feed, dose and speeds within theirs do not account for.

    Where no input left its band and one effect moved just as its inputs make it move, the inputs did move: the rest
    of it is what the line through quieter weeks does not reach.
    """
    told = [sign for sign in signs if not BY_NAME[sign.name].is_check]
    has_input = any(not BY_NAME[sign.name].is_effect for sign in told)
    return bool(stops) or has_input or not any(sign.is_as_expected and sign.z >= CLEAR for sign in told)


def _is_unmistakable(sign: Sign, stands_in: bool) -> bool:
    """Return whether a sign needs no other; one that stands in for what no meter shows counts like that."""
    is_large = stands_in or sign.severity > 0 or sign.change_in_scale >= LARGE * BY_NAME[sign.name].least
    return sign.z >= (UNMISTAKABLE if is_large else FAR_OUT)
