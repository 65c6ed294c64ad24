"""A right plant file, and a way to write one with a few lines changed."""

from __future__ import annotations

from pathlib import Path

GOOD = """\
[plant]
name = "Quillmark Bend reclamation works"
timezone = "America/Denver"
day_starts_at = "07:00"
display_units = "us"

[[source]]
files = "north_*.csv"
timezone = "-07:00"
shift_clock = "-90 s"

[[shift]]
name = "day"
from = "07:00"
to = "19:00"

[costs]
currency = "USD"
polymer = "1.86 USD/lb"
haul = "62 USD/t"

[[press]]
name = "BFP-1"
belt_width = "2.0 m"
gravity_zone_length = "4.2 m"
pressure_zone_length = "11 m"
wedge_gaps = [["0 m", "25 mm"], ["1.2 m", "4 mm"]]
cake_delay = "20 s"

[press.filtrate]
meter = "with_wash"

[press.targets.dewatering]
cake_solids = { min = "19 %" }
polymer_dose = { max = "18 lb/ton" }

[press.tags.feed_flow]
tag = "BFP1_FEED_FLOW"
unit = "gal/min"
range = [0, 250]
uncertainty = "2 gal/min"

[press.tags.feed_solids]
tag = "BFP1_FEED_TS"
unit = "g/L"

[press.tags.filtrate_flow]
tag = "BFP1_FILTRATE"
unit = "gal"
kind = "counter"
counter_rolls_at = 1000000

[press.tags.filtrate_solids]
tag = "BFP1_FILTRATE_SS"
unit = "%"

[press.tags.gravity_belt_speed]
tag = "BFP1_GRAV_HZ"
unit = "Hz"
scale = [["0 Hz", "0 m/min"], ["60 Hz", "12.4 m/min"]]

[press.tags.belt_tension]
tag = "BFP1_TENSION"
unit = "psi"
scale = [["0 psi", "0 kN/m"], ["300 psi", "7 kN/m"]]
uncertainty = "3 psi"

[press.tags.running]
tag = "BFP1_RUN"
kind = "state"
on_values = ["RUN"]

[press.tags.polymer_pump_2]
tag = "BFP1_POLY2"
unit = "gal/h"

[press.fixed]
polymer_strength = { value = "2.5 g/L", uncertainty = "5 % of reading" }

[[press.change]]
from = 2026-03-16
reason = "new polymer"
set = { cake_density = "1040 kg/m3", fixed = { polymer_strength = { value = "0.3 %" } } }

[[press]]
name = "BFP-2"
belt_width = "1.0 m"
gravity_zone_length = "3 m"
pressure_zone_length = "8 m"
[press.tags.feed_flow]
tag = "BFP2_FEED_FLOW"
unit = "m3/h"

[[exclude]]
from = 2026-03-09T13:00:00
to = 2026-03-09T15:30:00
press = "BFP-1"
reason = "supplier trial"

[[shared]]
role = "washwater_flow"
tag = "WASH_FLOW"
unit = "gpm"
presses = ["BFP-1", "BFP-2"]
split = "by_feed"

[lab]
files = "lab*.csv"
max_age = "6 h"
[lab.uncertainty]
TS = "0.1 %TS"
TSS = "8 % of reading"
"""


def changed(*edits: tuple[str, str]) -> str:
    """Return the right plant file with the first place of each text replaced."""
    text = GOOD
    for old, new in edits:
        assert old in text, f"the plant file has no {old!r}"
        text = text.replace(old, new, 1)
    return text


def line_with(text: str, piece: str) -> int:
    """Return the number of the first line that holds a piece of text."""
    return next(number for number, line in enumerate(text.splitlines(), 1) if piece in line)


def write(folder: Path, text: str) -> Path:
    """Write a plant file into a folder and return its path."""
    path = folder / "plant.toml"
    path.write_text(text, encoding="utf-8")
    return path
