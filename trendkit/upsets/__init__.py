"""What went wrong on a press, when, how badly and why.

Comes in: the figure table of one press (UTC, SI units as its columns say), its bench samples and its data
faults. Goes out: `Upset` rows, the ledger as a frame (kg dry solids, plant currency) and the account of
one day.
"""

from trendkit.upsets.day import account_for_day
from trendkit.upsets.judging import JudgedMode
from trendkit.upsets.ledger import find_upsets, judge, ledger
from trendkit.upsets.results import (
    Cause,
    ComparedDay,
    Contribution,
    DayAccount,
    Difference,
    Move,
    Upset,
)
from trendkit.upsets.run_charts import RunChart, run_charts

__all__ = [
    "Cause",
    "ComparedDay",
    "Contribution",
    "DayAccount",
    "Difference",
    "JudgedMode",
    "Move",
    "RunChart",
    "Upset",
    "account_for_day",
    "find_upsets",
    "judge",
    "ledger",
    "run_charts",
]
