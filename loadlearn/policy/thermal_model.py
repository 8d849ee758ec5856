"""What the policy believes about air and heat: fuelling, charge air, exhaust gas, coolant, oil.

Deliberately small: algebra plus first-order lags, so that "what share of the extra torque is
sustainable" has an answer in closed form or by a short bisection. A closed-loop simulation must use
a richer plant with other parameters; the observer of :mod:`loadlearn.policy.exhaust` and the
uncertainties below are what closes the gap.

Exhaust gas before the turbine, by the energy balance of the cylinder (Heywood, *Internal Combustion
Engine Fundamentals*, from memory: roughly a third of the fuel's energy leaves with the exhaust)::

    T_cyl = T_intake + k q H f / (cp (a + f))
    T_gas = T_cyl - w (T_cyl - T_metal),      dT_metal/dt = (T_cyl - T_metal) / tau_metal

with fuel ``f``, air ``a`` (g/s), lower heating value ``H``, exhaust energy share ``q``, and ``k``
the factor that the observer learns. The gas follows load at once but for the share ``w`` that cold
metal takes out of it: that share is the heat credit.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import GAS_CONSTANT_AIR_J_KG_K

STANDARD_PRESSURE_KPA = 100.0
RAD_S_PER_RPM = math.pi / 30.0


class ThermalParameters(NamedTuple):
    """Parameters of the air and heat model; all floats, SI but for g/s, kPa and degC.

    Defaults are textbook values from memory (Heywood; Guzzella & Onder) or common practice without
    a source. ``*_sd`` are 1-sigma, relative to the temperature rise they belong to.
    """

    # Engine, from the rig
    displacement_m3: float
    cycles_per_turn: float
    indicated_efficiency: float
    heating_value_j_g: float
    friction_mep_pa: float
    friction_mep_slope_pa_s: float
    stoichiometric_ratio: float
    throttled: float
    """1 for a throttled engine, whose air follows its fuel."""
    turbocharged: float
    """1 for an engine that a compressor feeds."""
    # Air
    volumetric_efficiency: float = 0.88
    design_lambda: float = 1.45
    """Air-fuel ratio over stoichiometric at base full load, standard air."""
    charge_gain: float = 0.6
    """Rise of charge pressure with fuelling beyond base full load, relative to that below it."""
    pressure_ratio_max: float = 3.2
    lambda_min: float = 1.2
    charge_rise_idle_k: float = 6.0
    charge_rise_full_k: float = 22.0
    """Charge air above ambient after the cooler at base full load."""
    charge_time_s: float = 1.0
    """Lag of the charge pressure behind fuelling."""
    charge_time_sd: float = 1.0
    """Relative: turbochargers differ, and one spins up the quicker the more gas flows."""
    # Exhaust
    exhaust_energy_share: float = 0.34
    exhaust_share_rise: float = 0.2
    """Relative rise of that share per unit of fuelling beyond base full load."""
    exhaust_heat_capacity_j_g_k: float = 1.15
    exhaust_rise_sd: float = 0.10
    exhaust_shape_sd: float = 0.04
    """Model error gained by moving ``exhaust_shape_length`` in log rise from what was observed."""
    exhaust_shape_length: float = 0.5
    metal_share: float = 0.20
    metal_share_sd: float = 0.2
    """Relative: metal is not one piece, and cools and warms in other ways than one."""
    metal_time_s: float = 45.0
    sensor_time_s: float = 2.5
    sensor_time_sd: float = 0.2
    """Relative: probes differ in thickness and place, and gas in how fast it flows."""
    sensor_noise_k: float = 2.0
    turbine_drop_share: float = 0.27
    """Drop across the turbine over the gas's excess above ambient."""
    # Coolant
    coolant_thermostat_degc: float = 88.0
    coolant_rise_k: float = 52.0
    """Equilibrium above ambient at base rated fuelling with the thermostat open."""
    coolant_time_s: float = 150.0
    coolant_rise_sd: float = 0.12
    # Gearbox oil
    oil_rise_k: float = 18.0
    """Gearbox oil above coolant at base rated power, converter locked."""
    oil_slip_rise_k: float = 90.0
    """Further rise per unit of converter power loss over base rated power."""
    oil_time_s: float = 300.0
    oil_rise_sd: float = 0.25
    rated_fuel_g_s: float = 1.0
    """Fuelling at base rated power."""


