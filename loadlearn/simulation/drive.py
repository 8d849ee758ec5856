"""Drive a rig over a road in closed loop and log it: :func:`simulate`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import as_record, record_type
from loadlearn.simulation import plant_state as ps
from loadlearn.simulation.departures import other_channels, other_road
from loadlearn.simulation.plant import drive_loop
from loadlearn.simulation.preparation import PreparedDrive, prepare_drive
from loadlearn.simulation.road import GRID_M, GROUND_NAMES, Road, Stop
from loadlearn.simulation.sensors import Logger, log_drive
from loadlearn.simulation.variation import PlantVariation
from loadlearn.vehicle.rig import Rig

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
    step_s: float | None = None,
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
    step_s : float, optional
        Internal step (s); 0.02 s, or the logger's period where that is shorter.

    Raises
    ------
    InputError
        The rig has no full-load curve, or an argument is impossible.
    """
    logger = logger or Logger.good_10hz()
    variation = variation or PlantVariation()
    road = other_road(road, variation.departures, seed)
    prepared = prepare_drive(
        rig,
        road,
        seed,
        combined_mass_kg,
        tractive_scale,
        duration_s,
        variation,
        extra_torque_share,
        min(0.02, 1.0 / logger.rate_hz) if step_s is None else step_s,
    )
    drawn = prepared.drawn
    records, fuel_g = _run(prepared)
    # The efficiencies vary with load, speed and oil temperature. Their mean over this drive belongs
    # to the tractive scale: a second run puts it where it was asked for.
    mean = _mean_scale(named_record(rig, records, copy=False), prepared.plant.engine)
    if abs(mean / tractive_scale - 1.0) > 1e-6:
        engine = prepared.plant.engine._replace(torque_scale=tractive_scale**2 / mean)
        prepared = replace(prepared, plant=prepared.plant._replace(engine=engine))
        records, fuel_g = _run(prepared)
    fine = named_record(rig, records)
    drawn["tractive_scale_over_drive"] = _mean_scale(fine, prepared.plant.engine)
    return finish_drive(rig, road, prepared, fine, fuel_g, logger)


def finish_drive(
    rig: Rig,
    road: Road,
    prepared: PreparedDrive,
    fine: dict[str, FloatArray],
    fuel_burnt_g: float,
    logger: Logger,
) -> Drive:
    """Log what was driven and write its truth.

    Parameters
    ----------
    rig : Rig
    road : Road
    prepared : PreparedDrive
        What the drive was run with.
    fine : dict of str to ndarray
        The record of every internal step, from :func:`named_record`.
    fuel_burnt_g : float
    logger : Logger
    """
    drawn, seed = prepared.drawn, int(prepared.drawn["seed"])
    _add_position(fine, road)
    fine["logger_off"] = _logger_off(fine, prepared.stops)
    fine["tractive_scale"] = np.full(fine["time_s"].size, float(drawn["tractive_scale"]))
    log, sampled = log_drive(fine, logger, rig, seed)
    truth = _truth(log["time_s"].to_numpy() - logger.start_s, fine, drawn, prepared.stops)
    truth["time_s"] = log["time_s"]
    log = other_channels(log, truth, prepared.departures, seed)
    drawn["fuel_burnt_kg"] = fuel_burnt_g * 1e-3
    drawn["duration_s"] = float(fine["time_s"][-1])
    drawn["distance_m"] = float(fine["distance_m"][-1])
    drawn.update(sampled)
    return Drive(log=log, truth=truth, meta=drawn, fine=fine)


def _run(prepared: PreparedDrive) -> tuple[NDArray[Any], float]:
    """Records of the whole drive, and the fuel burnt (g)."""
    states = as_record(prepared.initial_state())
    records = np.empty(prepared.steps, dtype=record_type(ps.Record))
    done = drive_loop(
        as_record(prepared.plant),
        prepared.course(),
        states,
        as_record(prepared.initial_heat()),
        prepared.step_s,
        records,
    )
    return records[:done], float(states["fuel_burnt_g"][0])


def named_record(rig: Rig, records: NDArray[Any], copy: bool = True) -> dict[str, FloatArray]:
    """The compiled loop's record by name, with the force that a log would give.

    Parameters
    ----------
    rig : Rig
    records : ndarray of Record, shape (steps,)
    copy : bool
        Whether each column is laid out on its own; else they are views.
    """
    columns = records.view(np.float64).reshape(records.size, -1).T
    fine = dict(zip(ps.RECORDED, np.ascontiguousarray(columns) if copy else columns, strict=True))
    fine["computed_force_n"] = _computed_force(rig, fine)
    return fine


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
    torque -= engine.efficiency_fall_per_mpa / engine.torque_of_mep(1e3) * (power / speed) ** 2
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
