"""The policy's air and heat model against arithmetic and tables from outside."""

from __future__ import annotations

import math

import numpy as np
import pytest
from draws_bench import evenly
from hypothesis import given
from policy_bench import make_rig, petrol_rig

from loadlearn.policy.best_gear import best_gear
from loadlearn.policy.columns import Sample
from loadlearn.policy.readings import surroundings
from loadlearn.policy.thermal_model import (
    Surroundings,
    air_flow_g_s,
    air_per_kpa,
    attainable_torque_n_m,
    brake_torque_n_m,
    charge_pressure_kpa,
    coolant_equilibrium_degc,
    engine_curve,
    exhaust_rise_k,
    fuel_flow_g_s,
    interpolate,
    normal_cdf,
    oil_equilibrium_degc,
    thermal_parameters,
)
from loadlearn.vehicle.roadload import isa_pressure_kpa, isa_temperature_k

RIG = make_rig()
P = thermal_parameters(RIG)
CURVE = engine_curve(RIG)
SEA = Surroundings(25.0, 100.0)


@given(evenly(0, 600), evenly(80, 450))
def test_fuelling_and_torque_are_inverse(torque, omega):
    fuel = fuel_flow_g_s(P, torque, omega)
    assert brake_torque_n_m(P, fuel, omega) == pytest.approx(torque, abs=1e-6)


def test_willans_against_power_and_fuel_energy():
    """P = T w: 400 N m at 2500 rpm is 104.7 kW; 3 l at 110 + 0.18 w kPa loses 37.5 N m more."""
    omega = 2500 * math.pi / 30
    friction = (110e3 + 180.0 * omega) * 3.0e-3 / (4 * math.pi)
    energy_w = fuel_flow_g_s(P, 400.0, omega) * 42_800.0
    assert energy_w * 0.41 == pytest.approx((400.0 + friction) * omega)
    assert 400.0 * omega == pytest.approx(104_720, rel=1e-4)


def test_speed_density_against_the_ideal_gas():
    """3 l four-stroke at 3000 rpm swallows 75 l/s; at 200 kPa, 320 K the air weighs 2.177 kg/m3."""
    density = 200e3 / (287.05287 * 320.0)
    expected = 0.88 * 0.075 * density * 1e3
    assert 200.0 * air_per_kpa(P, 3000 * math.pi / 30, 320.0 - 273.15) == pytest.approx(expected)


def test_gas_rise_is_of_the_order_practice_knows():
    """Base full load warm: 500-700 degC; all extra torque: hotter (common practice, no source)."""
    omega = 2500 * math.pi / 30
    base = fuel_flow_g_s(P, 450.0, omega)
    for torque, low, high in ((450.0, 480.0, 680.0), (580.0, 560.0, 760.0)):
        fuel = fuel_flow_g_s(P, torque, omega)
        air = air_flow_g_s(P, fuel, base, omega, 50.0, 100.0)
        assert low < 50.0 + exhaust_rise_k(P, fuel, air, base) < high


@given(evenly(0.5, 15.0), evenly(0.1, 5.0), evenly(20.0, 200.0), evenly(5.0, 80.0))
def test_gas_is_hotter_with_more_fuel_and_cooler_with_more_air(fuel, more, air, extra):
    assert exhaust_rise_k(P, fuel + more, air, 8.0) >= exhaust_rise_k(P, fuel, air, 8.0) - 1e-6
    assert exhaust_rise_k(P, fuel, air + extra, 8.0) <= exhaust_rise_k(P, fuel, air, 8.0) + 1e-6


