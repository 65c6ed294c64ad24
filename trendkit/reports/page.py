"""What a page is made of, and how it becomes one HTML text. The content is plain values; the template only
lays out.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal

from markupsafe import Markup

from trendkit import __version__
from trendkit.reports import palette
from trendkit.reports.close_look import script, script_hash
from trendkit.reports.making import time_of_making

if TYPE_CHECKING:
    from jinja2 import Environment

Mark = Literal["", "meets", "misses", "undecided"]


@dataclass(frozen=True)
class Cell:
    """One cell of a sheet: text, a mark where it needs attention, and the page it leads to."""

    text: str
    mark: Mark = ""
    link: str = ""  # relative to the page's own folder


@dataclass(frozen=True)
class Head:
    """One column heading: name, unit under it, whether its cells are numbers, whether they stay on one
    line; `is_breaking` numbers may go on in the next line at a plain space.
    """

    name: str
    unit: str = ""
    is_number: bool = False
    is_short: bool = False
    is_breaking: bool = False


@dataclass(frozen=True)
class Sheet:
    """A table: what it shows, its headings and its rows of cells or text; a form leaves room to write."""

    caption: str
    heads: tuple[Head, ...]
    rows: tuple[tuple[Cell | str, ...], ...]
    is_form: bool = False
    kind: Literal["sheet"] = "sheet"


@dataclass(frozen=True)
class Panel:
    """A drawing with what it shows in one sentence, how it was drawn, and its numbers as a table."""

    slug: str
    title: str
    finding: str
    svg: Markup
    caption: str
    sheet: Sheet | None = None
    mark: Mark = ""
    numbers: Markup = field(default_factory=Markup)  # behind a drawing over time, for looking closer
    kind: Literal["panel"] = "panel"


@dataclass(frozen=True)
class Prose:
    """A paragraph; `role` says how it is set: plain text, a log entry to copy, or a lead sentence."""

    text: str
    role: Literal["plain", "log", "lead"] = "plain"
    kind: Literal["prose"] = "prose"


@dataclass(frozen=True)
class Listing:
    """A list, numbered where the order matters, with boxes to tick where it is to be worked through."""

    items: tuple[str, ...]
    style: Literal["plain", "numbered", "ticks", "cautions"] = "plain"
    heading: str = ""
    kind: Literal["listing"] = "listing"


@dataclass(frozen=True)
class SignOff:
    """Lines to sign on paper."""

    names: tuple[str, ...]
    kind: Literal["signoff"] = "signoff"


@dataclass(frozen=True)
class FigureLine:
    """One of the few figures that matter: value, limits, where it lies, its target and the period before."""

    name: str
    meaning: str
    value: str
    limits: str = ""
    ruler: Markup = field(default_factory=Markup)
    target: str = ""
    mark: Mark = ""
    verdict: str = ""
    previous: str = ""
    reason: str = ""


Item = Sheet | Panel | Prose | Listing | SignOff


@dataclass(frozen=True)
class Section:
    """One section: a side-head, a note on how to read it, and its items."""

    slug: str
    title: str
    note: str
    items: tuple[Item, ...]

    @property
    def is_broad(self) -> bool:
        """True where a sheet has so many columns that it needs the width of the side-head, too."""
        return any(isinstance(item, Sheet) and len(item.heads) >= BROAD for item in self.items)


BROAD = 9  # columns of a sheet; nine are cut off beside a side-head on a screen 1280 px wide
REVIEW_HEADS = (Head("Value", "95 % limits"), Head("Where it lies"), Head("Target"), Head("Period before"))


@dataclass(frozen=True)
class Page:
    """One whole page. `facts` are the docket's terms; `answer` is the first thing read; `marked` its
    exceptions.
    """

    title: str
    press: str
    plant: str
    question: str
    facts: tuple[tuple[str, str], ...]
    answer: str
    mark: Mark
    marked: tuple[tuple[Mark, str], ...]
    sections: tuple[Section, ...]
    lines: tuple[FigureLine, ...] = ()
    lines_heads: tuple[Head, Head, Head, Head] = REVIEW_HEADS
    lines_note: str = ""


MARKS: dict[str, tuple[str, str]] = {
    "": ("", ""),
    "meets": ("●", "meets its target"),
    "misses": ("▲", "needs attention"),
    "undecided": ("◇", "cannot be told"),
}


def css_text(text: str) -> Markup:
    """Return a text as a CSS string that cannot end early: everything but letters, digits and blanks is
    escaped.

    Examples
    --------
    >>> str(css_text('a"b</style>'))
    '"a\\\\22 b\\\\3c \\\\2f style\\\\3e "'
    """
    safe = "".join(c if c.isascii() and (c.isalnum() or c == " ") else f"\\{ord(c):x} " for c in text)
    return Markup(f'"{safe}"')


def made_at() -> str:
    """Return when the page was made as it stands on it, "" when nobody said."""
    moment = time_of_making()
    return f"{moment:%Y-%m-%d %H:%M} UTC" if moment else ""


# Marks that turn the order of letters round: in a tag's name they would make the words beside it read otherwise.
_TURNS_LETTERS = {code: "\ufffd" for code in (*range(0x202A, 0x202F), *range(0x2066, 0x206A))}


@lru_cache(maxsize=1)
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined  # not for tables, which have no page

    environment = Environment(
        loader=PackageLoader("trendkit.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.globals.update(MARKS=MARKS, version=__version__, colours=palette, css_text=css_text)
    environment.globals.update(script=script(), script_hash=script_hash())
    return environment


def render(template: str, **values: Any) -> bytes:
    """Return a template of this room filled in, as UTF-8; an unknown name in it is an error."""
    text = _environment().get_template(template).render(made_at=made_at(), **values)
    return text.translate(_TURNS_LETTERS).encode("utf-8", errors="replace")


def render_page(page: Page, set_mark: str = "") -> bytes:
    """Return the page as one self-contained HTML text in UTF-8; `set_mark` is what its files have in common."""
    return render("page.html.j2", page=page, set_mark=set_mark)
