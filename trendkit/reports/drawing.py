"""From an Altair chart to one inline SVG that is the same every time, fetches nothing and runs nothing.

Altair and the renderer are loaded on first use. Ids inside each drawing carry the drawing's own name, since
many drawings share one page.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pandas as pd
from markupsafe import Markup

from trendkit import __version__
from trendkit.archive.kept import keep, recall
from trendkit.reports.palette import INK, PAPER, RULE, SOFT

TOTAL = 780  # every drawing is this wide, px; it prints at 186 mm with 8 pt text
LEFT = 54  # room for the value axis, equal in every drawing so that time axes line up
RIGHT = 92  # room for words beside the plot
WIDTH = TOTAL - LEFT - RIGHT  # plot area
_MOST_KEPT = 400
_kept_in: ContextVar[Path | None] = ContextVar("kept_in", default=None)
_NOT_DRAWN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")  # XML 1.0, section 2.2
_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"
_FONT = "Arial, Helvetica, 'Liberation Sans', sans-serif"


def theme() -> dict[str, Any]:
    """Return the Vega-Lite configuration of every drawing: ink on white, no frame, light ticks."""
    axis = {
        "labelColor": SOFT,
        "labelFontSize": 11,
        "titleColor": INK,
        "titleFontSize": 11,
        "titleFontWeight": "normal",
        "domainColor": RULE,
        "tickColor": RULE,
        "tickSize": 4,
        "gridColor": "#e6e6e6",
        "labelPadding": 4,
    }
    return {
        "aria": False,
        "background": PAPER,
        "font": _FONT,
        "view": {"stroke": None},
        "axis": axis,
        "axisY": {"minExtent": LEFT - 4, "maxExtent": LEFT - 4, "domain": False, "ticks": False},
        "axisX": {"grid": False},
        "text": {"color": INK, "fontSize": 11},
        "line": {"color": INK, "strokeWidth": 1.3, "strokeJoin": "round"},
        "point": {"color": INK, "filled": False, "strokeWidth": 1.2, "size": 34},
        "rule": {"color": RULE, "strokeWidth": 1},
        "legend": {"disable": True},
        "padding": {"left": 4, "right": 4, "top": 4, "bottom": 4},
    }


def altair() -> Any:
    """Return Altair, which does not check each piece of a chart as it is made; the tests check whole drawings."""
    import altair
    from altair.utils import schemapi

    schemapi.DEBUG_MODE = False
    altair.data_transformers.consolidate_datasets = False  # data stay in the chart that is drawn from them
    return altair


def rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a frame for a drawing: numbers to five digits, NaN as null."""
    columns = {str(name): frame[name].tolist() for name in frame.columns}
    return [dict(zip(columns, map(_short, row), strict=True)) for row in zip(*columns.values(), strict=True)]


def _short(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.5g}") if value == value else None
    return value


def inline(values: Sequence[Mapping[str, Any]]) -> Any:
    """Return rows as the data of an Altair chart, carried inside the chart.

    As one text: Altair checks and copies lists of rows one by one, which costs more than the drawing itself.
    """
    alt = altair()
    text = json.dumps(list(values), ensure_ascii=False, allow_nan=False)
    if "\\u00" in text or _NOT_DRAWN.search(text):
        text = json.dumps(_drawable(list(values)), ensure_ascii=False, allow_nan=False)
    return alt.InlineData(values=text, format=alt.JsonDataFormat(type="json"))


def _drawable(value: Any) -> Any:
    """Return a specification or its data with a mark for each character no drawing can hold: at these the renderer
    ends the whole program.
    """
    if isinstance(value, str):
        return _NOT_DRAWN.sub("\ufffd", value)
    if isinstance(value, Mapping):
        return {key: _drawable(each) for key, each in value.items()}
    return [_drawable(each) for each in value] if isinstance(value, (list, tuple)) else value


def haloed(chart: Any, channels: Mapping[str, Any], **text: Any) -> list[Any]:
    """Return a text as two layers, a white outline under the letters, so that it reads across lines and
    bars.
    """
    outline = chart.mark_text(**{**text, "stroke": PAPER, "strokeWidth": 3, "strokeJoin": "round"})
    return [outline.encode(**channels), chart.mark_text(**text).encode(**channels)]


def layered(layers: Sequence[Any], **properties: Any) -> dict[str, Any]:
    """Return Altair charts drawn over each other, the first one lowest, as one specification.

    What Altair's own layering gives, which copies every chart three times to look for what ours do not have:
    parameters, and data that layers share.
    """
    plain = {name: each.to_dict() if hasattr(each, "to_dict") else each for name, each in properties.items()}
    inside = {"top_level": False}
    return {"layer": [each.to_dict(validate=False, context=inside) for each in layers], **plain}


