"""The draft of a plant file: every guess marked as one, so that it cannot be used before a person has looked."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence

import pandas as pd

from trendkit.drafting.propose import Proposal
from trendkit.drafting.role_clues import SWITCHES, UNSCALED

_LEAD = """\
# A draft made from tag names and readings. No person has checked anything in it, and trendkit refuses it as it is.
# Go through it from top to bottom:
#   - put a value in place of every "?";
#   - where a line says guess = "...", check the lines beside it against the tag list, correct them, delete that line.
# trendkit plant check says what is left to do, with line numbers.
"""
_SPRING = {  # when clocks go forward: the Sunday of March, whose rule that is, and zones that follow it
    "second": ("North America", "America/New_York, America/Chicago, America/Denver, America/Los_Angeles"),
    "last": ("Europe", "Europe/London, Europe/Berlin, Europe/Helsinki"),
}


def draft_text(
    proposals: Sequence[Proposal], minutes: pd.DatetimeIndex, source_lines: Mapping[str, str], has_bench_sheets: bool
) -> str:
    """Return the text of a drafted plant file.

    `minutes` are the minutes with readings, in the files' own clock; `source_lines` what a [[source]] has to say of
    all files.
    """
    lines = [_LEAD, "[plant]", 'name = "?"', *_zone_lines(minutes), f'display_units = "{_units_shown(proposals)}"', ""]
    if source_lines:
        lines += ["[[source]]", 'files = "*"', *(f'{key} = "{text}"' for key, text in source_lines.items()), ""]
    presses = list(dict.fromkeys(each.press for each in proposals if each.press is not None))
    for press in presses:
        lines += _press_lines(press, [each for each in proposals if each.press == press])
    strays = [each for each in proposals if each.press is None]
    if strays:
        lines += ["# These tags name no press. A meter serving several presses goes into [[shared]] with its role:"]
        lines += [f"#   {each.tag}: {'; '.join(each.reasons)}" for each in strays] + [""]
    if has_bench_sheets:
        lines += ["[lab]", 'files = "lab*.csv"  # the pattern of your bench sheets', ""]
    return "\n".join(lines)


def _units_shown(proposals: Iterable[Proposal]) -> str:
    units = [each.unit for each in proposals]
    return "us" if sum(unit in ("gal/min", "psi", "degF", "ft/min") for unit in units) else "si"


def _zone_lines(minutes: pd.DatetimeIndex) -> list[str]:
    text = 'timezone = "?"  # where the clock of the control system is set, as in "America/Denver"'
    return [*(f"# {note}" for note in clock_notes(minutes)), text]


def clock_notes(minutes: pd.DatetimeIndex) -> list[str]:
    """Return what the files' clock shows in the nights when clocks go forward: skipped hours, or none."""
    notes = []
    for year in sorted(set(minutes.year)):
        sundays = [day for day in pd.date_range(f"{year}-03-01", f"{year}-03-31") if day.weekday() == 6]
        for which, day in (("second", sundays[1]), ("last", sundays[-1])):
            start = day.tz_localize("UTC")
            seen = _hours_seen(minutes[(minutes >= start) & (minutes < start + pd.Timedelta("5h"))])
            night = f"from 02:00 to 03:00 on {day:%Y-%m-%d}: the clock"
            if {0, 1, 3, 4} <= seen and 2 not in seen:
                who, zones = _SPRING[which]
                notes.append(f"No reading {night} follows the rule of {who} (such as {zones}).")
            elif {0, 1, 2, 3, 4} <= seen:
                notes.append(f"Readings {night} was not put forward that night.")
    return notes


def _hours_seen(night: pd.DatetimeIndex) -> set[int]:
    """Return the hours with at least half the minutes of the fullest: a reading held on into an hour is none of it."""
    minutes = pd.Series(night.hour).value_counts()
    return set(minutes.index[minutes >= 0.5 * minutes.max()]) if len(minutes) else set()


def _press_lines(press: str, proposals: Sequence[Proposal]) -> list[str]:
    lines = [
        "[[press]]",
        f"name = {json.dumps(press)}",
        'belt_width = "? m"  # effective, between the side seals',
        'gravity_zone_length = "? m"',
        'pressure_zone_length = "? m"  # wedge nip to last roll, the wedge inside it',
        "",
    ]
    roles = {each.role for each in proposals}
    if "filtrate_flow" in roles:
        lines += ["[press.filtrate]", 'meter = "?"  # "with_wash", "before_wash" or "none"', ""]
    if "polymer_flow" in roles and "polymer_strength" not in roles:
        lines += [
            "[press.fixed]",
            'polymer_strength = { value = "? %" }  # % active by mass of what polymer_flow meters',
            "",
        ]
    if "feed_flow" not in roles:
        lines += [
            "# No tag was found for feed_flow, the one role that is required: look for it among the tags below.",
            "",
        ]
    for each in proposals:
        if each.role is not None:
            lines += _tag_lines(each)
    rest = [each for each in proposals if each.role is None]
    if rest:
        lines += ["# No role was found for these tags; a tag worth watching may get a section with a name of its own:"]
        lines += [f"#   {each.tag}: {'; '.join(each.reasons)}" for each in rest] + [""]
    return lines


def _tag_lines(each: Proposal) -> list[str]:
    lines = [f"[press.tags.{each.role}]", f"tag = {json.dumps(each.tag, ensure_ascii=False)}"]
    if each.kind != "state":
        lines.append(f"unit = {json.dumps(each.unit or '?', ensure_ascii=False)}")
    lines.append(f'kind = "{each.kind}"')
    if each.unit in UNSCALED and each.role in UNSCALED[each.unit]:
        lines.append(
            f'scale = [["0 {each.unit}", "?"], ["? {each.unit}", "?"]]  # what it moves at two settings, timed'
        )
    if each.role in SWITCHES and not any("states are" in reason for reason in each.reasons):
        lines.append('on_values = ["1"]')
    if each.words_unread and each.role == "mode":
        lines.append('mode_words = { dewatering = ["?"], thickening = ["?"] }  # which of its words means what')
    elif each.words_unread:
        lines.append('on_values = ["?"]  # which of its words mean on')
    doubt = f"; it could also be {each.could_be}" if each.could_be else ""
    lines.append(f"guess = {json.dumps('; '.join(each.reasons) + doubt, ensure_ascii=False)}")
    return [*lines, ""]
