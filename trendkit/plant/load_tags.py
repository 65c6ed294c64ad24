"""Tags, shared meters and fixed roles of the plant file: texts in, `Tag` and `Fixed` in SI out."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise

from trendkit.errors import InputError
from trendkit.plant.bounds import Bound
from trendkit.plant.mistakes import Mistakes, nearest, or_list
from trendkit.plant.model import Fixed, Tag, Uncertainty
from trendkit.plant.quantities import parse_uncertainty, unit_label
from trendkit.plant.roles import ROLES, TARGETS, Kind, Role
from trendkit.plant.schema import FixedSection, TagSection
from trendkit.plant.toml_lines import Path, line_of
from trendkit.plant.units import Conversion, conversion, free_unit, is_solids_percent, unit_slug

_WATER_KG_M3 = 1000.0
_BELT_SPEEDS = (
    "gravity_belt_speed",
    "gravity_belt_setpoint",
    "pressure_belt_speed",
    "pressure_belt_setpoint",
)
_SPEED_METERS = ("gravity_belt_speed", "pressure_belt_speed")
_SOLIDS = (
    "feed_solids",
    "filtrate_solids",
    "cake_solids",
    "thickened_solids",
    "polymer_strength",
    "washwater_solids",
)
_AMOUNT_OF_RATE = {"m3/h": "m3", "L/h": "L", "kg/h": "kg"}
_FREE_NAME = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")
_TABLE_COLUMNS = {"time", "feed_time", "press", "run", "phase", "mode", "capture_method"}

SEAM = (
    "time the belt: mark the seam, time N full turns at two or more drive settings, "
    "belt speed = belt length x N / time, "
    'then write scale = [["0 Hz", "0 m/min"], ["60 Hz", "12.4 m/min"]] with your own points; '
    "stand clear of the nip points, and guards and pull-cords stay in place"
)
TENSION = (
    'write scale = [["0 psi", "0 kN/m"], ["300 psi", "7 kN/m"]] with your own points, '
    "from the maker's tension chart or a load reading; "
    "a pressure alone does not say how cylinders and levers turn it into tension"
)
_DRAWDOWN = (
    "time a drawdown of the calibration column at two or more pump speeds, then write "
    'scale = [["0 %", "0 L/h"], ["100 %", "2400 L/h"]] with your own points'
)


def solids_density(name: str, feed_density_kg_m3: float, cake_density_kg_m3: float) -> float | None:
    """Return the density [kg/m3] that ties % and g/L of a solids role together, None for other roles."""
    if name not in _SOLIDS:
        return None
    if name == "cake_solids":
        return cake_density_kg_m3
    return feed_density_kg_m3 if name in ("feed_solids", "thickened_solids") else _WATER_KG_M3


def sane(role: Role) -> Bound | None:
    """Return a role's sanity range as a bound, None where it has none."""
    if role.sane_low is None or role.sane_high is None:
        return None
    return Bound(
        f"the {role.name.replace('_', ' ')} of a press",
        unit_label(role.unit, "si"),
        role.sane_low,
        role.sane_high,
    )


def _kind(name: str, section: TagSection, path: Path, mistakes: Mistakes) -> Kind | None:
    """Return what kind of tag it is, None when the one written (noted) cannot be."""
    if (*path, "kind") in mistakes.settled:
        return None
    role = ROLES.get(name)
    usual: Kind = role.kind if role else "analog"
    kind = section.kind or usual
    if role is None or kind == usual or (kind in ("analog", "step") and usual in ("analog", "step")):
        return kind
    if kind == "counter" and role.unit in _AMOUNT_OF_RATE:
        return kind
    hint = "only a flow or a weight may be given as its counter" if kind == "counter" else None
    mistakes.add((*path, "kind"), f"{name} cannot be of this kind", repr(kind), repr(usual), hint)
    return None


