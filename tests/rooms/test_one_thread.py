"""Linear algebra takes one thread, unless the user says otherwise: same digits on every computer, no waiting."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

THREADS = Path("/proc/self/task")  # where the system tells a process's threads
ASK = (
    "import trendkit.cli, numpy, os; from pathlib import Path; numpy.ones((300, 300)) @ numpy.ones((300, 300)); "
    f"print(os.environ['OPENBLAS_NUM_THREADS'], len(list(Path('{THREADS}').iterdir())) if {THREADS.exists()} else 1)"
)


@pytest.mark.parametrize("told", [None, "2"])
def test_the_command_takes_one_thread_unless_it_is_told(told: str | None) -> None:
    usual = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    environment = usual | ({} if told is None else {"OPENBLAS_NUM_THREADS": told})
    done = subprocess.run([sys.executable, "-c", ASK], env=environment, capture_output=True, text=True, check=True)
    setting, threads = done.stdout.split()
    assert setting == (told or "1")
    assert threads == "1" or told == "2"


def test_these_tests_take_one_thread() -> None:
    assert os.environ["OPENBLAS_NUM_THREADS"] == "1"
