"""Worked examples from dewatering texts, recomputed with trendkit's own functions.

Every check names where its number comes from. "Value from memory": the printed answer is recalled, not read.
"Consistency check": the inputs are published, the answer is our own arithmetic, or inputs and answer are.
American examples use 8.34 lb/gal, 0.065 % below the exact factor used here; no tolerance is tighter than
that plus the rounding of the print.
"""

from __future__ import annotations

import pytest

from trendkit.plant.quantities import parse_quantity
from trendkit.plant.units import conversion
from trendkit.press.belts import belt_solids_kg_m2, belt_speed_ratio, cake_thickness_mm, gravity_drain_time_s
from trendkit.press.capture import (
    capture_balance,
    capture_cake_weighed,
    capture_concentration,
    capture_filtrate_metered,
    filtrate_by_balance_kg_h,
    solids_lost_kg_h,
    stream_solids_kg_h,
    suspended_solids_mg_l,
    wet_cake_by_balance_kg_h,
)
from trendkit.press.dose import polymer_active_kg_h, polymer_dose_kg_t
from trendkit.press.loading import feed_dry_solids_kg_h, hydraulic_loading_m3_h_m, solids_loading_kg_h_m

WATER = 1000.0  # kg/m3


def per_us(value: float, us_unit: str, si_unit: str) -> float:
    """Return an SI value in an American unit."""
    return value / conversion(us_unit, si_unit).factor


def gpm(flow: float) -> float:
    """Return gallons per minute as m3/h."""
    return parse_quantity(f"{flow} gpm", "m3/h")


# --- W1: belt press on digested sludge ------------------------------------------------------------------
# Inputs: textbook problem after Hammer & Hammer, Water and Wastewater Technology (author from memory): 5.0 %
# TS at # 45 gpm per metre, cake 24 %, 4.0 gpm/m of 0.20 % polymer, 32 gpm/m washwater, 64 gpm/m wastewater
# at 2200 mg/L SS, # 90,000 gal/d in 12 h on two presses. The answers were not readable: the checks below are
# consistency checks.


@pytest.fixture
def w1() -> dict[str, float]:
    feed = gpm(45)
    return {
        "feed_kg_h": feed * WATER,
        "solids": feed_dry_solids_kg_h(feed, 5.0),
        "added": gpm(4 + 32) * WATER,
        "lost": solids_lost_kg_h(stream_solids_kg_h(gpm(64), 2200.0)),
    }


def test_w1_solids_loading(w1: dict[str, float]) -> None:
    """Consistency check on the Hammer & Hammer inputs: 1125.9 lb/h per metre, to +/- 5."""
    loading = solids_loading_kg_h_m(w1["solids"], belt_width_m=1.0)
    assert per_us(loading, "lb/h", "kg/h") == pytest.approx(1125.9, abs=5)
    assert loading == pytest.approx(510.7, abs=2.3)


def test_w1_polymer_dose(w1: dict[str, float]) -> None:
    """Consistency check on the Hammer & Hammer inputs: 7.11 lb/ton, to +/- 0.05."""
    active = polymer_active_kg_h(parse_quantity("4 gpm", "L/h"), 0.20)
    dose = polymer_dose_kg_t(active, w1["solids"])
    assert per_us(dose, "lb/ton", "kg/t") == pytest.approx(7.11, abs=0.05)
    assert dose == pytest.approx(3.56, abs=0.025)


def test_w1_capture_from_metered_wastewater(w1: dict[str, float]) -> None:
    """Consistency check on the Hammer & Hammer inputs: 70.46 lb/h lost, capture 93.7 %."""
    assert per_us(w1["lost"], "lb/h", "kg/h") == pytest.approx(70.46, abs=0.1)
    assert capture_filtrate_metered(w1["solids"], w1["lost"]) == pytest.approx(93.7, abs=0.5)


