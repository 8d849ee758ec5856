"""One step of the simulated vehicle and the closed loop over a road, compiled.

The force balance is that of :mod:`loadlearn.roadload`; nothing of it is written again here.
"""

from __future__ import annotations

import math

import numpy as np

from loadlearn._compile import jit
from loadlearn.roadload import (
    GRAVITY_M_S2,
    longitudinal_acceleration,
    resisting_force,
    rolling_coefficient,
    rotating_mass,
)
from loadlearn.simulation.driver import drive_pedals
from loadlearn.simulation.plant_state import (
    BRAKE_FORCE,
    BRAKE_SPELL,
    BRAKING,
    DECISION_TIME,
    DEMAND_INTEGRAL,
    DISTANCE,
    DRAG_AREA,
    DRIVELINE_COLD,
    ENGINE_ON,
    ENGINE_SPEED,
    EXHAUST_BRAKE,
    FUEL_BURNT,
    GEAR,
    GEAR_BEFORE,
    LOCKED,
    LOW_RANGE,
    MASS,
    NEXT_STOP,
    NOISE_ACCESSORY,
    NOISE_COLUMNS,
    NOISE_CRUISE,
    NOISE_DRAG_FACTOR,
    NOISE_GUST_ACROSS,
    NOISE_GUST_ALONG,
    NOISE_LIFT,
    NOISE_REGENERATION,
    NOISE_SPEED_OFFSET,
    PEDAL,
    PEDAL_TARGET,
    PHASE,
    PHASE_TIME,
    RECORD_COLUMNS,
    ROAD_ALTITUDE,
    ROAD_BRAKE_SPEED,
    ROAD_COAST_SPEED,
    ROAD_COEFFICIENT,
    ROAD_COLUMNS,
    ROAD_CURVATURE,
    ROAD_DENSITY,
    ROAD_GROUND,
    ROAD_NOMINAL,
    ROAD_SLIP_COMPLIANCE,
    ROAD_TANGENT,
    ROAD_WIND_ACROSS,
    ROAD_WIND_ALONG,
    SHARE,
    SHIFT_TIME,
    SINCE_SHIFT,
    SPEED,
    STOP_DISTANCE,
    STOP_DRAG_AREA,
    STOP_DURATION,
    STOP_ENGINE_OFF,
    STOP_LOW_RANGE,
    STOP_MASS,
    STOP_REVERSE,
    STOP_TYRE_FACTOR,
    TORQUE,
    TYRE_COLD,
    TYRE_FACTOR,
    WHEEL_SLIP,
    DrivelineParameters,
    DriverParameters,
    EngineParameters,
    RoadLoadParameters,
)
from loadlearn.simulation.powertrain import (
    blended_ratio,
    converter_torque_ratio,
    driveline_efficiency,
    friction_torque,
    fuel_for_torque,
    full_load_torque,
    indicated_efficiency,
    interpolate,
    pump_torque,
    tread_force,
    wanted_gear,
)

_FOUR_PI = 4.0 * math.pi
_STANDING = 1.0
_BACKING = 2.0
_BACKING_WAIT_S = 3.0
_BACKING_S = 9.0
_BACKING_SPEED_M_S = 1.3
# Only the part of a tyre's resistance that is its own flexing changes with its temperature; on
# loose ground most of the resistance is the ground's.
_TYRE_SHARE_LIMIT = 0.014


@jit
def lookup(row: np.ndarray, table: np.ndarray, place: float) -> None:
    """Linear interpolation of all columns of ``table`` at a fractional row number, into ``row``."""
    last = table.shape[0] - 1
    lower = int(place)
    if lower < 0:
        lower = 0
    if lower >= last:
        lower = last - 1
    part = min(max(place - lower, 0.0), 1.0)
    for column in range(table.shape[1]):
        row[column] = table[lower, column] + part * (
            table[lower + 1, column] - table[lower, column]
        )


