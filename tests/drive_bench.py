"""A small drive of known truth for the tests of readers and log quality.

Only what those tests need: rolling hills, a varying speed, the force balance, an engine speed in
gear. Delays, steps and polling are put on by the tests. The simulator is not used, so that a fault
of it cannot hide one here.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from loadlearn.vehicle import roadload
from loadlearn.vehicle.rig import Rig

MASS_KG = 5200.0
ROLLING = 0.012
DRAG_AREA_M2 = 2.4


def small_rig(**engine: object) -> Rig:
    """A rig in the fewest keys."""
    return Rig.from_dict(
        {
            "name": "bench",
            "vehicle": {"mass_kg": 2700.0, "tyre_radius_m": 0.38, "rated_gcm_kg": 6500.0},
            "engine": {
                "displacement_l": 2.8,
                "cylinders": 4,
                "full_load_rpm": [1000, 2000, 4000],
                "full_load_torque_n_m": [300, 450, 300],
                **engine,
            },
            "driveline": {
                "gear_ratios": [3.6, 2.1, 1.4, 1.0, 0.7],
                "final_drive": 3.9,
                "transfer_low_ratio": 2.5,
            },
        }
    )


def bench_drive(
    duration_s: float = 900.0, rate_hz: float = 10.0, seed: int = 1, noise_n: float = 200.0
) -> pd.DataFrame:
    """Canonical columns; exact but for white noise on the force."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    phases = rng.uniform(0.0, 2.0 * np.pi, 6)
    speed = (
        16.0
        + 5.0 * np.sin(2 * np.pi * time_s / 140.0 + phases[0])
        + 2.0 * np.sin(2 * np.pi * time_s / 37.0 + phases[1])
        + 0.8 * np.sin(2 * np.pi * time_s / 11.0 + phases[2])
    )
    distance = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) / rate_hz)))
    altitude = (
        300.0
        + 22.0 * np.sin(2 * np.pi * distance / 2600.0 + phases[3])
        + 6.0 * np.sin(2 * np.pi * distance / 810.0 + phases[4])
    )
    grade = 100.0 * np.gradient(altitude, distance)
    acceleration = np.gradient(speed, time_s)
    sine, cosine = roadload.grade_angle(grade)
    rig = small_rig()
    gear = np.where(speed < 13.0, 4, 5)
    ratio = np.array([rig.overall_ratio(int(g)) for g in gear])
    rpm = speed / rig.vehicle.tyre_radius_m * ratio * 30.0 / np.pi
    force = (
        MASS_KG * (acceleration + roadload.GRAVITY_M_S2 * (sine + ROLLING * cosine))
        + roadload.drag_force(DRAG_AREA_M2, 1.18, speed, 0.0)
        + noise_n * rng.standard_normal(time_s.size)
    )
    power = np.maximum(force * speed / 0.9 + 2000.0, 0.0)
    friction = 200.0 * 2.8e-3 / (4 * np.pi) * 1e3 * rpm * np.pi / 30.0
    fuel = np.where(power > 0.0, (power + friction) / (0.41 * 42.8e3), 0.0)
    return pd.DataFrame(
        {
            "time_s": time_s,
            "speed_m_s": speed,
            "fuel_rate_g_s": fuel,
            "tractive_force_n": force,
            "grade_percent": grade,
            "altitude_m": altitude,
            "accel_long_m_s2": acceleration + roadload.GRAVITY_M_S2 * sine,
            "engine_speed_rpm": rpm,
            "gear": gear.astype(float),
        }
    )
