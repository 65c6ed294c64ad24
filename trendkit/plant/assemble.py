"""From the tables of a plant file to the plant, mistakes gathered all the way."""

from __future__ import annotations

from pathlib import Path, PureWindowsPath
from typing import Any

from trendkit.plant import bounds, load_site
from trendkit.plant.load_press import SharedMeter, build_press, press_slug
from trendkit.plant.load_times import PlantTime, check_clock, check_zone
from trendkit.plant.mistakes import Mistakes
from trendkit.plant.model import Plant, Press
from trendkit.plant.roles import ROLES
from trendkit.plant.schema import PlantFile, PlantSection
from trendkit.plant.schema_problems import read_sections
from trendkit.plant.toml_lines import Path as KeyPath
from trendkit.plant.toml_lines import key_lines

MOST_NAME = 80  # characters of a press's name, which becomes part of file names
_OWN_METER = ("m3/h", "L/h", "kg/h", "kg", "kWh")  # what would be counted twice if two presses had one meter


def assemble(raw: dict[str, Any], text: str, path: Path, sha256: str) -> Plant:
    """Return the plant, or raise one InputError with every mistake of the file."""
    mistakes = Mistakes(str(path), key_lines(text))
    file = read_sections(_without_guesses(raw, (), mistakes), mistakes)
    header = _header(file, mistakes)
    timezone, clock = _plant_time(header, mistakes)
    slugs = _slugs(file, mistakes)
    shared = load_site.build_shared(file, {name: slug for name, slug in slugs if slug}, mistakes)
    presses = _presses(file, slugs, shared, clock, mistakes)
    by_name = {name: slug for name, slug in slugs if slug}
    plant = Plant(
        name=header.name or "",
        timezone=timezone,
        presses=presses,
        path=path,
        sha256=sha256,
        day_starts_at=clock.day_starts_at,
        display_units=header.display_units,
        archive=_archive(header, path, mistakes),
        archive_url=header.archive if _is_address(header.archive) else None,
        rolling_window_s=_seconds("rolling_window", header, bounds.ROLLING_WINDOW, mistakes),
        max_hold_s=_seconds("max_hold", header, bounds.MAX_HOLD, mistakes),
        sources=load_site.build_sources(file, mistakes),
        shifts=load_site.build_shifts(file, mistakes),
        costs=load_site.build_costs(file.costs, mistakes),
        excludes=load_site.build_excludes(file, by_name, clock, mistakes),
        lab=load_site.build_lab(file.lab, by_name, mistakes),
        tickets_files=_beside("tickets", file.tickets.files, mistakes),
        deliveries_files=_beside("deliveries", file.deliveries.files, mistakes),
        cautions=tuple(mistakes.cautions),
    )
    mistakes.raise_all()
    return plant


def _without_guesses(raw: Any, path: KeyPath, mistakes: Mistakes) -> Any:
    """Return the tables of a file without the guesses of a draft; each that still stands is a mistake."""
    if isinstance(raw, list):
        return [_without_guesses(each, (*path, number), mistakes) for number, each in enumerate(raw)]
    if not isinstance(raw, dict):
        return raw
    kept = {}
    for key, value in raw.items():
        if key == "guess" and isinstance(value, str):
            mistakes.add(
                (*path, key),
                "this is a guess that nobody has confirmed",
                value,
                hint="check the lines beside it, correct them, then delete this line",
            )
        else:
            kept[key] = _without_guesses(value, (*path, key), mistakes)
    return kept


def _header(file: PlantFile, mistakes: Mistakes) -> PlantSection:
    if file.plant is None:
        mistakes.missing(("plant",), 'a section [plant] with name = "..." and timezone = "..."')
        mistakes.settled |= {("plant", "name"), ("plant", "timezone")}
        return PlantSection()
    if not file.plant.name or not file.plant.name.strip("? "):
        mistakes.missing(("plant", "name"), "the plant's name")
    return file.plant