@jit
def stand_or_back(state: np.ndarray, stops: np.ndarray, dt: float, cut_in_share: float) -> bool:
    """Advance a halt by one step; True when its changes (mass, range ...) happen in this step."""
    stop = int(state[NEXT_STOP])
    state[PHASE_TIME] += dt
    state[SPEED] = 0.0
    state[PEDAL] = 0.0
    state[PEDAL_TARGET] = 0.0
    state[DEMAND_INTEGRAL] = 0.0
    state[DECISION_TIME] = 0.0
    state[SHIFT_TIME] = -1.0
    state[LOCKED] = 0.0
    state[SHARE] = 0.0
    state[EXHAUST_BRAKE] = 0.0
    state[WHEEL_SLIP] = 0.0
    if state[PHASE] == _BACKING:
        state[GEAR] = -1.0
        moving = state[PHASE_TIME] - _BACKING_WAIT_S
        if moving > 0.0:
            state[SPEED] = (
                _BACKING_SPEED_M_S * math.sin(math.pi * min(moving / _BACKING_S, 1.0)) ** 2
            )
            state[DISTANCE] -= state[SPEED] * dt
            state[BRAKE_FORCE] = 0.0
        if moving >= _BACKING_S:
            state[PHASE] = _STANDING
            state[PHASE_TIME] = 0.0
            state[SPEED] = 0.0
        return False
    state[GEAR] = 1.0
    state[BRAKE_FORCE] = 0.05 * state[MASS] * GRAVITY_M_S2
    duration = stops[stop, STOP_DURATION]
    off = stops[stop, STOP_ENGINE_OFF] > 0.5
    if off and 1.0 < state[PHASE_TIME] < duration - 2.0:
        state[ENGINE_ON] = 0.0
    else:
        state[ENGINE_ON] = 1.0
    change_at = cut_in_share * duration
    happens = state[PHASE_TIME] >= change_at and state[PHASE_TIME] - dt < change_at
    if happens:
        if not math.isnan(stops[stop, STOP_MASS]):
            state[MASS] = stops[stop, STOP_MASS]
        if not math.isnan(stops[stop, STOP_DRAG_AREA]):
            state[DRAG_AREA] = stops[stop, STOP_DRAG_AREA]
        if not math.isnan(stops[stop, STOP_TYRE_FACTOR]):
            state[TYRE_FACTOR] = stops[stop, STOP_TYRE_FACTOR]
        if not math.isnan(stops[stop, STOP_LOW_RANGE]):
            state[LOW_RANGE] = stops[stop, STOP_LOW_RANGE]
    if state[PHASE_TIME] >= duration:
        state[PHASE] = 0.0
        state[PHASE_TIME] = 0.0
        state[NEXT_STOP] += 1.0
        state[BRAKE_FORCE] = 0.0
        state[BRAKING] = 0.0
        state[SINCE_SHIFT] = 10.0
    return happens


@jit
def shift_gears(
    state: np.ndarray,
    wheel_speed: float,
    tangent: float,
    gears: np.ndarray,
    range_ratio: float,
    dt: float,
    engine: EngineParameters,
    line: DrivelineParameters,
) -> float:
    """Advance the gearbox by one step; returns the ratio now (engine side over wheel side)."""
    gear = int(state[GEAR])
    if state[SHIFT_TIME] >= 0.0:
        state[SHIFT_TIME] += dt
        if state[SHIFT_TIME] >= line.shift_time_s:
            state[SHIFT_TIME] = -1.0
            state[SINCE_SHIFT] = 0.0
    else:
        state[SINCE_SHIFT] += dt
        held = state[BRAKE_SPELL] > 2.5 and tangent < -0.02
        retarding = state[EXHAUST_BRAKE] > 0.5
        braking = state[PEDAL] == 0.0 and (held or retarding) and state[SINCE_SHIFT] > 3.0
        wish = wanted_gear(
            gear, wheel_speed, state[PEDAL], braking, gears, range_ratio, engine, line
        )
        speed_is_fair = wheel_speed * line.tyre_radius_m > 8.0
        pause = 2.5 if wish > gear and speed_is_fair else 0.9
        # No change up while the foot is just coming off.
        lifted = wish > gear and state[PEDAL] < 0.02 and state[SINCE_SHIFT] < 6.0
        if wish != gear and state[SINCE_SHIFT] > pause and not lifted:
            state[GEAR_BEFORE] = float(gear)
            state[GEAR] = float(wish)
            state[SHIFT_TIME] = 0.0
            state[LOCKED] = 0.0
            gear = wish
    after = gears[gear - 1]
    if state[SHIFT_TIME] >= 0.0:
        part = state[SHIFT_TIME] / line.shift_time_s
        after = blended_ratio(gears[int(state[GEAR_BEFORE]) - 1], after, part)
    return after * line.final_drive * range_ratio


