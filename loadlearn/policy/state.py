"""What the policy carries from sample to sample, and what it is configured with.

Everything is explicit. :class:`PolicyState` in, :class:`PolicyState` out; the three rings of
:class:`PolicyMemory` are changed in place. The same compiled law serves one sample and a whole log.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn.policy.exhaust import ExhaustState, initial_exhaust_state
from loadlearn.policy.law_settings import CREDIT_MAX_S, EpisodeState, HeldSetting, default_setting
from loadlearn.policy.need import (
    GRADE_SLOTS,
    SPEED_SLOTS,
    DemandState,
    GradeState,
    initial_demand_state,
)
from loadlearn.policy.protections import (
    BOOST_PRIOR,
    PROTECTIONS,
    RAIL_PRIOR,
    GearChangeState,
    LineState,
    RatingState,
    SwayState,
    initial_line,
)
from loadlearn.policy.sensor_watch import SensorState, initial_sensor_state
from loadlearn.policy.thermal_model import ThermalParameters, engine_curve
from loadlearn.vehicle.rig import Rig


class PolicyConfig(NamedTuple):
    """What the rig file settles; floats."""

    exhaust_sensor: float
    """0 none, 1 before the turbine, 2 after it."""
    gas_limit_degc: float
    """At the sensor's place."""
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
    from_table: float
    """1 when the settings come from a schedule table."""


class PolicyState(NamedTuple):
    """Everything the policy remembers from one sample to the next, but for the three rings."""

    time_s: float
    started: float
    extra_torque: float
    charge_kpa: float
    """Modelled charge pressure, lagging."""
    air_ratio: float
    """Air measured over air modelled, smoothed."""
    boost_ratio: float
    """Charge pressure measured over asked for, near full load."""
    fuel_ratio: float
    """Full-load fuelling measured over modelled, smoothed while the pedal is down."""
    gear: float
    """Last known forward gear, for samples without one."""
    exhaust: ExhaustState
    exhaust_sensor: SensorState
    coolant_sensor: SensorState
    boost: LineState
    rail: LineState
    sway: SwayState
    gear_change: GearChangeState
    rating: RatingState
    demand: DemandState
    grade: GradeState
    episode: EpisodeState
    retention: HeldSetting
    economy: HeldSetting
    kept: HeldSetting
    """Share kept under sustained demand; the retention, but for the gas (see law)."""
    known: float
    need: float
    sustainable: float
    reserve: float
    rating_probability: float
    tick_s: float
    """Time of the last settings update."""
    setting_changes: float


# The compiler does not know NamedTuple._replace: these spell it out.


def set_beliefs(
    state: PolicyState,
    time_s: float,
    charge_kpa: float,
    air_ratio: float,
    boost_ratio: float,
    fuel_ratio: float,
    gear: float,
    exhaust: ExhaustState,
    exhaust_sensor: SensorState,
    gear_change: GearChangeState,
    demand: DemandState,
    grade: GradeState,
) -> PolicyState:
    """State with the beliefs of a new sample."""
    return PolicyState(
        time_s,
        1.0,
        state.extra_torque,
        charge_kpa,
        air_ratio,
        boost_ratio,
        fuel_ratio,
        gear,
        exhaust,
        exhaust_sensor,
        state.coolant_sensor,
        state.boost,
        state.rail,
        state.sway,
        gear_change,
        state.rating,
        demand,
        grade,
        state.episode,
        state.retention,
        state.economy,
        state.kept,
        state.known,
        state.need,
        state.sustainable,
        state.reserve,
        state.rating_probability,
        state.tick_s,
        state.setting_changes,
    )


def set_protections(
    state: PolicyState,
    boost: LineState,
    rail: LineState,
    sway: SwayState,
    coolant_sensor: SensorState,
    rating: RatingState,
) -> PolicyState:
    """State with the protections' own states advanced."""
    return PolicyState(
        state.time_s,
        state.started,
        state.extra_torque,
        state.charge_kpa,
        state.air_ratio,
        state.boost_ratio,
        state.fuel_ratio,
        state.gear,
        state.exhaust,
        state.exhaust_sensor,
        coolant_sensor,
        boost,
        rail,
        sway,
        state.gear_change,
        rating,
        state.demand,
        state.grade,
        state.episode,
        state.retention,
        state.economy,
        state.kept,
        state.known,
        state.need,
        state.sustainable,
        state.reserve,
        state.rating_probability,
        state.tick_s,
        state.setting_changes,
    )