class Surroundings(NamedTuple):
    """Air that the engine breathes: ambient temperature (degC) and pressure (kPa)."""

    ambient_degc: float
    ambient_kpa: float


def thermal_parameters(rig: Rig) -> ThermalParameters:
    """Air and heat parameters of a rig, physical defaults where the rig is silent.

    Raises
    ------
    InputError
        The rig has no full-load curve.
    """
    engine = rig.engine
    if not engine.full_load_rpm:
        raise InputError(
            "the rig has no full-load curve, so nothing can be advised: add full_load_rpm and "
            "full_load_torque_n_m under [engine]"
        )
    petrol = engine.fuel == "petrol"
    parameters = ThermalParameters(
        displacement_m3=engine.displacement_m3,
        cycles_per_turn=2.0 / engine.strokes_per_cycle,
        indicated_efficiency=engine.indicated_efficiency,
        heating_value_j_g=engine.heating_value_j_g,
        friction_mep_pa=engine.friction_mep_kpa * 1e3,
        friction_mep_slope_pa_s=engine.friction_mep_slope_kpa_s_per_rad * 1e3,
        stoichiometric_ratio=engine.stoichiometric_ratio,
        throttled=1.0 if petrol else 0.0,
        turbocharged=1.0 if engine.aspiration == "turbocharged" else 0.0,
        design_lambda=1.0 if petrol else 1.45,
        pressure_ratio_max=rig.limits.turbo_pressure_ratio_max,
        # A stoichiometric engine is enriched, not leaned, at full load: the diesel smoke limit in
        # the rig file cannot be meant for it.
        lambda_min=min(rig.limits.air_fuel_lambda_min, 0.85)
        if petrol
        else rig.limits.air_fuel_lambda_min,
    )
    curve = engine_curve(rig)
    omega = curve[0] * RAD_S_PER_RPM
    rated = int(np.argmax(curve[1] * omega))
    fuel = fuel_flow_g_s(parameters, curve[1, rated], omega[rated])
    return parameters._replace(rated_fuel_g_s=float(fuel))


def engine_curve(rig: Rig) -> NDArray[np.float64]:
    """Full-load curves as one array.

    Returns
    -------
    ndarray, shape (3, n)
        Engine speed (1/min), base torque, uprated torque (N m; equal to base without an uprate).
    """
    rpm = np.asarray(rig.engine.full_load_rpm, dtype=np.float64)
    return np.vstack([rpm, rig.engine.full_load_torque(rpm), rig.engine.full_load_torque(rpm, 1.0)])


def interpolate(x: float, grid: NDArray[np.float64], values: NDArray[np.float64]) -> float:
    """Linear interpolation on a rising grid, end values held outside."""
    last = grid.shape[0] - 1
    if not x > grid[0]:
        return values[0]
    if x >= grid[last]:
        return values[last]
    j = 1
    while grid[j] < x:
        j += 1
    part = (x - grid[j - 1]) / (grid[j] - grid[j - 1])
    return values[j - 1] + part * (values[j] - values[j - 1])


def friction_torque_n_m(p: ThermalParameters, omega: float) -> float:
    """Friction torque (N m) at an engine speed (rad/s)."""
    pressure = p.friction_mep_pa + p.friction_mep_slope_pa_s * omega
    return pressure * p.displacement_m3 * p.cycles_per_turn / (2.0 * math.pi)


