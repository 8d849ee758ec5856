"""Settings looked up: the compiled interpolation against scipy's, and what a load counts as."""

from __future__ import annotations

import math

import numpy as np
import pytest
from draws_bench import evenly, whole
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator
from strategy_bench import smooth_strategy

from loadlearn._compile import jit, record_type
from loadlearn.policy.draws import LoadDraw
from loadlearn.policy.lookup import expected_settings, grid_of, place, settings_at
from loadlearn.policy.strategy import AXES, LARGEST, SETTINGS, Strategy

DRAG_M2, SCALE, DENSITY = 2.4, 1.0, 1.2
ENDS = {
    "mass_kg": (2000.0, 8000.0),
    "rolling_resistance": (0.006, 0.4),
    "grade_percent": (-4.0, 15.0),
    "speed_m_s": (3.0, 35.0),
}
compiled = jit(expected_settings)
few = settings(deadline=None, derandomize=True, max_examples=60)


def random_strategy(seed: int, sizes: tuple[int, ...], blanks: bool) -> Strategy:
    """Axes and settings at random; every cell of its own value."""
    random = np.random.default_rng(seed)
    axes = {
        name: np.sort(random.uniform(*ENDS[name], size))
        for name, size in zip(AXES, sizes, strict=True)
    }
    tables = {name: LARGEST[name] * random.random(sizes) for name in SETTINGS}
    if blanks:
        hidden = random.random(sizes) < 0.4
        for table in tables.values():
            table[hidden] = np.nan
    return Strategy("at random", axes, tables)


def loads(*rows: tuple[float, float], drag=DRAG_M2, scale=SCALE) -> np.ndarray:
    """Draws of equal weight: mass and rolling resistance."""
    out = np.zeros(len(rows), dtype=record_type(LoadDraw))
    out["mass_kg"], out["rolling_resistance"] = np.array(rows).T
    out["drag_area_m2"], out["tractive_scale"], out["weight"] = drag, scale, 1.0
    return out


def look(strategy: Strategy, draws: np.ndarray, grade: float, speed: float) -> np.ndarray:
    """What the law gets, compiled."""
    return np.array(
        compiled(grid_of(strategy, DRAG_M2, SCALE), draws, float(grade), float(speed), DENSITY)
    )


def told(strategy: Strategy, *point: float) -> np.ndarray:
    """What the strategy's own look-up says."""
    return np.array([one.item() for one in strategy.look_up(*point).values()])


def by_scipy(strategy: Strategy, point: tuple[float, ...]) -> np.ndarray:
    """Outside oracle; blanks filled cell by cell, single points left out, edges held."""
    given = dict(zip(AXES, point, strict=True))
    told_axes = [name for name in AXES if strategy.axes[name].size > 1]
    warp = {name: np.log if name == "rolling_resistance" else np.asarray for name in AXES}
    out = []
    for name in SETTINGS:
        table = strategy.settings[name].copy()
        for index in np.ndindex(*table.shape):
            if math.isnan(table[index]):
                lighter = (index[0] - 1, *index[1:])
                table[index] = table[lighter] if index[0] else 0.0
        if not told_axes:
            out.append(table.item())
            continue
        inside = [
            warp[axis](np.clip(given[axis], strategy.axes[axis][0], strategy.axes[axis][-1]))
            for axis in told_axes
        ]
        axes = [warp[axis](strategy.axes[axis]) for axis in told_axes]
        shape = [strategy.axes[axis].size for axis in told_axes]
        oracle = RegularGridInterpolator(axes, table.reshape(shape))
        out.append(oracle(inside).item())
    return np.array(out)


points = st.tuples(*(evenly(low - 0.2 * abs(low), 1.2 * high) for low, high in ENDS.values()))
"""Within the axes and beyond them."""
sizes = st.tuples(*[whole(4).map(lambda n: n + 1)] * 4)


@few
@given(whole(4096), sizes, points, st.booleans())
def test_compiled_look_up_is_scipys(seed, sizes, point, blanks):
    strategy = random_strategy(seed, sizes, blanks)
    mass, rolling, grade, speed = point
    expected = by_scipy(strategy, point)
    assert told(strategy, *point) == pytest.approx(expected, abs=1e-10)
    law = look(strategy, loads((mass, rolling)), grade, speed)
    assert law == pytest.approx(expected, abs=1e-9)


