"""A logger inside the loop: each row as the vehicle's own network shows it, while it drives.

:func:`loadlearn.simulation.sensors.log_drive` shows a finished drive; a strategy in closed loop
needs its rows one by one. Noise, quantisation, delays and holds are the same, and where a logger
has no drop-outs the numbers are too: a test compares the two.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import record_type
from loadlearn.errors import InputError
from loadlearn.policy.columns import SAMPLE_COLUMNS, Sample
from loadlearn.simulation.plant_state import RECORDED
from loadlearn.simulation.random_processes import ornstein_uhlenbeck
from loadlearn.simulation.sensors import SLIP_SHARE, Logger
from loadlearn.vehicle.rig import Rig

FloatArray = NDArray[np.float64]

# How a channel's value follows from the plant's record.
_PLAIN, _WHEEL_SPEED, _FLAG, _NONE = 0.0, 1.0, 2.0, 3.0


@dataclass(slots=True)
class ChannelLine:
    """How one channel of the log comes from the plant's record."""

    target: float
    source: float
    """Places among the log's columns and the recorded ones."""
    kind: float
    factor: float
    held: float
    rests: float
    not_negative: float
    noise_sd: float
    relative_sd: float
    resolution: float
    truncates: float
    delay_s: float
    hold_s: float
    scale_error: float
    dropout: float


_RANGE = SAMPLE_COLUMNS.index("transfer_range")
_RAD_S_TO_RPM = 30.0 / math.pi
_SOURCES: dict[str, tuple[str, float, float]] = {
    "speed_m_s": ("speed_m_s", _WHEEL_SPEED, 1.0),
    "fuel_rate_g_s": ("reported_fuel_rate_g_s", _PLAIN, 1.0),
    "engine_torque_n_m": ("reported_torque_n_m", _PLAIN, 1.0),
    "engine_speed_rpm": ("engine_speed_rad_s", _PLAIN, _RAD_S_TO_RPM),
    "gear": ("gear", _PLAIN, 1.0),
    "transfer_range": ("low_range", _PLAIN, 1.0),
    "brake_active": ("brake_force_n", _FLAG, 1.0),
    "exhaust_brake_active": ("exhaust_brake", _FLAG, 1.0),
    "driver_aid_active": ("time_s", _NONE, 1.0),
    "cruise_active": ("cruise", _PLAIN, 1.0),
    "regeneration_active": ("regeneration", _FLAG, 1.0),
    "accelerator_percent": ("accelerator", _PLAIN, 100.0),
    "extra_torque_share": ("extra_torque_share", _PLAIN, 1.0),
    "ambient_pressure_kpa": ("ambient_pressure_kpa", _PLAIN, 1.0),
    "boost_kpa": ("boost_kpa", _PLAIN, 1.0),
    "air_flow_g_s": ("air_flow_g_s", _PLAIN, 1.0),
    "rail_pressure_mpa": ("rail_pressure_mpa", _PLAIN, 1.0),
} | {
    name: (name, _PLAIN, 1.0)
    for name in SAMPLE_COLUMNS
    if name.endswith("_degc") and name in RECORDED
}
_DISCRETE = {
    "gear",
    "transfer_range",
    "brake_active",
    "exhaust_brake_active",
    "driver_aid_active",
    "cruise_active",
    "regeneration_active",
}


class LiveLogger(NamedTuple):
    """A logger and all its noise, laid out for compiled code.

    Attributes
    ----------
    channels : ndarray of ChannelLine, shape (c,)
    noise : ndarray, shape (rows, c)
        Standard normal noise of each row; the same for every strategy driven with it.
    lost : ndarray, shape (rows, c)
        Uniform numbers that decide about drop-outs.
    grade_error : ndarray
        Error of the grade channel (%) on an even grid of distance.
    altitude_error : ndarray, shape (rows,)
        Error of the altitude channel (m).
    grade_grid_m, grade_offset_percent, grade_lag_m, grade_resolution, altitude_lag_m, \
altitude_resolution_m : float
    has_grade, has_altitude : float
        1 where the channel exists.
    steps_per_row : int
    step_s : float
    """

    channels: NDArray[Any]
    noise: FloatArray
    lost: FloatArray
    grade_error: FloatArray
    altitude_error: FloatArray
    grade_grid_m: float
    grade_offset_percent: float
    grade_lag_m: float
    grade_resolution: float
    altitude_lag_m: float
    altitude_resolution_m: float
    has_grade: float
    has_altitude: float
    steps_per_row: int
    step_s: float


