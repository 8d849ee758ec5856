"""Sensors: dead ones are found, living ones are left alone."""

from __future__ import annotations

import math

import numpy as np
import pytest

from loadlearn.policy.sensor_watch import TRUST_AFTER_S, SensorState, watch_sensor


def watch(readings, dt=0.1, expected=None, state=None, low=-40.0, high=1150.0, lively=1.0):
    state = state or SensorState()
    trusted = []
    for i, reading in enumerate(readings):
        model = math.nan if expected is None else expected[i]
        move = 0.0 if expected is None or i == 0 else expected[i] - expected[i - 1]
        ok, _ = watch_sensor(state, reading, low, high, model, 150.0, move, dt, lively)
        trusted.append(ok)
    return np.array(trusted), state


def living(n, noise=1.5, step=1.0, seed=0):
    truth = 550.0 + 60.0 * np.sin(np.arange(n) / 90.0)
    seen = truth + noise * np.random.default_rng(seed).normal(size=n)
    return truth, np.round(seen / step) * step if step else seen


@pytest.mark.parametrize(("noise", "step"), [(1.5, 1.0), (0.8, 0.1), (3.0, 1.0)])
def test_a_living_sensor_is_trusted(noise, step):
    truth, seen = living(18_000, noise, step)
    trusted, _ = watch(seen, expected=truth)
    # A run of equal roundings may be suspected for a sample or two; it must stay rare.
    assert np.mean(~trusted[50:]) < 0.004


def test_a_channel_polled_once_a_second_is_trusted():
    truth, seen = living(18_000)
    held = np.repeat(seen[::10], 10)
    trusted, _ = watch(held, expected=truth)
    assert np.mean(~trusted[600:]) < 0.01


def test_a_coolant_at_its_thermostat_is_trusted():
    warm = np.concatenate([np.round(np.linspace(15.0, 88.0, 3000)), np.full(36_000, 88.0)])
    trusted, _ = watch(warm, low=-50.0, high=150.0, lively=0.0)
    assert trusted.all()


@pytest.mark.parametrize("kind", ["missing", "frozen", "high", "low", "stuck at ambient"])
def test_a_dead_sensor_is_found_in_time(kind):
    truth, seen = living(3000)
    at = 2000
    dead = {
        "missing": np.nan,
        "frozen": seen[at - 1],
        "high": 1300.0,
        "low": -55.0,
        "stuck at ambient": 20.0,
    }[kind]
    seen = seen.copy()
    seen[at:] = dead
    trusted, _ = watch(seen, expected=truth)
    # With the 0.2 s of the ramp, nothing is left a second after the fault.
    assert not trusted[at + 8 :].any()


def test_a_frozen_noiseless_sensor_is_found_when_it_should_move():
    truth = np.full(4000, 500.0)
    truth[2000:] = 500.0 + np.minimum(np.arange(2000) * 0.5, 150.0)
    seen = np.full(4000, 500.0)
    trusted, _ = watch(seen, expected=truth)
    assert trusted[:2000].all()
    # 8 K of movement that does not show: 16 samples of 0.5 K.
    assert not trusted[2018:].any()


def test_one_wild_value_is_a_drop_out_and_trust_returns_after_five_seconds():
    truth, seen = living(3000)
    seen = seen.copy()
    seen[1000] = np.nan
    trusted, _ = watch(seen, expected=truth)
    assert trusted[995:1010].all()
    seen[1500:1520] = np.nan
    trusted, _ = watch(seen, expected=truth)
    assert not trusted[1505:1560].any()
    assert trusted[1520 + round(TRUST_AFTER_S / 0.1) + 5]
