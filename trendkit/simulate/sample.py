"""The sample plant: six invented weeks of two presses, written to `sample_exports/`, the same bytes each time.

Quillmark Bend reclamation works, from 2026-02-23, America/Denver, local times without offset; the clock
change of 2026-03-08 lies inside. BFP-1 (2.0 m) has every meter, BFP-2 (1.0 m) four. Seed: `SAMPLE_SEED`. What
happens on which day is written out in `EVENTS` and `FAULTS`: the bad cake day is 2026-03-18, when the
make-down skid's powder feeder starves and the polymer solution of both presses falls to under two thirds of
its strength from 08:15 on.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pandas as pd

from trendkit.simulate import bench
from trendkit.simulate.crew import Crew
from trendkit.simulate.disturbances import Event
from trendkit.simulate.export_files import Clock, write_exports
from trendkit.simulate.family import Household
from trendkit.simulate.faults import InstrumentFault
from trendkit.simulate.machine import Machine, Prices, Settings, Sludge, Station, Targets
from trendkit.simulate.meters import bare_meters, full_meters
from trendkit.simulate.operation import Grid, Routine, make_grid
from trendkit.simulate.plant import begin_life, lived
from trendkit.simulate.plant_file import plant_text
from trendkit.simulate.record import Recorded, record, streams_of
from trendkit.simulate.shapes import SHAPES
from trendkit.simulate.truth_files import write_truth

SAMPLE_SEED = 2026
FIRST_DAY, DAYS = date(2026, 2, 23), 42
TIMEZONE = "America/Denver"
NAME = "Quillmark Bend reclamation works"
BAD_DAY = date(2026, 3, 18)
TARGETS = Targets(cake_solids_pct=19.0, capture_pct=94.0)

SLUDGE = Sludge(
    feed_solids_pct=2.85,
    optimum_dose_kg_t=5.6,
    dose_width=0.85,
    cake_resistance_m_kg=5.6e8,
    equilibrium_solids=0.326,
    consolidation_m2_s=11.0e-9,
)
BIG = Household(
    Station(
        Machine(
            "BFP-1",
            "bfp-1",
            2.0,
            seal_height_mm=24.0,
            gravity_belt_resistance_1_m=3.0e8,
            free_water_rate_kg_m2_s=0.072,
            film_solids_kg_m2=0.003,
        ),
        SLUDGE,
        Settings(
            20.6,
            6.1,
            2.6,
            6.1,
            thickening_feed_m3_h=28.0,
            thickening_belt_m_min=9.5,
            thickening_dose_kg_t=5.2,
        ),
    ),
    Crew(speed_habit="varied", speed_spread=0.46),
    Routine(
        weekdays=(0, 1, 2, 3, 4, 5),
        start_hour=6.5,
        hours=9.5,
        thickening_weekdays=(1, 3),
        thickening_start_hour=18.5,
    ),
    Prices(),
    TARGETS,
)
SMALL = Household(
    Station(
        Machine(
            "BFP-2",
            "bfp-2",
            1.0,
            gravity_zone_length_m=3.6,
            pressure_zone_length_m=9.6,
            wedge_gaps=((0.0, 25.0), (0.3, 13.0), (0.6, 8.0), (1.0, 5.0)),
            conditioning_volume_m3=0.6,
            conditioning_tank_area_m2=0.45,
            feed_on_above_m3_h=1.0,
            seal_height_mm=25.0,
            gravity_belt_resistance_1_m=3.2e8,
            free_water_rate_kg_m2_s=0.08,
            washwater_m3_h=5.6,
            drives_kw=3.0,
            auxiliaries_kw=5.0,
        ),
        SLUDGE,
        Settings(9.8, 5.6, 2.5, 6.2, dilution_m3_h=0.8),
    ),
    Crew(speed_habit="varied", speed_spread=0.44),
    Routine(start_hour=7.0, hours=8.0),
    Prices(),
    TARGETS,
)


@dataclass(frozen=True)
class Planned:
    """An event or fault by plant day and hours, as a diary would have it."""

    what: str
    day: str
    from_hour: float
    to_hour: float
    severity: int = 1  # of events
    ramp_h: float = 0.0
    tag: str = ""  # of faults
    size: float = 0.0


EVENTS = {
    "bfp-1": (
        Planned("gravity_belt_fast", "2026-02-27", 10.5, 12.75, severity=3),
        Planned("feed_thin", "2026-03-03", 10.0, 12.5, severity=1, ramp_h=1.0),
        Planned("solids_overload", "2026-03-06", 9.25, 11.5, severity=2),
        Planned("polymer trial", "2026-03-09", 13.0, 15.5),
        Planned("belt_tracking", "2026-03-11", 11.2, 11.75, severity=2),
        Planned("polymer_weak", BAD_DAY.isoformat(), 8.25, 15.6, severity=2, ramp_h=0.75),
        Planned("washwater_loss", "2026-03-21", 9.0, 13.5, severity=2),
        Planned("planned feed reduction", "2026-03-24", 9.5, 13.0),
        Planned("belt_blinding", "2026-03-26", 9.0, 14.0, severity=2),
        Planned("unknown", "2026-03-28", 10.4, 10.8, severity=2),
        Planned("tension_loss", "2026-04-01", 10.0, 13.0, severity=2, ramp_h=1.5),
    ),
    "bfp-2": (
        Planned("hydraulic_overload", "2026-03-05", 10.0, 12.5, severity=2),
        Planned("polymer_weak", BAD_DAY.isoformat(), 8.25, 14.6, severity=2, ramp_h=0.75),
        Planned("polymer_loss", "2026-03-31", 10.5, 12.5, severity=2),
    ),
}
FAULTS = {
    "bfp-1": (
        Planned("gap", "2026-03-02", 9.6, 12.2, tag="BFP1_CAKE_TS"),
        Planned("spike", "2026-03-04", 11.3, 11.31, tag="BFP1_FEED_FLOW", size=2.4),
        Planned("frozen", "2026-03-12", 9.1, 33.5, tag="BFP1_FEED_TS"),
        Planned("duplicate", "2026-03-17", 10.0, 10.75, tag="*"),
        Planned("out_of_range", "2026-03-20", 8.5, 9.4, tag="BFP1_WASH_PRESS"),
        Planned("text_value", "2026-03-25", 12.0, 12.3, tag="BFP1_POLY_FLOW"),
        Planned("counter_reset", "2026-03-27", 13.0, 13.02, tag="BFP1_CAKE_TOTAL"),
        Planned("offset", "2026-03-30", 0.0, 150.0, tag="BFP1_FILT_TSS", size=0.25),
    ),
    "bfp-2": (Planned("bad_quality", "2026-03-13", 9.0, 10.2, tag="BFP2_FEED_FLOW"),),
}
READ_ME = f"""# Sample exports

