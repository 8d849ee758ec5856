"""Every protection asked at one sample: readings and beliefs in, the array of caps out."""

from __future__ import annotations

import math

from loadlearn.policy.columns import Sample
from loadlearn.policy.exhaust import (
    FORETOLD_AFTER_S,
    FullLoad,
    GasInput,
    correct_exhaust,
    exhaust_cap,
    follow_cap,
    gas_limit_degc,
    predict_exhaust,
    start_exhaust,
)
from loadlearn.policy.protections import (
    GEAR_CHANGE_LONGEST_S,
    Caps,
    axle_torque,
    boost_excess,
    forbidden_while,
    over_temperature,
    rail_pressure,
    ratings,
    share_of_fuel,
    sway,
    warm_up,
)
from loadlearn.policy.readings import (
    AirNow,
    EngineNow,
)
from loadlearn.policy.sensor_watch import watch_sensor
from loadlearn.policy.state import (
    SENSOR_TOLERANCE,
    PolicyConfig,
    PolicyMemory,
    PolicyState,
)
from loadlearn.policy.thermal_model import (
    RAD_S_PER_RPM,
    Surroundings,
    ThermalParameters,
    air_per_kpa,
    charge_target_kpa,
    exhaust_rise_k,
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
AIR_SHARE_OFF = 0.02
"""Error of an air meter against the fuelling (common practice, no source): so much is kept back."""
AIR_NOISE_SHARE = 0.05
"""An air flow this near to the followed one differs by noise."""


def gas_reading(config: PolicyConfig, row: Sample) -> float:
    """Reading of the exhaust sensor that the rig has (degC), NaN without one."""
    if config.exhaust_sensor > 1.5:
        return row.exhaust_gas_temp_after_turbine_degc
    if config.exhaust_sensor > 0.5:
        return row.exhaust_gas_temp_degc
    return math.nan


def observe_exhaust(
    p: ThermalParameters,
    config: PolicyConfig,
    state: PolicyState,
    row: Sample,
    engine: EngineNow,
    air_now: AirNow,
    air: Surroundings,
    interval_s: float,
) -> bool:
    """Advance the exhaust observer and judge its sensor.

    Parameters
    ----------
    p, config, row, engine, air_now, air
        Parameters, the sample and what was read from it.
    state : PolicyState
        Its beliefs of exhaust and sensor are changed.
    interval_s : float
        Time since the last sample (s).

    Returns
    -------
    bool
        Whether the sensor can be trusted.
    """
    exhaust = state.exhaust
    rise_k = exhaust_rise_k(p, engine.fuel_g_s, air_now.flow_g_s, engine.base_fuel_g_s)
    after = 1.0 if config.exhaust_sensor > 1.5 else 0.0
    firing = 1.0 if engine.fuel_g_s > FIRING_SHARE * engine.base_fuel_g_s else 0.0
    drive = GasInput(rise_k, air_now.intake_degc, air.ambient_degc, after, firing)
    reading = gas_reading(config, row)
    if state.started < 0.5 or interval_s > LONGEST_GAP_S:
        shown = air.ambient_degc if math.isnan(reading) else reading
        start_exhaust(p, exhaust, gas_limit_degc(p, shown, after, air.ambient_degc), shown)
    else:
        predict_exhaust(p, exhaust, drive, interval_s)
    expected, tolerance = math.nan, 0.0
    foretold = engine.fuel_known > 0.5 and exhaust.firing_s >= FORETOLD_AFTER_S
    if foretold and not row.regeneration_active > 0.5:
        expected = exhaust.sensor_degc
        tolerance = max(IMPLAUSIBLE_K, 6.0 * math.sqrt(exhaust.cov_sensor))
    trusted, usable = watch_sensor(
        state.exhaust_sensor,
        reading,
        -40.0,
        1150.0,
        expected,
        tolerance,
        exhaust.predicted_move_k,
        interval_s,
        1.0,
    )
    if usable and not row.regeneration_active > 0.5:
        correct_exhaust(p, exhaust, drive, reading)
    return trusted


def compute_caps(
    p: ThermalParameters,
    config: PolicyConfig,
    memory: PolicyMemory,
    state: PolicyState,
    row: Sample,
    engine: EngineNow,
    air_now: AirNow,
    air: Surroundings,
    interval_s: float,
) -> None:
    """Ask every protection but the exhaust sensor's, and write its cap into ``memory.caps``.

    Parameters
    ----------
    p, config, memory, state
        The policy's parameters and state; ``state`` holds the present exhaust belief, and the
        protections' own states in it are advanced.
    row, engine, air_now, air
        The sample and what was read from it.
    interval_s : float
        Time since the last sample (s).
    """
    caps = memory.cap_of
    _temperature_caps(config, caps, row)
    if engine.fuel_g_s > FIRING_SHARE * engine.base_fuel_g_s and state.exhaust.firing_s > 0.0:
        point = FullLoad(engine.rpm, row.intake_temp_degc, air_now.air_ratio, state.fuel_ratio)
        after = 1.0 if config.exhaust_sensor > 1.5 else 0.0
        limit = gas_limit_degc(p, config.gas_limit_degc, after, air.ambient_degc)
        now = exhaust_cap(p, state.exhaust, memory.curve, point, air, limit)
        caps.exhaust_gas_heat = follow_cap(caps.exhaust_gas_heat, now, interval_s)
    elif gas_reading(config, row) * (1.0 - SENSOR_TOLERANCE) > config.gas_limit_degc:
        # A fuelling channel that stands still passes for overrun; the gas shows that it is none.
        caps.exhaust_gas_heat = follow_cap(caps.exhaust_gas_heat, 0.0, interval_s)
    _air_caps(p, caps, state, engine, air_now, air)
    load = engine.fuel_g_s / max(engine.base_fuel_g_s, 1e-9)
    fuel_share = engine.fuel_g_s / p.rated_fuel_g_s
    caps.boost_excess = boost_excess(
        state.boost,
        air_now.charge_measured_kpa - air.ambient_kpa,
        air_now.charge_model_kpa - air.ambient_kpa,
        load,
        config.boost_over_target_kpa,
        interval_s,
    )
    caps.rail_pressure = rail_pressure(
        state.rail,
        row.rail_pressure_mpa,
        fuel_share,
        load,
        config.rail_shortfall_share,
        interval_s,
    )
    caps.service_brake = forbidden_while(row.brake_active)
    caps.exhaust_brake = forbidden_while(row.exhaust_brake_active)
    caps.driver_aid = forbidden_while(row.driver_aid_active)
    caps.regeneration = forbidden_while(row.regeneration_active)
    caps.sway = sway(state.sway, row.speed_m_s, interval_s)
    _gear_caps(config, memory, caps, state, row, engine)
    # While the coolant warms up its sensor must answer; at the thermostat it may well stand still.
    warming, move = THERMOSTAT_SHUT_DEGC - row.coolant_temp_degc, 0.0
    if warming > 0.0:
        move = 0.2 * interval_s * warming / p.coolant_time_s * fuel_share
    trusted, _ = watch_sensor(
        state.coolant_sensor,
        row.coolant_temp_degc,
        -50.0,
        150.0,
        math.nan,
        0.0,
        move,
        interval_s,
        0.0,
    )
    caps.coolant_sensor = 1.0 if trusted else 0.0
    if math.isnan(row.coolant_temp_degc) and trusted:
        warm = state.coolant_sensor.reading_degc >= config.coolant_full_degc
        caps.warm_up = 1.0 if warm else 0.0
    state.rating_held, caps.ratings = ratings(state.rating_held, state.rating_probability)


def _temperature_caps(config: PolicyConfig, caps: Caps, row: Sample) -> None:
    coolant = row.coolant_temp_degc
    caps.warm_up = warm_up(coolant, config.coolant_start_degc, config.coolant_full_degc)
    caps.coolant_heat = over_temperature(
        coolant, config.coolant_reduce_degc, config.coolant_zero_degc
    )
    caps.transmission_oil_heat = over_temperature(
        row.transmission_oil_temp_degc, config.oil_reduce_degc, config.oil_zero_degc
    )
    caps.engine_oil_heat = over_temperature(
        row.engine_oil_temp_degc, config.engine_oil_reduce_degc, config.engine_oil_zero_degc
    )
    caps.charge_air_heat = over_temperature(
        row.intake_temp_degc, config.intake_reduce_degc, config.intake_zero_degc
    )


def _air_caps(
    p: ThermalParameters,
    caps: Caps,
    state: PolicyState,
    engine: EngineNow,
    air_now: AirNow,
    air: Surroundings,
) -> None:
    """Caps of the air-fuel ratio and of the turbocharger's speed."""
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
    most_fuel = flow / (p.stoichiometric_ratio * p.lambda_min * (1.0 + AIR_SHARE_OFF))
    # An engine that burns more than its rig says has less air for it; that it burns less may be the
    # want of air itself.
    richer = max(state.fuel_ratio, 1.0)
    caps.air_fuel_ratio = share_of_fuel(
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
    if p.turbocharged < 0.5:
        most_kpa = math.nan
    caps.turbo_speed = share_of_fuel(most_kpa, at_base, at_all)


def _gear_caps(
    config: PolicyConfig,
    memory: PolicyMemory,
    caps: Caps,
    state: PolicyState,
    row: Sample,
    engine: EngineNow,
) -> None:
    """None in reverse or neutral, no more than the axles bear and the strategy lets through."""
    # A gear signal that passes through neutral in a change is the gear change's matter.
    changing = 0.0 < state.gear_change.under_way_s <= GEAR_CHANGE_LONGEST_S
    caps.reverse_gear = forbidden_while(-row.gear)
    caps.neutral = 0.0 if -0.5 <= row.gear < 0.5 and not changing else 1.0
    ratio = engine.overall_ratio
    if math.isnan(ratio):
        ratio = memory.ratios[0] if row.speed_m_s < 5.0 else memory.ratios[-1]
    caps.axle_torque = axle_torque(
        interpolate(engine.rpm, memory.curve[0], memory.curve[1]),
        interpolate(engine.rpm, memory.curve[0], memory.curve[2]),
        ratio,
        config.axle_torque_max_n_m,
    )
    by_speed, by_gear = memory.grid.speed_limit, memory.grid.gear_limit
    caps.strategy_limit = interpolate(engine.rpm, by_speed[0], by_speed[1])
    if not math.isnan(engine.gear):
        caps.strategy_limit = min(
            caps.strategy_limit, interpolate(engine.gear, by_gear[0], by_gear[1])
        )
