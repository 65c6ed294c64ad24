"""What an invented press and its sludge are made of: plain numbers with their units in the names.

Magnitudes follow common practice for belt filter presses on anaerobically digested sludge; resistances are
calibrated so that a layer drains in the seconds a gravity zone really has.
"""

from __future__ import annotations

from dataclasses import dataclass

SOLIDS_DENSITY_KG_M3 = 1400.0  # dry sludge solids, common practice
WATER_DENSITY_KG_M3 = 1000.0


@dataclass(frozen=True)
class Machine:
    """One press: lengths in m, widths between the side seals in m, resistances in 1/m."""

    name: str
    slug: str
    belt_width_m: float
    gravity_zone_length_m: float = 4.2
    pressure_zone_length_m: float = 11.0  # the wedge inside it
    wedge_gaps: tuple[tuple[float, float], ...] = ((0.0, 25.0), (1.2, 4.0))  # (m along the wedge, gap in mm)
    rolls: tuple[tuple[float, float], ...] = (  # (radius in m, wrap in degrees), in the cake's order
        (0.40, 170.0),
        (0.30, 180.0),
        (0.25, 180.0),
        (0.20, 180.0),
        (0.16, 180.0),
        (0.13, 180.0),
        (0.11, 180.0),
    )
    conditioning_volume_m3: float = 1.2
    conditioning_tank_area_m2: float = 0.9
    cake_delay_s: float = 20.0
    feed_on_above_m3_h: float = 2.0
    seal_height_mm: float = 24.0  # the layer a gravity zone can hold at its probe before it spills
    gravity_belt_resistance_1_m: float = 3.0e8  # clean
    free_water_rate_kg_m2_s: float = 0.13  # free water the wedge lets out through clean belts
    rewet_kg_m2: float = 0.07  # water taken up per belt face at the end of the nips
    film_solids_kg_m2: float = 0.004  # fines that stay in the belts and go out with the wash
    thin_cake_mm: float = 2.2  # scale of the poor release of thin cakes
    washwater_m3_h: float = 11.0
    washwater_kpa: float = 620.0
    tension_kn_m: float = 6.3
    drives_kw: float = 5.5
    auxiliaries_kw: float = 9.0

    @property
    def wedge_length_m(self) -> float:
        """Length of the wedge, from its nip to its end."""
        return self.wedge_gaps[-1][0]


@dataclass(frozen=True)
class Sludge:
    """What the press has to work on; solids contents are mass fractions of wet mass unless marked percent."""

    feed_solids_pct: float = 2.9
    temperature_degc: float = 31.0
    optimum_dose_kg_t: float = 5.6  # active polymer per dry tonne of feed
    dose_width: float = 1.0  # how steeply floc weakens below the optimum, natural-log units
    cake_resistance_m_kg: float = 6.5e8  # at `reference_belt_solids_kg_m2`, well conditioned
    compressibility: float = 0.8  # power with which resistance rises with solids on the belt
    reference_belt_solids_kg_m2: float = 0.85
    self_weight_solids: float = 0.105  # what a layer of reference weight drains to under its own weight
    self_weight_power: float = 0.22
    equilibrium_solids: float = 0.30  # at 50 kPa, pressed to the end
    pressure_power: float = 0.15
    consolidation_m2_s: float = 6.0e-9
    creep_s: float = 24.0
    yield_solids: float = 0.062  # wetter than this the layer runs out between the belts
    base_loss: float = 0.02  # solids that pass the gravity belt when floc is strong
    weak_floc_loss: float = 0.18  # further share lost as floc strength goes from 1 to 0


@dataclass(frozen=True)
class Settings:
    """What the crew aims at in an ordinary hour."""

    feed_flow_m3_h: float
    gravity_belt_m_min: float
    pressure_belt_m_min: float
    dose_kg_t: float
    strength_pct: float = 0.25
    dilution_m3_h: float = 1.6
    thickening_feed_m3_h: float = 0.0  # 0: this press never thickens
    thickening_belt_m_min: float = 14.0
    thickening_dose_kg_t: float = 3.0


@dataclass(frozen=True)
class Prices:
    """Prices in USD, as the plant file states them."""

    polymer_per_kg: float = 4.10
    haul_per_t: float = 62.0
    power_per_kwh: float = 0.11
    water_per_m3: float = 0.60
    solids_return_per_t: float = 95.0
    press_hour: float = 38.0


@dataclass(frozen=True)
class Targets:
    """Dewatering limits of the plant file."""

    cake_solids_pct: float = 19.0
    capture_pct: float = 93.0
    dose_kg_t: float = 9.0
    solids_loading_kg_h_m: float = 450.0
    hydraulic_loading_m3_h_m: float = 16.0


@dataclass(frozen=True)
class Station:
    """One press with its sludge and the crew's ordinary settings: all that is needed to simulate it."""

    machine: Machine
    sludge: Sludge
    settings: Settings
