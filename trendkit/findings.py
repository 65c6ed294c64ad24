"""What is wrong with the data itself: one finding per tag, fault and span (contract, section 4)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import pandas as pd

Fault = Literal[
    "gap",
    "bad_quality",
    "frozen",
    "spike",
    "out_of_range",
    "offset",
    "drift",
    "clock_shift",
    "duplicate",
    "text_value",
    "counter_reset",
    "unit_suspect",
]


@dataclass(frozen=True)
class Finding:
    """One instrument or export fault: where, when, what it looks like and what it does to the figures."""

    press: str | None  # slug; None when the tag serves no single press
    tag: str
    role: str | None  # role or free name
    fault: Fault
    start_utc: pd.Timestamp
    end_utc: pd.Timestamp  # exclusive
    effect: str  # "left out of 212 minutes of feed_solids", in plain words
    evidence: str = ""  # the numbers that show it
    count: int = 1  # rows, or samples, concerned
