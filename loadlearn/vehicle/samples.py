"""What the kernels read of a log: one record a sample, and which of its channels serve."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import Records
from loadlearn.errors import InputError
from loadlearn.vehicle.roadload import air_density_kg_m3, isa_altitude_m

FloatArray = NDArray[np.float64]
Samples = Records
"""Record array of ``SAMPLE``."""

SAMPLE = np.dtype(
    [
        (name, np.float64)
        for name in (
            "time_s",
            "speed_m_s",
            "fuel_rate_g_s",
            "engine_torque_n_m",
            "tractive_force_n",
            "tractive_force_sd_n",
            "engine_speed_rpm",
            "gear",
            "brake_active",
            "extra_torque_share",
            "transfer_range",
            "slope_sin",
            "altitude_m",
            "accel_long_m_s2",
            "air_density_kg_m3",
            "regeneration_active",
            "force_channel_mean",
            "speed_half_width_m_s",
            "exhaust_brake_active",
            "curvature_squared_1_m2",
        )
    ]
)
"""Canonical columns, NaN where absent; the slope is the sine of the road's angle."""

SOURCE_FUEL, SOURCE_TORQUE, SOURCE_TRACTIVE = 0, 1, 2
FORCE_CHANNELS = ("fuel_rate_g_s", "engine_torque_n_m", "tractive_force_n")
"""The channel of each source of force."""
HEIGHT_FROM_GRADE, HEIGHT_FROM_ALTITUDE, HEIGHT_FROM_ACCELEROMETER = 0, 1, 2
HEIGHT_CHANNELS = ("grade_percent", "altitude_m", "accel_long_m_s2")
HEIGHT_FIELDS = ("slope_sin", "altitude_m", "accel_long_m_s2")
"""The channel of each source of height, in a log and in a sample."""

_RANGE_WORDS = {"high": 0.0, "low": 1.0}


def _logged(trace: pd.DataFrame, column: str) -> bool:
    return column in trace.columns and bool(trace[column].notna().any())


def without_attrs(trace: pd.DataFrame) -> pd.DataFrame:
    """The same columns without ``attrs``, which every look at a column would copy deeply.

    Parameters
    ----------
    trace : DataFrame
    """
    plain = trace.copy(deep=False)
    plain.attrs = {}
    return plain


def force_source(trace: pd.DataFrame) -> int:
    """Which channel the force is taken from: measured tread force, else torque, else fuelling.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.

    Returns
    -------
    int
        ``SOURCE_TRACTIVE``, ``SOURCE_TORQUE`` or ``SOURCE_FUEL``.

    Raises
    ------
    InputError
        None of the three channels is there.
    """
    for source in (SOURCE_TRACTIVE, SOURCE_TORQUE, SOURCE_FUEL):
        if _logged(trace, FORCE_CHANNELS[source]):
            return source
    raise InputError(
        "no force channel: the log needs one of fuel_rate_g_s, engine_torque_n_m or "
        "tractive_force_n"
    )


def height_source(trace: pd.DataFrame) -> int:
    """Which channel the road's height is taken from: grade, else altitude, else accelerometer.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.

    Returns
    -------
    int
        ``HEIGHT_FROM_GRADE``, ``HEIGHT_FROM_ALTITUDE`` or ``HEIGHT_FROM_ACCELEROMETER``.

    Raises
    ------
    InputError
        None of the channels is there.
    """
    for source, channel in enumerate(HEIGHT_CHANNELS):
        if _logged(trace, channel):
            return source
    raise InputError(
        "no grade channel: the log needs one of grade_percent, altitude_m or accel_long_m_s2"
    )


def sine_of_grade(grade_percent: Any) -> Any:
    """Sine of the road's angle.

    Parameters
    ----------
    grade_percent : float or ndarray
        100 tan(theta), positive uphill.
    """
    tangent = grade_percent / 100.0
    return tangent / np.sqrt(1.0 + tangent * tangent)


def samples_of(trace: pd.DataFrame) -> Samples:
    """The samples of a trace.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns, n rows.

    Returns
    -------
    record array of ``SAMPLE``, shape (n,)
        The air density comes from ambient channels, else from the standard atmosphere at the
        altitude.
    """
    trace = without_attrs(trace)
    samples = np.full(len(trace), np.nan, SAMPLE)
    for name in SAMPLE.names or ():
        if name in trace.columns:
            samples[name] = trace[name].to_numpy(dtype=np.float64, na_value=np.nan)
    if "grade_percent" in trace.columns:
        samples["slope_sin"] = sine_of_grade(trace["grade_percent"].to_numpy(dtype=np.float64))
    samples["air_density_kg_m3"] = _density_of(trace)
    return samples


def sample_of(values: Mapping[str, Any]) -> Samples:
    """One sample from a mapping; the same rules as :func:`samples_of`.

    Parameters
    ----------
    values : mapping
        Canonical names to values; absent or NaN where not measured.

    Returns
    -------
    record array of ``SAMPLE``, shape (1,)
    """
    get = values.get
    found = []
    for name in SAMPLE.names or ():
        value = get(name)
        if isinstance(value, str):
            value = _RANGE_WORDS.get(value.strip().lower())
        found.append(math.nan if value is None else value)
    samples = np.array(found, dtype=np.float64).view(SAMPLE)
    grade = get("grade_percent")
    if grade is not None:
        samples["slope_sin"] = sine_of_grade(grade)
    # NaN is a channel that did not report now: the density is held, as over a whole trace.
    pressure, altitude = get("ambient_pressure_kpa"), get("altitude_m")
    if altitude is None:
        altitude = 0.0 if pressure is None else float(isa_altitude_m(pressure))
    samples["air_density_kg_m3"] = air_density_kg_m3(altitude, get("ambient_temp_degc"), pressure)
    return samples


def _density_of(trace: pd.DataFrame) -> FloatArray:
    """Air density over a trace (kg/m^3), from what ambient channels there are."""

    def column(name: str) -> FloatArray | None:
        return trace[name].to_numpy(dtype=np.float64) if _logged(trace, name) else None

    pressure, altitude = column("ambient_pressure_kpa"), column("altitude_m")
    if altitude is None:
        altitude = np.zeros(len(trace)) if pressure is None else isa_altitude_m(pressure)
    return air_density_kg_m3(altitude, column("ambient_temp_degc"), pressure)
