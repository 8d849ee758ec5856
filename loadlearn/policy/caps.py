"""Every protection asked at one sample: readings and beliefs in, the array of caps out."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from loadlearn.policy.columns import (
    BRAKE,
    COOLANT,
    DRIVER_AID,
    ENGINE_OIL,
    EXHAUST_BRAKE,
    GAS,
    GAS_AFTER,
    GEAR,
    GEARBOX_OIL,
    INTAKE,
    RAIL,
    REGENERATION_FLAG,
    SPEED,
)
from loadlearn.policy.exhaust import (
    FORETOLD_AFTER_S,
    ExhaustState,
    FullLoad,
    GasInput,
    correct_exhaust,
    exhaust_cap,
    follow_cap,
    gas_limit_degc,
    initial_exhaust_state,
    predict_exhaust,
)
from loadlearn.policy.protections import (
    AIR_FUEL_RATIO,
    AXLE_TORQUE,
    BOOST_EXCESS,
    CHARGE_AIR_HEAT,
    COOLANT_HEAT,
    COOLANT_SENSOR,
    ENGINE_OIL_HEAT,
    EXHAUST_GAS_HEAT,
    GEAR_CHANGE_LONGEST_S,
    NEUTRAL,
    RAIL_PRESSURE,
    RATINGS,
    REGENERATION,
    REVERSE_GEAR,
    SERVICE_BRAKE,
    SWAY,
    TRANSMISSION_OIL_HEAT,
    TURBO_SPEED,
    WARM_UP,
    axle_torque,
    boost_excess,
    direction_of_travel,
    forbidden_while,
    over_temperature,
    rail_pressure,
    ratings,
    share_of_fuel,
    sway,
    warm_up,
)
from loadlearn.policy.protections import DRIVER_AID as DRIVER_AID_CAP
from loadlearn.policy.protections import EXHAUST_BRAKE as EXHAUST_BRAKE_CAP
from loadlearn.policy.readings import (
    AirNow,
    EngineNow,
)
from loadlearn.policy.sensor_watch import SensorState, watch_sensor
from loadlearn.policy.state import (
    PolicyConfig,
    PolicyMemory,
    PolicyState,
    set_protections,
)
from loadlearn.policy.thermal_model import (
    RAD_S_PER_RPM,
    Surroundings,
    ThermalParameters,
    air_per_kpa,
    charge_target_kpa,
    interpolate,
)

LONGEST_GAP_S = 5.0
"""After a longer gap nothing given before it still stands (s)."""
THERMOSTAT_SHUT_DEGC = 70.0
"""Below this every thermostat is shut (common practice, no source), so the coolant must warm up."""
FIRING_SHARE = 0.15
"""Fuelling over base full load from which there is gas to speak of; below it caps are held."""
IMPLAUSIBLE_K = 150.0
"""An exhaust reading this far from the model, and six of its sds, is impossible (K)."""

METER_SHARE = 0.01
"""A boost control that holds the compressor at its limit shows it to within this (relative)."""
AIR_NOISE_SHARE = 0.05
"""An air flow this near to the followed one differs by noise."""


def gas_reading(config: PolicyConfig, row: NDArray[np.float64]) -> float:
    """Reading of the exhaust sensor that the rig has (degC), NaN without one."""
    if config.exhaust_sensor > 1.5:
        return row[GAS_AFTER]
    if config.exhaust_sensor > 0.5:
        return row[GAS]
    return math.nan


def observe_exhaust(
    p: ThermalParameters,
    config: PolicyConfig,
    state: PolicyState,
    row: NDArray[np.float64],
    engine: EngineNow,
    air_now: AirNow,
    air: Surroundings,
    rise_k: float,
    interval_s: float,
) -> tuple[ExhaustState, SensorState, bool]:
    """Advance the exhaust observer and judge its sensor.

    Parameters
    ----------
    p, config, state, row, engine, air_now, air
        The policy's parameters and state, the sample and what was read from it.
    rise_k : float
        Modelled rise of the gas over the charge air (K).
    interval_s : float
        Time since the last sample (s).

    Returns
    -------
    exhaust : ExhaustState
    sensor : SensorState
    trusted : bool
    """
    after = 1.0 if config.exhaust_sensor > 1.5 else 0.0
    firing = 1.0 if engine.fuel_g_s > FIRING_SHARE * engine.base_fuel_g_s else 0.0
    drive = GasInput(rise_k, air_now.intake_degc, air.ambient_degc, after, firing)
    reading = gas_reading(config, row)
    exhaust = state.exhaust
    if state.started < 0.5 or interval_s > LONGEST_GAP_S:
        shown = air.ambient_degc if math.isnan(reading) else reading
        gas = gas_limit_degc(p, shown, after, air.ambient_degc)
        exhaust = initial_exhaust_state(p, gas, shown)
    else:
        exhaust = predict_exhaust(p, exhaust, drive, interval_s)
    expected, tolerance = math.nan, 0.0
    foretold = engine.fuel_known > 0.5 and exhaust.firing_s >= FORETOLD_AFTER_S
    if foretold and not row[REGENERATION_FLAG] > 0.5:
        expected = exhaust.sensor_degc
        tolerance = max(IMPLAUSIBLE_K, 6.0 * math.sqrt(exhaust.cov_sensor))
    sensor, trusted, usable = watch_sensor(
        state.exhaust_sensor,
        reading,
        -40.0,
        1150.0,
        expected,
        tolerance,
        exhaust.predicted_move_k,
        interval_s,
        True,
    )
    if usable and not row[REGENERATION_FLAG] > 0.5:
        exhaust = correct_exhaust(p, exhaust, drive, reading)
    return exhaust, sensor, trusted


def compute_caps(
    p: ThermalParameters,
    config: PolicyConfig,
    memory: PolicyMemory,
    state: PolicyState,
    row: NDArray[np.float64],
    engine: EngineNow,
    air_now: AirNow,
    air: Surroundings,
    interval_s: float,
) -> PolicyState:
    """Ask every protection, and write its cap into ``memory.caps``.

    Parameters
    ----------
    p, config, memory, state
        The policy's parameters and state; ``state`` holds the present exhaust belief.
    row, engine, air_now, air
        The sample and what was read from it.
    interval_s : float
        Time since the last sample (s).

    Returns
    -------
    PolicyState
        With the protections' own states advanced.
    """
    caps = memory.caps
    point = FullLoad(engine.rpm, row[INTAKE], air_now.air_ratio, state.fuel_ratio)
    base_torque = interpolate(engine.rpm, memory.curve[0], memory.curve[1])
    uprated_torque = interpolate(engine.rpm, memory.curve[0], memory.curve[2])

    caps[WARM_UP], _ = warm_up(row[COOLANT], config.coolant_start_degc, config.coolant_full_degc)
    caps[COOLANT_HEAT], _ = over_temperature(
        row[COOLANT], config.coolant_reduce_degc, config.coolant_zero_degc
    )
    caps[TRANSMISSION_OIL_HEAT], _ = over_temperature(
        row[GEARBOX_OIL], config.oil_reduce_degc, config.oil_zero_degc
    )
    caps[ENGINE_OIL_HEAT], _ = over_temperature(
        row[ENGINE_OIL], config.engine_oil_reduce_degc, config.engine_oil_zero_degc
    )
    caps[CHARGE_AIR_HEAT], _ = over_temperature(
        row[INTAKE], config.intake_reduce_degc, config.intake_zero_degc
    )
    after = 1.0 if config.exhaust_sensor > 1.5 else 0.0
    limit = gas_limit_degc(p, config.gas_limit_degc, after, air.ambient_degc)
    if engine.fuel_g_s > FIRING_SHARE * engine.base_fuel_g_s and state.exhaust.firing_s > 0.0:
        now = exhaust_cap(p, state.exhaust, memory.curve, point, air, limit)
        caps[EXHAUST_GAS_HEAT] = follow_cap(caps[EXHAUST_GAS_HEAT], now, interval_s)

    # A metered air flow is noisy: one per cent of it is several of the share, and a share that
    # falls faster than it rises would follow the noise's minima. The ratio to the model is followed
    # within a second downwards; a sudden lack beyond noise acts at once.
    omega = engine.rpm * RAD_S_PER_RPM
    flow = air_now.flow_g_s
    if p.throttled < 0.5:
        followed = air_now.charge_model_kpa * air_per_kpa(p, omega, air_now.intake_degc)
        followed *= air_now.air_ratio
        if abs(flow - followed) < AIR_NOISE_SHARE * followed:
            flow = followed
    most_fuel = flow / (p.stoichiometric_ratio * p.lambda_min)
    # An engine that burns more than its rig says has less air for it; that it burns less may be the
    # want of air itself.
    richer = max(state.fuel_ratio, 1.0)
    caps[AIR_FUEL_RATIO], _ = share_of_fuel(
        most_fuel, richer * engine.base_fuel_g_s, richer * engine.uprated_fuel_g_s
    )
    # Charge target is linear in fuel beyond base full load, so the compressor's limit is too.
    # Both ends at the fuelling really burnt there, as the boost ratio is: else a compressor held at
    # its limit looks the nearer to it the less is burnt, and the share creeps down to nothing.
    base_burnt = state.fuel_ratio * engine.base_fuel_g_s
    all_burnt = state.fuel_ratio * engine.uprated_fuel_g_s
    at_base = charge_target_kpa(p, base_burnt, engine.base_fuel_g_s, omega)
    at_all = charge_target_kpa(p, all_burnt, engine.base_fuel_g_s, omega)
    # Where boost is measured, the target is scaled to what it lately was near full load: a boost
    # control that limits the compressor by itself leaves room that no model knows.
    most_kpa = p.pressure_ratio_max * (1.0 + METER_SHARE) * air.ambient_kpa / state.boost_ratio
    if p.throttled > 0.5:
        most_kpa = math.nan
    caps[TURBO_SPEED], _ = share_of_fuel(most_kpa, at_base, at_all)
    boost, caps[BOOST_EXCESS], _ = boost_excess(
        state.boost,
        air_now.charge_measured_kpa - air.ambient_kpa,
        air_now.charge_model_kpa - air.ambient_kpa,
        engine.fuel_g_s / max(engine.base_fuel_g_s, 1e-9),
        config.boost_over_target_kpa,
        interval_s,
    )
    rail, caps[RAIL_PRESSURE], _ = rail_pressure(
        state.rail,
        row[RAIL],
        engine.fuel_g_s / p.rated_fuel_g_s,
        engine.fuel_g_s / max(engine.base_fuel_g_s, 1e-9),
        config.rail_shortfall_share,
        interval_s,
    )
    caps[SERVICE_BRAKE], _ = forbidden_while(row[BRAKE])
    caps[EXHAUST_BRAKE_CAP], _ = forbidden_while(row[EXHAUST_BRAKE])
    caps[DRIVER_AID_CAP], _ = forbidden_while(row[DRIVER_AID])
    caps[REGENERATION], _ = forbidden_while(row[REGENERATION_FLAG])
    _, reverse, neutral = direction_of_travel(row[GEAR])
    # A gear signal that passes through neutral in a change is the gear change's matter.
    changing = 0.0 < state.gear_change.under_way_s <= GEAR_CHANGE_LONGEST_S
    caps[REVERSE_GEAR] = 0.0 if reverse else 1.0
    caps[NEUTRAL] = 0.0 if neutral and not changing else 1.0
    ratio = engine.overall_ratio
    if math.isnan(ratio):
        ratio = memory.ratios[0] if row[SPEED] < 5.0 else memory.ratios[-1]
    caps[AXLE_TORQUE], _ = axle_torque(
        base_torque, uprated_torque, ratio, config.axle_torque_max_n_m
    )
    sway_state, caps[SWAY], _ = sway(state.sway, row[SPEED], interval_s)

    # While the coolant warms up its sensor must answer; at the thermostat it may well stand still.
    warming = THERMOSTAT_SHUT_DEGC - row[COOLANT]
    move = 0.0
    if warming > 0.0:
        move = 0.2 * interval_s * warming / p.coolant_time_s * engine.fuel_g_s / p.rated_fuel_g_s
    coolant, coolant_trusted, _ = watch_sensor(
        state.coolant_sensor, row[COOLANT], -50.0, 150.0, math.nan, 0.0, move, interval_s, False
    )
    caps[COOLANT_SENSOR] = 1.0 if coolant_trusted else 0.0
    if math.isnan(row[COOLANT]) and coolant_trusted:
        caps[WARM_UP] = 1.0 if coolant.reading_degc >= config.coolant_full_degc else 0.0
    rating, caps[RATINGS], _ = ratings(state.rating, state.rating_probability)
    return set_protections(state, boost, rail, sway_state, coolant, rating)
