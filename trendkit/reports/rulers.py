"""A small ruler beside a figure: its limits as a bar, the value upright in it, the side beyond its target
hatched.
"""

from __future__ import annotations

from collections.abc import Callable

from markupsafe import Markup

from trendkit.plant.model import Limit
from trendkit.reports.palette import ATTENTION, INK, PAPER, RULE
from trendkit.reports.shown import is_known

_WIDTH, _HEIGHT, _MIDDLE = 190.0, 30.0, 19.0
_HATCH = "url(#beyond)"


def ruler(
    value: float | None,
    low: float | None,
    high: float | None,
    target: Limit | None,
    previous: float | None,
    misses: bool,
) -> Markup:
    """Return the ruler's SVG, "" without a value. It repeats what stands beside it, so screen readers skip
    it.
    """
    bounds = [target.low, target.high] if target else []
    known = [float(each) for each in (value, low, high, previous, *bounds) if each is not None and is_known(each)]
    if value is None or not is_known(value) or len(known) < 2:
        return Markup("")
    least, most = min(known), max(known)
    spare = (most - least) * 0.15 or abs(most) * 0.05 or 1.0

    def place(number: float) -> float:
        return round((number - least + spare) / (most - least + 2 * spare) * _WIDTH, 1)

    parts = [_beyond(target, place), _line(0, _WIDTH, RULE)]
    if low is not None and high is not None and is_known(low) and is_known(high):
        parts.append(
            _box(place(low), place(high), _MIDDLE - 5, 10, f'fill="#cfcfcf" stroke="{INK}" stroke-width="0.7"')
        )
    if previous is not None and is_known(previous):
        parts.append(_diamond(place(previous)))
    colour = ATTENTION if misses else INK
    parts.append(
        _box(
            place(value) - 1.6,
            place(value) + 1.6,
            _MIDDLE - 8,
            16,
            f'fill="{colour}" stroke="{INK}" stroke-width="0.5"',
        )
    )
    return Markup(
        f'<svg class="ruler" viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" '
        f'width="{_WIDTH:g}" height="{_HEIGHT:g}" aria-hidden="true">' + "".join(parts) + "</svg>"
    )


def span_ruler(value: float | None, low: float | None, high: float | None, ends: tuple[float, float]) -> Markup:
    """Return a value with its limits on a line that runs from `ends[0]` to `ends[1]`, the same for a whole table.

    "" without a value. It repeats what stands beside it, so screen readers skip it.
    """
    if value is None or not is_known(value):
        return Markup("")
    width = (ends[1] - ends[0]) or 1.0

    def place(number: float) -> float:
        return round(4 + (number - ends[0]) / width * (_WIDTH - 8), 1)

    parts = [_line(0, _WIDTH, RULE)]
    if low is not None and high is not None and is_known(low) and is_known(high):
        parts.append(
            _box(place(low), place(high), _MIDDLE - 5, 10, f'fill="#cfcfcf" stroke="{INK}" stroke-width="0.7"')
        )
    parts.append(_box(place(value) - 1.6, place(value) + 1.6, _MIDDLE - 8, 16, f'fill="{INK}"'))
    return Markup(
        f'<svg class="ruler" viewBox="0 8 {_WIDTH:g} 22" width="{_WIDTH:g}" height="22" aria-hidden="true">'
        + "".join(parts)
        + "</svg>"
    )


def _line(start: float, end: float, colour: str) -> str:
    return f'<line x1="{start:g}" x2="{end:g}" y1="{_MIDDLE:g}" y2="{_MIDDLE:g}" stroke="{colour}"/>'


def _box(start: float, end: float, top: float, height: float, style: str) -> str:
    return f'<rect x="{start:.1f}" y="{top:g}" width="{max(end - start, 0.5):.1f}" height="{height:g}" {style}/>'


def _diamond(at: float) -> str:
    top = 6
    points = f"{at:.1f},{top - 4} {at + 4:.1f},{top} {at:.1f},{top + 4} {at - 4:.1f},{top}"
    return f'<polygon points="{points}" fill="{PAPER}" stroke="{INK}"/>'


def _beyond(target: Limit | None, place: Callable[[float], float]) -> str:
    if target is None:
        return ""
    parts = []
    if target.low is not None:
        parts.append(_box(0, place(target.low), _MIDDLE - 9, 18, f'fill="{_HATCH}"') + _stop(place(target.low)))
    if target.high is not None:
        parts.append(_box(place(target.high), _WIDTH, _MIDDLE - 9, 18, f'fill="{_HATCH}"') + _stop(place(target.high)))
    return "".join(parts)


def _stop(at: float) -> str:
    place = f'x1="{at:g}" x2="{at:g}" y1="{_MIDDLE - 10:g}" y2="{_MIDDLE + 10:g}"'
    return f'<line {place} stroke="{INK}" stroke-width="1.5"/>'
