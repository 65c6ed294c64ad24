"""Whether the tags of a plant file are in the exports at all."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from trendkit.errors import InputError, Problem
from trendkit.exports import names
from trendkit.exports.block import StoredExport
from trendkit.exports.export import Export
from trendkit.plant.model import Plant, Press, Tag


def require_tags(exports: Sequence[Export | StoredExport], plant: Plant, presses: Iterable[Press]) -> None:
    """Raise an InputError that names every tag of the presses that is in no export, with the nearest names found.

    A state or setpoint may be absent from long exports: they list changes, and there may have been none.
    """
    if not exports:
        raise InputError(
            Problem(
                "no export is among the files",
                expected="at least one file of tag readings",
                hint="name exports, too",
            )
        )
    problems = [problem for press in presses for problem in absent_tags(exports, plant, press)]
    if problems:
        raise InputError(problems)


def absent_tags(exports: Sequence[Export | StoredExport], plant: Plant, press: Press) -> list[Problem]:
    """Return one problem for each tag of a press that is in no export; a tag of another press is not what is meant."""
    taken = {names.key(tag.tag) for other in plant.presses for tag in other.tags.values()}
    present = {names.key(tag) for export in exports for tag in export.tags}
    listed = list(dict.fromkeys(tag for export in exports for tag in export.tags))
    lists_changes = any(export.layout == "long" for export in exports)
    missing = [tag for tag in press.tags.values() if names.key(tag.tag) not in present]
    if len(missing) == len(press.tags):
        return [_nothing_found(plant, press, listed, exports)]
    free = [tag for tag in listed if names.key(tag) not in taken]
    needed = [tag for tag in missing if not (lists_changes and tag.kind in ("state", "step"))]
    return [_absent(tag, plant, press, free) for tag in needed]


def _nothing_found(
    plant: Plant, press: Press, listed: Sequence[str], exports: Sequence[Export | StoredExport]
) -> Problem:
    asked = [tag.tag for tag in press.tags.values()]
    near = [name for tag in asked[:5] for name in names.close_names(tag, listed, 1)]
    one_only = "; --press names another press" if len(plant.presses) > 1 else ""
    files = ", ".join(export.file for export in exports[:3]) + (" and others" if len(exports) > 3 else "")
    return Problem(
        f"none of the tags of {press.name} is in the files",
        file=files,
        found=_listing(listed) or "no tag",
        expected=_listing(asked),
        hint=(f"near by are {', '.join(dict.fromkeys(near))}: " if near else "name the exports of this press, or ")
        + f"set the plant file's tag names to those of the exports{one_only}",
    )


def _absent(tag: Tag, plant: Plant, press: Press, free: Sequence[str]) -> Problem:
    near = names.close_names(tag.tag, free)
    hint = (
        f"perhaps {' or '.join(repr(name) for name in near)} is meant"
        if near
        else "correct the name, or take the tag out of the plant file"
    )
    return Problem(
        f"the tag {tag.tag!r} is in none of the exports",
        file=plant.path.name,
        place=place_of(tag, press),
        found=f"{_listing(free)}, which no tag of the plant file names" if free else "only tags named already",
        hint=hint,
    )


def place_of(tag: Tag, press: Press) -> str:
    """Return where the plant file names a tag, for a message."""
    line = f"line {tag.line}, " if tag.line else ""
    return f"{line}press {press.name}, tags.{tag.name}"


def _listing(tags: Sequence[str]) -> str:
    return ", ".join(tags[:6]) + (f" and {len(tags) - 6} more" if len(tags) > 6 else "")
