"""Drive a rig over a road in closed loop and log it: :func:`simulate`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.errors import InputError
from loadlearn.rig import Rig
from loadlearn.roadload import GAS_CONSTANT_AIR_J_KG_K, isa_pressure_kpa
from loadlearn.simulation import plant_state as ps
from loadlearn.simulation.plant import drive_loop
from loadlearn.simulation.random_processes import ornstein_uhlenbeck
from loadlearn.simulation.road import GRID_M, GROUND_NAMES, Road, Stop
from loadlearn.simulation.sensors import Logger, log_drive
from loadlearn.simulation.variation import PlantVariation, draw_parameters, truncated_normal

__all__ = ["Drive", "PlantVariation", "simulate"]

FloatArray = NDArray[np.float64]

NOISE_STEP_S = 0.1
_LAPSE_K_M = 0.0065
# Tread force over weight at which the driven wheels slip by 100 %, were the line straight: stiff on
# hard ground, soft on sand (common practice, no source).
_SLIP_STIFFNESS = {"sealed": 25.0, "gravel": 12.0, "earth": 8.0, "sand": 4.0, "soft_sand": 2.5}


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
        engine's own inertia is paid; ``rolling_resistance`` the coefficient at 20 m/s now (cold
        tyres and fine variation included), ``warm_rolling_resistance`` that of the stretch.
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
        True tread force over the force that the log gives through the rig.
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
    road_table, air = _road_table(road, variation, drawn, driver, heavy, seed)
    stops_table, stops = _stops_table(road, drawn)
    noise_table = _noise_table(variation, drawn, steps * step_s, seed)
    state = np.zeros(ps.STATE_SIZE)
    state[ps.MASS] = mass
    state[ps.GEAR] = state[ps.GEAR_BEFORE] = 1.0
    state[ps.SHIFT_TIME] = -1.0
    state[ps.SINCE_SHIFT] = 10.0
    state[ps.PHASE] = 1.0
    state[ps.ENGINE_ON] = 1.0
    state[ps.ENGINE_SPEED] = engine.idle_rad_s
    state[ps.DRAG_AREA] = drawn["drag_area_m2"]
    state[ps.TYRE_FACTOR] = 1.0
    state[ps.TYRE_COLD] = drawn["tyre_cold_at_start"]
    state[ps.DRIVELINE_COLD] = drawn["tyre_cold_at_start"]
    records = np.empty((steps, ps.RECORD_COLUMNS))
    done = drive_loop(
        state,
        steps,
        float(step_s),
        road_table,
        GRID_M,
        noise_table,
        NOISE_STEP_S,
        1000.0 * drawn["accessory_power_kw"],
        stops_table,
        np.array(rig.driveline.gear_ratios, dtype=float),
        _torque_curve(rig),
        engine,
        line,
        load,
        driver,
        records,
    )
    columns = np.ascontiguousarray(records[:done].T)
    fine = dict(zip(ps.RECORDED, columns, strict=True))
    _add_surroundings(fine, road, air, drawn)
    fine["logger_off"] = _logger_off(fine, stops)
    fine["tractive_scale"] = np.full(done, float(tractive_scale))
    log, sampled = log_drive(fine, logger, rig, seed)
    truth = _truth(log["time_s"].to_numpy() - logger.start_s, fine, drawn, stops)
    truth["time_s"] = log["time_s"]
    drawn["fuel_burnt_kg"] = float(state[ps.FUEL_BURNT]) * 1e-3
    drawn["duration_s"] = float(fine["time_s"][-1])
    drawn["distance_m"] = float(fine["distance_m"][-1])
    drawn.update(sampled)
    return Drive(log=log, truth=truth, meta=drawn, fine=fine)


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
        lag_boost_s=0.7 if engine.fuel == "diesel" else 0.3,
        lag_fall_s=0.10,
        reported_share=drawn["reported_share"],
        exhaust_brake_mep_pa=4.5e5 if variation.exhaust_brake else 0.0,
        share_ceiling=share,
        altitude_derate_per_km=0.06,
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


def _road_table(
    road: Road,
    variation: PlantVariation,
    drawn: dict[str, Any],
    driver: ps.DriverParameters,
    heavy: bool,
    seed: int,
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """The road as the compiled loop reads it, and its air."""
    count = road.distance_m.size
    table = np.zeros((count, ps.ROAD_COLUMNS))
    table[:, ps.ROAD_TANGENT] = road.grade_percent / 100.0
    table[:, ps.ROAD_ALTITUDE] = road.altitude_m
    table[:, ps.ROAD_CURVATURE] = road.curvature_1_m
    table[:, ps.ROAD_GROUND] = road.ground
    lateral = 1.3 if heavy else 2.0
    bend = np.sqrt(lateral / np.maximum(road.curvature_1_m, 1e-6))
    limit = np.minimum(road.speed_limit_m_s, 90.0 / 3.6) if heavy else road.speed_limit_m_s
    wished = np.minimum(limit * (1.0 + drawn["speed_bias"]), bend)
    table[:, ps.ROAD_COAST_SPEED] = _speed_envelope(wished, driver.coast_m_s2, GRID_M)
    table[:, ps.ROAD_BRAKE_SPEED] = _speed_envelope(wished, driver.brake_m_s2, GRID_M)
    nominal, actual = _coefficients(road, variation, drawn, seed)
    table[:, ps.ROAD_NOMINAL] = nominal
    table[:, ps.ROAD_COEFFICIENT] = actual
    wind = np.where(np.isnan(road.wind_m_s), drawn["wind_m_s"], road.wind_m_s)
    come_from = np.where(np.isnan(road.wind_from_deg), drawn["wind_from_deg"], road.wind_from_deg)
    angle = np.radians(come_from - road.heading_deg)
    along, across = wind * np.cos(angle), wind * np.sin(angle)
    if variation.headwind_m_s is not None:
        along, across = np.full(count, variation.headwind_m_s), np.zeros(count)
    table[:, ps.ROAD_WIND_ALONG] = along
    table[:, ps.ROAD_WIND_ACROSS] = across
    climbed = road.altitude_m - road.altitude_m[0]
    temperature = np.where(
        np.isnan(road.temperature_degc),
        drawn["temperature_degc"] - _LAPSE_K_M * climbed,
        road.temperature_degc,
    )
    pressure = isa_pressure_kpa(road.altitude_m) + drawn["pressure_offset_kpa"]
    density = pressure * 1e3 / (GAS_CONSTANT_AIR_J_KG_K * (temperature + 273.15))
    table[:, ps.ROAD_DENSITY] = density
    if variation.wheel_slip:
        stiffness = np.array([_SLIP_STIFFNESS[name] for name in GROUND_NAMES])
        table[:, ps.ROAD_SLIP_COMPLIANCE] = 1.0 / stiffness[road.ground]
    return table, {"ambient_temp_degc": temperature, "ambient_pressure_kpa": pressure}


def _coefficients(
    road: Road, variation: PlantVariation, drawn: dict[str, Any], seed: int
) -> tuple[FloatArray, FloatArray]:
    """Rolling resistance along the road: of each stretch, and with its fine variation."""
    rng = np.random.default_rng([seed, 8200])
    nominal = np.empty(road.distance_m.size)
    fine = np.ones(road.distance_m.size)
    for number in np.unique(road.segment):
        inside = np.flatnonzero(road.segment == number)
        name = GROUND_NAMES[road.ground[inside[0]]]
        given = road.rolling_resistance[inside[0]]
        base = drawn[f"rolling_resistance_{name}"] if np.isnan(given) else float(given)
        texture = variation.texture_sd if name == "sealed" else 0.5 * variation.texture_sd
        position = 0
        while position < inside.size:
            stretch = int(rng.exponential(3000.0) / GRID_M) + 100
            factor = truncated_normal(rng, 1.0, texture, 0.8, 1.25) if texture > 0.0 else 1.0
            nominal[inside[position : position + stretch]] = base * factor
            position += stretch
        roughness = variation.roughness_sd * (1.0 if name == "sealed" else 3.0)
        correlation = 200.0 if name == "sealed" else 60.0
        if roughness > 0.0:
            steps = rng.standard_normal(inside.size)
            fine[inside] += ornstein_uhlenbeck(steps, roughness, correlation, GRID_M)
    return nominal, nominal * np.clip(fine, 0.6, 1.6)


@jit
def _speed_envelope(wished: np.ndarray, deceleration: float, grid_m: float) -> np.ndarray:
    """Speed from which every lower wish ahead can be met at this deceleration."""
    envelope = wished.copy()
    for place in range(wished.size - 2, -1, -1):
        reachable = np.sqrt(envelope[place + 1] ** 2 + 2.0 * deceleration * grid_m)
        if reachable < envelope[place]:
            envelope[place] = reachable
    return envelope


def _stops_table(road: Road, drawn: dict[str, Any]) -> tuple[FloatArray, list[Stop]]:
    """All halts: the start, the road's stops, the end."""
    stops = [Stop(0.0, 4.0, event="start")]
    stops += [stop for stop in road.stops if 1.0 < stop.distance_m < road.length_m - 30.0]
    stops.append(Stop(road.length_m - 15.0, np.inf, event="end"))
    nothing = np.nan
    rows = []
    for stop in stops:
        mass, drag = stop.new_mass_kg, stop.new_drag_area_m2
        if stop.event == "drop_trailer":
            mass = drawn["tow_mass_kg"] if mass is None else mass
            drag = drawn["drag_area_m2"] * drawn["solo_drag_share"] if drag is None else drag
        low = None if stop.transfer_range is None else float(stop.transfer_range == "low")
        values = (mass, drag, stop.tyre_factor, low)
        rows.append(
            [
                stop.distance_m,
                stop.duration_s,
                float(stop.engine_off),
                float(stop.reverse_first),
                *(nothing if value is None else float(value) for value in values),
            ]
        )
    return np.array(rows), stops


