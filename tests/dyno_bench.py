"""A simulated wheel dyno, so that the truth behind a pair of runs is known."""

from __future__ import annotations

import numpy as np
import pandas as pd

from loadlearn.vehicle.atmosphere import Correction, dry_pressure_kpa

RPM = np.array([1200.0, 1600.0, 2000.0, 2600.0, 3200.0, 3800.0, 4200.0])
TORQUE_N_M = np.array([250.0, 380.0, 430.0, 430.0, 405.0, 340.0, 290.0])
RATIO, RADIUS_M, EFFICIENCY = 3.9, 0.38, 0.90
ENGINE_INERTIA_KG_M2, WHEEL_INERTIA_KG_M2 = 0.28, 5.6


def steady_torque(rpm, gain=1.0):
    """Brake torque in the reference atmosphere (N m)."""
    return gain * np.interp(rpm, RPM, TORQUE_N_M)


def pull(
    rng,
    *,
    gain=1.0,
    scale=1.0,
    rpm_per_s=250.0,
    temperature_degc=25.0,
    pressure_kpa=100.6,
    humidity_percent=50.0,
    correction=None,
    engine_factor=0.6,
    inertia=False,
    noise=0.004,
    spikes=0,
    ratio=RATIO,
    rate_hz=20.0,
):
    """One run as a dyno would log it: cruise, pull, lift-off and coast."""
    step = 1.0 / rate_hz
    rise = np.arange(1200.0, 4200.0, rpm_per_s * step)
    cruise = np.full(int(2.0 * rate_hz), 1200.0)
    coast = np.arange(4150.0, 2500.0, -400.0 * step)
    rpm = np.concatenate([cruise, rise, coast])
    alpha = (correction or Correction()).factor(
        dry_pressure_kpa(pressure_kpa, temperature_degc, humidity_percent),
        temperature_degc + 273.15,
        engine_factor,
    )
    torque = np.concatenate(
        [
            np.full(cruise.size, 30.0),
            scale * steady_torque(rise, gain) / alpha,
            np.full(coast.size, -40.0),
        ]
    )
    if inertia:
        turning = ENGINE_INERTIA_KG_M2 + 0.5 * WHEEL_INERTIA_KG_M2 / ratio**2 / EFFICIENCY
        slope = np.gradient(rpm, step) * np.pi / 30.0
        torque = torque - turning * slope
    # The throttle opens over about a third of a second.
    opening = np.clip((np.arange(rpm.size) - cruise.size) / (0.3 * rate_hz), 0.0, 1.0)
    torque = np.where(np.arange(rpm.size) < cruise.size + rise.size, torque * opening, torque)
    torque[: cruise.size] = 30.0
    wheel = EFFICIENCY * torque * (1.0 + noise * rng.standard_normal(rpm.size))
    omega = rpm * np.pi / 30.0
    speed = omega * RADIUS_M / ratio
    table = pd.DataFrame(
        {
            "time_s": np.arange(rpm.size) * step,
            "engine_speed_rpm": rpm + 3.0 * rng.standard_normal(rpm.size),
            "speed_kmh": 3.6 * speed,
            "tractive_force_n": wheel * omega / speed,
            "ambient_temp_degc": temperature_degc,
            "ambient_pressure_hpa": 10.0 * pressure_kpa,
            "relative_humidity_percent": humidity_percent,
        }
    )
    for _ in range(spikes):
        row = int(rng.integers(cruise.size + 30, cruise.size + rise.size - 10))
        column = rng.choice(["engine_speed_rpm", "tractive_force_n"])
        table.loc[row, column] *= rng.choice([0.3, 2.5])
    return table
