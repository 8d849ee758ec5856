"""What the policy carries from sample to sample, and what it is configured with.

Everything is explicit: :class:`PolicyState` and :class:`PolicyMemory` determine what comes next,
and are changed in place. The same compiled law serves one sample and a whole log.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import record_type
from loadlearn.policy.asked import GRADE_SLOTS, SPEED_SLOTS, DemandState, GradeState
from loadlearn.policy.exhaust import ExhaustState, initial_exhaust_state
from loadlearn.policy.law_settings import EpisodeState, HeldSetting
from loadlearn.policy.lookup import Grid, grid_of
from loadlearn.policy.protections import (
    BOOST_PRIOR,
    PROTECTIONS,
    RAIL_PRIOR,
    Caps,
    GearChangeState,
    LineState,
    SwayState,
    initial_line,
)
from loadlearn.policy.sensor_watch import SensorState
from loadlearn.policy.strategy import Strategy
from loadlearn.policy.thermal_model import ThermalParameters, engine_curve
from loadlearn.vehicle.rig import Rig


class PolicyConfig(NamedTuple):
    """What the rig file settles; floats."""

    exhaust_sensor: float
    """0 none, 1 before the turbine, 2 after it."""
    gas_limit_degc: float
    """To aim at, at the sensor's place; below the rig's by the sensor's tolerance."""
    coolant_start_degc: float
    coolant_full_degc: float
    coolant_reduce_degc: float
    coolant_zero_degc: float
    oil_reduce_degc: float
    oil_zero_degc: float
    engine_oil_reduce_degc: float
    engine_oil_zero_degc: float
    intake_reduce_degc: float
    intake_zero_degc: float
    boost_over_target_kpa: float
    rail_shortfall_share: float
    axle_torque_max_n_m: float
    low_ratio: float
    """1 without a transfer case."""
    tyre_radius_m: float
    driveline_efficiency: float
    rated_gcm_kg: float
    rated_towing_kg: float
    """Ratings, NaN = not known."""
    cruise_extra_torque: float
    reported_share: float
    """Part of the extra fuelling that the fuelling channel shows."""
    uprated: float


@dataclass(slots=True)
class PolicyState:
    """Everything the policy remembers from one sample to the next, but for :class:`PolicyMemory`.

    The law changes it in place; compiled, as a record of this class.
    """

    exhaust: ExhaustState
    time_s: float = math.nan
    started: float = 0.0
    extra_torque: float = 0.0
    charge_kpa: float = math.nan
    """Modelled charge pressure, lagging."""
    air_ratio: float = 1.0
    """Air measured over air modelled, smoothed."""
    boost_ratio: float = 1.0
    """Charge pressure measured over asked for, near full load."""
    fuel_ratio: float = 1.0
    """Full-load fuelling measured over modelled, smoothed while the pedal is down."""
    gear: float = math.nan
    """Last known forward gear, for samples without one."""
    exhaust_sensor: SensorState = field(default_factory=SensorState)
    coolant_sensor: SensorState = field(default_factory=SensorState)
    boost: LineState = field(default_factory=lambda: initial_line(BOOST_PRIOR))
    rail: LineState = field(default_factory=lambda: initial_line(RAIL_PRIOR))
    sway: SwayState = field(default_factory=SwayState)
    gear_change: GearChangeState = field(default_factory=GearChangeState)
    rating_held: float = 0.0
    """Probability of exceeding a rating that the ceiling follows, with hysteresis."""
    demand: DemandState = field(default_factory=DemandState)
    grade: GradeState = field(default_factory=GradeState)
    episode: EpisodeState = field(default_factory=EpisodeState)
    retention: HeldSetting = field(default_factory=HeldSetting)
    economy: HeldSetting = field(default_factory=HeldSetting)
    kept: HeldSetting = field(default_factory=HeldSetting)
    """Share kept under sustained demand; the retention, but for the gas (see law)."""
    known: float = 0.0
    restraint: float = 0.0
    """Economy in force: the setting, but none while a driver demands."""
    grade_asked_percent: float = 0.0
    retention_asked: float = 0.0
    """By the strategy, whatever the heat."""
    sustainable: float = 0.0
    rating_probability: float = math.nan
    tick_s: float = math.nan
    """Time of the last settings update."""
    setting_changes: float = 0.0


