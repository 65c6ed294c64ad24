"""One press of the plant file: its section in, `Press` in SI with its dated settings out."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from itertools import pairwise
from typing import Any

from trendkit.plant import bounds
from trendkit.plant.bounds import Bound
from trendkit.plant.load_tags import build_fixed, build_tag, check_shared_names, solids_density
from trendkit.plant.load_times import PlantTime
from trendkit.plant.mistakes import Mistakes
from trendkit.plant.model import Change, Filtrate, Fixed, Limit, Press, Tag
from trendkit.plant.quantities import unit_label
from trendkit.plant.roles import MODES, TARGETS
from trendkit.plant.schema import LimitSection, PressSection, SharedSection, TagSection
from trendkit.plant.toml_lines import Path

_FEED_ON_PER_M = 1.0  # m3/h per metre of width, the contract's default


@dataclass(frozen=True)
class SharedMeter:
    """One ``[[shared]]`` section with its place and the slugs it serves."""

    path: Path
    section: SharedSection
    slugs: tuple[str, ...]


_LONGEST_SLUG = 48  # a path of Windows holds 259 characters, and the slug may stand in it twice
_DEVICE = r"con|prn|aux|nul|com[0-9]|lpt[0-9]"  # Windows opens these instead of a file, whatever their ending


def press_slug(name: str) -> str:
    """Return the name as files and folders carry it; "" when no letter or digit is left.

    At most 48 characters, and never a name that Windows keeps for its devices.

    Examples
    --------
    >>> press_slug("BFP-1"), press_slug("Presse Süd (2)"), press_slug("AUX")
    ('bfp-1', 'presse-sud-2', 'aux-press')
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    slug = re.sub(r"[^a-z0-9]+", "-", plain.casefold()).strip("-")[:_LONGEST_SLUG].rstrip("-")
    return f"{slug}-press" if re.fullmatch(_DEVICE, slug) else slug


def build_press(
    section: PressSection,
    slug: str,
    shared: tuple[SharedMeter, ...],
    clock: PlantTime,
    path: Path,
    mistakes: Mistakes,
) -> Press | None:
    """Return the press with its dated settings in time order; None when a mistake (noted) spoils it."""
    noted_before = len(mistakes.found)
    press = _settings(section, slug, shared, path, mistakes)
    known = [(place, problem.message) for place, problem in mistakes.found[noted_before:]]
    changes = _changes(section, press, slug, shared, clock, path, known, mistakes)
    return None if press is None else replace(press, changes=changes)


def _settings(
    section: PressSection, slug: str, shared: tuple[SharedMeter, ...], path: Path, mistakes: Mistakes
) -> Press | None:
    def optional(key: str, unit: str, bound: Bound, default: float) -> float:
        value = mistakes.quantity((*path, key), getattr(section, key), unit, bound)
        return default if value is None else value

    width = mistakes.required((*path, "belt_width"), section.belt_width, "m", bounds.BELT_WIDTH)
    gravity = mistakes.required(
        (*path, "gravity_zone_length"), section.gravity_zone_length, "m", bounds.GRAVITY_ZONE_LENGTH
    )
    pressure = mistakes.required(
        (*path, "pressure_zone_length"), section.pressure_zone_length, "m", bounds.PRESSURE_ZONE_LENGTH
    )
    feed_density = optional("feed_density", "kg/m3", bounds.FEED_DENSITY, 1000.0)
    cake_density = optional("cake_density", "kg/m3", bounds.CAKE_DENSITY, 1060.0)
    tags = _tags(section, slug, shared, (feed_density, cake_density), path, mistakes)
    parts: dict[str, Any] = {
        "feed_on_above_m3_h": optional("feed_on_above", "m3/h", bounds.FEED_ON_ABOVE, _FEED_ON_PER_M * (width or 1.0)),
        "wedge_gaps": _wedge(section, pressure, (*path, "wedge_gaps"), mistakes),
        "conditioning_volume_m3": optional("conditioning_volume", "m3", bounds.CONDITIONING_VOLUME, 0.0),
        "conditioning_tank_area_m2": mistakes.quantity(
            (*path, "conditioning_tank_area"),
            section.conditioning_tank_area,
            "m2",
            bounds.CONDITIONING_TANK_AREA,
        ),
        "cake_delay_s": optional("cake_delay", "s", bounds.CAKE_DELAY, 0.0),
        "feed_density_kg_m3": feed_density,
        "cake_density_kg_m3": cake_density,
        "filtrate": _filtrate(section, tags, path, mistakes),
        "targets": _targets(section, (*path, "targets"), mistakes),
        "tags": tags,
        "fixed": _fixed(section, tags, (feed_density, cake_density), path, mistakes),
    }
    if width is None or gravity is None or pressure is None:
        return None
    return Press((section.name or slug).strip(), slug, width, gravity, pressure, **parts)


