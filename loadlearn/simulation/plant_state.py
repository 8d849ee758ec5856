"""The simulated vehicle's state, parameters, surroundings and record, by name.

Each is written down once, as a class of floats; compiled code sees records of it
(:func:`loadlearn._compile.record_type`). Nothing is hidden: state, parameters, the road and the
disturbances determine the next state.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import NamedTuple


@dataclass(slots=True)
class PlantState:
    """The vehicle and its driver; at first standing, with the engine on."""

    distance_m: float = 0.0
    """Along the road."""
    speed_m_s: float = 0.0
    """Never negative."""
    engine_speed_rad_s: float = 0.0
    torque_n_m: float = 0.0
    """Net brake torque after the lag."""
    pedal: float = 0.0
    """0..1."""
    pedal_target: float = 0.0
    """Where the driver's foot is going."""
    demand_integral_n: float = 0.0
    """The driver's integral part."""
    decision_time_s: float = 0.0
    """Until the driver decides again."""
    brake_force_n: float = 0.0
    braking: float = 0.0
    """0/1."""
    gear: float = 1.0
    """Engaged gear, 1 = lowest; -1 reverse."""
    gear_before: float = 1.0
    """Gear before the shift under way."""
    shift_time_s: float = -1.0
    """Into the shift, negative while none is under way."""
    since_shift_s: float = 10.0
    """Since the last shift ended."""
    locked: float = 0.0
    """0 converter open, from 1 the lock-up clutch closes, 2 locked rigidly."""
    phase: float = 1.0
    """0 driving, 1 standing, 2 backing."""
    phase_time_s: float = 0.0
    """In this phase."""
    next_stop: float = 0.0
    """Number of the next stop."""
    mass_kg: float = 0.0
    """Of the combination."""
    fuel_burnt_g: float = 0.0
    tyre_cold: float = 0.0
    """1 cold, 0 warm."""
    share: float = 0.0
    """Share of the extra torque in use."""
    drag_area_m2: float = 0.0
    """At no yaw."""
    tyre_factor: float = 1.0
    """Factor on the rolling resistance (tyre pressure)."""
    low_range: float = 0.0
    """0/1."""
    exhaust_brake: float = 0.0
    """0/1."""
    engine_on: float = 1.0
    """0/1."""
    brake_spell_s: float = 0.0
    """Of continuous braking."""
    driveline_cold: float = 0.0
    """1 cold oil, 0 warm."""
    wheel_slip: float = 0.0
    """Relative slip of the driven wheels."""
    familiar_economy: float = 0.0
    """Economy that the driver's foot is used to."""
    fan_load: float = 0.0
    """Engine power over the most there is, of the last quarter minute."""
    fan_on: float = 0.0
    """0/1."""
    lifted_s: float = 0.0
    """Since the foot came off."""
    lockup_slip: float = 0.0
    """Relative slip of the closed lock-up clutch."""


@dataclass(slots=True)
class RoadHere:
    """The road at one place."""

    tangent: float
    altitude_m: float
    coast_speed_m_s: float
    """Speed envelope that can be met by lifting early."""
    brake_speed_m_s: float
    """Speed envelope that needs the brake."""
    curvature_1_m: float
    coefficient: float
    """Rolling resistance at 20 m/s, warm tyres, all variation."""
    nominal_coefficient: float
    """The same of the stretch, without the fine variation."""
    ground: float
    wind_along_m_s: float
    """Steady wind against the direction of travel."""
    wind_across_m_s: float
    density_kg_m3: float
    slip_compliance: float
    """Wheel slip per tread force over weight."""
    temperature_degc: float
    pressure_kpa: float
    """Ambient."""


@dataclass(slots=True)
class Disturbances:
    """What disturbs the drive at one time."""

    gust_along_m_s: float
    gust_across_m_s: float
    accessory_kw: float
    """About the mean."""
    speed_offset: float
    """Relative, of the driver's wish."""
    lift: float
    """1 while the driver lifts his foot."""
    cruise: float
    """1 while cruise control drives."""
    drag_factor: float
    """Of a slipstream."""
    regeneration: float
    """Factor on the fuelling less 1."""
    pedal_pulse: float
    """What the foot adds to where it means to be."""


