"""Coverage-guided fuzzing of every reader: `python tests/benchmarks/fuzz.py [TARGET ...] [--seconds 60] [--seed 1]`.

Needs atheris (`pip install ".[fuzz]"`, Linux). Each target runs in a process of its own, from the seeds of
tests/rooms/fuzz_targets.py and the crashes found before (tests/data/fuzz). A new crash is an exception other than
an InputError, or an input that takes over ten seconds; one input of each place it comes from is kept in --found.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import subprocess
import sys
import time
import traceback
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TESTS / "rooms"))
SLOW_S = 10.0
INSTRUMENTED = ("trendkit.exports", "trendkit.plant", "trendkit.tuning.step_sheet", "trendkit.archive.manifest")
# Pieces a file is made of, which bytes turned one by one would hardly ever spell.
WORDS = (
    "FLOW|SOLIDS|RUN|Time|Tag|Value|Quality|Timestamp|,|;|\\x09|\\x0a|\\x0d\\x0a|\\x22|\\x00|\\xff\\xfe|\\xef\\xbb\\xbf|2026-03-14 08:00:00|"
    "14.03.2026 24:00|03/14/26 8:00 PM|2026-03-08 02:30|2026-11-01 01:30|1772409600|46000.5|1e400|-inf|nan|<2|1.234,5|"
    "1_000|Bad|192|0x80000000|0x40920000|ON|+02:00|Z|gal/min|%TS|mg/L|unit|press|point|analysis|wet_mass|active|"
    "[plant]|[[press]]|[press.tags.feed_flow]|tag = |unit = |kind = |scale = [[|range = [|set = {|from = 2026-03-01|"
    "timezone = |[lab]|[[shared]]|[[exclude]]|[[press.change]]|= \\x22|1e308|9999-12-31|<row r=|<c r=|t=|<v>|</v></c>"
)


class Fuzzed:
    """Runs one target on inputs and keeps one input of each place that fails."""

    def __init__(self, name: str, found: Path, seconds: int, runs: int) -> None:
        from fuzz_targets import TARGETS

        from trendkit.errors import InputError

        self.target, self.refused, self.name, self.found = TARGETS[name], InputError, name, found
        self.seconds, self.runs, self.begun = seconds, runs, time.monotonic()
        self.count, self.crashes = 0, {}

    def __call__(self, content: bytes) -> None:
        self.count += 1
        begun = time.monotonic()
        try:
            self.target(content)
        except self.refused:
            pass
        except Exception as cause:
            self._keep(content, cause)
        if time.monotonic() - begun > SLOW_S:
            self._keep(content, TimeoutError(f"took {time.monotonic() - begun:.0f} s"))
        self._end_in_time()

    def _end_in_time(self) -> None:
        """Tell what was done and end the process once time or runs are used up; libFuzzer would end it without a word."""
        taken = time.monotonic() - self.begun
        if taken > self.seconds or self.count == self.runs:
            print(
                f"{self.name:15} {self.count:9,} executions in {taken:5.0f} s, {len(self.crashes)} crashes", flush=True
            )
            os._exit(0)

    def _keep(self, content: bytes, cause: Exception) -> None:
        frames = [f"{Path(each.filename).name}:{each.lineno}" for each in traceback.extract_tb(cause.__traceback__)]
        ours = [each for each in traceback.extract_tb(cause.__traceback__) if "trendkit" in each.filename]
        place = (
            f"{type(cause).__name__} in {Path(ours[-1].filename).name}:{ours[-1].lineno}" if ours else str(frames[-1:])
        )
        if place not in self.crashes:
            self.crashes[place] = str(cause)[:100]
            self.found.mkdir(parents=True, exist_ok=True)
            path = self.found / f"{self.name}-{hashlib.sha256(content).hexdigest()[:12]}"
            path.write_bytes(content)
            print(f"  crash: {place}: {cause!s:.100} ({path})", flush=True)


def fuzz_here(name: str, seconds: int, seed: int, found: Path, runs: int) -> None:
    """Fuzz one target in this process, which libFuzzer ends."""
    import tempfile

    import atheris

    with atheris.instrument_imports(include=list(INSTRUMENTED)):
        import fuzz_targets
    corpus = Path(tempfile.mkdtemp(prefix="trendkit-corpus-"))
    seeds = [*fuzz_targets.SEEDS[name], *(path.read_bytes() for path in (TESTS / "data" / "fuzz").glob(f"{name}-*"))]
    for number, content in enumerate(seeds):
        (corpus / str(number)).write_bytes(content)
    (corpus.parent / f"{corpus.name}.dict").write_text("\n".join(f'"{word}"' for word in WORDS.split("|")) + "\n")
    fuzzed = Fuzzed(name, found, seconds, runs)
    limits = [
        f"-dict={corpus}.dict",
        f"-max_total_time={seconds + 60}",
        f"-seed={seed}",
        "-max_len=6000",
        "-verbosity=0",
        "-print_final_stats=0",
        "-rss_limit_mb=4000",
    ]

    atheris.Setup([sys.argv[0], *limits, str(corpus)], fuzzed)
    atheris.Fuzz()


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("targets", nargs="*")
    asked.add_argument("--seconds", type=int, default=60, help="for each target")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--runs", type=int, default=0, help="at most; 0: as many as the time allows")
    asked.add_argument("--found", type=Path, default=Path("fuzz-found"))
    asked.add_argument("--here", action="store_true", help=argparse.SUPPRESS)
    given = asked.parse_args()
    if given.here:
        fuzz_here(given.targets[0], given.seconds, given.seed, given.found, given.runs)
        return
    from fuzz_targets import TARGETS

    failed = False
    for name in given.targets or [each for each in TARGETS if each != "any_reader"]:
        words = [
            name,
            "--here",
            "--seconds",
            given.seconds,
            "--seed",
            given.seed,
            "--runs",
            given.runs,
            "--found",
            given.found,
        ]
        done = subprocess.run(
            [sys.executable, __file__, *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        print(done.stdout, end="", flush=True)
        failed |= "executions" not in done.stdout or "  crash: " in done.stdout
        if "executions" not in done.stdout:
            print(f"{name:15} ended with code {done.returncode}", flush=True)
    sys.exit(int(failed))


if __name__ == "__main__":
    main()
