"""Fuelling, torque or measured force → force at the tread; reasons to set samples aside."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from drive_bench import small_rig
from hypothesis import given, settings
from hypothesis import strategies as st

from loadlearn.errors import InputError
from loadlearn.simulation.drive import PlantVariation, simulate
from loadlearn.simulation.road import random_road
from loadlearn.simulation.scenarios import shipped_rig
from loadlearn.simulation.sensors import Logger
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.traction import (
    BRAKE_SETTLING_S,
    SETTLING_S,
    force_source,
    friction_torque,
    rig_arrays,
    traction,
    willans_brake_torque,
)


@pytest.fixture(scope="module")
def rig() -> Rig:
    return small_rig()


def steady(rig: Rig, seconds: float = 5.0, in_gear: int = 4, **channels: Any) -> pd.DataFrame:
    """A steady drive at 20 m/s, 10 Hz; channels replace or add columns (None removes one)."""
    time = np.arange(0.0, seconds, 0.1)
    speed = np.broadcast_to(channels.pop("speed_m_s", 20.0), time.shape)
    rpm = speed / rig.vehicle.tyre_radius_m * rig.overall_ratio(in_gear) * 30.0 / math.pi
    frame = {
        "time_s": time,
        "speed_m_s": speed,
        "fuel_rate_g_s": 3.0,
        "engine_speed_rpm": rpm,
        "gear": float(in_gear),
        "brake_active": 0.0,
        **channels,
    }
    return pd.DataFrame({name: value for name, value in frame.items() if value is not None})


def settled(rig: Rig, **channels: Any) -> pd.Series:
    """The last sample of a steady drive."""
    return traction(steady(rig, **channels), rig).iloc[-1]


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
    arrays = rig_arrays(rig)
    omega = 20.0 / rig.vehicle.tyre_radius_m * rig.overall_ratio(4)
    friction = friction_torque(
        arrays.friction_torque_n_m, arrays.friction_torque_slope_n_m_s, omega
    )
    before = willans_brake_torque(arrays.heat_to_torque_w_s_g, 3.0, omega, friction, 0.0)
    after = before - arrays.accessory_power_w / omega
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


def test_measured_tread_force_is_taken_as_it_is(rig: Rig) -> None:
    trace = steady(rig, tractive_force_n=1234.0, tractive_force_sd_n=20.0)
    assert force_source(trace) == 2
    found = traction(trace, rig).iloc[-1]
    assert (found["force_n"], found["force_sd_n"]) == (1234.0, 20.0)
    wheels = rig.vehicle.wheel_inertia_kg_m2 / rig.vehicle.tyre_radius_m**2
    assert found["rotating_mass_kg"] == pytest.approx(wheels)


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


def test_without_engine_speed_and_gear_the_power_form_is_less_sure(rig: Rig) -> None:
    known = settled(rig)
    guessed = settled(rig, engine_speed_rpm=None, gear=None)
    assert guessed["set_aside_because"] == ""
    assert guessed["force_sd_n"] > known["force_sd_n"]
    assert abs(guessed["force_n"] - known["force_n"]) < 4.0 * guessed["force_sd_n"]


@pytest.mark.parametrize(
    ("channels", "reason"),
    [
        ({"brake_active": 1.0}, "service brake"),
        ({"speed_m_s": 1.0}, "standstill or crawling"),
        ({"gear": -1.0}, "reverse"),
        ({"fuel_rate_g_s": np.nan, "engine_torque_n_m": None}, "no force channel"),
        ({"brake_active": None, "fuel_rate_g_s": 0.0}, "overrun without a brake switch"),
    ],
)
def test_reasons_for_setting_aside(rig: Rig, channels: dict[str, Any], reason: str) -> None:
    trace = steady(rig, **channels)
    if trace["fuel_rate_g_s"].isna().all():
        trace.loc[0, "fuel_rate_g_s"] = 3.0
    assert traction(trace, rig)["set_aside_because"].iloc[-1] == reason


def test_a_gear_change_and_the_brake_settle(rig: Rig) -> None:
    trace = steady(rig, seconds=6.0)
    trace.loc[20:, "gear"] = 5.0
    trace.loc[20:, "engine_speed_rpm"] *= rig.overall_ratio(5) / rig.overall_ratio(4)
    trace.loc[40, "brake_active"] = 1.0
    reason = traction(trace, rig)["set_aside_because"].astype(str).to_numpy()
    time = trace["time_s"].to_numpy()
    assert (reason[(time > 1.95) & (time < 2.0 + SETTLING_S)] == "gear change").all()
    assert (reason[(time > 3.95) & (time < 4.0 + BRAKE_SETTLING_S)] == "service brake").all()
    assert set(reason[(time > 2.75) & (time < 3.9)]) == {""}
    assert set(reason[time > 4.4]) == {""}


def test_overrun_with_a_brake_switch_is_believed_but_unsure(rig: Rig) -> None:
    found = settled(rig, fuel_rate_g_s=0.0)
    assert found["set_aside_because"] == ""
    assert found["force_n"] < 0.0
    assert found["force_sd_n"] > 0.05 * abs(found["force_n"])


@pytest.mark.parametrize(("brake", "reason"), [(None, "overrun"), (0.0, "gear change")])
def test_a_gear_change_in_overrun_is_overrun_first(
    rig: Rig, brake: float | None, reason: str
) -> None:
    """A slow log learns through gear changes; one with the brakes on, unseen, must not pass."""
    trace = steady(rig, brake_active=brake)
    trace.loc[25:, ["gear", "fuel_rate_g_s"]] = 5.0, 0.0
    trace.loc[25:, "engine_speed_rpm"] *= rig.overall_ratio(5) / rig.overall_ratio(4)
    found = traction(trace, rig)["set_aside_because"]
    assert found[24] == ""
    assert found[26].startswith(reason)


@settings(deadline=None, max_examples=60)
@given(st.floats(0.0, 15.0), st.floats(0.0, 15.0), st.integers(2, 5))
def test_more_fuel_is_more_force(less: float, more: float, gear: int) -> None:
    rig = small_rig()
    low, high = sorted((less, more))
    forces = [settled(rig, fuel_rate_g_s=rate, in_gear=gear)["force_n"] for rate in (low, high)]
    assert forces[0] <= forces[1]


def test_a_log_without_force_is_refused(rig: Rig) -> None:
    with pytest.raises(InputError, match="no force channel"):
        traction(steady(rig, fuel_rate_g_s=None), rig)


def test_the_simulated_vehicle_is_read_back() -> None:
    """Noise-free log, converter locked: the plant's force but for its accessories, to a per mille.

    The log cannot show what the accessories take; the rig says their mean. What spins the engine up
    is off the force on either side.
    """
    rig = shipped_rig("utility_boat")
    made = simulate(
        rig,
        random_road(4, 10_000.0, "rolling"),
        seed=4,
        combined_mass_kg=5200.0,
        logger=Logger.exact(10.0),
        duration_s=200.0,
        variation=PlantVariation.none(),
    )
    found = traction(made.log.drop(columns="engine_torque_n_m", errors="ignore"), rig)
    truth = made.truth["computed_force_n"].to_numpy(copy=True)
    pulling = (found["set_aside_because"].astype(str) == "").to_numpy(copy=True)
    pulling &= np.isfinite(truth) & (truth > 500.0)
    assert pulling.sum() > 300
    speed = made.truth["speed_m_s"].to_numpy()
    taken = made.truth["accessory_power_kw"].to_numpy() - rig.engine.accessory_power_kw
    truth += 1e3 * rig.driveline.efficiency * taken / np.maximum(speed, 1.0)
    truth += (made.truth["tractive_force_n"] - made.truth["driving_force_n"]).to_numpy()
    ratio = found["force_n"].to_numpy()[pulling] / truth[pulling]
    assert np.median(ratio) == pytest.approx(1.0, abs=1e-3)
    assert np.quantile(np.abs(ratio - 1.0), 0.95) < 0.02


@pytest.mark.parametrize(("has_converter", "reason"), [(False, "gear change"), (True, "")])
def test_a_clutch_that_slips_after_a_gear_change_is_not_believed(
    rig: Rig, has_converter: bool, reason: str
) -> None:
    line = rig.driveline.model_copy(
        update={"converter_stall_torque_ratio": 1.9 if has_converter else None}
    )
    rig = rig.model_copy(update={"driveline": line})
    trace = steady(rig, seconds=6.0)
    trace.loc[20:, "gear"] = 5.0
    trace.loc[20:, "engine_speed_rpm"] *= rig.overall_ratio(5) / rig.overall_ratio(4)
    trace.loc[20:32, "engine_speed_rpm"] *= 1.04
    found = traction(trace, rig)["set_aside_because"].astype(str).to_numpy()
    time = trace["time_s"].to_numpy()
    # Settled by the clock, but engine and wheels do not turn as one yet.
    slipping = (time > 2.0 + SETTLING_S + 0.05) & (time < 3.25)
    assert slipping.any() and set(found[slipping]) == {reason}
    assert set(found[time > 3.45]) == {""}
