"""Everything a drive is run with, drawn and laid out before the compiled loop starts.

A closed loop with a strategy of its own prepares a drive here, calls
:func:`loadlearn.simulation.plant.take_step` in its own loop and hands the record to
:func:`loadlearn.simulation.drive.finish_drive`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.simulation import plant_state as ps
from loadlearn.simulation.departures import Departures
from loadlearn.simulation.plant import Course, Plant, lay_course
from loadlearn.simulation.road import GRID_M, Road, Stop
from loadlearn.simulation.surroundings import (
    NOISE_STEP_S,
    noise_table,
    road_table,
    stops_table,
)
from loadlearn.simulation.thermal import HeatState, ThermalParameters, initial_heat
from loadlearn.simulation.variation import PlantVariation, draw_parameters
from loadlearn.vehicle.rig import Rig

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class PreparedDrive:
    """What the compiled loop needs, ready to run.

    Attributes
    ----------
    steps : int
        Most steps to drive.
    step_s : float
        Internal step (s).
    ground, noise, halts : ndarray of RoadHere, Disturbances, Halt
        Tables of road, disturbances and stops.
    gears, curve : ndarray
        Gear ratios; full-load curve (engine speed in rad/s, base torque, extra torque).
    plant : Plant
        Its parameters.
    stops : list of Stop
        The halts in words.
    drawn : dict
        Everything drawn, by name.
    departures : Departures
    """

    steps: int
    step_s: float
    ground: NDArray[Any]
    noise: NDArray[Any]
    halts: NDArray[Any]
    gears: FloatArray
    curve: FloatArray
    plant: Plant
    stops: list[Stop]
    drawn: dict[str, Any]
    departures: Departures

    def initial_state(self) -> ps.PlantState:
        """State at the start, standing with the engine idling."""
        return ps.PlantState(
            mass_kg=self.drawn["combined_mass_kg"],
            engine_speed_rad_s=self.plant.engine.idle_rad_s,
            drag_area_m2=self.drawn["drag_area_m2"],
            tyre_cold=self.drawn["tyre_cold_at_start"],
            driveline_cold=self.drawn["tyre_cold_at_start"],
        )

    def initial_heat(self) -> HeatState:
        """Heat state at the start."""
        start = self.ground[0]
        return initial_heat(
            float(start["temperature_degc"]),
            float(start["pressure_kpa"]),
            float(self.drawn["tyre_cold_at_start"]),
        )

    def course(self) -> Course:
        """The tables as the compiled loop reads them."""
        return lay_course(
            self.ground,
            GRID_M,
            self.noise,
            NOISE_STEP_S,
            self.halts,
            self.gears,
            self.curve,
            1000.0 * float(self.drawn["accessory_power_kw"]),
        )


def prepare_drive(
    rig: Rig,
    road: Road,
    seed: int = 0,
    combined_mass_kg: float | None = None,
    tractive_scale: float = 1.0,
    duration_s: float | None = None,
    variation: PlantVariation | None = None,
    extra_torque_share: float = 0.0,
    step_s: float = 0.02,
) -> PreparedDrive:
    """Draw and lay out everything a drive is run with.

    Parameters
    ----------
    rig, road, seed, combined_mass_kg, tractive_scale, duration_s, variation
        As in :func:`loadlearn.simulation.drive.simulate`.
    extra_torque_share, step_s
        Likewise.

    Raises
    ------
    InputError
        The rig has no full-load curve, or an argument is impossible.
    """
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
    if duration_s is not None:
        steps = int(round(duration_s / step_s)) + 1
    else:
        # Enough for walking pace all along; the loop ends when the vehicle stands at the end.
        slowest = np.maximum(road.speed_limit_m_s, 2.0)
        waiting = sum(stop.duration_s for stop in road.stops)
        steps = int((3.0 * np.sum(GRID_M / slowest) + waiting + 300.0) / step_s)
    heavy = mass > 12_000.0
    departures = variation.departures
    driver = ps.DriverParameters(
        speed_gain_1_s=0.22,
        integral_gain_1_s2=0.008,
        feedforward=0.85,
        cruise_feedforward=0.85 * (1.0 - departures.feedforward_loss),
        acceleration_m_s2=drawn["acceleration_m_s2"],
        brake_m_s2=0.8 if heavy else 1.1,
        coast_m_s2=0.3 if heavy else 0.4,
        decision_s=0.5,
        hold_band=0.02,
        pedal_rate_1_s=0.9,
        downhill_margin_m_s=1.2,
        uses_exhaust_brake=1.0 if variation.exhaust_brake else 0.0,
        adaptation_s=variation.pedal_adaptation_s,
    )
    halts, stops = stops_table(road, drawn)
    return PreparedDrive(
        steps=steps,
        step_s=float(step_s),
        ground=road_table(road, variation, drawn, driver, heavy, seed),
        noise=noise_table(variation, drawn, steps * step_s, seed),
        halts=halts,
        gears=np.array(rig.driveline.gear_ratios, dtype=float),
        curve=_torque_curve(rig),
        plant=Plant(
            engine=_engine(rig, variation, drawn, tractive_scale, extra_torque_share),
            line=_driveline(rig, drawn, departures),
            load=ps.RoadLoadParameters(
                tyre_speed_slope=drawn["tyre_speed_slope"],
                cold_rise=drawn["cold_tyre_rise"],
                cold_time_s=drawn["cold_tyre_time_s"],
                yaw_drag_per_rad2=variation.yaw_drag_per_rad2,
                cornering_stiffness_1_rad=9.0 if variation.curve_resistance else 1e12,
                tow_vehicle_mass_kg=rig.vehicle.mass_kg,
            ),
            driver=driver,
            thermal=ThermalParameters.from_rig(rig).varied(seed, variation.thermal_spread),
        ),
        stops=stops,
        drawn=drawn,
        departures=departures,
    )


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
        efficiency_fall_per_n_m=engine.efficiency_fall_per_mpa / engine.torque_of_mep(1e3),
        exhaust_brake_mep_pa=4.5e5 if variation.exhaust_brake else 0.0,
        share_ceiling=share,
        fan_w=1e3 * variation.departures.fan_power_kw,
        fuel_cut_lag_s=variation.departures.fuel_cut_lag_s,
    )


def _driveline(rig: Rig, drawn: dict[str, Any], departures: Departures) -> ps.DrivelineParameters:
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
        tyre_radius_m=rig.vehicle.tyre_radius_m * (1.0 + departures.tyre_radius_error),
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
        gear_efficiency_step=departures.gear_efficiency_step,
        lockup_slip=departures.lockup_slip,
    )
