"""How a logger shows a drive: rate, noise, quantisation, delay, polling, drop-outs, grade."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field, replace
from typing import Any, Literal, Self

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.simulation.random_processes import correlated_over
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import GRAVITY_M_S2

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Channel:
    """One channel of a logger.

    Attributes
    ----------
    noise_sd : float
        Standard deviation of white noise, in the channel's unit.
    relative_noise_sd : float
        The same relative to the value.
    resolution : float
        Step of the quantisation; 0 for none.
    rounding : {"round", "truncate"}
        How it is quantised.
    delay_s : float
        Age of the value when it is stamped.
    hold_s : float
        Period at which the channel is refreshed; between, the last value is held. 0: every row.
    scale_error : float
        Relative error, constant over the drive.
    dropout_probability : float
        Chance per row that the value is missing.
    """

    noise_sd: float = 0.0
    relative_noise_sd: float = 0.0
    resolution: float = 0.0
    rounding: Literal["round", "truncate"] = "round"
    delay_s: float = 0.0
    hold_s: float = 0.0
    scale_error: float = 0.0
    dropout_probability: float = 0.0


@dataclass(frozen=True)
class GradeSensor:
    """A grade channel: error correlated over distance, and a constant offset.

    Attributes
    ----------
    sd_percent, correlation_m : float
        Standard deviation (%) and correlation length (m) of the error.
    offset_sd_percent : float
        Standard deviation of an offset drawn once per drive (%).
    lag_m : float
        Distance by which the channel is late.
    """

    sd_percent: float = 0.15
    correlation_m: float = 80.0
    offset_sd_percent: float = 0.0
    lag_m: float = 0.0


@dataclass(frozen=True)
class AltitudeSensor:
    """An altitude channel: white noise, slow drift, a lag as a distance.

    Attributes
    ----------
    noise_sd_m, drift_sd_m, drift_time_s, lag_m : float
    resolution_m : float
        Step of the quantisation (m).
    """

    noise_sd_m: float = 0.5
    drift_sd_m: float = 2.0
    drift_time_s: float = 900.0
    lag_m: float = 0.0
    resolution_m: float = 0.1


@dataclass(frozen=True)
class Accelerometer:
    """A body accelerometer: pitch bias, squat, noise.

    Attributes
    ----------
    pitch_bias_sd_deg : float
        Standard deviation of the mounting and loading angle, re-drawn after a load change (deg).
    squat_deg_per_m_s2 : float
        Nose-up pitch per m/s^2 of acceleration (deg).
    noise_sd_m_s2 : float
    """

    pitch_bias_sd_deg: float = 1.5
    squat_deg_per_m_s2: float = 0.5
    noise_sd_m_s2: float = 0.15


SLIP_SHARE = "speed_slip_share"
"""Name of what is drawn: the share of the driven wheels' slip that the logged speed carries.

