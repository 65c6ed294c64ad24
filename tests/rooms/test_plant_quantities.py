"""Quantities as people write them become SI; what could be misread is refused in one sentence."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trendkit.errors import InputError
from trendkit.plant.quantities import (
    display,
    parse_price,
    parse_quantity,
    parse_uncertainty,
    rounded,
    significant,
    unit_label,
)
from trendkit.plant.units import conversion, free_unit, unit_slug


@pytest.mark.parametrize(
    "text, unit, value",
    [
        ("250 gpm", "m3/h", 56.78117676),
        ("250 gal/min", "m3/h", 56.78117676),
        ("250 GPM", "m3/h", 56.78117676),
        ("1 MGD", "m3/h", 157.725491),
        ("1 MG/L", "mg/L", 1.0),
        ("12 m³/h", "m3/h", 12.0),
        ("12 M3/H", "m3/h", 12.0),
        ("4 L/s", "m3/h", 14.4),
        ("3 %TS", "percent", 3.0),
        ("3 % TS", "percent", 3.0),
        ("40 ft/min", "m/min", 12.192),
        ("40 fpm", "m/min", 12.192),
        ("40 lbf/in", "kN/m", 7.0050734),
        ("40 pli", "kN/m", 7.0050734),
        ("10 lb/ton", "kg/t", 5.0),
        ("5 g/kg", "kg/t", 5.0),
        ("1000 lb/(h m)", "kg/h/m", 453.59237),
        ("1000 lb/h/m", "kg/h/m", 453.59237),
        ("45 gpm/m", "m3/h/m", 10.2206118),
        ("2 ton/h", "kg/h", 1814.36948),
        ("2 t/h", "kg/h", 2000.0),
        ("100 psi", "kPa", 689.4757293),
        ("1 bar", "kPa", 100.0),
        ("68 degF", "degC", 20.0),
        ("68 °F", "degC", 20.0),
        ("-40 deg F", "degC", -40.0),
        ("1 hp", "kW", 0.745699872),
        ("1h", "s", 3600.0),
        ("10min", "s", 600.0),
        ("8 h", "s", 28800.0),
        ("0s", "s", 0.0),
        ("1.2e1 m", "m", 12.0),
        (".5 m", "m", 0.5),
        ("2.5", "", 2.5),
        ("30 rpm", "rpm", 30.0),
        ("900 NTU", "NTU", 900.0),
    ],
)
def test_texts_of_the_trade_become_si(text: str, unit: str, value: float) -> None:
    assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-8)


@pytest.mark.parametrize(
    "text, unit, value",
    [
        ("25 g/L", "percent", 2.5 / 1.01),
        ("25000 mg/L", "percent", 2.5 / 1.01),
        ("0.09 %", "mg/L", 909.0),
        ("900 ppm", "mg/L", 909.0),
        ("3 %", "percent", 3.0),  # a share stays a share whatever the density
        ("900 mg/L", "mg/L", 900.0),
    ],
)
def test_solids_by_volume_and_by_mass_meet_at_the_density(text: str, unit: str, value: float) -> None:
    assert parse_quantity(text, unit, density_kg_m3=1010.0) == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize(
    "text",
    [
        "5 long ton",
        "5 tonne",
        "5 UK ton",
        "5 metric ton",
        "5 short_ton",
        "5 mt",
        "5 T",
        "5 long-tons",
        "5 dry ton",
        "5 tn",
    ],
)
def test_every_ton_but_two_is_refused(text: str) -> None:
    with pytest.raises(InputError, match=r"this ton is not taken.*expected t \(1000 kg\) or ton \(2000 lb\)"):
        parse_quantity(text, "t")


@pytest.mark.parametrize(
    "text, unit, piece",
    [
        ("5", "m", "the unit is missing"),
        ("m", "m", "no number with a unit"),
        ("", "m", "no number with a unit"),
        ("2,0 m", "m", "decimal point"),
        ("1,200 mg/L", "mg/L", "no thousands mark"),
        ("1.2.3 m", "m", "no number with a unit"),
        ("1 2 m", "m", "no number with a unit"),
        ("60 Hz", "rpm", "measures something else"),
        ("60 Hz", "m/min", "measures something else"),
        ("5 m", "s", "such as 20 s, 10 min or 8 h"),
        ("25 g/L", "kg/t", "measures something else"),
        ("nan m", "m", "no number with a unit"),
        ("5 gmp", "m3/h", "perhaps 'gpm' is meant"),
        ("5 bananas", "m", "this unit is not known"),
        ("1h30", "s", "this unit is not known"),
        ("9**9**9 m", "m", "this unit is not known"),
        ("5 __import__('os')", "m", "this unit is not known"),
        ("5 MG", "m3", "milligrams or million gallons"),
    ],
)
def test_what_cannot_be_read_for_sure_is_refused(text: str, unit: str, piece: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_quantity(text, unit)
    assert piece in str(caught.value)


@given(st.text(max_size=30))
def test_any_text_is_read_or_refused_never_a_crash(text: str) -> None:
    try:
        value = parse_quantity(text, "m3/h")
    except InputError:
        return
    assert isinstance(value, float)


@pytest.mark.parametrize(
    "text, relative, absolute",
    [
        ("1 % of reading", 0.01, 0.0),
        ("0.5% of reading", 0.005, 0.0),
        ("2 gal/min", 0.0, 2 * 0.22712470704),
        ("0 m3/h", 0.0, 0.0),
    ],
)
def test_uncertainties_are_of_reading_or_in_a_unit(text: str, relative: float, absolute: float) -> None:
    stated = parse_uncertainty(text, "m3/h")
    assert (stated.relative, stated.absolute) == pytest.approx((relative, absolute))


def test_a_temperature_uncertainty_is_a_difference() -> None:
    assert parse_uncertainty("0.9 degF", "degC").absolute == pytest.approx(0.5)


def test_an_absolute_share_names_what_it_is_a_share_of() -> None:
    assert parse_uncertainty("0.1 %TS", "percent").absolute == 0.1
    assert parse_uncertainty("0.5 points", "percent").absolute == 0.5


@pytest.mark.parametrize("text", ["1 %", "1%", "1 percent", "3", "-1 % of reading", "1 % of range"])
def test_an_uncertainty_that_does_not_say_of_what_is_refused(text: str) -> None:
    with pytest.raises(InputError, match=r'"1 % of reading", or an absolute|is not known'):
        parse_uncertainty(text, "percent")


def test_prices_turn_into_si_the_other_way_round() -> None:
    assert parse_price("4.10 USD/kg", "USD", "kg") == 4.10
    assert parse_price("50 USD/ton", "USD", "t") == pytest.approx(50 / 0.90718474)
    assert parse_price("3 USD/gal", "USD", "m3") == pytest.approx(3 / 0.003785411784)


def test_a_conversion_is_a_line_so_that_arrays_can_follow_it() -> None:
    line = conversion("degF", "degC")
    assert line(212.0) == pytest.approx(100.0)
    assert line.factor * 212.0 + line.offset == pytest.approx(100.0)


@pytest.mark.parametrize(
    "unit, si",
    [
        ("gpm", "m3/h"),
        ("psi", "kPa"),
        ("A", "A"),
        ("mV", "V"),
        ("degF", "degC"),
        ("pH", "pH"),
        ("%", "percent"),
        ("in", "mm"),
    ],
)
def test_free_tags_are_kept_in_the_si_unit_of_their_dimension(unit: str, si: str) -> None:
    assert free_unit(unit) == si


def test_column_suffixes_come_from_units() -> None:
    assert [unit_slug(unit) for unit in ("m3/h", "percent", "kN/m", "degC", "uS/cm")] == [
        "m3_h",
        "pct",
        "kn_m",
        "degc",
        "us_cm",
    ]


# --- for people -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "si, column, us, label",
    [
        (10.0, "feed_flow_m3_h", 44.0287, "gpm"),
        (15.0, "hydraulic_loading_m3_h_m", 66.0430, "gpm/m"),
        (453.59237, "solids_loading_kg_h_m_rolling", 1000.0, "lb/h/m"),
        (453.59237, "dry_cake_kg_h", 1000.0, "lb/h"),
        (5.0, "polymer_dose_kg_t_low", 10.0, "lb/ton"),
        (3.048, "gravity_belt_speed_m_min", 10.0, "ft/min"),
        (0.90718474, "wet_cake_t", 1.0, "ton"),
        (3.785411784, "feed_volume_m3", 1000.0, "gal"),
        (689.4757293, "washwater_pressure_kpa", 100.0, "psi"),
        (7.0050734, "belt_tension_kn_m", 40.0, "lbf/in"),
        (20.0, "feed_temperature_degc", 68.0, "°F"),
        (25.4, "gravity_zone_depth_mm", 1.0, "in"),
        (95.0, "capture_pct", 95.0, "%"),
        (900.0, "filtrate_tss_mg_l", 900.0, "mg/L"),
        (2.0, "belt_speed_ratio", 2.0, ""),
        (100.0, "cost_per_dry_t", 90.718474, "per dry ton"),
        (100.0, "USD/t", 90.718474, "USD/ton"),
        (8.0, "press_hours", 8.0, "h"),
        (5.0, "kg/t", 10.0, "lb/ton"),
    ],
)
def test_american_readers_see_american_units(si: float, column: str, us: float, label: str) -> None:
    value, shown = display(si, column, "us")
    assert value == pytest.approx(us, rel=1e-5)
    assert shown == label


def test_si_readers_see_the_number_as_it_is() -> None:
    assert display(10.0, "feed_flow_m3_h", "si") == (10.0, "m³/h")
    assert unit_label("polymer_dose_kg_t", "si") == "kg/t"


@pytest.mark.parametrize(
    "column, written",
    [
        ("feed_flow_m3_h", "gal/min"),
        ("belt_tension_kn_m", "lbf/in"),
        ("washwater_pressure_kpa", "psi"),
        ("solids_loading_kg_h_m", "lb/h/m"),
        ("belt_solids_kg_m2", "lb/ft2"),
        ("washwater_m3_t", "gal/ton"),
        ("tank_upflow_m_h", "ft/h"),
        ("energy_kwh_t", "kWh/ton"),
        ("polymer_flow_l_h", "gal/h"),
    ],
)
def test_display_undoes_reading(column: str, written: str) -> None:
    """Consistency check: the display factors and pint's are two sources of the same conversion."""
    si = {"m3_h": "m3/h", "kn_m": "kN/m", "kpa": "kPa", "h_m": "kg/h/m", "kg_m2": "kg/m2", "m3_t": "m3/t"}
    si |= {"m_h": "m/h", "wh_t": "kWh/t", "l_h": "L/h"}
    unit = next(unit for suffix, unit in si.items() if column.endswith(suffix))
    assert display(parse_quantity(f"7 {written}", unit), column, "us")[0] == pytest.approx(7.0, rel=1e-9)