Invented data of an invented plant, "{NAME}": six weeks from 2026-02-23, two belt filter presses, 1-minute
readings, made with seed {SAMPLE_SEED}. Every number and name is made up. To make them again, byte for byte:

    python -c "from trendkit.simulate import write_sample_exports; write_sample_exports('sample_exports')"

| file | what it is |
|---|---|
| `plant.toml` | the plant file: presses, tags, units, prices, targets, shifts |
| `bfp-1_*.csv.gz` | BFP-1 (2.0 m, fully metered): wide, one file a week, US units, plant time without offset |
| `bfp-2_*.csv.gz` | BFP-2 (1.0 m, few meters): long, with a quality column |
| `lab_*.csv` | the bench sheet, one file a month |

What happens in them: the clock changes on 2026-03-08; BFP-1 thickens on Tuesday and Thursday evenings; both
gravity belts are turned up and down on purpose, at times drawn by lot. The bad cake day is {BAD_DAY}: the
make-down skid starves and the polymer solution falls to about two thirds of its strength from 08:15 on. The
feed solids meter of BFP-1 stands still from 2026-03-12 09:06 to the next morning. Other upsets and instrument
faults are listed in `trendkit/simulate/sample.py`.
"""


def _seconds(grid: Grid, planned: Planned) -> tuple[float, float]:
    day = date.fromisoformat(planned.day)
    begins = grid.local_second(day, planned.from_hour)
    return begins, begins + (planned.to_hour - planned.from_hour) * 3600.0


def _events(grid: Grid, diary: tuple[Planned, ...]) -> tuple[Event, ...]:
    look_alikes = ("polymer trial", "planned feed reduction")
    return tuple(
        Event(each.what, *_seconds(grid, each), each.ramp_h * 3600.0, each.severity, each.what in look_alikes)
        for each in diary
    )


def _faults(grid: Grid, diary: tuple[Planned, ...], roles: dict[str, str]) -> tuple[InstrumentFault, ...]:
    return tuple(
        InstrumentFault(each.tag, roles.get(each.tag, ""), each.what, *_seconds(grid, each), each.size)
        for each in diary
    )


def _recorded(household: Household, days: int = DAYS) -> Recorded:
    slug = household.station.machine.slug
    grid = make_grid(FIRST_DAY, days, TIMEZONE)
    streams = streams_of(SAMPLE_SEED, slug)
    life = begin_life(household, grid, FIRST_DAY, days, 1.0, streams)
    press = lived(life, _events(grid, EVENTS[slug]))
    if slug == "bfp-1":
        usual = {"feed_flow": 28.0, "filtrate_flow": 42.0, "polymer_flow": 1450.0, "washwater_flow": 11.0}
        meters = full_meters("BFP1", "us", thickens=True, usual=usual)
        strength, grabs = "", 2
    else:
        meters = bare_meters("BFP2", "us", polymer_full_l_h=1900.0, gravity_full_m_min=12.4, pressure_full_m_min=6.2)
        strength, grabs = "0.25 %", 3
    roles = {meter.tag: meter.role for meter in meters}
    faults = _faults(grid, FAULTS[slug], roles)
    return record(press, meters, faults, SAMPLE_SEED, 60.0, grabs, has_slips=True, fixed_strength=strength)


def sample_plant() -> list[Recorded]:
    """Return both presses of the sample plant as recorded, with their truth."""
    return [_recorded(BIG), _recorded(SMALL)]


def write_sample_exports(folder: Path | str) -> None:
    """Write the sample plant's exports, bench sheets, plant file and read-me into `folder`."""
    out = Path(folder)
    out.mkdir(parents=True, exist_ok=True)
    for old in [*out.glob("bfp-*.csv.gz"), *out.glob("lab_*.csv")]:
        old.unlink()
    presses = sample_plant()
    for press, shape in zip(presses, ("wide-csv-gz", "long-quality-csv-gz"), strict=True):
        slug = press.lived.household.station.machine.slug
        write_exports(out, slug, press.spoilt, press.lived.history.grid, SHAPES[shape], Clock(TIMEZONE))
    _write_sheets(out, presses)
    text = plant_text(
        NAME,
        TIMEZONE,
        "us",
        [press.text for press in presses],
        Prices(),
        shifts=(("day", "06:00", "18:00"), ("night", "18:00", "06:00")),
        excludes=(("2026-03-09T13:00:00", "2026-03-09T15:30:00", "BFP-1", "supplier trial"),),
        lab_uncertainty=bench.STATED,
        lead="# The plant file of an invented plant; every name and number in it is made up.",
    )
    (out / "plant.toml").write_text(text, encoding="utf-8", newline="\n")
    (out / "README.md").write_text(READ_ME, encoding="utf-8", newline="\n")


