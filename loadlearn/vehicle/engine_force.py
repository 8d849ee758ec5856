"""Fuelling or torque → brake torque → force at the tread, through converter and driveline.

From fuelling, by the Willans line (Guzzella & Onder, *Introduction to Modeling and Control of
Internal Combustion Engine Systems*, from memory)::

    T_brake = e H mdot_fuel / omega - fmep(omega) V_d / 4 pi - P_accessory / omega

(or a curve, where the rig says by how much e falls with load)
or from the net brake torque (accessories: ``ACCESSORIES_IN_TORQUE``);
then through the driveline, whose efficiency divides when the wheels drive the engine.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import Record, Records, jit
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import rotating_mass

FloatArray = NDArray[np.float64]

LOCKED_WITHIN = 0.02
"""Engine and wheels this near to the gear's ratio (and the speed's step) turn as one."""
COUPLING_POINT = 0.87
"""Speed ratio from which a converter no longer multiplies torque (common practice, no source)."""
CONVERTER_SD, MULTIPLIED_SD = 0.03, 0.15
"""Relative sd of a slipping converter's torque, and what each part of its multiplication adds."""
UNKNOWN_GEAR_EFFICIENCY, UNKNOWN_GEAR_SD = 0.93, 0.06
"""Of a converter that may slip in a gear that is not known."""
FRICTION_SD = 0.25
"""Motoring, friction is all there is, and it is known to a quarter (these: common practice, no
source)."""
MID_LOAD = 0.45
"""Load, as a share of the reference torque, at which the tractive scale is quoted."""
ACCESSORIES_IN_TORQUE = 0.5
"""Share of the accessories' mean power that is taken off a logged net brake torque: controllers
report it before their accessories or after, and the log does not say. The spread covers both."""
TYPICAL_UNREPORTED = 0.2
"""Unreported share about which its effect on the force is made linear."""

RIG_CONSTANTS = np.dtype(
    [
        ("heat_to_torque_w_s_g", np.float64),  # indicated efficiency times heating value, J/g
        ("efficiency_fall_per_n_m", np.float64),  # of that efficiency, over indicated torque
        ("friction_torque_n_m", np.float64),
        ("friction_torque_slope_n_m_s", np.float64),
        ("accessory_power_w", np.float64),
        ("idle_rad_s", np.float64),
        ("engine_inertia_kg_m2", np.float64),
        ("reference_torque_n_m", np.float64),
        ("exhaust_brake", np.int64),  # or retarder, that may be at work in overrun
        ("wheel_inertia_kg_m2", np.float64),
        ("tyre_radius_m", np.float64),
        ("efficiency", np.float64),  # of the driveline
        ("has_converter", np.int64),
        ("converter_stall_torque_ratio", np.float64),
        ("transfer_low_ratio", np.float64),  # 0 without a transfer case
    ]
)


class RigArrays(NamedTuple):
    """The rig as the kernels read it."""

    constants: Records
    """One record of ``RIG_CONSTANTS``."""
    ratios: FloatArray
    """Overall ratios (high range), first gear first."""
    full_load: FloatArray
    """Engine speed (rpm), base torque, and what the uprated engine gives beyond it (N m)."""


def rig_arrays(rig: Rig) -> RigArrays:
    """The rig in the form that the kernels read."""
    engine, driveline = rig.engine, rig.driveline
    full_load = np.array([[0.0, 1.0, 0.0], [1e4, 1.0, 0.0]])
    if engine.uprated is not None:
        rpm = np.asarray(engine.full_load_rpm, dtype=np.float64)
        base = engine.full_load_torque(rpm, 0.0)
        full_load = np.column_stack([rpm, base, engine.full_load_torque(rpm, 1.0) - base])
    constants = {
        "heat_to_torque_w_s_g": engine.indicated_efficiency * engine.heating_value_j_g,
        "efficiency_fall_per_n_m": engine.efficiency_fall_per_mpa / engine.torque_of_mep(1e3),
        "friction_torque_n_m": engine.torque_of_mep(engine.friction_mep_kpa),
        "friction_torque_slope_n_m_s": engine.torque_of_mep(
            engine.friction_mep_slope_kpa_s_per_rad
        ),
        "accessory_power_w": engine.accessory_power_kw * 1e3,
        "idle_rad_s": engine.idle_rpm * math.pi / 30.0,
        "engine_inertia_kg_m2": engine.inertia_kg_m2,
        "reference_torque_n_m": engine.reference_torque_n_m or 100.0 * engine.displacement_l,
        "exhaust_brake": bool(engine.exhaust_brake),
        "wheel_inertia_kg_m2": rig.vehicle.wheel_inertia_kg_m2,
        "tyre_radius_m": rig.vehicle.tyre_radius_m,
        "efficiency": driveline.efficiency,
        "has_converter": driveline.converter_stall_torque_ratio is not None,
        "converter_stall_torque_ratio": driveline.converter_stall_torque_ratio or 1.0,
        "transfer_low_ratio": driveline.transfer_low_ratio or 0.0,
    }
    gears = range(1, len(driveline.gear_ratios) + 1)
    return RigArrays(
        np.array([tuple(constants[name] for name in RIG_CONSTANTS.names or ())], RIG_CONSTANTS),
        np.array([rig.overall_ratio(gear) for gear in gears], dtype=np.float64),
        np.ascontiguousarray(full_load, dtype=np.float64),
    )


