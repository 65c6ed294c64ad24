"""Are the bounds of pyproject.toml true? The wheel's tests in two fresh environments: lowest versions and newest.

    python tests/benchmarks/dependency_bounds.py [--tests tests/published tests/rooms] [--keep DIR] [--ends lowest newest]

Builds the wheel, prints its size, installs it in a fresh environment for each end, copies `tests/` away from the checkout
and runs them there, so that what is tested is the installed copy. Prints a table of the versions met and the outcome.
"""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
import venv
import zipfile
from pathlib import Path

CHECKOUT = Path(__file__).resolve().parents[2]
MOST_BYTES = 1_000_000
USUAL = ("tests/published", "tests/rooms", "tests/journeys/test_main_job.py", "tests/journeys/test_bad_input.py")


def bounds(requirements: list[str]) -> dict[str, str]:
    """Return the lowest version of each requirement that states one, the name with its extras."""
    found = {}
    for each in requirements:
        stated = re.match(r"([A-Za-z0-9_.\-]+(?:\[[a-z]+\])?)\s*>=\s*([0-9.]+)", each)
        if stated:
            found[stated[1]] = stated[2]
    return found


def run(*words: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run a command; return what it said."""
    return subprocess.run([*map(str, words)], capture_output=True, text=True, encoding="utf-8", cwd=cwd)


def build_wheel(into: Path) -> Path:
    """Build the wheel of the checkout with `python -m build`; return its path."""
    done = run(sys.executable, "-m", "build", "--wheel", "--outdir", into, CHECKOUT)
    if done.returncode:
        sys.exit(f"the wheel was not built:\n{done.stdout[-2000:]}{done.stderr[-2000:]}")
    return next(into.glob("trendkit-*.whl"))


def environment(folder: Path, wheel: Path, lowest: dict[str, str]) -> tuple[Path, str]:
    """Make an environment with the wheel and the test tools; return its interpreter and a complaint or ""."""
    venv.create(folder, with_pip=True)
    python = folder / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")
    pinned = [f"{name}=={version}" for name, version in lowest.items()]
    done = run(python, "-m", "pip", "install", "-q", f"{wheel}[test]", *pinned)
    return python, done.stderr[-1500:] if done.returncode else ""


def versions(python: Path, names: list[str]) -> dict[str, str]:
    """Return the version of each package an interpreter has."""
    plain = [name.split("[")[0] for name in names]
    code = f"import importlib.metadata as m\nfor n in {plain!r}: print(n, m.version(n))"
    return dict(line.split() for line in run(python, "-c", code).stdout.splitlines())


def outcome(python: Path, folder: Path, tests: list[str]) -> str:
    """Run the tests in a copy outside the checkout; return the last line, and what failed."""
    away = folder / "away"
    shutil.copytree(CHECKOUT / "tests", away / "tests", ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
        shutil.copy(CHECKOUT / name, away)
    shutil.copytree(CHECKOUT / "sample_exports", away / "sample_exports")
    begun = time.monotonic()
    done = run(python, "-m", "pytest", "-q", "-n", "2", "-p", "no:cacheprovider", *tests, cwd=away)
    lines = done.stdout.strip().splitlines()
    failed = [line for line in lines if line.startswith(("FAILED", "ERROR"))]
    last = lines[-1] if lines else done.stderr[-500:]
    return "\n".join([f"exit {done.returncode}, {time.monotonic() - begun:.0f} s: {last}", *failed])


def main() -> None:
    """Print the table of both ends."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--tests", nargs="+", default=list(USUAL))
    asked.add_argument("--ends", nargs="+", default=["lowest", "newest"], choices=["lowest", "newest"])
    asked.add_argument("--keep", type=Path, help="folder for wheel and environments; without it, removed at the end")
    words = asked.parse_args()
    project = tomllib.loads((CHECKOUT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lowest = bounds(project["dependencies"]) | bounds(project["optional-dependencies"]["cluster"])
    with tempfile.TemporaryDirectory(prefix="trendkit-bounds-") as scratch:
        folder = words.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        wheel = build_wheel(folder)
        size, files = wheel.stat().st_size, len(zipfile.ZipFile(wheel).namelist())
        verdict = "within" if size <= MOST_BYTES else "OVER"
        print(
            f"wheel {wheel.name}: {size / 1000:.0f} kB, {files} files, {verdict} {MOST_BYTES / 1000:.0f} kB", flush=True
        )
        found, results = {}, {}
        for end in words.ends:
            python, complaint = environment(folder / end, wheel, lowest if end == "lowest" else {})
            found[end] = {} if complaint else versions(python, list(lowest))
            results[end] = f"not installed: {complaint}" if complaint else outcome(python, folder / end, words.tests)
            print(f"{end}: {results[end]}", flush=True)
        print(f"\n{'package':26}" + "".join(f"{end:>14}" for end in words.ends))
        for name in lowest:
            row = "".join(f"{found[end].get(name.split('[')[0], '-'):>14}" for end in words.ends)
            print(f"{name:26}{row}")


if __name__ == "__main__":
    main()