def fuel_flow_g_s(p: ThermalParameters, torque_n_m: float, omega: float) -> float:
    """Fuelling (g/s) for a brake torque (N m) at an engine speed (rad/s), by the Willans line."""
    indicated = torque_n_m + friction_torque_n_m(p, omega)
    return max(indicated, 0.0) * omega / (p.indicated_efficiency * p.heating_value_j_g)


def brake_torque_n_m(p: ThermalParameters, fuel_g_s: float, omega: float) -> float:
    """Brake torque (N m) of a fuelling (g/s): the inverse of :func:`fuel_flow_g_s`."""
    indicated = fuel_g_s * p.indicated_efficiency * p.heating_value_j_g / max(omega, 1.0)
    return indicated - friction_torque_n_m(p, omega)


def full_load_torque_n_m(curve: NDArray[np.float64], rpm: float, share: float) -> float:
    """Full-load brake torque (N m) at an extra-torque share."""
    base = interpolate(rpm, curve[0], curve[1])
    return base + share * (interpolate(rpm, curve[0], curve[2]) - base)


def air_per_kpa(p: ThermalParameters, omega: float, intake_degc: float) -> float:
    """Air flow (g/s) per kPa of charge pressure (speed-density equation)."""
    cylinder_m3_s = p.displacement_m3 * p.cycles_per_turn * omega / (2.0 * math.pi)
    density = 1e3 / (GAS_CONSTANT_AIR_J_KG_K * (intake_degc + 273.15))
    return 1e3 * p.volumetric_efficiency * cylinder_m3_s * density


def charge_target_kpa(
    p: ThermalParameters, fuel_g_s: float, base_fuel_g_s: float, omega: float
) -> float:
    """Absolute charge pressure (kPa) that the boost control asks for.

    A map over fuelling, anchored at base full load where the mixture has ``design_lambda``; beyond
    that it rises by ``charge_gain`` of the slope. A throttled engine's air follows its fuel, and so
    does the pressure asked for. Without a compressor it is the standard atmosphere's.
    """
    if p.turbocharged < 0.5:
        return STANDARD_PRESSURE_KPA
    design_air = p.design_lambda * p.stoichiometric_ratio * base_fuel_g_s
    design = design_air / max(air_per_kpa(p, omega, 25.0 + p.charge_rise_full_k), 1e-9)
    excess = max(design - STANDARD_PRESSURE_KPA, 0.0)
    load = fuel_g_s / max(base_fuel_g_s, 1e-9)
    if p.throttled > 0.5:
        return max(design * load, STANDARD_PRESSURE_KPA)
    if load > 1.0:
        load = 1.0 + p.charge_gain * (load - 1.0)
    return STANDARD_PRESSURE_KPA + excess * load


def charge_pressure_kpa(
    p: ThermalParameters, fuel_g_s: float, base_fuel_g_s: float, omega: float, ambient_kpa: float
) -> float:
    """Absolute charge pressure (kPa) attained: the target, as far as the compressor can give it.

    The compressor's pressure ratio is limited, so altitude takes air away. In a throttled engine it
    is the pressure before the throttle.
    """
    if p.turbocharged < 0.5:
        return ambient_kpa
    target = charge_target_kpa(p, fuel_g_s, base_fuel_g_s, omega)
    return max(ambient_kpa, min(target, p.pressure_ratio_max * ambient_kpa))


def charge_temperature_degc(p: ThermalParameters, ambient_degc: float, load: float) -> float:
    """Charge air after the cooler (degC), when no sensor reports it; load 1 = base full load."""
    return (
        ambient_degc
        + p.charge_rise_idle_k
        + (p.charge_rise_full_k - p.charge_rise_idle_k) * (min(max(load, 0.0), 1.5))
    )


