"""What the policy's law reads and writes, by name: a sample, a tick of the settings, the advice.

Each is written down once, as a class of floats. Compiled code sees records of it
(:func:`loadlearn._compile.record_type`), tables and logs the names of its fields in their order.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Any, TypedDict

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import record_type
from loadlearn.policy.protections import PROTECTIONS


@dataclass(slots=True)
class Sample:
    """A sample of a drive log, by canonical names. Flags are 0/1; NaN = absent or unknown."""

    time_s: float = math.nan
    speed_m_s: float = math.nan
    grade_percent: float = math.nan
    altitude_m: float = math.nan
    fuel_rate_g_s: float = math.nan
    engine_torque_n_m: float = math.nan
    tractive_force_n: float = math.nan
    engine_speed_rpm: float = math.nan
    gear: float = math.nan
    transfer_range: float = math.nan
    brake_active: float = math.nan
    exhaust_brake_active: float = math.nan
    driver_aid_active: float = math.nan
    cruise_active: float = math.nan
    regeneration_active: float = math.nan
    accelerator_percent: float = math.nan
    coolant_temp_degc: float = math.nan
    exhaust_gas_temp_degc: float = math.nan
    exhaust_gas_temp_after_turbine_degc: float = math.nan
    transmission_oil_temp_degc: float = math.nan
    engine_oil_temp_degc: float = math.nan
    intake_temp_degc: float = math.nan
    boost_kpa: float = math.nan
    air_flow_g_s: float = math.nan
    rail_pressure_mpa: float = math.nan
    ambient_temp_degc: float = math.nan
    ambient_pressure_kpa: float = math.nan
    extra_torque_share: float = math.nan
    speed_limit_m_s: float = math.nan
    accel_long_m_s2: float = math.nan


@dataclass(slots=True)
class AdviceRow:
    """The advice at one sample."""

    power_retention: float = 0.0
    """Share of the extra torque to keep under sustained demand, 0 to 1."""
    full_share_time_s: float = 0.0
    """How long all of it may be pulled before that, from the heat credit now left."""
    economy: float = 0.0
    """How far demand is restrained, 0 to 1."""
    extra_torque: float = 0.0
    """Share of the extra torque that may be used at this instant, after every protection."""
    torque_factor: float = 0.0
    """Factor on the whole driving torque in a gear change; 1 is no reduction."""
    reference_speed_m_s: float = 0.0
    """Speed that the driver is taken to want."""
    grade_asked_percent: float = 0.0
    """Grade that the settings are made for."""
    retention_asked: float = 0.0
    """Retention that the load asks for, before heat and ratings take of it."""
    sustainable_share: float = 0.0
    """Share that heat sustains at the reference speed."""
    wanted_share: float = 0.0
    """Share that pedal and settings ask for at this instant."""
    exhaust_gas_estimate_degc: float = 0.0
    """Exhaust gas temperature as estimated ahead of a lagging sensor."""
    exhaust_gas_estimate_sd_k: float = 0.0
    """Its standard deviation."""
    rating_probability: float = 0.0
    """The larger of the probabilities that the combined mass and the trailer exceed a rating."""
    load_known: float = 0.0
    """1 where the load is known well enough for the settings to follow it."""
    present_grade_percent: float = 0.0
    """Grade here, over the last stretch of road."""
    setting_changes: float = 0.0
    """Changes of a setting so far."""
    limit_bits: float = 0.0
    """Which of :data:`LIMIT_NAMES` act, one bit each; files hold ``active_limits`` instead."""


class AdviceLoad(TypedDict):
    """What ``advice.csv`` says of the load before the advice."""

    time_s: float
    """Time of the sample, on the log's clock."""
    mass_kg: float
    """Combined mass that the advice is made for, a weighing included."""
    mass_sd_kg: float
    """Its standard deviation."""
    rolling_resistance: float
    """Coefficient of the present ground at 20 m/s."""
    surface: str
    """Name of the ground believed in."""


class AdviceWords(TypedDict):
    """What ``advice.csv`` says after the advice."""

    active_limits: str
    """Protections acting, and what else holds the extra torque back, joined by semicolons."""
    reason: str
    """The advice in one sentence."""


@dataclass(slots=True)
class Tick:
    """Inputs of the settings at a tick, beside the draws; NaN for a rule's where the grid holds."""

    mass_kg: float = math.nan
    mass_sd_kg: float = math.nan
    rule_retention: float = math.nan
    rule_full_share_time_s: float = math.nan
    rule_economy: float = math.nan


SAMPLE_COLUMNS, ADVICE_COLUMNS, TICK_COLUMNS = (
    tuple(one.name for one in fields(kind)) for kind in (Sample, AdviceRow, Tick)
)


def as_records(rows: NDArray[np.float64], kind: type) -> NDArray[Any]:
    """The rows of a table as records of ``Sample``, ``AdviceRow`` or ``Tick``, in place.

    Parameters
    ----------
    rows : ndarray, shape (n, fields of kind)
        Contiguous.
    kind : type

    Returns
    -------
    ndarray, shape (n,)
    """
    return rows.view(record_type(kind))[:, 0]


# What else may appear among the active limits, after the protections.
OTHER_LIMITS = ("gear_change", "cruise_control", "load_unknown", "no_uprated_engine")
LIMIT_NAMES = tuple(one.name for one in PROTECTIONS) + OTHER_LIMITS