All of it where it comes from the gearbox, none from undriven wheels, half as a mean of four.
"""

# Channels whose values are held, never interpolated.
_DISCRETE = frozenset(
    {
        "gear",
        "brake_active",
        "regeneration_active",
        "transfer_range",
        "cruise_active",
        "exhaust_brake_active",
        "driver_aid_active",
    }
)


@dataclass(frozen=True)
class Logger:
    """A logger and its sensors.

    Attributes
    ----------
    rate_hz : float
        Rows per second.
    channels : dict of str to Channel
        What is logged, by canonical name, without the grade sources below.
    grade : GradeSensor, optional
        Logs ``grade_percent``.
    altitude : AltitudeSensor, optional
        Logs ``altitude_m``.
    accelerometer : Accelerometer, optional
        Logs ``accel_long_m_s2``.
    polled : bool
        Channels are asked in turn during the row's period and stamped together at its end.
    jitter_s : float
        Standard deviation of the error of the time stamp.
    row_dropout_probability : float
        Chance that a row is missing.
    start_s : float
        Stamp of the first row.
    """

    rate_hz: float = 10.0
    channels: dict[str, Channel] = field(default_factory=dict)
    grade: GradeSensor | None = None
    altitude: AltitudeSensor | None = None
    accelerometer: Accelerometer | None = None
    polled: bool = False
    jitter_s: float = 0.0
    row_dropout_probability: float = 0.0
    start_s: float = 0.0

    def with_channels(self, **channels: Channel | None) -> Self:
        """The same logger with channels added, changed or (``None``) taken away.

        Parameters
        ----------
        **channels : Channel or None
            By canonical name.
        """
        merged = {**self.channels, **channels}
        kept = {name: channel for name, channel in merged.items() if channel is not None}
        return replace(self, channels=kept)

    @classmethod
    def exact(cls, rate_hz: float = 10.0) -> Self:
        """Noise-free instantaneous values of every channel, for tests.

        Parameters
        ----------
        rate_hz : float
            Rows per second.
        """
        names = (
            "speed_m_s",
            "fuel_rate_g_s",
            "engine_torque_n_m",
            "engine_speed_rpm",
            "gear",
            "brake_active",
            "accelerator_percent",
            "extra_torque_share",
            "regeneration_active",
            "cruise_active",
            "ground_speed_m_s",
            "ambient_temp_degc",
            "ambient_pressure_kpa",
        )
        return cls(
            rate_hz=rate_hz,
            channels={name: Channel() for name in names},
            grade=GradeSensor(0.0),
            altitude=AltitudeSensor(0.0, 0.0, resolution_m=0.0),
            accelerometer=Accelerometer(0.0, 0.0, 0.0),
        )

    @classmethod
    def good_10hz(
        cls, grade: Literal["grade", "altitude", "accelerometer"] = "grade", rate_hz: float = 10.0
    ) -> Self:
        """A good logger on the vehicle's own network.

        Parameters
        ----------
        grade : {"grade", "altitude", "accelerometer"}
            Where grade comes from.
        rate_hz : float
            Rows per second.
        """
        channels = {
            "speed_m_s": Channel(noise_sd=0.03, resolution=0.01),
            "fuel_rate_g_s": Channel(noise_sd=0.005, relative_noise_sd=0.01, resolution=0.005),
            "engine_speed_rpm": Channel(noise_sd=2.0, resolution=1.0),
            "gear": Channel(resolution=1.0),
            "brake_active": Channel(resolution=1.0),
            "accelerator_percent": Channel(noise_sd=0.1, resolution=0.4),
            "cruise_active": Channel(resolution=1.0),
            "ambient_temp_degc": Channel(resolution=0.5, hold_s=1.0),
            "ambient_pressure_kpa": Channel(noise_sd=0.02, resolution=0.1, hold_s=1.0),
            "latitude_deg": Channel(noise_sd=1.5e-5, resolution=1e-6, hold_s=1.0),
            "longitude_deg": Channel(noise_sd=1.5e-5, resolution=1e-6, hold_s=1.0),
            "coolant_temp_degc": Channel(resolution=1.0, hold_s=1.0),
            "exhaust_gas_temp_degc": Channel(noise_sd=1.0, resolution=1.0),
            "exhaust_gas_temp_after_turbine_degc": Channel(noise_sd=1.0, resolution=1.0),
            "transmission_oil_temp_degc": Channel(resolution=1.0, hold_s=1.0),
            "engine_oil_temp_degc": Channel(resolution=1.0, hold_s=1.0),
            "intake_temp_degc": Channel(resolution=1.0, hold_s=0.5),
            "boost_kpa": Channel(noise_sd=0.5, resolution=1.0),
            "air_flow_g_s": Channel(relative_noise_sd=0.01, resolution=0.1),
            "rail_pressure_mpa": Channel(noise_sd=0.3, resolution=0.1),
        }
        source = _grade_source(grade)
        return cls(rate_hz=rate_hz, channels=channels, **source)

    @classmethod
    def obd_1hz(
        cls,
        grade: Literal["grade", "altitude"] = "altitude",
        rounding: Literal["round", "truncate"] = "truncate",
        polled: bool = False,
    ) -> Self:
        """A cheap logger: once a second, whole km/h, late fuelling, no gear, no brake switch.

        Parameters
        ----------
        grade : {"grade", "altitude"}
            Altitude with 0.5 m of noise, or a grade channel with an sd of 0.4 %.
        rounding : {"round", "truncate"}
            How whole km/h come about.
        polled : bool
            Whether channels are asked in turn and stamped together.
        """
        channels = {
            "speed_m_s": Channel(resolution=1.0 / 3.6, rounding=rounding),
            "fuel_rate_g_s": Channel(relative_noise_sd=0.01, resolution=0.0116, delay_s=0.5),
            "engine_speed_rpm": Channel(noise_sd=3.0, resolution=0.25),
            "accelerator_percent": Channel(resolution=0.4),
            "coolant_temp_degc": Channel(resolution=1.0),
            "intake_temp_degc": Channel(resolution=1.0),
            "boost_kpa": Channel(noise_sd=0.5, resolution=1.0),
            "ambient_temp_degc": Channel(resolution=1.0),
            "ambient_pressure_kpa": Channel(resolution=1.0),
        }
        if grade == "altitude":
            return cls(rate_hz=1.0, channels=channels, altitude=AltitudeSensor(0.5), polled=polled)
        return cls(rate_hz=1.0, channels=channels, grade=GradeSensor(0.4, 60.0), polled=polled)


def _grade_source(grade: str) -> dict[str, Any]:
    if grade == "grade":
        return {
            "grade": GradeSensor(0.15, 80.0),
            "altitude": AltitudeSensor(noise_sd_m=0.5, drift_sd_m=1.5),
        }
    if grade == "altitude":
        return {"altitude": AltitudeSensor(noise_sd_m=0.3, drift_sd_m=1.5)}
    if grade == "accelerometer":
        return {"accelerometer": Accelerometer()}
    raise InputError(f"grade source '{grade}' is unknown; use grade, altitude or accelerometer")


def log_drive(
    fine: dict[str, FloatArray], logger: Logger, rig: Rig, seed: int
) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Show a finely recorded drive as a logger does.

    Parameters
    ----------
    fine : dict of str to ndarray
        What the plant recorded at every internal step.
    logger : Logger
    rig : Rig
        Says which channels exist.
    seed : int

    Returns
    -------
    log : pandas.DataFrame
        Canonical columns; ``time_s`` first.
    drawn : dict
        What was drawn for the sensors (slip share of the speed, grade offset, pitch bias).
    """

    def stream(name: str) -> np.random.Generator:
        # A stable number per channel name: adding one channel leaves the others as they were.
        return np.random.default_rng([seed, 9000, zlib.crc32(name.encode())])

    fine_time = fine["time_s"]
    period = 1.0 / logger.rate_hz
    rows = int(np.floor(fine_time[-1] / period + 1e-9)) + 1
    time = period * np.arange(rows, dtype=np.float64)
    drawn: dict[str, Any] = {SLIP_SHARE: float(stream(SLIP_SHARE).uniform())}
    values = _instant_values(fine, rig, drawn[SLIP_SHARE])
    log: dict[str, Any] = {}
    names = [name for name in logger.channels if name in values]
    for position, name in enumerate(names):
        age = period * (len(names) - 1 - position) / len(names) if logger.polled else 0.0
        shown = _sample(fine_time, values[name], time - age, logger.channels[name], name)
        log[name] = _disturb(shown, logger.channels[name], stream(name), name)
    if logger.grade is not None:
        log["grade_percent"], drawn["grade_offset_percent"] = _show_grade(
            fine, time, logger.grade, stream("grade_percent")
        )
    if logger.altitude is not None:
        log["altitude_m"] = _show_altitude(fine, time, logger.altitude, stream("altitude_m"))
    if logger.accelerometer is not None:
        log["accel_long_m_s2"], drawn["pitch_bias_deg"] = _show_acceleration(
            fine, time, logger.accelerometer, stream("accel_long_m_s2")
        )
    stamps = time
    if logger.jitter_s > 0.0:
        jitter = stream("jitter").normal(0.0, logger.jitter_s, rows)
        limit = 0.45 * period
        stamps = np.maximum(time + np.clip(jitter, -limit, limit), 0.0)
    frame = pd.DataFrame({"time_s": stamps + logger.start_s, **log})
    last = np.clip(np.searchsorted(fine_time, time + 1e-9, side="right") - 1, 0, None)
    keep = fine["logger_off"][last] < 0.5
    if logger.row_dropout_probability > 0.0:
        keep &= stream("rows").uniform(size=rows) >= logger.row_dropout_probability
        keep[0] = True
    return frame[keep].reset_index(drop=True), drawn


