"""Files no plant would write: what fuzzing found stays found, every reader is fuzzed a little, figures bear any numbers."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from fuzz_targets import SEEDS, TARGETS
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from press_grid import STEADY, grid, plant_of, press_of

from trendkit.errors import InputError
from trendkit.plant.model import Lab
from trendkit.press import FigureTable, compute_figures

TESTS = Path(__file__).resolve().parents[1]
FOUND = sorted((TESTS / "data" / "fuzz").glob("*-*"))
ODD = [np.nan, 0.0, -1.0, 1e-9, 1e9, -1e12, 7.25]
NO_SHRINKING = [Phase.explicit, Phase.reuse, Phase.generate]


@pytest.mark.parametrize("path", FOUND, ids=lambda path: path.name)
def test_what_once_crashed_is_refused_in_a_sentence_or_read(path: Path) -> None:
    told = "read"
    try:
        TARGETS[path.name.partition("-")[0]](path.read_bytes())
    except InputError as refused:  # any other exception is the crash come back
        told = str(refused)
    assert told.strip()


@pytest.mark.parametrize("name", sorted(TARGETS))
def test_the_seeds_of_each_target_reach_its_reader(name: str) -> None:
    """A seed is read whole or refused for what it lacks; at least the first of each is no nonsense."""
    told = []
    for seed in SEEDS[name]:
        try:
            TARGETS[name](seed)
        except InputError as refused:
            told.append(str(refused))
    assert all("To do" in each or "expected" in each for each in told)
    assert len(told) < len(SEEDS[name]) or name == "archive_list"


@pytest.mark.skipif(importlib.util.find_spec("atheris") is None, reason="atheris is there on Linux alone")
def test_a_little_fuzzing_of_the_readers_finds_nothing(tmp_path: Path) -> None:
    """Coverage-guided; the long run, each reader for itself, is `python tests/benchmarks/fuzz.py`."""
    words = ["any_reader", "--seconds", "5", "--found", tmp_path]
    script = TESTS / "benchmarks" / "fuzz.py"
    done = subprocess.run([sys.executable, script, *words], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    assert int(done.stdout.split()[1].replace(",", "")) > 20, done.stdout


@st.composite
def odd_roles(draw: st.DrawFn) -> pd.DataFrame:
    """A grid on which some roles are replaced by odd numbers: missing, zero, negative, huge, all the same."""
    roles = grid(hours=2.0, feed_from_h=0.2, feed_to_h=1.8)
    for name in draw(st.lists(st.sampled_from(sorted(STEADY)), max_size=6, unique=True)):
        values = draw(st.lists(st.sampled_from(ODD), min_size=1, max_size=8))
        first = draw(st.integers(0, 110))
        kept = roles[name].to_numpy(copy=True)
        kept[first:] = np.resize(values, len(kept) - first)
        roles[name] = kept
    return roles.drop(columns=draw(st.lists(st.sampled_from(sorted(set(STEADY) - {"feed_flow_m3_h"})), max_size=3)))


def figures_of(roles: pd.DataFrame) -> FigureTable:
    press = press_of()
    return compute_figures(roles, {}, None, press, plant_of(press, lab=Lab()), 60)


@settings(max_examples=12, deadline=None, phases=NO_SHRINKING)
@given(roles=odd_roles())
def test_figures_bear_any_numbers(roles: pd.DataFrame) -> None:
    """Rows stay, nothing is infinite, limits enclose their value, the input is untouched and nothing is warned of."""
    before = roles.copy()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        frame = figures_of(roles).frame
    pd.testing.assert_frame_equal(roles, before)
    assert frame.index.equals(roles.index)
    numbers = frame.select_dtypes("number")
    own = [name for name in numbers if name not in roles]
    assert not np.isinf(numbers[own].to_numpy(float)).any(), [name for name in own if np.isinf(numbers[name]).any()]
    for name in own:
        if f"{name}_low" in numbers:
            held = numbers[[f"{name}_low", name, f"{name}_high"]].dropna()
            room = 1e-9 * held.abs().max(axis=1)
            assert (held[f"{name}_low"] <= held[name] + room).all(), name
            assert (held[name] <= held[f"{name}_high"] + room).all(), name


@settings(max_examples=5, deadline=None, phases=NO_SHRINKING)
@given(factor=st.floats(0.05, 20.0))
def test_a_press_of_another_size_has_the_same_shares(factor: float) -> None:
    """All flows, widths and speeds' masses scaled alike: capture, dose and cake solids do not move."""
    flows = [name for name in STEADY if name.endswith(("_m3_h", "_l_h"))]
    once, scaled = grid(hours=2.0, feed_from_h=0.2), grid(hours=2.0, feed_from_h=0.2)
    scaled[flows] = scaled[flows] * factor
    press = press_of(conditioning_volume_m3=0.525 * factor, feed_on_above_m3_h=2.0 * factor)
    other = compute_figures(scaled, {}, None, press, plant_of(press, lab=Lab()), 60).frame
    mine = figures_of(once).frame
    for name in ("capture_pct", "polymer_dose_kg_t", "belt_speed_ratio", "gravity_drain_time_s"):
        np.testing.assert_allclose(other[name], mine[name], rtol=1e-9, err_msg=name)
    np.testing.assert_allclose(other["feed_dry_solids_kg_h"], factor * mine["feed_dry_solids_kg_h"], rtol=1e-9)
