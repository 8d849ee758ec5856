"""Willans traction against P = T omega and the energy in the fuel; the fuels' own figures.

Sources: EN 590 density 820 to 845 kg/m3 at 15 degC (published page), lower heating value 42.8 to
43.0 MJ/kg and 2.66 kg CO2e per litre (secondary); Willans slope 0.40 to 0.45 for a DI diesel
(Guzzella & Onder, from memory); motoring mean effective pressure of a diesel 75 + 48 N/1000 +
0.4 Sp^2 kPa (Heywood, from memory).
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from loadlearn.log.readers import read_log
from loadlearn.vehicle import rig as rig_module
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.traction import traction

TABLE = {
    "name": "worked example",
    "vehicle": {"mass_kg": 2850.0, "tyre_radius_m": 0.387, "wheel_inertia_kg_m2": 5.6},
    "engine": {
        "fuel": "diesel",
        "displacement_l": 3.0,
        "cylinders": 4,
        "indicated_efficiency": 0.415,
        "friction_mep_kpa": 110.0,
        "friction_mep_slope_kpa_s_per_rad": 0.18,
        "inertia_kg_m2": 0.28,
        "accessory_power_kw": 2.0,
        "full_load_rpm": [1000.0, 2000.0, 4000.0],
        "full_load_torque_n_m": [250.0, 450.0, 300.0],
    },
    "driveline": {"gear_ratios": [4.0, 2.3, 1.4, 1.0], "final_drive": 3.73, "efficiency": 0.9},
}


def test_diesel_figures() -> None:
    diesel = Rig.from_dict(TABLE).engine
    assert 820.0 <= diesel.fuel_density_kg_m3 <= 845.0
    assert 42.8 <= diesel.heating_value_mj_kg <= 43.0
    assert 0.40 <= rig_module.Engine(displacement_l=3.0).indicated_efficiency <= 0.45
    # 86.2 % carbon by mass (from memory) burnt to CO2, 44 / 12: the 2.66 kg/L of the tables within
    # what the other gases add.
    assert diesel.fuel_density_kg_m3 / 1e3 * 0.862 * 44.0 / 12.0 == pytest.approx(2.66, rel=0.02)


@pytest.mark.parametrize(("gear", "rpm"), [(2, 2000.0), (3, 2400.0), (4, 1800.0)])
def test_torque_times_speed_is_power_and_power_comes_from_fuel(gear: int, rpm: float) -> None:
    rig = Rig.from_dict(TABLE)
    omega = rpm * math.pi / 30.0
    overall = TABLE["driveline"]["gear_ratios"][gear - 1] * 3.73
    speed = omega / overall * 0.387
    fuel = 5.0
    # By hand: heat 5 g/s x 42.8 kJ/g = 214 kW, of which 0.415 is indicated; friction takes
    # fmep V omega / 4 pi; accessories 2 kW; the driveline passes 0.9 of the rest.
    friction_w = (110e3 + 180.0 * omega) * 3.0e-3 / (4.0 * math.pi) * omega
    brake_w = 0.415 * 5.0 * 42.8e3 - friction_w - 2000.0
    n = 40
    trace = pd.DataFrame(
        {
            "time_s": np.arange(n) * 0.1,
            "speed_m_s": speed,
            "engine_speed_rpm": rpm,
            "gear": float(gear),
            "fuel_rate_g_s": fuel,
            "brake_active": 0.0,
        }
    )
    from_fuel = traction(trace, rig).iloc[-1]
    assert from_fuel["set_aside_because"] == ""
    assert from_fuel["force_n"] * speed == pytest.approx(0.9 * brake_w, rel=1e-9)
    # The same brake torque logged: T = P / omega, half of the accessories' 2 kW included.
    torque = (brake_w + 1000.0) / omega
    logged = trace.drop(columns="fuel_rate_g_s").assign(engine_torque_n_m=torque)
    from_torque = traction(logged, rig).iloc[-1]
    assert from_torque["force_n"] == pytest.approx(from_fuel["force_n"], rel=1e-9)
    # Never more work at the tread than the indicated share of the fuel's heat.
    assert from_fuel["force_n"] * speed < 0.415 * fuel * 42.8e3


def test_litres_per_hour_become_grams_by_the_standards_density(tmp_path: Path) -> None:
    # 12 L/h of EN 590 diesel, 0.820 to 0.845 kg/L, is 2.73 to 2.82 g/s.
    log = tmp_path / "log.csv"
    rows = "".join(f"{0.1 * i:.1f},60,0,12\n" for i in range(50))
    log.write_text("time_s,speed_kmh,grade_percent,fuel_rate_l_h\n" + rows)
    trace = read_log(log, rig=Rig.from_dict(TABLE))
    assert 12.0 * 820.0 / 3600.0 <= trace["fuel_rate_g_s"].iloc[0] <= 12.0 * 845.0 / 3600.0
    assert trace["fuel_rate_g_s"].iloc[0] == pytest.approx(12.0 * 835.0 / 3600.0)


def test_default_friction_lies_below_the_motored_engine() -> None:
    # Heywood's motored figure includes pumping: at 2000 rpm and 100 mm stroke, Sp = 6.67 m/s,
    # 75 + 96 + 0.4 x 44.4 = 189 kPa. A Willans offset is the part that fuelling must pay, smaller
    # but of the same order.
    motored = 75.0 + 48.0 * 2.0 + 0.4 * (2.0 * 0.1 * 2000.0 / 60.0) ** 2
    assert motored == pytest.approx(189.0, abs=0.5)
    engine = rig_module.Engine(displacement_l=3.0)
    omega = 2000.0 * math.pi / 30.0
    offset = engine.friction_mep_kpa + engine.friction_mep_slope_kpa_s_per_rad * omega
    assert 0.6 * motored < offset < motored
