"""Tasks worked on by processes: local ones started for the occasion, or those of a running cluster.

Dask distributed does the work; it is loaded here alone, and only when `district` is called.
"""

from __future__ import annotations

import logging
import os
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any, TypeVar

from trendkit import __version__
from trendkit.errors import InputError, Problem

Task = TypeVar("Task")
Result = TypeVar("Result")

_ANSWERS_WITHIN_S = 10  # a scheduler
_APPEARS_WITHIN_S = 30  # the first worker
_REAPPEARS_WITHIN_S = 60  # any worker, after the last one went
_LOOK_EVERY_S = 2
_NO_WORKER = "All workers went away and none came back; start some and call again: what is made is not made again."
_NO_PAGES: dict[str, list[str]] = {"distributed.scheduler.http.routes": [], "distributed.worker.http.routes": []}
_MISSING = Problem(
    "this command needs the optional part 'cluster', which is not installed",
    place="district",
    expected="Dask distributed",
    hint='python -m pip install "trendkit[cluster]"',
)


def work_through(
    work: Callable[[Task], Result], tasks: Sequence[Task], scheduler: str | None, workers: int | None
) -> Iterator[tuple[Task, Result | str]]:
    """Yield each task with its result as it comes in, or with one sentence saying why it has none.

    A task whose worker died is given to another; one that takes several workers down with it is given up.

    Raises
    ------
    InputError
        When Dask distributed is not installed, no scheduler answers, or its workers cannot do the work.
    """
    distributed = _distributed()
    with _client(distributed, scheduler, workers or min(os.cpu_count() or 1, len(tasks))) as client:
        _require_same_version(client, scheduler)
        yield from _results(distributed, client, work, deque(tasks))


def _results(
    distributed: Any, client: Any, work: Callable[[Task], Result], waiting: deque[Task]
) -> Iterator[tuple[Task, Result | str]]:
    """Yield tasks as they are done, with as many under way as the workers have threads.

    No worker holds a task in reserve, so that one which dies takes only the task down that it was working on. When
    all workers have been gone for a while, no task is waited for any longer.
    """
    under_way: dict[Any, Task] = {}
    seen_at = time.monotonic()  # a worker, or what one did
    while waiting or under_way:
        threads = sum(client.nthreads().values())
        while waiting and len(under_way) < max(threads, 1):
            task = waiting.popleft()
            under_way[client.submit(work, task, pure=False)] = task
        done = _done_within(distributed, under_way, _LOOK_EVERY_S)
        for future in done:
            yield under_way.pop(future), future.result() if future.status == "finished" else _why(future)
        if threads or done:
            seen_at = time.monotonic()
        elif time.monotonic() - seen_at > _REAPPEARS_WITHIN_S:
            client.cancel(list(under_way))
            yield from ((task, _NO_WORKER) for task in (*under_way.values(), *waiting))
            return


def _done_within(distributed: Any, under_way: dict[Any, Task], seconds: float) -> list[Any]:
    """Return the futures done by now, in the order they were given, waiting for the first; [] after some seconds."""
    with suppress(TimeoutError):
        distributed.wait(list(under_way), timeout=seconds, return_when="FIRST_COMPLETED")
    return [future for future in under_way if future.done()]


def _distributed() -> Any:
    try:
        import distributed
    except ImportError:
        raise InputError(_MISSING) from None
    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what goes wrong is said by the command
    return distributed


@contextmanager
def _client(distributed: Any, scheduler: str | None, workers: int) -> Iterator[Any]:
    if scheduler is None:
        import dask

        # loopback only; a process works on one press at a time and is stopped before the machine is full
        with (
            dask.config.set(_NO_PAGES),
            distributed.LocalCluster(
                n_workers=workers,
                threads_per_worker=1,
                host="127.0.0.1",
                dashboard_address="127.0.0.1:0",  # None would take a fixed port, and warn when it is taken
                silence_logs=logging.CRITICAL,
            ) as cluster,
            distributed.Client(cluster) as client,
        ):
            yield client
        return
    try:
        client = distributed.Client(scheduler, timeout=_ANSWERS_WITHIN_S)
    except (OSError, ValueError, TypeError) as cause:
        raise InputError(_no_scheduler(scheduler, cause)) from None
    with client:
        yield client


def _no_scheduler(scheduler: str, cause: Exception) -> Problem:
    return Problem(
        "no scheduler answers at this address",
        place="--scheduler",
        found=f"{scheduler} ({str(cause).splitlines()[0] or type(cause).__name__})",
        expected="the address a running Dask scheduler prints, such as tcp://10.0.0.5:8786",
        hint="start it with: dask scheduler; or leave --scheduler out to work on this machine",
    )


def _version() -> str:
    return __version__


def _require_same_version(client: Any, scheduler: str | None) -> None:
    """Refuse a cluster without a worker, or whose workers lack this version of trendkit."""
    place = "--scheduler" if scheduler else "district"
    expected = f"workers with trendkit {__version__}"
    try:
        client.wait_for_workers(1, timeout=_APPEARS_WITHIN_S)
        versions = client.run(_version)
    except TimeoutError:
        problem = Problem(
            "the scheduler has no worker", place=place, expected=expected, hint="start some with: dask worker ADDRESS"
        )
        raise InputError(problem) from None
    except ImportError as cause:
        problem = Problem("a worker cannot load trendkit", place=place, found=str(cause), expected=expected)
        raise InputError(problem) from None
    others = sorted({version for version in versions.values() if version != __version__})
    if others:
        raise InputError(
            Problem(
                "the workers run another version of trendkit", place=place, found=", ".join(others), expected=expected
            )
        )


def _why(future: Any) -> str:
    """Return in one sentence why a task has no result."""
    error = None if future.cancelled() else future.exception()
    if error is None:
        return "The connection to the scheduler was lost before this press was done."
    if type(error).__name__ == "KilledWorker":
        return "Every worker that took this press died on it; perhaps it needs more memory than a worker has."
    return f"Something unforeseen went wrong on the worker ({type(error).__name__}: {error})."
