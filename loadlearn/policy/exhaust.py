"""Exhaust gas: an observer that judges the gas rather than the lagging sensor, and a cap from it.

The observer is an extended Kalman filter with four states: temperature of the metal, temperature
of the sensor, the factor ``k`` by which the gas rises more, or less, than the model says, and how
much slower, or quicker, than believed the sensor is. After overrun the sensor is hundreds of kelvin
behind: a lag a tenth longer than believed and not in doubt would be read as a gas 20 K colder. It
runs on the fuelling that was *really* burnt, so nothing winds up while some other protection (or
the driver) holds the torque below what this cap would allow.

The factor's uncertainty grows with how far the operating point has moved from what was observed:
a random walk over the logarithm of the rise. The anchor of that walk follows some seconds behind
the present point, so that a gear change unlearns nothing. Held at one load for some seconds the
observer becomes sure, and the cap can use nearly all that the limit allows; asked about a load it
has never seen, it keeps a distance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn.policy.thermal_model import (
    RAD_S_PER_RPM,
    Surroundings,
    ThermalParameters,
    air_flow_g_s,
    charge_temperature_degc,
    exhaust_rise_k,
    fuel_flow_g_s,
    full_load_torque_n_m,
    normal_cdf,
)

LOOK_AHEAD_S = 2.0
"""The cap keeps the gas within its limit up to this time ahead, metal still warming (s)."""
CAP_MARGIN_SD = 1.0
"""Standard deviations of the gas temperature kept as distance to the limit."""
CAP_MARGIN_K = 0.5
FORETOLD_AFTER_S = 5.0
"""Firing for this long, the model foretells the sensor well enough to judge it (s)."""
_FACTOR_DRIFT_PER_ROOT_S = 0.002
_FRESH_SHARE, _FRESH_S = 0.12, 2.0
"""Firing anew after overrun, little and cold gas: the model may be this much of the rise off."""
_FRESH_DISTANCE = 0.05
GIVE_BACK_PER_S = 0.12
"""The cap gives back no faster, so that a lagging sensor can show what it did (1/s)."""
CAP_BAND, CAP_LAG_S = 0.05, 0.7
"""Nearer than the first the cap is followed evenly with the second, so that meter noise moves it
neither way (share; s)."""
_ANCHOR_S = 5.0
_LAG_LEAST_SD = 0.05
"""A sensor is not one first-order lag, and its lag changes with the flow (common practice, no
source): never known better than this (relative)."""
_LAG_MOST = 0.7
_RISE_FLOOR_K = 60.0
"""Rises below this (fuel cut, idle) say little of the factor at load."""


@dataclass(slots=True)
class ExhaustState:
    """What is believed of the exhaust; degC, and the covariance of (metal, sensor, factor, lag)."""

    metal_degc: float = 0.0
    sensor_degc: float = 0.0
    factor: float = 0.0
    lag: float = 0.0
    """Logarithm of the sensor's time constant over the believed one."""
    cov_metal: float = 0.0
    cov_metal_sensor: float = 0.0
    cov_sensor: float = 0.0
    cov_metal_factor: float = 0.0
    cov_sensor_factor: float = 0.0
    cov_factor: float = 0.0
    cov_metal_lag: float = 0.0
    cov_sensor_lag: float = 0.0
    cov_factor_lag: float = 0.0
    cov_lag: float = 0.0
    log_rise: float = 0.0
    """Logarithm of the modelled rise at which the factor was last observed: the anchor."""
    predicted_move_k: float = 0.0
    """Movement of the sensor that the last prediction expected, without any correction."""
    gas_degc: float = 0.0
    """Gas before the turbine, as believed now."""
    gas_sd_k: float = 0.0
    firing_s: float = 0.0
    """For how long, about, the engine has burnt enough for the model to foretell the sensor."""


class GasInput(NamedTuple):
    """What drives the gas over one interval."""

    rise_k: float
    """Modelled rise over the charge air at the fuelling really burnt."""
    intake_degc: float
    ambient_degc: float
    after_turbine: float
    """1 when the sensor sits after the turbine."""
    firing: float
    """1 while fuelling is more than a seventh of base full load."""