def _instant_values(
    fine: dict[str, FloatArray], rig: Rig, slip_share: float
) -> dict[str, NDArray[Any]]:
    """Every channel's undisturbed value at the internal steps."""
    slip = 1.0 + slip_share * fine["wheel_slip"]
    values: dict[str, NDArray[Any]] = {
        "speed_m_s": fine["speed_m_s"] * slip,
        "ground_speed_m_s": fine["speed_m_s"],
        "fuel_rate_g_s": fine["reported_fuel_rate_g_s"],
        "engine_torque_n_m": fine["reported_torque_n_m"],
        "engine_speed_rpm": fine["engine_speed_rad_s"] * 30.0 / np.pi,
        "gear": fine["gear"],
        "brake_active": (fine["brake_force_n"] > 0.0).astype(float),
        "accelerator_percent": 100.0 * fine["accelerator"],
        "regeneration_active": (fine["regeneration"] > 0.0).astype(float),
        "cruise_active": fine["cruise"],
        "exhaust_brake_active": fine["exhaust_brake"],
        "driver_aid_active": np.zeros(fine["time_s"].size),
        "ambient_pressure_kpa": fine["ambient_pressure_kpa"],
        "latitude_deg": fine["latitude_deg"],
        "longitude_deg": fine["longitude_deg"],
        "tractive_force_n": fine["tractive_force_n"] / fine["tractive_scale"],
    }
    if rig.engine.uprated is not None:
        values["extra_torque_share"] = fine["extra_torque_share"]
    if rig.driveline.transfer_low_ratio is not None:
        values["transfer_range"] = fine["low_range"]
    for name in fine:
        if name not in values and (
            name.endswith("_degc") or name in ("boost_kpa", "air_flow_g_s", "rail_pressure_mpa")
        ):
            values[name] = fine[name]
    sensor = rig.limits.exhaust_gas_temp_sensor
    if sensor != "before_turbine":
        del values["exhaust_gas_temp_degc"]
    if sensor != "after_turbine":
        del values["exhaust_gas_temp_after_turbine_degc"]
    return values


