"""What moved since a review was last made: the JSON it wrote then against the one it writes now."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

_SAME = 2e-5  # relative: twice what the last of the six digits written may differ by


def reissue(folder: Path, document: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return what differs from the review of the same press and period in `folder`, None when there is none.

    `figures` {name: {was, now}}, `upsets`, `lab_results` and `trendkit_version` {was, now}, `inputs` {added, gone,
    changed [{file, rows_was, rows}]}, `is_plant_file_changed`. Made again from the same files, a review keeps what it
    said then, so that the same call gives the same bytes. `document` is the review's JSON as plain values.
    """
    earlier = _earlier(folder / "review.json")
    if earlier is None or _about(earlier) != _about(document):
        return None
    if all(earlier.get(key) == document[key] for key in ("inputs", "plant_file_sha256", "trendkit_version")):
        kept = earlier.get("reissue")
        return kept if isinstance(kept, dict) else None
    return {
        "figures": _moved(earlier.get("figures", {}), document["figures"]),
        "upsets": {"was": len(earlier.get("upsets", [])), "now": len(document["upsets"])},
        "lab_results": {"was": earlier.get("lab_results"), "now": document["lab_results"]},
        "inputs": _inputs(earlier.get("inputs", []), document["inputs"]),
        "is_plant_file_changed": earlier.get("plant_file_sha256") != document["plant_file_sha256"],
        "trendkit_version": {"was": earlier.get("trendkit_version"), "now": document["trendkit_version"]},
    }


def _about(document: Mapping[str, Any]) -> tuple[Any, ...]:
    period = document.get("period", {})
    return document.get("press"), period.get("start"), period.get("end")


def _earlier(path: Path) -> dict[str, Any] | None:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) else None


def _moved(were: Mapping[str, Any], are: Mapping[str, Any]) -> dict[str, Any]:
    moved = {}
    for name, now in are.items():
        was = were.get(name, {}).get("value")
        if not _is_same(was, now["value"]):
            moved[name] = {"was": was, "now": now["value"]}
    return moved


def _is_same(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return math.isclose(one, other, rel_tol=_SAME, abs_tol=1e-12)


def _inputs(were: list[dict[str, Any]], are: list[dict[str, Any]]) -> dict[str, Any]:
    earlier = {each["file"]: each for each in were}
    now = {each["file"]: each for each in are}
    return {
        "added": [name for name in now if name not in earlier],
        "gone": [name for name in earlier if name not in now],
        "changed": [
            {"file": name, "rows_was": earlier[name]["rows"], "rows": now[name]["rows"]}
            for name in now
            if name in earlier and earlier[name]["sha256"] != now[name]["sha256"]
        ],
    }
