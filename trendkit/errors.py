"""What is wrong with a call, a plant file or an input: one plain sentence per problem.

Comes in: the place, what was found there, what was expected. Goes out: an exception the command line
prints as it stands and ends with exit code 2.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Problem:
    """One mistake: where it is, what was found, what was expected and what to do about it."""

    message: str
    file: str | None = None
    place: str | None = None  # "line 12", "column 'BFP1_FEED'", "press.tags.feed_flow.unit"
    found: str | None = None
    expected: str | None = None
    hint: str | None = None

    def sentence(self) -> str:
        """Return the problem as one line: place first, then what is wrong, found, expected, what to do.

        Examples
        --------
        >>> Problem("the unit is not known", "plant.toml", "line 4", "'gmp'", "a flow unit", "write gpm").sentence()
        "plant.toml, line 4: the unit is not known; found 'gmp'; expected a flow unit. To do: write gpm."
        """
        where = ", ".join(part for part in (self.file, self.place) if part)
        text = f"{where}: {self.message}" if where else self.message
        if self.found is not None:
            text += f"; found {self.found}"
        if self.expected is not None:
            text += f"; expected {self.expected}"
        text = text if text.endswith(("?", "!")) else text.rstrip(".") + "."
        if self.hint is not None:
            text += f" To do: {self.hint}" if self.hint.endswith(("?", "!")) else f" To do: {self.hint.rstrip('.')}."
        return text


class InputError(Exception):
    """The call, the plant file or an input cannot be used; carries every problem of the stage at once."""

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(problem.sentence() for problem in self.problems))

    def in_one_line(self) -> str:
        """Return the first problem, and how many more there are."""
        more = len(self.problems) - 1
        return self.problems[0].sentence() + (f" (and {more} more)" if more else "")