def _wedge(
    section: PressSection, pressure_zone_length_m: float | None, path: Path, mistakes: Mistakes
) -> tuple[tuple[float, float], ...]:
    points: list[tuple[float, float]] = []
    for number, (position_text, gap_text) in enumerate(section.wedge_gaps or []):
        position = mistakes.quantity((*path, number, 0), position_text, "m", bounds.WEDGE_POSITION)
        gap = mistakes.quantity((*path, number, 1), gap_text, "mm", bounds.WEDGE_GAP)
        if position is None or gap is None:
            return ()
        points.append((position, gap))
    if any(later[0] <= earlier[0] for earlier, later in pairwise(points)):
        found = ", ".join(pair[0] for pair in section.wedge_gaps or [])
        mistakes.add(path, "positions along the wedge must increase from point to point", found, "increasing positions")
    elif points and pressure_zone_length_m is not None and points[-1][0] > pressure_zone_length_m:
        found, expected = f"{points[-1][0]:g} m", f"at most {pressure_zone_length_m:g} m"
        mistakes.add(path, "the wedge lies inside the pressure zone and cannot be longer", found, expected)
    return tuple(points)


def _tags(
    section: PressSection,
    slug: str,
    shared: tuple[SharedMeter, ...],
    densities: tuple[float, float],
    path: Path,
    mistakes: Mistakes,
) -> Mapping[str, Tag]:
    tags: dict[str, Tag] = {}
    for name, tag_section in section.tags.items():
        tag = build_tag(name, tag_section, solids_density(name, *densities), (*path, "tags", name), mistakes)
        if tag is not None:
            tags[name] = tag
    for meter in shared:
        role = meter.section.role or ""
        if slug not in meter.slugs:
            continue
        if role in section.tags:
            mistakes.add(
                (*path, "tags", role),
                f"{role} is both a tag of this press and a shared meter",
                hint="keep one",
            )
            continue
        own = meter.section.model_dump(exclude_unset=True, exclude={"role", "presses", "split"})
        tag = build_tag(role, TagSection(**own), None, meter.path, mistakes)
        if tag is not None:
            tags[role] = replace(tag, split_among=meter.slugs, split=meter.section.split)
    if "feed_flow" not in tags and "feed_flow" not in section.tags:
        mistakes.missing(
            (*path, "tags", "feed_flow"), "the tag of the feed flow, the one role a press cannot do without"
        )
    check_shared_names(tags, (*path, "tags"), mistakes)
    return tags


def _filtrate(section: PressSection, tags: Mapping[str, Tag], path: Path, mistakes: Mistakes) -> Filtrate:
    given = section.filtrate
    if "filtrate_flow" in tags and given.meter is None:
        mistakes.missing(
            (*path, "filtrate", "meter"),
            'where filtrate_flow is metered: "with_wash" (after washwater joins), "before_wash", '
            'or "none" (leave it unused)',
        )
    if given.meter in ("with_wash", "before_wash") and "filtrate_flow" not in tags:
        mistakes.cautions.append(f"{section.name}: filtrate.meter is {given.meter!r}, but no tag is its filtrate_flow")
    wash_return = given.wash_return or "joins"
    if wash_return == "separate" and "with_wash" in (given.meter, given.sample):
        mistakes.cautions.append(
            f"{section.name}: filtrate is said to hold the washwater, yet the belt wash goes away separately"
        )
    sample = given.sample or ("before_wash" if wash_return == "separate" else "with_wash")
    return Filtrate(given.meter or "none", sample, wash_return)


