"""Simulated condition channels: plausible when healthy, and each fault does what it should."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from loadlearn.errors import InputError
from loadlearn.simulation.drive import simulate
from loadlearn.simulation.faults import FAULTS, EngineCharacter, Fault, with_condition
from loadlearn.simulation.road import Stop, random_road
from loadlearn.vehicle.rig import Rig

RIG = Rig.from_dict(
    {
        "name": "test utility",
        "vehicle": {"mass_kg": 2650.0, "tyre_radius_m": 0.38},
        "engine": {
            "displacement_l": 2.8,
            "full_load_rpm": [1000, 1500, 2000, 3000, 3800, 4200],
            "full_load_torque_n_m": [235, 430, 450, 430, 340, 270],
        },
        "driveline": {
            "gear_ratios": [3.60, 2.09, 1.49, 1.00, 0.69, 0.58],
            "final_drive": 3.91,
            "converter_stall_torque_ratio": 1.9,
        },
    }
)
CHARACTER = EngineCharacter.draw(5)


@pytest.fixture(scope="module")
def drive():
    road = random_road(11, length_m=25_000.0, kind="rolling", stops=())
    road = road.with_stops(*(Stop(p, 30.0) for p in (6000.0, 12_000.0, 18_000.0)))
    return simulate(RIG, road, 11, 5000.0)


def channels(drive, kind=None, severity=0.0):
    fault = None if kind is None else Fault(kind, severity)
    return with_condition(drive, RIG, CHARACTER, 11, fault)


def test_healthy_channels_are_plausible(drive):
    log = channels(drive)
    full = log[log["fuel_rate_g_s"] > 6.5]
    assert full["boost_kpa"].between(80.0, 220.0).mean() > 0.9
    # Air-fuel ratio of a turbo diesel at full load: about 18 to 30 (common practice, no source).
    assert (full["air_flow_g_s"] / full["fuel_rate_g_s"]).between(15.0, 35.0).mean() > 0.95
    assert full["rail_pressure_mpa"].between(100.0, 200.0).mean() > 0.95
    assert log["exhaust_gas_temp_degc"].max() < 850.0
    assert log["coolant_temp_degc"].between(-20.0, 110.0).all()
    assert log["coolant_temp_degc"].iloc[-1] == pytest.approx(88.0, abs=8.0)


@pytest.mark.parametrize("kind", FAULTS)
def test_no_severity_is_no_fault(drive, kind):
    pd.testing.assert_frame_equal(channels(drive), channels(drive, kind, 0.0))


@pytest.mark.parametrize(
    ("kind", "severity", "column", "sign"),
    [
        ("intake_restriction", 15.0, "boost_kpa", -1),
        ("intake_restriction", 15.0, "exhaust_gas_temp_degc", 1),
        ("charge_air_leak", 0.15, "boost_kpa", -1),
        ("charge_air_leak", 0.15, "air_flow_g_s", 1),
        ("boost_sensor_drift", 10.0, "boost_kpa", 1),
        ("air_flow_sensor_drift", 0.1, "air_flow_g_s", -1),
        ("fuel_filter", 0.1, "rail_pressure_mpa", -1),
        ("rail_sensor_drift", 0.1, "rail_pressure_mpa", 1),
        ("injection_wear", 0.1, "fuel_rate_g_s", 1),
        ("thermostat_open", 300.0, "coolant_temp_degc", -1),
        ("converter_slip", 0.05, "engine_speed_rpm", 1),
        ("dragging_brake", 600.0, "fuel_rate_g_s", 1),
        ("low_tyre", 0.02, "speed_m_s", 1),
    ],
)
def test_a_fault_moves_its_channel_more_the_worse_it_is(drive, kind, severity, column, sign):
    healthy = channels(drive)
    driving = (healthy["fuel_rate_g_s"] > 3.0).to_numpy()
    means = [
        channels(drive, kind, share * severity).loc[driving, column].mean()
        for share in (0.0, 0.5, 1.0)
    ]
    assert (np.diff(means) * sign > 0.0).all()


def test_dragging_brake_costs_the_work_it_does(drive):
    """Extra fuel times efficiency is force times distance, over the driveline's efficiency."""
    healthy, dragging = channels(drive), channels(drive, "dragging_brake", 800.0)
    step = 0.1
    extra = (dragging["fuel_rate_g_s"] - healthy["fuel_rate_g_s"]).sum() * step
    energy = extra * RIG.engine.indicated_efficiency * RIG.engine.heating_value_j_g
    at_wheels = energy * RIG.driveline.efficiency
    # Three braked stops; over each decay at 5 to 25 m/s the brake takes about 800 N x 100 s x v.
    assert 3 * 800.0 * 100.0 * 5.0 < at_wheels < 3 * 800.0 * 100.0 * 25.0


def test_unknown_fault_is_refused():
    with pytest.raises(InputError, match="gremlin"):
        Fault("gremlin", 1.0)
