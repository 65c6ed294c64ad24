"""What is typical of each role: words in tag names, usual readings, units met, what it moves with.

The usual readings are what belt filter presses run at (common practice; wider than any one press), never verdicts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

US, SI = "us", "si"


@dataclass(frozen=True)
class Clue:
    """One role: the stream and the quantity its tag names, readings usual at work (SI), units met, companions."""

    role: str
    streams: frozenset[str]  # concepts of which a name has one; empty where the quantity says all
    quantities: frozenset[str]
    usual: tuple[float, float] | None = None  # in the role's SI unit
    units: tuple[str, ...] = ()
    moves_with: tuple[str, ...] = ()  # roles

    @property
    def concepts(self) -> frozenset[str]:
        """All concepts at home in the role's names."""
        return self.streams | self.quantities


SYSTEM_OF: Mapping[str, str] = {
    "gal/min": US, "gal/h": US, "MGD": US, "degF": US, "lb/h": US, "lb": US, "ton/h": US, "psi": US, "ft/min": US,
    "lbf/in": US, "in": US, "m3/h": SI, "L/s": SI, "L/min": SI, "L/h": SI, "degC": SI, "kg/h": SI, "kg": SI, "t/h": SI,
    "kPa": SI, "bar": SI, "m/min": SI, "kN/m": SI, "mm": SI, "cm": SI,
}  # fmt: skip
_FLOW = ("gal/min", "m3/h", "L/s", "L/min")
_SPEED = ("ft/min", "m/min")


def _clue(
    role: str,
    streams: str,
    quantities: str,
    usual: tuple[float, float] | None = None,
    units: tuple[str, ...] = (),
    moves_with: tuple[str, ...] = (),
) -> Clue:
    def several(text: str) -> frozenset[str]:
        return frozenset(each for each in text.split(", ") if each)

    return Clue(role, several(streams), several(quantities), usual, units, moves_with)


CLUES: tuple[Clue, ...] = (
    _clue("feed_flow", "feed", "flow, rate", (3, 120), _FLOW, ("running",)),
    _clue("feed_solids", "feed", "solids", (0.4, 9), ("%TS", "g/L", "mg/L")),
    _clue("feed_temperature", "", "temperature, feed", (4, 60), ("degC", "degF")),
    _clue("feed_source", "", "source, feed"),
    _clue("filtrate_flow", "filtrate", "flow, rate", (3, 200), _FLOW, ("feed_flow", "washwater_flow")),
    _clue("filtrate_solids", "filtrate", "solids, suspended solids", (30, 9000), ("mg/L", "g/L"),
          ("filtrate_turbidity",)),
    _clue("filtrate_turbidity", "", "turbidity, filtrate", (5, 9000), ("NTU",), ("filtrate_solids",)),
    _clue("cake_solids", "cake", "solids", (10, 45), ("%TS",)),
    _clue("cake_rate", "cake", "rate, flow", (150, 12_000), ("lb/h", "kg/h", "ton/h", "t/h"), ("feed_flow",)),
    _clue("cake_weight", "cake", "total", None, ("lb", "kg", "ton", "t"), ("cake_rate",)),
    _clue("thickened_flow", "thickened", "flow, rate", (1, 60), _FLOW),
    _clue("thickened_solids", "thickened", "solids", (2, 14), ("%TS",)),
    _clue("polymer_flow", "polymer", "flow, rate, speed", (40, 9000), ("gal/h", "L/h", "gal/min", "L/min", "m3/h", "%"),
          ("feed_flow",)),
    _clue("polymer_strength", "polymer", "strength, solids", (0.04, 1.2), ("%",)),
    _clue("polymer_neat_flow", "polymer", "neat, flow, rate", (0.3, 60), ("gal/h", "L/h")),
    _clue("dilution_water_flow", "dilution", "flow, rate", (0.2, 15), _FLOW),
    _clue("washwater_flow", "wash", "flow, rate", (2, 50), _FLOW, ("washwater_pressure",)),
    _clue("washwater_pressure", "wash", "pressure", (200, 1200), ("psi", "kPa", "bar"), ("washwater_flow",)),
    _clue("washwater_solids", "wash", "solids, suspended solids", (1, 500), ("mg/L",)),
    _clue("gravity_belt_speed", "gravity", "speed", (2, 40), _SPEED, ("gravity_belt_setpoint",)),
    _clue("gravity_belt_setpoint", "gravity", "setpoint, speed", (2, 40), _SPEED, ("gravity_belt_speed",)),
    _clue("pressure_belt_speed", "pressure zone", "speed", (0.6, 12), _SPEED, ("pressure_belt_setpoint",)),
    _clue("pressure_belt_setpoint", "pressure zone", "setpoint, speed", (0.6, 12), _SPEED, ("pressure_belt_speed",)),
    _clue("gravity_drive_load", "gravity", "drive load", (3, 130), ("%",)),
    _clue("pressure_drive_load", "pressure zone", "drive load", (3, 130), ("%",)),
    _clue("belt_tension", "", "tension", (1, 14), ("lbf/in", "kN/m")),
    _clue("gravity_zone_depth", "gravity", "depth", (2, 250), ("in", "mm", "cm")),
    _clue("feed_spreader_speed", "", "spreader, speed, feed", (2, 300), ("rpm",)),
    _clue("mixer_speed", "", "mixer, speed", (20, 2000), ("rpm",)),
    _clue("power", "", "power", (0.5, 150), ("kW",), ("running",)),
    _clue("energy", "", "energy, total", None, ("kWh",), ("power",)),
    _clue("running", "", "running", None, (), ("feed_flow",)),
    _clue("mode", "", "mode"),
    _clue("belt_trip", "", "trip"),
)  # fmt: skip
STATES = frozenset({"running", "mode", "belt_trip", "feed_source"})
SWITCHES = frozenset({"running", "belt_trip"})
COUNTERS = frozenset({"cake_weight", "energy"})
SETPOINTS = frozenset({"gravity_belt_setpoint", "pressure_belt_setpoint"})
# A tag whose name has none of the first words is hardly of the role; the others only go with them.
TELLING: Mapping[str, str] = {
    "feed_temperature": "temperature", "feed_source": "source", "filtrate_turbidity": "turbidity",
    "feed_spreader_speed": "spreader", "mixer_speed": "mixer", "energy": "energy", "polymer_neat_flow": "neat",
}  # fmt: skip
# Units that say how a drive or pump is turned, not what it moves: the plant file needs their scale.
UNSCALED = {"Hz": ("gravity_belt_speed", "gravity_belt_setpoint", "pressure_belt_speed", "pressure_belt_setpoint"),
            "%": ("polymer_flow", "gravity_belt_speed", "pressure_belt_speed")}  # fmt: skip
