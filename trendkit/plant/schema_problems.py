"""What pydantic finds wrong with a plant file, in our own plain words.

Comes in: the raw tables tomllib read. Goes out: a `PlantFile` of everything that is right, the rest noted.
"""

from __future__ import annotations

import copy
import types
import typing
from datetime import date, datetime, time
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from trendkit.plant.mistakes import Mistakes, dotted, nearest, or_list
from trendkit.plant.schema import PlantFile
from trendkit.plant.toml_lines import Path


def _model_of(annotation: Any) -> type[BaseModel] | None:
    """Return the section a field's type holds, inside optional, list or dict, None for a plain value."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if get_origin(annotation) in (Union, types.UnionType, list, dict, typing.Annotated):
        return next((found for part in get_args(annotation) if (found := _model_of(part)) is not None), None)
    return None


def _keys(model: type[BaseModel]) -> dict[str, Any]:
    return {field.alias or name: field.annotation for name, field in model.model_fields.items()}


def keys_at(path: Path) -> list[str]:
    """Return the keys the table at `path` may hold; empty where names are free."""
    annotation: Any = PlantFile
    for part in path:
        if isinstance(part, str) and isinstance(annotation, type) and issubclass(annotation, BaseModel):
            annotation = _keys(annotation).get(part)
        elif get_origin(annotation) is dict:
            annotation = get_args(annotation)[1]
        elif get_origin(annotation) is list:
            annotation = get_args(annotation)[0]
        else:
            return []
        if get_origin(annotation) in (Union, types.UnionType):
            annotation = _model_of(annotation)
    return list(_keys(annotation)) if isinstance(annotation, type) and issubclass(annotation, BaseModel) else []


def _value_at(raw: Any, path: Path) -> Any:
    for part in path:
        raw = raw[part]
    return raw


def _real_path(raw: Any, path: tuple[int | str, ...]) -> Path:
    """Return the part of a pydantic location that exists in the file (it appends names of union members)."""
    real: Path = ()
    for part in path:
        try:
            raw = raw[part]
        except (KeyError, IndexError, TypeError):
            break
        real = (*real, part)
    return real


def _shown(value: Any) -> str:
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    return repr(value)


_WANTED = {
    "string_type": (
        "a text in double quotes is due here",
        'a text, and for a quantity its unit, as in "2.0 m"',
    ),
    "float_type": ("a bare number is due here", "a number without quotes or unit"),
    "finite_number": ("a bare number is due here", "a finite number"),
    "list_type": ("a list is due here", "a list in square brackets"),
    "tuple_type": ("a pair is due here", "two values in square brackets"),
    "dict_type": ("a table is due here", "keys and values"),
    "model_type": ("a table is due here", "keys and values, as in { key = value }"),
    "datetime_type": ("a date or a time is due here", "2026-03-16 or 2026-03-16T07:00:00, without quotes"),
    "date_type": ("a date or a time is due here", "2026-03-16 or 2026-03-16T07:00:00, without quotes"),
}


def _note(mistakes: Mistakes, raw: Any, error: Any, path: Path) -> None:
    kind, value = error["type"], _value_at(raw, path)
    if kind == "extra_forbidden":
        known = [key for key in keys_at(path[:-1])]
        near = nearest(str(path[-1]), [key for key in known if key not in _value_at(raw, path[:-1])])
        if near:
            mistakes.settled.add((*path[:-1], near))
        expected = or_list(known) if known else None
        mistakes.add(
            path,
            "this key is not known",
            repr(path[-1]),
            expected,
            f"perhaps {near!r} is meant" if near else None,
        )
    elif kind == "literal_error":
        known = error["ctx"]["expected"].replace("'", '"')
        near = nearest(str(value), [word.strip('"') for word in known.replace(" or ", ", ").split(", ")])
        mistakes.add(
            path,
            "this value is not known",
            _shown(value),
            known,
            f'perhaps "{near}" is meant' if near else None,
        )
    elif kind in ("missing", "too_long"):  # a pair with one value or three
        mistakes.add(path, "a pair is due here", f"{len(value)} values", "two values in square brackets")
    else:
        message, expected = _WANTED.get(kind, ("this value cannot be used", error["msg"]))
        is_single_table = kind == "list_type" and isinstance(value, dict)
        hint = f"write the header in double brackets, [[{dotted(path)}]]" if is_single_table else None
        mistakes.add(path, message, _shown(value), expected, hint)


def _prune(raw: Any, path: Path) -> None:
    """Take the smallest named value around `path` out of the tables."""
    while path and not isinstance(path[-1], str):
        path = path[:-1]
    try:
        del _value_at(raw, path[:-1])[path[-1]]
    except (KeyError, IndexError, TypeError):
        return  # a wider part of it went before


def read_sections(raw: dict[str, Any], mistakes: Mistakes) -> PlantFile:
    """Return the file's sections without what is wrong in them; each wrong key or value is noted once."""
    remaining = copy.deepcopy(raw)
    while True:
        try:
            return PlantFile.model_validate(remaining)
        except ValidationError as failure:
            seen: set[Path] = set()
            for error in failure.errors(include_url=False):
                path = _real_path(remaining, error["loc"])
                if path and path not in seen:
                    seen.add(path)
                    mistakes.settled.add(path)
                    _note(mistakes, remaining, error, path)
            for path in seen:
                _prune(remaining, path)
            if not seen:
                raise
