"""The invented plants by name: what each is for, in one line, and what it is made of. Imports nothing heavy.

Every scenario exists with all meters (`NAME`, or `NAME-full`) and with few (`NAME-bare`: feed flow, belt drives,
polymer pump and bench grabs). The seed draws the press, its sludge and its crew anew; the scenario says what kind they
are.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from trendkit.errors import InputError, Problem

Depth = Literal["full", "bare"]
Optimum = Literal["inside", "flat", "beyond_fast", "beyond_slow"]
DEFAULT = "ordinary"


@dataclass(frozen=True)
class Scenario:
    """One kind of invented plant."""

    name: str
    summary: str
    depth: Depth = "full"
    speed_habit: Literal["untouched", "steady", "varied", "confounded", "step_test"] = "varied"
    optimum: Optimum = "inside"
    speed_spread: float = 0.48  # natural-log half width of the gravity speeds used
    upsets_per_run: float = 0.0
    share_overlapping: float = 0.0
    look_alikes_per_run: float = 0.0
    causes: tuple[str, ...] = ()  # empty: all of the contract
    severities: tuple[int, ...] = (1, 2, 3)
    faults_per_week: float = 0.0
    is_calibrated: bool = False  # meters without lasting error: noise of mean zero alone
    thickens: bool = False
    presses: int = 1
    dose_over_optimum: float = 1.08
    variation: float = 1.0  # of the feed
    records_changes: bool = False
    shape: str = "wide-csv"  # of shapes.SHAPES
    clock_timezone: str = ""  # of the exporting system; "": the plant's
    clock_ahead_s: float = 0.0


_KINDS = (
    Scenario(
        DEFAULT,
        "an ordinary plant: some upsets, a few meter faults, the gravity belt turned now and then",
        speed_spread=0.36,
        upsets_per_run=0.3,
        look_alikes_per_run=0.2,
        faults_per_week=2.0,
        thickens=True,
    ),
    Scenario("clean", "nothing goes wrong and no meter fails: what is reported is a false alarm", "full", "steady"),
    Scenario(
        "zero-mean",
        "as clean, and the meters' errors are noise of mean zero alone",
        "full",
        "steady",
        is_calibrated=True,
    ),
    Scenario(
        "upsets", "every cause in turn, mild to severe, at once and as ramps", "full", "steady", upsets_per_run=0.75
    ),
    Scenario("overlapping", "upsets in overlapping pairs", "full", "steady", upsets_per_run=0.6, share_overlapping=1.0),
    Scenario(
        "look-alikes",
        "planned changes, washes in mid-run and meter faults that are no upsets",
        speed_habit="steady",
        look_alikes_per_run=0.8,
        faults_per_week=4.0,
    ),
    Scenario("faults", "every meter fault in turn on a press that runs well", "full", "steady", faults_per_week=14.0),
    Scenario(
        "faults-long",
        "every meter fault in turn, bad quality among them: long exports with a quality column",
        speed_habit="steady",
        faults_per_week=14.0,
        shape="long-quality-csv-gz",
    ),
    Scenario("interior", "the best gravity belt speed lies inside the speeds that are run", speed_spread=0.55),
    Scenario("flat", "any gravity belt speed does", optimum="flat"),
    Scenario("edge-fast", "the best gravity belt speed is above all that are run", optimum="beyond_fast"),
    Scenario("edge-slow", "the best gravity belt speed is below all that are run", optimum="beyond_slow"),
    Scenario(
        "confounded",
        "the crew turns speed, dose and pressure belt after the feed and the cake",
        speed_habit="confounded",
        variation=1.4,
    ),
    Scenario("untouched", "the gravity belt speed is never changed", speed_habit="untouched"),
    Scenario("step-test", "one speed, and a week of deliberate steps in random order", speed_habit="step_test"),
    Scenario("thickening", "thickening on evening shifts, dewatering by day", thickens=True, upsets_per_run=0.2),
    Scenario(
        "over-dosed",
        "polymer well past the plateau: belts blind slowly through every run",
        speed_habit="steady",
        dose_over_optimum=1.42,
    ),
    Scenario("severe", "one severe upset on most days", "full", "steady", upsets_per_run=0.9, severities=(3,)),
    Scenario("mild", "one mild upset on most days", "full", "steady", upsets_per_run=0.9, severities=(1,)),
    Scenario(
        "changes-only",
        "an ordinary plant that records changes only",
        upsets_per_run=0.3,
        records_changes=True,
        shape="long-csv",
    ),
    Scenario(
        "other-clock",
        "exports in UTC from a clock that runs a minute and a half ahead",
        upsets_per_run=0.3,
        clock_timezone="UTC",
        clock_ahead_s=90.0,
    ),
    Scenario(
        "two-presses",
        "two presses of unlike size, long exports with a quality column",
        presses=2,
        upsets_per_run=0.25,
        faults_per_week=1.0,
        shape="long-quality-csv-gz",
    ),
)


def _with_bare(kinds: tuple[Scenario, ...]) -> dict[str, Scenario]:
    listed = {}
    for kind in kinds:
        listed[kind.name] = kind
        name = f"{kind.name}-bare"
        listed[name] = replace(kind, name=name, depth="bare", summary=f"{kind.name}, with few meters")
    return listed


SCENARIOS: dict[str, Scenario] = _with_bare(_KINDS)


def scenario_named(name: str, depth: Depth = "full") -> Scenario:
    """Return the scenario of that name ("" is the ordinary one), its bare form for depth "bare".

    "NAME-full" is another way to say "NAME".

    Raises
    ------
    InputError
        When there is none such; it lists those there are.
    """
    wanted = name.removesuffix("-full") or DEFAULT
    if wanted not in SCENARIOS:
        from difflib import get_close_matches

        near = get_close_matches(wanted, SCENARIOS, n=1)
        raise InputError(
            Problem(
                "there is no such scenario",
                place="--scenario",
                found=repr(name),
                expected=", ".join(SCENARIOS),
                hint=f"did you mean {near[0]}?" if near else None,
            )
        )
    if depth == "bare" and not wanted.endswith("-bare"):
        wanted = f"{wanted}-bare"
    return SCENARIOS[wanted]
