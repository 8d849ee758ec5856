"""One step of the simulated vehicle and the closed loop over a road, compiled.

The force balance is that of :mod:`loadlearn.vehicle.roadload`; nothing of it is written again here.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.simulation.driver import drive_pedals
from loadlearn.simulation.halts import (
    BACKING,
    STANDING,
    stand_or_back,
)
from loadlearn.simulation.plant_state import (
    ROAD_COLUMNS,
    Disturbances,
    DrivelineParameters,
    DriverParameters,
    EngineParameters,
    Halt,
    PlantState,
    Record,
    RoadHere,
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
from loadlearn.simulation.thermal import HeatState, ThermalParameters, fuel_ceiling, heat_step
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
_GROUND = ROAD_COLUMNS.index("ground")


class Plant(NamedTuple):
    """Parameters of the vehicle and its driver; one record of it serves compiled code."""

    engine: EngineParameters
    line: DrivelineParameters
    load: RoadLoadParameters
    driver: DriverParameters
    thermal: ThermalParameters


class Course(NamedTuple):
    """Tables that the loop reads, and rows of them where and when the vehicle is.

    Attributes
    ----------
    road_table, noise_table : ndarray, shape (n, fields of RoadHere), (m, fields of Disturbances)
        On even grids of distance and time.
    road_grid_m, noise_step_s : float
    halts : ndarray of Halt, shape (k,)
    gears, curve : ndarray
        Gear ratios, first gear first; engine speed (rad/s), base full-load torque, extra torque of
        the uprated engine (N m), shape (3, n).
    accessory_w : float
        Mean accessory power (W).
    here_row, ahead_row, noise_row : ndarray
        Numbers of the rows below.
    here, ahead : RoadHere
        The road here and where the driver looks.
    noise : Disturbances
    """

    road_table: NDArray[np.float64]
    noise_table: NDArray[np.float64]
    road_grid_m: float
    noise_step_s: float
    halts: NDArray[Any]
    gears: NDArray[np.float64]
    curve: NDArray[np.float64]
    accessory_w: float
    here_row: NDArray[np.float64]
    ahead_row: NDArray[np.float64]
    noise_row: NDArray[np.float64]
    here: RoadHere
    ahead: RoadHere
    noise: Disturbances


def lay_course(
    road: NDArray[Any],
    road_grid_m: float,
    noise: NDArray[Any],
    noise_step_s: float,
    halts: NDArray[Any],
    gears: NDArray[np.float64],
    curve: NDArray[np.float64],
    accessory_w: float,
) -> Course:
    """A course from its tables.

    Parameters
    ----------
    road, noise, halts : ndarray of RoadHere, Disturbances, Halt
    road_grid_m, noise_step_s : float
    gears, curve, accessory_w
        As in :class:`Course`.
    """
    here, ahead = np.zeros((2, 1), dtype=road.dtype)
    now = np.zeros(1, dtype=noise.dtype)
    return Course(
        road.view(np.float64).reshape(road.size, -1),
        noise.view(np.float64).reshape(noise.size, -1),
        road_grid_m,
        noise_step_s,
        halts,
        gears,
        curve,
        accessory_w,
        here.view(np.float64),
        ahead.view(np.float64),
        now.view(np.float64),
        here.view(np.recarray)[0],
        ahead.view(np.recarray)[0],
        now.view(np.recarray)[0],
    )


class Place(NamedTuple):
    """Where and when the vehicle is."""

    here: RoadHere
    ahead: RoadHere
    """Where the driver looks."""
    noise: Disturbances
    stop: Halt
    """The next, or the one at which the vehicle stands."""


class Advised(NamedTuple):
    """What a strategy asks of the vehicle; at first, or without one, nothing.

    Attributes
    ----------
    share_ceiling : float
        Most of the extra torque that may be used (0..1).
    economy : float
        How far demand is restrained (0..1): pedal slope over the lower 70 % of its travel, rate of
        torque rise, speed on climbs under cruise control.
    torque_factor : float
        Share of the driving torque kept in a gear change; the gearbox's own reduction holds too.
    """

    share_ceiling: float
    economy: float
    torque_factor: float


def lookup(row: NDArray[np.float64], table: NDArray[np.float64], place: float) -> None:
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


class Resistance(NamedTuple):
    """The road load where the vehicle is."""

    sine: float
    cosine: float
    headwind_m_s: float
    drag_area_m2: float
    """Cross wind and slipstream included."""
    cold: float
    """What cold tyres add to the coefficient."""
    coefficient: float
    """At 20 m/s."""
    coefficient_now: float
    curve_force_n: float


class Motion(NamedTuple):
    """What the powertrain does to the vehicle during one step."""

    accel_m_s2: float
    driving_n: float
    """The engine's torque through the driveline."""
    hub_n: float
    """The same, the engine's own inertia paid."""
    engine_change_rad_s: float
    """Change of engine speed while the converter is open."""
    turbine_rad_s: float
    slip_w: float
    """Power lost in the converter."""


