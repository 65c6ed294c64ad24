"""Unit factors as defined by the international yard and pound and the 231 cubic inch gallon.

Source: NIST Handbook 44, Appendix C, and NIST Special Publication 811, Appendix B (definitions from memory;
the factors follow from them exactly). The 8.34 convention: ABC formula table for certification examinations.
"""

from __future__ import annotations

import pytest

from trendkit.plant.quantities import parse_quantity
from trendkit.plant.units import conversion
from trendkit.press.capture import stream_solids_kg_h

EXACT = [
    ("gal", "L", 3.785411784),
    ("lb", "kg", 0.45359237),
    ("ton", "kg", 907.18474),
    ("t", "kg", 1000.0),
    ("gpm", "m3/h", 0.22712470704),
    ("gpm/m", "m3/h/m", 0.22712470704),
    ("lb/h/m", "kg/h/m", 0.45359237),
    ("lb/ton", "kg/t", 0.5),
    ("g/kg", "kg/t", 1.0),
    ("ft/min", "m/min", 0.3048),
    ("ft", "m", 0.3048),
    ("in", "mm", 25.4),
    ("mg/L", "mg/L", 1.0),
]
ROUNDED = [
    ("gpm", "L/s", 0.0630901964),
    ("psi", "kPa", 6.894757293),
    ("lbf/in", "kN/m", 0.1751268352),
    ("lb/ft3", "kg/m3", 16.01846337),
    ("hp", "kW", 0.745699872),
    ("kWh/ton", "kWh/t", 1.102311311),
    ("MGD", "m3/h", 157.7254910),
]


@pytest.mark.parametrize("unit, si, factor", EXACT)
def test_factors_that_are_exact_by_definition(unit: str, si: str, factor: float) -> None:
    assert conversion(unit, si).factor == pytest.approx(factor, rel=1e-15)


@pytest.mark.parametrize("unit, si, factor", ROUNDED)
def test_factors_printed_rounded(unit: str, si: str, factor: float) -> None:
    assert conversion(unit, si).factor == pytest.approx(factor, rel=1e-9)


def test_ten_pounds_a_ton_are_five_grams_a_kilogram() -> None:
    assert parse_quantity("10 lb/ton", "kg/t") == 5.0


def test_forty_pounds_an_inch_are_seven_kilonewtons_a_metre() -> None:
    assert parse_quantity("40 lbf/in", "kN/m") == pytest.approx(7.005, abs=0.0005)


def test_the_pounds_formula_is_8_345_and_the_conventional_8_34_is_0_065_percent_low() -> None:
    """One mg/L in one MGD, exactly 3.785411784 / 0.45359237 lb/d."""
    per_day = 24 * stream_solids_kg_h(parse_quantity("1 MGD", "m3/h"), 1.0) / conversion("lb", "kg").factor
    assert per_day == pytest.approx(8.345404452, rel=1e-9)
    assert 100 * (8.34 / per_day - 1) == pytest.approx(-0.065, abs=0.0005)


def test_temperatures_have_a_zero_point() -> None:
    assert parse_quantity("212 degF", "degC") == pytest.approx(100.0, abs=1e-9)
    assert parse_quantity("32 degF", "degC") == pytest.approx(0.0, abs=1e-9)
