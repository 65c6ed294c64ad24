"""Upsets found before in the same figures, read back instead of searched for again."""

from __future__ import annotations

import hashlib
import json
import types
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, Union, get_args, get_origin, get_type_hints

import pandas as pd

import trendkit
from trendkit.archive.kept import keep, recall
from trendkit.jobs.reading import PressSeries
from trendkit.plant import Plant
from trendkit.upsets import Upset

_MOST = 48


def recall_upsets(folder: Path, series: PressSeries, plant: Plant) -> list[Upset] | None:
    """Return the upsets that were found in these very figures, None when they were never searched."""
    content = recall(_path(folder, series, plant))
    return None if content is None else [_read(Upset, each) for each in json.loads(content)]


def keep_upsets(folder: Path, series: PressSeries, plant: Plant, found: list[Upset]) -> None:
    """Keep the upsets found in these figures."""
    keep(_path(folder, series, plant), json.dumps([_plain(each) for each in found]).encode(), _MOST)


def _path(folder: Path, series: PressSeries, plant: Plant) -> Path:
    """Return where they are kept: named by all that decides them, figures, faults, plant file and version."""
    frame = series.table.frame
    told = [trendkit.__version__, plant.sha256, series.press.slug, list(map(str, frame.columns)), str(series.findings)]
    sign = hashlib.sha256(json.dumps(told).encode())
    sign.update(pd.util.hash_pandas_object(frame).to_numpy().tobytes())
    return folder / f"upsets-{sign.hexdigest()[:24]}.json"


def _plain(value: Any) -> Any:
    if is_dataclass(value):
        return {each.name: _plain(getattr(value, each.name)) for each in fields(value)}
    if isinstance(value, pd.Timestamp):
        return int(value.as_unit("us").asm8.astype("int64"))
    if isinstance(value, tuple | list):
        return [_plain(each) for each in value]
    return value.item() if hasattr(value, "item") else value


def _read(kind: Any, told: Any) -> Any:
    """Return a value of a type from its plain form."""
    if get_origin(kind) in (Union, types.UnionType):
        kind = next(each for each in get_args(kind) if each is not type(None))
        return None if told is None else _read(kind, told)
    if get_origin(kind) is tuple:
        return tuple(_read(get_args(kind)[0], each) for each in told)
    if isinstance(kind, type) and issubclass(kind, pd.Timestamp):
        return pd.Timestamp(told, unit="us", tz="UTC")
    if isinstance(kind, type) and is_dataclass(kind):
        hints = get_type_hints(kind)
        return kind(**{name: _read(hints[name], each) for name, each in told.items()})
    return told
