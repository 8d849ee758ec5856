"""Air and heat of the simulated vehicle: charge air, exhaust gas, coolant, oils; compiled.

Richer than what a policy believes, and with other parameters: the compressor's outlet temperature
and the cooler's effectiveness follow from pressure ratio and road speed, the turbine's drop from
the compressor's work, gas mixes in the manifold and is cooled by a thin and a thick part of its
metal, the thermostat opens over a range, the converter's slip heats the gearbox oil.

Energy balances, lumped (Heywood, *Internal Combustion Engine Fundamentals*; Guzzella & Onder,
*Introduction to Modeling and Control of Internal Combustion Engine Systems*; both from memory)::

    T_cyl  = T_intake + q H f / (cp (a + f)),   a = eta_v V_d w / 4 pi * p / (R T_intake)
    T_2    = T_ambient (1 + (PR^0.286 - 1) / eta_c),   T_intake = T_2 - eps (T_2 - T_ambient)
    C dT_coolant/dt = q_c H f - UA(v) open(T) (T - T_ambient)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, NamedTuple, Self

import numpy as np

from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import GAS_CONSTANT_AIR_J_KG_K

KELVIN = 273.15
_STANDARD_KPA = 100.0
_FOUR_PI = 4.0 * math.pi
_AIR_HEAT_J_G_K = 1.005


@dataclass(slots=True)
class HeatState:
    """Air and heat of the vehicle."""

    charge_kpa: float
    """Absolute charge pressure."""
    intake_degc: float
    """Charge air after the cooler."""
    gas_degc: float
    """Before the turbine."""
    thin_degc: float
    """Ports and manifold skin."""
    thick_degc: float
    """Manifold and turbine housing."""
    gas_sensor_degc: float
    after_degc: float
    """Gas after the turbine."""
    after_sensor_degc: float
    coolant_degc: float
    gearbox_oil_degc: float
    engine_oil_degc: float
    rail_mpa: float = 0.0
    air_g_s: float = 0.0
    air_fuel_lambda: float = 10.0


class ThermalParameters(NamedTuple):
    """Air and heat of the plant. Defaults are physical values from memory of textbooks.

    Scales that follow from the rig (rated fuelling, heat capacities) are set by :meth:`from_rig`;
    the defaults are chosen so that base full load can be held for ever and the whole extra torque
    cannot: from cruising it takes the gas past 720 degC in some tens of seconds.
    """

    displacement_m3: float
    heating_value_j_g: float
    stoichiometric_ratio: float
    throttled: float
    turbocharged: float
    rated_fuel_g_s: float
    peak_torque_n_m: float
    rated_rad_s: float
    pressure_ratio_max: float = 3.15
    volumetric_efficiency: float = 0.90
    volumetric_droop: float = 0.06
    design_lambda: float = 1.45
    charge_gain: float = 0.45
    lambda_base_min: float = 1.38
    lambda_uprated_drop: float = 0.20
    lambda_transient_min: float = 1.27
    turbo_time_s: float = 0.45
    turbo_time_low_flow_s: float = 0.9
    compressor_efficiency: float = 0.70
    cooler_effectiveness: float = 0.80
    cooler_time_s: float = 8.0
    exhaust_share: float = 0.325
    exhaust_share_rise: float = 0.30
    late_fuel_share: float = 0.75
    exhaust_heat_j_g_k: float = 1.16
    mixing_time_s: float = 0.2
    thin_share: float = 0.07
    thin_time_s: float = 10.0
    thick_share: float = 0.19
    thick_time_s: float = 95.0
    sensor_time_s: float = 2.8
    turbine_loss_share: float = 0.07
    coolant_share: float = 0.24
    coolant_capacity_j_k_per_l: float = 42e3
    coolant_rise_k: float = 54.0
    still_air_share: float = 0.5
    thermostat_opens_degc: float = 82.0
    thermostat_full_degc: float = 94.0
    gearbox_capacity_j_k: float = 45e3
    gearbox_cooler_w_k: float = 380.0
    gearbox_air_w_k: float = 35.0
    gearbox_loss_share: float = 0.45
    engine_oil_rise_k: float = 26.0
    engine_oil_time_s: float = 210.0
    rail_idle_mpa: float = 32.0
    rail_rise_mpa: float = 125.0

    @classmethod
    def from_rig(cls, rig: Rig) -> Self:
        """Parameters of a rig, physical defaults where it is silent.

        Parameters
        ----------
        rig : Rig
            Needs a full-load curve.
        """
        engine = rig.engine
        petrol = engine.fuel == "petrol"
        turbocharged = engine.aspiration == "turbocharged"
        speed = np.array(engine.full_load_rpm) * np.pi / 30.0
        torque = np.array(engine.full_load_torque_n_m)
        friction_pa = 1e3 * (
            engine.friction_mep_kpa + engine.friction_mep_slope_kpa_s_per_rad * speed
        )
        indicated = torque + friction_pa * engine.displacement_m3 / _FOUR_PI
        fuel = indicated * speed / (engine.indicated_efficiency * engine.heating_value_j_g)
        peak = float(torque.max())
        return cls(
            displacement_m3=engine.displacement_m3,
            heating_value_j_g=engine.heating_value_j_g,
            stoichiometric_ratio=engine.stoichiometric_ratio,
            throttled=1.0 if petrol else 0.0,
            turbocharged=1.0 if turbocharged else 0.0,
            pressure_ratio_max=3.15 if turbocharged else 1.0,
            rated_fuel_g_s=float(fuel.max()),
            peak_torque_n_m=peak,
            rated_rad_s=float(speed[-1]),
            # What neither becomes work nor leaves with the exhaust, less what radiates.
            coolant_share=min(0.24, 0.96 - engine.indicated_efficiency - 0.325),
            # Gearbox and cooler grow with the torque they are built for.
            gearbox_capacity_j_k=45e3 * peak / 450.0,
            gearbox_cooler_w_k=380.0 * peak / 450.0,
            gearbox_air_w_k=35.0 * peak / 450.0,
            lambda_base_min=0.85 if petrol else 1.38,
            lambda_transient_min=0.85 if petrol else 1.27,
            design_lambda=1.0 if petrol else 1.45,
            lambda_uprated_drop=0.0 if petrol else 0.20,
        )

    def varied(self, seed: int, spread: float) -> Self:
        """The same with every physical parameter off by up to ``spread``.

        Parameters
        ----------
        seed : int
        spread : float
            Largest relative deviation, drawn evenly on both sides.
        """
        rng = np.random.default_rng([seed, 8500])
        changed: dict[str, Any] = {}
        for name in _VARIED:
            factor = 1.0 + spread * float(rng.uniform(-1.0, 1.0))
            changed[name] = getattr(self, name) * factor
        return self._replace(**changed)


_VARIED = (
    "volumetric_efficiency",
    "charge_gain",
    "turbo_time_s",
    "compressor_efficiency",
    "exhaust_share",
    "thin_share",
    "thin_time_s",
    "thick_share",
    "thick_time_s",
    "sensor_time_s",
    "turbine_loss_share",
    "coolant_share",
    "coolant_capacity_j_k_per_l",
    "coolant_rise_k",
    "gearbox_capacity_j_k",
    "gearbox_cooler_w_k",
    "engine_oil_rise_k",
    "engine_oil_time_s",
)


def initial_heat(ambient_degc: float, ambient_kpa: float, cold: float) -> HeatState:
    """Heat state at the start.

    Parameters
    ----------
    ambient_degc, ambient_kpa : float
        Air.
    cold : float
        1 for a vehicle that stood overnight, 0 for a warm one.
    """
    warm = 1.0 - cold
    gas = ambient_degc + warm * 130.0
    return HeatState(
        charge_kpa=ambient_kpa,
        intake_degc=ambient_degc,
        gas_degc=gas,
        thin_degc=gas,
        thick_degc=gas,
        gas_sensor_degc=gas,
        after_degc=gas,
        after_sensor_degc=gas,
        coolant_degc=ambient_degc + warm * (88.0 - ambient_degc),
        gearbox_oil_degc=ambient_degc + warm * (78.0 - ambient_degc),
        engine_oil_degc=ambient_degc + warm * (92.0 - ambient_degc),
    )


def air_per_kpa(engine_speed: float, intake_degc: float, p: ThermalParameters) -> float:
    """Air flow (g/s) per kPa of charge pressure, speed-density equation."""
    flow_m3_s = p.displacement_m3 * engine_speed / _FOUR_PI
    off_middle = engine_speed / p.rated_rad_s - 0.55
    filling = p.volumetric_efficiency - 2.0 * p.volumetric_droop * off_middle * off_middle
    return 1e6 * filling * flow_m3_s / (GAS_CONSTANT_AIR_J_KG_K * (intake_degc + KELVIN))


def charge_target(
    fuel_g_s: float, base_fuel_g_s: float, engine_speed: float, p: ThermalParameters
) -> float:
    """Charge pressure (kPa) that the boost control asks for at a fuelling.

    Proportional to fuelling up to base full load, where it gives ``design_lambda`` at standard air
    with 55 degC after the cooler; beyond that the slope is ``charge_gain`` of it. Of a throttled
    engine, whose air follows its fuel, it is the pressure before the throttle.
    """
    per_kpa = max(air_per_kpa(engine_speed, 55.0, p), 1e-6)
    design = p.design_lambda * p.stoichiometric_ratio * base_fuel_g_s / per_kpa
    excess = max(design - _STANDARD_KPA, 0.0)
    load = fuel_g_s / max(base_fuel_g_s, 1e-6)
    if p.throttled > 0.5:
        return max(design * load, _STANDARD_KPA)
    if load > 1.0:
        load = 1.0 + p.charge_gain * (load - 1.0)
    return _STANDARD_KPA + excess * load


def fuel_ceiling(
    heat: HeatState,
    engine_speed: float,
    share: float,
    extra_part: float,
    base_fuel_g_s: float,
    ambient_kpa: float,
    p: ThermalParameters,
) -> float:
    """Most fuel (g/s) that the engine's own calibration gives the air at hand.

    Two limits: the smoke limit against the air in the manifold now (turbo lag), and the altitude
    limit against the air that the compressor can give at most, richer as more extra torque is used.
    ``extra_part`` is the extra torque over the base torque here. Without a compressor
    fuelling falls with the ambient pressure.
    """
    per_kpa = air_per_kpa(engine_speed, heat.intake_degc, p)
    transient_lambda = p.lambda_transient_min - 0.7 * p.lambda_uprated_drop * share
    now = per_kpa * heat.charge_kpa / (p.stoichiometric_ratio * transient_lambda)
    if p.turbocharged < 0.5:
        ratio = min(ambient_kpa / 101.0, 1.0)
        return base_fuel_g_s * (1.0 + share * extra_part) * ratio * 1.1
    wanted = charge_target(
        base_fuel_g_s * (1.0 + share * extra_part), base_fuel_g_s, engine_speed, p
    )
    most = min(wanted, p.pressure_ratio_max * ambient_kpa)
    steady_lambda = p.lambda_base_min - p.lambda_uprated_drop * share
    steady = per_kpa * max(most, ambient_kpa) / (p.stoichiometric_ratio * steady_lambda)
    return min(now, steady)


def heat_step(
    heat: HeatState,
    fuel_g_s: float,
    late_fuel_g_s: float,
    base_fuel_g_s: float,
    engine_speed: float,
    slip_w: float,
    driveline_loss_w: float,
    speed_m_s: float,
    ambient_degc: float,
    ambient_kpa: float,
    dt: float,
    p: ThermalParameters,
) -> None:
    """Advance air and heat by one step (changes ``heat``).

    Parameters
    ----------
    heat : HeatState
        Changed.
    fuel_g_s, late_fuel_g_s : float
        Fuel burnt for torque, and fuel that makes none (regeneration).
    base_fuel_g_s : float
        Fuelling at base full load at this engine speed.
    engine_speed : float
        rad/s; 0 when the engine is off.
    slip_w, driveline_loss_w : float
        Power lost in the converter and in the rest of the driveline (W).
    speed_m_s, ambient_degc, ambient_kpa : float
        Road speed and air.
    dt : float
        Step (s).
    p : ThermalParameters
    """
    running = engine_speed > 1.0
    load = fuel_g_s / p.rated_fuel_g_s
    compressor_rise = _charge_step(
        heat,
        fuel_g_s,
        late_fuel_g_s,
        base_fuel_g_s,
        engine_speed,
        speed_m_s,
        ambient_degc,
        ambient_kpa,
        dt,
        p,
    )
    _gas_step(
        heat, fuel_g_s, late_fuel_g_s, base_fuel_g_s, running, compressor_rise, ambient_degc, dt, p
    )
    _liquids_step(heat, fuel_g_s, slip_w, driveline_loss_w, speed_m_s, ambient_degc, dt, p)
    oil = heat.coolant_degc + (4.0 + p.engine_oil_rise_k * load if running else 0.0)
    heat.engine_oil_degc += (oil - heat.engine_oil_degc) * dt / p.engine_oil_time_s
    rail = 0.0
    if running:
        rail = p.rail_idle_mpa + p.rail_rise_mpa * min(load, 1.3) ** 0.6
    heat.rail_mpa += (rail - heat.rail_mpa) * min(dt / 0.25, 1.0)


def _charge_step(
    heat: HeatState,
    fuel_g_s: float,
    late_fuel_g_s: float,
    base_fuel_g_s: float,
    engine_speed: float,
    speed_m_s: float,
    ambient_degc: float,
    ambient_kpa: float,
    dt: float,
    p: ThermalParameters,
) -> float:
    """Charge air, air flow and mixture; returns the compressor's rise of temperature (K)."""
    total_fuel = fuel_g_s + late_fuel_g_s
    running = engine_speed > 1.0
    flow_share = min(heat.air_g_s / (20.0 * p.rated_fuel_g_s), 1.0)
    target = ambient_kpa
    if running:
        wanted = charge_target(fuel_g_s, base_fuel_g_s, engine_speed, p)
        target = max(0.97 * ambient_kpa, min(wanted, p.pressure_ratio_max * ambient_kpa))
        if fuel_g_s <= 0.0:
            target = 0.97 * ambient_kpa
    lag = p.turbo_time_s + p.turbo_time_low_flow_s * (1.0 - flow_share) ** 2
    heat.charge_kpa += (target - heat.charge_kpa) * (1.0 - math.exp(-dt / lag))
    ratio = max(heat.charge_kpa / ambient_kpa, 1.0)
    ambient_k = ambient_degc + KELVIN
    compressor_rise = ambient_k * (ratio**0.286 - 1.0) / p.compressor_efficiency
    wind = min(speed_m_s / 20.0, 1.3)
    effectiveness = p.cooler_effectiveness * (0.8 + 0.2 * min(wind, 1.0) ** 0.5)
    soak = 6.0 + 0.06 * max(heat.coolant_degc - ambient_degc, 0.0)
    intake = ambient_degc + compressor_rise * (1.0 - effectiveness) + soak * (1.0 - 0.5 * wind)
    heat.intake_degc += (intake - heat.intake_degc) * min(dt / p.cooler_time_s, 1.0)
    air = 0.0
    if running:
        air = air_per_kpa(engine_speed, heat.intake_degc, p) * heat.charge_kpa
        if p.throttled > 0.5:
            air = p.stoichiometric_ratio * p.design_lambda * max(total_fuel, 0.05)
    heat.air_g_s = air
    burnt = p.stoichiometric_ratio * total_fuel
    heat.air_fuel_lambda = min(air / burnt, 10.0) if burnt > 0.0 else 10.0
    return compressor_rise