def _plant_time(header: PlantSection, mistakes: Mistakes) -> tuple[str, PlantTime]:
    zone = None
    if header.timezone is None:
        mistakes.missing(("plant", "timezone"), 'a zone of the IANA list, as in "America/Denver"')
    else:
        zone = check_zone(("plant", "timezone"), header.timezone, False, mistakes)
    starts_at = check_clock(("plant", "day_starts_at"), header.day_starts_at, mistakes)
    return zone or "UTC", PlantTime(zone or "UTC", starts_at)


def _seconds(key: str, header: PlantSection, bound: bounds.Bound, mistakes: Mistakes) -> float:
    value = mistakes.quantity(("plant", key), getattr(header, key), "s", bound)
    return value if value is not None else bound.low


def _archive(header: PlantSection, path: Path, mistakes: Mistakes) -> Path:
    folder = path.resolve().parent
    if _is_address(header.archive):
        return Path("archive")
    if "\0" in header.archive:
        mistakes.add(("plant", "archive"), "this is no name of a folder", repr(header.archive), "a folder")
        return folder
    archive = (folder / header.archive).resolve()
    if not Path(header.archive).is_absolute() and not archive.is_relative_to(folder):
        hint = "name a folder beside the plant file, or write the whole path from the root"
        message = "the archive would lie outside the folder of the plant file"
        mistakes.add(("plant", "archive"), message, repr(header.archive), "a folder inside it", hint)
    return archive


def _is_address(archive: str) -> bool:
    return "://" in archive and "\0" not in archive


def _beside(section: str, pattern: str | None, mistakes: Mistakes) -> str | None:
    """Return a pattern for files opened unasked; one that leads out of the plant file's folder is a mistake (noted)."""
    if pattern is None or not pattern.strip():
        return None
    parts = PureWindowsPath(pattern)  # knows both kinds of slashes
    if parts.is_absolute() or parts.root or parts.drive or ".." in parts.parts or "\0" in pattern:
        hint = "keep the files beside the plant file, or name them in the call"
        message = "the files would lie outside the folder of the plant file"
        mistakes.add((section, "files"), message, repr(pattern), "names inside it", hint)
        return None
    return pattern


def _slugs(file: PlantFile, mistakes: Mistakes) -> list[tuple[str, str]]:
    """Return name and slug of each press, in order; "" where there is none (noted)."""
    found: list[tuple[str, str]] = []
    if not file.press:
        mistakes.missing(("press",), "a section [[press]] for each press")
    for number, section in enumerate(file.press):
        path = ("press", number, "name")
        name = (section.name or "").strip()
        slug = press_slug(name)
        if not name:
            mistakes.missing(path, 'the press\'s name, as in "BFP-1"')
        elif not slug:
            mistakes.add(path, "this name makes no file name", repr(name), "a letter a to z or a digit in it")
        elif len(name) > MOST_NAME:
            expected = f"a name of at most {MOST_NAME} characters"
            mistakes.add(path, "this name makes no file name", repr(name[:MOST_NAME]), expected)
        elif slug in (each for _, each in found):
            mistakes.add(
                path,
                "two presses would share one folder",
                repr(name),
                "names that differ in letters or digits",
            )
        found.append((name, slug))
    return found


def _presses(
    file: PlantFile,
    slugs: list[tuple[str, str]],
    shared: tuple[SharedMeter, ...],
    clock: PlantTime,
    mistakes: Mistakes,
) -> tuple[Press, ...]:
    presses = []
    owners: dict[str, str] = {}
    for number, (section, (name, slug)) in enumerate(zip(file.press, slugs, strict=True)):
        press = build_press(section, slug, shared, clock, ("press", number), mistakes)
        if press is None:
            continue
        presses.append(press)
        for role, tag in press.tags.items():
            if tag.split_among or role not in ROLES or ROLES[role].unit not in _OWN_METER or not tag.tag:
                continue
            if tag.tag in owners:
                hint = "list it under [[shared]] with how to split it"
                message = f"this meter already belongs to {owners[tag.tag]} and would be counted twice"
                mistakes.add(("press", number, "tags", role, "tag"), message, repr(tag.tag), "a meter of its own", hint)
            owners.setdefault(tag.tag, name)
    return tuple(presses)
