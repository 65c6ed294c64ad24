"""Upsets that only several columns show together."""

from __future__ import annotations

from math import comb

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2
from upsets_press import Trouble, made_up_table

from trendkit.upsets.causes import signatures
from trendkit.upsets.events import Event, joint_events
from trendkit.upsets.evidence import record_of
from trendkit.upsets.joint import BEYOND_CHANCE, find_joint, inverse_root, one_sided
from trendkit.upsets.ledger import judge
from trendkit.upsets.trials import Scene

LESS_POLYMER = Trouble("polymer_flow", "2026-03-18T16:00", 120, 0.8)
OTHER_SLUDGE = Trouble("sludge", "2026-03-19T16:00", 120, 0.7)


def scene_of(*troubles: Trouble) -> Scene:
    made = made_up_table(20, 3, troubles)
    (mode,) = judge(made.table, made.press, made.plant, ())
    return Scene(mode, record_of(mode), frozenset(mode.columns), (), signatures())


@pytest.fixture(scope="module")
def scene() -> Scene:
    return scene_of(LESS_POLYMER, OTHER_SLUDGE)


def tail(signs: int, bound: float) -> float:
    return sum(comb(signs, j) / 2.0**signs * float(chi2.sf(bound**2, j)) for j in range(1, signs + 1))


def test_chance_exceeds_the_statistic_as_often_as_the_mixture_of_chi_squares_says() -> None:
    # Tang, Gnecco and Geller, Biometrika 76 (1989), 577: binomial weights (value from memory).
    rng = np.random.default_rng(2)
    covariance = np.array([[1.0, 0.6, -0.3], [0.6, 1.0, 0.1], [-0.3, 0.1, 1.0]])
    changes = rng.multivariate_normal(np.zeros(3), covariance, 200_000)
    statistic = one_sided(changes, inverse_root(covariance))
    for bound in (1.0, 2.0, 3.0):
        expected = tail(3, bound)
        assert np.mean(statistic > bound) == pytest.approx(expected, abs=4.0 * np.sqrt(expected / 200_000))


def test_what_counts_as_beyond_chance_is_reached_once_in_a_hundred_thousand_stretches() -> None:
    assert tail(3, BEYOND_CHANCE) < 1e-5 < tail(5, BEYOND_CHANCE)


def test_polymer_and_what_comes_of_it_are_found_without_the_sign_of_any_column(scene: Scene) -> None:
    start = pd.Timestamp(LESS_POLYMER.start, tz="UTC")
    found = [event for event in joint_events([], [], scene) if event.span[0] < start + pd.Timedelta(hours=2)]
    assert [event.causes[0].cause for event in found] == ["polymer_loss"]
    assert abs(found[0].span[0] - start) <= pd.Timedelta(minutes=10)
    assert found[0].kinds["dose_off"] == 1
    assert {sign.name for sign in found[0].signs} >= {"polymer_flow", "cake_solids", "filtrate_solids"}


def test_effects_alone_are_not_looked_for_together(scene: Scene) -> None:
    start = pd.Timestamp(OTHER_SLUDGE.start, tz="UTC")
    index = scene.mode.judged.blocks.index
    here = [joint for joint in find_joint(scene) if index[joint.first] >= start - pd.Timedelta(hours=2)]
    assert not any(joint.cause in ("sludge_change", "belt_blinding") for joint in here)


def test_where_an_upset_is_known_no_second_one_is_made_of_it(scene: Scene) -> None:
    known = joint_events([], [], scene)
    assert known and joint_events(known, [], scene) == known


def test_a_quiet_press_shows_nothing_together() -> None:
    quiet = scene_of()
    found: list[Event] = joint_events([], [], quiet)
    assert found == []
