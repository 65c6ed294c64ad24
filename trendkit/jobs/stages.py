"""What is being done, and for how long, told on standard error to whoever sits at a terminal; silent otherwise."""

from __future__ import annotations

import sys
import time
from typing import Any


class Stages:
    """A moving bar with the name of the present stage; a stage that is over leaves a line with its time.

    Call it with a stage's name to begin that stage; `stop` ends the last one. Nothing is written where standard
    error is not a terminal. The library that draws is loaded with the first stage.
    """

    def __init__(self) -> None:
        self._bar: Any = None
        self._task: Any = None
        self._name = ""
        self._began = 0.0

    def __call__(self, name: str) -> None:
        """Begin a stage."""
        if not sys.stderr.isatty():
            return
        if self._bar is None:
            self._bar = _new_bar()
            self._bar.start()
        self._end_stage()
        self._name, self._began = name, time.monotonic()
        self._task = self._bar.add_task(name, total=None)

    def stop(self) -> None:
        """End the last stage and take the bar away, before anything else is written."""
        if self._bar is None:
            return
        self._end_stage()
        self._bar.stop()
        self._bar = None

    def _end_stage(self) -> None:
        if self._task is None:
            return
        self._bar.remove_task(self._task)
        self._bar.console.print(f"{self._name}, {time.monotonic() - self._began:.1f} s", style="dim", highlight=False)
        self._task = None


def _new_bar() -> Any:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (BarColumn(bar_width=22), TextColumn("{task.description}", markup=False), TimeElapsedColumn())
    return Progress(*columns, console=Console(stderr=True, markup=False), transient=True)
