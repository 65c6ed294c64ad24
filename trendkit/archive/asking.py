"""Which tags of an export are read into the archive and as what: numbers, or words as they stand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from trendkit.archive.manifest import Manifest
from trendkit.archive.weeks import SHARED, homes_of
from trendkit.exports import Export, names
from trendkit.exports.layout import LongColumns
from trendkit.exports.numbers import read_number
from trendkit.plant.model import Plant, Tag


def reading_of(export: Export) -> str:
    """Return in words how an export's times and numbers are understood, as the archive remembers it."""
    words = [f"times {export.time_format}, {export.timezone}"]
    if export.shift_clock_s:
        words.append(f"clock shifted by {export.shift_clock_s:g} s")
    if export.decimal == ",":
        words.append("decimal comma")
    if export.quality is not None:
        words.append(f"quality {export.quality}")
    return "; ".join(words)


def tags_known(export: Export, plant: Plant) -> dict[str, Tag]:
    """Return the tags seen in an export by name: those of the plant file, and the others as what they look like."""
    mine = {names.key(tag.tag): tag for tag in names.every_tag(plant.presses)}
    found = {names.key(tag): tag for tag in export.tags}
    if export.meaning.long is not None:  # a long file shows but some of its tags in its first rows
        found |= {key: tag.tag for key, tag in mine.items()}
    worded = _look_like_words(export, [name for key, name in found.items() if key not in mine])
    return {name: mine[key] if key in mine else _unknown(name, name in worded) for key, name in found.items()}


def unknown_tags(tags: Iterable[str]) -> dict[str, Tag]:
    """Return tags that the plant file does not name, as numbers."""
    return {tag: _unknown(tag, False) for tag in sorted(tags)}


def homes_for(tags: Mapping[str, Tag], plant: Plant, manifest: Manifest) -> dict[str, tuple[str, str]]:
    """Return for each tag (by its key) the press under which it is kept and its spelling there.

    A tag already in the archive stays where it is, whatever the plant file says since.
    """
    mine = homes_of(plant)
    keys = {names.key(name): name for name in tags}
    return {key: manifest.homes.get(key, (mine.get(key, SHARED), name)) for key, name in keys.items()}


def _unknown(name: str, is_worded: bool) -> Tag:
    return Tag(name, name, name, "", "", "state" if is_worded else "analog")


def _look_like_words(export: Export, tags: list[str]) -> set[str]:
    """Return those tags most of whose first cells are no numbers."""
    cells = _first_cells(export)
    worded = set()
    for tag in tags:
        own = cells.get(names.key(tag), [])
        words = [cell for cell in own if read_number(cell, export.decimal) is None]
        if len(words) > len(own) / 2:
            worded.add(tag)
    return worded


def _first_cells(export: Export) -> dict[str, list[str]]:
    """Return the first cells of each tag, by the tag's key."""
    if export.meaning.long is not None:
        return _first_cells_of_long(export, export.meaning.long)
    columns = [(names.key(tag.tag), tag.column) for group in export.meaning.groups for tag in group.tags]
    return {key: export.source.column(column) for key, column in columns}


def _first_cells_of_long(export: Export, long: LongColumns) -> dict[str, list[str]]:
    tags, values = export.source.column(long.tag_column), export.source.column(long.value_column)
    found: dict[str, list[str]] = {}
    if len(tags) == len(values):  # else some cells are empty and the others not beside their tags
        for tag, value in zip(tags, values, strict=True):
            found.setdefault(names.key(tag), []).append(value)
    return found
