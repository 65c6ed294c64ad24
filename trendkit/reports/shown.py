"""Numbers as the reader's plant shows them: units, digits that the limits support, limits in words."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TypeGuard

from trendkit.plant.display import display, rounded, significant, unit_label
from trendkit.plant.roles import ROLES
from trendkit.reports.words import CAUSES, FAULTS, figure_name

DASH = "–"


def is_known(value: float | None) -> TypeGuard[float]:
    """True for a finite number, False for None and NaN."""
    return value is not None and math.isfinite(value)


@dataclass(frozen=True)
class Shown:
    """Turns SI numbers into text in one system of units, "us" or "si"."""

    system: str
    currency: str = ""

    def unit(self, column: str) -> str:
        """Return the unit label of a column, the currency included where it is money."""
        label = unit_label(column, self.system)
        return f"{self.currency} {label}".strip() if column.startswith("cost_") else label

    def name(self, column: str) -> str:
        """Return a figure's name with its unit, as a heading shows it."""
        unit = self.unit(column)
        return f"{figure_name(column, self.system)}, {unit}" if unit else figure_name(column, self.system)

    def number(self, value: float | None, column: str) -> float:
        """Return an SI value in the reader's unit, NaN when it is not known."""
        if value is None:
            return math.nan
        return float(display(float(value), column, self.system)[0])

    def digits(self, value: float | None, column: str, low: float | None = None, high: float | None = None) -> str:
        """Return the bare number, with no more digits than `low` and `high` support; days are counted
        whole.
        """
        if column == "press_days" and is_known(value):
            return f"{value:.0f}"
        return significant(self.number(value, column), self.number(low, column), self.number(high, column))

    def amount(self, value: float | None, column: str) -> str:
        """Return number and unit: "17.2 lb/ton"."""
        if not is_known(value):
            return DASH
        unit = "day" if column == "press_days" and round(value) == 1 else self.unit(column)
        return joined(self.digits(value, column), unit)

    def limited(self, value: float | None, low: float | None, high: float | None, column: str) -> tuple[str, str]:
        """Return the value with its unit, and its limits in words, "" when it has none."""
        if not is_known(value):
            return DASH, ""
        if not (is_known(low) and is_known(high)):
            return self.amount(value, column), ""
        if column == "press_days":
            return self.amount(value, column), f"{low:.0f} to {high:.0f}"
        texts = rounded(*(self.number(each, column) for each in (value, low, high)))
        return joined(texts[0], self.unit(column)), f"{texts[1]} to {texts[2]}"

    def sentence(self, value: float | None, low: float | None, high: float | None, column: str) -> str:
        """Return value and limits as running text: "95.8 % (95.1 to 96.5)"."""
        text, limits = self.limited(value, low, high, column)
        return f"{text} ({limits})" if limits else text

    def retold(self, text: str) -> str:
        """Return a sentence of evidence in the reader's units and in plain words; other text stays as it is.

        Examples
        --------
        >>> Shown("us").retold("feed rose to 30 m3/h at 6.1 m/min").replace("\u00a0", " ")
        'feed rose to 132 gpm at 20 ft/min'
        """
        spelled = _KEY.sub(lambda match: _KEYS[match.group()], text)
        return _SI_AMOUNT.sub(self._retold_amount, spelled) if self.system == "us" else spelled

    def _retold_amount(self, match: re.Match[str]) -> str:
        unit = match["unit"]
        shown = {
            part: _as_precise(match[part], self.number(_parsed(match[part]), unit))
            for part in ("first", "second", "against")
            if match[part]
        }
        number = match["between"].join((shown["first"], shown["second"])) if "second" in shown else shown["first"]
        against = f" against {shown['against']}" if "against" in shown else ""
        return joined(number, unit_label(unit, self.system)) + against


def share_text(share: float, decimals: int = 0) -> str:
    """Return a share of one as percent, a dash when it is not known.

    Examples
    --------
    >>> share_text(0.9911, 1).replace("\u00a0", " "), share_text(1.0, 1).replace("\u00a0", " ")
    ('99.1 %', '100 %')
    """
    if not is_known(share):
        return DASH
    number = f"{100 * share:.{decimals}f}"
    return joined(number.removesuffix(".0"), "%")


def joined(number: str, unit: str) -> str:
    """Return number and unit with a space that does not break."""
    return f"{number}\u00a0{unit}" if unit else number


_UNITS_RETOLD = (
    "m3/h/m", "m³/h/m", "kg/h/m", "m3/h", "m³/h", "kg/h", "L/h", "m/min", "m/h", "kg/t", "m3/t",
    "m³/t", "kWh/t", "kN/m", "kPa", "kg/m2", "kg/m²", "m3", "m³", "kg", "mm", "t", "°C", "degC",
)  # fmt: skip
_NUMBER = r"[-−+]?\d+(?:[,\u202f]\d{3})*(?:\.\d+)?"
_KEYS = {name: name.replace("_", " ") for name in ROLES} | FAULTS | CAUSES  # keys other rooms write in sentences
_KEY = re.compile(rf"(?<![\w.])({'|'.join(key for key in _KEYS if '_' in key)})(?!\w|\.\w)")
_SI_AMOUNT = re.compile(
    rf"(?<![\w.])(?P<first>{_NUMBER})(?:(?P<between> to | and |–)(?P<second>{_NUMBER}))?[ \u00a0]"
    rf"(?P<unit>{'|'.join(re.escape(unit) for unit in _UNITS_RETOLD)})(?![\w/³²])"
    # "578 kg/h/m against 590": a second number without a unit of its own is in the same one
    rf"(?: against (?P<against>{_NUMBER})(?![\d.]|[ \u00a0]?[%\w]))?"
)


def _parsed(word: str) -> float:
    return float(word.replace("−", "-").replace(",", "").replace("\u202f", ""))


def _as_precise(word: str, value: float) -> str:
    """Return `value` to as many significant digits as `word` shows, at least two."""
    shown = re.sub(r"\D", "", word).lstrip("0")
    digits = max(2, len(shown if "." in word else shown.rstrip("0")))
    if not value:
        return "0"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{min(decimals, 4)}f}"
    signed = f"+{text}" if word.startswith("+") else text
    return signed.replace("-", "−")
