"""A controller's channels as a sample of the estimator: units and air density, on every step."""

from __future__ import annotations

import math

import numpy as np

from loadlearn._compile import Record
from loadlearn.log.channels import BY_NAME
from loadlearn.vehicle.roadload import (
    air_density_kg_m3,
    isa_altitude_m,
    isa_pressure_kpa,
    isa_temperature_k,
)
from loadlearn.vehicle.samples import sine_of_grade

CHANNELS_IN = np.dtype(
    [
        (name, np.float64)
        for name in (
            "speed_m_s",
            "fuel_rate_g_s",
            "engine_torque_n_m",
            "tractive_force_n",
            "engine_speed_rpm",
            "gear",
            "transfer_range",
            "brake_active",
            "exhaust_brake_active",
            "extra_torque_share",
            "regeneration_active",
            "grade_percent",
            "altitude_m",
            "accel_long_m_s2",
            "ambient_temp_degc",
            "ambient_pressure_kpa",
        )
    ]
)
"""What a step takes, beside the time; NaN where absent. Low range is 1, high range 0."""

SURROUNDINGS = np.dtype(
    [(name, np.float64) for name in ("altitude_m", "ambient_temp_degc", "ambient_pressure_kpa")]
)
"""The last values told of what changes slowly; NaN where never."""


def limits_of(name: str) -> tuple[float, float]:
    """What a channel can be at the utmost, as in every log (:mod:`loadlearn.log.channels`).

    Parameters
    ----------
    name : str
        One of ``CHANNELS_IN``.
    """
    if name == "transfer_range":
        return 0.0, 1.0
    return BY_NAME[name].lower, BY_NAME[name].upper


def take_channels(now: Record, last: Record, sample: Record) -> None:
    """Fill a sample from the channels, in place.

    Parameters
    ----------
    now : record of ``CHANNELS_IN``
    last : record of ``SURROUNDINGS``
        Updated.
    sample : record of ``SAMPLE``
        Receives all but the time.
    """
    if not math.isnan(now.altitude_m):
        last.altitude_m = now.altitude_m
    if not math.isnan(now.ambient_temp_degc):
        last.ambient_temp_degc = now.ambient_temp_degc
    if not math.isnan(now.ambient_pressure_kpa):
        last.ambient_pressure_kpa = now.ambient_pressure_kpa
    pressure_kpa, altitude_m = last.ambient_pressure_kpa, last.altitude_m
    if math.isnan(altitude_m):
        altitude_m = 0.0 if math.isnan(pressure_kpa) else isa_altitude_m(pressure_kpa)
    if math.isnan(pressure_kpa):
        pressure_kpa = isa_pressure_kpa(altitude_m)
    temp_degc = last.ambient_temp_degc
    if math.isnan(temp_degc):
        temp_degc = isa_temperature_k(altitude_m) - 273.15
    sample.speed_m_s = now.speed_m_s
    sample.fuel_rate_g_s = now.fuel_rate_g_s
    sample.engine_torque_n_m = now.engine_torque_n_m
    sample.tractive_force_n = now.tractive_force_n
    sample.tractive_force_sd_n = math.nan
    sample.engine_speed_rpm = now.engine_speed_rpm
    sample.gear = now.gear
    sample.brake_active = now.brake_active
    sample.extra_torque_share = now.extra_torque_share
    sample.transfer_range = now.transfer_range
    sample.slope_sin = sine_of_grade(now.grade_percent)
    sample.altitude_m = now.altitude_m
    sample.accel_long_m_s2 = now.accel_long_m_s2
    sample.air_density_kg_m3 = air_density_kg_m3(altitude_m, temp_degc, pressure_kpa)
    sample.regeneration_active = now.regeneration_active
    sample.force_channel_mean = math.nan
    sample.speed_half_width_m_s = math.nan
    sample.exhaust_brake_active = now.exhaust_brake_active
    sample.curvature_squared_1_m2 = math.nan
