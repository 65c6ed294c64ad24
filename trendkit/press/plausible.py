"""Sanity bounds of a period's figures: what design handbooks have seen, said when a figure lies outside, no verdict.

Source: typical belt filter press data of Metcalf & Eddy, Wastewater Engineering, widened by EPA 625/1-87-014 and EPA
832-F-00-057 (values from memory). A plant's own history outranks them.
"""

from __future__ import annotations

from collections.abc import Mapping

from trendkit.press.results import Figure

# mode -> figure -> (low, high, unit as said, what it is, what to look at)
BOUNDS: dict[str, dict[str, tuple[float, float, str, str, str]]] = {
    "dewatering": {
        "cake_solids_pct": (10.0, 45.0, "%", "cake solids", "the unit and scale of the cake solids"),
        "capture_pct": (60.0, 100.0, "%", "capture", "feed and filtrate solids"),
        "polymer_dose_kg_t": (0.5, 20.0, "kg/t", "a polymer dose", "whether strength and dose are active or neat"),
        "solids_loading_kg_h_m": (45.0, 680.0, "kg/h/m", "a solids loading", "feed flow, feed solids and belt width"),
        "hydraulic_loading_m3_h_m": (1.5, 23.0, "m³/h/m", "a hydraulic loading", "feed flow and belt width"),
        "washwater_m3_t": (2.0, 150.0, "m³/t", "washwater for each dry tonne", "washwater flow and feed solids"),
    },
    "thickening": {
        "thickened_solids_pct": (2.0, 12.0, "%", "thickened solids", "the unit and scale of the thickened solids"),
        "capture_pct": (60.0, 100.0, "%", "capture", "feed and filtrate solids"),
        "polymer_dose_kg_t": (0.5, 15.0, "kg/t", "a polymer dose", "whether strength and dose are active or neat"),
        "hydraulic_loading_m3_h_m": (5.0, 60.0, "m³/h/m", "a hydraulic loading", "feed flow and belt width"),
    },
}


def implausible(by_mode: Mapping[str, Mapping[str, Figure]]) -> list[str]:
    """Return a sentence for each figure outside its sanity bound: value, bound and what to look at."""
    said = []
    for mode, bounds in BOUNDS.items():
        for name, (low, high, unit, what, look_at) in bounds.items():
            figure = by_mode.get(mode, {}).get(name)
            if figure is None or figure.value is None or low <= figure.value <= high:
                continue
            said.append(
                f"{what[:1].upper()}{what[1:]} of {figure.value:.3g} {unit} in {mode} lies outside {low:g} to {high:g} "
                f"{unit} (a sanity bound from handbooks, no verdict): check {look_at}."
            )
    return said