def test_w1_wet_cake_of_a_day(w1: dict[str, float]) -> None:
    """Consistency check on the Hammer & Hammer inputs: 146,600 lb of cake a day, to 1 %."""
    share_of_day = 90_000 / (45 * 60)  # hours a press of one metre would need
    cake = (w1["solids"] - w1["lost"]) * share_of_day / 0.24
    assert per_us(cake, "lb", "kg") == pytest.approx(146_600, rel=0.01)
    assert capture_cake_weighed(cake / share_of_day, 24.0, w1["solids"]) == pytest.approx(93.7, abs=0.5)


def test_w1_water_does_not_close_by_a_tenth(w1: dict[str, float]) -> None:
    """Consistency check: 81 gpm/m in, 72.8 out by the problem's own meters, a gap of 10.1 %."""
    cake = (w1["solids"] - w1["lost"]) / 0.24
    by_balance = filtrate_by_balance_kg_h(w1["feed_kg_h"], w1["added"], cake)
    gap = (by_balance - gpm(64) * WATER) / (gpm(81) * WATER)
    assert 100 * gap == pytest.approx(10.1, abs=0.2)


def test_w1_other_forms_bracket_the_metered_one(w1: dict[str, float]) -> None:
    """Consistency check: three concentrations alone read 96.5 %, with the dilution 92.9 %."""
    assert capture_concentration(5.0, 24.0, 2200.0) == pytest.approx(96.5, abs=0.05)
    corrected = capture_balance(w1["feed_kg_h"], w1["solids"], 24.0, 2200.0, w1["added"])
    assert corrected == pytest.approx(92.9, abs=0.05)


def test_w1_width(w1: dict[str, float]) -> None:
    """Consistency check: 90,000 gal in 12 h at 45 gpm/m need 2.78 m of belt, so two presses of 1.5 m."""
    feed = 90_000 * conversion("gal", "m3").factor / 12.0
    assert feed / gpm(45) == pytest.approx(2.78, abs=0.005)
    assert hydraulic_loading_m3_h_m(feed / 2, 1.5) < gpm(45)


# --- W2: gravity belt thickener with washwater ----------------------------------------------------------
# Hicks, Handbook of Civil Engineering Calculations, gravity belt thickener example: 27,531 lb/week in 5 days
# of 6 h, # design loading 1000 lb/(h m), 5 % thickened, 900 mg/L filtrate, 16 gpm washwater; specific
# gravities 1.01 (feed), # 1.03 (thickened), 1.0 (filtrate); 58,000 gal/d on seven days.

W2_DRY_LB_D = 27_531 / 5


def w2_streams() -> tuple[float, float]:
    """Return thickened sludge and filtrate [gal/d] from the example's two printed equations."""
    # 5506 = 0.4295 S + 0.0075 F and 86,960 = S + F
    thickened = (5506 - 0.0075 * 86_960) / (0.4295 - 0.0075)
    return thickened, 86_960 - thickened


def test_w2_day_hour_and_width() -> None:
    """Hicks, printed: 5506 lb/d (2499.7 kg/d), 918 lb/h (416.8 kg/h), width 0.918 m."""
    kg_d = W2_DRY_LB_D * conversion("lb", "kg").factor
    assert pytest.approx(5506, abs=0.5) == W2_DRY_LB_D
    assert kg_d == pytest.approx(2499.7, rel=0.001)
    assert kg_d / 6 == pytest.approx(416.8, rel=0.002)
    design = parse_quantity("1000 lb/(h m)", "kg/h/m")
    assert kg_d / 6 / design == pytest.approx(0.918, abs=0.001)
    assert solids_loading_kg_h_m(kg_d / 6, 0.918) == pytest.approx(design, rel=0.001)


