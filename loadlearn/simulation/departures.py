"""What the estimator does not model, each a switch with a size: :class:`Departures`.

A simulator that shares the filter's structure cannot show where that structure fails. Sizes are
zero when off, and then a drive is the same to the last bit. What acts on road, driver, surroundings
or vehicle is wired into those; what acts on channels only acts on the finished log, here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.simulation.random_processes import correlated_over, ornstein_uhlenbeck
from loadlearn.simulation.road import GRID_M, Road, Stop, altitude_from_grade

FloatArray = NDArray[np.float64]

# Correlation times of what wanders (common practice, no source).
SQUALL_TIME_S = 30.0
ALTIMETER_TIME_S = 60.0
ACCELEROMETER_TIME_S = 300.0
FORCE_NOISE_TIME_S = 10.0
_SEAM_M = 200.0
_TOWN_LIMIT_M_S = 60.0 / 3.6
_FORCES = ("fuel_rate_g_s", "engine_torque_n_m", "tractive_force_n")


@dataclass(frozen=True)
class Departures:
    """Sizes of what the estimator does not model; 0 is off. Relative sizes carry no unit.

    The two of the road are laid by :func:`loadlearn.simulation.drive.simulate`.

    Attributes
    ----------
    lap_length_m : float
        The road is its own first stretch of this length, round and round; what a grade channel gets
        wrong there it gets wrong on every lap.
    town_stops_per_km : float
        Halts of traffic along the road, of 2-30 s, and a limit of 60 km/h.
    feedforward_loss : float
        Share of the road load ahead that cruise control does not foresee: at 1 it is a plain
        feedback controller of the speed.
    pedal_pulse : float
        Amplitude with which the driver's foot pumps (share of the pedal's travel), 0.05-0.2 Hz.
    squall_sd_m_s : float
        Standard deviation of gusts along the road that last half a minute.
    platoon_shelter : float
        Relative loss of drag behind another vehicle, for minutes, coming and going.
    alternator_step_kw : float
        Electrical load that is switched on and off, on the engine, every minute or two.
    fan_power_kw : float
        Power of a fan that runs while the engine's load of the last quarter minute is high.
    gear_efficiency_step : float
        Driveline efficiency is better by this in even gears and worse by this in odd ones.
    lockup_slip : float
        Slip of the converter's closed lock-up clutch under load from third gear on.
    tyre_radius_error : float
        True tyre radius over the rig's, less 1; the speed channel comes from the wheels.
    fuel_cut_lag_s : float
        After the foot has come off, idle fuelling goes on for this long and makes no torque.
    force_noise : float
        Standard deviation of coloured relative noise of the force channels.
    power_smoothing_s : float
        Length of a trailing mean over the power at the tread, which is logged in place of a force.
    force_lag_s, grade_lag_s : float
        Time constant of a first-order lag of force channels and grade channel.
    force_delay_s, speed_delay_s, grade_delay_s : float
        By how much the channel is late; negative: early.
    grade_slope_error : float
        Relative error of the grade channel.
    altimeter_drift_m : float
        Standard deviation of an altimeter's wandering within a minute.
    accelerometer_drift_m_s2 : float
        Standard deviation of a body accelerometer's wandering within some minutes.
    stamp_jitter_s : float
        Standard deviation of the time stamps' error.
    """

    lap_length_m: float = 0.0
    town_stops_per_km: float = 0.0
    feedforward_loss: float = 0.0
    pedal_pulse: float = 0.0
    squall_sd_m_s: float = 0.0
    platoon_shelter: float = 0.0
    alternator_step_kw: float = 0.0
    fan_power_kw: float = 0.0
    gear_efficiency_step: float = 0.0
    lockup_slip: float = 0.0
    tyre_radius_error: float = 0.0
    fuel_cut_lag_s: float = 0.0
    force_noise: float = 0.0
    power_smoothing_s: float = 0.0
    force_lag_s: float = 0.0
    grade_lag_s: float = 0.0
    force_delay_s: float = 0.0
    speed_delay_s: float = 0.0
    grade_delay_s: float = 0.0
    grade_slope_error: float = 0.0
    altimeter_drift_m: float = 0.0
    accelerometer_drift_m_s2: float = 0.0
    stamp_jitter_s: float = 0.0


def other_road(road: Road, departures: Departures, seed: int) -> Road:
    """The road that is driven: itself, laps of its beginning, or a road in town."""
    if departures.lap_length_m > 0.0:
        road = _laps(road, departures.lap_length_m)
    if departures.town_stops_per_km > 0.0:
        road = _town(road, departures.town_stops_per_km, seed)
    return road


def lap_rows(departures: Departures, count: int) -> NDArray[np.int64]:
    """Rows of the first lap that the rows of a road's table repeat; all of them without laps."""
    rows = np.arange(count)
    return rows % _lap_steps(departures.lap_length_m) if departures.lap_length_m > 0.0 else rows


