"""The force balance of a vehicle on a road, written once; air density; handbook grounds.

Simulator, filter, reference filter and bounds all call the functions of this module. They are
written with operators only, so that each serves Python floats, numpy arrays and compiled code.

The balance, along the road (Gillespie, *Fundamentals of Vehicle Dynamics*; Wong, *Theory of Ground
Vehicles*; both from memory)::

    m_eff dv/dt = F_tread - m g (sin(theta) + c(v) cos(theta)) - rho/2 CdA (v + w)|v + w|
    m_eff       = m + (I_engine xi^2 + I_wheels) / r^2
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Number: TypeAlias = Any
"""A float, or an array of floats; all arguments of one call broadcast."""

GRAVITY_M_S2 = 9.80665
"""Standard gravity (ISO 80000-3)."""
SLIP_STIFFNESS = 25.0
"""Tread force over the tow vehicle's weight at which its driven wheels would slip by 100 %, on hard
ground, were the line straight (linear range of tyre curves, from memory)."""
CORNERING_STIFFNESS_1_RAD = 8.0
"""Side force over load and slip angle of a combination's tyres: radial tyres of cars 9 to 11, of
heavy trucks 5 to 7 (Gillespie's cornering coefficients per degree; from memory)."""
REFERENCE_SPEED_M_S = 20.0
"""Speed at which a rolling resistance coefficient is quoted."""
GAS_CONSTANT_AIR_J_KG_K = 287.05287
"""Specific gas constant of dry air (ISO 2533)."""

_ISA_TEMPERATURE_K = 288.15
_ISA_PRESSURE_PA = 101_325.0
_ISA_LAPSE_K_M = 0.0065


def rolling_coefficient(coefficient_at_20: Number, speed_slope: Number, speed_m_s: Number) -> Any:
    """Rolling resistance coefficient at a speed.

    ``c(v) = c20 + k ((v / 20 m/s)^2 - 1)``: the quadratic form of the handbook fit for car tyres,
    whose k at 2.5 bar is 0.0020.

    Parameters
    ----------
    coefficient_at_20 : float or ndarray
        Coefficient c20 at 20 m/s.
    speed_slope : float or ndarray
        k, the tyre's rise between standstill and 20 m/s.
    speed_m_s : float or ndarray
        Road speed (m/s).
    """
    ratio = speed_m_s / REFERENCE_SPEED_M_S
    return coefficient_at_20 + speed_slope * (ratio * ratio - 1.0)


def drag_force(
    drag_area_m2: Number, air_density_kg_m3: Number, speed_m_s: Number, headwind_m_s: Number
) -> Any:
    """Aerodynamic drag (N), ``rho/2 CdA (v + w)|v + w|``.

    Parameters
    ----------
    drag_area_m2, air_density_kg_m3, speed_m_s, headwind_m_s : float or ndarray
        CdA (m^2), air density (kg/m^3), road speed and head wind (m/s, positive against travel).
    """
    air_speed = speed_m_s + headwind_m_s
    return 0.5 * air_density_kg_m3 * drag_area_m2 * air_speed * abs(air_speed)


def cornering_resistance(
    speed_m_s: Number, curvature_squared_1_m2: Number, cornering_stiffness_1_rad: Number
) -> Any:
    """What a bend costs, as a share of the weight.

    The side force that holds the vehicle in the bend is made at a slip angle and pulls back by that
    angle: ``(v^2 / (R g))^2 / C`` (Gillespie; Mitschke and Wallentowitz, *Dynamik der
    Kraftfahrzeuge*; both from memory). As much per unit of way as a rolling resistance coefficient.

    Parameters
    ----------
    speed_m_s, curvature_squared_1_m2 : float or ndarray
        Road speed (m/s) and square of the curvature (1/m^2).
    cornering_stiffness_1_rad : float or ndarray
        C, side force over load and slip angle.
    """
    square = speed_m_s * speed_m_s / GRAVITY_M_S2
    return square * square * curvature_squared_1_m2 / cornering_stiffness_1_rad


def rotating_mass(
    engine_inertia_kg_m2: Number,
    wheel_inertia_kg_m2: Number,
    overall_ratio: Number,
    tyre_radius_m: Number,
) -> Any:
    """Equivalent mass of the rotating parts (kg), ``(I_engine xi^2 + I_wheels) / r^2``.

    Parameters
    ----------
    engine_inertia_kg_m2, wheel_inertia_kg_m2 : float or ndarray
        Inertia at the crankshaft and of all wheels (kg m^2).
    overall_ratio : float or ndarray
        Engine turns per wheel turn xi; 0 when uncoupled.
    tyre_radius_m : float or ndarray
        Rolling radius (m).
    """
    inertia = engine_inertia_kg_m2 * overall_ratio * overall_ratio + wheel_inertia_kg_m2
    return inertia / (tyre_radius_m * tyre_radius_m)


def resisting_force(
    mass_kg: Number,
    coefficient: Number,
    drag_area_m2: Number,
    air_density_kg_m3: Number,
    speed_m_s: Number,
    headwind_m_s: Number,
    sin_grade: Number,
    cos_grade: Number,
) -> Any:
    """Force that opposes travel at steady speed (N): grade, rolling resistance and drag.

    Parameters
    ----------
    mass_kg : float or ndarray
        Mass of the combination (kg).
    coefficient : float or ndarray
        Rolling resistance coefficient at this speed (:func:`rolling_coefficient`).
    drag_area_m2, air_density_kg_m3, speed_m_s, headwind_m_s : float or ndarray
        As in :func:`drag_force`.
    sin_grade, cos_grade : float or ndarray
        Sine and cosine of the road's angle, positive uphill.
    """
    weight = mass_kg * GRAVITY_M_S2
    return weight * (sin_grade + coefficient * cos_grade) + drag_force(
        drag_area_m2, air_density_kg_m3, speed_m_s, headwind_m_s
    )


def longitudinal_acceleration(
    tractive_force_n: Number,
    mass_kg: Number,
    rotating_mass_kg: Number,
    coefficient: Number,
    drag_area_m2: Number,
    air_density_kg_m3: Number,
    speed_m_s: Number,
    headwind_m_s: Number,
    sin_grade: Number,
    cos_grade: Number,
) -> Any:
    """Acceleration from the force balance (m/s^2).

    Parameters
    ----------
    tractive_force_n : float or ndarray
        Force at the tread, positive when driving (N).
    mass_kg, rotating_mass_kg : float or ndarray
        Mass of the combination and equivalent mass of the rotating parts (kg).
    coefficient, drag_area_m2, air_density_kg_m3, speed_m_s, headwind_m_s, sin_grade, cos_grade
        As in :func:`resisting_force`.
    """
    resistance = resisting_force(
        mass_kg,
        coefficient,
        drag_area_m2,
        air_density_kg_m3,
        speed_m_s,
        headwind_m_s,
        sin_grade,
        cos_grade,
    )
    return (tractive_force_n - resistance) / (mass_kg + rotating_mass_kg)


def grade_angle(grade_percent: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sine and cosine of a road grade.

    Parameters
    ----------
    grade_percent : array_like
        100 tan(theta), positive uphill.
    """
    tangent = np.asarray(grade_percent, dtype=np.float64) / 100.0
    cosine = 1.0 / np.sqrt(1.0 + tangent * tangent)
    return tangent * cosine, cosine


def isa_temperature_k(altitude_m: ArrayLike) -> NDArray[np.float64]:
    """Temperature of the standard atmosphere, troposphere (K); ISO 2533.

    Parameters
    ----------
    altitude_m : array_like
        Geopotential altitude (m).
    """
    return np.asarray(_ISA_TEMPERATURE_K - _ISA_LAPSE_K_M * np.asarray(altitude_m, dtype=float))


def isa_pressure_kpa(altitude_m: ArrayLike) -> NDArray[np.float64]:
    """Pressure of the standard atmosphere, troposphere (kPa); ISO 2533.

    Parameters
    ----------
    altitude_m : array_like
        Geopotential altitude (m).
    """
    exponent = GRAVITY_M_S2 / (_ISA_LAPSE_K_M * GAS_CONSTANT_AIR_J_KG_K)
    ratio = isa_temperature_k(altitude_m) / _ISA_TEMPERATURE_K
    return np.asarray(_ISA_PRESSURE_PA * 1e-3 * ratio**exponent)


def isa_altitude_m(pressure_kpa: ArrayLike) -> NDArray[np.float64]:
    """Pressure altitude (m): the inverse of :func:`isa_pressure_kpa`.

    Parameters
    ----------
    pressure_kpa : array_like
        Absolute pressure (kPa).
    """
    exponent = _ISA_LAPSE_K_M * GAS_CONSTANT_AIR_J_KG_K / GRAVITY_M_S2
    ratio = np.asarray(pressure_kpa, dtype=float) / (_ISA_PRESSURE_PA * 1e-3)
    return np.asarray(_ISA_TEMPERATURE_K / _ISA_LAPSE_K_M * (1.0 - ratio**exponent))


def air_density_kg_m3(
    altitude_m: ArrayLike,
    temperature_degc: ArrayLike | None = None,
    pressure_kpa: ArrayLike | None = None,
) -> NDArray[np.float64]:
    """Density of dry air; the standard atmosphere fills what is not measured.

    Parameters
    ----------
    altitude_m : array_like
        Altitude (m).
    temperature_degc, pressure_kpa : array_like, optional
        Ambient temperature (degC) and absolute pressure (kPa); standard at that altitude if absent.

    Returns
    -------
    ndarray
        kg/m^3.
    """
    temperature_k = (
        isa_temperature_k(altitude_m)
        if temperature_degc is None
        else np.asarray(temperature_degc, dtype=float) + 273.15
    )
    pressure = isa_pressure_kpa(altitude_m) if pressure_kpa is None else np.asarray(pressure_kpa)
    return np.asarray(pressure * 1e3 / (GAS_CONSTANT_AIR_J_KG_K * temperature_k))


@dataclass(frozen=True)
class Ground:
    """A kind of ground and the prior of its rolling resistance coefficient at 20 m/s.

    Attributes
    ----------
    name : str
        What it is called in every output (``surface``).
    rolling_resistance : float
        Prior mean of the coefficient.
    rolling_resistance_sd : float
        Prior standard deviation.
    per_hour : float
        How often, per hour of driving, one arrives on this ground from another.
    texture : float
        Relative standard deviation of the coefficient along one stretch of this ground (tens to
        hundreds of metres): loose ground is uneven (common practice, no source).
    """

    name: str
    rolling_resistance: float
    rolling_resistance_sd: float
    per_hour: float
    texture: float = 0.10


# Gillespie: concrete 0.015 car / 0.012 truck, medium-hard soil 0.08 / 0.06, sand 0.30 / 0.25.
# Engineering handbook page: asphalt 0.010-0.015 car, 0.006-0.010 truck, rolled gravel 0.02, solid
# sand and loose gravel 0.04-0.08, loose sand 0.2-0.4. Bosch Automotive Handbook (from memory):
# asphalt 0.013, rolled gravel 0.02, unpaved road 0.05, field 0.1-0.35.
HANDBOOK_GROUNDS: tuple[Ground, ...] = (
    Ground("sealed", 0.0105, 0.0030, 3.0, 0.05),
    Ground("gravel", 0.0230, 0.0060, 1.5),
    Ground("earth", 0.0550, 0.0180, 0.7),
    Ground("sand", 0.1200, 0.0400, 0.7),
    Ground("soft_sand", 0.2600, 0.0700, 0.3),
)
