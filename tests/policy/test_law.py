"""The law sample by sample: limits of the share that act, and what a push of the pedal does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from closed_loop_bench import Belief, Law, close_loop, hold_speed
from plant_bench import Plant

from loadlearn.policy.law_settings import RESTRAINT_BACK_PER_S
from loadlearn.policy.strategy import Settings, constant


@pytest.mark.parametrize("gentle", ["engine_speed_rpm", "gear"])
def test_share_limits_act_and_are_named(rig, gentle):
    points, shares = {
        "engine_speed_rpm": (np.array([1000.0, 2000.0, 3200.0]), np.array([0.9, 0.5, 0.1])),
        "gear": (np.array([1.0, 2.0, 6.0]), np.array([0.3, 0.3, 0.1])),
    }[gentle]
    limited = replace(
        constant("all of it", Settings(1.0, 60.0, 0.0)), share_limits={gentle: (points, shares)}
    )
    law = Law(rig, Belief(5500.0, 55.0), limited)
    plant, seen = Plant(rig, 5500.0, seed=2), []

    def watch(time, sample):
        seen.append(sample)
        return sample

    record = close_loop(plant, law, 120.0, lambda t: 1.0, lambda x: 0.05, watch)
    given_share = record.get("extra_torque")
    now = np.array([sample[gentle] for sample in seen])
    known = now > 0.0  # the gear while it changes
    # numpy's interp is the oracle of the limit.
    limit = np.interp(now, points, shares)
    assert np.all(given_share[known] <= limit[known] + 1e-9)
    assert given_share.max() > 0.08
    acts = record.acting("strategy_limit")
    assert acts[known].mean() > 0.5
    free = close_loop(
        Plant(rig, 5500.0, seed=2), Law(rig, Belief(5500.0, 55.0)), 120.0, lambda t: 1.0
    )
    assert not free.acting("strategy_limit").any() and free.get("extra_torque").max() > 0.5


def test_a_push_of_the_pedal_ends_economy_at_once_and_brings_all_that_is_left(rig):
    law = Law(rig, Belief(3000.0, 30.0))
    plant = Plant(rig, 3000.0, seed=1)
    plant.speed_m_s = 22.0
    hold = hold_speed(plant, 22.0)
    push = (300.0, 308.0)
    record = close_loop(
        plant, law, 340.0, lambda t: 1.0 if push[0] <= t < push[1] else min(hold(t), 0.55)
    )
    economy, extra, at = (
        record.get("economy"),
        record.get("extra_torque"),
        np.searchsorted(record.time, push[0]),
    )
    held = economy[at - 5]
    assert held > 0.8 and record.get("power_retention")[at - 5] == 0.0
    pushed = (record.time > push[0] + 0.15) & (record.time < push[1])
    assert np.all(economy[pushed] == 0.0)
    # Nothing is kept for so light a load, yet the push has all that may rise in its time.
    assert extra[at + 70] > 0.9 and np.all(record.get("wanted_share")[pushed] == 1.0)
    # It comes back at its pace, once the demand has ended.
    after = record.time > push[1] + 0.1
    back = np.diff(economy[after])
    assert back.max() == pytest.approx(0.1 * RESTRAINT_BACK_PER_S, rel=1e-6)
    rises = np.flatnonzero(back > 0.0)
    assert 0.1 * len(rises) == pytest.approx(held / RESTRAINT_BACK_PER_S, abs=0.2)
    assert economy[-1] == pytest.approx(held)
