"""The law's look-up of a strategy's grid, against scipy's interpolation and a force balance."""

from __future__ import annotations

import numpy as np
import pytest
from draws_bench import evenly, whole
from hypothesis import given

from loadlearn._compile import as_record, jit
from loadlearn.policy.draws import LoadDraw
from loadlearn.policy.lookup import expected_settings, grid_of
from loadlearn.policy.strategy import AXES, NEUTRAL, SETTINGS, Strategy, constant
from loadlearn.policy.strategy import Settings as Asked

DRAG_M2 = 2.4
SPANS = {
    "mass_kg": (2000.0, 7000.0),
    "rolling_resistance": (0.006, 0.3),
    "grade_percent": (-3.0, 15.0),
    "speed_m_s": (3.0, 35.0),
}
compiled = jit(expected_settings).compiled()


def drawn_strategy(seed: int) -> Strategy:
    """Any settings over any axes, some of a single point, some cells of the heavier blank."""
    random = np.random.default_rng(seed)
    axes = {}
    for name, (low, high) in SPANS.items():
        size = int(random.integers(1, 5))
        points = np.sort(random.uniform(low, high, size))
        axes[name] = points if size > 1 else np.array([NEUTRAL[name]])
    shape = tuple(axis.size for axis in axes.values())
    tables = {name: random.uniform(0.0, 1.0, shape) for name in SETTINGS}
    for table in tables.values():
        table[1:][random.uniform(size=table[1:].shape) < 0.2] = np.nan
    return Strategy("drawn", axes, tables)


def looked_up(strategy, mass, rolling, grade, speed, drag=DRAG_M2, scale=1.0, density=1.2):
    """Settings by the law's own code, compiled, for a load known exactly."""
    grid = grid_of(strategy, DRAG_M2, 1.0)
    draws = as_record(LoadDraw(mass, rolling, drag, scale, 0.0, 1.0))
    return compiled(grid, draws, float(grade), float(speed), float(density))


@given(whole(1000), whole(4096))
def test_as_scipy_interpolates_between_at_and_beyond_the_points(seed, where):
    strategy, random = drawn_strategy(seed), np.random.default_rng(where)
    place = []
    for name, (low, high) in SPANS.items():
        # Between points, at one of them, or beyond the edges.
        beyond = 0.2 * (high - low)
        inside = random.uniform(max(low - beyond, 0.5 * low), high + beyond)
        corner = random.choice(strategy.axes[name])
        place.append(float(corner if random.uniform() < 0.4 else inside))
    # Strategy.look_up is scipy's RegularGridInterpolator.
    expected = strategy.look_up(*place)
    found = looked_up(strategy, *place)
    assert found == pytest.approx([expected[name].item() for name in SETTINGS], abs=1e-12)


def test_along_one_axis_as_numpy_interpolates():
    masses, kept = np.array([2000.0, 3000.0, 6000.0]), np.array([0.1, 0.2, 0.9])
    axes = {name: np.array([value]) for name, value in NEUTRAL.items()} | {"mass_kg": masses}
    table = kept.reshape(3, 1, 1, 1)
    strategy = Strategy("by mass", axes, dict.fromkeys(SETTINGS, table))
    for mass in (1000.0, 2000.0, 2500.0, 4000.0, 6000.0, 9000.0):
        # numpy's interp is the oracle; rolling resistance, grade and speed do not matter.
        expected = np.interp(mass, masses, kept)
        assert looked_up(strategy, mass, 0.3, 9.0, 5.0)[0] == pytest.approx(expected)
        assert strategy.look_up(mass, 0.3, 9.0, 5.0)["power_retention"] == pytest.approx(expected)


def test_a_blank_cell_has_the_settings_of_the_next_lighter_mass():
    axes = {name: np.array([value]) for name, value in NEUTRAL.items()}
    axes["mass_kg"] = np.array([2000.0, 3000.0, 4000.0, 5000.0])
    values = [0.2, 0.6, np.nan, np.nan]
    table = np.array(values).reshape(4, 1, 1, 1)
    strategy = Strategy("blank", axes, dict.fromkeys(SETTINGS, table))
    for mass in (3000.0, 3700.0, 4000.0, 4400.0, 5000.0, 8000.0):
        assert looked_up(strategy, mass, 0.01, 0.0, 20.0) == pytest.approx((0.6, 0.6, 0.6))
        assert strategy.look_up(mass, 0.01, 0.0, 20.0)["economy"] == pytest.approx(0.6)
    # Nothing lighter is known: nothing is asked for.
    none = Strategy("blank", axes, {name: np.full((4, 1, 1, 1), np.nan) for name in SETTINGS})
    assert looked_up(none, 4000.0, 0.01, 0.0, 20.0) == (0.0, 0.0, 0.0)


@given(
    evenly(2500.0, 6000.0),
    evenly(0.009, 0.1),
    evenly(0.5, 6.0),
    evenly(5.0, 33.0),
    evenly(0.9, 1.3),
)
def test_drag_beyond_the_grids_counts_as_what_drags_as_much(mass, rolling, drag, speed, density):
    strategy = drawn_strategy(4)
    beyond = (drag - DRAG_M2) * density * speed**2 / 2.0 / (9.80665 * mass)
    if rolling + beyond < 2e-4:
        return
    found = looked_up(strategy, mass, rolling, 3.0, speed, drag, 1.0, density)
    same = looked_up(strategy, mass, rolling + beyond, 3.0, speed, DRAG_M2, 1.0, density)
    assert found == pytest.approx(same, abs=1e-9)
    # On the level both are resisted by one and the same force (N).
    weight, pressure = 9.80665 * mass, density * speed**2 / 2.0
    assert weight * rolling + pressure * drag == pytest.approx(
        weight * (rolling + beyond) + pressure * DRAG_M2
    )


@given(whole(1000), evenly(0.8, 1.25))
def test_an_error_of_scale_common_to_engine_and_load_cancels(seed, scale):
    """What the log overstates of the force it overstates of the load: the demand is the same."""
    strategy = drawn_strategy(seed)
    told = looked_up(strategy, 4200.0, 0.02, 4.0, 18.0, 3.1)
    off = looked_up(strategy, scale * 4200.0, 0.02, 4.0, 18.0, scale * 3.1, scale)
    assert off == pytest.approx(told, abs=1e-9)


def test_the_mean_over_draws_is_by_their_weights():
    strategy, random = drawn_strategy(7), np.random.default_rng(1)
    mass, rolling = random.uniform(2000.0, 7000.0, 50), random.uniform(0.008, 0.2, 50)
    weights = random.uniform(0.1, 3.0, 50)
    draws = np.concatenate(
        [
            as_record(LoadDraw(m, r, DRAG_M2, 1.0, 0.0, w))
            for m, r, w in zip(mass, rolling, weights, strict=True)
        ]
    )
    found = compiled(grid_of(strategy, DRAG_M2, 1.0), draws, 3.0, 15.0, 1.2)
    each = strategy.look_up(mass, rolling, 3.0, 15.0)
    assert found == pytest.approx([np.average(each[name], weights=weights) for name in SETTINGS])


def test_a_constant_strategy_is_the_same_everywhere():
    strategy = constant("always", Asked(0.3, 17.0, 0.4))
    assert strategy.shape == (1,) * len(AXES)
    for place in ((1.0, 0.001, -20.0, 0.0), (60_000.0, 0.5, 40.0, 60.0)):
        assert looked_up(strategy, *place) == pytest.approx((0.3, 17.0, 0.4))