def _noise_table(
    variation: PlantVariation, drawn: dict[str, Any], duration_s: float, seed: int
) -> FloatArray:
    """Disturbances over time, drawn outside the compiled loop."""
    count = int(duration_s / NOISE_STEP_S) + 3
    table = np.zeros((count, ps.NOISE_COLUMNS))
    time = NOISE_STEP_S * np.arange(count)

    def slow(stream: int, sd: float, correlation_s: float) -> FloatArray:
        normals = np.random.default_rng([seed, 8300 + stream]).standard_normal(count)
        return np.asarray(ornstein_uhlenbeck(normals, float(sd), correlation_s, NOISE_STEP_S))

    gust = drawn["gust_sd_m_s"]
    if gust > 0.0:
        # Two time scales: turbulence of a few seconds, squalls of a minute.
        table[:, ps.NOISE_GUST_ALONG] = slow(0, 0.75 * gust, 4.0) + slow(1, 0.66 * gust, 60.0)
        table[:, ps.NOISE_GUST_ACROSS] = slow(2, 0.75 * gust, 4.0) + slow(3, 0.66 * gust, 60.0)
    if variation.accessory_variation_kw > 0.0:
        table[:, ps.NOISE_ACCESSORY] = slow(4, variation.accessory_variation_kw, 120.0)
    if variation.speed_offset_sd > 0.0:
        table[:, ps.NOISE_SPEED_OFFSET] = slow(5, variation.speed_offset_sd, 45.0)
    rng = np.random.default_rng([seed, 8400])
    hours = duration_s / 3600.0
    for _ in range(rng.poisson(variation.lifts_per_hour * hours)):
        start, length = rng.uniform(0.0, duration_s), rng.uniform(1.5, 6.0)
        table[(time >= start) & (time < start + length), ps.NOISE_LIFT] = 1.0
    rng = np.random.default_rng([seed, 8401])
    position = rng.uniform(60.0, 300.0)
    while position < duration_s:
        length = rng.uniform(60.0, 400.0)
        if rng.uniform() < variation.cruise_share:
            table[(time >= position) & (time < position + length), ps.NOISE_CRUISE] = 1.0
        position += length
    rng = np.random.default_rng([seed, 8402])
    table[:, ps.NOISE_DRAG_FACTOR] = 1.0
    for _ in range(rng.poisson(variation.slipstreams_per_hour * hours)):
        start, length = rng.uniform(0.0, duration_s), rng.uniform(20.0, 120.0)
        shelter = rng.uniform(0.10, 0.25)
        # Closing up and dropping back take a few seconds each.
        edge = np.clip((time - start) / 4.0, 0.0, 1.0)
        edge *= np.clip((start + length - time) / 4.0, 0.0, 1.0)
        table[:, ps.NOISE_DRAG_FACTOR] *= 1.0 - shelter * edge
    rng = np.random.default_rng([seed, 8403])
    events = list(variation.regenerations)
    if rng.uniform() < variation.regeneration_probability:
        events.append(
            (
                float(rng.uniform(0.1, 0.6) * duration_s),
                float(rng.uniform(300.0, 1800.0)),
                float(rng.uniform(0.05, 0.25)),
            )
        )
    drawn["regenerations"] = [list(event) for event in events]
    for start, length, factor in events:
        table[(time >= start) & (time < start + length), ps.NOISE_REGENERATION] = factor
    return table


def _add_surroundings(
    fine: dict[str, FloatArray], road: Road, air: dict[str, FloatArray], drawn: dict[str, Any]
) -> None:
    """Add to the fine record what follows from the place on the road."""
    distance = fine["distance_m"]
    for name, values in air.items():
        fine[name] = np.interp(distance, road.distance_m, values)
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
            "standstill": (held("speed_m_s") <= 0.0).astype(float),
            "reversing": ((held("phase") == 2.0) & (held("speed_m_s") > 0.0)).astype(float),
            "load_event": happened.astype(float),
            "tractive_scale": np.full(time.size, float(drawn["tractive_scale"])),
        }
    )
