"""The plant as every room reads it: frozen dataclasses, all numbers in the SI units their names carry.

Comes in: a checked plant file (`trendkit.plant.load_plant`). Goes out: `Plant`. Nothing here reads files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import pandas as pd

from trendkit.plant.roles import ROLES, Kind

QualityScheme = Literal["opc_da", "opc_ua", "one_is_good", "hundred_is_good", "words"]


@dataclass(frozen=True)
class Uncertainty:
    """Standard uncertainty of one reading: ``sqrt((relative * reading)**2 + absolute**2)``."""

    relative: float = 0.0  # fraction of the reading
    absolute: float = 0.0  # in the unit of the role's column
    is_assumed: bool = False  # the plant file gives none: the role table's value is used


@dataclass(frozen=True)
class Limit:
    """A target: the figure should stay at or above `low` and at or below `high`; None means no limit."""

    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Tag:
    """One tag of an export and how its numbers become the role's SI column.

    ``reading in unit`` -> straight lines of `scale` when given, else ``factor * reading + offset``.
    A rate role given as its counter (`is_counter_of_rate`) turns into the amount whose hourly rate the column
    holds: m3 for a column in m3/h, L for L/h, kg for kg/h.
    """

    name: str  # the role, or the free name
    tag: str  # the name in the export
    column: str  # the column in every table
    unit: str  # as written in the plant file; "" for a state
    si_unit: str  # pint unit of the column; "" for a state
    kind: Kind
    factor: float = 1.0
    offset: float = 0.0
    scale: tuple[tuple[float, float], ...] = ()  # (reading in `unit`, value in `si_unit`), increasing
    range: tuple[float, float] | None = None  # instrument range, in `unit`
    uncertainty: Uncertainty = Uncertainty()
    counter_rolls_at: float | None = None  # in `unit`
    is_counter_of_rate: bool = False  # a flow or weight role given as its counter
    on_values: tuple[str, ...] = ()  # states: texts that mean "on"; empty: the usual words
    mode_words: tuple[tuple[str, str], ...] = ()  # of the mode: (word in the export, mode it means)
    measured_by: Literal["drive", "belt"] | None = None
    split_among: tuple[str, ...] = ()  # slugs of the presses a shared meter serves
    split: Literal["by_running_width", "by_feed"] | None = None
    line: int | None = field(default=None, compare=False)  # of the plant file that names the tag

    @property
    def is_role(self) -> bool:
        """True when the name is one of the contract's roles, False for a free tag."""
        return self.name in ROLES


@dataclass(frozen=True)
class Fixed:
    """A role that is not metered: one value, in the role's SI unit; results say "assumed"."""

    role: str
    value: float
    uncertainty: Uncertainty = Uncertainty()


@dataclass(frozen=True)
class Filtrate:
    """How filtrate is metered and sampled, and where the belt wash goes."""

    meter: Literal["with_wash", "before_wash", "none"] = "none"
    sample: Literal["with_wash", "before_wash"] = "with_wash"
    wash_return: Literal["joins", "separate"] = "joins"


@dataclass(frozen=True)
class Change:
    """A dated setting: from `start_utc` on, `settings` (`Press` field names, SI) replace the earlier ones."""

    start_utc: pd.Timestamp
    reason: str
    settings: Mapping[str, Any]