class Fuelling(NamedTuple):
    """Fuel as burnt, and as the log's channels show it."""

    burnt_g_s: float
    reported_g_s: float
    reported_torque_n_m: float


def resist(
    load: RoadLoadParameters, state: PlantState, here: RoadHere, noise: Disturbances
) -> Resistance:
    """Road load here. Cross wind meets the vehicle at a yaw angle and adds drag."""
    cosine = 1.0 / math.sqrt(1.0 + here.tangent * here.tangent)
    headwind = here.wind_along_m_s + noise.gust_along_m_s
    across = here.wind_across_m_s + noise.gust_across_m_s
    speed = state.speed_m_s
    yaw = math.atan2(across, max(speed + headwind, 3.0))
    drag_area = state.drag_area_m2 * (1.0 + load.yaw_drag_per_rad2 * min(yaw * yaw, 0.12))
    drag_area *= noise.drag_factor
    ground_coefficient = here.coefficient * state.tyre_factor
    cold = load.cold_rise * state.tyre_cold * min(ground_coefficient, _TYRE_SHARE_LIMIT)
    coefficient = ground_coefficient + cold
    squared = here.curvature_1_m * here.curvature_1_m
    curve_force = cornering_resistance(speed, squared, load.cornering_stiffness_1_rad)
    return Resistance(
        here.tangent * cosine,
        cosine,
        headwind,
        drag_area,
        cold,
        coefficient,
        rolling_coefficient(coefficient, load.tyre_speed_slope, speed),
        curve_force * (state.mass_kg * GRAVITY_M_S2),
    )


