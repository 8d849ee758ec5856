"""Caps of the air at one sample: a turbocharger's speed limit belongs to whoever has one."""

from __future__ import annotations

import pytest
from policy_bench import make_rig, petrol_rig

from loadlearn.policy.caps import METER_SHARE, compute_caps
from loadlearn.policy.columns import Sample
from loadlearn.policy.readings import read_air, read_engine, surroundings
from loadlearn.policy.state import initial_policy_state, policy_config, policy_memory
from loadlearn.policy.strategy import Settings, constant
from loadlearn.policy.thermal_model import charge_target_kpa, thermal_parameters
from loadlearn.vehicle.roadload import isa_pressure_kpa


def turbo_speed_cap(rig, altitude_m):
    """The cap at base full load, 2500 rpm."""
    p, config, memory = (
        thermal_parameters(rig),
        policy_config(rig),
        policy_memory(rig, constant("test", Settings())),
    )
    state = initial_policy_state(p)
    base_g_s = read_engine(
        p, config, memory, state, Sample(engine_speed_rpm=2500.0, gear=3.0)
    ).base_fuel_g_s
    row = Sample(
        engine_speed_rpm=2500.0,
        gear=3.0,
        speed_m_s=20.0,
        fuel_rate_g_s=base_g_s,
        altitude_m=altitude_m,
        ambient_pressure_kpa=float(isa_pressure_kpa(altitude_m)),
        coolant_temp_degc=88.0,
    )
    engine = read_engine(p, config, memory, state, row)
    air = surroundings(row)
    now = read_air(p, state, row, engine, air, 0.1)
    compute_caps(p, config, memory, state, row, engine, now, air, 0.1)
    targets = [
        charge_target_kpa(p, fuel, base_g_s, 2500.0 * 3.14159265 / 30.0)
        for fuel in (base_g_s, engine.uprated_fuel_g_s)
    ]
    return float(memory.cap_of.turbo_speed), targets


@pytest.mark.parametrize("make", [petrol_rig, None])
def test_turbo_speed_caps_the_extra_torque_at_altitude(make):
    rig = make_rig() if make is None else make("turbocharged")
    ratio = rig.limits.turbo_pressure_ratio_max
    at_sea, (base, uprated) = turbo_speed_cap(rig, 0.0)
    assert at_sea == 1.0 and uprated < ratio * 101.3
    # ISO 2533: 57.7 kPa at 4500 m. The share at which the target meets the ratio's limit.
    limited, _ = turbo_speed_cap(rig, 4500.0)
    room = (1.0 + METER_SHARE) * ratio * 57.73 - base
    assert limited == pytest.approx(min(max(room / (uprated - base), 0.0), 1.0), abs=0.01)
    assert limited < 0.9
    heights = [turbo_speed_cap(rig, height)[0] for height in range(0, 6000, 500)]
    assert all(b <= a for a, b in zip(heights, heights[1:], strict=False)) and heights[-1] == 0.0


def test_an_engine_without_a_compressor_has_no_turbo_speed():
    for altitude_m in (0.0, 4500.0):
        assert turbo_speed_cap(petrol_rig("naturally_aspirated", 0.5), altitude_m)[0] == 1.0