class PolicyMemory(NamedTuple):
    """Rings, caps and tables handed to the law; all but the last three are changed in place."""

    speeds: NDArray[np.float64]
    grades: NDArray[np.float64]
    caps: NDArray[np.float64]
    """Caps of the last sample, by protection."""
    cap_of: Caps
    """The same, by name."""
    curve: NDArray[np.float64]
    ratios: NDArray[np.float64]
    """Engine turns per wheel turn of each gear, high range."""
    grid: Grid
    """The strategy's."""


SENSOR_TOLERANCE = 0.004
"""Of a class 1 thermocouple of type K above 375 degC (IEC 60584-1, from memory): the gas is held
this much below its limit, for the sensor may show so much too little."""
SENSOR_PLACES = {"none": 0.0, "before_turbine": 1.0, "after_turbine": 2.0}


def policy_config(rig: Rig) -> PolicyConfig:
    """Configuration of the law for a rig."""
    limits, vehicle, driveline = rig.limits, rig.vehicle, rig.driveline
    place = SENSOR_PLACES[limits.exhaust_gas_temp_sensor]
    curve = engine_curve(rig)
    axle = limits.axle_torque_max_n_m
    if axle is None:
        axle = float(curve[1].max()) * driveline.gear_ratios[0] * driveline.final_drive
    uprated = rig.engine.uprated
    return PolicyConfig(
        exhaust_sensor=place,
        gas_limit_degc=(1.0 - SENSOR_TOLERANCE)
        * (
            limits.exhaust_gas_temp_after_turbine_degc
            if place > 1.5
            else limits.exhaust_gas_temp_degc
        ),
        coolant_start_degc=limits.coolant_start_degc,
        coolant_full_degc=limits.coolant_full_degc,
        coolant_reduce_degc=limits.coolant_reduce_degc,
        coolant_zero_degc=limits.coolant_zero_degc,
        oil_reduce_degc=limits.transmission_oil_reduce_degc,
        oil_zero_degc=limits.transmission_oil_zero_degc,
        engine_oil_reduce_degc=limits.engine_oil_reduce_degc,
        engine_oil_zero_degc=limits.engine_oil_zero_degc,
        intake_reduce_degc=limits.intake_reduce_degc,
        intake_zero_degc=limits.intake_zero_degc,
        boost_over_target_kpa=limits.boost_over_target_kpa,
        rail_shortfall_share=limits.rail_pressure_shortfall_share,
        axle_torque_max_n_m=axle,
        low_ratio=driveline.transfer_low_ratio or 1.0,
        tyre_radius_m=vehicle.tyre_radius_m,
        driveline_efficiency=driveline.efficiency,
        rated_gcm_kg=_or_nan(vehicle.rated_gcm_kg),
        rated_towing_kg=_or_nan(vehicle.rated_towing_kg),
        cruise_extra_torque=float(limits.cruise_extra_torque),
        reported_share=1.0 if uprated is None else uprated.reported_share,
        uprated=0.0 if uprated is None else 1.0,
    )


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else float(value)


def initial_policy_state(p: ThermalParameters) -> PolicyState:
    """State before the first sample."""
    return PolicyState(initial_exhaust_state(p, 20.0, 20.0))


def policy_memory(rig: Rig, strategy: Strategy) -> PolicyMemory:
    """Empty rings, and the tables of rig and strategy."""
    ratios = np.array(rig.driveline.gear_ratios, dtype=np.float64) * rig.driveline.final_drive
    caps = np.ones(len(PROTECTIONS))
    return PolicyMemory(
        np.zeros(SPEED_SLOTS),
        np.zeros(GRADE_SLOTS),
        caps,
        caps.view(record_type(Caps)).view(np.recarray)[0],
        engine_curve(rig),
        ratios,
        grid_of(strategy, rig.vehicle.drag_area_m2, rig.uncertainty.tractive_scale),
    )
