"""The gear that gives most force, against numpy's interpolation of the curves over all gears."""

from __future__ import annotations

import numpy as np
import pytest
from draws_bench import evenly, one_of
from hypothesis import given
from policy_bench import RIG_TABLE, make_rig

from loadlearn.policy.best_gear import best_gear
from loadlearn.policy.thermal_model import Surroundings, engine_curve, thermal_parameters

RIG = make_rig()
P, CURVE = thermal_parameters(RIG), engine_curve(RIG)
RATIOS = np.array(RIG_TABLE["driveline"]["gear_ratios"]) * RIG_TABLE["driveline"]["final_drive"]
RADIUS = RIG_TABLE["vehicle"]["tyre_radius_m"]
STANDARD = Surroundings(15.0, 101.325)  # ISO 2533, sea level


def found(speed, share, axle=1e9, air=STANDARD):
    return best_gear(P, CURVE, RATIOS, RADIUS, 0.9, axle, speed, share, air)


@given(evenly(3.0, 45.0), one_of((0.0, 0.5, 1.0)))
def test_no_gear_gives_more(speed, share):
    engine = RIG_TABLE["engine"]
    rpms, base = engine["full_load_rpm"], np.array(engine["full_load_torque_n_m"])
    torque = base + share * (np.array(engine["uprated"]["full_load_torque_n_m"]) - base)
    rpm = speed / RADIUS * RATIOS * 60.0 / (2.0 * np.pi)
    forces = np.where(
        (rpm >= rpms[0]) & (rpm <= rpms[-1]),
        np.interp(rpm, rpms, torque) * RATIOS * 0.9 / RADIUS,
        0.0,
    )
    best = found(speed, share)
    assert best.force_n == pytest.approx(forces.max())
    assert best.rpm == pytest.approx(rpm[forces.argmax()])


def test_extra_torque_counts_only_as_far_as_the_axles_may_bear_it():
    speed, bare, all_of_it = 6.0, found(6.0, 0.0), found(6.0, 1.0)
    assert all_of_it.force_n > 1.1 * bare.force_n
    axle = 1.05 * bare.force_n * RADIUS / 0.9
    assert found(speed, 1.0, axle).force_n <= axle * 0.9 / RADIUS * (1.0 + 1e-9)
    # Never less than the base engine, which no strategy takes away.
    assert found(speed, 1.0, 1.0).force_n == pytest.approx(bare.force_n)


def test_too_fast_or_too_slow_for_every_gear():
    assert found(90.0, 0.0).rpm == CURVE[0, -1]
    creeping = found(0.5, 0.0)
    assert creeping.rpm == CURVE[0, 0] and creeping.force_n > 0.0


def test_thin_air_gives_less():
    for share in (0.0, 1.0):
        thin = found(20.0, share, air=Surroundings(30.0, 60.0))
        assert 0.0 < thin.force_n <= found(20.0, share).force_n
    assert found(20.0, 1.0, air=Surroundings(30.0, 60.0)).force_n < found(20.0, 1.0).force_n
