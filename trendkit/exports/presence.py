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
    problems = [problem for press in presses for problem in absent_tags(exports, press)]
    if problems:
        raise InputError(problems)


def absent_tags(exports: Sequence[Export | StoredExport], press: Press) -> list[Problem]:
    """Return one problem for each tag of a press that is in no export."""
    present = {names.key(tag) for export in exports for tag in export.tags}
    listed = list(dict.fromkeys(tag for export in exports for tag in export.tags))
    lists_changes = any(export.layout == "long" for export in exports)
    missing = [tag for tag in press.tags.values() if names.key(tag.tag) not in present]
    if len(missing) == len(press.tags):
        return [_nothing_found(press, listed, exports)]
    return [_absent(tag, press, listed) for tag in missing if not (lists_changes and tag.kind in ("state", "step"))]


def _nothing_found(press: Press, listed: Sequence[str], exports: Sequence[Export | StoredExport]) -> Problem:
    asked = [tag.tag for tag in press.tags.values()]
    near = [name for tag in asked[:5] for name in names.close_names(tag, listed, 1)]
    files = ", ".join(export.file for export in exports[:3]) + (" and others" if len(exports) > 3 else "")
    return Problem(
        f"none of the tags of {press.name} is in the files",
        file=files,
        found=_listing(listed) or "no tag",
        expected=_listing(asked),
        hint=f"near by are {', '.join(dict.fromkeys(near))}: set the plant file's tag names to those of the exports"
        if near
        else "name the exports of this press, or set the tag names in the plant file to those of the exports",
    )


def _absent(tag: Tag, press: Press, listed: Sequence[str]) -> Problem:
    near = names.close_names(tag.tag, listed)
    hint = (
        f"perhaps {' or '.join(repr(name) for name in near)} is meant"
        if near
        else "correct the name, or take the tag out of the plant file"
    )
    return Problem(
        f"the tag {tag.tag!r} is in none of the exports",
        file="plant file",
        place=f"press {press.name}, tags.{tag.name}",
        found=_listing(listed),
        hint=hint,
    )


def _listing(tags: Sequence[str]) -> str:
    return ", ".join(tags[:6]) + (f" and {len(tags) - 6} more" if len(tags) > 6 else "")