def test_w2_coefficients_of_the_solids_balance() -> None:
    """Hicks, printed: 0.4295 lb per gallon thickened, 0.0075 lb per gallon filtrate."""
    gallon = conversion("gal", "m3").factor
    thickened = feed_dry_solids_kg_h(gallon, 5.0, 1030.0)
    assert per_us(thickened, "lb", "kg") == pytest.approx(0.4295, rel=0.001)
    assert per_us(stream_solids_kg_h(gallon, 900.0), "lb", "kg") == pytest.approx(0.0075, abs=0.00005)


def test_w2_capture() -> None:
    """Consistency check on the printed equations: 11,502 and 75,458 gal/d, capture 89.7 %."""
    thickened, filtrate = w2_streams()
    assert thickened == pytest.approx(11_502, rel=0.001)
    assert filtrate == pytest.approx(75_458, rel=0.001)
    gallon = conversion("gal", "m3").factor
    fed = W2_DRY_LB_D * conversion("lb", "kg").factor
    lost = solids_lost_kg_h(stream_solids_kg_h(filtrate * gallon, 900.0))
    assert capture_filtrate_metered(fed, lost) == pytest.approx(89.7, rel=0.001)
    assert capture_cake_weighed(thickened * gallon * 1030.0, 5.0, fed) == pytest.approx(89.7, abs=0.15)


def test_w2_dilution_corrected_and_plain_concentrations() -> None:
    """Consistency check: by mass 89.6 %, by three concentrations alone 90.4 %."""
    gallon = conversion("gal", "m3").factor
    feed_kg = 81_200 * gallon * 1010.0
    fed = W2_DRY_LB_D * conversion("lb", "kg").factor
    added = 5_760 * gallon * WATER
    assert capture_balance(feed_kg, fed, 5.0, 900.0, added) == pytest.approx(89.6, abs=0.05)
    assert capture_concentration(100 * fed / feed_kg, 5.0, 900.0) == pytest.approx(90.4, abs=0.05)


def test_w2_hydraulic_loading() -> None:
    """Consistency check on the example's flows: 225.6 gpm on the one-metre belt chosen."""
    feed = 81_200 * conversion("gal", "m3").factor / 6.0
    assert per_us(hydraulic_loading_m3_h_m(feed, 1.0), "gpm/m", "m3/h/m") == pytest.approx(225.6, abs=0.1)


# --- W3: belt press sizing ------------------------------------------------------------------------------
# Metcalf & Eddy, Wastewater Engineering, 4th ed., belt filter press design example; all values from memory:
# 90 m3/d # at 3 %, 8 h/d and 5 d/week, 275 kg/(h m), cake 25 %, filtrate 900 mg/L, washwater 90 L/min per
# metre on a 2 m press.


def test_w3_solids_and_width() -> None:
    """Metcalf & Eddy, value from memory: 19,278 kg/week, 3856 kg/d, 482 kg/h, 1.75 m."""
    week = 7 * feed_dry_solids_kg_h(90.0, 3.0, 1020.0)
    assert week == pytest.approx(19_278, rel=0.001)
    assert week / 5 == pytest.approx(3856, rel=0.001)
    assert week / 40 == pytest.approx(482, rel=0.001)
    assert week / 40 / 275 == pytest.approx(1.75, abs=0.005)


def test_w3_capture_by_three_routes() -> None:
    """Metcalf & Eddy, value from memory: 95.3 % +/- 0.1; C4 95.33 and C1 97.35 are consistency checks."""
    fed, feed_kg = 3855.6, 126_000 * 1.02
    added = 2 * 90 * 480.0
    cake_l = (fed - 0.00091 * (126_000 + added)) / (0.2675 - 0.00091)
    filtrate_l = 126_000 + added - cake_l
    assert (cake_l, filtrate_l) == pytest.approx((13_740, 198_660), rel=0.001)
    lost = stream_solids_kg_h(filtrate_l / 1000.0, 900.0 * 1.01)
    assert capture_filtrate_metered(fed, lost) == pytest.approx(95.3, abs=0.1)
    assert capture_balance(feed_kg, fed, 25.0, 900.0, added) == pytest.approx(95.33, abs=0.02)
    assert capture_concentration(3.0, 25.0, 900.0) == pytest.approx(97.35, abs=0.01)


