"""Running sums, averages and spreads of trendkit's own against the certified values of NIST's hardest univariate sets.

NIST Statistical Reference Datasets, univariate summary statistics: NumAcc1 to NumAcc4, constructed so that sums of squares
fail. Data by their construction, certified values in `nist_univariate.csv`: values from memory, proved below by
rational arithmetic (consistency check). NIST's count of correct digits is the log relative error. The digits demanded are what
double precision can hold of data that large: 15.65 digits less log10(mean / deviation) for a spread.
"""

import csv
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from trendkit.exports.block import Block
from trendkit.plant.model import Tag
from trendkit.press.rolling import trailing_ratio
from trendkit.press.uncertainty import exact, sum_by
from trendkit.series.accumulate import Accumulator
from trendkit.series.segments import Bins
from trendkit.tuning.blocks import _mean_between
from trendkit.tuning.regression import fit_by_day
from trendkit.upsets.charts import lag_one_correlation
from trendkit.upsets.normal import trailing_mean

with (Path(__file__).parent / "nist_univariate.csv").open(encoding="utf-8") as file:
    CERTIFIED = {row["set"]: row for row in csv.DictReader(file)}
SETS = sorted(CERTIFIED)
SECOND = 1_000_000
DOUBLE = -np.log10(np.finfo(float).eps)


def exactly(name: str) -> list[Fraction]:
    if name == "NumAcc1":
        return [Fraction(each) for each in (10000001, 10000003, 10000002)]
    base = {"NumAcc2": 1, "NumAcc3": 10**6, "NumAcc4": 10**7}[name]
    return [base + Fraction(2, 10)] + [base + Fraction(1 + 2 * (n % 2), 10) for n in range(1000)]


def values_of(name: str) -> np.ndarray:
    return np.array([float(each) for each in exactly(name)])


def certified(name: str, what: str) -> float:
    return float(CERTIFIED[name][what])


def digits(found: float, true: float) -> float:
    """Return NIST's log relative error: how many digits are right, at most 15."""
    return 15.0 if found == true else min(-np.log10(abs(found - true) / abs(true)), 15.0)


@pytest.mark.parametrize("name", SETS)
def test_the_certified_values_are_those_of_the_construction(name: str) -> None:
    """Consistency check, in rational numbers: no rounding anywhere."""
    x = exactly(name)
    mean = sum(x, Fraction(0)) / len(x)
    square = sum(((each - mean) ** 2 for each in x), Fraction(0))
    lagged = sum(((a - mean) * (b - mean) for a, b in pairwise(x)), Fraction(0))
    row = CERTIFIED[name]
    assert len(x) == int(row["observations"]) and mean == Fraction(row["mean"])
    assert square / (len(x) - 1) == Fraction(row["standard_deviation"]) ** 2
    assert lagged / square == Fraction(row["lag_one_autocorrelation"])


@pytest.mark.parametrize("name", SETS)
@pytest.mark.parametrize("dtype", [np.float64, np.float32])
def test_the_time_weighted_mean_of_readings_held_keeps_thirteen_digits(name: str, dtype: type) -> None:
    """Blocks into bins: a step tag read every second for n seconds; float32 readings lose only what they came without."""
    x = values_of(name).astype(dtype)
    tag = Tag("setpoint", "X", "x_m_min", "m/min", "m/min", "step")
    bins = Bins(0, len(x) * SECOND, 1)
    accumulator = Accumulator([("x", tag)], bins, 600.0)
    times = np.arange(len(x), dtype=np.int64) * SECOND
    for part in np.array_split(np.arange(len(x)), 3 if len(x) > 3 else 1):  # the carry from block to block too
        accumulator.add(Block(times[part], {"X": x[part].astype(np.float64)}, {}, {}))
    track = accumulator.finish()["x"]
    assert track.good_s[0] == len(x)
    found = float(track.sloped[0] / track.good_s[0])
    true = certified(name, "mean") if dtype is np.float64 else float(sum(map(Fraction, x.tolist())) / len(x))
    assert digits(found, true) >= 13.0


@pytest.mark.parametrize("name", SETS)
def test_means_from_running_sums_keep_ten_digits_at_the_end_of_a_long_record(name: str) -> None:
    """A record of a hundred thousand larger readings in front: the mean of the last ones is a difference of two large sums."""
    x = values_of(name)
    long = np.concatenate([np.full(100_000, x[0] + 1.0), x])
    last = len(long) - 1
    by_blocks = trailing_mean(long, None, len(x), 0, 1)[last]
    by_spans = _mean_between(long, np.array([last - len(x) + 1]), np.array([last]))[0]
    for found in (by_blocks, by_spans):
        assert digits(float(found), certified(name, "mean")) >= 10.0


@pytest.mark.parametrize("name", SETS)
def test_rolling_and_period_ratios_of_sums_keep_thirteen_digits(name: str) -> None:
    x = values_of(name)
    x = np.tile(x, 334) if len(x) == 3 else x
    ones = np.ones(len(x))
    run, on = np.zeros(len(x), dtype=np.int64), np.ones(len(x), dtype=bool)
    rolled = trailing_ratio(x, ones, on, run, 60.0, 60.0 * len(x))[-1]
    summed = sum_by(exact(x), run, 1, {}).value[0] / len(x)
    assert min(digits(float(each), certified(name, "mean")) for each in (rolled, summed)) >= 13.0


@pytest.mark.parametrize("name", SETS)
def test_level_and_scatter_by_regression_hold_all_the_digits_doubles_can(name: str) -> None:
    """A constant alone: its coefficient is the mean. Their residuals have the certified spread, less what the data lose in being doubles."""
    x = values_of(name)
    fit = fit_by_day(np.ones((len(x), 1)), x, np.zeros(len(x), dtype=np.int64), 1)
    assert digits(float(fit.coefficients[0]), certified(name, "mean")) >= 13.0
    spread = float(np.sqrt(fit.residual_variance))
    mean, deviation = certified(name, "mean"), certified(name, "standard_deviation")
    least = DOUBLE - 1.0 - np.log10(mean / deviation)  # one digit for the arithmetic, the rest is what the data hold
    assert digits(spread, certified(name, "standard_deviation")) >= least


@pytest.mark.parametrize("name", ["NumAcc2", "NumAcc3", "NumAcc4"])
def test_an_alternating_series_is_never_taken_for_one_that_remembers(name: str) -> None:
    """Certified lag one is -0.999; charts widen their limits for positive memory alone, so 0 is the right answer."""
    assert lag_one_correlation(values_of(name)) == 0.0


@pytest.mark.parametrize("name", ["NumAcc2", "NumAcc3", "NumAcc4"])
def test_the_memory_of_every_second_reading_is_seen_through_a_large_level(name: str) -> None:
    """Each reading twice: lag one is then (1 - 0.999) / 2, within 0.01; at a level of ten million as at one."""
    doubled = np.repeat(values_of(name), 2)
    assert lag_one_correlation(doubled) == pytest.approx((1.0 - 0.999) / 2.0, abs=0.01)
