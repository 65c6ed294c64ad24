"""The plant file of an invented plant, written as a person would write it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from trendkit.simulate.family import Household
from trendkit.simulate.machine import Prices
from trendkit.simulate.meters import Meter

LEAD = "# An invented plant; every number in it is made up."


@dataclass(frozen=True)
class PressText:
    """What the plant file says of one press besides the household: its meters and how filtrate is metered."""

    household: Household
    meters: tuple[Meter, ...]
    feed_density_kg_m3: float
    fixed_strength: str = ""  # with unit, when the strength is not metered
    has_filtrate_meter: bool = True


def plant_text(
    name: str,
    timezone: str,
    display_units: str,
    presses: Iterable[PressText],
    prices: Prices,
    sources: Iterable[tuple[str, str, float]] = (),
    shifts: tuple[tuple[str, str, str], ...] = (("day", "06:00", "18:00"), ("night", "18:00", "06:00")),
    excludes: tuple[tuple[str, str, str, str], ...] = (),
    lab_uncertainty: dict[str, str] | None = None,
    lead: str = LEAD,
) -> str:
    """Return the text of a plant file.

    `shifts` are (name, from, to), `sources` (files, zone, seconds to add), `excludes` (from, to, press,
    reason).
    """
    lines = [lead, "[plant]", f'name = "{name}"', f'timezone = "{timezone}"', f'display_units = "{display_units}"', ""]
    for files, zone, added_s in sources:
        lines += ["[[source]]", f'files = "{files}"', f'timezone = "{zone}"', f'shift_clock = "{added_s:g}s"', ""]
    for shift, begins, ends in shifts:
        lines += ["[[shift]]", f'name = "{shift}"', f'from = "{begins}"', f'to = "{ends}"', ""]
    lines += _costs(prices)
    for press in presses:
        lines += _press(press)
    for begins, ends, press_name, reason in excludes:
        lines += [
            "[[exclude]]",
            f"from = {begins}",
            f"to = {ends}",
            f'press = "{press_name}"',
            f'reason = "{reason}"',
            "",
        ]
    return "\n".join([*lines, *_lab(timezone, lab_uncertainty or {})])


def _lab(timezone: str, uncertainty: dict[str, str]) -> list[str]:
    read = ["[lab]", 'files = "lab*.csv"', f'timezone = "{timezone}"', 'max_age = "8 h"', 'layout = "long"', ""]
    stated = (f'{key} = "{text}"' for key, text in uncertainty.items())
    return [*read, "[lab.uncertainty]", *stated, ""]


def _costs(prices: Prices) -> list[str]:
    return [
        "[costs]",
        'currency = "USD"',
        f'polymer = "{prices.polymer_per_kg:.2f} USD/kg"',
        f'haul = "{prices.haul_per_t:g} USD/t"',
        f'power = "{prices.power_per_kwh:.2f} USD/kWh"',
        f'water = "{prices.water_per_m3:.2f} USD/m3"',
        f'solids_return = "{prices.solids_return_per_t:g} USD/t"',
        f'press_hour = "{prices.press_hour:g} USD/h"',
        "",
    ]


def _press(press: PressText) -> list[str]:
    machine, targets = press.household.station.machine, press.household.targets
    gaps = ", ".join(f'["{place:g} m", "{gap:g} mm"]' for place, gap in machine.wedge_gaps)
    meter = "with_wash" if press.has_filtrate_meter else "none"
    lines = [
        "[[press]]",
        f'name = "{machine.name}"',
        f'belt_width = "{machine.belt_width_m:g} m"',
        f'gravity_zone_length = "{machine.gravity_zone_length_m:g} m"',
        f'pressure_zone_length = "{machine.pressure_zone_length_m:g} m"',
        f"wedge_gaps = [{gaps}]",
        f'conditioning_volume = "{machine.conditioning_volume_m3:g} m3"',
        f'conditioning_tank_area = "{machine.conditioning_tank_area_m2:g} m2"',
        f'cake_delay = "{machine.cake_delay_s:g} s"',
        f'feed_density = "{press.feed_density_kg_m3:g} kg/m3"',
        'cake_density = "1060 kg/m3"',
        f'feed_on_above = "{machine.feed_on_above_m3_h:g} m3/h"',
        "",
        "[press.filtrate]",
        f'meter = "{meter}"',
        'sample = "with_wash"',
        'wash_return = "joins"',
        "",
        "[press.polymer]",
        'strength_of = "solution"',
        "",
        "[press.targets.dewatering]",
        f'cake_solids = {{ min = "{targets.cake_solids_pct:g} %" }}',
        f'capture = {{ min = "{targets.capture_pct:g} %" }}',
        f'polymer_dose = {{ max = "{targets.dose_kg_t:g} kg/t" }}',
        f'solids_loading = {{ max = "{targets.solids_loading_kg_h_m:g} kg/h/m" }}',
        f'hydraulic_loading = {{ max = "{targets.hydraulic_loading_m3_h_m:g} m3/h/m" }}',
        "",
    ]
    for meter_ in press.meters:
        lines += _tag(meter_)
    fixed = _fixed(press)
    return [*lines, "[press.fixed]", *fixed, ""] if fixed else lines


def _fixed(press: PressText) -> list[str]:
    """Return what is not metered but known: the strength made up, the wash pump by its plate."""
    fixed = []
    if press.fixed_strength:
        fixed.append(f'polymer_strength = {{ value = "{press.fixed_strength}", uncertainty = "5 % of reading" }}')
    if not any(meter.role == "washwater_flow" for meter in press.meters):
        plate = round(press.household.station.machine.washwater_m3_h, 1)
        fixed.append(f'washwater_flow = {{ value = "{plate:g} m3/h", uncertainty = "10 % of reading" }}')
    return fixed


def _tag(meter: Meter) -> list[str]:
    lines = [f"[press.tags.{meter.role}]", f'tag = "{meter.tag}"']
    if meter.unit:
        lines.append(f'unit = "{meter.unit}"')
    lines.append(f'kind = "{meter.kind}"')
    if meter.scale:
        pairs = ", ".join(f'["{reading}", "{value}"]' for reading, value in meter.scale)
        lines.append(f"scale = [{pairs}]")
    if meter.range:
        lines.append(f"range = [{meter.range[0]:g}, {meter.range[1]:g}]")
    if meter.uncertainty:
        lines.append(f'uncertainty = "{meter.uncertainty}"')
    if meter.measured_by:
        lines.append(f'measured_by = "{meter.measured_by}"')
    if meter.kind == "state" and meter.role in ("running", "belt_trip"):
        lines.append('on_values = ["1"]')
    return [*lines, ""]
