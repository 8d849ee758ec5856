"""Which reading each cap is asked of, and how much it leaves: at one sample, by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from policy_bench import make_rig, petrol_rig

from loadlearn.policy.caps import METER_SHARE, compute_caps
from loadlearn.policy.columns import Sample
from loadlearn.policy.readings import read_air, read_engine, surroundings
from loadlearn.policy.state import initial_policy_state, policy_config, policy_memory
from loadlearn.policy.strategy import Settings, constant
from loadlearn.policy.thermal_model import charge_target_kpa, thermal_parameters
from loadlearn.vehicle.roadload import isa_pressure_kpa

AT_FULL_LOAD = {
    "engine_speed_rpm": 2500.0,
    "gear": 3.0,
    "speed_m_s": 20.0,
    "ambient_temp_degc": 15.0,
    "ambient_pressure_kpa": 101.3,
    "coolant_temp_degc": 88.0,
    "transmission_oil_temp_degc": 80.0,
    "engine_oil_temp_degc": 90.0,
    "intake_temp_degc": 30.0,
}


def caps_of(rig, samples, strategy=None):
    """Caps after a run of samples a tenth of a second apart, base full load where not told."""
    p, config = thermal_parameters(rig), policy_config(rig)
    memory = policy_memory(rig, strategy or constant("test", Settings()))
    state = initial_policy_state(p)
    base = read_engine(p, config, memory, state, Sample(engine_speed_rpm=2500.0, gear=3.0))
    for told in samples:
        row = Sample(**{"fuel_rate_g_s": base.base_fuel_g_s, **AT_FULL_LOAD, **told})
        engine = read_engine(p, config, memory, state, row)
        air = surroundings(row)
        now = read_air(p, state, row, engine, air, 0.1)
        state.air_ratio, state.charge_kpa = now.air_ratio, now.charge_model_kpa
        compute_caps(p, config, memory, state, row, engine, now, air, 0.1)
    return memory.cap_of, engine, p


def turbo_speed_cap(rig, altitude_m):
    """The cap at base full load, 2500 rpm."""
    pressure = float(isa_pressure_kpa(altitude_m))
    caps, engine, p = caps_of(rig, [{"altitude_m": altitude_m, "ambient_pressure_kpa": pressure}])
    targets = [
        charge_target_kpa(p, fuel, engine.base_fuel_g_s, 2500.0 * 3.14159265 / 30.0)
        for fuel in (engine.base_fuel_g_s, engine.uprated_fuel_g_s)
    ]
    return float(caps.turbo_speed), targets


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


@pytest.mark.parametrize(
    ("channel", "cap", "reduce", "zero"),
    [
        ("coolant_temp_degc", "coolant_heat", 100.0, 110.0),
        ("transmission_oil_temp_degc", "transmission_oil_heat", 112.0, 128.0),
        ("engine_oil_temp_degc", "engine_oil_heat", 124.0, 138.0),
        ("intake_temp_degc", "charge_air_heat", 64.0, 86.0),
    ],
)
def test_each_temperature_takes_the_extra_torque_between_its_own_limits(channel, cap, reduce, zero):
    """In line from all of it to nothing; no two channels share a limit here."""
    limits = {
        "coolant": (100.0, 110.0),
        "transmission_oil": (112.0, 128.0),
        "engine_oil": (124.0, 138.0),
        "intake": (64.0, 86.0),
    }
    told = {}
    for name, (low, high) in limits.items():
        told |= {f"{name}_reduce_degc": low, f"{name}_zero_degc": high}
    rig = make_rig(**told)
    for part in (-0.1, 0.25, 0.5, 0.75, 1.1):
        caps, _, _ = caps_of(rig, [{channel: reduce + part * (zero - reduce)}])
        found = {one: float(getattr(caps, one)) for one in HEAT_CAPS}
        assert found.pop(cap) == pytest.approx(min(max(1.0 - part, 0.0), 1.0), abs=1e-9)
        assert set(found.values()) == {1.0}


HEAT_CAPS = ("coolant_heat", "transmission_oil_heat", "engine_oil_heat", "charge_air_heat")


@pytest.mark.parametrize(
    ("reading", "counts"), [(88.0, 1.0), (None, 0.0), (200.0, 0.0), (-60.0, 0.0)]
)
def test_a_coolant_sensor_that_shows_nothing_possible_counts(reading, counts):
    """After the three tenths of a second that a drop-out is forgiven."""
    told = {"coolant_temp_degc": float("nan") if reading is None else reading}
    caps, _, _ = caps_of(make_rig(), [{}] * 100 + [told] * 6)
    assert float(caps.coolant_sensor) == counts
    caps, _, _ = caps_of(make_rig(), [{}] * 100 + [told] * 2)
    assert float(caps.coolant_sensor) == 1.0


def test_a_coolant_sensor_that_stands_still_while_the_coolant_warms_up_counts():
    """At full load from cold more than eight kelvins are due within two of its time constants."""
    cold = {"coolant_temp_degc": 20.0}
    _, _, p = caps_of(make_rig(), [cold])
    still, _, _ = caps_of(make_rig(), [cold] * int(20.0 * p.coolant_time_s))
    assert float(still.coolant_sensor) == 0.0
    warm, _, _ = caps_of(make_rig(), [{}] * int(20.0 * p.coolant_time_s))
    assert float(warm.coolant_sensor) == 1.0


@pytest.mark.parametrize("metered", [0.7, 0.9, 1.1])
def test_the_air_at_hand_caps_the_fuel(metered):
    """Most fuel = air / (stoichiometric ratio x least lambda), a meter's 2 % kept back.

    Once the air is followed: within a second.
    """
    rig = make_rig(air_fuel_lambda_min=1.3)
    _, engine, p = caps_of(rig, [{}])
    needed = 1.3 * p.stoichiometric_ratio * 1.02 * engine.uprated_fuel_g_s
    caps, engine, _ = caps_of(rig, [{"air_flow_g_s": metered * needed}] * 200)
    most = metered * engine.uprated_fuel_g_s
    share = (most - engine.base_fuel_g_s) / (engine.uprated_fuel_g_s - engine.base_fuel_g_s)
    assert float(caps.air_fuel_ratio) == pytest.approx(min(max(share, 0.0), 1.0), abs=1e-3)


@pytest.mark.parametrize(("gear", "reverse", "neutral"), [(3, 1, 1), (0, 1, 0), (-1, 0, 1)])
def test_reverse_and_neutral_get_none(gear, reverse, neutral):
    caps, _, _ = caps_of(make_rig(), [{"gear": float(gear)}] * 3)
    assert (float(caps.reverse_gear), float(caps.neutral)) == (reverse, neutral)


def test_the_axles_bear_what_the_rig_says():
    """2500 rpm: 450 N m base, 580 uprated; in first, 3.8 x 3.7 of it reaches the axles."""
    caps, _, _ = caps_of(make_rig(axle_torque_max_n_m=7000.0), [{"gear": 1.0, "speed_m_s": 4.7}])
    assert float(caps.axle_torque) == pytest.approx((7000.0 / (3.8 * 3.7) - 450.0) / 130.0)
    caps, _, _ = caps_of(make_rig(axle_torque_max_n_m=7000.0), [{}])
    assert float(caps.axle_torque) == 1.0


def test_an_unknown_ratio_is_first_gear_when_slow_and_top_gear_when_fast():
    rig = make_rig(axle_torque_max_n_m=7000.0)
    blind = {"gear": float("nan"), "engine_speed_rpm": 2500.0}
    slow, _, _ = caps_of(rig, [{**blind, "speed_m_s": 1.0}])
    assert float(slow.axle_torque) == pytest.approx((7000.0 / (3.8 * 3.7) - 450.0) / 130.0)
    fast, _, _ = caps_of(rig, [{**blind, "speed_m_s": float("nan")}])
    assert float(fast.axle_torque) == 1.0


@pytest.mark.parametrize(("by_speed", "by_gear"), [(0.4, 0.9), (0.9, 0.3), (1.0, 1.0)])
def test_the_strategys_stricter_limit_counts(by_speed, by_gear):
    limits = {
        "engine_speed_rpm": (np.array([1000.0, 4000.0]), np.array([by_speed, by_speed])),
        "gear": (np.array([1.0, 2.0, 3.0, 4.0]), np.array([0.1, 0.1, by_gear, 0.1])),
    }
    strategy = replace(constant("test", Settings()), share_limits=limits)
    caps, _, _ = caps_of(make_rig(), [{}], strategy)
    assert float(caps.strategy_limit) == pytest.approx(min(by_speed, by_gear))


@pytest.mark.parametrize(("over_k", "allowed"), [(-5.0, True), (15.0, False)])
def test_gas_beyond_its_limit_counts_though_the_fuelling_says_overrun(over_k, allowed):
    """A fuelling channel that froze at idle: found by driving each failure in the closed loop."""
    rig = make_rig(exhaust_gas_temp_degc=720.0)
    told = {"fuel_rate_g_s": 0.5, "exhaust_gas_temp_degc": 720.0 + over_k}
    caps, _, _ = caps_of(rig, [told] * 100)
    assert (float(caps.exhaust_gas_heat) > 0.99) == allowed
    assert allowed or float(caps.exhaust_gas_heat) < 0.01
