"""What the policy's law reads and writes, by name: a sample, a tick of the settings, the advice.

Each is written down once, as a class of floats. Compiled code sees records of it
(:func:`loadlearn._compile.record_type`), tables and logs the names of its fields in their order.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Any

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
    full_share_time_s: float = 0.0
    economy: float = 0.0
    extra_torque: float = 0.0
    torque_factor: float = 0.0
    reference_speed_m_s: float = 0.0
    grade_asked_percent: float = 0.0
    retention_asked: float = 0.0
    sustainable_share: float = 0.0
    wanted_share: float = 0.0
    exhaust_gas_estimate_degc: float = 0.0
    exhaust_gas_estimate_sd_k: float = 0.0
    rating_probability: float = 0.0
    load_known: float = 0.0
    present_grade_percent: float = 0.0
    setting_changes: float = 0.0
    limit_bits: float = 0.0


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
