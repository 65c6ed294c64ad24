"""What a review is held against, beside its targets: other periods, its own runs, and the review made before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from trendkit.plant.calendar import Period
from trendkit.press.results import Figure

if TYPE_CHECKING:
    from trendkit.upsets.run_charts import RunChart


@dataclass(frozen=True)
class HeldAgainst:
    """The period before, the same month a year before (None where it was not looked for) and the runs' charts.

    `year_figures` is empty when the archive holds nothing of `year_before`.
    """

    before: Period | None = None
    year_before: Period | None = None
    year_figures: Mapping[str, Figure] = field(default_factory=dict)
    charts: tuple[RunChart, ...] = ()