@jit
def command_torque(
    state: np.ndarray,
    full_load: float,
    drag: float,
    dt: float,
    engine: EngineParameters,
    line: DrivelineParameters,
) -> None:
    """Move the engine's torque towards what the pedal and the gearbox ask for."""
    speed = state[ENGINE_SPEED]
    pedal = state[PEDAL]
    if pedal >= 0.04:
        wanted = pedal * full_load
    else:
        wanted = -drag + (pedal / 0.04) * (0.04 * full_load + drag)
    if state[EXHAUST_BRAKE] > 0.5 and pedal == 0.0:
        wanted = -drag - engine.exhaust_brake_mep_pa * engine.displacement_m3 / _FOUR_PI
    if state[SHIFT_TIME] >= 0.0:
        part = state[SHIFT_TIME] / line.shift_time_s
        if part < 0.8 and wanted > 0.0:
            wanted *= line.shift_torque_factor
    torque = state[TORQUE]
    if wanted > torque:
        boosted = min(max(torque / max(full_load, 1.0) - 0.4, 0.0), 0.6)
        lag = engine.lag_rise_s + engine.lag_boost_s * boosted
        if state[SHIFT_TIME] >= 0.0:
            lag = engine.lag_rise_s
    else:
        lag = engine.lag_fall_s
    torque += (wanted - torque) * (1.0 - math.exp(-dt / lag))
    state[TORQUE] = min(torque, max(full_load, 0.0))
    if speed < 1.05 * engine.idle_rad_s:
        # Idle governor: quick, and never below what keeps the engine turning.
        hold = (engine.idle_rad_s - speed) * engine.inertia_kg_m2 / 0.15
        state[TORQUE] = max(state[TORQUE], min(hold, 0.6 * engine.peak_torque_n_m))


@jit
def lock_up(
    state: np.ndarray, turbine_speed: float, engine: EngineParameters, line: DrivelineParameters
) -> None:
    """Decide about the converter's lock-up clutch."""
    gear_allows = state[GEAR] >= line.lowest_locked_gear or state[LOW_RANGE] > 0.5
    open_below = 0.86 * line.lock_rad_s
    if state[LOCKED] > 0.5:
        if turbine_speed < open_below or state[SHIFT_TIME] >= 0.0 or state[GEAR] < 1.0:
            state[LOCKED] = 0.0
    elif (
        gear_allows
        and state[SHIFT_TIME] < 0.0
        and state[SINCE_SHIFT] > 0.25
        and turbine_speed > line.lock_rad_s
    ):
        state[LOCKED] = 1.0