def test_w3_hours_at_peak() -> None:
    """Metcalf & Eddy, value from memory: 10 h/d for a three-day peak of twice the solids."""
    peak = 2 * feed_dry_solids_kg_h(90.0, 3.0, 1020.0)
    assert peak / (275 * 2.0) == pytest.approx(10.0, abs=0.05)
    assert solids_loading_kg_h_m(peak / 10.0, 2.0) == pytest.approx(275, rel=0.002)


# --- W4 and W5: chemicals in the cake -------------------------------------------------------------------


def test_w4_lime_and_ferric_in_cake() -> None:
    """UFC 3-280-03, Example 1, printed: 1060 kg/d fed, 1039 kept, 106 + 53 chemicals, 1198 kg/d, cake 3.1
    m3/d.

    The print's "1.00 x 53 = 120 kg/d" is a slip (120 is the pounds); its total uses 53.
    """
    fed = feed_dry_solids_kg_h(37.850, 2.0) * 7 / 5
    assert fed == pytest.approx(1060, rel=0.001)
    wet_cake = 1198 / 0.30
    assert capture_cake_weighed(wet_cake, 30.0, fed, chemical_solids_kg_h=106 + 53) == pytest.approx(98, abs=0.1)
    assert wet_cake / 1280 == pytest.approx(3.1, abs=0.05)
    assert parse_quantity("110 ft3", "m3") == pytest.approx(3.1, abs=0.05)


def test_w4_forgotten_chemicals_read_as_more_than_everything() -> None:
    """Consistency check on UFC 3-280-03, Example 1: chemicals left in make it 113 %, never clipped."""
    assert capture_cake_weighed(1198 / 0.30, 30.0, 1060.0) == pytest.approx(113.0, abs=0.1)


def test_w5_lime_and_polymer_in_cake() -> None:
    """UFC 3-280-03, Example 2, printed: 5600 kg/d, 95 % capture, total 5620 kg/d (12,370 lb/d), to 0.2 %."""
    fed = feed_dry_solids_kg_h(112.0, 5.0)
    assert fed == pytest.approx(5600)
    chemicals = 0.75 * (0.05 + 0.02) * fed
    assert capture_cake_weighed(5620.0, 100.0, fed, chemicals) == pytest.approx(95.0, rel=0.002)
    assert per_us(0.95 * fed + chemicals, "lb", "kg") == pytest.approx(12_370, rel=0.002)


# --- W6 to W9 -------------------------------------------------------------------------------------------


def test_w6_polymer_feed() -> None:
    """Operator-examination solution, printed: 111 gpm at 150 mg/L is 7 L/s, 1050 mg/s, 200 lb/d (+/- 0.5)."""
    flow = gpm(111)
    fed = stream_solids_kg_h(flow, 150.0)
    assert flow / 3.6 == pytest.approx(7.0, abs=0.05)
    assert per_us(24 * fed, "lb", "kg") == pytest.approx(200, abs=0.5)
    dose = polymer_dose_kg_t(fed, feed_dry_solids_kg_h(flow, 4.6))
    assert per_us(dose, "lb/ton", "kg/t") == pytest.approx(6.52, abs=0.01)  # consistency check


def test_w7_density_matters_when_percent_is_by_weight() -> None:
    """GATE examination item, printed: 2 % by weight (solids 2.2) at half volume is 3.96 %, not 4.00 %."""
    slurry = 1000.0 / (0.02 / 2.2 + 0.98)
    assert slurry == pytest.approx(1011.03, abs=0.01)
    solids = feed_dry_solids_kg_h(1.0, 2.0, slurry)
    assert 100 * solids / (slurry - 0.5 * WATER) == pytest.approx(3.96, abs=0.005)
    without_density = feed_dry_solids_kg_h(1.0, 2.0)
    assert 100 * without_density / (0.5 * WATER) == pytest.approx(4.00, abs=0.001)