def live_logger(
    logger: Logger, rig: Rig, seed: int, steps: int, step_s: float, road_length_m: float
) -> LiveLogger:
    """Draw a logger's noise and lay it out.

    Parameters
    ----------
    logger : Logger
        With a grade or an altitude channel, without jitter or missing rows; channels that no
        strategy reads are left out.
    rig : Rig
        Says which channels exist.
    seed : int
        The same noise as :func:`loadlearn.simulation.sensors.log_drive` with this seed.
    steps : int
        Most internal steps of the drive.
    step_s : float
        Internal step (s).
    road_length_m : float

    Raises
    ------
    InputError
        The logger's period is no multiple of the step, or it does something not supported here.
    """
    steps_per_row = round(1.0 / (logger.rate_hz * step_s))
    if steps_per_row < 1 or abs(steps_per_row * step_s * logger.rate_hz - 1.0) > 1e-9:
        raise InputError(
            f"the logger's period {1.0 / logger.rate_hz:g} s is no multiple of the internal step "
            f"{step_s:g} s; choose another rate"
        )
    if logger.accelerometer is not None or logger.jitter_s > 0.0:
        raise InputError("a logger in closed loop has neither jitter nor a body accelerometer")
    if logger.row_dropout_probability > 0.0:
        raise InputError("a logger in closed loop misses no rows")

    def stream(name: str) -> np.random.Generator:
        return np.random.default_rng([seed, 9000, zlib.crc32(name.encode())])

    slip_share = float(stream(SLIP_SHARE).uniform())
    rows = (steps - 1) // steps_per_row + 2
    names = [name for name in logger.channels if name in _SOURCES and _exists(name, rig)]
    table = np.zeros(len(names), dtype=record_type(ChannelLine))
    noise = np.empty((rows, len(names)))
    lost = np.ones((rows, len(names)))
    period = 1.0 / logger.rate_hz
    for place, name in enumerate(names):
        channel = logger.channels[name]
        source, kind, factor = _SOURCES[name]
        if kind == _WHEEL_SPEED:
            factor = slip_share
        age = period * (len(names) - 1 - place) / len(names) if logger.polled else 0.0
        table[place] = (
            SAMPLE_COLUMNS.index(name),
            RECORDED.index(source),
            kind,
            factor,
            float(name in _DISCRETE),
            float(name in ("speed_m_s", "fuel_rate_g_s")),
            float(name in ("speed_m_s", "fuel_rate_g_s", "accelerator_percent")),
            channel.noise_sd,
            channel.relative_noise_sd,
            channel.resolution,
            float(channel.rounding == "truncate"),
            channel.delay_s + age,
            channel.hold_s,
            channel.scale_error,
            channel.dropout_probability,
        )
        rng = stream(name)
        noise[:, place] = rng.standard_normal(rows)
        if channel.dropout_probability > 0.0:
            lost[:, place] = rng.uniform(size=rows)

    grade_error, grid, offset, resolution = np.zeros(2), 1.0, 0.0, 0.0
    if logger.grade is not None:
        rng = stream("grade_percent")
        offset = float(rng.normal(0.0, 1.0)) * logger.grade.offset_sd_percent
        if logger.grade.sd_percent > 0.0:
            length = logger.grade.correlation_m
            grid = max(length / 20.0, 1e-6)
            normals = rng.standard_normal(int(road_length_m / grid) + 3)
            grade_error = ornstein_uhlenbeck(normals, logger.grade.sd_percent, length, grid)
            resolution = 0.01
    altitude_error = np.zeros(rows)
    if logger.altitude is not None:
        rng = stream("altitude_m")
        sensor = logger.altitude
        if sensor.drift_sd_m > 0.0:
            altitude_error += ornstein_uhlenbeck(
                rng.standard_normal(rows), sensor.drift_sd_m, sensor.drift_time_s, period
            )
        altitude_error += rng.normal(0.0, 1.0, rows) * sensor.noise_sd_m
    return LiveLogger(
        channels=table,
        noise=noise,
        lost=lost,
        grade_error=grade_error,
        altitude_error=altitude_error,
        grade_grid_m=float(grid),
        grade_offset_percent=offset,
        grade_lag_m=float(logger.grade.lag_m) if logger.grade else 0.0,
        grade_resolution=resolution,
        altitude_lag_m=float(logger.altitude.lag_m) if logger.altitude else 0.0,
        altitude_resolution_m=float(logger.altitude.resolution_m) if logger.altitude else 0.0,
        has_grade=float(logger.grade is not None),
        has_altitude=float(logger.altitude is not None),
        steps_per_row=int(steps_per_row),
        step_s=float(step_s),
    )


def _exists(name: str, rig: Rig) -> bool:
    """Whether a rig has the channel at all."""
    sensor = rig.limits.exhaust_gas_temp_sensor
    if name == "exhaust_gas_temp_degc":
        return sensor == "before_turbine"
    if name == "exhaust_gas_temp_after_turbine_degc":
        return sensor == "after_turbine"
    if name == "extra_torque_share":
        return rig.engine.uprated is not None
    if name == "transfer_range":
        return rig.driveline.transfer_low_ratio is not None
    return True