def _gas_step(
    heat: HeatState,
    fuel_g_s: float,
    late_fuel_g_s: float,
    base_fuel_g_s: float,
    running: bool,
    compressor_rise_k: float,
    ambient_degc: float,
    dt: float,
    p: ThermalParameters,
) -> None:
    """Exhaust: fast gas, thin and thick metal, sensors."""
    total_fuel, air = fuel_g_s + late_fuel_g_s, heat.air_g_s
    if running:
        load = fuel_g_s / max(base_fuel_g_s, 1e-6)
        share = p.exhaust_share * (1.0 + p.exhaust_share_rise * max(load - 1.0, 0.0))
        # A lazy flame loses more of its heat to the walls.
        share *= 0.6 + 0.4 * min(load / 0.3, 1.0)
        power = p.heating_value_j_g * (share * fuel_g_s + p.late_fuel_share * late_fuel_g_s)
        capacity = p.exhaust_heat_j_g_k * (air + total_fuel)
        cylinder = heat.intake_degc + power / capacity + 25.0
        gas = (
            cylinder
            - p.thin_share * (cylinder - heat.thin_degc)
            - p.thick_share * (cylinder - heat.thick_degc)
        )
        heat.gas_degc += (gas - heat.gas_degc) * min(dt / p.mixing_time_s, 1.0)
        # The more gas flows, the faster it heats metal.
        flow = 0.35 + 0.65 * min(heat.air_g_s / (17.0 * p.rated_fuel_g_s), 1.2)
        heat.thin_degc += (cylinder - heat.thin_degc) * flow * dt / p.thin_time_s
        heat.thick_degc += (cylinder - heat.thick_degc) * flow * dt / p.thick_time_s
        work = air * _AIR_HEAT_J_G_K * compressor_rise_k / 0.97
        drop = work / capacity + p.turbine_loss_share * (heat.gas_degc - ambient_degc)
        after = heat.gas_degc - drop
    else:
        cooling = dt / 400.0
        heat.thin_degc += (heat.thick_degc - heat.thin_degc) * dt / 20.0
        heat.thick_degc += (ambient_degc - heat.thick_degc) * cooling
        heat.gas_degc += (heat.thick_degc - heat.gas_degc) * dt / 20.0
        after = 0.7 * heat.gas_degc + 0.3 * ambient_degc
    heat.gas_sensor_degc += (heat.gas_degc - heat.gas_sensor_degc) * dt / p.sensor_time_s
    heat.after_degc += (after - heat.after_degc) * dt / 1.5
    heat.after_sensor_degc += (heat.after_degc - heat.after_sensor_degc) * dt / p.sensor_time_s


