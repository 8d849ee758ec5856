"""The law with the loop closed: kick-down, credit kept for passing, a strategy's own limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from closed_loop_bench import Belief, Law, Record, close_loop
from plants.heated_vehicle import Plant
from policy_bench import make_rig

from loadlearn.policy.law_settings import RESTRAINT_BACK_PER_S
from loadlearn.policy.make_strategy import make_strategy
from loadlearn.policy.strategy import Settings, Strategy, constant

RIG = make_rig()
MASS_KG = 4200.0


def drive(strategy: Strategy, seconds, pedal, grade=lambda x: 0.0, mass_kg=MASS_KG, note=None):
    """Plant and law together; the load is known from the start."""
    plant = Plant(RIG, mass_kg=mass_kg, rolling_resistance=0.012, seed=4)
    law = Law(RIG, Belief(mass_kg, 0.01 * mass_kg, 0.012), strategy)
    return law, close_loop(plant, law, seconds, pedal, grade, note)


def test_kick_down_ends_economy_at_once_and_it_comes_back_gently():
    start, end = 200.0, 215.0
    _, record = drive(
        constant("restrained", Settings(0.5, 60.0, 0.8)),
        260.0,
        lambda t: 1.0 if start <= t < end else 0.35,
    )
    economy, time = record.get("economy"), record.time
    assert np.all(economy[(time > start - 20.0) & (time < start - 0.1)] == pytest.approx(0.8))
    passing = (time > start + 0.25) & (time < end - 0.1)
    assert np.all(economy[passing] == 0.0)
    assert record.get("extra_torque")[passing].max() > 0.9
    back = economy[time > end]
    steps = np.diff(back)
    assert np.all(steps >= -1e-12) and steps.max() <= RESTRAINT_BACK_PER_S * 0.1 + 1e-9
    assert back[-1] == pytest.approx(0.8)
    # It begins only when the episode is over, and then takes 8 s from nothing to 0.8.
    first, whole = (time[time > end][np.argmax(back > level)] for level in (0.0, 0.8 - 1e-6))
    assert 2.5 < first - end < 4.5 and whole - first == pytest.approx(8.0, abs=0.2)


def credit_after(pedal: float, grade: float) -> tuple[float, Record]:
    """Credit left after a minute and a half of climbing, of 40 s."""
    law, record = drive(
        constant("forty seconds", Settings(0.2, 40.0, 0.0)),
        120.0,
        lambda t: 0.5 if t < 20.0 else pedal,
        lambda x: grade if x > 300.0 else 0.0,
    )
    return float(law.state.episode.credit_s), record


def test_a_climb_at_part_pedal_spends_no_credit_and_one_at_full_throttle_does():
    part, climbing = credit_after(0.82, 0.05)
    # Above 80 % the episode is on and all is wanted, but the driver asks for less than base full
    # load, so that none of the extra torque is used.
    wanted = climbing.get("wanted_share")
    assert wanted[-600:].min() == 1.0 and part >= 39.9
    full, climbed = credit_after(1.0, 0.05)
    assert climbed.get("extra_torque").max() > 0.9
    assert full < 1.0 and climbed.get("wanted_share")[-1] == pytest.approx(0.2, abs=0.02)


LIMITS = {
    "engine_speed_rpm": (
        np.array([1000.0, 2200.0, 2600.0, 4000.0]),
        np.array([1.0, 1.0, 0.3, 0.1]),
    ),
    "gear": (np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0]), np.array([0.0, 0.1, 0.25, 0.5, 0.6, 0.7])),
}


@pytest.mark.parametrize("which", ["engine_speed_rpm", "gear"])
def test_limits_of_the_share_act_and_are_named(which):
    given = {which: LIMITS[which]}
    plain = constant("all", Settings(1.0, 60.0, 0.0))
    trip = 70.0, lambda t: 0.4 if t < 20.0 else 1.0, lambda x: 0.05
    _, free = drive(plain, *trip)
    assert free.get("extra_torque").max() > 0.9 and not free.acting("strategy_limit").any()

    seen: list[tuple[float, float]] = []

    def note(time_s, sample):
        seen.append((sample["engine_speed_rpm"], sample["gear"]))
        return sample

    _, record = drive(replace(plain, share_limits=given), *trip, note=note)
    points, shares = given[which]
    column = np.array(seen)[:, 0 if which == "engine_speed_rpm" else 1]
    allowed = np.interp(column, points, shares)
    share = record.get("extra_torque")
    # Taken away within the second that protections of the heat's kind have.
    settled = np.ones(share.size, dtype=bool)
    for k in range(1, 31):
        settled[k:] &= np.abs(allowed[k:] - allowed[:-k]) < 0.01
    settled[:31] = False
    assert np.all(share[settled] <= allowed[settled] + 0.02)
    pulling = settled & (record.get("wanted_share") > 0.99) & (allowed < 0.95)
    assert pulling.sum() > 50
    assert record.acting("strategy_limit")[pulling].all()
    # And what it leaves is used.
    assert (share[pulling] > 0.8 * allowed[pulling]).mean() > 0.8


def test_the_made_strategy_limits_nothing_of_its_own():
    made = make_strategy(RIG)
    assert {name: set(share) for name, (_, share) in made.share_limits.items()} == {
        "engine_speed_rpm": {1.0},
        "gear": {1.0},
    }
    _, record = drive(
        made, 60.0, lambda t: 0.4 if t < 20.0 else 1.0, lambda x: 0.05, mass_kg=5800.0
    )
    assert record.get("extra_torque").max() > 0.9
    assert not record.acting("strategy_limit").any()