@dataclass(slots=True)
class Halt:
    """A halt and what changes during it; NaN = unchanged."""

    distance_m: float
    duration_s: float
    engine_off: float
    reverse: float
    mass_kg: float
    drag_area_m2: float
    tyre_factor: float
    low_range: float


@dataclass(slots=True)
class Record:
    """What is recorded at every internal step."""

    time_s: float
    distance_m: float
    speed_m_s: float
    accel_m_s2: float
    engine_speed_rad_s: float
    engine_torque_n_m: float
    fuel_rate_g_s: float
    reported_fuel_rate_g_s: float
    reported_torque_n_m: float
    gear: float
    locked: float
    shifting: float
    accelerator: float
    brake_force_n: float
    driving_force_n: float
    tractive_force_n: float
    grade_tangent: float
    altitude_m: float
    headwind_m_s: float
    effective_drag_area_m2: float
    drag_area_m2: float
    rolling_resistance: float
    warm_rolling_resistance: float
    ground: float
    mass_kg: float
    air_density_kg_m3: float
    extra_torque_share: float
    regeneration: float
    phase: float
    cruise: float
    exhaust_brake: float
    low_range: float
    accessory_power_w: float
    stop: float
    curve_force_n: float
    wheel_slip: float
    ambient_temp_degc: float
    ambient_pressure_kpa: float
    true_exhaust_gas_temp_degc: float
    exhaust_gas_temp_degc: float
    exhaust_gas_temp_after_turbine_degc: float
    coolant_temp_degc: float
    transmission_oil_temp_degc: float
    engine_oil_temp_degc: float
    intake_temp_degc: float
    boost_kpa: float
    air_flow_g_s: float
    rail_pressure_mpa: float
    air_fuel_lambda: float
    converter_loss_w: float


ROAD_COLUMNS, NOISE_COLUMNS, HALT_COLUMNS, RECORDED = (
    tuple(one.name for one in fields(kind)) for kind in (RoadHere, Disturbances, Halt, Record)
)


class EngineParameters(NamedTuple):
    """Engine of the plant (SI)."""

    efficiency: float
    heating_value_j_g: float
    displacement_m3: float
    friction_pa: float
    friction_slope_pa_s: float
    inertia_kg_m2: float
    idle_rad_s: float
    rated_rad_s: float
    torque_plateau_rad_s: float
    peak_torque_n_m: float
    torque_scale: float
    efficiency_load_shape: float
    efficiency_speed_shape: float
    lag_rise_s: float
    lag_boost_s: float
    lag_fall_s: float
    reported_share: float
    efficiency_fall_per_n_m: float
    exhaust_brake_mep_pa: float
    share_ceiling: float
    fan_w: float
    fuel_cut_lag_s: float


class DrivelineParameters(NamedTuple):
    """Driveline, wheels and gearbox of the plant (SI)."""

    efficiency: float
    efficiency_cold_loss: float
    efficiency_speed_spread: float
    cold_time_s: float
    final_drive: float
    low_ratio: float
    tyre_radius_m: float
    wheel_inertia_kg_m2: float
    stall_torque_ratio: float
    converter_capacity: float
    coupling_ratio: float
    closing_share: float
    shift_time_s: float
    shift_torque_factor: float
    lock_rad_s: float
    lowest_locked_gear: float
    skip_gears: float
    gear_efficiency_step: float
    lockup_slip: float


class RoadLoadParameters(NamedTuple):
    """Road load of the plant beyond mass, coefficient and drag area."""

    tyre_speed_slope: float
    cold_rise: float
    cold_time_s: float
    yaw_drag_per_rad2: float
    cornering_stiffness_1_rad: float
    tow_vehicle_mass_kg: float


class DriverParameters(NamedTuple):
    """The driver."""

    speed_gain_1_s: float
    integral_gain_1_s2: float
    feedforward: float
    cruise_feedforward: float
    acceleration_m_s2: float
    brake_m_s2: float
    coast_m_s2: float
    decision_s: float
    hold_band: float
    pedal_rate_1_s: float
    downhill_margin_m_s: float
    uses_exhaust_brake: float
    adaptation_s: float