def _liquids_step(
    heat: HeatState,
    fuel_g_s: float,
    slip_w: float,
    driveline_loss_w: float,
    speed_m_s: float,
    ambient_degc: float,
    dt: float,
    p: ThermalParameters,
) -> None:
    """Coolant with its thermostat and radiator, and gearbox oil with its coolers."""
    wind = min(speed_m_s / 20.0, 1.3)
    rated_w = p.coolant_share * p.heating_value_j_g * p.rated_fuel_g_s
    conductance = rated_w / p.coolant_rise_k
    conductance *= p.still_air_share + (1.0 - p.still_air_share) * min(speed_m_s / 22.0, 1.2) ** 0.6
    span = p.thermostat_full_degc - p.thermostat_opens_degc
    opened = min(max((heat.coolant_degc - p.thermostat_opens_degc) / span, 0.0), 1.0)
    opened = 0.03 + 0.97 * opened
    gained = p.coolant_share * p.heating_value_j_g * fuel_g_s
    lost = conductance * opened * (heat.coolant_degc - ambient_degc)
    oil_to_coolant = p.gearbox_cooler_w_k * (heat.gearbox_oil_degc - heat.coolant_degc)
    capacity_w = p.coolant_capacity_j_k_per_l * p.displacement_m3 * 1e3
    heat.coolant_degc += (gained - lost + 0.5 * oil_to_coolant) * dt / capacity_w

    # Gearbox oil: converter slip and a share of the driveline's losses in, coolers out.
    into_oil = slip_w + p.gearbox_loss_share * driveline_loss_w
    out = oil_to_coolant + p.gearbox_air_w_k * (0.3 + wind) * (heat.gearbox_oil_degc - ambient_degc)
    heat.gearbox_oil_degc += (into_oil - out) * dt / p.gearbox_capacity_j_k