@given(evenly(0, 2500), evenly(0, 2500), evenly(1200, 3900), evenly(0, 1))
def test_altitude_takes_air_and_torque_away(a, b, rpm, share):
    low, high = min(a, b), max(a, b)
    omega = rpm * math.pi / 30
    torque = interpolate(rpm, CURVE[0], CURVE[2])
    fuel = fuel_flow_g_s(P, torque, omega)
    base = fuel_flow_g_s(P, interpolate(rpm, CURVE[0], CURVE[1]), omega)

    def at(altitude):
        return float(isa_pressure_kpa(altitude))

    assert charge_pressure_kpa(P, fuel, base, omega, at(high)) <= charge_pressure_kpa(
        P, fuel, base, omega, at(low)
    )
    derated = [
        attainable_torque_n_m(P, CURVE, rpm, share, Surroundings(15.0, at(h))) for h in (low, high)
    ]
    assert derated[1] <= derated[0] + 1e-9
    assert derated[0] <= interpolate(rpm, CURVE[0], CURVE[2]) + 1e-9


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_a_compressor_makes_up_for_altitude_as_far_as_its_limit_goes(share):
    """1500 m is 84.6 kPa, 288.15 - 9.75 K (ISO 2533): density 0.874 of that at 25 degC, 100 kPa."""
    high = Surroundings(15.0 - 9.75, 84.6)
    thin = 84.6 / 100.0 * 298.15 / 278.4
    boosted, free = petrol_rig("turbocharged"), petrol_rig("naturally_aspirated", 0.5)
    curve = engine_curve(boosted)
    full = interpolate(2500.0, curve[0], curve[1 + round(share)])
    p = thermal_parameters(boosted)
    assert attainable_torque_n_m(p, curve, 2500.0, share, high) == full
    # By hand at that limit: air for a stoichiometric mixture at 1.6 times 84.6 kPa.
    p = p._replace(pressure_ratio_max=1.6)
    omega, fuel = 2500.0 * math.pi / 30.0, fuel_flow_g_s(p, full, 2500.0 * math.pi / 30.0)
    base = fuel_flow_g_s(p, interpolate(2500.0, curve[0], curve[1]), omega)
    intake_k = 278.4 + 6.0 + 16.0 * min(fuel / base, 1.5)
    air = 0.88 * 3.0e-3 * omega / (4.0 * math.pi) * 1.6 * 84.6e3 / (287.05287 * intake_k) * 1e3
    less = 0.41 * 43.0e3 * air / 14.6 / omega - (110e3 + 180 * omega) * 3e-3 / (4 * math.pi)
    assert less < full
    assert attainable_torque_n_m(p, curve, 2500.0, share, high) == pytest.approx(less, rel=1e-6)
    assert charge_pressure_kpa(p, 2 * fuel, base, omega, 84.6) == pytest.approx(1.6 * 84.6)

    p, curve = thermal_parameters(free), engine_curve(free)
    full = interpolate(2500.0, curve[0], curve[1 + round(share)])
    assert attainable_torque_n_m(p, curve, 2500.0, share, high) == pytest.approx(thin * full)
    assert charge_pressure_kpa(p, fuel, base, omega, 84.6) == 84.6


def test_surroundings_follow_the_standard_atmosphere():
    """ISO 2533 through loadlearn.vehicle.roadload, whose own tests hold it to the table."""
    for altitude in (0.0, 1000.0, 2500.0):
        air = surroundings(Sample(altitude_m=altitude))
        assert air.ambient_degc == pytest.approx(float(isa_temperature_k(altitude)) - 273.15)
        assert air.ambient_kpa == pytest.approx(float(isa_pressure_kpa(altitude)), rel=1e-4)


@given(evenly(0, 12), evenly(0, 12), evenly(-10, 45))
def test_coolant_and_oil_rise_with_load(a, b, ambient):
    low, high = min(a, b), max(a, b)
    assert coolant_equilibrium_degc(P, low, ambient) <= coolant_equilibrium_degc(P, high, ambient)
    assert coolant_equilibrium_degc(P, low, ambient) >= P.coolant_thermostat_degc
    assert oil_equilibrium_degc(P, 90.0, low, 0.1) <= oil_equilibrium_degc(P, 90.0, high, 0.1)
    assert oil_equilibrium_degc(P, 90.0, high, 0.0) <= oil_equilibrium_degc(P, 90.0, high, 0.2)


def test_normal_cdf_against_scipy():
    from scipy.special import ndtr

    x = np.linspace(-6, 6, 25)
    assert [normal_cdf(v) for v in x] == pytest.approx(ndtr(x).tolist(), abs=1e-12)


def test_interpolation_against_numpy():
    for x in (500.0, 1000.0, 1234.5, 2500.0, 3999.0, 5000.0):
        assert interpolate(x, CURVE[0], CURVE[1]) == pytest.approx(np.interp(x, *CURVE[:2]))


@given(evenly(4.0, 38.0), evenly(0.0, 1.0))
def test_best_gear_against_all_gears(speed, share):
    ratios = np.array(RIG.driveline.gear_ratios) * RIG.driveline.final_drive
    radius = RIG.vehicle.tyre_radius_m
    best = best_gear(P, CURVE, ratios, radius, 0.9, 1e9, speed, share, SEA)
    rpm = speed / radius * ratios * 30 / math.pi
    forces = [
        attainable_torque_n_m(P, CURVE, r, share, SEA) * ratio * 0.9 / radius
        for r, ratio in zip(rpm, ratios, strict=True)
        if CURVE[0, 0] <= r <= CURVE[0, -1]
    ]
    assert best.force_n == pytest.approx(max(forces))


def test_first_gear_is_no_gear_in_which_extra_torque_helps():
    ratios = np.array(RIG.driveline.gear_ratios) * RIG.driveline.final_drive
    axle = 450.0 * ratios[0]
    at = (ratios, RIG.vehicle.tyre_radius_m, 0.9, axle, 5.0)
    force = best_gear(P, CURVE, *at, 1.0, SEA).force_n
    assert force * RIG.vehicle.tyre_radius_m / 0.9 <= axle * (1 + 1e-12)
    assert best_gear(P, CURVE, *at, 1.0, SEA).force_n >= best_gear(P, CURVE, *at, 0.0, SEA).force_n