def _value(
    records: NDArray[Any], numbers: NDArray[np.float64], step: int, channel: ChannelLine
) -> float:
    """A channel's undisturbed value at an internal step."""
    kind = channel.kind
    value = numbers[step, int(channel.source)]
    if kind == _WHEEL_SPEED:
        return records[step].speed_m_s * (1.0 + channel.factor * records[step].wheel_slip)
    if kind == _FLAG:
        return 1.0 if value > 0.0 else 0.0
    if kind == _NONE:
        return 0.0
    return value * channel.factor


def _quantised(value: float, resolution: float, truncates: float) -> float:
    if resolution <= 0.0:
        return value
    steps = value / resolution
    whole = math.floor(steps + 1e-9) if truncates > 0.5 else np.round(steps)
    inverse = np.round(1.0 / resolution)
    if abs(inverse * resolution - 1.0) < 1e-9:
        return whole / inverse
    return whole * resolution


def _behind(records: NDArray[Any], step: int, lag_m: float) -> int:
    """Earliest internal step at which the vehicle had come to within ``lag_m`` of where it is."""
    place = records[step].distance_m - lag_m
    low, high = 0, step
    while low < high:
        middle = (low + high) // 2
        if records[middle].distance_m >= place:
            high = middle
        else:
            low = middle + 1
    return low


def show_row(
    logger: LiveLogger,
    records: NDArray[Any],
    numbers: NDArray[np.float64],
    step: int,
    number: int,
    shown: NDArray[np.float64],
    row: NDArray[np.float64],
    sample: Sample,
) -> None:
    """Write one row of the log.

    Parameters
    ----------
    logger : LiveLogger
    records : ndarray of Record, shape (steps,)
        What the plant recorded, up to and including ``step``.
    numbers : ndarray, shape (steps, fields of Record)
        The same.
    step, number : int
        Internal step of this row, and the row's number.
    shown : ndarray, shape (c, 2)
        Value last sampled from each channel and the row whose noise it keeps; changed in place.
    row : ndarray, shape (SAMPLE_COLUMNS,)
        Written; NaN where there is no channel.
    sample : Sample
        The same row.
    """
    row[:] = math.nan
    time = step * logger.step_s
    sample.time_s = time
    for c in range(logger.channels.shape[0]):
        channel = logger.channels[c]
        at = time
        hold = channel.hold_s
        if hold > 0.0:
            at = hold * math.floor(at / hold + 1e-9)
        place = max((at - channel.delay_s) / logger.step_s, 0.0)
        lower = int(place + 1e-6)
        value = _value(records, numbers, lower, channel)
        part = place - lower
        if channel.held < 0.5 and part > 1e-6 and lower < step:
            value += part * (_value(records, numbers, lower + 1, channel) - value)
        value *= 1.0 + channel.scale_error
        if hold == 0.0 or number == 0 or value != shown[c, 0]:
            shown[c, 1] = number
        shown[c, 0] = value
        if not (value == 0.0 and channel.rests > 0.5):
            sd = math.hypot(channel.noise_sd, channel.relative_sd * abs(value))
            value += sd * logger.noise[int(shown[c, 1]), c]
        value = _quantised(value, channel.resolution, channel.truncates)
        if channel.not_negative > 0.5:
            value = max(value, 0.0)
        if logger.lost[number, c] < channel.dropout:
            value = math.nan
        elif int(channel.target) == _RANGE:
            value = 1.0 if value > 0.5 else 0.0
        row[int(channel.target)] = value
    if logger.has_grade > 0.5:
        behind = step if logger.grade_lag_m <= 0.0 else _behind(records, step, logger.grade_lag_m)
        place = records[step].distance_m / logger.grade_grid_m
        last = logger.grade_error.shape[0] - 2
        lower = min(max(int(place), 0), last)
        part = min(max(place - lower, 0.0), 1.0)
        error = logger.grade_error[lower]
        error += part * (logger.grade_error[lower + 1] - error)
        value = 100.0 * records[behind].grade_tangent + error
        if logger.grade_resolution > 0.0:
            value += logger.grade_offset_percent
        sample.grade_percent = _quantised(value, logger.grade_resolution, 0.0)
    if logger.has_altitude > 0.5:
        behind = step
        if logger.altitude_lag_m > 0.0:
            behind = _behind(records, step, logger.altitude_lag_m)
        value = records[behind].altitude_m + logger.altitude_error[number]
        sample.altitude_m = _quantised(value, logger.altitude_resolution_m, 0.0)