def _limit(name: str, section: LimitSection, path: Path, mistakes: Mistakes) -> Limit | None:
    target = TARGETS[name]
    what = f"a limit of {name.replace('_', ' ')}"
    bound = Bound(what, unit_label(target.unit, "si"), target.sane_low, target.sane_high)
    density = solids_density(name, 1000.0, 1000.0)
    low = mistakes.quantity((*path, "min"), section.min, target.unit, bound, density)
    high = mistakes.quantity((*path, "max"), section.max, target.unit, bound, density)
    if section.min is None and section.max is None:
        if not any(place[: len(path)] == path for place in mistakes.settled):
            mistakes.add(
                path,
                "a target needs a limit",
                "neither min nor max",
                '{ min = "..." }, { max = "..." } or both',
            )
        return None
    if low is not None and high is not None and low >= high:
        mistakes.add(path, "the least is not below the most", f"{section.min} and {section.max}", "min below max")
    return None if low is None and high is None else Limit(low, high)


def _targets(section: PressSection, path: Path, mistakes: Mistakes) -> Mapping[str, Mapping[str, Limit]]:
    targets: dict[str, dict[str, Limit]] = {}
    for mode, figures in section.targets.items():
        if mode not in MODES:
            mistakes.unknown((*path, mode), "mode", mode, MODES)
            continue
        for name, limit_section in figures.items():
            place = (*path, mode, name)
            if name not in TARGETS:
                mistakes.unknown(place, "figure", name, [each for each, t in TARGETS.items() if mode in t.modes])
            elif mode not in TARGETS[name].modes:
                mistakes.add(place, f"{mode} has no such figure", repr(name), "a figure of that mode")
            elif (limit := _limit(name, limit_section, place, mistakes)) is not None:
                targets.setdefault(mode, {})[TARGETS[name].column] = limit
    return targets


def _fixed(
    section: PressSection,
    tags: Mapping[str, Tag],
    densities: tuple[float, float],
    path: Path,
    mistakes: Mistakes,
) -> Mapping[str, Fixed]:
    built = {
        role: build_fixed(role, each, role in tags, solids_density(role, *densities), (*path, "fixed", role), mistakes)
        for role, each in section.fixed.items()
    }
    return {role: each for role, each in built.items() if each is not None}


# --- dated settings -------------------------------------------------------------------------------------


def _merged(base: Any, changes: Any) -> Any:
    if isinstance(base, dict) and isinstance(changes, dict):
        return base | {key: _merged(base.get(key), value) for key, value in changes.items()}
    return changes


def _changes(
    section: PressSection,
    press: Press | None,
    slug: str,
    shared: tuple[SharedMeter, ...],
    clock: PlantTime,
    path: Path,
    known: list[tuple[Path, str]],
    mistakes: Mistakes,
) -> tuple[Change, ...]:
    """Return the dated settings: each is the whole press as changed so far, less what it was before."""
    dated = []
    for number, change in enumerate(section.change):
        place = (*path, "change", number)
        moment = clock.moment((*place, "from"), change.start, mistakes)
        if not change.reason:
            mistakes.missing((*place, "reason"), "why, in a few words")
        if change.set is None:
            mistakes.missing((*place, "set"), 'the new settings, as in { cake_density = "1040 kg/m3" }')
        elif moment is not None:
            dated.append((moment, number, change))
    raw = section.model_dump(by_alias=True, exclude_unset=True, exclude={"change"})
    built: list[Change] = []
    for moment, number, change in sorted(dated, key=lambda each: each[:2]):
        assert change.set is not None
        raw = _merged(raw, change.set.model_dump(by_alias=True, exclude_unset=True))
        trial = Mistakes(mistakes.file, mistakes.lines, settled=mistakes.settled)
        later = _settings(PressSection.model_validate(raw), slug, shared, path, trial)
        for place, problem in trial.found:
            if (place, problem.message) not in known:
                known.append((place, problem.message))
                rest = place[len(path) :]
                mistakes.add(
                    (*path, "change", number, "set", *rest),
                    problem.message,
                    problem.found,
                    problem.expected,
                    problem.hint,
                )
        if press is not None and later is not None:
            built.append(Change(moment, change.reason or "", _differences(press, later)))
            press = later
    return tuple(built)


def _differences(before: Press, after: Press) -> dict[str, Any]:
    names = [each.name for each in fields(Press) if each.name != "changes"]
    return {name: getattr(after, name) for name in names if getattr(after, name) != getattr(before, name)}
