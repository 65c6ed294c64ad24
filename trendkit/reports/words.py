"""The words the pages use for figures, roles, causes, upsets and faults, each with a plain explanation.

Trade words only; whoever reads the page for the first time finds what each figure means beside it.
"""

from __future__ import annotations

from trendkit.plant.roles import ROLES

# figure or column -> (name, what it means in plain words)
FIGURES: dict[str, tuple[str, str]] = {
    "feed_volume_m3": ("Sludge fed", "volume pumped to the press"),
    "feed_dry_solids_t": ("Dry solids fed", "sludge fed times its solids content"),
    "dry_cake_t": ("Dry solids in cake", "dry solids that left as cake"),
    "wet_cake_t": ("Wet cake", "cake as hauled, water included"),
    "solids_returned_t": ("Dry solids sent back", "dry solids that left with the filtrate"),
    "polymer_kg": ("Polymer used", "active polymer, water and carrier not counted"),
    "washwater_m3": ("Washwater used", "belt wash, all phases"),
    "energy_kwh": ("Energy used", "all metered drives, all phases"),
    "capture_pct": ("Capture", "share of the dry solids fed that left in the cake"),
    "cake_solids_pct": ("Cake solids", "dry share of the cake by mass"),
    "thickened_solids_pct": ("Thickened solids", "dry share of the thickened sludge by mass"),
    "polymer_dose_kg_t": ("Polymer dose", "active polymer for each {ton} of dry solids fed"),
    "solids_loading_kg_h_m": ("Solids loading", "dry solids fed per hour and metre of belt width"),
    "hydraulic_loading_m3_h_m": ("Hydraulic loading", "sludge fed per metre of belt width"),
    "belt_speed_ratio": ("Belt speed ratio", "gravity belt speed divided by pressure belt speed"),
    "press_hours": ("Hours pressing", "hours with the feed on"),
    "run_hours": ("Hours moving", "hours with the belts moving, start-up and wash-down included"),
    "press_days": ("Days pressing", "plant days with at least 60 minutes pressing"),
    "cost_per_dry_t": ("Cost per dry {ton}", "for each dry {ton} that left in the cake"),
    "washwater_m3_t": ("Washwater per dry {ton}", "belt wash for each dry {ton} fed"),
    "energy_kwh_t": ("Energy per dry {ton}", "for each dry {ton} fed"),
    "feed_dry_solids_kg_h": ("Dry solids fed per hour", "feed flow times feed solids"),
    "filtrate_tss_mg_l": ("Filtrate solids", "suspended solids in the filtrate"),
    "dry_cake_kg_h": ("Dry cake per hour", "dry solids leaving as cake"),
    "wet_cake_kg_h": ("Wet cake per hour", "cake leaving, water included"),
    "gravity_drain_time_s": ("Drain time", "time the sludge spends on the gravity belt"),
    "belt_solids_kg_m2": ("Solids laid on the gravity belt", "dry solids on each area of gravity belt"),
    "cake_thickness_mm": ("Cake thickness", "at discharge, from the balance"),
    "wedge_contact_pct": ("Wedge contact", "share of the wedge in which both belts touch the cake"),
    "tank_upflow_m_h": ("Upflow in the conditioning tank", "rising speed of the sludge"),
    "cake_solids_meter_pct": ("Cake solids by meter", "as the instrument reads"),
    "thickened_solids_meter_pct": ("Thickened solids by meter", "as the instrument reads"),
}

COST_LINES = {
    "polymer": "Polymer",
    "polymer_per_kg": "Polymer",
    "haul": "Haul",
    "haul_per_t": "Haul",
    "power": "Power",
    "power_per_kwh": "Power",
    "water": "Washwater",
    "water_per_m3": "Washwater",
    "solids_return": "Solids sent back",
    "solids_return_per_t": "Solids sent back",
    "press_hour": "Press hours",
}

CAPTURE_METHODS = {
    "filtrate_metered": "metered filtrate",
    "balance": "filtrate by water balance",
    "cake_weighed": "weighed cake",
    "concentration": "the three concentrations",
}

KINDS = {
    "belt_trip": "belt trip",
    "press_stop": "press stopped",
    "wet_cake": "wet cake",
    "low_capture": "low capture",
    "ponding": "ponding in the gravity zone",
    "overload": "overload",
    "dose_off": "polymer dose off",
    "feed_swing": "feed swing",
    "belt_speed_off": "belt speed off",
    "washwater_low": "washwater low",
    "tension_low": "belt tension low",
}

