"""The commands before any figure: check a plant file, keep exports in the archive."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from trendkit.errors import InputError, Problem
from trendkit.jobs.call import Call, Done
from trendkit.jobs.inputs import chosen_presses, opened
from trendkit.plant import Plant, Press, load_plant
from trendkit.plant.display import counted

if TYPE_CHECKING:
    from trendkit.exports import LabSheet

MOST_LISTED = 12  # lines about one bench sheet


def ingest(call: Call) -> Done:
    """Append the exports and bench sheets of a call to the plant's archive, once however often repeated."""
    from trendkit.archive import ingest as keep_in_archive

    plant = load_plant(call.plant)
    _require_files(call)
    exports, sheets = opened(plant, call.files, needs_export=False)
    report = keep_in_archive(plant, exports, sheets, call.progress)
    lines = [file.sentence() for file in report.files]
    known = {file.source.file for file in report.files if file.was_known}
    lines += _about_sheets([sheet for sheet in sheets if sheet.input.file not in known], lists_results=False)
    lines += _about_slips(plant, call.files)
    lines.append(f"{report.new} readings and results are new in {report.folder}.")
    files = [
        {"file": each.source.file, "new": each.new, "known": each.known, "conflicting": each.conflicting,
         "rows": each.source.rows, "refused": each.source.refused}
        for each in report.files
    ]  # fmt: skip
    return Done(tuple(lines), {"command": "ingest", "archive": str(report.folder), "new": report.new, "files": files})


def _about_sheets(sheets: Sequence[LabSheet], lists_results: bool) -> list[str]:
    """Return what else there is to say of bench sheets: how they were read, rows refused, results left out."""
    lines = []
    for sheet in sheets:
        told = [note for note in sheet.input.notes if " was refused: " not in note]
        told += [f"line {line} was refused: {why}" for line, why in sheet.input.refusals]
        left_out = sheet.frame[sheet.frame["is_suspect"]]
        if lists_results:
            told += [
                f"line {row.line}, {row.press} {row.point} {row.analysis}: left out of the figures, {row.why}"
                for row in left_out.itertuples()
            ]
        elif len(left_out):
            told.append(f"{counted(len(left_out), 'result')} left out of the figures; trendkit plant check lists them")
        lines += [f"  {sheet.input.file}: {each}" for each in told[:MOST_LISTED]]
        if len(told) > MOST_LISTED:
            lines.append(
                f"  {sheet.input.file}: {len(told) - MOST_LISTED} more such lines; trendkit quality counts all"
            )
    return lines


def _about_slips(plant: Plant, files: tuple[str, ...]) -> list[str]:
    """Return a line for each file of tickets or deliveries: the archive keeps none of them."""
    from trendkit.exports import find_inputs

    found = find_inputs(files, plant)
    lines = []
    for path in (*found.tickets, *found.deliveries):
        home = plant.path.parent.resolve()
        where = "" if path.resolve().parent == home else f"; put it into {home}"
        lines.append(f"{path.name}: not kept in the archive; review reads it beside the plant file{where}")
    return lines


def _require_files(call: Call) -> None:
    if not call.files:
        raise InputError(
            Problem(
                "no input is named",
                place="FILE",
                found="nothing",
                expected="exports, folders or globs",
                hint="name them after the options",
            )
        )


def check_plant(call: Call) -> Done:
    """Check a plant file and, with files, what they say about the tags of the presses asked for.

    Raises
    ------
    InputError
        With every mistake of the plant file, or every way in which the exports disagree with it.
    """
    plant = load_plant(call.plant)
    presses = chosen_presses(plant, call.press)
    tags = sum(len(press.tags) for press in plant.presses)
    presses_said = counted(len(plant.presses), "press", "presses")
    said = [f"{call.plant}: in order. {plant.name}: {presses_said}, {counted(tags, 'tag')}, {plant.timezone}."]
    if call.files:
        said += _checked_files(call, plant, presses)
    return Done(tuple(said), {"command": "plant check", "plant": plant.name, "is_valid": True})


def _checked_files(call: Call, plant: Plant, presses: tuple[Press, ...]) -> list[str]:
    """Return what the files of a check say of the plant file; an InputError with all that contradicts it."""
    from trendkit.exports import check_exports, find_inputs, open_exports, read_lab, read_slips
    from trendkit.series.states import words_unread

    call.progress("reading the exports")
    found, said = find_inputs(call.files, plant), []
    if found.exports or not found.labs:
        exports = open_exports(found.exports, plant)
        problems = check_exports(exports, plant, presses, words_unread)
        if problems:
            raise InputError(problems)
        whose = f"every tag of {call.press}" if call.press else "every tag"
        said.append(f"{counted(len(exports), 'export')}: {whose} is there, within its range and in a likely unit.")
    for path in found.labs:
        sheet = read_lab(path, plant)
        said.append(
            f"{path.name}: {counted(len(sheet.frame), 'result')}, {int(sheet.frame['is_suspect'].sum())} left out."
        )
        said += _about_sheets([sheet], lists_results=True)
    for path in (*found.tickets, *found.deliveries):
        slips = read_slips(path, plant)
        said.append(f"{path.name}: {counted(len(slips.frame), 'mass', 'masses')}, {slips.input.refused} rows refused.")
        said += [f"  {path.name}: {note}" for note in slips.input.notes]
    return said
