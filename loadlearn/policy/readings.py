"""What one sample says of the engine and its air, with what is absent filled in by physics."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn.policy.columns import Sample
from loadlearn.policy.state import (
    PolicyConfig,
    PolicyMemory,
    PolicyState,
)
from loadlearn.policy.thermal_model import (
    RAD_S_PER_RPM,
    Surroundings,
    ThermalParameters,
    air_per_kpa,
    brake_torque_n_m,
    charge_pressure_kpa,
    charge_target_kpa,
    charge_temperature_degc,
    fuel_flow_g_s,
    full_load_torque_n_m,
)

FUEL_NOISE_SHARE = 0.03
"""A fuelling this near to the followed one differs by noise (relative)."""
SETTLED_S = 8.0
"""Firing for this long, the turbocharger is up (s)."""
SPUN_UP = 0.03
"""Charge pressure this near to what is asked for differs by the fuelling's noise (relative)."""


class EngineNow(NamedTuple):
    """The engine at one sample."""

    gear: float
    """Forward gear, known or inferred; NaN = unknown."""
    overall_ratio: float
    """Engine turns per wheel turn; NaN = unknown."""
    rpm: float
    torque_n_m: float
    fuel_g_s: float
    """Fuelling really burnt, the unreported part of the extra torque included."""
    fuel_known: float
    base_fuel_g_s: float
    uprated_fuel_g_s: float
    """At full load at this engine speed, without and with all extra torque."""
    load: float
    """Torque over base full load."""
    pedal_percent: float
    """Accelerator, or demand where there is no such channel."""


class AirNow(NamedTuple):
    """The air at one sample."""

    intake_degc: float
    charge_model_kpa: float
    charge_measured_kpa: float
    """NaN without a boost channel."""
    flow_g_s: float
    air_ratio: float
    boost_ratio: float
    """Charge pressure measured over what the boost control asks for, lately near full load."""
    spin_up: float
    """Modelled charge pressure asked for over attained, less 1: positive while the turbocharger
    spins up."""


def surroundings(row: Sample) -> Surroundings:
    """Ambient temperature and pressure; the standard atmosphere (ISO 2533) fills the gaps."""
    altitude = row.altitude_m if not math.isnan(row.altitude_m) else 0.0
    ambient, pressure = row.ambient_temp_degc, row.ambient_pressure_kpa
    if math.isnan(ambient):
        ambient = 15.0 - 0.0065 * altitude
    if math.isnan(pressure):
        pressure = 101.325 * (1.0 - 0.0065 * altitude / 288.15) ** 5.2559
    return Surroundings(ambient, pressure)


def nearest_gear(ratios: NDArray[np.float64], ratio: float) -> int:
    """Gear (1 = lowest) whose ratio is nearest to a measured one, on a logarithmic scale."""
    best, distance = 0, 1e9
    for i in range(ratios.shape[0]):
        off = abs(math.log(ratio / ratios[i]))
        if off < distance:
            best, distance = i, off
    return best + 1


def read_engine(
    p: ThermalParameters,
    config: PolicyConfig,
    memory: PolicyMemory,
    state: PolicyState,
    row: Sample,
) -> EngineNow:
    """Gear, engine speed, torque and fuelling of one sample.

    Gear and transfer range come from their channels; absent, or contradicted by engine speed over
    road speed, they are inferred from that ratio.

    Parameters
    ----------
    p, config, memory, state
        The policy's parameters and state.
    row : Sample
    """
    speed, rpm, gear = row.speed_m_s, row.engine_speed_rpm, row.gear
    low = row.transfer_range > 0.5
    measured = math.nan
    if rpm > 0.0 and speed > 1.5:
        measured = rpm * RAD_S_PER_RPM * config.tyre_radius_m / speed
    if math.isnan(gear):
        if not math.isnan(measured):
            gear = float(nearest_gear(memory.ratios, measured / (config.low_ratio if low else 1.0)))
        else:
            gear = state.gear
    ratio = math.nan
    if gear > 0.5:
        number = min(int(gear + 0.5), memory.ratios.shape[0])
        ratio = memory.ratios[number - 1]
        if config.low_ratio > 1.0:
            contradicted = measured > ratio * math.sqrt(config.low_ratio) and number > 1
            if low or contradicted:
                ratio *= config.low_ratio
    if math.isnan(rpm):
        rpm = speed * ratio / config.tyre_radius_m / RAD_S_PER_RPM
        if math.isnan(rpm):
            rpm = 0.6 * memory.curve[0, -1]
    rpm = max(rpm, 0.8 * memory.curve[0, 0])
    omega = rpm * RAD_S_PER_RPM
    base = full_load_torque_n_m(memory.curve, rpm, 0.0)
    base_fuel = fuel_flow_g_s(p, base, omega)
    uprated_fuel = fuel_flow_g_s(p, full_load_torque_n_m(memory.curve, rpm, 1.0), omega)

    fuel, torque = row.fuel_rate_g_s, row.engine_torque_n_m
    share = row.extra_torque_share
    if math.isnan(share):
        share = state.extra_torque
    if not math.isnan(fuel) and fuel >= 0.97 * base_fuel and config.reported_share < 1.0:
        fuel += (1.0 - config.reported_share) * share * (uprated_fuel - base_fuel)
    if math.isnan(torque):
        if not math.isnan(fuel):
            torque = brake_torque_n_m(p, fuel, omega)
        elif not math.isnan(row.tractive_force_n) and ratio > 0.0:
            torque = row.tractive_force_n * config.tyre_radius_m / ratio
            torque /= config.driveline_efficiency
    known = 1.0
    if math.isnan(fuel):
        if not math.isnan(torque):
            fuel = fuel_flow_g_s(p, torque, omega)
        else:
            # Nothing says what is burnt: take what the pedal could ask for.
            known = 0.0
            part = 1.0 if math.isnan(row.accelerator_percent) else row.accelerator_percent / 100.0
            fuel = part * (base_fuel + share * (uprated_fuel - base_fuel))
            torque = brake_torque_n_m(p, fuel, omega)
    load = torque / max(base, 1.0)
    pedal = row.accelerator_percent
    if math.isnan(pedal) or (row.cruise_active > 0.5 and config.cruise_extra_torque > 0.5):
        pedal = min(max(100.0 * load, 0.0 if math.isnan(pedal) else pedal), 100.0)
    return EngineNow(gear, ratio, rpm, torque, fuel, known, base_fuel, uprated_fuel, load, pedal)