def _sample(
    fine_time: FloatArray, values: FloatArray, at: FloatArray, channel: Channel, name: str
) -> FloatArray:
    if channel.hold_s > 0.0:
        at = channel.hold_s * np.floor(at / channel.hold_s + 1e-9)
    at = at - channel.delay_s
    if name in _DISCRETE:
        last = np.searchsorted(fine_time, at + 1e-9, side="right") - 1
        return values[np.clip(last, 0, None)].astype(float)
    return np.asarray(np.interp(at, fine_time, values))


def _disturb(
    shown: FloatArray, channel: Channel, rng: np.random.Generator, name: str
) -> NDArray[Any]:
    shown = shown * (1.0 + channel.scale_error)
    noise = rng.standard_normal(shown.size)
    if channel.hold_s > 0.0:
        # A held value keeps its noise.
        fresh = np.concatenate([[True], np.diff(shown) != 0.0])
        noise = noise[np.maximum.accumulate(np.where(fresh, np.arange(shown.size), 0))]
    sd = np.hypot(channel.noise_sd, channel.relative_noise_sd * np.abs(shown))
    resting = (shown == 0.0) & (name in ("speed_m_s", "ground_speed_m_s", "fuel_rate_g_s"))
    shown = np.where(resting, shown, shown + sd * noise)
    shown = quantise(shown, channel.resolution, channel.rounding)
    if name in ("speed_m_s", "ground_speed_m_s", "fuel_rate_g_s", "accelerator_percent"):
        shown = np.maximum(shown, 0.0)
    if channel.dropout_probability > 0.0:
        lost = rng.uniform(size=shown.size) < channel.dropout_probability
        shown = np.where(lost, np.nan, shown)
    if name == "transfer_range":
        return np.where(shown > 0.5, "low", "high").astype(object)
    return shown