def friction_torque(friction_torque_n_m: float, slope_n_m_s: float, engine_rad_s: float) -> float:
    """Friction torque of the Willans line (N m), rising with engine speed.

    Parameters
    ----------
    friction_torque_n_m : float
        At zero engine speed (N m).
    slope_n_m_s : float
        Rise with engine speed (N m per rad/s).
    engine_rad_s : float
        Engine speed (rad/s).
    """
    return friction_torque_n_m + slope_n_m_s * engine_rad_s


def willans_brake_torque(
    heat_to_torque_w_s_g: float,
    fuel_rate_g_s: float,
    engine_rad_s: float,
    friction_n_m: float,
    accessory_power_w: float,
    fall_per_n_m: float = 0.0,
) -> float:
    """Net brake torque from fuelling by the Willans line, or a curve (N m).

    Parameters
    ----------
    heat_to_torque_w_s_g : float
        Indicated efficiency times heating value (J/g).
    fuel_rate_g_s : float
        Fuel mass flow (g/s).
    engine_rad_s : float
        Engine speed (rad/s).
    friction_n_m : float
        Friction torque (N m), :func:`friction_torque`.
    accessory_power_w : float
        Power taken by accessories (W).
    fall_per_n_m : float
        Share by which the efficiency falls per newton metre of indicated torque.
    """
    straight = (heat_to_torque_w_s_g * fuel_rate_g_s - accessory_power_w) / engine_rad_s
    indicated = heat_to_torque_w_s_g * fuel_rate_g_s / engine_rad_s
    return straight - friction_n_m - fall_per_n_m * indicated * indicated


class BrakeTorque(NamedTuple):
    """What the engine gives (N m)."""

    torque_n_m: float
    """NaN where the channel is absent."""
    indicated_n_m: float
    """What a regeneration's extra fuel would falsify; 0 from a torque channel."""
    per_unit: float
    """Per unit of the force channel."""
    friction_n_m: float


@jit
def torque_from_fuel(constants: Record, fuel_rate_g_s: float, engine_rad_s: float) -> BrakeTorque:
    """Brake torque by the Willans line."""
    friction = friction_torque(
        constants.friction_torque_n_m, constants.friction_torque_slope_n_m_s, engine_rad_s
    )
    fall = constants.efficiency_fall_per_n_m
    torque = willans_brake_torque(
        constants.heat_to_torque_w_s_g,
        fuel_rate_g_s,
        engine_rad_s,
        friction,
        constants.accessory_power_w,
        fall,
    )
    per_unit = constants.heat_to_torque_w_s_g / engine_rad_s
    indicated = per_unit * fuel_rate_g_s
    return BrakeTorque(
        torque,
        # Not the curve's slope: at high load that leaves a regeneration nothing to explain.
        indicated - fall * indicated * indicated,
        per_unit * (1.0 - 2.0 * fall * indicated),
        friction,
    )


@jit
def torque_from_channel(
    constants: Record, engine_torque_n_m: float, engine_rad_s: float
) -> BrakeTorque:
    """Brake torque as it is logged, less accessories."""
    friction = friction_torque(
        constants.friction_torque_n_m, constants.friction_torque_slope_n_m_s, engine_rad_s
    )
    accessories = ACCESSORIES_IN_TORQUE * constants.accessory_power_w / engine_rad_s
    return BrakeTorque(engine_torque_n_m - accessories, 0.0, 1.0, friction)