def test_w8_wet_cake_of_a_digester() -> None:
    """Consistency check on a course problem: 900 m3/d, 1 %, half of 70 % destroyed, 25 % cake: 23.4 t/d."""
    raw = feed_dry_solids_kg_h(900.0, 1.0)
    digested = raw - 0.5 * 0.7 * raw
    assert digested == pytest.approx(5850)
    cake = wet_cake_by_balance_kg_h(900_000.0, digested, 25.0, 0.0, 0.0)
    assert cake / 1000 == pytest.approx(23.4, abs=0.01)


def test_w9_closure_of_a_solids_balance() -> None:
    """Spellman, mass balance, Example 13.1: inputs and the 10 % criterion; 6.35 % is a consistency check."""
    flow = parse_quantity("4.20 MGD", "m3/h")
    inflow, outflow = stream_solids_kg_h(flow, 252.0), stream_solids_kg_h(flow, 140.0)
    sludge = feed_dry_solids_kg_h(gpm(40) * 10 / 60, 4.2)
    in_lb_d, out_lb_d, sludge_lb_d = (per_us(24 * each, "lb", "kg") for each in (inflow, outflow, sludge))
    assert (in_lb_d, out_lb_d, sludge_lb_d) == pytest.approx((8827, 4904, 3363), rel=0.001)
    residual = 100 * (inflow - outflow - sludge) / inflow
    assert residual == pytest.approx(6.35, abs=0.05)
    assert residual < 10.0


# --- W10: operator problems -----------------------------------------------------------------------------
# Spellman, operator mathematics, belt press problems; every answer is a value from memory.


def test_w10_hydraulic_loading_per_foot() -> None:
    """Spellman, value from memory: 140,000 gal/d on a 60-inch belt is 19.4 gpm/ft."""
    loading = hydraulic_loading_m3_h_m(parse_quantity("140000 gpd", "m3/h"), parse_quantity("60 in", "m"))
    assert per_us(loading, "gpm/ft", "m3/h/m") == pytest.approx(19.4, abs=0.05)


def test_w10_solids_in_ten_hours() -> None:
    """Spellman, value from memory: 20,600 lb/d in 10 h/d is 2060 lb/h."""
    hourly = parse_quantity("20600 lb/d", "kg/h") * 24 / 10
    assert per_us(hourly, "lb/h", "kg/h") == pytest.approx(2060, rel=0.001)


def test_w10_solids_rate() -> None:
    """Spellman, value from memory: 120 gpm at 4 % is 2402 lb/h."""
    assert per_us(feed_dry_solids_kg_h(gpm(120), 4.0), "lb/h", "kg/h") == pytest.approx(2402, rel=0.001)


def test_w10_flocculant_rate_and_dose() -> None:
    """Spellman, value from memory: 3 gpm of 1 % is 15 lb/h; on 2000 lb/h of solids 15 lb/ton."""
    active = polymer_active_kg_h(parse_quantity("3 gpm", "L/h"), 1.0)
    assert per_us(active, "lb/h", "kg/h") == pytest.approx(15, abs=0.05)
    dose = polymer_dose_kg_t(parse_quantity("15 lb/h", "kg/h"), parse_quantity("2000 lb/h", "kg/h"))
    assert per_us(dose, "lb/ton", "kg/t") == pytest.approx(15.0, rel=1e-9)


def test_w10_suspended_from_total_and_filterable_residue() -> None:
    """Spellman, value from memory: 22,000 less 720 mg/L is 21,280 mg/L."""
    assert suspended_solids_mg_l(22_000.0, 720.0) == 21_280.0


# --- W11 and W12 ----------------------------------------------------------------------------------------


