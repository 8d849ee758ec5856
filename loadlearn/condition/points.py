"""Operating points: a log in means over two seconds, with what the condition checks need."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import grade_angle, isa_pressure_kpa, isa_temperature_k
from loadlearn.vehicle.traction import traction

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

BIN_S = 2.0
MG_PER_N_M = 0.7
"""Fuel per cycle (mg) that a newton-metre of torque costs, about: where only torque is logged."""
BLOCK_S = 60.0
"""Points within one block are taken as dependent, those of different blocks as independent."""
WARM_DEGC = 70.0

_MEANS = (
    "speed_m_s",
    "ground_speed_m_s",
    "engine_speed_rpm",
    "fuel_rate_g_s",
    "engine_torque_n_m",
    "boost_kpa",
    "air_flow_g_s",
    "rail_pressure_mpa",
    "exhaust_gas_temp_degc",
    "exhaust_gas_temp_after_turbine_degc",
    "altitude_m",
    "intake_temp_degc",
    "coolant_temp_degc",
    "ambient_temp_degc",
    "ambient_pressure_kpa",
    "grade_percent",
    "accelerator_percent",
)


def operating_points(trace: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """Condense a trace to means over :data:`BIN_S`.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.
    rig : Rig

    Returns
    -------
    DataFrame
        One row per bin: the means of the channels that are there (NaN otherwise), ambient
        conditions (standard atmosphere at the altitude where not logged), ``load_mg_l`` (fuel per
        litre and cycle, from torque where fuelling is not logged), ``manifold_kpa`` (absolute),
        ``accel_m_s2``, ``sin_grade``, ``force_n`` and ``rotating_mass_kg`` (NaN unless known
        throughout the bin), ``gear``, the logarithm of engine over wheel speed relative to the
        gear's ratio ``log_ratio``, ``steady`` (0/1), ``warm``, ``idle``, ``regeneration``,
        ``regeneration_logged`` (in the whole log), ``braked``, ``block``, ``since_start_s``,
        ``since_braked_stop_s``.
    """
    time = trace["time_s"].to_numpy(dtype=np.float64)
    number = np.floor((time - time[0]) / BIN_S).astype(np.int64)
    labels, starts, counts = np.unique(number, return_index=True, return_counts=True)
    points = pd.DataFrame({"time_s": np.add.reduceat(time, starts) / counts})

    def mean(values: Array) -> Array:
        return np.asarray(np.add.reduceat(values, starts) / counts)

    def greatest(values: Array) -> Array:
        return np.asarray(np.maximum.reduceat(values, starts))

    for name in _MEANS:
        points[name] = mean(_column(trace, name))
    pull = traction(trace, rig)
    known = (pull["set_aside_because"] == "").to_numpy()
    for name in ("force_n", "rotating_mass_kg"):
        points[name] = mean(np.where(known, pull[name].to_numpy(), np.nan))
    gear = np.where(known, pull["gear"].to_numpy(), np.nan)
    points["gear"] = mean(gear)
    same = greatest(np.nan_to_num(gear, nan=-1.0)) == points["gear"].to_numpy()
    points.loc[~same, "gear"] = np.nan
    _ambient(points, trace, starts, counts)

    rpm = points["engine_speed_rpm"].to_numpy()
    litres = rig.engine.displacement_l
    strokes = 30_000.0 * rig.engine.strokes_per_cycle
    with np.errstate(divide="ignore", invalid="ignore"):
        points["load_mg_l"] = strokes * points["fuel_rate_g_s"] / (litres * rpm)
        if points["load_mg_l"].isna().all():
            points["load_mg_l"] = MG_PER_N_M * points["engine_torque_n_m"] / litres
        points["log_ratio"] = _log_ratio(points, rig)
    points["manifold_kpa"] = points["boost_kpa"] + points["ambient_pressure_kpa"]
    speed = _column(trace, "speed_m_s")
    points["accel_m_s2"] = _slope(time, speed, starts, counts)
    points["sin_grade"] = grade_angle(_grade(points, trace, starts, counts))[0]

    flags = {"regeneration": "regeneration_active", "braked": "brake_active"}
    for name, column in flags.items():
        points[name] = greatest(np.nan_to_num(_column(trace, column)))
    points["regeneration_logged"] = bool(np.isfinite(_column(trace, "regeneration_active")).any())
    standing = greatest(np.nan_to_num(speed, nan=9.0)) < 0.3
    points["idle"] = (
        standing & (rpm > 0.7 * rig.engine.idle_rpm) & (rpm < 1.25 * rig.engine.idle_rpm)
    ).astype(float)
    since_start = points["time_s"].to_numpy() - time[0]
    points["since_start_s"] = since_start
    points["warm"] = _warm(points)
    points["since_braked_stop_s"] = _since_braked_stop(points, standing)
    points["steady"] = _steady(points, labels)
    points["block"] = np.floor(since_start / BLOCK_S)
    return points


def without_channels(points: pd.DataFrame, channels: list[str]) -> pd.DataFrame:
    """The points as if some sensors had not been logged.

    Parameters
    ----------
    points : DataFrame
        From :func:`operating_points`.
    channels : list of str
        Their columns.

    Returns
    -------
    DataFrame
        With what follows from them computed anew.
    """
    points = points.assign(**dict.fromkeys(channels, np.nan))
    points["manifold_kpa"] = points["boost_kpa"] + points["ambient_pressure_kpa"]
    points["warm"] = _warm(points)
    return points


def _warm(points: pd.DataFrame) -> Array:
    """Without a coolant channel a quarter of an hour stands for warm (common practice)."""
    coolant = points["coolant_temp_degc"].to_numpy()
    later = points["since_start_s"].to_numpy() > 900.0
    return np.where(np.isfinite(coolant), coolant > WARM_DEGC, later).astype(float)


def _column(trace: pd.DataFrame, name: str) -> Array:
    if name not in trace.columns:
        return np.full(len(trace), np.nan)
    return trace[name].to_numpy(dtype=np.float64, na_value=np.nan)


def _ambient(points: pd.DataFrame, trace: pd.DataFrame, starts: Indices, counts: Indices) -> None:
    """Fill ambient conditions from the standard atmosphere where they are not logged."""
    altitude = np.nan_to_num(np.add.reduceat(_column(trace, "altitude_m"), starts) / counts)
    for name, standard in (
        ("ambient_temp_degc", isa_temperature_k(altitude) - 273.15),
        ("ambient_pressure_kpa", isa_pressure_kpa(altitude)),
    ):
        points[name] = points[name].fillna(pd.Series(standard))


def _grade(points: pd.DataFrame, trace: pd.DataFrame, starts: Indices, counts: Indices) -> Array:
    grade = points["grade_percent"].to_numpy(copy=True)
    if np.isfinite(grade).any() or "altitude_m" not in trace.columns or len(points) < 3:
        return np.nan_to_num(grade)
    # Altitude over distance, smoothed over about ten seconds of noise.
    altitude = pd.Series(np.add.reduceat(_column(trace, "altitude_m"), starts) / counts)
    smooth = altitude.rolling(9, center=True, min_periods=1).mean().to_numpy()
    distance = np.cumsum(np.nan_to_num(points["speed_m_s"].to_numpy()) * BIN_S)
    rise = np.gradient(smooth)
    run = np.maximum(np.gradient(distance), 1.0)
    return np.asarray(100.0 * np.clip(rise / run, -0.3, 0.3))


def _slope(time: Array, speed: Array, starts: Indices, counts: Indices) -> Array:
    """Least-squares slope of speed within each bin and its neighbours' halves."""
    t = np.add.reduceat(time, starts) / counts
    v = np.add.reduceat(speed, starts) / counts
    # Bin means two bins apart: the mean acceleration over the middle bin.
    slope = np.full(len(t), np.nan)
    if len(t) > 2:
        gap = t[2:] - t[:-2]
        slope[1:-1] = np.where(gap < 2.6 * BIN_S, (v[2:] - v[:-2]) / gap, np.nan)
    return slope


