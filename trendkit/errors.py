"""What is wrong with a call, a plant file or an input: one plain sentence per problem.

Comes in: the place, what was found there, what was expected. Goes out: an exception the command line
prints as it stands and ends with exit code 2.
"""

from __future__ import annotations

import errno
from collections.abc import Iterable
from dataclasses import dataclass

# What moves a terminal's cursor or turns the order of letters round; names in files may hold it.
_UNSEEN = {code: "\ufffd" for code in (*range(32), *range(127, 160), *range(0x202A, 0x202F), *range(0x2066, 0x206A))}


def visible(text: str) -> str:
    """Return one line of text in which every control character from a file's names is seen as a replacement mark.

    Examples
    --------
    >>> visible("FLOW\\x1b[2J") == "FLOW\\ufffd[2J"
    True
    """
    return text.translate(_UNSEEN)


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
        return visible(text)


class InputError(Exception):
    """The call, the plant file or an input cannot be used; carries every problem of the stage at once."""

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(problem.sentence() for problem in self.problems))

    def in_one_line(self) -> str:
        """Return the first problem, and how many more there are."""
        more = len(self.problems) - 1
        return self.problems[0].sentence() + (f" (and {more} more)" if more else "")


_NO_ROOM = {errno.ENOSPC, errno.EFBIG} | {getattr(errno, "EDQUOT", errno.ENOSPC)}
_NO_RIGHT = {errno.EACCES, errno.EPERM, errno.EROFS}


def has_no_room(cause: BaseException) -> bool:
    """Return True for a failure because nothing more fits on the disk, whoever met it."""
    if isinstance(cause, OSError) and cause.errno is not None:
        return cause.errno in _NO_ROOM
    return "No space left" in str(cause) or "File too large" in str(cause)


def system_problem(cause: OSError) -> Problem | None:
    """Return the problem of a file or disk that the system refuses, None for a failure of another kind."""
    file = str(cause.filename) if cause.filename is not None else None
    if has_no_room(cause):
        hint = "make room on the disk of the output, of the archive and of temporary files, and call again"
        return Problem("no room is left on the disk", file, found=cause.strerror, hint=hint)
    if cause.errno in _NO_RIGHT:
        hint = "check the rights on it, and whether another program holds it open"
        return Problem("the system does not let this be read or written", file, found=cause.strerror, hint=hint)
    if file is not None:
        return Problem("this cannot be read or written", file, found=cause.strerror, hint="check the name and the disk")
    return None