def test_w11_a_full_scale_press_of_80_gpm() -> None:
    """Inputs from a public utility's account; consistency checks: 1001 lb/h, 719 to 791 h a year."""
    hourly = feed_dry_solids_kg_h(gpm(80), 2.5)
    assert per_us(hourly, "lb/h", "kg/h") == pytest.approx(1001, rel=0.001)
    hours = [tons * conversion("ton", "kg").factor * 0.18 / hourly for tons in (2000, 2200)]
    assert hours == pytest.approx([719, 791], rel=0.002)


def test_w12_a_press_in_si() -> None:
    """Consistency check, constructed: one press through every formula."""
    feed, width = 30.0, 2.0
    solids = feed_dry_solids_kg_h(feed, 2.5, 1010.0)
    dose = polymer_dose_kg_t(polymer_active_kg_h(1500.0, 0.25), solids)
    cake = 0.95 * solids / 0.20
    assert hydraulic_loading_m3_h_m(feed, width) == 15.0
    assert solids == pytest.approx(757.5)
    assert solids_loading_kg_h_m(solids, width) == pytest.approx(378.75)
    assert dose == pytest.approx(4.950, abs=0.0005)
    assert per_us(dose, "lb/ton", "kg/t") == pytest.approx(9.901, abs=0.0005)
    assert cake == pytest.approx(3598.1, abs=0.05)
    assert capture_cake_weighed(cake, 20.0, solids) == pytest.approx(95.0)
    assert cake_thickness_mm(cake, width, 3.0, 950.0) == pytest.approx(10.52, abs=0.005)
    assert belt_solids_kg_m2(solids, width, 3.0) == pytest.approx(2.104, abs=0.0005)
    assert belt_solids_kg_m2(solids, width, 6.0) == pytest.approx(1.052, abs=0.0005)
    assert gravity_drain_time_s(3.0, 6.0) == 30.0
    assert belt_speed_ratio(6.0, 3.0) == 2.0
    # the layer first laid on the gravity belt is the hydraulic loading over the belt's speed: 41.7 mm
    assert 1000 * hydraulic_loading_m3_h_m(feed, width) / (60 * 6.0) == pytest.approx(41.7, abs=0.05)


# --- the forms of capture against each other ------------------------------------------------------------


@pytest.mark.parametrize("dilution, expected", [(0.0, 97.44), (0.5, 95.93), (0.7, 95.33), (1.0, 94.42)])
def test_c1_never_sees_the_washwater_that_c4_corrects_for(dilution: float, expected: float) -> None:
    """Consistency check: feed 3 %, cake 20 %, filtrate 900 mg/L; C1 stays at 97.44 %."""
    assert capture_concentration(3.0, 20.0, 900.0) == pytest.approx(97.44, abs=0.02)
    assert capture_balance(1000.0, 30.0, 20.0, 900.0, 1000.0 * dilution) == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize(
    "feed, cake, filtrate, points",
    [(3.0, 20.0, 1000.0, -0.29), (3.1, 20.0, 900.0, 0.10), (3.0, 21.0, 900.0, -0.02)],
    ids=["100 mg/L of filtrate", "0.1 % of feed", "1 point of cake"],
)
def test_c1_is_a_filtrate_test_scaled_by_the_feed(feed: float, cake: float, filtrate: float, points: float) -> None:
    """Consistency check: what a change of each sample does to C1, in points."""
    change = capture_concentration(feed, cake, filtrate) - capture_concentration(3.0, 20.0, 900.0)
    assert change == pytest.approx(points, abs=0.006)


def test_100_mg_l_weigh_more_with_dilution() -> None:
    """Consistency check: -0.52 point in C4 at a dilution of 0.7, where C1 shows -0.29."""
    before, after = (capture_balance(1000.0, 30.0, 20.0, each, 700.0) for each in (900.0, 1000.0))
    assert after - before == pytest.approx(-0.52, abs=0.01)
