"""Control of the simulated powertrain: shifts, lock-up clutch, the engine's torque command."""

from __future__ import annotations

import math

import numpy as np

from loadlearn.simulation.plant_state import DrivelineParameters, EngineParameters, PlantState
from loadlearn.simulation.powertrain import (
    blended_ratio,
    wanted_gear,
)

_FOUR_PI = 4.0 * math.pi


def interpreted_pedal(pedal: float, economy: float) -> float:
    """What the pedal asks for (0..1) after the economy map.

    Flatter by a quarter at most over the lower 70 % of travel, steeper above: all of the travel
    still asks for all of the torque. Torque command and shift logic both read this, as a gearbox
    reads the engine's interpreted demand: read from the foot itself, a flattened pedal would hold
    lower gears.
    """
    flat = 1.0 - 0.25 * economy
    if pedal <= 0.7:
        return pedal * flat
    return 0.7 * flat + (pedal - 0.7) * (1.0 - 0.7 * flat) / 0.3


def pedal_asking(demand: float, economy: float) -> float:
    """The pedal (0..1) with which that much is asked for: inverse of :func:`interpreted_pedal`."""
    if economy <= 0.0:
        return demand
    flat = 1.0 - 0.25 * economy
    if demand <= 0.7 * flat:
        return demand / flat
    return min(0.7 + (demand - 0.7 * flat) * 0.3 / (1.0 - 0.7 * flat), 1.0)


def shift_gears(
    state: PlantState,
    wheel_speed: float,
    tangent: float,
    gears: np.ndarray,
    range_ratio: float,
    economy: float,
    dt: float,
    engine: EngineParameters,
    line: DrivelineParameters,
) -> float:
    """Advance the gearbox by one step; returns the ratio now (engine side over wheel side)."""
    gear = int(state.gear)
    if state.shift_time_s >= 0.0:
        state.shift_time_s += dt
        if state.shift_time_s >= line.shift_time_s:
            state.shift_time_s = -1.0
            state.since_shift_s = 0.0
    else:
        state.since_shift_s += dt
        held = state.brake_spell_s > 2.5 and tangent < -0.02
        retarding = state.exhaust_brake > 0.5
        braking = state.pedal == 0.0 and (held or retarding) and state.since_shift_s > 3.0
        asked = interpreted_pedal(state.pedal, economy)
        wish = wanted_gear(gear, wheel_speed, asked, braking, gears, range_ratio, engine, line)
        speed_is_fair = wheel_speed * line.tyre_radius_m > 8.0
        pause = 2.5 if wish > gear and speed_is_fair else 0.9
        # No change up while the foot is just coming off.
        lifted = wish > gear and state.pedal < 0.02 and state.since_shift_s < 6.0
        if wish != gear and state.since_shift_s > pause and not lifted:
            state.gear_before = float(gear)
            state.gear = float(wish)
            state.shift_time_s = 0.0
            state.locked = 0.0
            gear = wish
    after = gears[gear - 1]
    if state.shift_time_s >= 0.0:
        part = state.shift_time_s / line.shift_time_s
        after = blended_ratio(gears[int(state.gear_before) - 1], after, part)
    return after * line.final_drive * range_ratio


def command_torque(
    state: PlantState,
    full_load: float,
    air_limit: float,
    drag: float,
    economy: float,
    shift_factor: float,
    dt: float,
    engine: EngineParameters,
    line: DrivelineParameters,
) -> None:
    """Move the engine's torque towards what the pedal and the gearbox ask for.

    ``air_limit`` is the torque for which there is air. ``economy`` flattens the pedal and slows
    the rise of torque; ``shift_factor`` is the share of the driving torque that may stay in a gear
    change.
    """
    speed = state.engine_speed_rad_s
    pedal = interpreted_pedal(state.pedal, economy)
    if pedal >= 0.04:
        wanted = pedal * full_load
    else:
        wanted = -drag + (pedal / 0.04) * (0.04 * full_load + drag)
    if state.exhaust_brake > 0.5 and pedal == 0.0:
        wanted = -drag - engine.exhaust_brake_mep_pa * engine.displacement_m3 / _FOUR_PI
    if state.shift_time_s >= 0.0:
        part = state.shift_time_s / line.shift_time_s
        if part < 0.8 and wanted > 0.0:
            wanted *= min(line.shift_torque_factor, shift_factor)
    wanted = min(wanted, max(air_limit, 0.05 * full_load))
    torque = state.torque_n_m
    if wanted > torque:
        boosted = min(max(torque / max(full_load, 1.0) - 0.4, 0.0), 0.6)
        lag = engine.lag_rise_s + engine.lag_boost_s * boosted
        if state.shift_time_s >= 0.0:
            lag = engine.lag_rise_s
        lag /= 1.0 - 0.7 * economy
    else:
        lag = engine.lag_fall_s
    torque += (wanted - torque) * (1.0 - math.exp(-dt / lag))
    state.torque_n_m = min(torque, max(full_load, 0.0))
    if speed < 1.05 * engine.idle_rad_s:
        # Idle governor: quick, and never below what keeps the engine turning.
        hold = (engine.idle_rad_s - speed) * engine.inertia_kg_m2 / 0.15
        state.torque_n_m = max(state.torque_n_m, min(hold, 0.6 * engine.peak_torque_n_m))


def lock_up(
    state: PlantState, turbine_speed: float, engine: EngineParameters, line: DrivelineParameters
) -> None:
    """Decide about the converter's lock-up clutch."""
    gear_allows = state.gear >= line.lowest_locked_gear or state.low_range > 0.5
    open_below = 0.86 * line.lock_rad_s
    if state.locked > 0.5:
        if turbine_speed < open_below or state.shift_time_s >= 0.0 or state.gear < 1.0:
            state.locked = 0.0
    elif (
        gear_allows
        and state.shift_time_s < 0.0
        and state.since_shift_s > 0.25
        and turbine_speed > line.lock_rad_s
    ):
        state.locked = 1.0
