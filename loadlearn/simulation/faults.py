"""Channels of the engine's condition added to a simulated drive, healthy or with a fault.

The motion stays as it was driven; what the engine needs for it, and what its sensors show, follows
from simple physics with characteristics drawn per vehicle and scatter drawn per drive. A fault of
a severity changes one of these relations. The condition checks know none of the numbers here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.errors import InputError
from loadlearn.simulation.drive import Drive
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import GAS_CONSTANT_AIR_J_KG_K, GRAVITY_M_S2

FloatArray = NDArray[np.float64]
_Strength: TypeAlias = Callable[[str], float]
_Channel: TypeAlias = Callable[[str], FloatArray]

FAULTS: dict[str, str] = {
    "intake_restriction": "pressure lost before the compressor at full flow (kPa)",
    "charge_air_leak": "share of the compressed air that escapes",
    "boost_sensor_drift": "kPa shown too much",
    "air_flow_sensor_drift": "share shown too little",
    "fuel_filter": "share of rail pressure missing at full flow",
    "rail_sensor_drift": "share shown too much",
    "injection_wear": "share of the fuel's work that is lost",
    "thermostat_open": "extra loss of coolant heat (W/K)",
    "idle_fuelling": "share of fuel too much at idle",
    "frequent_regeneration": "factor on the rate of soot, less one",
    "converter_slip": "slip of the locked converter at full torque",
    "dragging_brake": "force right after a braked stop (N)",
    "constant_drag": "force of a brake or bearing that never lets go (N)",
    "low_tyre": "share of the driven wheels' rolling radius lost",
}
"""Kinds of fault and what their severity means."""


@dataclass(frozen=True)
class Fault:
    """A fault and how severe it is.

    Attributes
    ----------
    kind : str
        A key of :data:`FAULTS`.
    severity : float
        In the unit of :data:`FAULTS`; 0 is healthy.
    """

    kind: str
    severity: float

    def __post_init__(self) -> None:
        if self.kind not in FAULTS:
            raise InputError(f"fault '{self.kind}' is unknown; use one of {', '.join(FAULTS)}")


@dataclass(frozen=True)
class EngineCharacter:
    """What one vehicle's engine and sensors are like; unknown to anybody who reads its logs."""

    boost_full_kpa: float
    boost_shape: float
    spool_rpm: float
    intake_loss_kpa: float
    pressure_ratio_max: float
    volumetric: float
    volumetric_bump: float
    recirculation: float
    cooler_effectiveness: float
    exhaust_heat_share: float
    exhaust_lag_s: float
    rail_idle_mpa: float
    rail_span_mpa: float
    rail_load_weight: float
    heat_capacity_j_k: float
    coolant_heat_share: float
    thermostat_degc: float
    soot_fuel_g: float
    boost_scale: float
    air_scale: float
    rail_scale: float
    exhaust_offset_k: float
    wheel_speed_scale: float

    @classmethod
    def draw(cls, seed: int) -> EngineCharacter:
        """Draw a vehicle.

        Parameters
        ----------
        seed : int
            The same seed gives the same vehicle.
        """
        rng = np.random.default_rng([seed, 4100])

        def near(value: float, relative_sd: float) -> float:
            return float(value * np.exp(relative_sd * rng.standard_normal()))

        return cls(
            boost_full_kpa=near(150.0, 0.10),
            boost_shape=near(0.9, 0.10),
            spool_rpm=near(1700.0, 0.06),
            intake_loss_kpa=near(2.5, 0.3),
            pressure_ratio_max=near(2.9, 0.05),
            volumetric=near(0.87, 0.03),
            volumetric_bump=float(rng.uniform(0.02, 0.07)),
            recirculation=float(rng.uniform(0.1, 0.3)),
            cooler_effectiveness=float(rng.uniform(0.65, 0.82)),
            exhaust_heat_share=near(0.34, 0.05),
            exhaust_lag_s=float(rng.uniform(4.0, 9.0)),
            rail_idle_mpa=near(32.0, 0.08),
            rail_span_mpa=near(125.0, 0.08),
            rail_load_weight=float(rng.uniform(0.6, 0.85)),
            heat_capacity_j_k=near(120e3, 0.1),
            coolant_heat_share=near(0.22, 0.07),
            thermostat_degc=float(rng.normal(87.0, 2.0)),
            soot_fuel_g=near(25_000.0, 0.2),
            boost_scale=near(1.0, 0.02),
            air_scale=near(1.0, 0.04),
            rail_scale=near(1.0, 0.015),
            exhaust_offset_k=float(rng.normal(0.0, 15.0)),
            wheel_speed_scale=near(1.0, 0.006),
        )


