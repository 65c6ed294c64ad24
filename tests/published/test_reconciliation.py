"""Data reconciliation against the textbook's network of a heat exchanger with a bypass.

Source: Narasimhan and Jordache, Data Reconciliation and Gross Error Detection, 2000: the exchanger with bypass
(measured and reconciled flows of six streams) and the same with stream 2 four units too high (global test, test of
each measurement). Values from memory.
"""

import numpy as np
import pytest

from trendkit.press.reconcile import reconcile

NETWORK = np.array(  # splitter, exchanger, valve, mixer
    [
        [1, -1, -1, 0, 0, 0],
        [0, 1, 0, -1, 0, 0],
        [0, 0, 1, 0, -1, 0],
        [0, 0, 0, 1, 1, -1],
    ],
    dtype=float,
)
MEASURED = np.array([101.91, 64.45, 34.65, 64.20, 36.44, 98.88])
WITH_BIAS = np.array([101.91, 68.45, 34.65, 64.20, 36.44, 98.88])


def network(values):
    return NETWORK @ values, NETWORK


def test_all_flows_measured_are_reconciled_as_printed():
    found = reconcile(MEASURED, np.eye(6), network)
    assert found.values == pytest.approx([100.22, 64.50, 35.72, 64.50, 35.72, 100.22], abs=0.005)


def test_the_global_test_sees_the_bias_as_printed():
    found = reconcile(WITH_BIAS, np.eye(6), network)
    assert found.chi_square == pytest.approx(16.674, abs=0.0005)
    assert found.degrees_of_freedom == 4
    assert found.critical_chi_square == pytest.approx(9.488, abs=0.001)
    assert not found.closes


def test_the_measurement_test_names_the_stream_that_is_off_as_printed():
    found = reconcile(WITH_BIAS, np.eye(6), network)
    assert np.abs(found.statistics) == pytest.approx([1.2533, 3.2047, 0.4940, 2.0004, 1.6983, 2.4577], abs=0.0001)
    assert found.critical_statistic == pytest.approx(2.6310, abs=0.001)
    assert found.suspects() == (1,)


def test_unmeasured_flows_are_found_from_the_balances():
    """Consistency check by hand. Streams 3 to 5 unmeasured: 1 and 6 average, 2 stays as measured (its only checks are gone)."""

    def fewer(values):
        order = [0, 1, 5, 2, 3, 4]  # measured 1, 2, 6; then unmeasured 3, 4, 5
        return NETWORK[:, order] @ values, NETWORK[:, order]

    found = reconcile(MEASURED[[0, 1, 5]], np.eye(3), fewer, guess=np.full(3, 50.0))
    assert found.degrees_of_freedom == 1
    assert found.values == pytest.approx([100.395, 64.45, 100.395, 35.945, 64.45, 35.945], abs=0.001)
    assert np.isnan(found.statistics[1])
