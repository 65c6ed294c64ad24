"""Score the package against the simulator's truth, through the real path from files to answers.

    python tests/benchmarks/score.py upsets|faults|figures|coverage|accuracy|tuning|compare|all [--seeds 40] [--first 1000] [--bare] [--workers 2]

`coverage --seeds 600` plays 600 short months; `tuning --scenarios interior` takes `--seeds 200` for coverage;
`compare --seeds 60` makes 600 comparisons. Both leave the files out unless --read: tuning then has a
reading a minute, compare the true press days. Seeds below 1000 are for development;
score with seeds from 1000 on.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterable

from played import over_seeds
from score_accuracy import accuracy_lines, score_accuracy
from score_compare import compare_lines, score_compare, score_lived
from score_coverage import coverage_lines
from score_faults import fault_lines, score_faults
from score_figures import figure_lines, score_figures
from score_tuning import over_unfiled, score_tuning, tuning_lines
from score_upsets import false_alarm_lines, score_upsets, upset_lines

TUNING_SCENARIOS = ("interior", "confounded", "flat", "edge-fast", "edge-slow", "step-test", "untouched")


def _said(title: str, lines: Iterable[str], begin: float) -> None:
    print(f"\n== {title} ({time.perf_counter() - begin:.0f} s)")
    for line in lines:
        print(line)


def _seeds(asked: argparse.Namespace, most: int | None = None) -> range:
    return range(asked.first, asked.first + min(asked.seeds, most or asked.seeds))


def _named(asked: argparse.Namespace, scenario: str) -> str:
    return f"{scenario}-bare" if asked.bare else scenario


def upsets(asked: argparse.Namespace) -> None:
    """Print recall, precision, timing and causes; then false alarms where nothing went wrong."""
    days = asked.days or 56
    for scenario in asked.scenarios or ("upsets", "overlapping", "look-alikes"):
        begin = time.perf_counter()
        scores = over_seeds(score_upsets, _named(asked, scenario), days, _seeds(asked), asked.workers)
        _said(
            f"upsets, {_named(asked, scenario)}, {len(scores)} plants, {days} days",
            _upset_lines(scenario, scores),
            begin,
        )
    for scenario, per in (("clean", "days"), ("faults", "faults")):
        begin = time.perf_counter()
        scores = over_seeds(score_upsets, _named(asked, scenario), days, _seeds(asked), asked.workers)
        _said(f"false alarms, {_named(asked, scenario)}", false_alarm_lines(scores, per), begin)


def _upset_lines(scenario: str, scores: list) -> list[str]:
    if scenario == "look-alikes":
        return false_alarm_lines(scores, "days")
    return upset_lines(scores)


def faults(asked: argparse.Namespace) -> None:
    """Print recall and precision of instrument faults, by name."""
    begin, days = time.perf_counter(), asked.days or 42
    scores = over_seeds(score_faults, _named(asked, "faults"), days, _seeds(asked), asked.workers)
    _said(f"instrument faults, {_named(asked, 'faults')}, {len(scores)} plants", fault_lines(scores), begin)


def figures(asked: argparse.Namespace) -> None:
    """Print error and coverage of the period figures."""
    for scenario in asked.scenarios or ("clean",):
        begin, days = time.perf_counter(), asked.days or 14
        scores = over_seeds(score_figures, _named(asked, scenario), days, _seeds(asked), asked.workers)
        _said(f"figures, {_named(asked, scenario)}, {len(scores)} plants, {days} days", figure_lines(scores), begin)


def coverage(asked: argparse.Namespace) -> None:
    """Print how often the 95 % limits of a short month hold the truth, and how wide they are for it."""
    for scenario in asked.scenarios or ("clean",):
        begin, days = time.perf_counter(), asked.days or 7
        scores = over_seeds(score_figures, _named(asked, scenario), days, _seeds(asked), asked.workers)
        _said(f"coverage, {_named(asked, scenario)}, {len(scores)} plants, {days} days", coverage_lines(scores), begin)


def accuracy(asked: argparse.Namespace) -> None:
    """Print how near minutes, phases and totals come to the truth, meters without lasting error; then grabs alone."""
    for scenario, is_bare in (("zero-mean", False), ("zero-mean-bare", True)):
        begin, days = time.perf_counter(), asked.days or 28
        scores = over_seeds(score_accuracy, scenario, days, _seeds(asked), asked.workers)
        _said(f"accuracy, {scenario}, {len(scores)} plants, {days} days", accuracy_lines(scores, is_bare), begin)


def tuning(asked: argparse.Namespace) -> None:
    """Print error, regret and coverage of the recommended speed, scenario by scenario; --read takes the way by files."""
    for scenario in asked.scenarios or TUNING_SCENARIOS:
        begin, days, name = time.perf_counter(), asked.days or 84, _named(asked, scenario)
        if asked.read:
            scores = over_seeds(score_tuning, name, days, _seeds(asked), asked.workers)
        else:
            scores = over_unfiled(name, days, _seeds(asked), asked.workers)
        kind = f"{name}, {'read from files' if asked.read else 'a reading a minute, no files'}"
        _said(f"tuning, {kind}, {len(scores)} plants, {days} days", tuning_lines(scores), begin)


def compare(asked: argparse.Namespace) -> None:
    """Print false positives and coverage of before/after comparisons, ten a plant; --read takes the way by files."""
    for scenario in asked.scenarios or ("ordinary",):
        begin, days = time.perf_counter(), asked.days or 84
        if asked.read:
            scores = over_seeds(score_compare, _named(asked, scenario), days, _seeds(asked), asked.workers)
        else:
            scores = [score_lived(_named(asked, scenario), days, seed) for seed in _seeds(asked)]
        kind = f"{_named(asked, scenario)}, {'read from files' if asked.read else 'true press days'}"
        _said(f"compare, {kind}, {len(scores)} plants, {days} days", compare_lines(scores), begin)


WHAT = {
    "upsets": upsets,
    "faults": faults,
    "figures": figures,
    "coverage": coverage,
    "accuracy": accuracy,
    "tuning": tuning,
    "compare": compare,
}


def main() -> None:
    """Read the call and print the scores asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=[*WHAT, "all"])
    parser.add_argument("--seeds", type=int, default=40)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--days", type=int)
    parser.add_argument("--scenarios", nargs="+")
    parser.add_argument("--bare", action="store_true")
    parser.add_argument("--read", action="store_true", help="tuning, compare: through files")
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args()
    for name in WHAT if asked.what == "all" else (asked.what,):
        WHAT[name](asked)


if __name__ == "__main__":
    main()