def stand(
    p: Plant,
    state: PlantState,
    against: Resistance,
    density_kg_m3: float,
    first_gear: float,
    range_ratio: float,
) -> Motion:
    """Engine and converter while the vehicle stands or is backed."""
    engine, line = p.engine, p.line
    if state.engine_on < 0.5:
        state.engine_speed_rad_s = state.torque_n_m = 0.0
        return Motion(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    speed, radius = state.speed_m_s, line.tyre_radius_m
    gear_ratio = first_gear * line.final_drive * range_ratio
    efficiency = driveline_efficiency(
        state.engine_speed_rad_s, state.driveline_cold, engine.rated_rad_s, line
    )
    turbine = speed * gear_ratio / radius
    state.engine_speed_rad_s = max(engine.idle_rad_s, turbine)
    torque, _ = pump_torque(state.engine_speed_rad_s, turbine, engine.idle_rad_s, line)
    driving = 0.0
    if state.phase == BACKING and speed > 0.0:
        needed = resisting_force(
            state.mass_kg,
            against.coefficient,
            against.drag_area_m2,
            density_kg_m3,
            speed,
            -against.headwind_m_s,
            -against.sine,
            against.cosine,
        )
        torque = max(torque, needed * radius / (gear_ratio * efficiency))
        driving = tread_force(torque, gear_ratio, efficiency, radius)
    state.torque_n_m = torque
    return Motion(0.0, driving, driving, 0.0, turbine, 0.0)


def ask_driver(
    p: Plant,
    state: PlantState,
    place: Place,
    against: Resistance,
    full_load_n_m: float,
    ratio_now: float,
    efficiency: float,
    drag_n_m: float,
    advised: Advised,
    dt: float,
) -> None:
    """Pedals, brake, and the share of the extra torque that the pedal asks for.

    The driver sees the grade and the kind of ground ahead and knows the wind; its fine unevenness,
    gusts and slipstreams show in the speed only.
    """
    here, ahead, noise = place.here, place.ahead, place.noise
    speed, radius = state.speed_m_s, p.line.tyre_radius_m
    gap = place.stop.distance_m - state.distance_m
    reach = max(full_load_n_m, 0.3 * p.engine.peak_torque_n_m)
    ahead_cosine = 1.0 / math.sqrt(1.0 + ahead.tangent * ahead.tangent)
    foreseen = rolling_coefficient(
        ahead.nominal_coefficient * state.tyre_factor + against.cold,
        p.load.tyre_speed_slope,
        speed,
    )
    resisting = resisting_force(
        state.mass_kg,
        foreseen,
        state.drag_area_m2,
        here.density_kg_m3,
        speed,
        here.wind_along_m_s,
        ahead.tangent * ahead_cosine,
        ahead_cosine,
    )
    cruising = noise.cruise > 0.5 and speed > 12.0 and gap > 400.0
    droop = 0.0
    if cruising:
        # 4 km/h at most, from 1 % of climb on, all of it from 3 %.
        droop = advised.economy * (4.0 / 3.6) * min(max((here.tangent - 0.01) / 0.02, 0.0), 1.0)
    drive_pedals(
        state,
        here.coast_speed_m_s - droop,
        here.brake_speed_m_s,
        ahead.brake_speed_m_s,
        gap,
        noise.speed_offset,
        noise.lift > 0.5,
        cruising,
        resisting,
        reach * ratio_now * efficiency / radius,
        drag_n_m * ratio_now / radius if state.pedal == 0.0 else 0.0,
        advised.economy,
        dt,
        p.driver,
        noise.pedal_pulse,
    )
    # The extra torque rises only while the pedal asks for it, slowly; it leaves quickly.
    wish = advised.share_ceiling * min(max((state.pedal - 0.3) / 0.4, 0.0), 1.0)
    if state.brake_force_n > 0.0:
        wish = 0.0
    state.share += min(max(wish - state.share, -2.0 * dt), 0.25 * dt)


def pull(
    p: Plant,
    gears: NDArray[np.float64],
    curve: NDArray[np.float64],
    state: PlantState,
    heat: HeatState,
    place: Place,
    against: Resistance,
    range_ratio: float,
    accessory_w: float,
    advised: Advised,
    dt: float,
) -> Motion:
    """Driver, gearbox, engine and converter, and the acceleration that comes of them."""
    engine, line, here = p.engine, p.line, place.here
    radius = line.tyre_radius_m
    efficiency = driveline_efficiency(
        state.engine_speed_rad_s, state.driveline_cold, engine.rated_rad_s, line
    )
    if line.gear_efficiency_step != 0.0:
        efficiency *= 1.0 + line.gear_efficiency_step * (1.0 - 2.0 * (state.gear % 2.0))
    running = max(state.engine_speed_rad_s, 0.5 * engine.idle_rad_s)
    drag = engine.torque_scale * (
        friction_torque(state.engine_speed_rad_s, engine) + accessory_w / running
    )
    ratio_now = gears[int(state.gear) - 1] * line.final_drive * range_ratio
    full_load = full_load_torque(state.engine_speed_rad_s, state.share, curve, engine)
    ask_driver(p, state, place, against, full_load, ratio_now, efficiency, drag, advised, dt)
    wheel = state.speed_m_s * (1.0 + state.wheel_slip) / radius
    gear_ratio = shift_gears(
        state, wheel, here.tangent, gears, range_ratio, advised.economy, dt, engine, line
    )
    turbine = wheel * gear_ratio
    lock_up(state, turbine, engine, line)
    full_load = full_load_torque(state.engine_speed_rad_s, state.share, curve, engine)
    base_torque = interpolate(state.engine_speed_rad_s, curve[0], curve[1])
    extra_part = interpolate(state.engine_speed_rad_s, curve[0], curve[2]) / base_torque
    fuel_most = fuel_ceiling(
        heat,
        state.engine_speed_rad_s,
        state.share,
        extra_part,
        fuel_for_torque(base_torque, state.engine_speed_rad_s, 0.0, engine.efficiency, engine),
        here.pressure_kpa,
        p.thermal,
    )
    air_limit = torque_for_fuel(fuel_most, state.engine_speed_rad_s, accessory_w, engine)
    command_torque(
        state,
        full_load,
        air_limit,
        drag,
        advised.economy,
        advised.torque_factor,
        dt,
        engine,
        line,
    )
    change, slip_w, inertia = 0.0, 0.0, 0.0
    if state.locked > 1.5:
        state.engine_speed_rad_s = turbine
        inertia = engine.inertia_kg_m2
        driving = tread_force(state.torque_n_m, gear_ratio, efficiency, radius)
        if line.lockup_slip > 0.0:
            inertia, input_torque, slip_w = slip_lock_up(p, state, turbine, dt)
            driving = tread_force(input_torque, gear_ratio, efficiency, radius)
    else:
        state.lockup_slip = 0.0
        change, input_torque, slip_w = slip_converter(p, state, turbine, dt)
        driving = tread_force(input_torque, gear_ratio, efficiency, radius)
    accel = longitudinal_acceleration(
        driving - (state.brake_force_n + against.curve_force_n),
        state.mass_kg,
        rotating_mass(inertia, line.wheel_inertia_kg_m2, gear_ratio, radius),
        against.coefficient_now,
        against.drag_area_m2,
        here.density_kg_m3,
        state.speed_m_s,
        against.headwind_m_s,
        against.sine,
        against.cosine,
    )
    hub = driving - inertia * (gear_ratio / radius) ** 2 * accel
    return Motion(accel, driving, hub, change, turbine, slip_w)


def slip_lock_up(
    p: Plant, state: PlantState, turbine_rad_s: float, dt: float
) -> tuple[float, float, float]:
    """The closed lock-up clutch slips in proportion to torque, all of it from a quarter load on.

    Returns the engine's inertia as the turbine feels it (kg m^2), the torque into the gearbox
    (N m), the power lost.
    """
    engine = p.engine
    load = min(max(4.0 * state.torque_n_m / engine.peak_torque_n_m, -1.0), 1.0)
    wanted = p.line.lockup_slip * load if state.gear >= 3.0 else 0.0
    rate = (wanted - state.lockup_slip) / 0.8
    state.lockup_slip += rate * dt
    state.engine_speed_rad_s = turbine_rad_s * (1.0 + state.lockup_slip)
    torque = state.torque_n_m - engine.inertia_kg_m2 * rate * turbine_rad_s
    lost = max(torque * state.lockup_slip * turbine_rad_s, 0.0)
    return engine.inertia_kg_m2 * (1.0 + state.lockup_slip), torque, lost


def slip_converter(
    p: Plant, state: PlantState, turbine_rad_s: float, dt: float
) -> tuple[float, float, float]:
    """The converter open, or its lock-up clutch closing within a second.

    Returns the change of engine speed (rad/s), the torque into the gearbox (N m), the power lost.
    """
    engine, line = p.engine, p.line
    speed, torque = state.engine_speed_rad_s, state.torque_n_m
    taken, slope = pump_torque(speed, turbine_rad_s, engine.idle_rad_s, line)
    clutch_gain = 0.0
    if state.locked > 0.5:
        clutch_gain = 0.1 * engine.peak_torque_n_m * (1.0 + 40.0 * (state.locked - 1.0))
    slip = speed - turbine_rad_s
    clutch = clutch_gain * slip
    # Implicit in the engine's speed: the converter is stiff near equal speeds.
    change = dt * (torque - taken - clutch) / (engine.inertia_kg_m2 + dt * (slope + clutch_gain))
    pump = taken + slope * change
    ratio = converter_torque_ratio(turbine_rad_s / max(speed, 20.0), line)
    input_torque = ratio * pump + clutch + clutch_gain * change
    lost = max(pump * speed + clutch * slip - input_torque * turbine_rad_s, 0.0)
    return change, input_torque, min(lost, abs(torque) * speed)


def burn(
    engine: EngineParameters,
    curve: NDArray[np.float64],
    state: PlantState,
    accessory_w: float,
    regeneration: float,
) -> Fuelling:
    """Fuelling for the torque now."""
    if state.engine_on < 0.5:
        return Fuelling(0.0, 0.0, 0.0)
    speed = state.engine_speed_rad_s
    willans_torque = state.torque_n_m / engine.torque_scale
    efficiency = indicated_efficiency(willans_torque, speed, engine)
    hidden = 0.0
    if state.torque_n_m > 0.0 and state.share > 0.0:
        extra = state.share * interpolate(speed, curve[0], curve[2])
        base = interpolate(speed, curve[0], curve[1])
        hidden = (1.0 - engine.reported_share) * extra / (base + extra)
    reported_torque = willans_torque * (1.0 - hidden)
    if state.exhaust_brake > 0.5 and state.pedal == 0.0:
        return Fuelling(0.0, 0.0, reported_torque)
    fuel = fuel_for_torque(willans_torque, speed, accessory_w, efficiency, engine)
    reported = fuel_for_torque(reported_torque, speed, accessory_w, efficiency, engine)
    if state.pedal == 0.0 and state.lifted_s < engine.fuel_cut_lag_s:
        idle = fuel_for_torque(0.0, speed, accessory_w, efficiency, engine)
        fuel, reported = max(fuel, idle), max(reported, idle)
    return Fuelling(fuel * (1.0 + regeneration), reported * (1.0 + regeneration), reported_torque)


def fan_power(engine: EngineParameters, state: PlantState, dt: float) -> float:
    """Power of a fan that cycles with the engine's load (W)."""
    power = max(state.torque_n_m, 0.0) * state.engine_speed_rad_s
    load = power / (engine.peak_torque_n_m * engine.rated_rad_s)
    state.fan_load += (load - state.fan_load) * dt / 15.0
    if state.fan_load > 0.35:
        state.fan_on = 1.0
    elif state.fan_load < 0.25:
        state.fan_on = 0.0
    return engine.fan_w * state.fan_on


def advance(
    p: Plant,
    state: PlantState,
    place: Place,
    motion: Motion,
    fuel_g_s: float,
    halted: bool,
    dt: float,
) -> None:
    """Advance what the forces act on, and what warms up."""
    line, speed = p.line, state.speed_m_s
    state.fuel_burnt_g += fuel_g_s * dt
    mass = state.mass_kg
    state.mass_kg -= fuel_g_s * dt * 1e-3
    if not halted:
        faster = max(0.0, speed + motion.accel_m_s2 * dt)
        state.distance_m += 0.5 * (speed + faster) * dt
        state.speed_m_s = faster
        # All wheels brake; those that drive are pressed down by the tow vehicle and the coupling.
        driven = p.load.tow_vehicle_mass_kg
        driven += _COUPLING_SHARE * max(mass - driven, 0.0)
        slip = motion.hub_n / (driven * GRAVITY_M_S2) - state.brake_force_n / (mass * GRAVITY_M_S2)
        slip *= place.here.slip_compliance
        state.wheel_slip += (slip - state.wheel_slip) * min(dt / 0.2, 1.0)
        if state.locked < 1.5:
            turned = state.engine_speed_rad_s + motion.engine_change_rad_s
            state.engine_speed_rad_s = max(turned, 0.5 * p.engine.idle_rad_s)
            if state.locked > 0.5:
                state.locked = min(state.locked + dt / 0.8, 1.49)
                if (
                    abs(state.engine_speed_rad_s - motion.turbine_rad_s) < 0.8
                    and state.locked > 1.2
                ):
                    state.locked = 2.0
        gap = place.stop.distance_m - state.distance_m
        if gap < 0.3 or (gap < 4.0 and faster < 0.05 and state.braking > 0.5):
            state.phase = BACKING if place.stop.reverse > 0.5 else STANDING
            state.phase_time_s = 0.0
    rate = dt / p.load.cold_time_s
    if speed > 3.0:
        state.tyre_cold -= state.tyre_cold * rate * min(speed / 15.0, 1.3)
    else:
        state.tyre_cold += 0.3 * (1.0 - state.tyre_cold) * rate
    state.lifted_s = 0.0 if state.pedal > 0.0 else state.lifted_s + dt
    if state.engine_on > 0.5 and speed > 0.0:
        state.driveline_cold -= state.driveline_cold * dt / line.cold_time_s


def drive_step(
    p: Plant,
    gears: NDArray[np.float64],
    curve: NDArray[np.float64],
    state: PlantState,
    heat: HeatState,
    place: Place,
    accessory_w: float,
    advised: Advised,
    dt: float,
    record: Record,
) -> None:
    """Advance the vehicle by one step.

    Parameters
    ----------
    p : Plant
    gears, curve
        As in :class:`Course`.
    state : PlantState
        Changed.
    heat : HeatState
        Changed.
    place : Place
    accessory_w : float
        Accessory power now (W).
    advised : Advised
    dt : float
        Step (s).
    record : Record
        Filled with the values at the start of the step; forces are those acting during it.
    """
    engine, line, here = p.engine, p.line, place.here
    regeneration = place.noise.regeneration
    range_ratio = line.low_ratio if state.low_range > 0.5 else 1.0
    halted = state.phase > 0.5
    happened = False
    if halted:
        happened = stand_or_back(state, place.stop, dt, 0.6)
    against = resist(p.load, state, here, place.noise)
    if halted:
        motion = stand(p, state, against, here.density_kg_m3, gears[0], range_ratio)
    else:
        motion = pull(
            p, gears, curve, state, heat, place, against, range_ratio, accessory_w, advised, dt
        )
    fuel = burn(engine, curve, state, accessory_w, regeneration)
    _record(state, heat, place, against, motion, fuel, record)
    record.accessory_power_w = accessory_w
    record.stop = state.next_stop + 1.0 if happened else 0.0

    late = fuel.burnt_g_s * regeneration / (1.0 + regeneration)
    base_torque = interpolate(state.engine_speed_rad_s, curve[0], curve[1])
    heat_step(
        heat,
        fuel.burnt_g_s - late,
        late,
        fuel_for_torque(base_torque, state.engine_speed_rad_s, 0.0, engine.efficiency, engine),
        state.engine_speed_rad_s,
        motion.slip_w,
        abs(motion.hub_n) * state.speed_m_s * (1.0 - line.efficiency),
        state.speed_m_s,
        here.temperature_degc,
        here.pressure_kpa,
        dt,
        p.thermal,
    )
    advance(p, state, place, motion, fuel.burnt_g_s, halted, dt)


def _record(
    state: PlantState,
    heat: HeatState,
    place: Place,
    against: Resistance,
    motion: Motion,
    fuel: Fuelling,
    record: Record,
) -> None:
    here, noise = place.here, place.noise
    record.distance_m, record.speed_m_s = state.distance_m, state.speed_m_s
    record.accel_m_s2 = motion.accel_m_s2
    record.engine_speed_rad_s = state.engine_speed_rad_s
    record.engine_torque_n_m = state.torque_n_m
    record.fuel_rate_g_s, record.reported_fuel_rate_g_s = fuel.burnt_g_s, fuel.reported_g_s
    record.reported_torque_n_m = fuel.reported_torque_n_m
    record.gear = state.gear
    record.locked = 1.0 if state.locked > 1.5 else 0.0
    record.shifting = 1.0 if state.shift_time_s >= 0.0 else 0.0
    record.accelerator = state.pedal
    record.brake_force_n = state.brake_force_n
    record.driving_force_n, record.tractive_force_n = motion.driving_n, motion.hub_n
    record.grade_tangent, record.altitude_m = here.tangent, here.altitude_m
    record.headwind_m_s = against.headwind_m_s
    record.effective_drag_area_m2 = against.drag_area_m2
    record.drag_area_m2 = state.drag_area_m2
    record.rolling_resistance = against.coefficient
    record.warm_rolling_resistance = here.nominal_coefficient * state.tyre_factor
    record.ground = here.ground
    record.mass_kg = state.mass_kg
    record.air_density_kg_m3 = here.density_kg_m3
    record.extra_torque_share = state.share
    record.regeneration = noise.regeneration
    record.phase = state.phase
    record.cruise = 1.0 if noise.cruise > 0.5 and state.speed_m_s > 12.0 else 0.0
    record.exhaust_brake, record.low_range = state.exhaust_brake, state.low_range
    record.curve_force_n = against.curve_force_n
    record.wheel_slip = state.wheel_slip
    record.ambient_temp_degc = here.temperature_degc
    record.ambient_pressure_kpa = here.pressure_kpa
    record.true_exhaust_gas_temp_degc = heat.gas_degc
    record.exhaust_gas_temp_degc = heat.gas_sensor_degc
    record.exhaust_gas_temp_after_turbine_degc = heat.after_sensor_degc
    record.coolant_temp_degc = heat.coolant_degc
    record.transmission_oil_temp_degc = heat.gearbox_oil_degc
    record.engine_oil_temp_degc = heat.engine_oil_degc
    record.intake_temp_degc = heat.intake_degc
    record.boost_kpa = heat.charge_kpa - here.pressure_kpa
    record.air_flow_g_s = heat.air_g_s
    record.rail_pressure_mpa = heat.rail_mpa
    record.air_fuel_lambda = heat.air_fuel_lambda
    record.converter_loss_w = motion.slip_w


def take_step(
    p: Plant,
    course: Course,
    state: PlantState,
    heat: HeatState,
    time_s: float,
    advised: Advised,
    dt: float,
    record: Record,
) -> bool:
    """Look around and advance by one step; True when the vehicle has stood at the end for 5 s.

    The ground is that of the nearest point of the road's grid: kinds of ground do not blend.
    """
    table, at = course.road_table, state.distance_m / course.road_grid_m
    lookup(course.here_row, table, at)
    lookup(course.ahead_row, table, (state.distance_m + 1.2 * state.speed_m_s) / course.road_grid_m)
    lookup(course.noise_row, course.noise_table, time_s / course.noise_step_s)
    course.here_row[_GROUND] = table[min(int(at + 0.5), table.shape[0] - 1), _GROUND]
    record.time_s = time_s
    stop = course.halts[int(state.next_stop)]
    place = Place(course.here, course.ahead, course.noise, stop)
    accessory = max(100.0, course.accessory_w + 1000.0 * place.noise.accessory_kw)
    if p.engine.fan_w > 0.0:
        accessory += fan_power(p.engine, state, dt)
    drive_step(p, course.gears, course.curve, state, heat, place, accessory, advised, dt, record)
    at_end = state.phase == STANDING and int(state.next_stop) == course.halts.shape[0] - 1
    return at_end and state.phase_time_s > 5.0


@jit
def drive_loop(
    plants: NDArray[Any],
    course: Course,
    states: NDArray[Any],
    heats: NDArray[Any],
    dt: float,
    records: NDArray[Any],
) -> int:
    """Drive until the records are full or the vehicle stands at the end.

    Parameters
    ----------
    plants, states, heats : ndarray of Plant, PlantState, HeatState; shape (1,)
        The last two are changed.
    course : Course
    dt : float
        Step (s).
    records : ndarray of Record, shape (steps,)
        Written.

    Returns
    -------
    int
        Steps done.
    """
    p, state, heat = plants[0], states[0], heats[0]
    advised = Advised(p.engine.share_ceiling, 0.0, 1.0)
    for step in range(records.shape[0]):
        if take_step(p, course, state, heat, step * dt, advised, dt, records[step]):
            return step + 1
    return records.shape[0]
