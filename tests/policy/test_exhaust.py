"""The exhaust observer and its cap, alone."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from draws_bench import evenly, whole
from hypothesis import given
from policy_bench import make_rig

from loadlearn.policy.exhaust import (
    FullLoad,
    GasInput,
    correct_exhaust,
    exhaust_cap,
    full_load_gas,
    gas_limit_degc,
    initial_exhaust_state,
    predict_exhaust,
    probability_gas_within,
)
from loadlearn.policy.thermal_model import Surroundings, engine_curve, thermal_parameters

RIG = make_rig()
P = thermal_parameters(RIG)
CURVE = engine_curve(RIG)
STANDARD = Surroundings(25.0, 101.3)


def covariance(state):
    return np.array(
        [
            [
                state.cov_metal,
                state.cov_metal_sensor,
                state.cov_metal_factor,
                state.cov_metal_lag,
            ],
            [
                state.cov_metal_sensor,
                state.cov_sensor,
                state.cov_sensor_factor,
                state.cov_sensor_lag,
            ],
            [
                state.cov_metal_factor,
                state.cov_sensor_factor,
                state.cov_factor,
                state.cov_factor_lag,
            ],
            [state.cov_metal_lag, state.cov_sensor_lag, state.cov_factor_lag, state.cov_lag],
        ]
    )


def held(p, rise, factor, seconds, dt=0.1, noise=1.0, seed=0):
    """Observer on a plant that is its own model with another factor, at constant load."""
    random = np.random.default_rng(seed)
    state = initial_exhaust_state(p, 300.0, 300.0)
    truth = replace(initial_exhaust_state(p, 300.0, 300.0), factor=factor)
    drive = GasInput(rise, 45.0, 25.0, 0.0, 1.0)
    for _ in range(round(seconds / dt)):
        predict_exhaust(p, truth, drive, dt)
        predict_exhaust(p, state, drive, dt)
        reading = truth.sensor_degc + noise * random.normal()
        correct_exhaust(p, state, drive, reading)
    return state, truth


@given(evenly(0.88, 1.12), evenly(150.0, 700.0))
def test_observer_finds_the_factor_and_stays_sound(factor, rise):
    state, truth = held(P, rise, factor, 40.0)
    assert np.linalg.eigvalsh(covariance(state)).min() > -1e-6
    assert state.factor == pytest.approx(factor, abs=0.03)
    assert state.gas_degc == pytest.approx(truth.gas_degc, abs=12.0)
    assert abs(state.gas_degc - truth.gas_degc) < 5.0 * state.gas_sd_k + 2.0


def test_jacobian_is_that_of_the_prediction():
    """Covariance propagation against a numerical Jacobian of the same prediction."""
    drive = GasInput(450.0, 45.0, 25.0, 1.0, 1.0)
    base = replace(
        initial_exhaust_state(P, 400.0, 350.0),
        lag=0.15,
        cov_metal=30.0,
        cov_sensor=9.0,
        cov_factor=0.004,
        cov_metal_factor=0.1,
        cov_lag=0.03,
        cov_metal_lag=0.2,
        cov_sensor_lag=-0.3,
        cov_factor_lag=0.002,
        log_rise=6.2,
    )
    dt, step = 0.7, 1e-5
    names = ("metal_degc", "sensor_degc", "factor", "lag")
    jacobian = np.empty((4, 4))
    for j, name in enumerate(names):
        for sign in (1.0, -1.0):
            moved = replace(base, **{name: getattr(base, name) + sign * step})
            predict_exhaust(P, moved, drive, dt)
            column = np.array([getattr(moved, n) for n in names])
            jacobian[:, j] = column if sign > 0 else (jacobian[:, j] - column) / (2 * step)
    grown = replace(base)
    predict_exhaust(P, grown, drive, dt)
    expected = jacobian @ covariance(base) @ jacobian.T
    difference = covariance(grown) - expected
    # Only process noise on the diagonal is added.
    assert difference == pytest.approx(np.diag(np.diag(difference)), abs=1e-6)
    assert np.all(np.diag(difference)[:3] > 0.0)


def test_lag_of_the_sensor_is_seen_through():
    """A step in load: the gas is known long before the sensor shows it."""
    state, truth = held(P, 250.0, 1.05, 60.0)
    drive = GasInput(600.0, 45.0, 25.0, 0.0, 1.0)
    for _ in range(10):
        predict_exhaust(P, truth, drive, 0.1)
        predict_exhaust(P, state, drive, 0.1)
        correct_exhaust(P, state, drive, truth.sensor_degc)
    assert truth.gas_degc - truth.sensor_degc > 100.0
    assert abs(state.gas_degc - truth.gas_degc) < 30.0


@given(evenly(0.8, 1.3), evenly(0.93, 1.07), whole(1000))
def test_gas_is_known_after_overrun_whatever_the_lag_of_the_sensor(lag, factor, seed):
    """Full load, overrun, full load: the gas is not taken for colder because its sensor is late.

    The plant is the observer's own model with another factor and another lag. What errs is judged
    from three seconds after the fuel is back, when a share of the extra torque is given again.
    """
    random = np.random.default_rng(seed)
    plant = P._replace(sensor_time_s=lag * P.sensor_time_s)
    state = initial_exhaust_state(P, 300.0, 300.0)
    truth = replace(initial_exhaust_state(plant, 300.0, 300.0), factor=factor)
    worst = 0.0
    for i in range(900):
        overrun = 400 <= i < 440 or 640 <= i < 700
        firing = 0.0 if overrun else 1.0
        drive = GasInput(5.0 if overrun else 640.0, 45.0, 25.0, 0.0, firing)
        predict_exhaust(plant, truth, drive, 0.1)
        predict_exhaust(P, state, drive, 0.1)
        correct_exhaust(P, state, drive, truth.sensor_degc + random.normal())
        assert np.linalg.eigvalsh(covariance(state)).min() > -1e-6
        if 470 <= i < 640 or i >= 730:
            worst = max(worst, abs(state.gas_degc - truth.gas_degc))
    assert worst < 5.0, "with a lag not in doubt: 10 K for each tenth that it is off"


warm = evenly(300.0, 800.0)


@given(warm, evenly(0.9, 1.15), evenly(600.0, 800.0), evenly(5.0, 60.0))
def test_cap_is_a_share_and_ordered(metal, factor, limit, more):
    state, _ = held(P, 500.0, 1.0, 20.0)
    state = replace(state, metal_degc=metal, factor=factor)
    point = FullLoad(2500.0, 50.0, 1.0, 1.0)

    def cap(s=state, air=STANDARD, top=limit, where=point):
        return exhaust_cap(P, s, CURVE, where, air, top)

    here = cap()
    assert 0.0 <= here <= 1.0
    assert cap(top=limit + more) >= here
    assert cap(s=replace(state, metal_degc=metal + more)) <= here
    assert cap(s=replace(state, factor=factor + 0.02)) <= here
    assert cap(where=FullLoad(2500.0, 50.0 + more, 1.0, 1.0)) <= here


@given(evenly(0.0, 60.0), evenly(0.0, 60.0), evenly(0.0, 1.0), evenly(0.0, 1.0))
def test_probability_falls_with_time_and_share(a, b, u, v):
    state, _ = held(P, 300.0, 1.0, 20.0)
    point = FullLoad(2500.0, math.nan, 1.0, 1.0)

    def chance(share, time):
        load = full_load_gas(P, CURVE, point, share, STANDARD)
        return probability_gas_within(P, state, load, 660.0, time)

    assert chance(u, min(a, b)) >= chance(u, max(a, b)) - 1e-12
    assert chance(min(u, v), a) >= chance(max(u, v), a) - 1e-12


def test_limit_after_the_turbine_stands_for_a_hotter_gas_before_it():
    before = gas_limit_degc(P, 520.0, 1.0, 25.0)
    # About 720 before for 520 after: common practice, no source.
    assert 670.0 < before < 750.0
    assert gas_limit_degc(P, 720.0, 0.0, 25.0) == 720.0
