"""Every mistake of a plant file, gathered on the way through it and raised once.

Comes in: the place (key path) and what is wrong there. Goes out: one InputError, sorted by line.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches

from trendkit.errors import InputError, Problem
from trendkit.plant.bounds import Bound
from trendkit.plant.quantities import parse_quantity
from trendkit.plant.toml_lines import Path, line_of


def dotted(path: Path) -> str:
    """Return a key path as the file writes it, numbers of array items left out (the line tells which)."""
    return ".".join(str(part) for part in path if isinstance(part, str))


def nearest(word: str, known: Iterable[str], cutoff: float = 0.6) -> str | None:
    """Return the known word most like `word`, None when none is near."""
    by_fold = {each.casefold(): each for each in known}
    match = get_close_matches(word.casefold(), by_fold, n=1, cutoff=cutoff)
    return by_fold[match[0]] if match else None


def or_list(words: Iterable[str]) -> str:
    """Return words as people list them: "a, b or c"."""
    words = list(words)
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " or " + words[-1]


@dataclass
class Mistakes:
    """The mistakes and cautions of one plant file, with the place of each."""

    file: str
    lines: Mapping[Path, int]
    found: list[tuple[Path, Problem]] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)
    settled: set[Path] = field(default_factory=set)  # keys already reported: their absence is no second mistake

    def add(
        self,
        path: Path,
        message: str,
        found: str | None = None,
        expected: str | None = None,
        hint: str | None = None,
    ) -> None:
        """Note one mistake at a key path."""
        line = line_of(self.lines, path)
        place = ", ".join(part for part in (f"line {line}" if line else "", dotted(path)) if part)
        self.found.append((path, Problem(message, self.file, place or None, found, expected, hint)))

    def missing(self, path: Path, expected: str) -> None:
        """Note a key that must be there and is not, unless a misspelling of it is already noted."""
        if path not in self.settled:
            self.add(path, "this key is missing", expected=expected)

    def unknown(self, path: Path, what: str, word: str, known: Iterable[str]) -> None:
        """Note a word outside a fixed list, with the nearest one."""
        known = list(known)
        near = nearest(word, known)
        hint = f"perhaps {near!r} is meant" if near else None
        self.add(path, f"this {what} is not known", found=repr(word), expected=or_list(known), hint=hint)

    def adopt(self, path: Path, error: InputError) -> None:
        """Note the problems of a text that could not be read, at its key path."""
        for problem in error.problems:
            self.add(path, problem.message, problem.found, problem.expected, problem.hint)

    def quantity(
        self,
        path: Path,
        text: str | None,
        unit: str,
        bound: Bound | None = None,
        density_kg_m3: float | None = None,
    ) -> float | None:
        """Return a quantity in its SI unit; None when it is absent or wrong, which is then noted."""
        if text is None:
            return None
        try:
            value = parse_quantity(text, unit, density_kg_m3)
        except InputError as error:
            self.adopt(path, error)
            return None
        if bound is not None and not bound.holds(value):
            self.add(path, f"this cannot be {bound.what}", found=repr(text), expected=bound.sentence())
            return None
        if bound is not None and not bound.is_usual(value):
            self.cautions.append(f"{dotted(path)} = {text!r} is unusual: {bound.usual_sentence()}")
        return value

    def required(self, path: Path, text: str | None, unit: str, bound: Bound) -> float | None:
        """Return a quantity that must be there, None when it is missing or wrong, which is noted."""
        if text is None:
            self.missing(path, f"{bound.what}, {bound.sentence()}")
        return self.quantity(path, text, unit, bound)

    def raise_all(self) -> None:
        """Raise one InputError with every mistake, in the order of the file."""
        if self.found:
            order = sorted(self.found, key=lambda each: line_of(self.lines, each[0]) or 0)
            raise InputError(problem for _, problem in order)