class FullLoad(NamedTuple):
    """The operating point whose extra torque is in question."""

    rpm: float
    intake_degc: float
    """Measured charge air, NaN to model it."""
    air_ratio: float
    """Air measured over air modelled."""
    fuel_ratio: float
    """Full-load fuelling measured over modelled."""


def start_exhaust(
    p: ThermalParameters, state: ExhaustState, gas_degc: float, sensor_degc: float
) -> None:
    """Begin anew: gas and metal as the sensor's reading says, factor as modelled.

    Parameters
    ----------
    p : ThermalParameters
    state : ExhaustState
        Changed.
    gas_degc : float
        Gas before the turbine that the reading stands for, or ambient when there is none (degC).
    sensor_degc : float
        The reading (degC).
    """
    state.metal_degc, state.sensor_degc, state.gas_degc = gas_degc, sensor_degc, gas_degc
    state.factor, state.lag = 1.0, 0.0
    state.cov_metal, state.cov_sensor = 60.0 * 60.0, 10.0 * 10.0
    state.cov_factor = p.exhaust_rise_sd * p.exhaust_rise_sd
    state.cov_lag = p.sensor_time_sd * p.sensor_time_sd
    state.cov_metal_sensor = state.cov_metal_factor = state.cov_sensor_factor = 0.0
    state.cov_metal_lag = state.cov_sensor_lag = state.cov_factor_lag = 0.0
    state.log_rise = math.log(300.0 + _RISE_FLOOR_K)
    state.predicted_move_k = state.firing_s = 0.0
    state.gas_sd_k = 60.0


def initial_exhaust_state(
    p: ThermalParameters, gas_degc: float, sensor_degc: float
) -> ExhaustState:
    """State at the first sample; see :func:`start_exhaust`."""
    state = ExhaustState()
    start_exhaust(p, state, gas_degc, sensor_degc)
    return state


def predict_exhaust(
    p: ThermalParameters, state: ExhaustState, drive: GasInput, interval_s: float
) -> None:
    """Advance the belief over an interval with the fuelling burnt during it.

    Parameters
    ----------
    p : ThermalParameters
    state : ExhaustState
        Changed.
    drive : GasInput
        Constant over the interval.
    interval_s : float
        Length (s), not negative.
    """
    keep_metal = math.exp(-interval_s / p.metal_time_s)
    turns = interval_s / (p.sensor_time_s * math.exp(state.lag))
    keep_sensor = math.exp(-turns)
    through = 1.0 - p.turbine_drop_share * drive.after_turbine
    cylinder = drive.intake_degc + state.factor * drive.rise_k
    metal = cylinder + (state.metal_degc - cylinder) * keep_metal
    gas = cylinder - p.metal_share * (cylinder - metal)
    seen = gas * through + (1.0 - through) * drive.ambient_degc
    sensor = seen + (state.sensor_degc - seen) * keep_sensor

    # Jacobian of (metal, sensor, factor, lag): few entries differ from the identity's pattern.
    metal_by_factor = drive.rise_k * (1.0 - keep_metal)
    sensor_by_metal = (1.0 - keep_sensor) * through * p.metal_share * keep_metal
    gas_by_factor = (1.0 - p.metal_share) * drive.rise_k + p.metal_share * metal_by_factor
    sensor_by_factor = (1.0 - keep_sensor) * through * gas_by_factor
    sensor_by_lag = (state.sensor_degc - seen) * keep_sensor * turns
    mm, ms, ss = state.cov_metal, state.cov_metal_sensor, state.cov_sensor
    mf, sf, ff = state.cov_metal_factor, state.cov_sensor_factor, state.cov_factor
    ml, sl, fl, ll = state.cov_metal_lag, state.cov_sensor_lag, state.cov_factor_lag, state.cov_lag
    a, b, c, d, e = keep_metal, metal_by_factor, sensor_by_metal, keep_sensor, sensor_by_factor
    new_mm = a * a * mm + 2.0 * a * b * mf + b * b * ff
    g = sensor_by_lag
    new_ms = a * (c * mm + d * ms + e * mf + g * ml) + b * (c * mf + d * sf + e * ff + g * fl)
    new_ss = c * c * mm + d * d * ss + e * e * ff + 2.0 * (c * d * ms + c * e * mf + d * e * sf)
    new_ss += g * (g * ll + 2.0 * (c * ml + d * sl + e * fl))
    new_mf = a * mf + b * ff
    new_sf = c * mf + d * sf + e * ff + g * fl
    new_ml = a * ml + b * fl
    new_sl = c * ml + d * sl + e * fl + g * ll

    now = math.log(max(drive.rise_k, 0.0) + _RISE_FLOOR_K)
    anchor = state.log_rise
    if drive.firing > 0.5:
        # A gear change or a bend without fuel unlearns nothing of full load.
        state.log_rise = now + (anchor - now) * math.exp(-interval_s / _ANCHOR_S)
    drift = _FACTOR_DRIFT_PER_ROOT_S * _FACTOR_DRIFT_PER_ROOT_S * interval_s
    ceiling = 4.0 * p.exhaust_rise_sd * p.exhaust_rise_sd
    grown = ff + _shape_variance(p, state.log_rise - anchor) + drift
    state.cov_factor = min(grown, max(ceiling, ff))
    state.cov_metal, state.cov_sensor = new_mm + interval_s, new_ss + interval_s
    state.cov_metal_sensor, state.cov_metal_factor, state.cov_sensor_factor = new_ms, new_mf, new_sf
    state.cov_metal_lag, state.cov_sensor_lag = new_ml, new_sl
    state.predicted_move_k = (sensor - state.sensor_degc) * drive.firing
    state.metal_degc, state.sensor_degc, state.gas_degc = metal, sensor, gas
    state.gas_sd_k = _gas_sd(p, state, cylinder, drive.rise_k)
    # Idling or overrun, metal warms what little flows and the model knows nothing of the sensor.
    firing = state.firing_s + interval_s * (1.0 if drive.firing > 0.5 else -4.0)
    state.firing_s = min(max(firing, 0.0), 2.0 * FORETOLD_AFTER_S)


