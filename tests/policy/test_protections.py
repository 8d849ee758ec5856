"""Each protection alone: what it must do for any reading."""

from __future__ import annotations

import math
from dataclasses import fields

import pytest
from draws_bench import evenly, one_of
from hypothesis import given
from hypothesis import strategies as st

from loadlearn.policy import protections as protect
from loadlearn.policy.protections import (
    BOOST_PRIOR,
    RAIL_PRIOR,
    Caps,
    GearChangeState,
    SwayState,
    axle_torque,
    boost_excess,
    forbidden_while,
    gear_change,
    initial_line,
    over_temperature,
    rail_pressure,
    ratings,
    share_of_fuel,
    sway,
    warm_up,
)

finite = evenly(-60.0, 1200.0)
share = evenly(0.0, 1.0)


def test_every_protection_has_a_name_a_place_and_a_sentence():
    names = protect.PROTECTION_NAMES
    assert len(set(names)) == len(names)
    assert tuple(one.name for one in fields(Caps)) == names
    for one in protect.PROTECTIONS:
        assert one.sentence and one.removal in (
            protect.AT_ONCE,
            protect.SENSOR,
            protect.HEAT,
            protect.GRADUAL,
        )


@given(finite, finite)
def test_warm_up_is_zero_below_start_and_monotone(a, b):
    cold, warm = min(a, b), max(a, b)
    low, high = warm_up(cold, 60.0, 80.0), warm_up(warm, 60.0, 80.0)
    assert 0.0 <= low <= high <= 1.0
    if warm <= 60.0:
        assert high == 0.0
    assert (high == 1.0) == (warm >= 80.0)


def test_warm_up_without_a_sensor_gives_nothing():
    assert warm_up(math.nan, 60.0, 80.0) == 0.0


@given(finite, finite)
def test_over_temperature_reduces_before_its_limit(a, b):
    cool, hot = min(a, b), max(a, b)
    low, high = over_temperature(hot, 105.0, 112.0), over_temperature(cool, 105.0, 112.0)
    assert 0.0 <= low <= high <= 1.0
    assert (low < 1.0) == (hot > 105.0)
    if 105.0 < hot < 112.0:
        assert 0.0 < low < 1.0
    if hot >= 112.0:
        assert low == 0.0


def test_over_temperature_without_a_sensor_leaves_it_alone():
    assert over_temperature(math.nan, 105.0, 112.0) == 1.0


@given(one_of([0.0, 1.0, math.nan]))
def test_flags_forbid(flag):
    assert forbidden_while(flag) == (0.0 if flag == 1.0 else 1.0)


@given(evenly(100, 2000), evenly(1.0, 1.6), evenly(1.0, 60.0), evenly(500, 30000))
def test_axle_torque_never_exceeds_its_limit_by_extra_torque(base, gain, ratio, limit):
    uprated = base * gain
    cap = axle_torque(base, uprated, ratio, limit)
    given_torque = base + cap * (uprated - base)
    assert 0.0 <= cap <= 1.0
    assert given_torque * ratio <= max(limit, base * ratio) * (1 + 1e-9)


@given(evenly(0.1, 50), evenly(0.1, 20), evenly(0.1, 20))
def test_share_of_fuel_keeps_the_limit(limit, base, extra):
    cap = share_of_fuel(limit, base, base + extra)
    assert 0.0 <= cap <= 1.0
    assert base + cap * extra <= max(limit, base) * (1 + 1e-9)
    assert (cap < 1.0) == (limit < base + extra)