def _write_sheets(out: Path, presses: list[Recorded]) -> None:
    sheet = pd.concat([press.sheet for press in presses], ignore_index=True)
    month = pd.DatetimeIndex(sheet["sampled_at"]).tz_convert(TIMEZONE).strftime("%Y-%m")
    for name in sorted(set(month)):
        bench.write_sheet(out / f"lab_{name}.csv", [sheet[month == name]], TIMEZONE)


TRUTH_COLUMNS = [
    "time",
    "press",
    "run",
    "phase",
    "mode",
    "feed_time",
    "feed_dry_solids_kg_h",
    "solids_loading_kg_h_m",
    "polymer_dose_kg_t",
    "capture_pct",
    "cake_solids_pct",
    "thickened_solids_pct",
    "filtrate_tss_mg_l",
    "dry_cake_kg_h",
    "wet_cake_kg_h",
    "feed_solids_pct",
    "gravity_belt_speed_m_min",
    "pressure_belt_speed_m_min",
    "filtrate_flow_m3_h",
]


def write_sample_truth(folder: Path | str) -> None:
    """Write the sample plant's truth, moving minutes and main columns alone so that it stays small."""
    out = Path(folder)
    write_truth(out, sample_plant())
    series = pd.read_parquet(out / "series.parquet")
    series = series.loc[series["phase"] != "stopped", TRUTH_COLUMNS]
    numbers = series.select_dtypes("float64").columns
    series.astype(dict.fromkeys(numbers, "float32")).to_parquet(out / "series.parquet", index=False, compression="zstd")
