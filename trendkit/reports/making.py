"""When a page or workbook was made: only what the caller says it was, so that equal inputs give equal bytes."""

from __future__ import annotations

import os
from datetime import UTC, datetime

from trendkit.errors import InputError, Problem

NAME = "SOURCE_DATE_EPOCH"


def time_of_making() -> datetime | None:
    """Return the moment SOURCE_DATE_EPOCH gives (seconds since 1970 UTC); None without it.

    The clock of the computer is never asked.

    Raises
    ------
    InputError
        When it is set to anything else.
    """
    told = os.environ.get(NAME, "").strip()
    if not told:
        return None
    try:
        if not (told.isascii() and told.isdigit()):
            raise ValueError
        return datetime.fromtimestamp(int(told), UTC)
    except (ValueError, OverflowError, OSError) as cause:
        problem = Problem(
            "the time to put on the pages cannot be read",
            place=f"environment variable {NAME}",
            found=repr(told[:40]),
            expected="whole seconds since 1970-01-01 00:00 UTC",
            hint="correct it, or unset it: the pages then carry no time of making",
        )
        raise InputError(problem) from cause
