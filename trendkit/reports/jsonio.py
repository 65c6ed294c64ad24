"""Plain JSON from results: null for what is not known, UTC times ending in Z, floats to six significant
digits.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

import numpy as np
import pandas as pd

SIGNIFICANT_DIGITS = 6


def iso_utc(moment: datetime) -> str:
    """Return a moment as ISO 8601 in UTC, to the second (to the millisecond where it has one).

    Examples
    --------
    >>> iso_utc(pd.Timestamp("2026-03-08T02:59:59-07:00"))
    '2026-03-08T09:59:59Z'
    """
    stamp = pd.Timestamp(moment).tz_convert("UTC").tz_localize(None)
    return stamp.isoformat(timespec="milliseconds" if stamp.microsecond else "seconds") + "Z"


def _plain_float(value: float) -> float | None:
    return float(f"{value:.{SIGNIFICANT_DIGITS}g}") if math.isfinite(value) else None


def plain(value: Any) -> Any:
    """Return `value` as JSON types only: NaN, NaT and infinities become None, times text, arrays lists.

    Raises
    ------
    TypeError
        For a type no JSON document of trendkit should hold.
    """
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, bool | str | np.bool_):
        return bool(value) if isinstance(value, np.bool_) else value
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return _plain_float(float(value))
    if isinstance(value, datetime):
        return iso_utc(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(key): plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [plain(each) for each in value]
    raise TypeError(f"no JSON form for {type(value).__name__}")


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a frame, in order, as JSON-ready dictionaries; the index is left out."""
    names = [str(name) for name in frame.columns]
    return [dict(zip(names, map(plain, row), strict=True)) for row in frame.itertuples(index=False, name=None)]


def json_text(document: Any, indent: int | None = 1) -> str:
    """Return `document` as JSON text with keys in the order given: the same input gives the same text.

    Examples
    --------
    >>> json_text({"value": float("nan"), "time": pd.Timestamp("2026-03-01T07:00Z")}, indent=None)
    '{"value": null, "time": "2026-03-01T07:00:00Z"}'
    """
    return json.dumps(plain(document), ensure_ascii=False, allow_nan=False, indent=indent)
