"""Tag names and headers compared as people mean them: without regard to case, padding and odd spaces."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from functools import lru_cache

from trendkit.plant.model import Plant, Press, Tag

TIME_WORDS = frozenset(
    [
        "time",
        "timestamp",
        "datetime",
        "date_time",
        "date",
        "ts",
        "t",
        "when",
        "sampled_at",
        "clock",
        "zeit",
        "zeitstempel",
        "datum",
        "uhrzeit",
        "fecha",
        "hora",
        "temps",
        "heure",
        "horodatage",
        "data",
        "ora",
        "local_time",
        "time_local",
        "utc_time",
        "time_utc",
        "timestamp_utc",
        "local",
        "event_time",
    ]
)
TAG_WORDS = frozenset(
    [
        "tag",
        "tagname",
        "tag_name",
        "name",
        "point",
        "pointname",
        "point_name",
        "tag_id",
        "tagid",
        "signal",
        "variable",
        "variablename",
        "item",
        "itemid",
        "sensor",
        "channel",
        "series",
        "parameter",
        "measurement",
        "messstelle",
        "messpunkt",
        "datenpunkt",
        "kennung",
        "bezeichnung",
        "etiqueta",
        "etiquette",
        "repere",
        "mesure",
    ]
)
VALUE_WORDS = frozenset(["value", "val", "v", "reading", "raw", "result", "wert", "valeur", "valor", "pv"])
QUALITY_WORDS = frozenset(
    [
        "quality",
        "qual",
        "q",
        "status",
        "statuscode",
        "status_code",
        "quality_code",
        "qualitycode",
        "opc_quality",
        "good",
        "is_good",
        "valid",
    ]
)
UNIT_WORDS = frozenset(["unit", "units", "uom", "eu", "engunits", "einheit", "unite", "unidad"])
MESSAGE_WORDS = frozenset(["message", "event", "state", "text", "description", "alarm", "msg"])

_UNIT_IN_NAME = re.compile(r"^(?P<name>.*\S)\s*[\[(](?P<unit>[^\[\]()]{0,20})[\])]$")


@lru_cache(maxsize=16_384)  # a thousand files say the same names
def trimmed(name: str) -> str:
    """Return a header cell without byte-order mark, padding, odd spaces or leftover quotes."""
    return re.sub(r"\s+", " ", name.replace("\ufeff", "").replace("\x00", "")).strip().strip('"').strip()


def key(name: str) -> str:
    """Return what two spellings of one tag name have in common.

    Examples
    --------
    >>> key(" BFP1_Feed  Flow ") == key("bfp1_feed flow")
    True
    """
    return trimmed(name).casefold()


@lru_cache(maxsize=16_384)
def word(name: str) -> str:
    """Return a header as one plain word, to look it up among the usual ones: "Tag Name" is ``tag_name``."""
    return re.sub(r"[^a-z0-9]+", "_", key(split_unit(name)[0])).strip("_")


def split_unit(name: str) -> tuple[str, str]:
    """Return a header's name and the unit written behind it in brackets, "" when there is none.

    Examples
    --------
    >>> split_unit("BFP1_FEED_FLOW (gpm)")
    ('BFP1_FEED_FLOW', 'gpm')
    """
    clean = trimmed(name)
    match = _UNIT_IN_NAME.match(clean)
    return (match["name"], match["unit"].strip()) if match else (clean, "")


def plant_tags(plant: Plant) -> dict[str, str]:
    """Return the tag names of the plant file, all dated versions included, by their `key`."""
    names: dict[str, str] = {}
    for tag in every_tag(plant.presses):
        names.setdefault(key(tag.tag), tag.tag)
    return names


def every_tag(presses: Iterable[Press]) -> list[Tag]:
    """Return every tag of some presses, also those a dated change puts in place."""
    tags: list[Tag] = []
    for press in presses:
        tags += press.tags.values()
        for change in press.changes:
            changed = change.settings.get("tags", {})
            if isinstance(changed, Mapping):
                tags += [tag for tag in changed.values() if isinstance(tag, Tag)]
    return tags


def canonical(name: str, known: Mapping[str, str]) -> str:
    """Return the plant file's spelling of an export's tag name (or of it without its unit), else the name itself."""
    for spelling in (trimmed(name), split_unit(name)[0]):
        if key(spelling) in known:
            return known[key(spelling)]
    return split_unit(name)[0] or trimmed(name)


def close_names(name: str, found: Iterable[str], count: int = 3) -> list[str]:
    """Return the found names most like `name`, best first.

    Examples
    --------
    >>> close_names("BFP1_FEED_FLOW", ["BFP1.FEED.FLOW", "BFP1_CAKE_TS", "WASH"], 1)
    ['BFP1.FEED.FLOW']
    """
    by_key = {key(other): other for other in found}
    near = get_close_matches(key(name), list(by_key), n=count, cutoff=0.6)
    bare = re.sub(r"[^a-z0-9]", "", key(name))
    same = [k for k in by_key if re.sub(r"[^a-z0-9]", "", k) == bare]
    return [by_key[k] for k in dict.fromkeys([*same, *near])][:count]
