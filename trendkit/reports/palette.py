"""The few colours of the pages, chosen so that each is told apart on paper, in grey and by a colour-blind
eye.

Everything is ink, grey and white; one colour asks for attention, one marks what is chosen, and neither ever
stands without a shape or a word. Blue and vermillion are those of the palette of Okabe and Ito (2008).
"""

from __future__ import annotations

PAPER = "#ffffff"
INK = "#1a1a1a"  # text, the measured line
SOFT = "#595959"  # notes, axis labels
RULE = "#7a7a7a"  # edges, ticks, hollow marks
WASH = "#d9d9d9"  # fills behind a line: limits, bars
FAINT = "#f2f2f2"  # fills behind text
ATTENTION = "#d55e00"  # vermillion: an upset, a missed limit, a fault in the readings
CHOSEN = "#0072b2"  # blue: the recommended band, links

# (foreground, background, least contrast): text needs 4.5, marks needed to read a chart need 3 (WCAG 2.2,
# success criteria 1.4.3 and 1.4.11).
PAIRS: tuple[tuple[str, str, float], ...] = (
    (INK, PAPER, 4.5),
    (INK, FAINT, 4.5),
    (INK, WASH, 4.5),
    (SOFT, PAPER, 4.5),
    (SOFT, FAINT, 4.5),
    (CHOSEN, PAPER, 4.5),
    (RULE, PAPER, 3.0),
    (ATTENTION, PAPER, 3.0),
    (ATTENTION, FAINT, 3.0),
    (CHOSEN, FAINT, 3.0),
)


def luminance(colour: str) -> float:
    """Return the relative luminance of ``#rrggbb``, 0 black to 1 white (WCAG 2.2, definition of the term).

    Examples
    --------
    >>> round(luminance("#0072b2"), 3), round(luminance("#d55e00"), 3)
    (0.152, 0.222)
    """
    channels = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21 (WCAG 2.2).

    Examples
    --------
    >>> round(contrast("#0072b2", "#ffffff"), 2)
    5.19
    """
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)