def share_in_use(engine: EngineNow) -> float:
    """Share of the extra torque that the engine really gives, by its fuelling."""
    extra = engine.uprated_fuel_g_s - engine.base_fuel_g_s
    if not extra > 0.0:
        return 0.0
    return min(max((engine.fuel_g_s - engine.base_fuel_g_s) / extra, 0.0), 1.0)


def read_air(
    p: ThermalParameters,
    state: PolicyState,
    row: Sample,
    engine: EngineNow,
    air: Surroundings,
    interval_s: float,
) -> AirNow:
    """Charge air and air flow of one sample: measured where it is, else modelled with its lag.

    Parameters
    ----------
    p, state
        Parameters and state.
    row : Sample
    engine : EngineNow
    air : Surroundings
    interval_s : float
        Time since the last sample (s).
    """
    omega = engine.rpm * RAD_S_PER_RPM
    load = engine.fuel_g_s / max(engine.base_fuel_g_s, 1e-9)
    intake = row.intake_temp_degc
    if math.isnan(intake):
        intake = charge_temperature_degc(p, air.ambient_degc, load)
    steady = charge_pressure_kpa(p, engine.fuel_g_s, engine.base_fuel_g_s, omega, air.ambient_kpa)
    charge = steady
    if not math.isnan(state.charge_kpa):
        charge += (state.charge_kpa - steady) * math.exp(-interval_s / p.charge_time_s)
    charge = max(charge, air.ambient_kpa)
    spin_up = steady / charge - 1.0
    measured = row.boost_kpa + air.ambient_kpa
    per_kpa = air_per_kpa(p, omega, intake)
    modelled = charge * per_kpa
    if p.throttled > 0.5:
        modelled = p.design_lambda * p.stoichiometric_ratio * max(engine.fuel_g_s, 1e-3)
    flow = row.air_flow_g_s
    if math.isnan(flow) and p.throttled < 0.5:
        flow = measured * per_kpa
    ratio = state.air_ratio
    if math.isnan(flow):
        flow = modelled * ratio
    elif load > 0.3:
        now = min(max(flow / max(modelled, 1e-3), 0.6), 1.6)
        # While the charge is on its way, a turbocharger quicker or slower than believed looks like
        # more or less air: what its lag may explain says nothing of the air at full load.
        unsure = p.charge_time_sd * abs(spin_up)
        explained = min(max(now - ratio, -unsure), unsure)
        ratio += (now - ratio - explained) * (1.0 - math.exp(-interval_s))
    boost_ratio = state.boost_ratio
    if not math.isnan(measured) and load > 0.9:
        asked = charge_target_kpa(p, engine.fuel_g_s, engine.base_fuel_g_s, omega)
        now = min(max(measured / max(asked, 1.0), 0.6), 1.4)
        boost_ratio += (now - boost_ratio) * (1.0 - math.exp(-interval_s / 3.0))
    return AirNow(intake, charge, measured, flow, ratio, boost_ratio, spin_up)


def follow_fuel_ratio(
    ratio: float,
    share: float,
    engine: EngineNow,
    firing_s: float,
    spin_up: float,
    changing: bool,
    interval_s: float,
) -> float:
    """Full-load fuelling measured over modelled, followed while the pedal is right down.

    Caps ask what full load *would* burn; the Willans line answers that to some percent only, and
    the exhaust observer, which runs on the measured fuelling, cannot know of that error. It is also
    the best evidence of how far thin air takes the full-load curve down: what the fuelling reached.

    Parameters
    ----------
    ratio : float
        Ratio so far.
    share : float
        Extra-torque share in use.
    engine : EngineNow
    firing_s : float
        For how long, about, the engine has been firing: just after overrun it is the turbocharger's
        lag that takes fuel away, and the ratio may only rise.
    spin_up : float
        Charge pressure asked for over attained, less 1; as :class:`AirNow`. After a change down the
        turbocharger is late just the same.
    changing : bool
        Whether a gear change is under way, during which full load is not given.
    interval_s : float
        Time since the last sample (s).

    Returns
    -------
    float
        0.7 (thin air) to 1.15.
    """
    if engine.fuel_known < 0.5 or changing or engine.pedal_percent < 97.0 or engine.load < 0.8:
        return ratio
    nominal = engine.base_fuel_g_s + share * (engine.uprated_fuel_g_s - engine.base_fuel_g_s)
    now = min(max(engine.fuel_g_s / max(nominal, 1e-3), 0.7), 1.15)
    if now < ratio and (firing_s < SETTLED_S or spin_up > SPUN_UP):
        return ratio
    # Towards more fuel, hence more heat, it follows quickly once beyond the channel's noise.
    lag = 0.7 if now > ratio + FUEL_NOISE_SHARE else 3.0
    return ratio + (now - ratio) * (1.0 - math.exp(-interval_s / lag))