def correct_exhaust(
    p: ThermalParameters, state: ExhaustState, drive: GasInput, reading_degc: float
) -> None:
    """Correct the belief with a reading of the sensor.

    The factor is kept within 0.6 to 1.6, the sensor's lag within half and twice the believed one. A
    single reading moves the belief as if it were at most four standard deviations away, so that one
    wild value cannot carry it off. The lag is learnt while firing only, and its doubt counts always
    (Schmidt's filter).

    Parameters
    ----------
    p : ThermalParameters
    state : ExhaustState
        Changed.
    drive : GasInput
    reading_degc : float
        A plausible reading (degC).
    """
    # Away from the anchor the model's shape is part of what the sensor shows; while the metal is
    # far from the gas, so is what is not known of the metal.
    away = math.log(max(drive.rise_k, 0.0) + _RISE_FLOOR_K) - state.log_rise
    shape = 0.25 * _shape_variance(p, away) * drive.rise_k * drive.rise_k
    uneven = drive.intake_degc + state.factor * drive.rise_k - state.metal_degc
    total = state.cov_sensor + p.sensor_noise_k * p.sensor_noise_k + shape
    fresh = _FRESH_SHARE * drive.rise_k * math.exp(-state.firing_s / _FRESH_S)
    total += _metal_variance(p, uneven) + fresh * fresh
    bound = 4.0 * math.sqrt(total)
    surprise = min(max(reading_degc - state.sensor_degc, -bound), bound)
    gain_metal = state.cov_metal_sensor / total
    gain_sensor = state.cov_sensor / total
    gain_factor = state.cov_sensor_factor / total
    # On overrun metal warms what little flows: a sensor that falls slowly says little of its lag.
    gain_lag = drive.firing * state.cov_sensor_lag / total
    by_sensor, by_factor, by_lag = (
        state.cov_metal_sensor,
        state.cov_sensor_factor,
        state.cov_sensor_lag,
    )
    state.metal_degc += gain_metal * surprise
    state.sensor_degc += gain_sensor * surprise
    state.factor = min(max(state.factor + gain_factor * surprise, 0.6), 1.6)
    state.lag = min(max(state.lag + gain_lag * surprise, -_LAG_MOST), _LAG_MOST)
    state.cov_metal -= gain_metal * by_sensor
    state.cov_metal_factor -= gain_metal * by_factor
    state.cov_metal_lag -= gain_metal * by_lag
    state.cov_factor = max(state.cov_factor - gain_factor * by_factor, 1e-8)
    state.cov_factor_lag -= gain_factor * by_lag
    state.cov_lag = max(state.cov_lag - gain_lag * by_lag, _LAG_LEAST_SD * _LAG_LEAST_SD)
    state.cov_metal_sensor = by_sensor * (1.0 - gain_sensor)
    state.cov_sensor *= 1.0 - gain_sensor
    state.cov_sensor_factor = by_factor * (1.0 - gain_sensor)
    state.cov_sensor_lag = by_lag * (1.0 - gain_sensor)
    cylinder = drive.intake_degc + state.factor * drive.rise_k
    state.gas_degc = cylinder - p.metal_share * (cylinder - state.metal_degc)
    state.gas_sd_k = _gas_sd(p, state, cylinder, drive.rise_k)


