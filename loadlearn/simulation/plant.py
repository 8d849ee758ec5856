"""One step of the simulated vehicle and the closed loop over a road, compiled.

The force balance is that of :mod:`loadlearn.vehicle.roadload`; nothing of it is written again here.
"""

from __future__ import annotations

import math

import numpy as np

from loadlearn._compile import jit
from loadlearn.simulation.driver import drive_pedals
from loadlearn.simulation.halts import (
    BACKING,
    STANDING,
    stand_or_back,
)
from loadlearn.simulation.plant_state import (
    BRAKE_FORCE,
    BRAKING,
    DISTANCE,
    DRAG_AREA,
    DRIVELINE_COLD,
    ENGINE_ON,
    ENGINE_SPEED,
    EXHAUST_BRAKE,
    FUEL_BURNT,
    GEAR,
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
    ROAD_PRESSURE,
    ROAD_SLIP_COMPLIANCE,
    ROAD_TANGENT,
    ROAD_TEMPERATURE,
    ROAD_WIND_ACROSS,
    ROAD_WIND_ALONG,
    SHARE,
    SHIFT_TIME,
    SPEED,
    STOP_DISTANCE,
    STOP_REVERSE,
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
    converter_torque_ratio,
    driveline_efficiency,
    friction_torque,
    fuel_for_torque,
    full_load_torque,
    indicated_efficiency,
    interpolate,
    pump_torque,
    torque_for_fuel,
    tread_force,
)
from loadlearn.simulation.thermal import (
    AFTER_SENSOR,
    AIR_G_S,
    CHARGE_KPA,
    COOLANT,
    ENGINE_OIL,
    GAS,
    GAS_SENSOR,
    GEARBOX_OIL,
    INTAKE,
    LAMBDA,
    RAIL_MPA,
    ThermalParameters,
    fuel_ceiling,
    heat_step,
)
from loadlearn.simulation.transmission import (
    command_torque,
    lock_up,
    shift_gears,
)
from loadlearn.vehicle.roadload import (
    GRAVITY_M_S2,
    cornering_resistance,
    longitudinal_acceleration,
    resisting_force,
    rolling_coefficient,
    rotating_mass,
)