def with_condition(
    drive: Drive, rig: Rig, character: EngineCharacter, seed: int, fault: Fault | None = None
) -> pd.DataFrame:
    """The log of a drive with the channels of the engine's condition.

    Parameters
    ----------
    drive : Drive
        A simulated drive; its log's rows are kept.
    rig : Rig
        The rig that was driven.
    character : EngineCharacter
        The vehicle.
    seed : int
        Scatter from drive to drive and noise.
    fault : Fault, optional
        Healthy when absent.

    Returns
    -------
    DataFrame
        Canonical columns: those of the log, with fuelling, speeds and engine speed changed where
        the fault demands it, and boost, air flow, rail pressure, exhaust, intake and coolant
        temperatures, regeneration and ground speed added.
    """
    rng = np.random.default_rng([seed, 4200])
    log = drive.log.copy()
    time = log["time_s"].to_numpy(dtype=np.float64)
    fine = drive.fine
    # The logger may start its clock anywhere; the plant's starts at 0.
    at = time - time[0] + fine["time_s"][0]

    def true(name: str) -> FloatArray:
        return np.asarray(np.interp(at, fine["time_s"], fine[name]))

    def strength(kind: str) -> float:
        return fault.severity if fault is not None and fault.kind == kind else 0.0

    speed = true("speed_m_s")
    engine = np.maximum(true("engine_speed_rad_s"), 1.0)
    fuel, extra = _fuelling(drive, rig, at, time, strength)
    regeneration, factor = _regeneration(fuel, time, character, rng, strength)
    fuel = fuel * factor
    log["regeneration_active"] = regeneration
    # Additions reach the logged fuelling as they reach the engine; its own noise stays.
    log["fuel_rate_g_s"] = np.maximum(log["fuel_rate_g_s"] * factor + extra * factor, 0.0).round(4)

    air = _air_path(fuel, engine, true, rig, character, time, rng, strength)
    for name, (values, noise_sd, relative_sd, step) in air.items():
        noisy = values * (1.0 + relative_sd * rng.standard_normal(time.size))
        noisy = noisy + noise_sd * rng.standard_normal(time.size)
        log[name] = np.round(noisy / step) * step
    log["coolant_temp_degc"] = np.round(
        _coolant(fuel, speed, true("ambient_temp_degc"), time, character, rng, strength)
    )
    radius_lost = strength("low_tyre") - rng.normal(0.0, 0.0012)
    turns = character.wheel_speed_scale / (1.0 - radius_lost)
    log["speed_m_s"] = (log["speed_m_s"] * turns).round(2)
    log["ground_speed_m_s"] = np.maximum(speed + 0.05 * rng.standard_normal(time.size), 0.0).round(
        2
    )
    locked = (np.interp(at, fine["time_s"], fine["locked"]) > 0.5) & (log["gear"] >= 1)
    share = np.clip(true("engine_torque_n_m") / max(rig.engine.full_load_torque_n_m), 0.0, 1.2)
    slip = np.where(locked, strength("converter_slip") * share, 0.0)
    # The engine turns with the wheels, whose radius the vehicle's own speed channel ignores.
    coupled = np.where(locked, 1.0 / (1.0 - radius_lost), 1.0)
    log["engine_speed_rpm"] = (log["engine_speed_rpm"] * (1.0 + slip) * coupled).round(0)
    return log


def _fuelling(
    drive: Drive, rig: Rig, at: FloatArray, time: FloatArray, strength: _Strength
) -> tuple[FloatArray, FloatArray]:
    """True fuelling with the fault's extra, and that extra (g/s)."""
    fine = drive.fine

    def true(name: str) -> FloatArray:
        return np.asarray(np.interp(at, fine["time_s"], fine[name]))

    fuel = true("fuel_rate_g_s")
    speed = true("speed_m_s")
    per_watt = 1.0 / (rig.engine.indicated_efficiency * rig.engine.heating_value_j_g)
    force = np.zeros_like(fuel)
    drag = strength("dragging_brake")
    if drag:
        braked = true("brake_force_n") > 50.0
        standing = speed < 0.2
        # The shoes let go slowly: full drag at the last braked stop, decaying over 100 s.
        last = np.maximum.accumulate(np.where(standing, np.arange(time.size), -1))
        had_brake = np.cumsum(braked) > 0
        since = np.where(last >= 0, time - time[np.maximum(last, 0)], np.inf)
        force += np.where(had_brake & ~standing, drag * np.exp(-since / 100.0), 0.0)
    force += strength("constant_drag")
    tyre = strength("low_tyre")
    if tyre:
        # One per cent of radius is about 30 kPa too little, and that about 8 % of rolling loss.
        force += 8.0 * tyre * true("rolling_resistance") * true("mass_kg") * GRAVITY_M_S2
    extra = np.where(fuel > 0.02, force * speed / rig.driveline.efficiency * per_watt, 0.0)
    wear = strength("injection_wear")
    extra = extra + fuel * (1.0 / (1.0 - wear) - 1.0)
    idle = (speed < 0.2) & (fuel > 0.02)
    extra = extra + np.where(idle, strength("idle_fuelling") * fuel, 0.0)
    return fuel + extra, extra