def _check_name(name: str, path: Path, mistakes: Mistakes) -> None:
    """Note a free name that is a misspelt role, clashes with a column or makes no column name."""
    if name in ROLES:
        return
    near = nearest(name, ROLES, cutoff=0.88)
    if near and not name[-1].isdigit():
        mistakes.settled.add((*path[:-1], near))
        mistakes.add(
            path,
            "this role is not known",
            repr(name),
            "a role",
            f"perhaps {near!r} is meant; else choose a freer name",
        )
    elif not _FREE_NAME.fullmatch(name) or name in _TABLE_COLUMNS:
        expected = "small letters, digits and single underscores, beginning with a letter, as in polymer_pump_2"
        mistakes.add(path, "this name cannot be a column", repr(name), expected)
    elif name in TARGETS:
        mistakes.add(path, "this name is that of a computed figure", repr(name), "a role or another name")


def _unit_hint(name: str, unit: str) -> str:
    if name in _BELT_SPEEDS:
        return SEAM
    if name == "belt_tension":
        return TENSION
    if name == "polymer_flow":
        return _DRAWDOWN
    si = unit_label(ROLES[name].unit, "si") if name in ROLES else "its unit"
    return f'if {unit!r} is right, write scale = [["low {unit}", "its {si}"], ["high {unit}", "its {si}"]]'


def _conversion(
    name: str, unit: str, si_unit: str, density: float | None, path: Path, mistakes: Mistakes
) -> Conversion | None:
    try:
        if is_solids_percent(unit) and name in ROLES and name not in _SOLIDS:
            expected = f"a unit of {name.replace('_', ' ')}, as in {unit_label(ROLES[name].unit, 'si')}"
            mistakes.add(path, "this unit is for solids", repr(unit), expected)
            return None
        return conversion(unit, si_unit, density)
    except InputError as error:
        problem = error.problems[0]
        hint, message = problem.hint, problem.message
        if message == "this unit measures something else":
            hint = _unit_hint(name, unit)
            if name in _BELT_SPEEDS:
                message = "a drive signal is not a belt speed without its scale"
            elif name == "belt_tension":
                message = "a pressure is not a belt tension without its scale"
        mistakes.add(path, message, problem.found, problem.expected, hint)
        return None


def _scale(
    section: TagSection,
    unit: str,
    si_unit: str,
    density: float | None,
    bound: Bound | None,
    path: Path,
    mistakes: Mistakes,
) -> tuple[tuple[float, float], ...]:
    points: list[tuple[float, float]] = []
    for number, (reading_text, value_text) in enumerate(section.scale or []):
        reading = mistakes.quantity((*path, number, 0), reading_text, unit)
        value = mistakes.quantity((*path, number, 1), value_text, si_unit, bound, density)
        if reading is None or value is None:
            return ()
        points.append((reading, value))
    if len(points) < 2:
        mistakes.add(path, "a scale needs two points or more", f"{len(points)}", 'pairs such as ["0 Hz", "0 m/min"]')
    elif any(later[0] <= earlier[0] for earlier, later in pairwise(points)):
        found = ", ".join(pair[0] for pair in section.scale or [])
        mistakes.add(path, "the readings of a scale must increase from point to point", found, "increasing readings")
    return tuple(points)


def _uncertainty(
    name: str,
    text: str | None,
    tag_unit: str,
    si_unit: str,
    density: float | None,
    slope: float | None,
    path: Path,
    mistakes: Mistakes,
) -> Uncertainty:
    """Return the stated uncertainty in the column's unit; the role table's, marked assumed, without one."""
    role = ROLES.get(name)
    if text is None:
        return (
            Uncertainty(role.relative_uncertainty, role.absolute_uncertainty, is_assumed=True)
            if role
            else Uncertainty()
        )
    try:
        return parse_uncertainty(text, si_unit, density)
    except InputError as error:
        if slope is not None:
            try:
                in_tag_unit = parse_uncertainty(text, tag_unit)
                return Uncertainty(in_tag_unit.relative, in_tag_unit.absolute * slope)
            except InputError:
                pass
        mistakes.adopt(path, error)
        return Uncertainty()