# Only the part of a tyre's resistance that is its own flexing changes with its temperature; on
# loose ground most of the resistance is the ground's.
_TYRE_SHARE_LIMIT = 0.014
# Trailers rest about a tenth of their weight on the coupling (common practice, no source).
_COUPLING_SHARE = 0.1


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
def drive_step(
    state: np.ndarray,
    heat: np.ndarray,
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
    thermal: ThermalParameters,
    accessory_w: float,
    share_ceiling: float,
    economy: float,
    shift_factor: float,
    dt: float,
    record: np.ndarray,
) -> None:
    """Advance the vehicle by one step (changes ``state``, fills ``record``).

    Parameters
    ----------
    state : ndarray, shape (STATE_SIZE,)
        See :mod:`loadlearn.simulation.plant_state`.
    heat : ndarray, shape (HEAT_SIZE,)
        See :mod:`loadlearn.simulation.thermal`.
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
    engine, line, load, driver, thermal
        Parameters.
    accessory_w : float
        Accessory power now (W).
    share_ceiling : float
        Most of the extra torque that may be used (0..1).
    economy : float
        How far demand is restrained (0..1): pedal slope over the lower 70 % of its travel, rate of
        torque rise, speed on climbs under cruise control.
    shift_factor : float
        Share of the driving torque kept in a gear change; the gearbox's own reduction holds too.
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
    mass = state[MASS]
    squared = road[ROAD_CURVATURE] * road[ROAD_CURVATURE]
    curve_force = cornering_resistance(speed, squared, load.cornering_stiffness_1_rad)
    curve_force *= mass * GRAVITY_M_S2

    gear_ratio = gears[0] * line.final_drive * range_ratio
    accel = 0.0
    driving = 0.0
    hub = 0.0
    change = 0.0
    turbine = 0.0
    slip_w = 0.0
    loss_w = 0.0
    if halted:
        efficiency = driveline_efficiency(
            state[ENGINE_SPEED], state[DRIVELINE_COLD], engine.rated_rad_s, line
        )
        if state[ENGINE_ON] > 0.5:
            turbine = speed * gear_ratio / radius
            state[ENGINE_SPEED] = max(engine.idle_rad_s, turbine)
            torque, _ = pump_torque(state[ENGINE_SPEED], turbine, engine.idle_rad_s, line)
            if state[PHASE] == BACKING and speed > 0.0:
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
        full_load = full_load_torque(state[ENGINE_SPEED], state[SHARE], curve, engine)
        reach = max(full_load, 0.3 * engine.peak_torque_n_m)
        available = reach * ratio_now * efficiency / radius
        ahead_tangent = road_ahead[ROAD_TANGENT]
        ahead_cosine = 1.0 / math.sqrt(1.0 + ahead_tangent * ahead_tangent)
        # The driver sees the grade and the kind of ground ahead and knows the wind; its fine
        # unevenness, gusts and slipstreams show in the speed only.
        foreseen = rolling_coefficient(
            road_ahead[ROAD_NOMINAL] * factor + cold, load.tyre_speed_slope, speed
        )
        resisting = resisting_force(
            mass,
            foreseen,
            state[DRAG_AREA],
            density,
            speed,
            road[ROAD_WIND_ALONG],
            ahead_tangent * ahead_cosine,
            ahead_cosine,
        )
        running = max(state[ENGINE_SPEED], 0.5 * engine.idle_rad_s)
        drag = engine.torque_scale * (
            friction_torque(state[ENGINE_SPEED], engine) + accessory_w / running
        )
        cruising = noise[NOISE_CRUISE] > 0.5 and speed > 12.0 and gap > 400.0
        droop = 0.0
        if cruising:
            # 4 km/h at most, from 1 % of climb on, all of it from 3 %.
            droop = economy * (4.0 / 3.6) * min(max((tangent - 0.01) / 0.02, 0.0), 1.0)
        drive_pedals(
            state,
            road[ROAD_COAST_SPEED] - droop,
            road[ROAD_BRAKE_SPEED],
            road_ahead[ROAD_BRAKE_SPEED],
            gap,
            noise[NOISE_SPEED_OFFSET],
            noise[NOISE_LIFT] > 0.5,
            cruising,
            resisting,
            available,
            drag * ratio_now / radius if state[PEDAL] == 0.0 else 0.0,
            economy,
            dt,
            driver,
        )
        # The extra torque rises only while the pedal asks for it, slowly; it leaves quickly.
        wish = share_ceiling * min(max((state[PEDAL] - 0.3) / 0.4, 0.0), 1.0)
        if state[BRAKE_FORCE] > 0.0:
            wish = 0.0
        state[SHARE] += min(max(wish - state[SHARE], -2.0 * dt), 0.25 * dt)

        wheel = speed * (1.0 + state[WHEEL_SLIP]) / radius
        gear_ratio = shift_gears(
            state, wheel, tangent, gears, range_ratio, economy, dt, engine, line
        )
        turbine = wheel * gear_ratio
        lock_up(state, turbine, engine, line)
        full_load = full_load_torque(state[ENGINE_SPEED], state[SHARE], curve, engine)
        base_torque = interpolate(state[ENGINE_SPEED], curve[0], curve[1])
        extra_part = interpolate(state[ENGINE_SPEED], curve[0], curve[2]) / base_torque
        fuel_most = fuel_ceiling(
            heat,
            state[ENGINE_SPEED],
            state[SHARE],
            extra_part,
            fuel_for_torque(base_torque, state[ENGINE_SPEED], 0.0, engine.efficiency, engine),
            road[ROAD_PRESSURE],
            thermal,
        )
        air_limit = torque_for_fuel(fuel_most, state[ENGINE_SPEED], accessory_w, engine)
        command_torque(state, full_load, air_limit, drag, economy, shift_factor, dt, engine, line)
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
            pump = taken + slope * change
            slip_w = max(pump * state[ENGINE_SPEED] + clutch * slip - input_torque * turbine, 0.0)
            slip_w = min(slip_w, abs(torque) * state[ENGINE_SPEED])
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
    record[36] = road[ROAD_TEMPERATURE]
    record[37] = road[ROAD_PRESSURE]
    record[38] = heat[GAS]
    record[39] = heat[GAS_SENSOR]
    record[40] = heat[AFTER_SENSOR]
    record[41] = heat[COOLANT]
    record[42] = heat[GEARBOX_OIL]
    record[43] = heat[ENGINE_OIL]
    record[44] = heat[INTAKE]
    record[45] = heat[CHARGE_KPA] - road[ROAD_PRESSURE]
    record[46] = heat[AIR_G_S]
    record[47] = heat[RAIL_MPA]
    record[48] = heat[LAMBDA]
    record[49] = slip_w

    through = abs(hub) * speed
    loss_w = through * (1.0 - line.efficiency)
    base_torque = interpolate(engine_speed, curve[0], curve[1])
    late = fuel * noise[NOISE_REGENERATION] / (1.0 + noise[NOISE_REGENERATION])
    heat_step(
        heat,
        fuel - late,
        late,
        fuel_for_torque(base_torque, engine_speed, 0.0, engine.efficiency, engine),
        engine_speed,
        slip_w,
        loss_w,
        speed,
        road[ROAD_TEMPERATURE],
        road[ROAD_PRESSURE],
        dt,
        thermal,
    )

    # Advance what the forces act on.
    state[FUEL_BURNT] += fuel * dt
    state[MASS] -= fuel * dt * 1e-3
    if not halted:
        faster = max(0.0, speed + accel * dt)
        state[DISTANCE] += 0.5 * (speed + faster) * dt
        state[SPEED] = faster
        # All wheels brake; those that drive are pressed down by the tow vehicle and the coupling.
        driven = load.tow_vehicle_mass_kg
        driven += _COUPLING_SHARE * max(mass - driven, 0.0)
        slip_wish = hub / (driven * GRAVITY_M_S2) - state[BRAKE_FORCE] / (mass * GRAVITY_M_S2)
        slip_wish *= road[ROAD_SLIP_COMPLIANCE]
        state[WHEEL_SLIP] += (slip_wish - state[WHEEL_SLIP]) * min(dt / 0.2, 1.0)
        if state[LOCKED] < 1.5:
            state[ENGINE_SPEED] = max(state[ENGINE_SPEED] + change, 0.5 * engine.idle_rad_s)
            if state[LOCKED] > 0.5:
                state[LOCKED] = min(state[LOCKED] + dt / 0.8, 1.49)
                if abs(state[ENGINE_SPEED] - turbine) < 0.8 and state[LOCKED] > 1.2:
                    state[LOCKED] = 2.0
        gap = stops[int(state[NEXT_STOP]), STOP_DISTANCE] - state[DISTANCE]
        if gap < 0.3 or (gap < 4.0 and faster < 0.05 and state[BRAKING] > 0.5):
            state[PHASE] = BACKING if stops[int(state[NEXT_STOP]), STOP_REVERSE] > 0.5 else STANDING
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
def look_around(
    state: np.ndarray,
    road_table: np.ndarray,
    road_grid_m: float,
    noise_table: np.ndarray,
    noise_place: float,
    road: np.ndarray,
    ahead: np.ndarray,
    noise: np.ndarray,
) -> None:
    """Road here, road a little ahead and surroundings now, into the last three rows.

    The ground is that of the nearest point of the road's grid: kinds of ground do not blend.
    """
    lookup(road, road_table, state[DISTANCE] / road_grid_m)
    lookup(ahead, road_table, (state[DISTANCE] + 1.2 * state[SPEED]) / road_grid_m)
    lookup(noise, noise_table, noise_place)
    nearest = int(state[DISTANCE] / road_grid_m + 0.5)
    road[ROAD_GROUND] = road_table[min(nearest, road_table.shape[0] - 1), ROAD_GROUND]


@jit
def drive_loop(
    state: np.ndarray,
    heat: np.ndarray,
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
    thermal: ThermalParameters,
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
        look_around(
            state, road_table, road_grid_m, noise_table, time / noise_step_s, road, ahead, noise
        )
        accessory = max(100.0, accessory_mean_w + 1000.0 * noise[NOISE_ACCESSORY])
        record[0] = time
        drive_step(
            state,
            heat,
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
            thermal,
            accessory,
            engine.share_ceiling,
            0.0,
            1.0,
            dt,
            record,
        )
        for column in range(RECORD_COLUMNS):
            records[step, column] = record[column]
        at_end = state[PHASE] == STANDING and int(state[NEXT_STOP]) == last_stop
        if at_end and state[PHASE_TIME] > 5.0:
            return step + 1
    return steps