def test_a_series_stays_a_series_and_nan_stays_nan() -> None:
    speeds = pd.Series([3.048, np.nan], index=[5, 6])
    shown, _ = display(speeds, "gravity_belt_speed_m_min", "us")
    assert shown.index.tolist() == [5, 6]
    assert shown.iloc[0] == pytest.approx(10.0)
    assert np.isnan(shown.iloc[1])
    assert speeds.iloc[0] == 3.048


def test_a_step_in_temperature_has_no_zero_point() -> None:
    assert display(5.0, "feed_temperature_degc", "us", is_difference=True)[0] == pytest.approx(9.0)


@pytest.mark.parametrize(
    "value, low, high, text",
    [
        (95.314, 94.4, 96.1, "95.3"),
        (95.314, 93.0, 97.6, "95"),
        (95.314, 80.0, 110.0, "95"),
        (95.314, 75.0, 115.0, "100"),
        (944.1, 844.4, 1043.7, "940"),
        (5.31, 4.38, 6.39, "5.3"),
        (944.1, 846.1, 1042.1, "940"),
        (3.561, 3.41, 3.71, "3.6"),
        (0.04271, 0.0421, 0.0433, "0.0427"),
        (12345.0, 12100.0, 12600.0, "12\u202f300"),
        (12345.0, 11000.0, 13800.0, "12\u202f300"),
        (-0.3, -9.0, 9.0, "0"),
        (-2.34, -2.5, -2.2, "−2.3"),
        (1422.2, None, None, "1420"),
        (0.0, None, None, "0"),
        (5.0, 5.0, 5.0, "5.00"),
        (None, None, None, "–"),
        (float("nan"), 1.0, 2.0, "–"),
        (3.0, float("nan"), 4.0, "3.00"),
    ],
)
def test_no_digit_is_printed_that_the_limits_do_not_support(
    value: float | None, low: float | None, high: float | None, text: str
) -> None:
    assert significant(value, low, high) == text


def test_value_and_limits_end_at_the_same_place() -> None:
    assert rounded(20.18, 19.62, 20.77) == ("20.2", "19.6", "20.8")


@given(
    st.floats(-1e6, 1e6),
    st.floats(1e-4, 1e5),
)
def test_rounding_moves_a_number_by_at_most_half_its_half_width_and_a_quarter_from_one_on(
    value: float, half_width: float
) -> None:
    text = significant(value, value - half_width, value + half_width)
    shown = float(text.replace("\u202f", "").replace("−", "-"))
    most = 0.26 if half_width >= 0.95 else 0.55
    assert abs(shown - value) <= most * half_width * (1 + 1e-9) + 1e-9


def test_reading_no_plant_file_loads_neither_pint_nor_pydantic() -> None:
    code = "import sys, trendkit.plant.quantities; print({'pint', 'pydantic'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"
