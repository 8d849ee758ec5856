"""The strategy of a rig, made from its engine, its heat and its force balance.

At each point of the grid stands how much of the base engine the load asks for (forces at the
tread)::

    demand    r   = F_req(mass, rolling resistance, grade, v) / F_base(v)
    retention rho = S((r - KEEP_FROM) / (KEEP_ALL - KEEP_FROM))
    economy   eps = S((ECONOMY_NONE - r) / (ECONOMY_NONE - ECONOMY_ALL))
    S(x)          = 3 x^2 - 2 x^3, clipped to 0..1

``F_base`` is that of the best gear at full load. So extra torque is kept, all that heat and ratings
sustain, where the load brings the base engine near its limit, and demand is restrained where the
engine has much in reserve. Asking instead for what is *needed* to hold the speed keeps next to
nothing: a base engine at its very limit needs none, and is left no power to regain a speed once
lost. Full-share time is how long the gas stays within its limit at full load with all extra torque,
after cruising with this load on the level; never less than it takes to pass.

Everything rises or falls along mass, rolling resistance and grade as physics demands, for the force
does, and nothing on the other side of the ratio depends on them. Cells above a rating are blank.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from loadlearn._compile import as_record, jit
from loadlearn.errors import InputError
from loadlearn.estimation.model import load_prior
from loadlearn.policy.best_gear import best_gear
from loadlearn.policy.exhaust import (
    FORETOLD_AFTER_S,
    ExhaustState,
    FullLoad,
    full_load_gas,
    gas_limit_degc,
    start_exhaust,
)
from loadlearn.policy.law_settings import CREDIT_MAX_S, heat_time_s, smoothstep
from loadlearn.policy.state import policy_config
from loadlearn.policy.strategy import AXES, FloatArray, Strategy
from loadlearn.policy.strategy_limits import rated_mass_kg
from loadlearn.policy.thermal_model import (
    RAD_S_PER_RPM,
    Surroundings,
    air_flow_g_s,
    charge_temperature_degc,
    engine_curve,
    exhaust_rise_k,
    fuel_flow_g_s,
    full_load_torque_n_m,
    thermal_parameters,
)
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import (
    air_density_kg_m3,
    isa_pressure_kpa,
    resisting_force,
    rolling_coefficient,
)

KEEP_FROM, KEEP_ALL = 0.65, 0.90
"""Demand over base full load from which extra torque is kept, and from which all of it is: keeping
from later on loses time on climbs, from earlier on gains none and changes settings more often
(``experiments/choose_retention.py``)."""
ECONOMY_ALL, ECONOMY_NONE = 0.55, 0.85
"""Demand over base full load up to which economy is full, and from which there is none."""
SHORTEST_PULL_S = 20.0
"""Full-share time never falls below what passing takes (common practice, no source): the exhaust
protection takes what the gas does not allow, so a longer one costs nothing
(``experiments/choose_retention.py``)."""
MASS_POINTS = 7
ROLLING_AXIS = (0.008, 0.014, 0.025, 0.05, 0.1, 0.2, 0.35)
GRADE_AXIS_PERCENT = (0.0, 1.5, 3.0, 4.5, 6.0, 8.0, 10.0, 13.0, 17.0)
SPEED_AXIS_M_S = (4.0, 8.0, 12.0, 16.0, 20.0, 24.0, 28.0, 33.0)
DECIMALS = 4
"""Of the settings in the grid, so that people can read them."""


@jit
def pull_time_s(
    parameters: NDArray[Any],
    curve: FloatArray,
    rpm: float,
    part: float,
    after_turbine: float,
    limit_degc: float,
    air: Surroundings,
    beliefs: NDArray[Any],
) -> float:
    """How long all extra torque keeps the gas within its limit, after cruising at part load (s).

    Parameters
    ----------
    parameters : ndarray of ThermalParameters, shape (1,)
    curve : ndarray, shape (3, n)
        Full-load curves.
    rpm : float
    part : float
        Torque of the cruise over base full load.
    after_turbine : float
        1 where the sensor, and the limit, is after the turbine.
    limit_degc : float
        At the sensor's place.
    air : Surroundings
    beliefs : ndarray of ExhaustState, shape (1,)
        Scratch.
    """
    p, exhaust = parameters[0], beliefs[0]
    omega = rpm * RAD_S_PER_RPM
    full = full_load_torque_n_m(curve, rpm, 0.0)
    base_fuel = fuel_flow_g_s(p, full, omega)
    fuel = fuel_flow_g_s(p, part * full, omega)
    intake = charge_temperature_degc(p, air.ambient_degc, fuel / max(base_fuel, 1e-9))
    flow = air_flow_g_s(p, fuel, base_fuel, omega, intake, air.ambient_kpa)
    cruising = intake + exhaust_rise_k(p, fuel, flow, base_fuel)
    point = FullLoad(rpm, math.nan, 1.0, 1.0)
    at_full = full_load_gas(p, curve, point, 1.0, air)
    start_exhaust(p, exhaust, cruising, cruising)
    exhaust.cov_metal, exhaust.cov_factor = 20.0 * 20.0, 0.02 * 0.02
    exhaust.log_rise, exhaust.gas_sd_k = math.log(at_full.rise_k + 60.0), 10.0
    exhaust.firing_s = 2.0 * FORETOLD_AFTER_S
    limit = gas_limit_degc(p, limit_degc, after_turbine, air.ambient_degc)
    return heat_time_s(p, exhaust, curve, point, air, limit)


@jit
def full_load_forces(
    parameters: NDArray[Any],
    configs: NDArray[Any],
    curve: FloatArray,
    ratios: FloatArray,
    speeds_m_s: FloatArray,
    air: Surroundings,
) -> FloatArray:
    """Base full-load force of the best gear, and engine speed in the best gear with all extra.

    Parameters
    ----------
    parameters, configs : ndarray of ThermalParameters, PolicyConfig; shape (1,)
    curve : ndarray, shape (3, n)
    ratios : ndarray, shape (k,)
    speeds_m_s : ndarray, shape (s,)
    air : Surroundings

    Returns
    -------
    ndarray, shape (2, s)
        Force (N); engine speed (rpm).
    """
    p, config = parameters[0], configs[0]
    radius, efficiency = config.tyre_radius_m, config.driveline_efficiency
    most = config.axle_torque_max_n_m
    out = np.empty((2, speeds_m_s.shape[0]))
    for i in range(speeds_m_s.shape[0]):
        speed = speeds_m_s[i]
        base = best_gear(p, curve, ratios, radius, efficiency, most, speed, 0.0, air)
        uprated = best_gear(p, curve, ratios, radius, efficiency, most, speed, 1.0, air)
        out[0, i], out[1, i] = base.force_n, uprated.rpm
    return out


def make_strategy(
    rig: Rig,
    *,
    name: str | None = None,
    mass_kg: ArrayLike | None = None,
    rolling_resistance: ArrayLike = ROLLING_AXIS,
    grade_percent: ArrayLike = GRADE_AXIS_PERCENT,
    speed_m_s: ArrayLike = SPEED_AXIS_M_S,
    ambient_degc: float = 25.0,
    altitude_m: float = 0.0,
    keep_from: float = KEEP_FROM,
    keep_all: float = KEEP_ALL,
    shortest_pull_s: float = SHORTEST_PULL_S,
) -> Strategy:
    """The strategy of a rig.

    Parameters
    ----------
    rig : Rig
        Needs a full-load curve.
    name : str, optional
        For people; default the rig's.
    mass_kg : array_like, optional
        Axis (kg); default from the tow vehicle alone to the lesser rating, and a tenth above it.
    rolling_resistance, grade_percent, speed_m_s : array_like
        The other axes.
    ambient_degc, altitude_m : float
        Air for which it is made.
    keep_from, keep_all : float
        Demand over base full load from which extra torque is kept, and from which all of it is.
    shortest_pull_s : float
        Full-share time is no less.

    Returns
    -------
    Strategy

    Raises
    ------
    InputError
        The rig has no full-load curve, or an axis does not rise.
    """
    from loadlearn import __version__

    p = thermal_parameters(rig)
    vehicle, limits = rig.vehicle, rig.limits
    rated = min(rated_mass_kg(rig), rig.nominal_gcm_kg)
    if mass_kg is None:
        points = np.linspace(0.95 * vehicle.mass_kg, rated, MASS_POINTS).round(-1)
        mass_kg = [*points[:-1], rated, 1.1 * rated]
    given = (mass_kg, rolling_resistance, grade_percent, speed_m_s)
    axes = {axis: np.array(v, dtype=np.float64) for axis, v in zip(AXES, given, strict=True)}
    for axis, values in axes.items():
        if values.ndim != 1 or values.size < 2 or not np.all(np.diff(values) > 0.0):
            raise InputError(f"the strategy's axis '{axis}' must have two points and rise; mend it")
        if axis != "grade_percent" and values[0] <= 0.0:
            raise InputError(f"the strategy's axis '{axis}' must be positive; mend it")
    mass, rolling, grade, speed = np.meshgrid(*axes.values(), indexing="ij", sparse=True)

    air = Surroundings(float(ambient_degc), float(isa_pressure_kpa(altitude_m)))
    density = float(air_density_kg_m3(altitude_m, ambient_degc))
    config, curve = policy_config(rig), engine_curve(rig)
    ratios = np.array(rig.driveline.gear_ratios) * rig.driveline.final_drive
    parameters = as_record(p)
    base_n, rpm = full_load_forces(
        parameters, as_record(config), curve, ratios, axes["speed_m_s"], air
    )

    def demand(sine: Any, cosine: Any) -> FloatArray:
        needed = resisting_force(
            mass,
            rolling_coefficient(rolling, load_prior(rig).speed_slope, speed),
            vehicle.drag_area_m2,
            density,
            speed,
            0.0,
            sine,
            cosine,
        )
        # What fuelling says of the force is off by the tractive scale; so is full load.
        return np.asarray(needed / (rig.uncertainty.tractive_scale * base_n))

    tangent = grade / 100.0
    cosine = 1.0 / np.sqrt(1.0 + tangent * tangent)
    r = demand(tangent * cosine, cosine)
    level = np.clip(demand(0.0, 1.0), 0.0, 1.0)[:, :, 0, :]

    belief, time = as_record(ExhaustState()), np.zeros(level.shape)
    if config.exhaust_sensor > 0.5 and config.uprated > 0.5:
        after = 1.0 if config.exhaust_sensor > 1.5 else 0.0
        for i, j, k in np.ndindex(*level.shape):
            part, gas_limit = float(level[i, j, k]), config.gas_limit_degc
            time[i, j, k] = pull_time_s(
                parameters, curve, float(rpm[k]), part, after, gas_limit, air, belief
            )
        time = np.clip(time, shortest_pull_s, CREDIT_MAX_S)
        for along in (0, 1):
            time = np.minimum.accumulate(time, axis=along)
    shape = np.vectorize(smoothstep, otypes=[float])
    settings = {
        "power_retention": shape((r - keep_from) / (keep_all - keep_from)),
        "full_share_time_s": np.broadcast_to(time[:, :, None, :], r.shape).copy(),
        "economy": shape((ECONOMY_NONE - r) / (ECONOMY_NONE - ECONOMY_ALL)),
    }
    blank = axes["mass_kg"] > rated
    for key, table in settings.items():
        table[blank] = math.nan
        settings[key] = table.round(DECIMALS)
    return Strategy(
        name=name or f"made for {rig.name}",
        axes=axes,
        settings=settings,
        # Nothing but the protections; there to be edited.
        share_limits={
            "engine_speed_rpm": (curve[0].copy(), np.ones(curve.shape[1])),
            "gear": (np.arange(1.0, ratios.size + 1.0), np.ones(ratios.size)),
        },
        protections=limits.model_dump(exclude_none=True),
        rig=rig.model_dump(exclude_none=True),
        made={
            "command": "loadlearn schedule",
            "version": __version__,
            "ambient_degc": float(ambient_degc),
            "altitude_m": float(altitude_m),
            "keep_from": float(keep_from),
            "keep_all": float(keep_all),
            "shortest_pull_s": float(shortest_pull_s),
            "economy_all": ECONOMY_ALL,
            "economy_none": ECONOMY_NONE,
        },
    )