def _shape_variance(p: ThermalParameters, moved: float) -> float:
    """Variance of the factor gained by moving in log rise."""
    return p.exhaust_shape_sd * p.exhaust_shape_sd * abs(moved) / p.exhaust_shape_length


def _metal_variance(p: ThermalParameters, difference_k: float) -> float:
    """Variance of the gas from what is not known of how metal takes heat out of it."""
    sd = p.metal_share_sd * p.metal_share * difference_k
    return sd * sd


def _gas_sd(
    p: ThermalParameters, state: ExhaustState, cylinder_degc: float, rise_k: float
) -> float:
    """Standard deviation of the gas now (K)."""
    by_metal = p.metal_share
    by_factor = (1.0 - p.metal_share) * rise_k
    variance = by_metal * by_metal * state.cov_metal
    variance += 2.0 * by_metal * by_factor * state.cov_metal_factor
    variance = max(variance + by_factor * by_factor * state.cov_factor, 0.0)
    return math.sqrt(variance + _metal_variance(p, cylinder_degc - state.metal_degc))


class FullLoadGas(NamedTuple):
    """Charge air and modelled rise at full load with some share of the extra torque."""

    intake_degc: float
    rise_k: float
    fuel_g_s: float
    air_g_s: float


def full_load_gas(
    p: ThermalParameters,
    curve: NDArray[np.float64],
    point: FullLoad,
    share: float,
    air: Surroundings,
) -> FullLoadGas:
    """Operating point at full load with an extra-torque share.

    Parameters
    ----------
    p : ThermalParameters
    curve : ndarray, shape (3, n)
        As :func:`~loadlearn.policy.thermal_model.engine_curve` gives it.
    point : FullLoad
    share : float
        Share u of the extra torque.
    air : Surroundings
    """
    omega = point.rpm * RAD_S_PER_RPM
    base_fuel = fuel_flow_g_s(p, full_load_torque_n_m(curve, point.rpm, 0.0), omega)
    fuel = fuel_flow_g_s(p, full_load_torque_n_m(curve, point.rpm, share), omega)
    # The ratio is an error of the Willans line; what air the engine was designed for is not.
    fuel *= point.fuel_ratio
    intake = point.intake_degc
    if math.isnan(intake):
        intake = charge_temperature_degc(p, air.ambient_degc, fuel / max(base_fuel, 1e-9))
    flow = air_flow_g_s(p, fuel, base_fuel, omega, intake, air.ambient_kpa) * point.air_ratio
    return FullLoadGas(intake, exhaust_rise_k(p, fuel, flow, base_fuel), fuel, flow)


def gas_limit_degc(
    p: ThermalParameters, limit_degc: float, after_turbine: float, ambient_degc: float
) -> float:
    """Limit of the gas before the turbine that a limit at the sensor's place stands for (degC)."""
    through = 1.0 - p.turbine_drop_share * after_turbine
    return (limit_degc - (1.0 - through) * ambient_degc) / through


