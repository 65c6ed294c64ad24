"""Blocks of observations in; one regular grid per press out, with the share of good time and what was wrong.

Comes in: opened exports (`trendkit.exports`), readings in the export's own units, times in UTC. Goes out:
`PressGrid`: time-weighted bins in the SI units their columns name, NaN where less than half is good.
"""

from trendkit.series.build import build_grids
from trendkit.series.grid import PressGrid
from trendkit.series.kept_grids import grids_from_archive
from trendkit.series.lab_check import check_against_lab, compare_with_lab, paired_with_grabs
from trendkit.series.lab_stamps import mark_receipts
from trendkit.series.tag_quality import DayQuality, FaultTally, QualityAccount, TagQuality, account_for_tags

__all__ = [
    "DayQuality",
    "FaultTally",
    "PressGrid",
    "QualityAccount",
    "TagQuality",
    "account_for_tags",
    "build_grids",
    "check_against_lab",
    "compare_with_lab",
    "grids_from_archive",
    "mark_receipts",
    "paired_with_grabs",
]