def _lap_steps(length_m: float) -> int:
    return max(round(length_m / GRID_M), round(2.0 * _SEAM_M / GRID_M))


def _laps(road: Road, length_m: float) -> Road:
    steps = _lap_steps(length_m)
    rows = np.arange(road.distance_m.size) % steps
    grade = road.grade_percent[:steps].copy()
    # The end of a lap runs into its beginning, as high and in the same direction.
    seam = np.clip((np.arange(steps) - steps) * GRID_M / _SEAM_M + 1.0, 0.0, 1.0)
    grade += seam * (grade[0] - grade)
    grade -= grade.mean()
    turned = np.unwrap(np.radians(road.heading_deg[:steps]))
    turned += (2.0 * np.pi - (turned[-1] - turned[0])) * np.arange(steps) / steps
    laps = range(int(road.length_m / (steps * GRID_M)) + 1)
    return replace(
        road,
        grade_percent=grade[rows],
        altitude_m=altitude_from_grade(grade[rows], float(road.altitude_m[0])),
        ground=road.ground[rows],
        segment=road.segment[rows],
        rolling_resistance=road.rolling_resistance[rows],
        speed_limit_m_s=road.speed_limit_m_s[rows],
        curvature_1_m=road.curvature_1_m[rows],
        heading_deg=np.degrees(turned[rows]) % 360.0,
        stops=tuple(
            replace(stop, distance_m=stop.distance_m + lap * steps * GRID_M)
            for lap in laps
            for stop in road.stops
            if stop.distance_m < steps * GRID_M
        ),
    )


def _town(road: Road, stops_per_km: float, seed: int) -> Road:
    rng = np.random.default_rng([seed, 8501])
    mean_m = 1000.0 / stops_per_km
    count = int(2.0 * road.length_m / mean_m) + 10
    # Never nearer to one another than a third of the mean.
    places = np.cumsum(rng.exponential(mean_m * 2.0 / 3.0, count) + mean_m / 3.0)
    places = places[places < road.length_m - 50.0]
    waits = rng.uniform(2.0, 30.0, places.size)
    return replace(
        road,
        speed_limit_m_s=np.minimum(road.speed_limit_m_s, _TOWN_LIMIT_M_S),
        stops=tuple(
            Stop(float(place), float(wait), event="light")
            for place, wait in zip(places, waits, strict=True)
        ),
    )


def other_channels(
    log: pd.DataFrame, truth: pd.DataFrame, departures: Departures, seed: int
) -> pd.DataFrame:
    """The log as channels with these departures show it.

    Parameters
    ----------
    log, truth : DataFrame
        Row by row the same instants; neither is changed.
    departures : Departures
    seed : int

    Returns
    -------
    DataFrame
        The same rows; with ``power_smoothing_s`` ``tractive_power_kw`` instead of a force.
    """
    d, log = departures, log.copy()
    time = log["time_s"].to_numpy(dtype=np.float64)
    forces = [name for name in _FORCES if name in log]

    def wandering(number: int, sd: float, time_s: float) -> FloatArray:
        return correlated_over(np.random.default_rng([seed, 8510 + number]), time, sd, time_s)

    if d.lap_length_m > 0.0 and "grade_percent" in log:
        log["grade_percent"] = _same_error_every_lap(log, truth, d.lap_length_m)
    if d.tyre_radius_error != 0.0:
        log["speed_m_s"] = log["speed_m_s"] / (1.0 + d.tyre_radius_error)
    if d.force_noise > 0.0:
        factor = 1.0 + wandering(0, d.force_noise, FORCE_NOISE_TIME_S)
        log[forces] = log[forces].mul(factor, axis=0)
    if d.altimeter_drift_m > 0.0 and "altitude_m" in log:
        log["altitude_m"] += wandering(1, d.altimeter_drift_m, ALTIMETER_TIME_S)
    if d.accelerometer_drift_m_s2 > 0.0 and "accel_long_m_s2" in log:
        drift = wandering(2, d.accelerometer_drift_m_s2, ACCELEROMETER_TIME_S)
        log["accel_long_m_s2"] += drift
    if d.power_smoothing_s > 0.0 and "tractive_force_n" in log:
        power = log.pop("tractive_force_n").to_numpy() * log["speed_m_s"].to_numpy() * 1e-3
        log["tractive_power_kw"] = trailing_mean(time, power, d.power_smoothing_s)
    if d.grade_slope_error != 0.0 and "grade_percent" in log:
        log["grade_percent"] *= 1.0 + d.grade_slope_error
    grades = [name for name in ("grade_percent",) if name in log]
    for names, lag_s, delay_s in (
        (forces, d.force_lag_s, d.force_delay_s),
        (grades, d.grade_lag_s, d.grade_delay_s),
        (["speed_m_s"], 0.0, d.speed_delay_s),
    ):
        for name in names:
            if lag_s > 0.0:
                log[name] = first_order_lag(time, log[name].to_numpy(), lag_s)
            if delay_s != 0.0:
                log[name] = np.interp(time - delay_s, time, log[name].to_numpy())
    if d.stamp_jitter_s > 0.0:
        error = np.random.default_rng([seed, 8520]).normal(0.0, d.stamp_jitter_s, time.size)
        # Stamps keep their order.
        most = 0.45 * float(np.min(np.diff(time)))
        log["time_s"] = time + np.clip(error, -most, most)
    return log