@jit
def between(rpm: float, full_load: FloatArray, column: int) -> float:
    """A column of the full-load table at an engine speed, by straight lines, level beyond ends."""
    last = full_load.shape[0] - 1
    if rpm <= full_load[0, 0]:
        return full_load[0, column]
    for row in range(last):
        if rpm < full_load[row + 1, 0]:
            share = (rpm - full_load[row, 0]) / (full_load[row + 1, 0] - full_load[row, 0])
            return full_load[row, column] + share * (
                full_load[row + 1, column] - full_load[row, column]
            )
    return full_load[last, column]


@jit
def unreported_torque(
    rig: RigArrays, torque_n_m: float, share: float, engine_rad_s: float
) -> float:
    """Torque that one whole unreported share of the extra torque would add (N m).

    The pedal asks for a part of base plus share times extra; that part of the torque is extra, and
    the unreported share of it is missing from the channel.
    """
    if not (share > 0.0 and torque_n_m > 0.0):
        return 0.0
    rpm = engine_rad_s * 30.0 / math.pi
    more = share * between(rpm, rig.full_load, 2)
    part = more / (more + between(rpm, rig.full_load, 1))
    return torque_n_m * part / (1.0 - TYPICAL_UNREPORTED * part)


class Driveline(NamedTuple):
    """What a torque at the engine is at the tread."""

    force_per_n_m: float
    """Efficiency left aside."""
    torque_sd_n_m: float
    rotating_kg: float
    """Equivalent mass of rotating parts whose spinning up the force still has to do."""
    spin_up_n: float
    """Force that spinning the engine up took."""


@jit
def through_driveline(
    constants: Record,
    ratio: float,
    slip: float,
    within: float,
    engine_logged: bool,
    engine_rad_s: float,
    speed_m_s: float,
    torque_n_m: float,
    spin_up_n_m: float,
    spinning_seen: bool,
) -> Driveline:
    """From the engine to the tread: locked, through a slipping converter, or in the power form.

    Parameters
    ----------
    constants : record of ``RIG_CONSTANTS``
    ratio, slip : float
        As in :class:`loadlearn.vehicle.gear.GearBelief`.
    within : float
        What the speed's resolution alone makes of a log ratio.
    engine_logged : bool
        Whether the engine's speed is measured.
    engine_rad_s, speed_m_s, torque_n_m : float
    spin_up_n_m : float
        Torque that spun the engine up, where that was seen (N m).
    spinning_seen : bool
    """
    radius, wheels = constants.tyre_radius_m, constants.wheel_inertia_kg_m2
    wheels_kg = rotating_mass(0.0, wheels, 0.0, radius)
    if ratio > 0.0 and (not engine_logged or abs(slip) < LOCKED_WITHIN + within):
        per_torque = ratio / radius
        rotating_kg = wheels_kg
        if not spinning_seen:
            rotating_kg = rotating_mass(constants.engine_inertia_kg_m2, wheels, ratio, radius)
        return Driveline(per_torque, 0.0, rotating_kg, spin_up_n_m * per_torque)
    if ratio > 0.0 and constants.has_converter and slip > 0.0:
        # Converter slipping: torque ratio falls in line from stall to one at the coupling point.
        stall = constants.converter_stall_torque_ratio
        torque_ratio = max(1.0, stall - (stall - 1.0) * math.exp(-slip) / COUPLING_POINT)
        per_torque = ratio / radius * torque_ratio
        sd = abs(torque_n_m) * (CONVERTER_SD + MULTIPLIED_SD * (torque_ratio - 1.0))
        return Driveline(per_torque, sd, wheels_kg, spin_up_n_m * per_torque * constants.efficiency)
    # Gear not known: the power form. A slipping converter may lose a share of it.
    per_torque, sd, rotating_kg = engine_rad_s / max(speed_m_s, 1.0), 0.0, wheels_kg
    if not engine_logged:
        rotating_kg = rotating_mass(
            constants.engine_inertia_kg_m2, wheels, per_torque * radius, radius
        )
    elif constants.has_converter:
        per_torque *= UNKNOWN_GEAR_EFFICIENCY
        sd = UNKNOWN_GEAR_SD * abs(torque_n_m)
    return Driveline(per_torque, sd, rotating_kg, spin_up_n_m * per_torque)