def quantise(
    values: FloatArray, resolution: float, rounding: Literal["round", "truncate"] = "round"
) -> FloatArray:
    """Quantise to a resolution.

    Parameters
    ----------
    values : ndarray
    resolution : float
        Step; 0 leaves the values as they are.
    rounding : {"round", "truncate"}
    """
    if resolution <= 0.0:
        return values
    steps = values / resolution
    whole = np.floor(steps + 1e-9) if rounding == "truncate" else np.round(steps)
    # Decimal steps stay exact decimals, so that a written file reads back the same.
    inverse = round(1.0 / resolution)
    if abs(inverse * resolution - 1.0) < 1e-9:
        return np.asarray(whole / inverse)
    return np.asarray(whole * resolution)


def _at_distance(fine: dict[str, FloatArray], time: FloatArray, lag_m: float) -> FloatArray:
    """Fractional internal step at which the vehicle was ``lag_m`` back."""
    place = np.interp(time, fine["time_s"], fine["distance_m"]) - lag_m
    farthest = np.maximum.accumulate(fine["distance_m"])
    return np.asarray(np.clip(np.searchsorted(farthest, place), 0, farthest.size - 1))


def _show_grade(
    fine: dict[str, FloatArray], time: FloatArray, sensor: GradeSensor, rng: np.random.Generator
) -> tuple[FloatArray, float]:
    if sensor.lag_m > 0.0:
        shown = 100.0 * fine["grade_tangent"][_at_distance(fine, time, sensor.lag_m).astype(int)]
    else:
        shown = 100.0 * np.interp(time, fine["time_s"], fine["grade_tangent"])
    offset = float(rng.normal(0.0, 1.0)) * sensor.offset_sd_percent
    if sensor.sd_percent > 0.0:
        place = np.interp(time, fine["time_s"], fine["distance_m"])
        shown = shown + correlated_over(rng, place, sensor.sd_percent, sensor.correlation_m)
        shown = quantise(shown + offset, 0.01)
    return np.asarray(shown), offset


def _show_altitude(
    fine: dict[str, FloatArray], time: FloatArray, sensor: AltitudeSensor, rng: np.random.Generator
) -> FloatArray:
    if sensor.lag_m > 0.0:
        shown = fine["altitude_m"][_at_distance(fine, time, sensor.lag_m).astype(int)]
    else:
        shown = np.interp(time, fine["time_s"], fine["altitude_m"])
    if sensor.drift_sd_m > 0.0:
        shown = shown + correlated_over(rng, time, sensor.drift_sd_m, sensor.drift_time_s)
    shown = shown + rng.normal(0.0, 1.0, time.size) * sensor.noise_sd_m
    return quantise(shown, sensor.resolution_m)


def _show_acceleration(
    fine: dict[str, FloatArray], time: FloatArray, sensor: Accelerometer, rng: np.random.Generator
) -> tuple[FloatArray, list[float]]:
    fine_time = fine["time_s"]
    tangent = np.interp(time, fine_time, fine["grade_tangent"])
    angle = np.arctan(tangent)
    accel = np.interp(time, fine_time, np.where(fine["speed_m_s"] > 0.0, fine["accel_m_s2"], 0.0))
    changes = np.concatenate([[0.0], np.cumsum(fine["stop"] > 0.0)])[:-1]
    last = np.clip(np.searchsorted(fine_time, time + 1e-9, side="right") - 1, 0, None)
    loaded = (np.abs(np.diff(fine["mass_kg"], prepend=fine["mass_kg"][0])) > 20.0).cumsum()[last]
    biases = rng.normal(0.0, sensor.pitch_bias_sd_deg, int(changes.max()) + 2)
    pitch = np.radians(biases[loaded] + sensor.squat_deg_per_m_s2 * accel)
    force = accel * np.cos(pitch) + GRAVITY_M_S2 * np.sin(angle + pitch)
    force = force + rng.normal(0.0, 1.0, time.size) * sensor.noise_sd_m_s2
    if sensor.noise_sd_m_s2 > 0.0:
        force = quantise(force, 0.01)
    return np.asarray(force), [float(value) for value in biases[: int(loaded.max()) + 1]]
