"""What every page says about itself: which press, which period, which inputs, what is wrong with the
readings.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from trendkit.exports.block import InputFile
from trendkit.findings import Finding
from trendkit.plant.calendar import Period
from trendkit.plant.model import Exclude, Plant, Press


@dataclass(frozen=True)
class PageContext:
    """The frame around one page: plant, press, period, inputs and the faults found in the readings.

    `covered_share` is the share of the period's bins with a good feed-flow reading, 0 to 1. `excluded` are
    the plant file's exclusions that fall in the period. `lab` is the press's bench sheet as
    `exports.read_lab` frames it, None when there is none.
    """

    plant: Plant
    press: Press
    period: Period
    covered_share: float
    inputs: tuple[InputFile, ...] = ()
    findings: tuple[Finding, ...] = ()
    excluded: tuple[Exclude, ...] = ()
    notes: tuple[str, ...] = ()
    lab: pd.DataFrame | None = None
