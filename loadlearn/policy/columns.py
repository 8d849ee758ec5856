"""Columns of the arrays that the policy's law reads and writes, by name and by place."""

from __future__ import annotations

from loadlearn.policy.protections import PROTECTIONS

# Columns of a sample, in the canonical names of a drive log. Flags are 0/1, NaN = unknown.
SAMPLE_COLUMNS = (
    "time_s",
    "speed_m_s",
    "grade_percent",
    "altitude_m",
    "fuel_rate_g_s",
    "engine_torque_n_m",
    "tractive_force_n",
    "engine_speed_rpm",
    "gear",
    "transfer_range",
    "brake_active",
    "exhaust_brake_active",
    "driver_aid_active",
    "cruise_active",
    "regeneration_active",
    "accelerator_percent",
    "coolant_temp_degc",
    "exhaust_gas_temp_degc",
    "exhaust_gas_temp_after_turbine_degc",
    "transmission_oil_temp_degc",
    "engine_oil_temp_degc",
    "intake_temp_degc",
    "boost_kpa",
    "air_flow_g_s",
    "rail_pressure_mpa",
    "ambient_temp_degc",
    "ambient_pressure_kpa",
    "extra_torque_share",
    "speed_limit_m_s",
    "accel_long_m_s2",
)
(
    TIME,
    SPEED,
    GRADE,
    ALTITUDE,
    FUEL,
    TORQUE,
    TRACTIVE_FORCE,
    RPM,
    GEAR,
    RANGE,
    BRAKE,
    EXHAUST_BRAKE,
    DRIVER_AID,
    CRUISE,
    REGENERATION_FLAG,
    ACCELERATOR,
    COOLANT,
    GAS,
    GAS_AFTER,
    GEARBOX_OIL,
    ENGINE_OIL,
    INTAKE,
    BOOST,
    AIR_FLOW,
    RAIL,
    AMBIENT,
    PRESSURE,
    SHARE_IN_USE,
    SPEED_LIMIT,
    ACCEL,
) = range(len(SAMPLE_COLUMNS))

# Columns of the advice, one row per sample.
ADVICE_COLUMNS = (
    "power_retention",
    "full_share_time_s",
    "economy",
    "extra_torque",
    "torque_factor",
    "reference_speed_m_s",
    "need",
    "sustainable_share",
    "reserve",
    "wanted_share",
    "exhaust_gas_estimate_degc",
    "exhaust_gas_estimate_sd_k",
    "rating_probability",
    "load_known",
    "present_grade_percent",
    "setting_changes",
    "limit_bits",
)
(
    OUT_RETENTION,
    OUT_FULL_SHARE_TIME,
    OUT_ECONOMY,
    OUT_EXTRA,
    OUT_FACTOR,
    OUT_REFERENCE_SPEED,
    OUT_NEED,
    OUT_SUSTAINABLE,
    OUT_RESERVE,
    OUT_WANTED,
    OUT_GAS,
    OUT_GAS_SD,
    OUT_RATING,
    OUT_KNOWN,
    OUT_GRADE,
    OUT_CHANGES,
    OUT_BITS,
) = range(len(ADVICE_COLUMNS))

# What else may appear among the active limits, after the protections.
OTHER_LIMITS = ("gear_change", "cruise_control", "load_unknown", "no_uprated_engine")
LIMIT_NAMES = tuple(one.name for one in PROTECTIONS) + OTHER_LIMITS
GEAR_CHANGE_BIT, CRUISE_BIT, UNKNOWN_BIT, NO_UPRATE_BIT = (
    len(PROTECTIONS) + k for k in range(len(OTHER_LIMITS))
)

# Columns of the settings' inputs at a tick, beside the draws.
TICK_COLUMNS = (
    "mass_kg",
    "mass_sd_kg",
    "table_retention",
    "table_full_share_time_s",
    "table_economy",
)
TICK_MASS, TICK_MASS_SD, TICK_RETENTION, TICK_TIME, TICK_ECONOMY = range(len(TICK_COLUMNS))