def _range(section: TagSection, path: Path, mistakes: Mistakes) -> tuple[float, float] | None:
    if section.range is not None and section.range[0] >= section.range[1]:
        found = f"[{section.range[0]:g}, {section.range[1]:g}]"
        mistakes.add(path, "an instrument range runs from low to high", found, "the lower number first")
    return section.range


def _refuse_misplaced(name: str, kind: Kind, section: TagSection, path: Path, mistakes: Mistakes) -> None:
    """Note keys that mean nothing for a tag of this kind."""
    reasons: dict[str, str | None] = {
        "unit": "a state has no unit" if kind == "state" and section.unit else None,
        "range": "a state has no range" if kind == "state" and section.range else None,
        "uncertainty": "a state has no uncertainty" if kind == "state" and section.uncertainty else None,
        "on_values": _on_values_misplaced(name, kind) if section.on_values else None,
        "mode_words": "only the mode has mode_words" if name != "mode" and section.mode_words else None,
        "counter_rolls_at": "only a counter rolls over" if kind != "counter" and section.counter_rolls_at else None,
        "measured_by": f"only {or_list(_SPEED_METERS)} is measured by drive or belt"
        if section.measured_by and name not in _SPEED_METERS
        else None,
    }
    if section.scale:
        reasons["scale"] = "a scale is for numbers" if kind == "state" else None
        reasons["scale"] = "a counter takes a unit, not a scale" if kind == "counter" else reasons["scale"]
    for key, reason in reasons.items():
        if reason:
            mistakes.add((*path, key), reason, hint="take this key out")


def _on_values_misplaced(name: str, kind: Kind) -> str | None:
    if kind != "state":
        return "only a state has on_values"
    return f"{name} is read by its words, not as on or off" if name in ("mode", "feed_source") else None


def _state(name: str, section: TagSection) -> Tag:
    words = tuple((word, mode) for mode, said in (section.mode_words or {}).items() for word in said)
    on_values = tuple(section.on_values or ())
    return Tag(name, section.tag or "", name, "", "", "state", on_values=on_values, mode_words=words)


def build_tag(name: str, section: TagSection, density: float | None, path: Path, mistakes: Mistakes) -> Tag | None:
    """Return one tag in SI, None where a mistake (noted) leaves it without a unit or a name."""
    _check_name(name, path, mistakes)
    if not section.tag:
        mistakes.missing((*path, "tag"), "the tag's name in the exports")
    kind = _kind(name, section, path, mistakes)
    if kind is None:
        return None
    _refuse_misplaced(name, kind, section, path, mistakes)
    said = [*(section.on_values or ()), *(word for each in (section.mode_words or {}).values() for word in each)]
    if "?" in said:
        key = "on_values" if section.on_values else "mode_words"
        mistakes.add((*path, key), "which words mean what is still to be said", '"?"', "its words, as in RUN")
    tag = None
    if kind == "state":
        tag = _state(name, section)
    elif not section.unit:
        mistakes.missing((*path, "unit"), "the unit of the exported numbers, as in gal/min")
    else:
        tag = _number(name, kind, section, section.unit, density, path, mistakes)
    return None if tag is None else replace(tag, line=line_of(mistakes.lines, (*path, "tag")))


def _slope(scale: tuple[tuple[float, float], ...]) -> float | None:
    """Return the mean steepness of a scale, None without one."""
    if len(scale) < 2 or scale[-1][0] <= scale[0][0]:
        return None
    return abs(scale[-1][1] - scale[0][1]) / (scale[-1][0] - scale[0][0])


