"""What becomes of the settings: each against its definition."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from closed_loop_bench import Belief, Law
from draws_bench import evenly, whole
from hypothesis import given, settings
from hypothesis import strategies as st
from policy_bench import make_rig

from loadlearn.policy.exhaust import (
    FullLoad,
    FullLoadGas,
    full_load_gas,
    initial_exhaust_state,
    probability_gas_within,
)
from loadlearn.policy.law_settings import (
    CALM_S,
    CHANGE_STEP,
    CHANGE_WAIT_S,
    CONFIDENCE,
    CREDIT_MAX_S,
    LET_GO_STEP,
    RESTRAINT_BACK_PER_S,
    EpisodeState,
    HeatNow,
    HeldSetting,
    calm_pace,
    follow_episode,
    follow_kept,
    follow_restraint,
    full_share_time_s,
    heat_time_s,
    hold_setting,
    load_known,
    probability_sustained,
    smoothstep,
    sustainable_share,
)
from loadlearn.policy.state import policy_memory
from loadlearn.policy.strategy import Settings, constant
from loadlearn.policy.thermal_model import Surroundings, thermal_parameters

RIG = make_rig()
P = thermal_parameters(RIG)
unit = evenly(0.0, 1.0)


@given(evenly(-2, 3), evenly(-2, 3))
def test_smoothstep(a, b):
    assert 0.0 <= smoothstep(a) <= 1.0
    assert smoothstep(min(a, b)) <= smoothstep(max(a, b))
    assert smoothstep(0.5) == 0.5
    x = min(max(a, 0.0), 1.0)
    assert smoothstep(a) == pytest.approx(3 * x**2 - 2 * x**3)


def held_over(candidates, rises, pace=1.0, state=None):
    """A held setting over a series of candidates, one a second; its states."""
    waits = (CHANGE_WAIT_S, CALM_S) if rises else (CALM_S, CHANGE_WAIT_S)
    state, states = replace(state) if state else HeldSetting(), []
    for candidate in candidates:
        hold_setting(state, candidate, 1.0, pace, *waits, 1.0)
        states.append(replace(state))
    return states


@given(st.lists(evenly(0, 1), min_size=30, max_size=300), st.booleans(), evenly(0.0, 1.0))
def test_settings_change_rarely_and_only_after_what_was_asked_has_stayed(candidates, rises, level):
    # Nearly level for the longer wait, then anything.
    candidates = [*np.full(140, level), *candidates]
    states = held_over(candidates, rises)
    last_change, old = -100, HeldSetting()
    for i, new in enumerate(states):
        if new.value != old.value:
            up = new.value > old.value
            wait = int(CHANGE_WAIT_S if up == rises else CALM_S)
            window = np.array(candidates[max(i - wait + 1, 0) : i + 1])
            assert len(window) == wait
            assert i - last_change >= wait
            assert np.all(np.abs(window - old.value) > CHANGE_STEP)
            assert np.all((window > old.value) == up)
            if wait == CALM_S:
                # As far as it was never gone back on, and far enough.
                assert abs(new.value - old.value) <= np.abs(window - old.value).min() + 1e-9
            else:
                assert window.min() - 1e-9 <= new.value <= window.max() + 1e-9
            last_change = i
        old = new


@given(evenly(8.0, 110.0), evenly(0.0, 0.5), evenly(0.2, 0.8), st.booleans())
def test_settings_stand_still_on_an_undulating_road(period, swing, middle, rises):
    """Needed again and again within two minutes: kept, not taken away and given back."""
    time = np.arange(1800)
    candidates = np.clip(middle + swing * np.sin(2 * np.pi * time / period), 0.0, 1.0)
    values = [state.value for state in held_over(candidates, rises)]
    assert np.ptp(values[600:]) == 0.0


@settings(deadline=None, max_examples=20)
@given(evenly(0.0, 0.3), evenly(0.5, 1.0), whole(20))
def test_what_is_asked_for_comes_in_ten_seconds_and_goes_after_the_calm(low, high, turns):
    candidates = [*np.full(150, high), *np.tile([*np.full(130, low), *np.full(20, high)], turns)]
    states = held_over([*candidates, *np.full(round(CALM_S) + 65, low)], True)
    # A new load or road is let go to once it has stayed, and the last change is a minute old.
    assert states[-1].value == pytest.approx(low, abs=CHANGE_STEP + 0.01)
    again = held_over(np.full(12, high), True, state=states[-1])
    assert again[-1].value >= high - CHANGE_STEP - 0.01


def test_hills_are_lengths():
    """Crawling, a hill lasts longer; standing tells nothing."""
    for pace, calm in ((1.0, CALM_S), (0.25, 4.0 * CALM_S)):
        states = held_over([*np.full(20, 0.8), *np.full(600, 0.0)], True, pace)
        let_go = next(i for i, state in enumerate(states) if i > 20 and state.value == 0.0)
        assert let_go == pytest.approx(20 + calm, abs=2)
    states = held_over([*np.full(20, 0.8), *np.full(600, 0.0)], True, calm_pace(0.0))
    assert states[-1].value == pytest.approx(0.8)
    assert calm_pace(math.nan) == 0.0 and calm_pace(30.0) == 1.0


def test_what_heat_forbids_goes_and_a_breath_of_heat_hurries_nothing():
    # Less than what letting go is for, more than what a change is for.
    assert CHANGE_STEP < 0.9 - 0.78 < LET_GO_STEP
    state = HeldSetting(value=0.9, towards=0.9)
    for _ in range(round(CALM_S) + 1):
        hold_setting(state, 0.78, 1.0, 1.0, CALM_S, CALM_S, 0.78)
    assert state.value == pytest.approx(0.78)
    # While nothing is asked for, a fall waits for the whole of the calm.
    state = replace(state, rested_s=1e3)
    for i in range(round(CALM_S) - 2):
        hold_setting(state, 0.0, 1.0, 1.0, CHANGE_WAIT_S, CALM_S, 0.2 * (i % 5))
    assert state.value == pytest.approx(0.78)


@given(evenly(1000, 50_000), evenly(0.0, 0.3))
def test_defaults_while_the_mass_is_not_known_to_a_tenth(mass, relative):
    known = load_known(1.0, mass, relative * mass)
    if relative > 0.1001:
        assert known == 0.0
    if relative < 0.0899:
        assert load_known(0.0, mass, relative * mass) == 1.0


def test_settings_are_at_their_defaults_until_then():
    law = Law(RIG, Belief(mass_kg=5200.0, mass_sd_kg=700.0))
    for i in range(600):
        out = law.step(
            {
                "time_s": 0.1 * i,
                "speed_m_s": 15.0,
                "fuel_rate_g_s": 8.0,
                "grade_percent": 6.0,
                "engine_speed_rpm": 2400.0,
                "gear": 3.0,
                "accelerator_percent": 100.0,
                "coolant_temp_degc": 88.0,
                "exhaust_gas_temp_degc": 500.0 + 2 * math.sin(i),
            }
        )
        assert np.all(out[:4] == 0.0)


def test_a_demand_ends_restraint_at_once_and_it_comes_back_gently():
    assert follow_restraint(0.8, 0.8, True, 0.1) == 0.0
    restraint, times = 0.0, 0
    while restraint < 0.8:
        restraint, times = follow_restraint(restraint, 0.8, False, 0.1), times + 1
    assert restraint == 0.8 and 0.1 * times == pytest.approx(0.8 / RESTRAINT_BACK_PER_S, abs=0.11)
    # A setting that falls is followed at once.
    assert follow_restraint(0.8, 0.3, False, 0.1) == 0.3


def test_part_pedal_spends_no_credit():
    state = EpisodeState(credit_s=40.0, heat_s=40.0)
    for _ in range(3000):
        wanted = follow_episode(P, state, 85.0, 0.0, 0.1, 0.1)
    assert wanted == 1.0 and state.credit_s == 40.0


def run_episode(pedal, retention, seconds, credit=60.0, heat=60.0, dt=0.1):
    state = EpisodeState(credit_s=credit, heat_s=heat)
    share, wanted_over_time = 0.0, []
    for i in range(round(seconds / dt)):
        wanted = follow_episode(P, state, pedal(i * dt), share, retention, dt)
        share = min(wanted, share + 0.25 * dt)
        wanted_over_time.append(wanted)
    return state, np.array(wanted_over_time)


@given(unit, evenly(1.0, 60.0), evenly(0.0, 60.0))
def test_full_share_then_decay_to_the_retention(retention, credit, heat):
    # What heat allows is told, but does not end the pull: the gas has a protection of its own.
    _, wanted = run_episode(lambda t: 100.0, retention, 120.0, credit, heat)
    assert wanted[0] == 1.0
    assert np.all(np.diff(wanted) <= 1e-12)
    # Within 0.02 of all of it, nothing is spent.
    assert wanted[-1] == pytest.approx(retention, abs=0.021)
    if retention < 0.9:
        ends = np.argmax(wanted < 1.0) * 0.1
        # Credit is counted from when more than the retention is in use: two to four seconds later.
        assert credit - 0.2 <= ends <= credit + 5.0
        later = wanted[np.argmax(wanted < 1.0) + 50]
        assert later == pytest.approx(retention + (1 - retention) * math.exp(-1), abs=0.01)


@settings(deadline=None)
@given(
    evenly(0.0, 0.95),
    st.lists(st.tuples(evenly(0.5, 40.0), evenly(0.3, 9.8)), min_size=2, max_size=15),
)
def test_lifting_for_less_than_a_rest_brings_no_credit(retention, pumps):
    edges = np.cumsum([x for pair in pumps for x in pair])

    def pumped(t):
        return 100.0 if np.searchsorted(edges, t) % 2 == 0 else 20.0

    seconds = float(edges[-1])
    state, wanted = run_episode(pumped, retention, seconds)
    used = np.maximum(wanted - retention, 0.0)
    assert state.credit_s <= 60.0
    # Above the retention no more is wanted than the one credit and its decay allow.
    assert used.sum() * 0.1 <= (1 - retention) * (60.0 + 5.0 + 0.1 + 4.1 * len(pumps)) + 1e-6
    assert full_share_time_s(state) <= 60.0


def test_told_full_share_time_is_what_heat_and_credit_both_allow():
    for credit, heat in ((40.0, 7.0), (7.0, 40.0)):
        state, _ = run_episode(lambda t: 0.0, 0.2, 0.1, credit, heat)
        assert full_share_time_s(state) == pytest.approx(7.0)


def test_credit_refills_with_rest():
    state, _ = run_episode(lambda t: 100.0, 0.2, 100.0)
    assert full_share_time_s(state) == 0.0
    credit = []
    for _ in range(3000):
        wanted = follow_episode(P, state, 0.0, 0.0, 0.2, 0.1)
        credit.append(state.credit_s)
    assert wanted == 0.0
    assert credit[95] == 0.0 and credit[300] > 5.0 and credit[-1] > 55.0
    assert np.all(np.diff(credit) >= 0.0)


@pytest.mark.parametrize("coolant", [98.0, 100.0, 102.0, 104.0])
def test_a_warm_liquid_forbids_only_shares_under_which_it_warms_too_far(coolant):
    # On a mild day full load settles far below the reading: the coolant cools at any share.
    p = thermal_parameters(make_rig())
    heat = HeatNow(coolant, math.nan, 105.0, 115.0, 1e6)
    load = FullLoadGas(40.0, 600.0, p.rated_fuel_g_s, 120.0)
    exhaust = initial_exhaust_state(p, 600.0, 600.0)
    mild, hot = Surroundings(15.0, 100.0), Surroundings(55.0, 100.0)
    assert probability_sustained(p, exhaust, load, heat, mild, 120.0) >= CONFIDENCE
    assert probability_sustained(p, exhaust, load, heat, hot, 120.0) < CONFIDENCE
    past = heat._replace(coolant_degc=106.0)
    assert probability_sustained(p, exhaust, load, past, mild, 120.0) < 0.05


@pytest.mark.parametrize("limit", np.linspace(560.0, 900.0, 12))
def test_what_heat_sustains_is_where_its_probability_is_the_asked_one(limit):
    """A step of the search further and it is too likely that the gas is over its limit."""
    curve = policy_memory(RIG, constant("test", Settings())).curve
    point, air = FullLoad(2500.0, 35.0, 1.0, 1.0), Surroundings(20.0, 100.0)
    exhaust = initial_exhaust_state(P, 520.0, 520.0)
    heat = HeatNow(88.0, 85.0, 105.0, 115.0, limit)

    def share_lasts(share):
        load = full_load_gas(P, curve, point, share, air)
        return probability_sustained(P, exhaust, load, heat, air, 120.0) >= CONFIDENCE

    def time_lasts(seconds):
        load = full_load_gas(P, curve, point, 1.0, air)
        return probability_gas_within(P, exhaust, load, limit, seconds) >= CONFIDENCE

    share = sustainable_share(P, exhaust, curve, point, heat, air, 120.0)
    assert share == 0.0 or share_lasts(share)
    assert share == 1.0 or not share_lasts(share + 1.0 / 256.0)
    assert (256.0 * share) % 1.0 == 0.0
    seconds = heat_time_s(P, exhaust, curve, point, air, limit)
    step = CREDIT_MAX_S / 256.0
    assert seconds == 0.0 or (seconds > 0.5 and time_lasts(seconds))
    assert seconds == CREDIT_MAX_S or not time_lasts(max(seconds, 0.5) + step)
    assert (seconds / step) % 1.0 == 0.0


@given(evenly(0.2, 0.9), evenly(0.96, 1.0))
def test_kept_share_falls_evenly_to_what_the_liquids_allow(liquids, need):
    state = HeldSetting(1.0, 0.0, 1.0, 0.0)
    values = [state.value]
    for _ in range(300):
        follow_kept(state, need, liquids, 1.0, 1.0)
        values.append(state.value)
    steps = -np.diff(values)
    assert np.all(steps >= 0.0) and steps.max() <= (1.0 - liquids) / 29.0
    assert state.value == pytest.approx(liquids, abs=1e-3)
