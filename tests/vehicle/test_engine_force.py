"""Fuelling or torque → brake torque → force at the tread, through converter and driveline."""

from __future__ import annotations

import math

import numpy as np
import pytest
from drive_bench import small_rig
from hypothesis import given, settings
from hypothesis import strategies as st
from traction_bench import settled, steady

from loadlearn.vehicle.engine_force import (
    COUPLING_POINT,
    TYPICAL_UNREPORTED,
    between,
    friction_torque,
    rig_arrays,
    willans_brake_torque,
)
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.traction import traction


def test_willans_line_by_hand(rig: Rig) -> None:
    """P = T omega, and fuel energy less friction less accessories, worked out here."""
    engine, vehicle = rig.engine, rig.vehicle
    omega = 20.0 / vehicle.tyre_radius_m * rig.overall_ratio(4)
    heat_w = 3.0 * engine.heating_value_mj_kg * 1e3 * engine.indicated_efficiency
    fmep_pa = 1e3 * (engine.friction_mep_kpa + engine.friction_mep_slope_kpa_s_per_rad * omega)
    # Four strokes: one working cycle in two turns, 4 pi radians.
    friction_w = fmep_pa * engine.displacement_l * 1e-3 / (4.0 * math.pi) * omega
    power_w = heat_w - friction_w - 1e3 * engine.accessory_power_kw
    expected = rig.driveline.efficiency * power_w / 20.0
    found = settled(rig)
    assert found["set_aside_because"] == ""
    assert found["force_n"] == pytest.approx(expected, rel=1e-12)
    assert found["gear"] == 4.0


def test_efficiency_that_falls_with_load(rig: Rig) -> None:
    # By hand: the straight line's indicated torque x and pressure p = 4 pi x / V; what is left is
    # x (1 - k p).
    table = rig.model_dump()
    table["engine"]["efficiency_fall_per_mpa"] = 0.1
    engine, omega = rig.engine, 20.0 / rig.vehicle.tyre_radius_m * rig.overall_ratio(4)
    straight = 3.0 * engine.heating_value_mj_kg * 1e3 * engine.indicated_efficiency / omega
    pressure_mpa = 4.0 * math.pi * straight / engine.displacement_l / 1e3
    lost = straight * 0.1 * pressure_mpa * rig.overall_ratio(4) / rig.vehicle.tyre_radius_m
    lost *= rig.driveline.efficiency
    found = settled(Rig.from_dict(table))["force_n"]
    assert settled(rig)["force_n"] - found == pytest.approx(lost, rel=1e-9)


def test_torque_and_fuelling_say_the_same(rig: Rig) -> None:
    known = rig_arrays(rig).constants[0]
    omega = 20.0 / rig.vehicle.tyre_radius_m * rig.overall_ratio(4)
    friction = friction_torque(
        known["friction_torque_n_m"], known["friction_torque_slope_n_m_s"], omega
    )
    before = willans_brake_torque(known["heat_to_torque_w_s_g"], 3.0, omega, friction, 0.0)
    after = before - known["accessory_power_w"] / omega
    # Told before or after the accessories, the log does not say which: half-way.
    forces = [
        settled(rig, fuel_rate_g_s=None, engine_torque_n_m=torque)["force_n"]
        for torque in (before, after)
    ]
    assert forces[1] < settled(rig)["force_n"] < forces[0]
    assert np.mean(forces) == pytest.approx(settled(rig)["force_n"], rel=1e-12)


def test_the_driveline_takes_its_share_in_either_direction(rig: Rig) -> None:
    per_torque = rig.overall_ratio(4) / rig.vehicle.tyre_radius_m
    half = 0.5e3 * rig.engine.accessory_power_kw / (20.0 * per_torque)
    for net in (200.0, -40.0):
        found = settled(rig, fuel_rate_g_s=None, engine_torque_n_m=net + half)
        factor = rig.driveline.efficiency if net > 0.0 else 1.0 / rig.driveline.efficiency
        assert found["force_n"] == pytest.approx(net * per_torque * factor, rel=1e-12)


def test_rotating_parts_of_the_engine_count_in_gear(rig: Rig) -> None:
    """By the gear's ratio where engine speed is not logged, else by its own acceleration."""
    radius, accel = rig.vehicle.tyre_radius_m, 0.6
    engine_kg = rig.engine.inertia_kg_m2 * (rig.overall_ratio(4) / radius) ** 2
    wheels_kg = rig.vehicle.wheel_inertia_kg_m2 / radius**2
    speed = 18.0 + accel * np.arange(0.0, 5.0, 0.1)
    by_ratio = settled(rig, speed_m_s=speed, engine_speed_rpm=None)
    by_speed = settled(rig, speed_m_s=speed)
    assert by_ratio["rotating_mass_kg"] == pytest.approx(engine_kg + wheels_kg)
    assert by_speed["rotating_mass_kg"] == pytest.approx(wheels_kg)
    assert by_speed["force_n"] == pytest.approx(by_ratio["force_n"] - engine_kg * accel, rel=1e-9)


