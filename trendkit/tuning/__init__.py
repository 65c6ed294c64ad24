"""Comes in: the figure table of one press (SI columns). Goes out: where its gravity belt should run.

Steady blocks and speed changes in sludge time -> the response of cake and capture, twice over -> a decision,
speeds in m/min, outcomes in %, money in the plant's currency.
"""

from trendkit.tuning.advice import tune
from trendkit.tuning.compare import Comparison, Effect, Power, compare
from trendkit.tuning.results import Gain, Identifiability, Recommended, Tuning
from trendkit.tuning.step_result import StepTest
from trendkit.tuning.step_sheet import read_step_sheet
from trendkit.tuning.step_test import CAUTIONS, plan_step_test, step_test_csv

__all__ = [
    "CAUTIONS",
    "Comparison",
    "Effect",
    "Gain",
    "Identifiability",
    "Power",
    "Recommended",
    "StepTest",
    "Tuning",
    "compare",
    "plan_step_test",
    "read_step_sheet",
    "step_test_csv",
    "tune",
]