def air_flow_g_s(
    p: ThermalParameters,
    fuel_g_s: float,
    base_fuel_g_s: float,
    omega: float,
    intake_degc: float,
    ambient_kpa: float,
) -> float:
    """Steady air flow (g/s) at a fuelling."""
    if p.throttled > 0.5:
        return p.design_lambda * p.stoichiometric_ratio * max(fuel_g_s, 1e-3)
    pressure = charge_pressure_kpa(p, fuel_g_s, base_fuel_g_s, omega, ambient_kpa)
    return pressure * air_per_kpa(p, omega, intake_degc)


def exhaust_rise_k(
    p: ThermalParameters, fuel_g_s: float, air_g_s: float, base_fuel_g_s: float
) -> float:
    """Rise of the gas over the charge air (K) before the learnt factor, metal warm.

    Beyond base full load a growing share of the fuel burns late and leaves with the exhaust. No
    engine burns much richer than a mixture of 0.7 stoichiometric: less air than that is a sensor
    that has not started.
    """
    air_g_s = max(air_g_s, 0.7 * p.stoichiometric_ratio * fuel_g_s)
    beyond = max(fuel_g_s / max(base_fuel_g_s, 1e-9) - 1.0, 0.0)
    share = p.exhaust_energy_share * (1.0 + p.exhaust_share_rise * min(beyond, 1.0))
    heat = share * p.heating_value_j_g * max(fuel_g_s, 0.0)
    return heat / (p.exhaust_heat_capacity_j_g_k * max(air_g_s + fuel_g_s, 1e-3))


def coolant_equilibrium_degc(p: ThermalParameters, fuel_g_s: float, ambient_degc: float) -> float:
    """Coolant temperature (degC) that a fuelling would settle at."""
    opened = ambient_degc + p.coolant_rise_k * fuel_g_s / p.rated_fuel_g_s
    return max(p.coolant_thermostat_degc, opened)


def oil_equilibrium_degc(
    p: ThermalParameters, coolant_degc: float, fuel_g_s: float, slip_share: float
) -> float:
    """Gearbox oil temperature (degC) that a load would settle at.

    ``slip_share`` is the converter's speed slip: the share of the power it turns into heat.
    """
    load = fuel_g_s / p.rated_fuel_g_s
    return coolant_degc + load * (p.oil_rise_k + p.oil_slip_rise_k * slip_share)


def attainable_torque_n_m(
    p: ThermalParameters,
    curve: NDArray[np.float64],
    rpm: float,
    share: float,
    air: Surroundings,
) -> float:
    """Full-load torque (N m) that the air at hand allows: the density-derated curve.

    Fuelling is cut back where the compressor, at its pressure-ratio limit, cannot keep the mixture
    at ``lambda_min`` (a throttled engine's, whose boost control asks for the air it needs, at
    ``design_lambda``: beyond that more fuel makes no torque). Without a compressor torque falls in
    proportion to air density.
    """
    omega = rpm * RAD_S_PER_RPM
    torque = full_load_torque_n_m(curve, rpm, share)
    base_fuel = fuel_flow_g_s(p, full_load_torque_n_m(curve, rpm, 0.0), omega)
    if p.turbocharged < 0.5:
        ratio = air.ambient_kpa / STANDARD_PRESSURE_KPA * 298.15 / (air.ambient_degc + 273.15)
        return torque * min(ratio, 1.0)
    fuel = fuel_flow_g_s(p, torque, omega)
    intake = charge_temperature_degc(p, air.ambient_degc, fuel / max(base_fuel, 1e-9))
    if p.throttled > 0.5:
        most = p.pressure_ratio_max * air.ambient_kpa * air_per_kpa(p, omega, intake)
        limit = most / (p.stoichiometric_ratio * p.design_lambda)
    else:
        flow = air_flow_g_s(p, fuel, base_fuel, omega, intake, air.ambient_kpa)
        limit = flow / (p.stoichiometric_ratio * p.lambda_min)
    if fuel <= limit:
        return torque
    return brake_torque_n_m(p, limit, omega)


def normal_cdf(x: float) -> float:
    """Standard normal distribution function."""
    return 0.5 * math.erfc(-x / math.sqrt(2.0))