def _gas_at(
    p: ThermalParameters, state: ExhaustState, load: FullLoadGas, after_s: float
) -> tuple[float, float]:
    """Gas temperature and its sd after some time at an operating point."""
    keep = math.exp(-after_s / p.metal_time_s)
    cylinder = load.intake_degc + state.factor * load.rise_k
    gas = cylinder - p.metal_share * keep * (cylinder - state.metal_degc)
    moved = _shape_variance(p, math.log(load.rise_k + _RISE_FLOOR_K) - state.log_rise)
    by_metal = p.metal_share * keep
    by_factor = (1.0 - by_metal) * load.rise_k
    variance = by_metal * by_metal * state.cov_metal + 2.0 * by_metal * by_factor * (
        state.cov_metal_factor
    )
    variance += by_factor * by_factor * (state.cov_factor + moved)
    variance += _metal_variance(p, keep * (cylinder - state.metal_degc))
    # The first ten seconds after overrun count for less: the sensor has not caught up yet.
    fresh = _FRESH_DISTANCE * load.rise_k * (1.0 - state.firing_s / (2.0 * FORETOLD_AFTER_S))
    variance += keep * keep * fresh * fresh
    return gas, math.sqrt(max(variance, 0.0))


def exhaust_cap(
    p: ThermalParameters,
    state: ExhaustState,
    curve: NDArray[np.float64],
    point: FullLoad,
    air: Surroundings,
    limit_degc: float,
) -> float:
    """Most extra torque that keeps the gas within its limit over the next moments.

    The largest u for which the gas at full load, ``LOOK_AHEAD_S`` from now and ``CAP_MARGIN_SD``
    standard deviations up, stays at or below the limit; by bisection, since the gas is hotter the
    more fuel is burnt.

    Parameters
    ----------
    p, state, curve, point, air
        As in :func:`full_load_gas`, with the observer's belief.
    limit_degc : float
        Limit of the gas before the turbine (degC).

    Returns
    -------
    float
        0 to 1.
    """
    low, high = 0.0, 1.0
    if _distance(p, state, full_load_gas(p, curve, point, 1.0, air), limit_degc) >= 0.0:
        return 1.0
    if _distance(p, state, full_load_gas(p, curve, point, 0.0, air), limit_degc) <= 0.0:
        return 0.0
    for _ in range(10):
        middle = 0.5 * (low + high)
        load = full_load_gas(p, curve, point, middle, air)
        if _distance(p, state, load, limit_degc) >= 0.0:
            low = middle
        else:
            high = middle
    return low


def follow_cap(before: float, now: float, interval_s: float) -> float:
    """The cap in force, from the one before and the one asked for now.

    Noise of the air and fuelling meters is several per cent of the share. A cap that fell at once
    and rose slowly would run along the lower edge of it, some kelvin below the limit; the gas lags
    by more than the cap does here.

    Parameters
    ----------
    before, now : float
        Cap in force and cap asked for, 0 to 1.
    interval_s : float
        Time since the last sample (s).
    """
    part = 1.0 - math.exp(-interval_s / CAP_LAG_S)
    if now < before:
        before = min(before, now + CAP_BAND)
        return before + part * (now - before)
    return min(before + max(part * (now - before), 0.0), before + GIVE_BACK_PER_S * interval_s)


def _distance(
    p: ThermalParameters, state: ExhaustState, load: FullLoadGas, limit_degc: float
) -> float:
    gas, sd = _gas_at(p, state, load, LOOK_AHEAD_S)
    return limit_degc - CAP_MARGIN_K - CAP_MARGIN_SD * sd - gas


def probability_gas_within(
    p: ThermalParameters,
    state: ExhaustState,
    load: FullLoadGas,
    limit_degc: float,
    horizon_s: float,
) -> float:
    """Probability that the gas stays within its limit for a time at an operating point.

    At a constant operating point the gas moves one way, so its maximum is at one of the ends.

    Parameters
    ----------
    p, state, load
        Belief and operating point.
    limit_degc : float
        Limit of the gas before the turbine (degC).
    horizon_s : float
        How long (s).
    """
    now, sd_now = _gas_at(p, state, load, 0.0)
    then, sd_then = _gas_at(p, state, load, horizon_s)
    hottest, sd = (then, sd_then) if then >= now else (now, sd_now)
    return normal_cdf((limit_degc - hottest) / max(sd, 0.1))