def _number(
    name: str,
    kind: Kind,
    section: TagSection,
    unit: str,
    density: float | None,
    path: Path,
    mistakes: Mistakes,
) -> Tag | None:
    role = ROLES.get(name)
    si_unit = _si_unit(name, unit, path, mistakes)
    if si_unit is None:
        return None
    is_counter_of_rate = kind == "counter" and role is not None and si_unit in _AMOUNT_OF_RATE
    if section.scale is not None and kind != "counter":
        factors: Conversion | None = Conversion(1.0)
        bound = sane(role) if role else None
        scale = _scale(section, unit, si_unit, density, bound, (*path, "scale"), mistakes)
    else:
        target = _AMOUNT_OF_RATE[si_unit] if is_counter_of_rate else si_unit
        factors, scale = _conversion(name, unit, target, density, (*path, "unit"), mistakes), ()
    if factors is None:
        return None
    place = (*path, "uncertainty")
    return Tag(
        name=name,
        tag=section.tag or "",
        column=role.column if role else f"{name}_{unit_slug(si_unit)}",
        unit=unit,
        si_unit=si_unit,
        kind=kind,
        factor=factors.factor,
        offset=factors.offset,
        scale=scale,
        range=_range(section, (*path, "range"), mistakes),
        uncertainty=_uncertainty(name, section.uncertainty, unit, si_unit, density, _slope(scale), place, mistakes),
        counter_rolls_at=_rolls_at(section, path, mistakes) if kind == "counter" else None,
        is_counter_of_rate=is_counter_of_rate,
        measured_by=section.measured_by or ("drive" if name in _SPEED_METERS and scale else None),
    )


def _si_unit(name: str, unit: str, path: Path, mistakes: Mistakes) -> str | None:
    """Return the SI unit of a tag's column: the role's, or that of a free tag's own unit; None (noted) for no unit."""
    if name in ROLES:
        return ROLES[name].unit
    try:
        return free_unit(unit)
    except InputError as error:
        mistakes.adopt((*path, "unit"), error)
        return None


def _rolls_at(section: TagSection, path: Path, mistakes: Mistakes) -> float | None:
    rolls_at = section.counter_rolls_at
    if rolls_at is not None and rolls_at <= 0:
        mistakes.add((*path, "counter_rolls_at"), "a counter rolls over at a positive reading", f"{rolls_at:g}")
    return rolls_at


def build_fixed(
    role_name: str,
    section: FixedSection,
    is_metered: bool,
    density: float | None,
    path: Path,
    mistakes: Mistakes,
) -> Fixed | None:
    """Return one fixed role in SI, None where a mistake (noted) leaves it without a value."""
    role = ROLES.get(role_name)
    fixable = [name for name, each in ROLES.items() if each.kind in ("analog", "step") and name != "feed_flow"]
    if role is None or role_name not in fixable:
        mistakes.unknown(path, "role to fix", role_name, fixable)
        return None
    if is_metered:
        mistakes.add(path, f"{role_name} is both metered and fixed", hint="keep the tag or the fixed value")
    if section.value is None:
        mistakes.missing((*path, "value"), f'a value such as "1 {unit_label(role.unit, "si")}"')
        return None
    value = mistakes.quantity((*path, "value"), section.value, role.unit, sane(role), density)
    uncertainty = _uncertainty(
        role_name, section.uncertainty, role.unit, role.unit, density, None, (*path, "uncertainty"), mistakes
    )
    return None if value is None else Fixed(role_name, value, uncertainty)


def check_shared_names(tags: Mapping[str, Tag], path: Path, mistakes: Mistakes) -> None:
    """Note an export tag that plays two number roles of one press."""
    first_role: dict[str, str] = {}
    for name, tag in tags.items():
        if tag.kind == "state" or not tag.tag:
            continue
        if tag.tag in first_role:
            message = f"this tag is already {first_role[tag.tag]} of the same press"
            mistakes.add((*path, name, "tag"), message, repr(tag.tag), "another tag")
        first_role.setdefault(tag.tag, name)