def _regeneration(
    fuel: FloatArray,
    time: FloatArray,
    character: EngineCharacter,
    rng: np.random.Generator,
    strength: _Strength,
) -> tuple[FloatArray, FloatArray]:
    """Flag of after-treatment regeneration and its factor on the fuelling."""
    step = np.diff(time, prepend=time[0])
    burnt = np.cumsum(fuel * step)
    threshold = character.soot_fuel_g / (1.0 + strength("frequent_regeneration"))
    active = np.zeros(time.size)
    next_at = (1.0 - rng.uniform()) * threshold
    while next_at < burnt[-1]:
        start = time[np.searchsorted(burnt, next_at)]
        duration = rng.uniform(600.0, 900.0)
        active[(time >= start) & (time < start + duration)] = 1.0
        next_at += threshold * rng.uniform(0.85, 1.15)
    return active, 1.0 + rng.uniform(0.06, 0.12) * active


def _lagged(values: FloatArray, time: FloatArray, lag_s: float) -> FloatArray:
    from scipy.signal import lfilter

    step = float(np.median(np.diff(time)))
    keep = np.exp(-step / lag_s)
    out, _ = lfilter([1.0 - keep], [1.0, -keep], values, zi=[keep * values[0]])
    return np.asarray(out)


def _air_path(
    fuel: FloatArray,
    engine_rad_s: FloatArray,
    true: _Channel,
    rig: Rig,
    character: EngineCharacter,
    time: FloatArray,
    rng: np.random.Generator,
    strength: _Strength,
) -> dict[str, tuple[FloatArray, float, float, float]]:
    """Boost, air flow, rail pressure and gas temperatures: value, noise and resolution."""
    rpm = engine_rad_s * 30.0 / np.pi
    litres = rig.engine.displacement_l
    ambient_k = true("ambient_temp_degc") + 273.15
    ambient_kpa = true("ambient_pressure_kpa")
    load = np.clip(120_000.0 * fuel / (litres * np.maximum(rpm, 300.0)) / 115.0, 0.0, 1.15)
    rise = np.clip((rpm - 800.0) / (character.spool_rpm - 800.0), 0.0, 1.0) ** 1.2
    target = character.boost_full_kpa * load**character.boost_shape * rise
    target *= 1.0 + rng.normal(0.0, 0.006)
    displaced = litres * 1e-3 * rpm / 120.0
    breathing = character.volumetric + character.volumetric_bump * np.exp(
        -(((rpm - 2300.0) / 900.0) ** 2)
    )
    breathing *= 1.0 - character.recirculation * np.clip(1.0 - load / 0.6, 0.0, 1.0)
    full_air = 0.9 * litres * 1e-3 * 3600.0 / 120.0 * 2.4e5 / (287.0 * 320.0) * 1e3

    def drawn_in(manifold: FloatArray) -> tuple[FloatArray, FloatArray]:
        ratio = np.maximum(manifold / ambient_kpa, 1.0)
        heating = ambient_k * (ratio**0.286 - 1.0) / 0.7
        intake = ambient_k + 6.0 + (1.0 - character.cooler_effectiveness) * heating
        intake = _lagged(intake, time, 10.0)
        flow = breathing * displaced * manifold * 1e3 / (GAS_CONSTANT_AIR_J_KG_K * intake)
        return 1e3 * flow, intake

    leak = strength("charge_air_leak")
    manifold = np.minimum(ambient_kpa + target, character.pressure_ratio_max * ambient_kpa)
    air, intake = drawn_in(manifold)
    # What is lost in the intake or through a leak is half made up by the boost control.
    lost = strength("intake_restriction") * (air / full_air) ** 2
    weaker = manifold / ambient_kpa * (ambient_kpa - lost) * (1.0 - leak * load)
    manifold = manifold - 0.5 * (manifold - weaker)
    manifold -= character.intake_loss_kpa * (air / full_air) ** 2
    manifold = _lagged(manifold, time, 0.7)
    air, intake = drawn_in(manifold)
    measured = air / (1.0 - leak * np.clip((manifold - ambient_kpa) / 100.0, 0.0, 1.0))
    measured *= 1.0 - strength("air_flow_sensor_drift")

    wear = 1.0 + 0.5 * strength("injection_wear")
    heat = character.exhaust_heat_share * wear * (0.94 + 0.06 * rpm / 3000.0)
    heat = heat * rig.engine.heating_value_j_g / 1.12
    exhaust = intake - 273.15 + heat * fuel / np.maximum(air + fuel, 1e-3)
    exhaust = _lagged(exhaust, time, character.exhaust_lag_s)
    exhaust = exhaust + character.exhaust_offset_k + rng.normal(0.0, 3.0)

    weight = character.rail_load_weight
    wanted = np.clip((1.0 - weight) * rpm / 4000.0 + weight * load, 0.0, 1.0) ** 0.8
    rail = character.rail_idle_mpa + character.rail_span_mpa * wanted
    full_fuel = 115.0 * litres * 3600.0 / 120_000.0
    rail = rail * (1.0 - strength("fuel_filter") * np.clip(fuel / full_fuel, 0.0, 1.0) ** 1.5)
    rail = _lagged(rail, time, 0.2) * character.rail_scale * (1.0 + strength("rail_sensor_drift"))
    rail = rail * (1.0 + rng.normal(0.0, 0.003))
    shown = (manifold - ambient_kpa) * character.boost_scale + strength("boost_sensor_drift")
    shown = shown + rng.normal(0.0, 0.5)
    air_shown = measured * character.air_scale * (1.0 + rng.normal(0.0, 0.01))
    return {
        "boost_kpa": (shown, 0.5, 0.0, 1.0),
        "air_flow_g_s": (air_shown, 0.05, 0.01, 0.1),
        "rail_pressure_mpa": (rail, 0.3, 0.004, 0.1),
        "exhaust_gas_temp_degc": (exhaust, 1.0, 0.0, 1.0),
        "intake_temp_degc": (intake - 273.15, 0.3, 0.0, 1.0),
    }