@dataclass(frozen=True)
class Press:
    """One belt filter press: geometry, tags, targets. Lengths in m, widths in m, densities in kg/m3."""

    name: str
    slug: str
    belt_width_m: float
    gravity_zone_length_m: float
    pressure_zone_length_m: float
    feed_on_above_m3_h: float
    wedge_gaps: tuple[tuple[float, float], ...] = ()  # (position along the wedge in m, gap in mm)
    conditioning_volume_m3: float = 0.0
    conditioning_tank_area_m2: float | None = None
    cake_delay_s: float = 0.0
    feed_density_kg_m3: float = 1000.0
    cake_density_kg_m3: float = 1060.0
    filtrate: Filtrate = Filtrate()
    targets: Mapping[str, Mapping[str, Limit]] = field(default_factory=dict)  # mode -> column ("capture_pct") -> SI
    tags: Mapping[str, Tag] = field(default_factory=dict)  # role or free name -> Tag
    fixed: Mapping[str, Fixed] = field(default_factory=dict)  # role -> Fixed
    changes: tuple[Change, ...] = ()

    def at(self, time: pd.Timestamp) -> Press:
        """Return this press with every dated setting that is in force at `time` (UTC)."""
        changed = self
        for change in self.changes:
            if change.start_utc <= time:
                changed = replace(changed, **dict(change.settings))
        return changed

    def tag_spans(self, name: str) -> tuple[tuple[pd.Timestamp | None, Tag], ...]:
        """Return the tag of a role or free name with the UTC moment each version holds from, None = always.

        A dated setting may change a meter's span or unit; without one there is a single version.
        """
        spans: list[tuple[pd.Timestamp | None, Tag]] = [(None, self.tags[name])] if name in self.tags else []
        for change in self.changes:
            changed = change.settings.get("tags", {}).get(name)
            if changed is not None and (not spans or spans[-1][1] != changed):
                spans.append((change.start_utc, changed))
        return tuple(spans)

    def uncertainty_of(self, role: str) -> Uncertainty:
        """Return the standard uncertainty of a role's reading: the plant file's, else the role table's."""
        if role in self.fixed:
            return self.fixed[role].uncertainty
        if role in self.tags:
            return self.tags[role].uncertainty
        usual = ROLES[role]
        return Uncertainty(usual.relative_uncertainty, usual.absolute_uncertainty, is_assumed=True)


@dataclass(frozen=True)
class Source:
    """Exports whose clock differs from the plant's, or that leave open how they are to be read."""

    files: str
    timezone: str | None = None
    shift_clock_s: float = 0.0
    dates: Literal["day_first", "month_first"] | None = None
    decimal_mark: Literal[".", ","] | None = None
    quality: QualityScheme | None = None


@dataclass(frozen=True)
class Shift:
    """A named shift in plant time; one that ends at or before its start runs past midnight."""

    name: str
    start: str  # "07:00"
    end: str


@dataclass(frozen=True)
class Costs:
    """Prices in `currency`; None leaves the cost line out."""

    currency: str
    polymer_per_kg: float | None = None  # active polymer
    haul_per_t: float | None = None  # wet tonne of cake
    power_per_kwh: float | None = None
    water_per_m3: float | None = None
    solids_return_per_t: float | None = None  # dry tonne sent back
    press_hour: float | None = None  # hour feeding


@dataclass(frozen=True)
class Exclude:
    """A period left out of means, kept in totals; `press` is a slug, None for all presses."""

    start_utc: pd.Timestamp
    end_utc: pd.Timestamp
    press: str | None
    reason: str


@dataclass(frozen=True)
class LabColumn:
    """One column of a wide bench sheet."""

    header: str
    point: str
    analysis: str
    unit: str


@dataclass(frozen=True)
class Lab:
    """How the bench sheet is laid out; uncertainties are standard, per analysis, in its SI unit."""

    files: str | None = None
    timezone: str | None = None
    max_age_s: float = 8 * 3600.0
    layout: Literal["long", "wide"] = "long"
    time_header: str | None = None  # wide
    press: str | None = None  # wide: slug
    press_header: str | None = None  # wide, a sheet of several presses: the header of the column that names them
    columns: tuple[LabColumn, ...] = ()
    uncertainty: Mapping[str, Uncertainty] = field(default_factory=dict)


@dataclass(frozen=True)
class Plant:
    """The whole plant file, checked and in SI."""

    name: str
    timezone: str
    presses: tuple[Press, ...]
    path: Path
    sha256: str
    day_starts_at: str = "00:00"
    display_units: Literal["us", "si"] = "si"
    archive: Path = Path("archive")
    archive_url: str | None = None  # where the archive is at an address; `archive` has no meaning then
    rolling_window_s: float = 3600.0
    max_hold_s: float = 600.0
    sources: tuple[Source, ...] = ()
    shifts: tuple[Shift, ...] = ()
    costs: Costs | None = None
    excludes: tuple[Exclude, ...] = ()
    lab: Lab = Lab()
    tickets_files: str | None = None
    deliveries_files: str | None = None
    cautions: tuple[str, ...] = ()  # plain sentences: unusual but possible settings

    def press(self, name_or_slug: str) -> Press | None:
        """Return the press of that name or slug, None when the plant has none such."""
        for press in self.presses:
            if name_or_slug in (press.name, press.slug):
                return press
        return None