def to_svg(spec: Mapping[str, Any], slug: str) -> Markup:
    """Draw a specification and return its SVG, hidden from screen readers (the text beside it says what it shows).

    Parameters
    ----------
    spec : mapping
        Of `layered`, or several of these side by side, their data carried inside.
    slug : str
        A name no other drawing of the page has; it makes the drawing's ids its own.

    Raises
    ------
    ValueError
        When the drawing holds a script, an event handler or an address, which none of ours does.
    """
    return Markup(_tidied(_drawn({**_drawable(spec), "config": theme()}), slug))


def _drawn(spec: dict[str, Any]) -> str:
    """Return the renderer's SVG of a specification; one drawn before is read back where drawings are kept."""
    import vl_convert

    folder = _kept_in.get()
    if folder is None:
        return vl_convert.vegalite_to_svg(spec, vl_version="6.4")
    told = json.dumps([__version__, spec], sort_keys=True).encode()
    path = folder / f"{hashlib.sha256(told).hexdigest()[:24]}.svg"
    content = recall(path)
    if content is None:
        content = vl_convert.vegalite_to_svg(spec, vl_version="6.4").encode()
        keep(path, content, _MOST_KEPT)
    return content.decode()


@contextmanager
def drawings_kept_in(folder: Path) -> Iterator[None]:
    """Keep what is drawn inside in a folder and read it back when the same is drawn again."""
    token = _kept_in.set(folder)
    try:
        yield
    finally:
        _kept_in.reset(token)


def _tidied(svg: str, slug: str) -> str:
    ElementTree.register_namespace("", _SVG)
    root = ElementTree.fromstring(svg)
    names = {
        element.get("id", ""): f"{slug}-{number}"
        for number, element in enumerate(each for each in root.iter() if each.get("id"))
    }
    _drop_hidden(root)
    _mark_plots(root)
    _keep_descriptions(root)
    for element in root.iter():
        _refuse_active(element)
        element.attrib = {key: _attribute(key, text, names) for key, text in element.attrib.items() if _is_drawn(key)}
    height = root.get("height", "")
    root.attrib = {
        "viewBox": f"0 0 {TOTAL} {height}",
        "width": str(TOTAL),
        "height": height,
        "aria-hidden": "true",
    }
    return ElementTree.tostring(root, encoding="unicode")


def _drop_hidden(element: ElementTree.Element) -> None:
    for child in list(element):
        if child.get("display") == "none":
            element.remove(child)
        else:
            _drop_hidden(child)


def _mark_plots(root: ElementTree.Element) -> None:
    """Note on every plot's background where the plot lies in the drawing: left, top, width, height in px."""
    found: dict[bool, list[tuple[ElementTree.Element, str]]] = {True: [], False: []}

    def walk(element: ElementTree.Element, left: float, top: float, group: str) -> None:
        moved = re.match(r"translate\(([-\d.]+),([-\d.]+)\)", element.get("transform", ""))
        left, top = (left + float(moved[1]), top + float(moved[2])) if moved else (left, top)
        size = re.fullmatch(r"M0,0h([\d.]+)v([\d.]+)h-[\d.]+Z", element.get("d", ""))
        group = element.get("class") or group if element.tag == f"{{{_SVG}}}g" else group
        is_one_of_several = re.search(r"\bconcat_\d+_group\b", group) is not None
        if size and element.get("class") == "background" and (is_one_of_several or "role-frame" in group):
            found[is_one_of_several].append((element, f"{left:g} {top:g} {float(size[1]):g} {float(size[2]):g}"))
        for child in element:
            walk(child, left, top, group)

    walk(root, 0.0, 0.0, "")
    for element, place in found[True] or found[False]:
        element.set("data-plot", place)


def _keep_descriptions(root: ElementTree.Element) -> None:
    """Turn the description of a mark into its title, which a browser shows on pointing at it, without a script."""
    for element in root.iter():
        words = element.get("aria-label")
        if words and element.get("role") == "graphics-symbol":
            title = ElementTree.SubElement(element, f"{{{_SVG}}}title")
            title.text = words


def _refuse_active(element: ElementTree.Element) -> None:
    is_active = element.tag in {
        f"{{{_SVG}}}{name}" for name in ("script", "foreignObject", "a", "image", "use", "style")
    }
    handlers = [key for key in element.attrib if key.startswith("on") or key in ("href", f"{{{_XLINK}}}href")]
    if is_active or handlers:
        raise ValueError(f"a drawing may not hold {element.tag} {handlers}")


def _is_drawn(key: str) -> bool:
    return not (key.startswith("aria-") or key in ("role", "class", "pointer-events"))


def _attribute(key: str, text: str, names: Mapping[str, str]) -> str:
    if key == "id":
        return names[text]
    if "url(#" in text:
        return re.sub(r"url\(#([^)]+)\)", lambda match: f"url(#{names[match.group(1)]})", text)
    if key in ("d", "transform", "x", "y", "x1", "x2", "y1", "y2", "width", "height"):
        return re.sub(r"-?\d+\.\d{2,}", lambda match: f"{float(match.group()):.1f}".replace(".0", ""), text)
    return text