def _coolant(
    fuel: FloatArray,
    speed: FloatArray,
    ambient_degc: FloatArray,
    time: FloatArray,
    character: EngineCharacter,
    rng: np.random.Generator,
    strength: _Strength,
) -> FloatArray:
    """Coolant temperature (degC): one heat store, a thermostat, a radiator in the wind."""
    cold = rng.uniform() < 0.7
    start = ambient_degc[0] + rng.uniform(0.0, 4.0) if cold else rng.uniform(45.0, 85.0)
    heat = character.coolant_heat_share * fuel * 42_800.0
    heat = heat * (1.0 + rng.normal(0.0, 0.03))
    opens = character.thermostat_degc + rng.normal(0.0, 0.5)
    loss = 15.0 + (50.0 if ambient_degc[0] < 18.0 else 0.0) * rng.uniform(0.5, 1.0)
    return np.asarray(
        _coolant_temperature(
            time,
            heat,
            speed,
            ambient_degc,
            start,
            character.heat_capacity_j_k,
            opens,
            loss,
            strength("thermostat_open"),
        )
    )


@jit
def _coolant_temperature(
    time: FloatArray,
    heat_w: FloatArray,
    speed_m_s: FloatArray,
    ambient_degc: FloatArray,
    start_degc: float,
    capacity_j_k: float,
    opens_degc: float,
    loss_w_k: float,
    stuck_w_k: float,
) -> FloatArray:
    out = np.empty(time.size)
    value = start_degc
    for row in range(time.size):
        step = time[row] - time[row - 1] if row > 0 else 0.0
        wind = 0.35 + speed_m_s[row] / 25.0
        opening = min(max((value - opens_degc) / 7.0, 0.0), 1.0)
        conductance = loss_w_k + (700.0 * opening + stuck_w_k) * wind
        flow = heat_w[row] - conductance * (value - ambient_degc[row])
        value += min(step, 5.0) * flow / capacity_j_k
        out[row] = value
    return out