@few
@given(whole(4096), sizes)
def test_at_its_points_a_grid_holds_what_is_written_there(seed, sizes):
    strategy = random_strategy(seed, sizes, blanks=False)
    grid = grid_of(strategy, DRAG_M2, SCALE)
    index = tuple(seed % size for size in sizes)
    axes = (grid.mass_kg, grid.log_rolling_resistance, grid.grade_percent, grid.speed_m_s)
    found = settings_at(grid, *(place(axis, axis[i]) for axis, i in zip(axes, index, strict=True)))
    assert found == pytest.approx([strategy.settings[name][index] for name in SETTINGS], abs=1e-12)


def test_half_way_is_half_way_and_by_the_logarithm_of_rolling_resistance():
    # By hand: 0.02 is half-way from 0.01 to 0.04 by logarithm, a third by value.
    axes = {
        "mass_kg": np.array([2000.0, 4000.0]),
        "rolling_resistance": np.array([0.01, 0.04]),
        "grade_percent": np.array([0.0]),
        "speed_m_s": np.array([20.0]),
    }
    table = np.array([[0.0, 0.4], [0.2, 1.0]]).reshape(2, 2, 1, 1)
    strategy = Strategy("by hand", axes, dict.fromkeys(SETTINGS, table))
    for mass, rolling, expected in (
        (3000.0, 0.01, 0.1),
        (2000.0, 0.02, 0.2),
        (3000.0, 0.02, 0.4),
        (9000.0, 0.9, 1.0),
        (100.0, 0.001, 0.0),
    ):
        assert look(strategy, loads((mass, rolling)), 5.0, 9.0) == pytest.approx([expected] * 3)
        assert told(strategy, mass, rolling, 5.0, 9.0) == pytest.approx([expected] * 3)


def test_a_blank_takes_the_next_lighter_mass_and_nothing_known_is_nothing():
    strategy = smooth_strategy()
    rated, blank = 6000.0, 6400.0
    assert np.isnan(strategy.settings["power_retention"][-1]).all()
    heaviest = look(strategy, loads((rated, 0.012)), 6.0, 20.0)
    assert heaviest[0] > 0.1
    for mass in (6100.0, blank, 9000.0):
        assert look(strategy, loads((mass, 0.012)), 6.0, 20.0) == pytest.approx(heaviest)
    empty = smooth_strategy(
        settings={name: np.full(strategy.shape, np.nan) for name in SETTINGS},
    )
    assert not look(empty, loads((rated, 0.012)), 3.0, 20.0).any()


@few
@given(evenly(2700.0, 5900.0), evenly(0.012, 0.05), evenly(0.5, 9.0), evenly(8.0, 27.0))
def test_drag_beyond_the_grids_counts_as_rolling_resistance(mass, rolling, drag, speed):
    """The same force at that speed: m g c + rho/2 A v^2, standard gravity 9.80665 m/s^2 (ISO)."""
    strategy = smooth_strategy()
    force_n = mass * 9.80665 * rolling + 0.5 * DENSITY * drag * speed**2
    as_rolling = (force_n - 0.5 * DENSITY * DRAG_M2 * speed**2) / (mass * 9.80665)
    expected = told(strategy, mass, max(as_rolling, 1e-4), 3.0, speed)
    given_drag = look(strategy, loads((mass, rolling), drag=drag), 3.0, speed)
    assert given_drag == pytest.approx(expected, abs=1e-9)


@few
@given(evenly(0.8, 1.25), evenly(2700.0, 5900.0), evenly(1.0, 5.0))
def test_a_scale_error_of_engine_and_load_alike_cancels(error, mass, drag):
    # True forces are all larger by it: mass and drag learnt are too, and so is full load.
    strategy = smooth_strategy()
    plain = look(strategy, loads((mass, 0.02), drag=drag), 3.0, 18.0)
    off = loads((mass * error, 0.02), drag=drag * error, scale=SCALE * error)
    assert look(strategy, off, 3.0, 18.0) == pytest.approx(plain, abs=1e-9)
    alone = look(strategy, loads((mass, 0.02), drag=drag, scale=SCALE * error), 3.0, 18.0)
    if abs(error - 1.0) > 0.02:
        assert abs(alone - plain).max() > 1e-4


def test_settings_are_the_mean_over_the_draws_by_weight():
    strategy = smooth_strategy()
    draws = loads((2800.0, 0.01), (4200.0, 0.03), (5600.0, 0.08))
    draws["weight"] = 1.0, 2.0, 5.0
    each = [told(strategy, row["mass_kg"], row["rolling_resistance"], 2.0, 22.0) for row in draws]
    expected = np.average(each, axis=0, weights=draws["weight"])
    assert np.ptp(each, axis=0).max() > 0.2
    assert look(strategy, draws, 2.0, 22.0) == pytest.approx(expected, abs=1e-9)