CAUSES = {
    "feed_thin": "thin feed",
    "feed_thick": "thick feed",
    "solids_overload": "too much solids for the belt",
    "hydraulic_overload": "too much flow for the belt",
    "sludge_change": "a change in the sludge",
    "polymer_loss": "polymer lost",
    "polymer_weak": "polymer too weak",
    "polymer_excess": "too much polymer",
    "dilution_loss": "dilution water lost",
    "belt_blinding": "blinded belt",
    "washwater_loss": "washwater lost",
    "gravity_belt_fast": "gravity belt too fast",
    "gravity_belt_slow": "gravity belt too slow",
    "pressure_belt_fast": "pressure belt too fast",
    "pressure_belt_slow": "pressure belt too slow",
    "belt_slip": "slipping belt",
    "belt_tracking": "belt off track",
    "tension_loss": "belt tension lost",
    "unknown": "no cause these tags can show",
    "unexplained": "not explained",
}

FAULTS = {
    "gap": "no readings",
    "bad_quality": "marked bad by the source",
    "frozen": "stuck reading",
    "spike": "spikes",
    "out_of_range": "outside its range",
    "offset": "reads off by a constant",
    "drift": "drifting",
    "clock_shift": "clock out of step",
    "duplicate": "doubled times",
    "text_value": "text in place of a number",
    "counter_reset": "counter reset",
    "unit_suspect": "unit looks wrong",
}

# What to have looked at when a reading shows a fault (common practice of instrument upkeep).
FAULT_CHECKS = {
    "gap": "see whether the recorder, its link or the meter was off then",
    "bad_quality": "look at the transmitter and its loop: the source itself calls these readings bad",
    "frozen": "compare the meter with a grab or a gauge, clean the sensor, see whether its output is held",
    "spike": "look for loose terminals, air in the line or a poor ground",
    "out_of_range": "check the loop (an open one reads beyond its end), then the span against the plant file's range",
    "offset": "take a grab at the meter, calibrate, and see whether the sample point fits",
    "drift": "clean the sensor, then calibrate against grabs",
    "clock_shift": "compare the clocks with a watch; if one is off, set shift_clock for its source in the plant file",
    "duplicate": "export each span once; doubled readings count once",
    "text_value": "ask what the texts mean to the control system",
    "counter_reset": "find out when the counter was reset; one that rolls over needs counter_rolls_at",
    "unit_suspect": "check the meter's unit setting; a lasting change belongs in the plant file with its date",
}

_TON = {"us": "ton", "si": "tonne"}

SEVERITIES = {1: "1 slight", 2: "2 clear", 3: "3 severe"}

# Suffixes that carry a unit, longest first, for columns without a name of their own.
_UNIT_SUFFIXES = (
    "_m3_h_m", "_kg_h_m", "_m3_h", "_kg_h", "_l_h", "_mg_l", "_kg_m2", "_kg_t", "_m3_t", "_kwh_t", "_m_min",
    "_kn_m", "_m_h", "_degc", "_kwh", "_kpa", "_ntu", "_rpm", "_pct", "_utc", "_min", "_mm", "_m3", "_kw",
    "_kg", "_s", "_h", "_t",
)  # fmt: skip


def _spelled(name: str) -> str:
    text = name.replace("_", " ").strip()
    return text[:1].upper() + text[1:]


def figure_name(column: str, system: str = "si") -> str:
    """Return the page's name of a figure, role or free tag given by its column, without its unit.

    Examples
    --------
    >>> figure_name("solids_loading_kg_h_m"), figure_name("polymer_flow_l_h"), figure_name("polymer_flow")
    ('Solids loading', 'Polymer flow', 'Polymer flow')
    >>> figure_name("cost_per_dry_t", "us")
    'Cost per dry ton'
    >>> figure_name("cake_solids_pct_low")
    'Cake solids, lower limit'
    """
    for ending, words in (("_low", "lower limit"), ("_high", "upper limit")):
        if column.removesuffix(ending) in FIGURES and column.endswith(ending):
            return f"{figure_name(column.removesuffix(ending), system)}, {words}"
    if column in FIGURES:
        return FIGURES[column][0].format(ton=_TON[system])
    if column in ROLES:
        return _spelled(column)
    for suffix in _UNIT_SUFFIXES:
        if column.endswith(suffix):
            return _spelled(column.removesuffix(suffix))
    return _spelled(column)


def meaning(column: str, system: str = "si") -> str:
    """Return what a figure means in plain words; "" for a role, whose name says it."""
    return FIGURES[column][1].format(ton=_TON[system]) if column in FIGURES else ""


def said(table: dict[str, str], key: str) -> str:
    """Return the plain words for a key of one of the tables above, the key spelled out when it is not
    there.
    """
    return table.get(key, key.replace("_", " "))
