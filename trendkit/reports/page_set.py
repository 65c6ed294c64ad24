"""The files of one page as a set: written together, and known by a mark as of one making.

No system puts several files in place at one moment. All are written and forced to the disk first, then take their
names one after another, the JSON last but one and the page last. When the power goes between two names, the set is of
two makings: the JSON's checksums show it, and the next run of the command writes all of them.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from trendkit.archive.files import checksum
from trendkit.reports.jsonio import json_text
from trendkit.reports.page import Page, render_page

Contents = Mapping[str, bytes]  # name -> content
KEY = "set"  # of the JSON: {mark, files: {name: SHA-256 of every other file}}


def sealed(command: str, page: Page, document: Mapping[str, object], others: Contents) -> dict[str, bytes]:
    """Return the files of a page in the order they take their names, the same mark on page and JSON."""
    sums = {name: hashlib.sha256(content).hexdigest() for name, content in others.items()}
    told = json_text({**document, KEY: sums})
    mark = hashlib.sha256(told.encode()).hexdigest()[:12]
    html = render_page(page, mark)
    sums[f"{command}.html"] = hashlib.sha256(html).hexdigest()
    whole = {**document, KEY: {"mark": mark, "files": sums}}
    return {**others, f"{command}.json": (json_text(whole) + "\n").encode(), f"{command}.html": html}


def is_of_one_making(folder: Path, command: str) -> bool:
    """Return whether the files of a command's page in a folder are all there and of one making."""
    try:
        told: dict[str, Any] = json.loads((folder / f"{command}.json").read_text(encoding="utf-8"))[KEY]["files"]
        return bool(told) and all(checksum(folder / name) == sha256 for name, sha256 in told.items())
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return False
