"""What no column shows beyond doubt by itself: all signs of a cause tested together.

Comes in: the scene of one mode. Goes out: `Joint` findings, stretches in which the signs of one cause moved together
further than they do by chance.

Stretches of several lengths are held against the same run just before. The changes of all columns, in their own usual
spreads, are taken for normal with the correlations they had in earlier runs; a cause says which of them go up or down.
What the others account for is taken out, and the likelihood ratio of "nothing moved" against "some of them moved its
way" is approximated as Tang, Gnecco and Geller do for one-sided alternatives (Biometrika 76, 1989; value from memory):
``sum(max(0, A x)**2)`` with ``A`` the symmetric root of the inverse covariance. Its maximum over onset and length is
the generalised likelihood ratio of Basseville and Nikiforov (Detection of Abrupt Changes, 1993, chapter 2; value from
memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trendkit.upsets.causes import NO_UPSET, Row
from trendkit.upsets.changed import Changes, changes_of
from trendkit.upsets.trials import Scene
from trendkit.upsets.watched import BY_NAME

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]

LENGTHS_S = (900.0, 1800.0, 3600.0, 7200.0, 10800.0)
# With the three or four signs a cause has, chance reaches it once in 100,000 stretches; a month has some 10,000 that
# tell of different things.
BEYOND_CHANCE = 5.0
MOVED = 2.0  # spreads: what a cause cannot do without has moved, and what speaks against it
INPUT_MOVED = 3.0  # of one input at least: effects alone have longer tails than their correlations allow for
SHRUNK = 0.15  # of the correlations, towards none: some twenty runs say as much about them
CALM = 3.0  # spreads, beyond which what the other columns did is not followed


@dataclass(frozen=True)
class Joint:
    """Signs of `cause` that moved together in blocks `first` to `last` (exclusive) of the sludge as it was fed."""

    cause: str  # as the signature table names it, variant included
    first: int
    last: int
    statistic: float
    moved: tuple[tuple[str, int, float], ...]  # column, side, spreads that the other columns do not account for


@dataclass(frozen=True)
class _Template:
    """One cause laid out over the columns: which must move where, and the root of what is left of their covariance."""

    cause: str
    own: Codes  # columns it moves
    sides: Floats
    others: Codes
    gain: Floats  # what the others account for, (others, own)
    root: Floats
    spread: Floats
    musts: tuple[tuple[int, int], ...]  # column, side
    choices: tuple[tuple[int, int], ...]
    nots: tuple[tuple[int, int], ...]
    inputs: Codes  # places among its own


def find_joint(scene: Scene) -> list[Joint]:
    """Return what moved together, the clearest first; of stretches that overlap the clearest alone."""
    found: list[Joint] = []
    lengths = [max(1, round(seconds / scene.mode.judged.block_s)) for seconds in LENGTHS_S]
    for changes in changes_of(scene.mode, scene.record, lengths):
        templates = list(_templates(scene, changes))
        for template in templates:
            found += _beyond_chance(template, changes)
    kept: list[Joint] = []
    for joint in sorted(found, key=lambda each: (-each.statistic, each.first, each.cause)):
        if not any(joint.first < other.last and joint.last > other.first for other in kept):
            kept.append(joint)
    return kept


def _templates(scene: Scene, changes: Changes) -> Iterator[_Template]:
    """Return the causes whose signs these columns can show, laid out over them."""
    size = len(changes.tested)
    shrunk = (1.0 - SHRUNK) * changes.correlation + SHRUNK * np.eye(size)
    for cause, rows in scene.table.items():
        if cause.startswith(NO_UPSET):
            continue
        template = _template(cause, rows, changes, shrunk)
        if template is not None:
            yield template


def _template(cause: str, rows: Sequence[Row], changes: Changes, shrunk: Floats) -> _Template | None:
    place = {name: position for position, name in enumerate(changes.names)}
    sided = [row for row in rows if row.side]
    if any(row.rule == "must" and row.sign not in place for row in sided):
        return None
    sides: dict[int, int] = {}
    for row in sided:
        if row.rule != "not" and row.sign in changes.tested:
            sides.setdefault(place[row.sign], row.side)
    own = np.array(sorted(sides), dtype=np.int64)
    inputs = np.flatnonzero([not BY_NAME[changes.names[each]].is_effect for each in own])
    if not inputs.size:
        return None
    others = np.setdiff1d(np.arange(shrunk.shape[0]), own)
    gain = np.asarray(np.linalg.solve(shrunk[np.ix_(others, others)], shrunk[np.ix_(others, own)]), dtype=float)
    direction = np.array([sides[each] for each in own], dtype=float)
    left = (shrunk[np.ix_(own, own)] - shrunk[np.ix_(own, others)] @ gain) * np.outer(direction, direction)

    def by(*rules: str) -> tuple[tuple[int, int], ...]:
        return tuple((place[row.sign], row.side) for row in sided if row.rule in rules and row.sign in place)

    return _Template(
        cause,
        own,
        direction,
        others,
        gain,
        inverse_root(left),
        np.sqrt(np.diag(left)),
        by("must", "expected"),
        by("one_of"),
        by("not"),
        inputs,
    )


def _fits(template: _Template, spreads: Floats) -> NDArray[np.bool_]:
    """Return which stretches show what the cause cannot do without and nothing that speaks against it."""
    fits = np.ones(len(spreads), dtype=bool)
    for column, side in template.musts:
        fits &= side * spreads[:, column] >= MOVED
    for column, side in template.nots:
        fits &= side * spreads[:, column] < MOVED
    if template.choices:
        fits &= np.max([side * spreads[:, column] for column, side in template.choices], axis=0) >= MOVED
    return fits


def inverse_root(covariance: Floats) -> Floats:
    """Return the symmetric root of the inverse of a covariance, shape (k, k)."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray((vectors / np.sqrt(values)) @ vectors.T, dtype=float)


def one_sided(changes: Floats, root: Floats) -> Floats:
    """Return, per row of changes (n, k), how far they are towards more in all columns together, in spreads.

    The root of Tang, Gnecco and Geller's statistic. Where nothing moved its square exceeds c with probability
    ``sum(binomial(k, j) / 2**k * P(chi2_j > c))``, j = 1 .. k.

    Examples
    --------
    >>> one_sided(np.array([[3.0, 4.0], [-3.0, 4.0], [-3.0, -4.0]]), np.eye(2)).tolist()
    [5.0, 4.0, 0.0]
    """
    return np.asarray(np.sqrt(np.sum(np.maximum(changes @ root, 0.0) ** 2, axis=1)), dtype=float)


def _beyond_chance(template: _Template, changes: Changes) -> list[Joint]:
    """Return the stretches of one length that one cause explains beyond chance."""
    z = changes.spreads
    rows = np.flatnonzero(_fits(template, z))
    if not rows.size:
        return []
    beside = np.clip(z[np.ix_(rows, template.others)], -CALM, CALM)
    left = (z[np.ix_(rows, template.own)] - beside @ template.gain) * template.sides
    statistic = one_sided(left, template.root)
    left = left / template.spread
    statistic[np.max(left[:, template.inputs], axis=1) < INPUT_MOVED] = 0.0
    names = [changes.names[each] for each in template.own]
    return [
        Joint(
            template.cause,
            int(changes.blocks[rows[at]]),
            int(changes.blocks[rows[at]]) + changes.length,
            float(statistic[at]),
            tuple(
                (name, int(side), float(size)) for name, side, size in zip(names, template.sides, left[at], strict=True)
            ),
        )
        for at in np.flatnonzero(statistic >= BEYOND_CHANCE)
    ]