@jit
def drive_step(
    state: np.ndarray,
    road: np.ndarray,
    road_ahead: np.ndarray,
    noise: np.ndarray,
    stops: np.ndarray,
    gears: np.ndarray,
    curve: np.ndarray,
    engine: EngineParameters,
    line: DrivelineParameters,
    load: RoadLoadParameters,
    driver: DriverParameters,
    accessory_w: float,
    share_ceiling: float,
    dt: float,
    record: np.ndarray,
) -> None:
    """Advance the vehicle by one step (changes ``state``, fills ``record``).

    Parameters
    ----------
    state : ndarray, shape (STATE_SIZE,)
        See :mod:`loadlearn.simulation.plant_state`.
    road, road_ahead : ndarray, shape (ROAD_COLUMNS,)
        The road here and where the driver looks.
    noise : ndarray, shape (NOISE_COLUMNS,)
        Disturbances now.
    stops : ndarray, shape (n, STOP_COLUMNS)
        Halts.
    gears : ndarray
        Gear ratios, first gear first.
    curve : ndarray, shape (3, n)
        Engine speed (rad/s), base full-load torque, extra torque of the uprated engine (N m).
    engine, line, load, driver
        Parameters.
    accessory_w : float
        Accessory power now (W).
    share_ceiling : float
        Most of the extra torque that may be used (0..1).
    dt : float
        Step (s).
    record : ndarray, shape (RECORD_COLUMNS,)
        Filled with the values at the start of the step; forces are those acting during it.
    """
    range_ratio = line.low_ratio if state[LOW_RANGE] > 0.5 else 1.0
    tangent = road[ROAD_TANGENT]
    cosine = 1.0 / math.sqrt(1.0 + tangent * tangent)
    sine = tangent * cosine
    density = road[ROAD_DENSITY]
    radius = line.tyre_radius_m
    headwind = road[ROAD_WIND_ALONG] + noise[NOISE_GUST_ALONG]
    across = road[ROAD_WIND_ACROSS] + noise[NOISE_GUST_ACROSS]

    happened = False
    halted = state[PHASE] > 0.5
    if halted:
        happened = stand_or_back(state, stops, dt, 0.6)
    speed = state[SPEED]

    # Road load here. Cross wind meets the vehicle at a yaw angle and adds drag.
    yaw = math.atan2(across, max(speed + headwind, 3.0))
    drag_area = state[DRAG_AREA] * (1.0 + load.yaw_drag_per_rad2 * min(yaw * yaw, 0.12))
    drag_area *= noise[NOISE_DRAG_FACTOR]
    factor = state[TYRE_FACTOR]
    ground_coefficient = road[ROAD_COEFFICIENT] * factor
    cold = load.cold_rise * state[TYRE_COLD] * min(ground_coefficient, _TYRE_SHARE_LIMIT)
    coefficient = ground_coefficient + cold
    now = rolling_coefficient(coefficient, load.tyre_speed_slope, speed)
    lateral = speed * speed * road[ROAD_CURVATURE]
    mass = state[MASS]
    curve_force = mass * lateral * lateral / (load.cornering_stiffness_1_rad * GRAVITY_M_S2)

    gear_ratio = gears[0] * line.final_drive * range_ratio
    accel = 0.0
    driving = 0.0
    hub = 0.0
    change = 0.0
    turbine = 0.0
    if halted:
        efficiency = driveline_efficiency(
            state[ENGINE_SPEED], state[DRIVELINE_COLD], engine.rated_rad_s, line
        )
        if state[ENGINE_ON] > 0.5:
            turbine = speed * gear_ratio / radius
            state[ENGINE_SPEED] = max(engine.idle_rad_s, turbine)
            torque, _ = pump_torque(state[ENGINE_SPEED], turbine, engine.idle_rad_s, line)
            if state[PHASE] == _BACKING and speed > 0.0:
                needed = resisting_force(
                    mass, coefficient, drag_area, density, speed, -headwind, -sine, cosine
                )
                torque = max(torque, needed * radius / (gear_ratio * efficiency))
                driving = tread_force(torque, gear_ratio, efficiency, radius)
                hub = driving
            state[TORQUE] = torque
        else:
            state[ENGINE_SPEED] = 0.0
            state[TORQUE] = 0.0
    else:
        # The driver, then gearbox, engine and converter.
        stop = int(state[NEXT_STOP])
        gap = stops[stop, STOP_DISTANCE] - state[DISTANCE]
        ratio_now = gears[int(state[GEAR]) - 1] * line.final_drive * range_ratio
        efficiency = driveline_efficiency(
            state[ENGINE_SPEED], state[DRIVELINE_COLD], engine.rated_rad_s, line
        )
        full_load = full_load_torque(state[ENGINE_SPEED], state[SHARE], curve, density, engine)
        reach = max(full_load, 0.3 * engine.peak_torque_n_m)
        available = reach * ratio_now * efficiency / radius
        ahead_tangent = road_ahead[ROAD_TANGENT]
        ahead_cosine = 1.0 / math.sqrt(1.0 + ahead_tangent * ahead_tangent)
        resisting = resisting_force(
            mass,
            now,
            drag_area,
            density,
            speed,
            headwind,
            ahead_tangent * ahead_cosine,
            ahead_cosine,
        )
        running = max(state[ENGINE_SPEED], 0.5 * engine.idle_rad_s)
        drag = engine.torque_scale * (
            friction_torque(state[ENGINE_SPEED], engine) + accessory_w / running
        )
        drive_pedals(
            state,
            road[ROAD_COAST_SPEED],
            road[ROAD_BRAKE_SPEED],
            road_ahead[ROAD_BRAKE_SPEED],
            gap,
            noise[NOISE_SPEED_OFFSET],
            noise[NOISE_LIFT] > 0.5,
            noise[NOISE_CRUISE] > 0.5 and speed > 12.0 and gap > 400.0,
            resisting,
            available,
            drag * ratio_now / radius if state[PEDAL] == 0.0 else 0.0,
            dt,
            driver,
        )
        # The extra torque rises only while the pedal asks for it, slowly; it leaves quickly.
        wish = share_ceiling * min(max((state[PEDAL] - 0.3) / 0.4, 0.0), 1.0)
        if state[BRAKE_FORCE] > 0.0:
            wish = 0.0
        state[SHARE] += min(max(wish - state[SHARE], -2.0 * dt), 0.25 * dt)

        wheel = speed * (1.0 + state[WHEEL_SLIP]) / radius
        gear_ratio = shift_gears(state, wheel, tangent, gears, range_ratio, dt, engine, line)
        turbine = wheel * gear_ratio
        lock_up(state, turbine, engine, line)
        full_load = full_load_torque(state[ENGINE_SPEED], state[SHARE], curve, density, engine)
        command_torque(state, full_load, drag, dt, engine, line)
        torque = state[TORQUE]
        external = state[BRAKE_FORCE] + curve_force
        if state[LOCKED] > 1.5:
            state[ENGINE_SPEED] = turbine
            driving = tread_force(torque, gear_ratio, efficiency, radius)
            rotating = rotating_mass(
                engine.inertia_kg_m2, line.wheel_inertia_kg_m2, gear_ratio, radius
            )
            accel = longitudinal_acceleration(
                driving - external,
                mass,
                rotating,
                now,
                drag_area,
                density,
                speed,
                headwind,
                sine,
                cosine,
            )
            hub = driving - engine.inertia_kg_m2 * (gear_ratio / radius) ** 2 * accel
        else:
            taken, slope = pump_torque(state[ENGINE_SPEED], turbine, engine.idle_rad_s, line)
            clutch_gain = 0.0
            if state[LOCKED] > 0.5:
                # The clutch closes within a second.
                clutch_gain = 0.1 * engine.peak_torque_n_m * (1.0 + 40.0 * (state[LOCKED] - 1.0))
            slip = state[ENGINE_SPEED] - turbine
            clutch = clutch_gain * slip
            # Implicit in the engine's speed: the converter is stiff near equal speeds.
            change = (
                dt * (torque - taken - clutch) / (engine.inertia_kg_m2 + dt * (slope + clutch_gain))
            )
            speed_ratio = turbine / max(state[ENGINE_SPEED], 20.0)
            input_torque = (
                converter_torque_ratio(speed_ratio, line) * (taken + slope * change)
                + clutch
                + clutch_gain * change
            )
            driving = tread_force(input_torque, gear_ratio, efficiency, radius)
            hub = driving
            rotating = rotating_mass(0.0, line.wheel_inertia_kg_m2, gear_ratio, radius)
            accel = longitudinal_acceleration(
                driving - external,
                mass,
                rotating,
                now,
                drag_area,
                density,
                speed,
                headwind,
                sine,
                cosine,
            )
    engine_speed = state[ENGINE_SPEED]
    torque = state[TORQUE]

    # Fuelling, as burnt and as the log's channel shows it.
    fuel = 0.0
    reported = 0.0
    reported_torque = 0.0
    if state[ENGINE_ON] > 0.5:
        willans_torque = torque / engine.torque_scale
        efficiency_now = indicated_efficiency(willans_torque, engine_speed, engine)
        hidden = 0.0
        if torque > 0.0 and state[SHARE] > 0.0:
            extra = state[SHARE] * interpolate(engine_speed, curve[0], curve[2])
            base = interpolate(engine_speed, curve[0], curve[1])
            hidden = (1.0 - engine.reported_share) * extra / (base + extra)
        reported_torque = willans_torque * (1.0 - hidden)
        if state[EXHAUST_BRAKE] > 0.5 and state[PEDAL] == 0.0:
            fuel = 0.0
            reported = 0.0
        else:
            fuel = fuel_for_torque(
                willans_torque, engine_speed, accessory_w, efficiency_now, engine
            )
            reported = fuel_for_torque(
                reported_torque, engine_speed, accessory_w, efficiency_now, engine
            )
        fuel *= 1.0 + noise[NOISE_REGENERATION]
        reported *= 1.0 + noise[NOISE_REGENERATION]

    record[1] = state[DISTANCE]
    record[2] = speed
    record[3] = accel
    record[4] = engine_speed
    record[5] = torque
    record[6] = fuel
    record[7] = reported
    record[8] = reported_torque
    record[9] = state[GEAR]
    record[10] = 1.0 if state[LOCKED] > 1.5 else 0.0
    record[11] = 1.0 if state[SHIFT_TIME] >= 0.0 else 0.0
    record[12] = state[PEDAL]
    record[13] = state[BRAKE_FORCE]
    record[14] = driving
    record[15] = hub
    record[16] = tangent
    record[17] = road[ROAD_ALTITUDE]
    record[18] = headwind
    record[19] = drag_area
    record[20] = state[DRAG_AREA]
    record[21] = coefficient
    record[22] = road[ROAD_NOMINAL] * factor
    record[23] = road[ROAD_GROUND]
    record[24] = mass
    record[25] = density
    record[26] = state[SHARE]
    record[27] = noise[NOISE_REGENERATION]
    record[28] = state[PHASE]
    record[29] = 1.0 if noise[NOISE_CRUISE] > 0.5 and speed > 12.0 else 0.0
    record[30] = state[EXHAUST_BRAKE]
    record[31] = state[LOW_RANGE]
    record[32] = accessory_w
    record[33] = state[NEXT_STOP] + 1.0 if happened else 0.0
    record[34] = curve_force
    record[35] = state[WHEEL_SLIP]

    # Advance what the forces act on.
    state[FUEL_BURNT] += fuel * dt
    state[MASS] -= fuel * dt * 1e-3
    if not halted:
        faster = max(0.0, speed + accel * dt)
        state[DISTANCE] += 0.5 * (speed + faster) * dt
        state[SPEED] = faster
        weight = mass * GRAVITY_M_S2
        slip_wish = road[ROAD_SLIP_COMPLIANCE] * (hub - state[BRAKE_FORCE]) / weight
        state[WHEEL_SLIP] += (slip_wish - state[WHEEL_SLIP]) * min(dt / 0.2, 1.0)
        if state[LOCKED] < 1.5:
            state[ENGINE_SPEED] = max(state[ENGINE_SPEED] + change, 0.5 * engine.idle_rad_s)
            if state[LOCKED] > 0.5:
                state[LOCKED] = min(state[LOCKED] + dt / 0.8, 1.49)
                if abs(state[ENGINE_SPEED] - turbine) < 0.8 and state[LOCKED] > 1.2:
                    state[LOCKED] = 2.0
        gap = stops[int(state[NEXT_STOP]), STOP_DISTANCE] - state[DISTANCE]
        if gap < 0.3 or (gap < 4.0 and faster < 0.05 and state[BRAKING] > 0.5):
            state[PHASE] = (
                _BACKING if stops[int(state[NEXT_STOP]), STOP_REVERSE] > 0.5 else _STANDING
            )
            state[PHASE_TIME] = 0.0
    warming = 1.0 if speed > 3.0 else -0.3
    rate = dt / load.cold_time_s
    if warming > 0.0:
        state[TYRE_COLD] -= state[TYRE_COLD] * rate * min(speed / 15.0, 1.3)
    else:
        state[TYRE_COLD] += 0.3 * (1.0 - state[TYRE_COLD]) * rate
    if state[ENGINE_ON] > 0.5 and speed > 0.0:
        state[DRIVELINE_COLD] -= state[DRIVELINE_COLD] * dt / line.cold_time_s


