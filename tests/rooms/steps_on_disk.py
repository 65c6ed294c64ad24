"""Calls that touch the disk, counted; a process that dies (kill -9) just before one of them."""

import os
import signal
from collections.abc import Iterable


def count_steps(calls: Iterable[tuple[object, str]], die_at: int | None = None) -> list[str]:
    """Note each of some calls (owner, name) from now on; kill this process just before the `die_at`-th."""
    steps: list[str] = []

    def counted(owner: object, name: str) -> None:
        real = getattr(owner, name)

        def before(*given: object, **named: object) -> object:
            steps.append(name)
            if len(steps) == die_at:
                os.kill(os.getpid(), signal.SIGKILL)
            return real(*given, **named)

        setattr(owner, name, before)

    for owner, name in calls:
        counted(owner, name)
    return steps