def first_order_lag(time_s: FloatArray, values: FloatArray, lag_s: float) -> FloatArray:
    """Response of ``lag_s dy/dt = u - y`` to samples joined by straight lines, at rest at first.

    Parameters
    ----------
    time_s, values : ndarray, shape (n,)
    lag_s : float
        Above zero.

    Returns
    -------
    ndarray, shape (n,)
        Exact at the samples.
    """
    slope = np.diff(values) / np.diff(time_s)
    left = np.exp(-np.diff(time_s) / lag_s)
    behind = np.zeros(values.size)  # value less response
    for row in range(slope.size):
        settled = lag_s * slope[row]
        behind[row + 1] = settled + (behind[row] - settled) * left[row]
    return np.asarray(values - behind)


def trailing_mean(time_s: FloatArray, values: FloatArray, length_s: float) -> FloatArray:
    """Mean over the last ``length_s`` of samples joined by straight lines; the first held before.

    Parameters
    ----------
    time_s, values : ndarray, shape (n,)
    length_s : float
        Above zero.

    Returns
    -------
    ndarray, shape (n,)
    """
    steps = np.diff(time_s, prepend=time_s[0])
    middle = 0.5 * (values + np.concatenate([values[:1], values[:-1]]))
    whole = np.cumsum(steps * middle)
    start = time_s - length_s
    # The integral up to a start between samples is a parabola: of the line there.
    row = np.clip(np.searchsorted(time_s, start, side="right") - 1, 0, time_s.size - 2)
    into = np.maximum(start - time_s[row], 0.0)
    slope = (values[row + 1] - values[row]) / (time_s[row + 1] - time_s[row])
    before = whole[row] + into * (values[row] + 0.5 * slope * into)
    early = np.maximum(time_s[0] - start, 0.0) * values[0]
    return np.asarray((whole - before + early) / length_s)


def _same_error_every_lap(
    log: pd.DataFrame, truth: pd.DataFrame, lap_length_m: float
) -> FloatArray:
    """Grade with the error of the first lap at the same place of every later one."""
    place = truth["distance_m"].to_numpy()
    true = truth["grade_percent"].to_numpy()
    error = log["grade_percent"].to_numpy() - true
    length = _lap_steps(lap_length_m) * GRID_M
    first = place < length
    again = np.interp(np.mod(place, length), place[first], error[first])
    return np.asarray(np.where(first, error, again) + true)


def pulsing_foot(normals: FloatArray, step_s: float, size: float) -> FloatArray:
    """A pedal's pumping: a sine of this amplitude whose frequency wanders within 0.05-0.2 Hz.

    Parameters
    ----------
    normals : ndarray, shape (n,)
        Draws, one per step.
    step_s, size : float
    """
    octaves = np.clip(ornstein_uhlenbeck(normals, 0.6, 60.0, step_s), -1.0, 1.0)
    return np.asarray(size * np.sin(2.0 * math.pi * step_s * np.cumsum(0.1 * 2.0**octaves)))
