"""Where the wedge's belts touch the cake: rules of thumb of the trade (no document behind them), and by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trendkit.plant.quantities import parse_quantity
from trendkit.press.belts import wedge_contact_pct

INCH = parse_quantity("1 in", "mm")


@pytest.mark.parametrize("closes_to_mm, meets_at", [(0.0, 0.625), (1.6, 0.667)])
def test_a_straight_wedge_of_an_inch_meets_the_cake_at_two_thirds_of_its_length(
    closes_to_mm: float, meets_at: float
) -> None:
    """Common practice: opening 25.4 mm, cake 9.5 mm (three eighths of an inch)."""
    contact = wedge_contact_pct(9.5, ((0.0, INCH), (1.2, closes_to_mm)))
    assert 1 - contact / 100 == pytest.approx(meets_at, abs=0.002)


def test_the_same_in_fractions_of_an_inch_is_exact() -> None:
    """Common practice: three eighths of an inch in a wedge from one inch to zero, and to a sixteenth."""
    assert wedge_contact_pct(0.375 * INCH, ((0.0, INCH), (1.0, 0.0))) == pytest.approx(37.5)
    assert wedge_contact_pct(0.375 * INCH, ((0.0, INCH), (1.0, INCH / 16))) == pytest.approx(100 / 3)


def test_a_curved_wedge_presses_over_its_whole_length() -> None:
    """Common practice: given as one pair with the cake's thickness."""
    assert wedge_contact_pct(9.5, ((0.0, 9.5),)) == 100.0


def test_a_wedge_too_wide_for_the_cake_never_touches_it() -> None:
    assert wedge_contact_pct(3.0, ((0.0, 25.0), (1.2, 4.0))) == 0.0
    assert wedge_contact_pct(3.0, ((0.0, 9.5),)) == 0.0


def test_a_wedge_of_two_slopes_is_followed_piece_by_piece() -> None:
    """Hand-checked: 25 to 10 mm over 1 m, 10 to 4 mm over 1 m; 7 mm of cake touch half of the second."""
    assert wedge_contact_pct(7.0, ((0.0, 25.0), (1.0, 10.0), (2.0, 4.0))) == pytest.approx(25.0)


def test_contact_of_a_series_keeps_index_and_nan() -> None:
    thickness = pd.Series([9.5, np.nan, 30.0], index=[3, 4, 5])
    contact = wedge_contact_pct(thickness, ((0.0, INCH), (1.0, 0.0)))
    assert contact.index.tolist() == [3, 4, 5]
    assert np.isnan(contact[4])
    assert contact[5] == 100.0
