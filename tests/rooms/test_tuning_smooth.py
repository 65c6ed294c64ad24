"""A smooth effect of the speed: the spline itself, how strongly it is held, and what meters may be off by."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.interpolate import BSpline
from tuning_table import Truth, made_up_plant, made_up_table

from trendkit.press.results import FigureTable
from trendkit.press.uncertainty import Measured
from trendkit.tuning import tune
from trendkit.tuning.blocks import sludge_minutes, steady_blocks
from trendkit.tuning.curve import regression_curve
from trendkit.tuning.lasting import Lasting, lasting_errors
from trendkit.tuning.outcome import LOADING, SPEED
from trendkit.tuning.regression import fit_by_day
from trendkit.tuning.response import fit_response, typical_conditions
from trendkit.tuning.smooth import Smooth, cubic_pieces, weigh_stiffness
from trendkit.tuning.worth import weigh

PLANT, PRESS = made_up_plant()


@pytest.mark.parametrize("derivative", [0, 1])
def test_the_four_pieces_are_those_of_a_reference_library(derivative: int) -> None:
    share = np.linspace(0.0, 0.999, 12)
    for number in range(4):
        alone = np.eye(4)[number]
        expected = BSpline(np.arange(-3.0, 5.0), alone, 3)(share, nu=derivative)
        assert cubic_pieces(share, derivative)[:, number] == pytest.approx(expected)


def test_bends_are_third_differences_and_a_parabola_has_none() -> None:
    smooth = Smooth(-0.5, 0.7, 6)
    along = np.linspace(-0.5, 0.7, 200)
    for number, column in enumerate(smooth.columns(along)[:, 2:].T):
        spline = BSpline(-0.5 + 0.2 * np.arange(-3, 10), np.eye(9), 3)
        coefficients = np.linalg.lstsq(spline(along), column, rcond=None)[0]
        assert np.diff(coefficients, n=3) == pytest.approx(np.eye(6)[number], abs=1e-9)


def test_the_slopes_are_the_derivatives_and_it_goes_straight_on_beyond_the_ends() -> None:
    smooth = Smooth(-0.5, 0.7, 6)
    along = np.array([-0.9, -0.49, 0.0, 0.31, 0.69, 1.2])
    difference = (smooth.columns(along + 1e-6) - smooth.columns(along - 1e-6)) / 2e-6
    assert smooth.slopes(along) == pytest.approx(difference, abs=1e-6)
    beyond = smooth.columns(np.array([0.7, 0.9, 1.1]))
    assert beyond[2] - beyond[1] == pytest.approx(beyond[1] - beyond[0])


@pytest.mark.parametrize(("bent", "is_stiff"), [(0.0, True), (1.0, False)])
def test_bends_are_let_go_only_where_the_rows_demand_it(bent: float, is_stiff: bool) -> None:
    rng = np.random.default_rng(2)
    along, smooth = rng.uniform(-1.0, 1.0, 600), Smooth(-1.0, 1.0, 8)
    outcome = 3.0 - along**2 + bent * np.sin(5.0 * along) + rng.normal(0.0, 0.3, 600)
    design = np.column_stack([np.ones(600), smooth.columns(along)])
    weight = np.sqrt((design[:, 3:] ** 2).sum() / 8)
    held = np.hstack([np.zeros((8, 3)), weight * np.eye(8)])
    found = weigh_stiffness(fit_by_day(design, outcome, np.repeat(np.arange(20), 30), 20, held, bends=8))
    middle = float(np.exp(found.weights @ np.log(found.tried)))
    assert (middle > 0.1) is is_stiff
    assert found.variance == pytest.approx(0.09, rel=0.15)


class Skew(Truth):
    """A press whose cake falls off at slow speeds far more steeply than at fast ones: no parabola."""

    def cake_solids_pct(self, speed, load):
        away = np.log(speed / (self.best_cake_speed_m_min * (load / 300.0) ** 0.5))
        return 21.0 - 4.0 * (np.exp(-2.0 * away) - 1.0 + 2.0 * away) - 2.0 * np.log(load / 300.0)


@pytest.mark.parametrize("seed", [21, 22])
def test_a_steep_flank_does_not_draw_the_best_speed_off(seed: int) -> None:
    truth = Skew()
    answer = tune(made_up_table(days=40, spread=0.5, truth=truth, seed=seed), PRESS, PLANT)
    speeds = np.linspace(5.0, 13.0, 4001)
    load = answer.by_loading[LOADING].iloc[2]
    best = float(speeds[np.argmin(truth.cost_per_dry_t(speeds, load))])
    found = answer.recommended
    assert found is not None
    assert found.best_low <= best <= found.best_high
    assert abs(found.gravity_belt_speed_m_min - best) < 0.03 * np.ptp(answer.curve[SPEED])


def test_lasting_errors_are_those_of_the_minutes_even_in_a_cut_table() -> None:
    """By hand: cake solids of 0.25 %TS throughout; a filtrate meter of 3 % is 3 % of the loss; grabs do not last."""
    times = pd.date_range("2026-02-02T08:00Z", periods=100, freq="min", name="time")
    fed, lost = np.full(100, 1000.0), np.linspace(20.0, 60.0, 100)
    kept = Measured(fed - lost, {"filtrate_solids": -0.03 * lost, "bench feed TS": np.full(100, 9.0)})
    cake = Measured(np.full(100, 20.0), {"cake_solids": np.where(np.arange(100) < 50, 0.0, 0.25)})
    streams = SimpleNamespace(
        product_solids_pct=cake, fed_kg_h=Measured(fed), samples={"bench feed TS": None}, discharge_samples={}
    )
    stretch = SimpleNamespace(streams=streams, chosen=SimpleNamespace(kept_kg_h=kept), asked=slice(0, 100))
    record = SimpleNamespace(times=times, blocks=[slice(0, 100)], stretch=lambda _: stretch)
    frame = pd.DataFrame(index=times)
    table = FigureTable("bfp-1", 60, frame, frame, record=record)
    late = replace(table, frame=frame.iloc[50:])
    assert lasting_errors(late, late.frame).cake_pct == pytest.approx([0.25, 0.0])
    assert lasting_errors(late, late.frame).log_loss == pytest.approx([0.0, 0.03])
    assert lasting_errors(table, frame).cake_pct == pytest.approx([0.125, 0.0])
    assert len(lasting_errors(replace(table, record=None), frame).cake_pct) == 0


def test_what_the_meters_may_be_off_by_widens_the_limits() -> None:
    table = made_up_table(days=30, seed=22)
    minutes = sludge_minutes(table, PRESS, PLANT)
    response = fit_response(steady_blocks(minutes, 60), typical_conditions(minutes))
    off = replace(response, lasting=Lasting(np.array([0.25, 0.0]), np.array([0.0, 0.03])))
    worth = weigh(PRESS, PLANT.costs, response.typical, {})
    speeds = np.linspace(6.0, 10.0, 61)
    bare, wide = regression_curve(response, worth, speeds), regression_curve(off, worth, speeds)
    spread = [float(np.std(each.cake_draws[:, 30])) for each in (bare, wide)]
    assert spread[1] == pytest.approx(np.hypot(spread[0], 0.25), rel=0.1)
    spread = [float(np.std(np.log(100.0 - each.capture_draws[:, 30]))) for each in (bare, wide)]
    assert spread[1] == pytest.approx(np.hypot(spread[0], 0.03), rel=0.1)
    assert wide.cake == pytest.approx(bare.cake)