def set_settings(
    state: PolicyState,
    episode: EpisodeState,
    retention: HeldSetting,
    economy: HeldSetting,
    kept: HeldSetting,
    known: float,
    need: float,
    sustainable: float,
    reserve: float,
    rating_probability: float,
    tick_s: float,
    setting_changes: float,
) -> PolicyState:
    """State with renewed settings."""
    return PolicyState(
        state.time_s,
        state.started,
        state.extra_torque,
        state.charge_kpa,
        state.air_ratio,
        state.boost_ratio,
        state.fuel_ratio,
        state.gear,
        state.exhaust,
        state.exhaust_sensor,
        state.coolant_sensor,
        state.boost,
        state.rail,
        state.sway,
        state.gear_change,
        state.rating,
        state.demand,
        state.grade,
        episode,
        retention,
        economy,
        kept,
        known,
        need,
        sustainable,
        reserve,
        rating_probability,
        tick_s,
        setting_changes,
    )


def set_given(state: PolicyState, episode: EpisodeState, extra_torque: float) -> PolicyState:
    """State with what is given now."""
    return PolicyState(
        state.time_s,
        state.started,
        extra_torque,
        state.charge_kpa,
        state.air_ratio,
        state.boost_ratio,
        state.fuel_ratio,
        state.gear,
        state.exhaust,
        state.exhaust_sensor,
        state.coolant_sensor,
        state.boost,
        state.rail,
        state.sway,
        state.gear_change,
        state.rating,
        state.demand,
        state.grade,
        episode,
        state.retention,
        state.economy,
        state.kept,
        state.known,
        state.need,
        state.sustainable,
        state.reserve,
        state.rating_probability,
        state.tick_s,
        state.setting_changes,
    )


class PolicyMemory(NamedTuple):
    """Rings and tables handed to the law; ``speeds`` and ``grades`` are changed in place."""

    speeds: NDArray[np.float64]
    grades: NDArray[np.float64]
    caps: NDArray[np.float64]
    """Caps of the last sample, by protection."""
    curve: NDArray[np.float64]
    ratios: NDArray[np.float64]
    """Engine turns per wheel turn of each gear, high range."""


SENSOR_PLACES = {"none": 0.0, "before_turbine": 1.0, "after_turbine": 2.0}


def policy_config(rig: Rig, from_table: bool = False) -> PolicyConfig:
    """Configuration of the law for a rig.

    Parameters
    ----------
    rig : Rig
    from_table : bool
        Whether the settings come from a schedule table.

    Returns
    -------
    PolicyConfig
    """
    limits, vehicle, driveline = rig.limits, rig.vehicle, rig.driveline
    place = SENSOR_PLACES[limits.exhaust_gas_temp_sensor]
    curve = engine_curve(rig)
    axle = limits.axle_torque_max_n_m
    if axle is None:
        axle = float(curve[1].max()) * driveline.gear_ratios[0] * driveline.final_drive
    uprated = rig.engine.uprated
    return PolicyConfig(
        exhaust_sensor=place,
        gas_limit_degc=limits.exhaust_gas_temp_after_turbine_degc
        if place > 1.5
        else limits.exhaust_gas_temp_degc,
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
        from_table=float(from_table),
    )


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else float(value)


def initial_policy_state(p: ThermalParameters) -> PolicyState:
    """State before the first sample.

    Parameters
    ----------
    p : ThermalParameters

    Returns
    -------
    PolicyState
    """
    nan = math.nan
    return PolicyState(
        time_s=nan,
        started=0.0,
        extra_torque=0.0,
        charge_kpa=nan,
        air_ratio=1.0,
        boost_ratio=1.0,
        fuel_ratio=1.0,
        gear=nan,
        exhaust=initial_exhaust_state(p, 20.0, 20.0),
        exhaust_sensor=initial_sensor_state(),
        coolant_sensor=initial_sensor_state(),
        boost=initial_line(BOOST_PRIOR),
        rail=initial_line(RAIL_PRIOR),
        sway=SwayState(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1e3),
        gear_change=GearChangeState(nan, 1e3, 0.0),
        rating=RatingState(0.0),
        demand=initial_demand_state(),
        grade=GradeState(0.0, 0.0, 0.0, 0.0, nan),
        episode=EpisodeState(0.0, 0.0, CREDIT_MAX_S, 0.0, -1.0),
        retention=default_setting(),
        economy=default_setting(),
        kept=default_setting(),
        known=0.0,
        need=0.0,
        sustainable=0.0,
        reserve=0.0,
        rating_probability=nan,
        tick_s=nan,
        setting_changes=0.0,
    )


def policy_memory(rig: Rig) -> PolicyMemory:
    """Empty rings, and the rig's tables.

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    PolicyMemory
    """
    ratios = np.array(rig.driveline.gear_ratios, dtype=np.float64) * rig.driveline.final_drive
    return PolicyMemory(
        np.zeros(SPEED_SLOTS),
        np.zeros(GRADE_SLOTS),
        np.ones(len(PROTECTIONS)),
        engine_curve(rig),
        ratios,
    )
