"""Which gear is believed: what engine over road speed shows, against what is logged."""

from __future__ import annotations

import math

import numpy as np
import pytest
from drive_bench import small_rig
from hypothesis import given, settings
from hypothesis import strategies as st
from traction_bench import steady

from loadlearn.vehicle.engine_force import rig_arrays
from loadlearn.vehicle.gear import CONTRADICTED_S, LOW_RANGE_FAR, nearest_ratio
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.traction import traction


@pytest.mark.parametrize("gear", [1, 2, 3, 4, 5])
def test_gear_is_found_from_the_ratio(rig: Rig, gear: int) -> None:
    speed = {1: 4.0, 2: 7.0, 3: 10.0}.get(gear, 20.0)
    found = traction(steady(rig, in_gear=gear, speed_m_s=speed), rig).iloc[-1]
    blind = steady(rig, in_gear=gear, speed_m_s=speed).drop(columns="gear")
    inferred = traction(blind, rig).iloc[-1]
    assert inferred["gear"] == gear
    assert inferred["force_n"] == pytest.approx(found["force_n"], rel=1e-12)


def test_low_range_not_logged_is_seen_in_the_ratio(rig: Rig) -> None:
    low = rig.driveline.transfer_low_ratio
    assert low is not None
    trace = steady(rig, seconds=12.0, in_gear=2, speed_m_s=4.0)
    trace["engine_speed_rpm"] *= low
    found = traction(trace, rig)
    # A standing contradiction: after a few seconds the inferred ratio wins.
    expected = rig.overall_ratio(2, low_range=True) / rig.vehicle.tyre_radius_m
    omega = float(trace["engine_speed_rpm"].iloc[-1]) * math.pi / 30.0
    power = 3.0 * rig.engine.heating_value_mj_kg * 1e3 * rig.engine.indicated_efficiency
    fmep = 1e3 * (rig.engine.friction_mep_kpa + rig.engine.friction_mep_slope_kpa_s_per_rad * omega)
    torque = power / omega - fmep * rig.engine.displacement_l * 1e-3 / (4.0 * math.pi)
    torque -= 1e3 * rig.engine.accessory_power_kw / omega
    assert found["force_n"].iloc[-1] == pytest.approx(
        torque * expected * rig.driveline.efficiency, rel=1e-9
    )


@settings(deadline=None)
@given(st.floats(1.0, 60.0))
def test_the_nearest_ratio_is_nearest_in_its_logarithm(observed: float) -> None:
    rig = small_rig()
    low_ratio = rig.driveline.transfer_low_ratio
    assert low_ratio is not None
    gear, low, distance = nearest_ratio(observed, rig_arrays(rig).ratios, low_ratio)
    far = {
        (index, low_range): abs(math.log(observed / rig.overall_ratio(index, low_range=low_range)))
        + low_range * math.log(LOW_RANGE_FAR)
        for index in range(1, 6)
        for low_range in (False, True)
    }
    assert distance == pytest.approx(min(far.values()), abs=1e-12)
    assert far[gear, low] == pytest.approx(distance, abs=1e-12)


def test_a_logged_gear_that_is_wrong_is_believed_for_a_while_only(rig: Rig) -> None:
    trace = steady(rig, seconds=8.0)
    trace["gear"] = 5.0  # the engine turns as in fourth
    # A converter may slip by as much for good; a clutch may not.
    found = traction(trace, rig)["gear"].to_numpy()
    time_s = trace["time_s"].to_numpy()
    assert set(found[time_s < CONTRADICTED_S]) == {5.0}
    assert set(found[time_s > CONTRADICTED_S + 0.2]) == {4.0}


def test_neutral_drives_nothing(rig: Rig) -> None:
    trace = steady(rig, gear=0.0)
    found = traction(trace, rig)
    assert not found["force_n"].any() and not found["gear"].any()
    assert np.isfinite(found["rotating_mass_kg"]).all()
