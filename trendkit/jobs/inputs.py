"""What a call names: presses of the plant, exports and bench sheets. Nothing is weighed or computed yet."""

from __future__ import annotations

from difflib import get_close_matches
from typing import TYPE_CHECKING

from trendkit.errors import InputError, Problem
from trendkit.plant import Plant, Press

if TYPE_CHECKING:
    from trendkit.exports import Export, LabSheet


def opened(plant: Plant, files: tuple[str, ...], needs_export: bool = True) -> tuple[list[Export], list[LabSheet]]:
    """Open the exports and read the bench sheets that `files` name.

    An InputError when no export is among them, unless a late bench sheet may come alone.
    """
    from trendkit.exports import find_inputs, open_exports, read_lab

    found = find_inputs(files, plant)
    if not found.exports and (needs_export or not found.labs):
        sheets_only = ", ".join(path.name for path in found.labs)
        raise InputError(
            Problem(
                "no export is among the inputs",
                place="FILE",
                found=f"only the bench sheet {sheets_only}" if sheets_only else "none",
                expected="at least one file of tag readings",
                hint="name the exports, too",
            )
        )
    return open_exports(found.exports, plant), [read_lab(path, plant) for path in found.labs]


def chosen_presses(plant: Plant, name: str | None) -> tuple[Press, ...]:
    """Return the press of that name, all of them without one; an InputError when the plant has no such press."""
    if name is None:
        return plant.presses
    press = plant.press(name)
    if press is None:
        names = {each.name.upper(): each.name for each in plant.presses}
        near = get_close_matches(name.upper(), names, n=1, cutoff=0.5)
        raise InputError(
            Problem(
                "the plant has no such press",
                place="--press",
                found=repr(name),
                expected=", ".join(names.values()),
                hint=f"did you mean {names[near[0]]}?" if near else "name one of these",
            )
        )
    return (press,)