@jit
def drive_loop(
    state: np.ndarray,
    steps: int,
    dt: float,
    road_table: np.ndarray,
    road_grid_m: float,
    noise_table: np.ndarray,
    noise_step_s: float,
    accessory_mean_w: float,
    stops: np.ndarray,
    gears: np.ndarray,
    curve: np.ndarray,
    engine: EngineParameters,
    line: DrivelineParameters,
    load: RoadLoadParameters,
    driver: DriverParameters,
    records: np.ndarray,
) -> int:
    """Drive until the steps are used up or the vehicle stands at the end; returns steps done."""
    road = np.empty(ROAD_COLUMNS)
    ahead = np.empty(ROAD_COLUMNS)
    noise = np.empty(NOISE_COLUMNS)
    record = np.zeros(RECORD_COLUMNS)
    last_stop = stops.shape[0] - 1
    for step in range(steps):
        time = step * dt
        lookup(road, road_table, state[DISTANCE] / road_grid_m)
        lookup(ahead, road_table, (state[DISTANCE] + 1.2 * state[SPEED]) / road_grid_m)
        lookup(noise, noise_table, time / noise_step_s)
        nearest = int(state[DISTANCE] / road_grid_m + 0.5)
        road[ROAD_GROUND] = road_table[min(nearest, road_table.shape[0] - 1), ROAD_GROUND]
        accessory = max(100.0, accessory_mean_w + 1000.0 * noise[NOISE_ACCESSORY])
        record[0] = time
        drive_step(
            state,
            road,
            ahead,
            noise,
            stops,
            gears,
            curve,
            engine,
            line,
            load,
            driver,
            accessory,
            engine.share_ceiling,
            dt,
            record,
        )
        for column in range(RECORD_COLUMNS):
            records[step, column] = record[column]
        at_end = state[PHASE] == _STANDING and int(state[NEXT_STOP]) == last_stop
        if at_end and state[PHASE_TIME] > 5.0:
            return step + 1
    return steps