@given(evenly(0.85, 1.12), evenly(20.0, 60.0))
def test_boost_excess_learns_the_engine_and_finds_a_fault(ratio, fault):
    state = initial_line(BOOST_PRIOR)
    for i in range(600):
        modelled = 60.0 + 90.0 * ((i // 50) % 2)
        assert boost_excess(state, ratio * modelled, modelled, 0.9, 20.0, 0.1) == 1.0
    caps = []
    for _ in range(30):
        high = ratio * 150.0 + fault + 16.0
        caps.append(boost_excess(state, high, 150.0, 1.0, 20.0, 0.1))
    assert caps[5] == 1.0, "half a second of overshoot is let pass"
    assert caps[-1] < 0.6
    if fault > 30.0:
        assert caps[-1] == 0.0


@pytest.mark.parametrize(("shown", "seconds"), [(0.0, 2.0), (-1e6, 0.1), (20.0, 2.0)])
def test_a_start_without_boost_is_not_what_the_engine_usually_reaches(shown, seconds):
    """Two seconds of spinning up, or a loose plug, and no alarm for the rest of the drive.

    Found on a plant that is not the model: the line learnt from a standing start gave an alarm at
    every climb.
    """
    state = initial_line(BOOST_PRIOR)
    for _ in range(round(10.0 * seconds)):
        assert boost_excess(state, shown, 135.0, 1.0, 20.0, 0.1) == 1.0
    caps = [boost_excess(state, 135.0, 135.0, 1.0, 20.0, 0.1) for _ in range(100)]
    assert min(caps) == 1.0


@given(evenly(0.0, 0.5))
def test_rail_pressure_learns_and_finds_a_shortfall(short):
    state = initial_line(RAIL_PRIOR)

    def usual(x):
        return 35.0 + 120.0 * math.sqrt(x)

    for i in range(1500):
        x = 0.5 + 0.5 * ((i // 40) % 3) / 2
        assert rail_pressure(state, usual(x), x, 0.9, 0.10, 0.1) == 1.0
    for _ in range(30):
        cap = rail_pressure(state, usual(1.0) * (1.0 - short), 1.0, 1.0, 0.10, 0.1)
    if short < 0.05:
        assert cap == 1.0
    if short > 0.25:
        assert cap == 0.0


def run_sway(frequency, amplitude, speed=22.0, seconds=20.0, ramp=0.0, dt=0.1):
    state = SwayState(speed)
    acted = []
    for i in range(round(seconds / dt)):
        t = i * dt
        v = speed + ramp * t + amplitude * math.sin(2 * math.pi * frequency * t)
        acted.append(sway(state, v, dt) == 0.0)
    return acted


@given(evenly(0.55, 1.0), evenly(0.3, 1.0))
def test_sway_is_noticed_within_six_swings(frequency, amplitude):
    acted = run_sway(frequency, amplitude)
    assert acted.index(True) * 0.1 <= 6.0 / frequency + 1.0


@given(evenly(0.01, 0.12), evenly(0.0, 0.9), evenly(-2.0, 2.0))
def test_slow_driving_and_steady_acceleration_are_not_sway(frequency, amplitude, ramp):
    assert not any(run_sway(frequency, amplitude, ramp=ramp))


def test_sway_is_held_for_a_while_and_then_forgotten():
    state = SwayState(22.0)
    for i in range(100):
        cap = sway(state, 22.0 + 0.5 * math.sin(0.5 * i), 0.1)
    assert cap == 0.0
    for i in range(300):
        cap = sway(state, 22.0, 0.1)
        if i == 50:
            assert cap == 0.0
    assert cap == 1.0


@given(st.lists(one_of([1.0, 2.0, 3.0, 4.0]), min_size=1, max_size=8), st.booleans())
def test_torque_is_reduced_at_each_change_and_back_within_half_a_second(gears, through_neutral):
    state = GearChangeState()
    last = None
    for gear in gears:
        if through_neutral and last not in (None, gear):
            for _ in range(4):
                factor, acting = gear_change(state, 0.0, True, 0.1)
                assert factor < 1.0 and acting
        factors = []
        for _ in range(15):
            factor, _ = gear_change(state, gear, True, 0.1)
            factors.append(factor)
            assert 0.0 <= factor <= 1.0
        if last in (None, gear):
            assert all(factor == 1.0 for factor in factors)
        else:
            assert factors[0] < 1.0
            assert all(factor == 1.0 for factor in factors[5:])
            assert all(b >= a for a, b in zip(factors, factors[1:], strict=False))
        last = gear


def test_rolling_in_neutral_is_no_gear_change():
    state = GearChangeState(3.0, 10.0, 0.0)
    factors = []
    for _ in range(40):
        factor, _ = gear_change(state, 0.0, True, 0.1)
        factors.append(factor)
    assert factors[0] < 1.0 and factors[-1] == 1.0


@given(st.lists(evenly(0.0, 1.0), min_size=1, max_size=60))
def test_rating_ceiling_follows_probability_with_hysteresis(probabilities):
    held = 0.0
    for probability in probabilities:
        held, cap = ratings(held, probability)
        plain = min(max((0.5 - probability) / 0.3, 0.0), 1.0)
        assert cap <= plain + 1e-12, "never more than the definition allows"
        assert cap >= min(max((0.45 - probability) / 0.3, 0.0), 1.0) - 1e-12


def test_rating_ceiling_does_not_chatter():
    held, caps = 0.0, []
    for i in range(40):
        held, cap = ratings(held, 0.30 + (0.02 if i % 2 else -0.02))
        caps.append(cap)
    assert len(set(caps[2:])) == 1
    assert ratings(0.3, math.nan) == (0.0, 1.0)
