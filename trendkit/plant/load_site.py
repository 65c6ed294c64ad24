"""Everything of the plant file that belongs to no single press: sections in, model parts in SI out."""

from __future__ import annotations

import re

from trendkit.errors import InputError
from trendkit.plant import bounds
from trendkit.plant.load_press import SharedMeter
from trendkit.plant.load_times import PlantTime, check_clock, check_zone
from trendkit.plant.mistakes import Mistakes
from trendkit.plant.model import Costs, Exclude, Lab, LabColumn, Shift, Source, Uncertainty
from trendkit.plant.quantities import parse_price, parse_uncertainty
from trendkit.plant.roles import LAB_POINTS, LAB_UNITS, ROLES
from trendkit.plant.schema import CostsSection, LabColumnSection, LabSection, PlantFile, SharedSection
from trendkit.plant.toml_lines import Path
from trendkit.plant.units import conversion

_SPLITTABLE = ("m3/h", "L/h", "kg/h", "kg", "kW", "kWh")
_PRICES = {
    "polymer": ("polymer_per_kg", "kg"),
    "haul": ("haul_per_t", "t"),
    "power": ("power_per_kwh", "kWh"),
    "water": ("water_per_m3", "m3"),
    "solids_return": ("solids_return_per_t", "t"),
    "press_hour": ("press_hour", "h"),
}
_WATER_KG_M3 = 1000.0


def build_sources(file: PlantFile, mistakes: Mistakes) -> tuple[Source, ...]:
    """Return the exports whose clock differs."""
    sources = []
    for number, section in enumerate(file.source):
        path = ("source", number)
        if not section.files:
            mistakes.missing((*path, "files"), 'a file pattern, as in "north_*.csv"')
        zone = section.timezone and check_zone((*path, "timezone"), section.timezone, True, mistakes)
        shift = mistakes.quantity((*path, "shift_clock"), section.shift_clock, "s", bounds.SHIFT_CLOCK)
        reading = (section.dates, section.decimal_mark, section.quality)
        sources.append(Source(section.files or "", zone or None, shift or 0.0, *reading))
    return tuple(sources)


def build_shifts(file: PlantFile, mistakes: Mistakes) -> tuple[Shift, ...]:
    """Return the named shifts."""
    shifts: list[Shift] = []
    for number, section in enumerate(file.shift):
        path = ("shift", number)
        if not section.name:
            mistakes.missing((*path, "name"), 'the shift\'s name, as in "day"')
        elif section.name in (shift.name for shift in shifts):
            mistakes.add((*path, "name"), "two shifts have this name", repr(section.name), "names that differ")
        start = check_clock((*path, "from"), section.start, mistakes)
        shifts.append(Shift(section.name or "", start, check_clock((*path, "to"), section.end, mistakes)))
    return tuple(shifts)


def build_costs(section: CostsSection | None, mistakes: Mistakes) -> Costs | None:
    """Return the prices per SI unit; None without a section."""
    if section is None:
        return None
    if section.currency is None:
        mistakes.missing(("costs", "currency"), 'three capital letters, as in "USD"')
        return None
    if not re.fullmatch(r"[A-Z]{3}", section.currency):
        mistakes.add(
            ("costs", "currency"),
            "this is no currency",
            repr(section.currency),
            'three capital letters, as in "USD"',
        )
        return None
    prices: dict[str, float] = {}
    for key, (field, unit) in _PRICES.items():
        text = getattr(section, key)
        if text is None:
            continue
        try:
            prices[field] = parse_price(text, section.currency, unit)
        except InputError as error:
            mistakes.adopt(("costs", key), error)
    return Costs(section.currency, **prices)


def _slug_of(path: Path, name: str, slugs: dict[str, str], mistakes: Mistakes) -> str | None:
    if name in slugs:
        return slugs[name]
    if name in slugs.values():
        return name
    mistakes.unknown(path, "press", name, slugs or ["(none)"])
    return None


def build_excludes(file: PlantFile, slugs: dict[str, str], clock: PlantTime, mistakes: Mistakes) -> tuple[Exclude, ...]:
    """Return the periods left out of means, in UTC."""
    excludes = []
    for number, section in enumerate(file.exclude):
        path = ("exclude", number)
        start = clock.moment((*path, "from"), section.start, mistakes)
        end = clock.moment((*path, "to"), section.end, mistakes)
        if not section.reason:
            mistakes.missing((*path, "reason"), "why, in a few words (the page lists it)")
        press = section.press and _slug_of((*path, "press"), section.press, slugs, mistakes)
        if start is None or end is None:
            continue
        if end <= start:
            mistakes.add((*path, "to"), "this period is empty", f"{section.start} to {section.end}", "to after from")
        excludes.append(Exclude(start, end, press or None, section.reason or ""))
    return tuple(excludes)


def _check_shared_role(section: SharedSection, path: Path, mistakes: Mistakes) -> None:
    splittable = [name for name, role in ROLES.items() if role.unit in _SPLITTABLE]
    if section.role is None:
        mistakes.missing((*path, "role"), "the role, as in washwater_flow")
    elif section.role in ROLES and section.role not in splittable:
        hint = "list the tag under each press instead: all of them see the same reading"
        expected = "a flow, a weight or a power"
        mistakes.add((*path, "role"), "this role cannot be split", repr(section.role), expected, hint)
    elif section.role not in splittable:
        mistakes.unknown((*path, "role"), "role", section.role, splittable)
    if section.split is None:
        mistakes.missing((*path, "split"), '"by_running_width" or "by_feed"')
    if section.role == "feed_flow" and section.split == "by_feed":
        message = "the feed cannot be split by itself"
        mistakes.add((*path, "split"), message, '"by_feed"', '"by_running_width"')