def _log_ratio(points: pd.DataFrame, rig: Rig) -> Array:
    """Engine over wheel speed against the ratio of the gear, as a logarithm; NaN without gear."""
    ratios = np.array([np.nan] + [rig.overall_ratio(g + 1) for g in range(_gears(rig))])
    gear = points["gear"].to_numpy()
    index = np.where(np.isfinite(gear) & (gear >= 1) & (gear <= _gears(rig)), gear, 0).astype(int)
    omega = points["engine_speed_rpm"].to_numpy() * np.pi / 30.0
    speed = points["speed_m_s"].to_numpy()
    observed = omega * rig.vehicle.tyre_radius_m / np.where(speed > 3.0, speed, np.nan)
    return np.asarray(np.log(observed / ratios[index]))


def _gears(rig: Rig) -> int:
    return len(rig.driveline.gear_ratios)


def _since_braked_stop(points: pd.DataFrame, standing: NDArray[np.bool_]) -> Array:
    """Time since the vehicle last left a standstill that the service brake led to (s)."""
    time = points["time_s"].to_numpy()
    braked = points["braked"].to_numpy() > 0.5
    since = np.full(len(points), np.inf)
    last, armed, recent = -np.inf, False, -np.inf
    for row in range(len(points)):
        if braked[row]:
            recent = time[row]
        if standing[row]:
            armed = armed or time[row] - recent < 30.0
        elif armed:
            last, armed = time[row], False
        since[row] = time[row] - last
    return since


def _steady(points: pd.DataFrame, labels: NDArray[np.int64]) -> Array:
    """Whether load and engine speed hardly moved over this bin and the two before it."""
    load, rpm = points["load_mg_l"], points["engine_speed_rpm"]
    span = load.rolling(3).max() - load.rolling(3).min()
    turn = rpm.rolling(3).max() - rpm.rolling(3).min()
    unbroken = pd.Series(labels).diff(2) == 2
    level = load.rolling(3).mean()
    steady = (span < 0.2 * level + 6.0) & (turn < 0.05 * rpm + 20.0) & unbroken
    return np.asarray(steady, dtype=np.float64)
