"""Drive a rig over a road in closed loop and log it: :func:`simulate`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.rig import Rig
from loadlearn.simulation import plant_state as ps
from loadlearn.simulation.plant import drive_loop
from loadlearn.simulation.road import GRID_M, GROUND_NAMES, Road, Stop
from loadlearn.simulation.sensors import Logger, log_drive
from loadlearn.simulation.surroundings import NOISE_STEP_S, noise_table, road_table, stops_table
from loadlearn.simulation.thermal import ThermalParameters, initial_heat
from loadlearn.simulation.variation import PlantVariation, draw_parameters

__all__ = ["Drive", "PlantVariation", "simulate"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Drive:
    """A simulated drive.

    Attributes
    ----------
    log : pandas.DataFrame
        Canonical columns, as the logger shows them.
    truth : pandas.DataFrame
        The truth at the log's time stamps. ``tractive_force_n`` is the force at the tread as a hub
        would measure it, ``driving_force_n`` the engine's torque through the driveline before the
        engine's own inertia is paid, ``computed_force_n`` the same from a noise-free log through
        the rig (NaN with the converter open); ``rolling_resistance`` the coefficient at 20 m/s now
        (cold tyres and fine variation included), ``warm_rolling_resistance`` that of the stretch.
    meta : dict
        Everything drawn for the drive, by name.
    fine : dict of str to ndarray
        Everything recorded at every internal step.
    """

    log: pd.DataFrame
    truth: pd.DataFrame
    meta: dict[str, Any]
    fine: dict[str, FloatArray]


def simulate(
    rig: Rig,
    road: Road,
    seed: int = 0,
    combined_mass_kg: float | None = None,
    tractive_scale: float = 1.0,
    logger: Logger | None = None,
    duration_s: float | None = None,
    variation: PlantVariation | None = None,
    extra_torque_share: float = 0.0,
    step_s: float = 0.02,
) -> Drive:
    """Drive a rig over a road and log it.

    Parameters
    ----------
    rig : Rig
        What is driven; needs a full-load curve.
    road : Road
        What it drives on; the vehicle stops at its end.
    seed : int
        The same arguments and seed give the same drive.
    combined_mass_kg : float, optional
        True mass of the combination at the start; the tow vehicle alone when absent.
    tractive_scale : float
        True tread force over the force that the log gives through the rig, in the mean of the
        drive; efficiencies that vary with load, speed and oil temperature spread it by some tenths
        of a per cent from moment to moment.
    logger : Logger, optional
        Sensors; :meth:`Logger.good_10hz` when absent.
    duration_s : float, optional
        Longest duration (s); to the end of the road when absent.
    variation : PlantVariation, optional
        What is drawn.
    extra_torque_share : float
        Most of the uprated engine's extra torque that may be used (0...1). The share u in use
        scales the whole full-load curve, ``T = pedal (T_base + u T_extra)``; it follows the pedal
        by at most 0.25/s, from nothing at 30 % pedal to the most allowed at 70 %.
    step_s : float
        Internal step (s).

    Returns
    -------
    Drive

    Raises
    ------
    InputError
        The rig has no full-load curve, or an argument is impossible.
    """
    logger = logger or Logger.good_10hz()
    variation = variation or PlantVariation()
    if not rig.engine.full_load_rpm:
        raise InputError(
            "the rig has no full-load curve: add full_load_rpm and full_load_torque_n_m "
            "under [engine]"
        )
    if not 0.0 <= extra_torque_share <= 1.0:
        raise InputError(f"extra_torque_share is {extra_torque_share:g}; give a share from 0 to 1")
    if not 0.5 <= tractive_scale <= 2.0:
        raise InputError(f"tractive_scale is {tractive_scale:g}; give a factor between 0.5 and 2")
    drawn = draw_parameters(rig, variation, seed)
    mass = drawn["tow_mass_kg"] if combined_mass_kg is None else float(combined_mass_kg)
    if not mass > 0.0:
        raise InputError(f"combined_mass_kg is {mass:g}; give a positive mass")
    drawn.update(
        seed=seed,
        combined_mass_kg=mass,
        trailer_mass_kg=mass - drawn["tow_mass_kg"],
        tractive_scale=tractive_scale,
        extra_torque_share=extra_torque_share,
        road=road.name,
        rig=rig.name,
    )
    duration = duration_s if duration_s is not None else 20.0 * 3600.0
    steps = int(round(duration / step_s)) + 1
    if duration_s is None:
        # Enough for walking pace all along; the loop ends when the vehicle stands at the end.
        slowest = np.maximum(road.speed_limit_m_s, 2.0)
        waiting = sum(stop.duration_s for stop in road.stops)
        steps = int((3.0 * np.sum(GRID_M / slowest) + waiting + 300.0) / step_s)
    engine = _engine(rig, variation, drawn, tractive_scale, extra_torque_share)
    line = _driveline(rig, drawn)
    load = ps.RoadLoadParameters(
        tyre_speed_slope=drawn["tyre_speed_slope"],
        cold_rise=drawn["cold_tyre_rise"],
        cold_time_s=drawn["cold_tyre_time_s"],
        yaw_drag_per_rad2=variation.yaw_drag_per_rad2,
        cornering_stiffness_1_rad=9.0 if variation.curve_resistance else 1e12,
    )
    heavy = mass > 12_000.0
    driver = ps.DriverParameters(
        speed_gain_1_s=0.22,
        integral_gain_1_s2=0.008,
        feedforward=0.85,
        acceleration_m_s2=drawn["acceleration_m_s2"],
        brake_m_s2=0.8 if heavy else 1.1,
        coast_m_s2=0.3 if heavy else 0.4,
        decision_s=0.5,
        hold_band=0.02,
        pedal_rate_1_s=0.9,
        downhill_margin_m_s=1.2,
        uses_exhaust_brake=1.0 if variation.exhaust_brake else 0.0,
    )
    ground = road_table(road, variation, drawn, driver, heavy, seed)
    halts, stops = stops_table(road, drawn)
    noise = noise_table(variation, drawn, steps * step_s, seed)
    start = ground[0]
    thermal = ThermalParameters.from_rig(rig).varied(seed, variation.thermal_spread)
    gears = np.array(rig.driveline.gear_ratios, dtype=float)
    curve = _torque_curve(rig)
    records = np.empty((steps, ps.RECORD_COLUMNS))

    def run(engine: ps.EngineParameters) -> tuple[dict[str, FloatArray], FloatArray]:
        state = _initial_state(mass, drawn, engine.idle_rad_s)
        heat = initial_heat(
            start[ps.ROAD_TEMPERATURE], start[ps.ROAD_PRESSURE], drawn["tyre_cold_at_start"]
        )
        done = drive_loop(
            state,
            heat,
            steps,
            float(step_s),
            ground,
            GRID_M,
            noise,
            NOISE_STEP_S,
            1000.0 * drawn["accessory_power_kw"],
            halts,
            gears,
            curve,
            engine,
            line,
            load,
            driver,
            thermal,
            records,
        )
        columns = np.ascontiguousarray(records[:done].T)
        fine = dict(zip(ps.RECORDED, columns, strict=True))
        fine["computed_force_n"] = _computed_force(rig, fine)
        return fine, state

    fine, state = run(engine)
    # The efficiencies vary with load, speed and oil temperature. Their mean over this drive belongs
    # to the tractive scale: a second run puts it where it was asked for.
    mean = _mean_scale(fine, engine)
    if abs(mean / tractive_scale - 1.0) > 1e-6:
        fine, state = run(engine._replace(torque_scale=tractive_scale**2 / mean))
    drawn["tractive_scale_over_drive"] = _mean_scale(fine, engine)
    _add_position(fine, road)
    fine["logger_off"] = _logger_off(fine, stops)
    fine["tractive_scale"] = np.full(fine["time_s"].size, float(tractive_scale))
    log, sampled = log_drive(fine, logger, rig, seed)
    truth = _truth(log["time_s"].to_numpy() - logger.start_s, fine, drawn, stops)
    truth["time_s"] = log["time_s"]
    drawn["fuel_burnt_kg"] = float(state[ps.FUEL_BURNT]) * 1e-3
    drawn["duration_s"] = float(fine["time_s"][-1])
    drawn["distance_m"] = float(fine["distance_m"][-1])
    drawn.update(sampled)
    return Drive(log=log, truth=truth, meta=drawn, fine=fine)


def _initial_state(mass: float, drawn: dict[str, Any], idle_rad_s: float) -> FloatArray:
    state = np.zeros(ps.STATE_SIZE)
    state[ps.MASS] = mass
    state[ps.GEAR] = state[ps.GEAR_BEFORE] = 1.0
    state[ps.SHIFT_TIME] = -1.0
    state[ps.SINCE_SHIFT] = 10.0
    state[ps.PHASE] = 1.0
    state[ps.ENGINE_ON] = 1.0
    state[ps.ENGINE_SPEED] = idle_rad_s
    state[ps.DRAG_AREA] = drawn["drag_area_m2"]
    state[ps.TYRE_FACTOR] = 1.0
    state[ps.TYRE_COLD] = drawn["tyre_cold_at_start"]
    state[ps.DRIVELINE_COLD] = drawn["tyre_cold_at_start"]
    return state


def _computed_force(rig: Rig, fine: dict[str, FloatArray]) -> FloatArray:
    """Force that a noise-free log gives through the rig; NaN with the converter open.

    All that makes torque is counted as the rig has it; accessories are the true ones, and fuel that
    a regeneration burns or the channel does not show is taken as known: what remains between this
    and the true force is the tractive scale.
    """
    engine, line = rig.engine, rig.driveline
    speed = np.maximum(fine["engine_speed_rad_s"], 1.0)
    friction_pa = 1e3 * (engine.friction_mep_kpa + engine.friction_mep_slope_kpa_s_per_rad * speed)
    fuel = fine["fuel_rate_g_s"] / (1.0 + fine["regeneration"])
    power = fuel * engine.heating_value_j_g * engine.indicated_efficiency
    torque = (power - fine["accessory_power_w"]) / speed
    torque -= friction_pa * engine.displacement_m3 / (4.0 * np.pi)
    gear = np.clip(fine["gear"].astype(int), 1, len(line.gear_ratios)) - 1
    ratio = np.array(line.gear_ratios)[gear] * line.final_drive
    ratio = np.where(fine["low_range"] > 0.5, ratio * (line.transfer_low_ratio or 1.0), ratio)
    efficiency = np.where(torque >= 0.0, line.efficiency, 1.0 / line.efficiency)
    force = torque * ratio * efficiency / rig.vehicle.tyre_radius_m
    return np.asarray(np.where(fine["locked"] > 0.5, force, np.nan))


def _mean_scale(fine: dict[str, FloatArray], engine: ps.EngineParameters) -> float:
    """True over computed force, weighted by force, while the locked engine pulls."""
    pulling = (fine["locked"] > 0.5) & (fine["fuel_rate_g_s"] > 0.0)
    pulling &= fine["engine_torque_n_m"] > 0.1 * engine.peak_torque_n_m
    if np.count_nonzero(pulling) < 100:
        return engine.torque_scale
    computed = float(np.sum(fine["computed_force_n"][pulling]))
    return float(np.sum(fine["driving_force_n"][pulling])) / computed


def _torque_curve(rig: Rig) -> FloatArray:
    rpm = np.array(rig.engine.full_load_rpm, dtype=float)
    base = np.array(rig.engine.full_load_torque_n_m, dtype=float)
    extra = rig.engine.full_load_torque(rpm, 1.0) - base
    # Below the first point the torque falls off towards the stall of the engine.
    speed = np.concatenate([[0.0], rpm]) * np.pi / 30.0
    low = 0.55 if rpm[0] > 1.3 * rig.engine.idle_rpm else 0.8
    return np.array(
        [speed, np.concatenate([[low * base[0]], base]), np.concatenate([[0.0], extra])]
    )


def _engine(
    rig: Rig, variation: PlantVariation, drawn: dict[str, Any], scale: float, share: float
) -> ps.EngineParameters:
    engine = rig.engine
    rpm = np.array(engine.full_load_rpm)
    torque = np.array(engine.full_load_torque_n_m)
    fine = np.linspace(rpm[0], rpm[-1], 400)
    curve = np.interp(fine, rpm, torque)
    plateau = fine[np.argmax(curve >= 0.9 * curve.max())]
    return ps.EngineParameters(
        efficiency=engine.indicated_efficiency,
        heating_value_j_g=engine.heating_value_j_g,
        displacement_m3=engine.displacement_m3,
        friction_pa=1e3 * engine.friction_mep_kpa,
        friction_slope_pa_s=1e3 * engine.friction_mep_slope_kpa_s_per_rad,
        inertia_kg_m2=max(engine.inertia_kg_m2, 0.02),
        idle_rad_s=engine.idle_rpm * np.pi / 30.0,
        rated_rad_s=float(rpm[-1]) * np.pi / 30.0,
        torque_plateau_rad_s=float(plateau) * np.pi / 30.0,
        peak_torque_n_m=float(curve.max()),
        torque_scale=scale,
        efficiency_load_shape=drawn["efficiency_load_shape"],
        efficiency_speed_shape=drawn["efficiency_speed_shape"],
        lag_rise_s=0.18,
        # The rest of a diesel's lag is the turbocharger's, through the air it lacks.
        lag_boost_s=0.15 if engine.fuel == "diesel" else 0.3,
        lag_fall_s=0.10,
        reported_share=drawn["reported_share"],
        exhaust_brake_mep_pa=4.5e5 if variation.exhaust_brake else 0.0,
        share_ceiling=share,
    )


def _driveline(rig: Rig, drawn: dict[str, Any]) -> ps.DrivelineParameters:
    line, engine = rig.driveline, rig.engine
    rpm = np.array(engine.full_load_rpm)
    torque = np.array(engine.full_load_torque_n_m)
    fine = np.linspace(rpm[0], rpm[-1], 400)
    curve = np.interp(fine, rpm, torque)
    plateau = float(fine[np.argmax(curve >= 0.9 * curve.max())])
    has_converter = line.converter_stall_torque_ratio is not None
    # Stall well above the start of the torque plateau; a friction clutch bites below it.
    stall_rad_s = (1.45 if has_converter else 0.9) * plateau * np.pi / 30.0
    stall_torque = float(np.interp(stall_rad_s * 30.0 / np.pi, rpm, torque))
    return ps.DrivelineParameters(
        efficiency=line.efficiency,
        efficiency_cold_loss=drawn["driveline_cold_loss"],
        efficiency_speed_spread=drawn["driveline_speed_spread"],
        cold_time_s=500.0,
        final_drive=line.final_drive,
        low_ratio=line.transfer_low_ratio or 1.0,
        tyre_radius_m=rig.vehicle.tyre_radius_m,
        wheel_inertia_kg_m2=rig.vehicle.wheel_inertia_kg_m2,
        stall_torque_ratio=line.converter_stall_torque_ratio or 1.0,
        converter_capacity=stall_torque / stall_rad_s**2,
        coupling_ratio=0.88,
        closing_share=0.0 if has_converter else 0.9,
        shift_time_s=0.55 if has_converter else 0.9,
        shift_torque_factor=0.55 if has_converter else 0.0,
        lock_rad_s=max(1.3 * engine.idle_rpm, 0.74 * plateau) * np.pi / 30.0,
        lowest_locked_gear=2.0 if has_converter else 1.0,
        skip_gears=2.0 if len(line.gear_ratios) > 7 else 1.0,
    )


def _add_position(fine: dict[str, FloatArray], road: Road) -> None:
    """Add to the fine record the position that belongs to the place on the road."""
    distance = fine["distance_m"]
    heading = np.unwrap(np.radians(road.heading_deg))
    east = np.concatenate([[0.0], np.cumsum(np.sin(heading[:-1]) * GRID_M)])
    north = np.concatenate([[0.0], np.cumsum(np.cos(heading[:-1]) * GRID_M)])
    # An invented origin in the open ocean.
    latitude0, longitude0, metres_per_degree = -38.0, -121.0, 111_195.0
    fine["latitude_deg"] = (
        latitude0 + np.interp(distance, road.distance_m, north) / metres_per_degree
    )
    fine["longitude_deg"] = longitude0 + np.interp(distance, road.distance_m, east) / (
        metres_per_degree * np.cos(np.radians(latitude0))
    )


def _logger_off(fine: dict[str, FloatArray], stops: list[Stop]) -> FloatArray:
    """1 where the logger is switched off (during halts that say so)."""
    off = np.zeros(fine["time_s"].size)
    standing = fine["phase"] == 1.0
    starts = np.flatnonzero(np.diff(np.concatenate([[0], standing.astype(int)])) == 1)
    ends = np.flatnonzero(np.diff(np.concatenate([standing.astype(int), [0]])) == -1)
    for start, end in zip(starts, ends, strict=True):
        place = fine["distance_m"][start]
        stop = min(stops, key=lambda item: abs(item.distance_m - place))
        if stop.logger_off:
            time = fine["time_s"]
            off[(time > time[start] + 2.0) & (time < time[end] - 3.0)] = 1.0
    return off


def _truth(
    time: FloatArray, fine: dict[str, FloatArray], drawn: dict[str, Any], stops: list[Stop]
) -> pd.DataFrame:
    """The truth at the log's stamps: continuous values interpolated, others the last ones."""
    fine_time = fine["time_s"]
    last = np.clip(np.searchsorted(fine_time, time + 1e-9, side="right") - 1, 0, None)

    def smooth(name: str) -> FloatArray:
        return np.asarray(np.interp(time, fine_time, fine[name]))

    def held(name: str) -> FloatArray:
        return np.asarray(fine[name][last])

    changed = fine["stop"] > 0.0
    matters = np.zeros(fine_time.size)
    for step in np.flatnonzero(changed):
        stop = stops[int(fine["stop"][step]) - 1]
        if stop.event in ("drop_trailer", "pick_up") or stop.new_mass_kg is not None:
            matters[step] = 1.0
    happened = np.diff(np.cumsum(matters)[last], prepend=0.0) > 0.0
    ground = held("ground").astype(int)
    return pd.DataFrame(
        {
            "time_s": time,
            "distance_m": smooth("distance_m"),
            "speed_m_s": smooth("speed_m_s"),
            "accel_m_s2": held("accel_m_s2"),
            "mass_kg": held("mass_kg"),
            "rolling_resistance": held("rolling_resistance"),
            "warm_rolling_resistance": held("warm_rolling_resistance"),
            "drag_area_m2": held("drag_area_m2"),
            "effective_drag_area_m2": held("effective_drag_area_m2"),
            "surface": np.array(GROUND_NAMES, dtype=object)[ground],
            "grade_percent": 100.0 * smooth("grade_tangent"),
            "altitude_m": smooth("altitude_m"),
            "headwind_m_s": smooth("headwind_m_s"),
            "air_density_kg_m3": smooth("air_density_kg_m3"),
            "tractive_force_n": held("tractive_force_n"),
            "driving_force_n": held("driving_force_n"),
            "computed_force_n": held("computed_force_n"),
            "brake_force_n": held("brake_force_n"),
            "curve_force_n": held("curve_force_n"),
            "engine_speed_rpm": held("engine_speed_rad_s") * 30.0 / np.pi,
            "engine_torque_n_m": held("engine_torque_n_m"),
            "fuel_rate_g_s": held("fuel_rate_g_s"),
            "accessory_power_kw": held("accessory_power_w") * 1e-3,
            "gear": held("gear"),
            "converter_locked": held("locked"),
            "shifting": held("shifting"),
            "low_range": held("low_range"),
            "exhaust_brake": held("exhaust_brake"),
            "extra_torque_share": held("extra_torque_share"),
            "regeneration": (held("regeneration") > 0.0).astype(float),
            "wheel_slip": held("wheel_slip"),
            "exhaust_gas_temp_degc": smooth("true_exhaust_gas_temp_degc"),
            "air_fuel_lambda": smooth("air_fuel_lambda"),
            "standstill": (held("speed_m_s") <= 0.0).astype(float),
            "reversing": ((held("phase") == 2.0) & (held("speed_m_s") > 0.0)).astype(float),
            "load_event": happened.astype(float),
            "tractive_scale": np.full(time.size, float(drawn["tractive_scale"])),
        }
    )