def test_a_closing_lock_up_gives_back_what_spun_the_engine_up(rig: Rig) -> None:
    """The engine's kinetic energy between two speeds goes to the road, whatever slips meanwhile."""
    trace = steady(rig)
    omega = trace["engine_speed_rpm"].to_numpy().copy() * math.pi / 30.0
    faster = 1.01 * omega[0]
    omega[:20] = faster
    trace["engine_speed_rpm"] = omega * 30.0 / math.pi
    found = traction(trace, rig)
    released_n = found["force_n"].iloc[20] - found["force_n"].iloc[30]
    # To first order: I omega d(omega) over the way of one sample.
    energy_j = 0.5 * rig.engine.inertia_kg_m2 * (faster**2 - omega[20] ** 2)
    assert released_n * 20.0 * 0.1 == pytest.approx(energy_j, rel=0.02)


def test_without_engine_speed_and_gear_the_power_form_is_less_sure(rig: Rig) -> None:
    known = settled(rig)
    guessed = settled(rig, engine_speed_rpm=None, gear=None)
    assert guessed["set_aside_because"] == ""
    assert guessed["force_sd_n"] > known["force_sd_n"]
    assert abs(guessed["force_n"] - known["force_n"]) < 4.0 * guessed["force_sd_n"]


def test_overrun_with_a_brake_switch_is_believed_but_unsure(rig: Rig) -> None:
    found = settled(rig, fuel_rate_g_s=0.0)
    assert found["set_aside_because"] == ""
    assert found["force_n"] < 0.0
    assert found["force_sd_n"] > 0.05 * abs(found["force_n"])


@settings(deadline=None, max_examples=60)
@given(st.floats(0.0, 15.0), st.floats(0.0, 15.0), st.integers(2, 5))
def test_more_fuel_is_more_force(less: float, more: float, gear: int) -> None:
    rig = small_rig()
    low, high = sorted((less, more))
    forces = [settled(rig, fuel_rate_g_s=rate, in_gear=gear)["force_n"] for rate in (low, high)]
    assert forces[0] <= forces[1]


@pytest.mark.parametrize("slip", [0.03, 0.1, 0.5])
def test_a_slipping_converter_multiplies_torque_below_its_coupling_point(
    rig: Rig, slip: float
) -> None:
    """In line from the stall torque ratio to one at the coupling point, by hand."""
    line = rig.driveline.model_copy(update={"converter_stall_torque_ratio": 1.9})
    rig = rig.model_copy(update={"driveline": line})
    per_torque = rig.overall_ratio(4) / rig.vehicle.tyre_radius_m
    trace = steady(rig, fuel_rate_g_s=None, engine_torque_n_m=200.0)
    trace["engine_speed_rpm"] *= math.exp(slip)
    half = 0.5e3 * rig.engine.accessory_power_kw / (20.0 * per_torque * math.exp(slip))
    found = traction(trace, rig).iloc[-1]
    torque_ratio = max(1.0, 1.9 - 0.9 * math.exp(-slip) / COUPLING_POINT)
    expected = (200.0 - half) * per_torque * torque_ratio * rig.driveline.efficiency
    assert found["force_n"] == pytest.approx(expected, rel=1e-12)
    assert found["force_sd_n"] > 0.029 * expected


@settings(deadline=None)
@given(st.floats(0.0, 6000.0))
def test_full_load_between_its_points_is_numpy_s(rpm: float) -> None:
    table = np.array([[900.0, 300.0, 0.0], [2000.0, 450.0, 60.0], [4100.0, 310.0, 45.0]])
    for column in (1, 2):
        expected = np.interp(rpm, table[:, 0], table[:, column])
        assert between.py_func(rpm, table, column) == pytest.approx(expected, rel=1e-12, abs=1e-9)


def test_unreported_share_of_an_uprated_engine(rig: Rig) -> None:
    """By hand: of torque, the part that is extra; the force that one whole share would add."""
    table = rig.model_dump()
    table["engine"]["uprated"] = {
        "full_load_torque_n_m": [330.0, 540.0, 360.0],
        "reported_share": 0.6,
    }
    uprated = Rig.from_dict(table)
    found = settled(uprated, extra_torque_share=0.5)
    rpm = float(steady(uprated)["engine_speed_rpm"].iloc[-1])
    base = np.interp(rpm, [1000, 2000, 4000], [300, 450, 300])
    more = 0.5 * np.interp(rpm, [1000, 2000, 4000], [30, 90, 60])
    part = more / (more + base)
    expected = found["force_n"] * part / (1.0 - TYPICAL_UNREPORTED * part)
    assert found["unreported_force_n"] == pytest.approx(expected, rel=1e-9)
    assert settled(uprated, extra_torque_share=0.0)["unreported_force_n"] == 0.0
