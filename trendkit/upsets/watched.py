"""What is watched for upsets, read from `watched.csv`: columns, the roles that speak for them, their limits.

The severity steps are the contract's. `least` is the smallest change worth calling a sign (common practice):
about half the first severity step where there is one.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from importlib.resources import files
from typing import Literal, cast

Place = Literal["feed", "gravity", "discharge"]
Side = Literal["up", "down", "both"]
Scale = Literal["points", "percent"]

KIND_ORDER = (
    "belt_trip",
    "press_stop",
    "wet_cake",
    "low_capture",
    "ponding",
    "overload",
    "dose_off",
    "feed_swing",
    "belt_speed_off",
    "washwater_low",
    "tension_low",
)
STOP_STEPS_MIN = (5.0, 20.0, 60.0)  # severity of belt_trip and press_stop, by how long they last


@dataclass(frozen=True)
class Watched:
    """One watched column and how far from normal it may go.

    `given` names the judged columns its normal level depends on, so that the press is not blamed for what
    they do (`fed_flow`, `fed_solids`: the feed that made what is discharged now). `place` says which
    sludge a reading speaks of: that entering, that in the gravity zone, that discharged. `scale`: changes
    are in the column's own points or in percent of the normal level.
    """

    name: str
    column: str
    role: str
    group: str
    label: str
    place: Place
    scale: Scale
    least: float  # smallest change worth a sign, in `scale`
    kind: str | None  # the upset kind a change to `side` makes, None: evidence only
    side: Side
    steps: tuple[float, float, float] | None  # severity 1, 2, 3 in `scale`
    given: tuple[str, ...]
    is_effect: bool  # what comes out, as against what causes it
    is_check: bool  # tells meters and intentions from the press: evidence, never a sign by itself
    crew_spread: float  # in percent, what crews usually turn it by (common practice); 0: nobody sets it
    habit: float  # in percent, the least spread of moves granted: crews turn it so now and then, or pace it anew
    modes: tuple[str, ...]

    @property
    def is_setting(self) -> bool:
        """The crew sets it: alone it is no upset, only what comes of it."""
        return self.crew_spread > 0.0

    @property
    def is_paced(self) -> bool:
        """Crews set it by what was last known of the feed, and anew when a grab comes back."""
        return self.role == "polymer_flow"

    @property
    def worse(self) -> int:
        """The side, +1 or -1, to which an effect gets worse; cake and capture down, the rest up."""
        return -1 if self.side == "down" or self.name == "thickened_solids" else 1

    def severity(self, change: float, side: int) -> int:
        """Return the severity 0 to 3 of a change of `change` (in `scale`, positive) to `side` (+1 or -1).

        Examples
        --------
        >>> BY_NAME["cake_solids"].severity(2.3, -1)
        2
        >>> BY_NAME["cake_solids"].severity(2.3, +1)
        0
        """
        if self.kind is None or self.steps is None:
            return 0
        if self.side != "both" and side != (1 if self.side == "up" else -1):
            return 0
        return sum(change >= step for step in self.steps)


def _read() -> tuple[Watched, ...]:
    text = files("trendkit.upsets").joinpath("watched.csv").read_text(encoding="utf-8")
    rows = []
    for row in csv.DictReader(text.splitlines()):
        steps = tuple(float(row[f"step_{number}"]) for number in (1, 2, 3)) if row["step_1"] else None
        rows.append(
            Watched(
                name=row["name"],
                column=row["column"],
                role=row["role"],
                group=row["group"],
                label=row["label"],
                place=cast(Place, row["place"]),
                scale=cast(Scale, row["scale"]),
                least=float(row["least"]),
                kind=row["kind"] or None,
                side=cast(Side, row["side"]),
                steps=cast("tuple[float, float, float] | None", steps),
                given=tuple(row["given"].split()),
                is_effect=row["is_effect"] == "yes",
                is_check=row["is_check"] == "yes",
                crew_spread=float(row["crew_spread"] or 0.0),
                habit=float(row["habit"] or 0.0),
                modes=tuple(row["modes"].split()),
            )
        )
    return tuple(rows)


WATCHED: tuple[Watched, ...] = _read()
BY_NAME: dict[str, Watched] = {watched.name: watched for watched in WATCHED}