def _served(section: SharedSection, path: Path, slugs: dict[str, str], mistakes: Mistakes) -> tuple[str, ...]:
    """Return the slugs of the presses a shared meter serves."""
    if section.presses is None:
        mistakes.missing((*path, "presses"), "the presses it serves")
        return ()
    if len(set(section.presses)) < 2:
        found = ", ".join(section.presses) or "none"
        mistakes.add((*path, "presses"), "a shared meter serves two presses or more", found, "two names or more")
    places = [(*path, "presses", number) for number in range(len(section.presses))]
    found_slugs = [_slug_of(place, name, slugs, mistakes) for place, name in zip(places, section.presses, strict=True)]
    return tuple(dict.fromkeys(slug for slug in found_slugs if slug))


def build_shared(file: PlantFile, slugs: dict[str, str], mistakes: Mistakes) -> tuple[SharedMeter, ...]:
    """Return the meters serving several presses; a section with a mistake in it (noted) is left out."""
    meters: list[SharedMeter] = []
    taken: set[tuple[str | None, str]] = set()  # role and press
    for number, section in enumerate(file.shared):
        path = ("shared", number)
        noted = len(mistakes.found)
        _check_shared_role(section, path, mistakes)
        served = _served(section, path, slugs, mistakes)
        pairs = {(section.role, slug) for slug in served}
        if pairs & taken:
            message = "a press takes this role from two shared meters"
            mistakes.add((*path, "role"), message, repr(section.role), "one meter")
        if len(mistakes.found) == noted:
            meters.append(SharedMeter(path, section, served))
        taken |= pairs
    return tuple(meters)


def _lab_column(section: LabColumnSection, path: Path, mistakes: Mistakes) -> LabColumn | None:
    for key, expected in (
        ("header", "the column's header"),
        ("point", "a point"),
        ("analysis", "an analysis"),
        ("unit", "a unit"),
    ):
        if not getattr(section, key):
            mistakes.missing((*path, key), expected)
    if section.point and section.point not in LAB_POINTS:
        mistakes.unknown((*path, "point"), "lab point", section.point, LAB_POINTS)
    if section.analysis and section.analysis not in LAB_UNITS:
        mistakes.unknown((*path, "analysis"), "analysis", section.analysis, LAB_UNITS)
    elif section.analysis and section.unit:
        try:
            conversion(section.unit, LAB_UNITS[section.analysis], _WATER_KG_M3)
        except InputError as error:
            mistakes.adopt((*path, "unit"), error)
    if section.header and section.point and section.analysis and section.unit:
        return LabColumn(section.header, section.point, section.analysis, section.unit)
    return None


def _lab_uncertainty(section: LabSection, mistakes: Mistakes) -> dict[str, Uncertainty]:
    stated: dict[str, Uncertainty] = {}
    for analysis, text in section.uncertainty.items():
        path = ("lab", "uncertainty", analysis)
        if analysis not in LAB_UNITS:
            mistakes.unknown(path, "analysis", analysis, LAB_UNITS)
            continue
        try:
            stated[analysis] = parse_uncertainty(text, LAB_UNITS[analysis], _WATER_KG_M3)
        except InputError as error:
            mistakes.adopt(path, error)
    return stated


def build_lab(section: LabSection, slugs: dict[str, str], mistakes: Mistakes) -> Lab:
    """Return how the bench sheet is laid out."""
    zone = section.timezone and check_zone(("lab", "timezone"), section.timezone, True, mistakes)
    age = mistakes.quantity(("lab", "max_age"), section.max_age, "s", bounds.LAB_MAX_AGE)
    columns = [_lab_column(each, ("lab", "column", number), mistakes) for number, each in enumerate(section.column)]
    if section.layout == "wide":
        if not section.time:
            mistakes.missing(("lab", "time"), 'the header of the sampling time, as in "Date"')
        if not section.column:
            mistakes.missing(("lab", "column"), "a [[lab.column]] for each column with results")
        if not section.press and not section.press_column and len(slugs) > 1:
            expected = 'the press whose sheet it is, or press_column = "…", the header of the column that names it'
            mistakes.missing(("lab", "press"), expected)
    else:
        for key in ("time", "press", "press_column", "column"):
            if getattr(section, key):
                hint = 'write layout = "wide", or take this key out'
                mistakes.add(("lab", key), "this key belongs to the wide layout", expected='layout = "wide"', hint=hint)
    press = section.press and _slug_of(("lab", "press"), section.press, slugs, mistakes)
    only = next(iter(slugs.values())) if len(slugs) == 1 and section.layout == "wide" else None
    return Lab(
        files=section.files,
        timezone=zone or None,
        max_age_s=age or 8 * 3600.0,
        layout=section.layout,
        time_header=section.time,
        press=press or only,
        press_header=section.press_column,
        columns=tuple(column for column in columns if column is not None),
        uncertainty=_lab_uncertainty(section, mistakes),
    )
