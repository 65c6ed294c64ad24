"""The commands before any figure: check a plant file, keep exports in the archive."""

from __future__ import annotations

from trendkit.errors import InputError, Problem
from trendkit.jobs.call import Call, Done
from trendkit.jobs.inputs import chosen_presses, opened
from trendkit.plant import load_plant
from trendkit.plant.display import counted


def ingest(call: Call) -> Done:
    """Append the exports and bench sheets of a call to the plant's archive, once however often repeated."""
    from trendkit.archive import ingest as keep_in_archive

    plant = load_plant(call.plant)
    _require_files(call)
    exports, sheets = opened(plant, call.files, needs_export=False)
    report = keep_in_archive(plant, exports, sheets, call.progress)
    lines = [file.sentence() for file in report.files]
    lines.append(f"{report.new} readings and results are new in {report.folder}.")
    files = [
        {"file": each.source.file, "new": each.new, "known": each.known, "conflicting": each.conflicting,
         "rows": each.source.rows, "refused": each.source.refused}
        for each in report.files
    ]  # fmt: skip
    return Done(tuple(lines), {"command": "ingest", "archive": str(report.folder), "new": report.new, "files": files})


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
        from trendkit.exports import check_exports, find_inputs, open_exports

        call.progress("reading the exports")
        exports = open_exports(find_inputs(call.files, plant).exports, plant)
        problems = check_exports(exports, plant, presses)
        if problems:
            raise InputError(problems)
        whose = f"every tag of {call.press}" if call.press else "every tag"
        said.append(f"{counted(len(exports), 'export')}: {whose} is there, within its range and in a likely unit.")
    return Done(tuple(said), {"command": "plant check", "plant": plant.name, "is_valid": True})
