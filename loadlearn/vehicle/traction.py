"""Fuelling, torque or measured force → force at the tread; which samples to believe, and why not.

From fuelling, by the Willans line (Guzzella & Onder, *Introduction to Modeling and Control of
Internal Combustion Engine Systems*, from memory)::

    T_brake = e H mdot_fuel / omega - fmep(omega) V_d / 4 pi - P_accessory / omega

(or a curve, where the rig says by how much e falls with load)
or from the net brake torque (accessories: ``ACCESSORIES_IN_TORQUE``);
then through the driveline, whose efficiency divides when the wheels drive the engine. A sample
whose force is not known is *set aside with a reason*, never guessed.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.errors import InputError
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import rotating_mass

FloatArray = NDArray[np.float64]

# Reasons for setting a sample aside; the number is what the kernels carry.
REASONS: tuple[str, ...] = (
    "",
    "standstill or crawling",
    "service brake",
    "gear change",
    "no force channel",
    "reverse",
    "gap in the log",
    "neutral or clutch",
    "overrun without a brake switch",
    "no grade",
    "low tractive power resolution",
    "exhaust brake or retarder",
    "overrun without an exhaust-brake channel",
)
(
    KNOWN,
    STANDSTILL,
    BRAKE,
    GEAR_CHANGE,
    NO_FORCE,
    REVERSE,
    GAP,
    NEUTRAL,
    OVERRUN,
    NO_GRADE,
    LOW_POWER,
    RETARDER,
    OVERRUN_RETARDED,
) = range(len(REASONS))

CRAWL_SPEED_M_S = 2.0
"""Below this speed the force is not learnt from: creep, clutch and converter dominate."""
SETTLING_S = 0.59
"""After a gear change the force is not believed for this long (and no whole number of tenths of a
second, so that the last digit of a time stamp does not decide)."""
BRAKE_SETTLING_S = 0.29
"""Nor after the service brake is let go."""
LONGEST_STEP_S = 1.6
"""Samples further apart than this tell nothing of the engine's acceleration."""
CLUTCH_CLOSED_WITHIN = 0.01
CLUTCH_CLOSES_S = 1.99
"""After a gear change without a converter the clutch slips until engine and wheels turn as one to
within this, and for no longer than that."""
LOCKED_WITHIN = 0.02
"""Engine and wheels this near to the gear's ratio (and the speed's step) turn as one."""
COUPLING_POINT = 0.87
"""Speed ratio from which a converter no longer multiplies torque (common practice, no source)."""

MID_LOAD = 0.45
"""Load, as a share of the reference torque, at which the tractive scale is quoted."""

ACCESSORIES_IN_TORQUE = 0.5
"""Share of the accessories' mean power that is taken off a logged net brake torque: controllers
report it before their accessories or after, and the log does not say. The spread covers both."""

TYPICAL_UNREPORTED = 0.2
"""Unreported share about which its effect on the force is made linear."""

SOURCE_FUEL, SOURCE_TORQUE, SOURCE_TRACTIVE = 0, 1, 2


class RigArrays(NamedTuple):
    """The rig as the kernels read it: floats and arrays only (SI units)."""

    heat_to_torque_w_s_g: float
    """Indicated efficiency times heating value (J per gram of fuel)."""
    friction_torque_n_m: float
    friction_torque_slope_n_m_s: float
    accessory_power_w: float
    idle_rad_s: float
    engine_inertia_kg_m2: float
    wheel_inertia_kg_m2: float
    tyre_radius_m: float
    efficiency: float
    has_converter: bool
    converter_stall_torque_ratio: float
    transfer_low_ratio: float
    reference_torque_n_m: float
    ratios: FloatArray
    """Overall ratios (high range), first gear first."""
    log_ratios: FloatArray
    log_transfer_low_ratio: float
    extra_rpm: FloatArray
    extra_torque_n_m: FloatArray
    """Uprated less base full-load torque, over ``extra_rpm``."""
    base_torque_n_m: FloatArray
    """Base full-load torque over ``extra_rpm``."""
    efficiency_fall_per_n_m: float
    """Share by which the indicated efficiency falls per newton metre of indicated torque."""
    exhaust_brake: bool
    """Whether an exhaust brake or retarder may be at work in overrun."""


def rig_arrays(rig: Rig) -> RigArrays:
    """The rig in the form that the kernels read.

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    RigArrays
    """
    engine, driveline = rig.engine, rig.driveline
    if engine.uprated is not None:
        extra_rpm = np.asarray(engine.full_load_rpm, dtype=np.float64)
        base = engine.full_load_torque(extra_rpm, 0.0)
        extra = engine.full_load_torque(extra_rpm, 1.0) - base
    else:
        extra_rpm, extra, base = np.array([0.0, 1e4]), np.zeros(2), np.ones(2)
    ratios = np.array(
        [rig.overall_ratio(gear + 1) for gear in range(len(driveline.gear_ratios))],
        dtype=np.float64,
    )
    return RigArrays(
        heat_to_torque_w_s_g=engine.indicated_efficiency * engine.heating_value_j_g,
        friction_torque_n_m=engine.torque_of_mep(engine.friction_mep_kpa),
        friction_torque_slope_n_m_s=engine.torque_of_mep(engine.friction_mep_slope_kpa_s_per_rad),
        accessory_power_w=engine.accessory_power_kw * 1e3,
        idle_rad_s=engine.idle_rpm * math.pi / 30.0,
        engine_inertia_kg_m2=engine.inertia_kg_m2,
        wheel_inertia_kg_m2=rig.vehicle.wheel_inertia_kg_m2,
        tyre_radius_m=rig.vehicle.tyre_radius_m,
        efficiency=driveline.efficiency,
        has_converter=driveline.converter_stall_torque_ratio is not None,
        converter_stall_torque_ratio=driveline.converter_stall_torque_ratio or 1.0,
        transfer_low_ratio=driveline.transfer_low_ratio or 0.0,
        reference_torque_n_m=engine.reference_torque_n_m or 100.0 * engine.displacement_l,
        ratios=ratios,
        log_ratios=np.log(ratios),
        log_transfer_low_ratio=math.log(driveline.transfer_low_ratio or 1.0),
        extra_rpm=extra_rpm,
        extra_torque_n_m=np.asarray(extra, dtype=np.float64),
        base_torque_n_m=np.asarray(base, dtype=np.float64),
        efficiency_fall_per_n_m=engine.efficiency_fall_per_mpa / engine.torque_of_mep(1e3),
        exhaust_brake=bool(engine.exhaust_brake),
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

    Returns
    -------
    float
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

    Returns
    -------
    float
    """
    straight = (heat_to_torque_w_s_g * fuel_rate_g_s - accessory_power_w) / engine_rad_s
    indicated = heat_to_torque_w_s_g * fuel_rate_g_s / engine_rad_s
    return straight - friction_n_m - fall_per_n_m * indicated * indicated


@jit(inline="always")
def nearest_ratio(observed: float, rig: RigArrays) -> tuple[int, bool, float]:
    """Gear, range and log-distance of the overall ratio nearest to an observed one."""
    best_gear, best_low, best = 0, False, 1e9
    log_ratios = rig.log_ratios
    log_observed = math.log(observed)
    for range_index in range(2 if rig.transfer_low_ratio > 0.0 else 1):
        # High range unless low range is clearly nearer: the ranges interleave.
        extra = 0.02 if range_index == 1 else 0.0
        shift = log_observed - (rig.log_transfer_low_ratio if range_index == 1 else 0.0)
        for index in range(log_ratios.size):
            distance = abs(shift - log_ratios[index]) + extra
            if distance < best:
                best, best_gear, best_low = distance, index + 1, range_index == 1
    return best_gear, best_low, best


# State of the sample-by-sample part: see the names; all floats so that it saves as an array.
(
    LAST_GEAR,
    LAST_CHANGE_S,
    LAST_SHARE,
    CONTRADICTION_S,
    LAST_TIME_S,
    LAST_BRAKE_S,
    LAST_RATIO,
    SEEN_BRAKE,
    LAST_ENGINE_RAD_S,
) = range(9)
N_TRACTION_MEMORY = 9


def traction_memory() -> FloatArray:
    """A fresh memory for :func:`traction_sample`."""
    memory = np.zeros(N_TRACTION_MEMORY)
    memory[LAST_ENGINE_RAD_S] = math.nan
    memory[LAST_GEAR] = -99.0
    memory[LAST_CHANGE_S] = -1e9
    memory[LAST_BRAKE_S] = -1e9
    memory[LAST_TIME_S] = -1e9
    return memory


@jit(inline="always")
def traction_sample(
    memory: FloatArray,
    rig: RigArrays,
    source: int,
    time_s: float,
    speed_m_s: float,
    fuel_rate_g_s: float,
    engine_torque_n_m: float,
    tractive_force_n: float,
    tractive_force_sd_n: float,
    engine_speed_rpm: float,
    gear_logged: float,
    brake: float,
    extra_share: float,
    low_range_logged: float,
) -> tuple[float, float, float, float, float, float, float, float, float, int]:
    """Force at the tread from one sample; ``memory`` is updated in place.

    Returns
    -------
    force_n : float
        Best estimate of the force at the tread (N), less what spinning the engine up took where its
        speed is logged.
    force_sd_n : float
        Standard deviation of what is not known of it beyond the scale (N).
    unreported_n : float
        Force that one whole unreported share of the extra torque would add (N).
    gross_n : float
        Force of the indicated torque, which a regeneration's extra fuel would falsify (N).
    tilt_n : float
        Force times load beyond the mid load, where the chain's gain may differ (N).
    rotating_kg : float
        Equivalent mass of the rotating parts whose spinning up the force still has to do (kg).
    spin_up_n : float
        Force that spinning the engine up since the last sample took; already off ``force_n`` (N).
    per_unit_n : float
        Force per unit of the force channel (N per g/s, N m or N); 0 where the force is not known.
    gear : float
        Gear believed (0 when not known).
    reason : int
        0 when the force is known, else an index into ``REASONS``.
    """
    reason = KNOWN
    # Taken out of the tuple once: each taking counts a reference.
    ratios = rig.ratios
    radius = rig.tyre_radius_m
    wheels_kg = rotating_mass(0.0, rig.wheel_inertia_kg_m2, 0.0, radius)
    if memory[LAST_TIME_S] < -1e8:
        memory[LAST_TIME_S] = time_s
    elapsed = time_s - memory[LAST_TIME_S]
    memory[LAST_TIME_S] = time_s
    if not math.isnan(brake):
        memory[SEEN_BRAKE] = 1.0
        if brake > 0.5:
            memory[LAST_BRAKE_S] = time_s
            reason = BRAKE
    if reason == KNOWN and time_s - memory[LAST_BRAKE_S] < BRAKE_SETTLING_S:
        reason = BRAKE
    if gear_logged < 0.0:
        memory[LAST_GEAR] = gear_logged
        return 0.0, 0.0, 0.0, 0.0, 0.0, wheels_kg, 0.0, 0.0, gear_logged, REVERSE
    if math.isnan(speed_m_s):
        return 0.0, 0.0, 0.0, 0.0, 0.0, wheels_kg, 0.0, 0.0, 0.0, NO_FORCE
    if speed_m_s < CRAWL_SPEED_M_S:
        reason = STANDSTILL

    if source == SOURCE_TRACTIVE:
        # Measured at the hub or roller: downstream of the engine, so only the wheels count.
        if math.isnan(tractive_force_n):
            return (
                0.0,
                0.0,
                0.0,
                0.0,
                0.0,
                wheels_kg,
                0.0,
                0.0,
                0.0,
                reason if reason != KNOWN else LOW_POWER,
            )
        sd = 0.0 if math.isnan(tractive_force_sd_n) else tractive_force_sd_n
        return tractive_force_n, sd, 0.0, 0.0, 0.0, wheels_kg, 0.0, 1.0, 0.0, reason

    has_rpm = not math.isnan(engine_speed_rpm)
    engine_rad_s = engine_speed_rpm * math.pi / 30.0 if has_rpm else math.nan
    # What spins the engine up does not reach the road. Its own speed tells it, whether converter,
    # clutch and lock-up slip or not; the gear's ratio only where they do not.
    spin_up_n_m, spinning_seen = 0.0, False
    if has_rpm and not math.isnan(memory[LAST_ENGINE_RAD_S]) and 0.0 < elapsed < LONGEST_STEP_S:
        spinning_seen = True
        spin_up_n_m = (
            rig.engine_inertia_kg_m2 * (engine_rad_s - memory[LAST_ENGINE_RAD_S]) / elapsed
        )
    memory[LAST_ENGINE_RAD_S] = engine_rad_s

    # --- gear and ratio: what rpm over speed shows wins over what is logged -------------------
    gear, low, slip = 0.0, False, 0.0
    known_gear = False
    if not math.isnan(gear_logged) and gear_logged <= ratios.size:
        gear, known_gear = gear_logged, True
        low = low_range_logged > 0.5
    moving = speed_m_s >= CRAWL_SPEED_M_S
    # Whole km/h at low speed spreads the observed ratio: 0.28 m/s is the whole step.
    speed_step = 0.15 / max(speed_m_s, 1.0)
    if has_rpm and moving and not (known_gear and gear == 0.0):
        observed = engine_rad_s * radius / speed_m_s
        if observed > 0.2 * ratios[ratios.size - 1]:
            near_gear, near_low, distance = nearest_ratio(observed, rig)
            tolerance = 0.04 + speed_step
            if known_gear:
                stated = ratios[int(gear) - 1]
                if low and rig.transfer_low_ratio > 0.0:
                    stated *= rig.transfer_low_ratio
                slip = math.log(observed / stated)
                # Standing contradiction: the logged gear cannot give this ratio and another can.
                wrong = distance < tolerance and (
                    slip < -2.0 * tolerance
                    or slip > (0.75 if rig.has_converter else 2.0 * tolerance)
                )
                if wrong:
                    memory[CONTRADICTION_S] += elapsed
                else:
                    memory[CONTRADICTION_S] = max(0.0, memory[CONTRADICTION_S] - 0.2 * elapsed)
                if memory[CONTRADICTION_S] > 3.0 and distance < tolerance:
                    gear, low, slip = float(near_gear), near_low, 0.0
            elif distance < tolerance:
                gear, low, known_gear, slip = float(near_gear), near_low, True, 0.0
            else:
                known_gear = False
                slip = 1.0
    if gear != memory[LAST_GEAR]:
        if memory[LAST_GEAR] > -90.0:
            memory[LAST_CHANGE_S] = time_s
        memory[LAST_GEAR] = gear
    if reason == KNOWN:
        since_s = time_s - memory[LAST_CHANGE_S]
        slips = abs(slip) > CLUTCH_CLOSED_WITHIN + speed_step
        closing = slips and not rig.has_converter and since_s < CLUTCH_CLOSES_S
        if closing or since_s < SETTLING_S:
            reason = GEAR_CHANGE

    ratio = 0.0
    if known_gear and gear >= 1.0:
        ratio = ratios[int(gear) - 1]
        if low and rig.transfer_low_ratio > 0.0:
            ratio *= rig.transfer_low_ratio

    # --- engine speed where it is not logged --------------------------------------------------
    guessed = False
    if not has_rpm:
        if ratio > 0.0:
            engine_rad_s = max(rig.idle_rad_s, speed_m_s * ratio / radius)
        else:
            # No engine speed and no gear: the power form. Friction is taken at the engine speed
            # of the highest gear that keeps the engine above twice idle.
            guessed = True
            engine_rad_s = 2.0 * rig.idle_rad_s
            for index in range(ratios.size):
                candidate = speed_m_s * ratios[index] / radius
                if candidate >= 2.0 * rig.idle_rad_s:
                    engine_rad_s = candidate
    if engine_rad_s < 0.5 * rig.idle_rad_s:
        return (
            0.0,
            0.0,
            0.0,
            0.0,
            0.0,
            wheels_kg,
            0.0,
            0.0,
            gear,
            reason if reason != KNOWN else NO_FORCE,
        )

    # --- brake torque -------------------------------------------------------------------------
    friction = friction_torque(
        rig.friction_torque_n_m, rig.friction_torque_slope_n_m_s, engine_rad_s
    )
    if source == SOURCE_FUEL:
        if math.isnan(fuel_rate_g_s):
            return (
                0.0,
                0.0,
                0.0,
                0.0,
                0.0,
                wheels_kg,
                0.0,
                0.0,
                gear,
                reason if reason != KNOWN else NO_FORCE,
            )
        torque = willans_brake_torque(
            rig.heat_to_torque_w_s_g,
            fuel_rate_g_s,
            engine_rad_s,
            friction,
            rig.accessory_power_w,
            rig.efficiency_fall_per_n_m,
        )
        torque_per_unit = rig.heat_to_torque_w_s_g / engine_rad_s
        indicated = torque_per_unit * fuel_rate_g_s
        torque_per_unit *= 1.0 - 2.0 * rig.efficiency_fall_per_n_m * indicated
        # Not the curve's slope: at high load that leaves a regeneration nothing to explain.
        indicated -= rig.efficiency_fall_per_n_m * indicated * indicated
    else:
        if math.isnan(engine_torque_n_m):
            return (
                0.0,
                0.0,
                0.0,
                0.0,
                0.0,
                wheels_kg,
                0.0,
                0.0,
                gear,
                reason if reason != KNOWN else NO_FORCE,
            )
        torque = engine_torque_n_m - ACCESSORIES_IN_TORQUE * rig.accessory_power_w / engine_rad_s
        torque_per_unit, indicated = 1.0, 0.0
    extra = 0.0
    if extra_share > 0.0 and torque > 0.0:
        # The pedal asks for a part of base plus share times extra; that part of the torque is
        # extra, and the unreported share of it is missing from the channel.
        rpm = engine_rad_s * 30.0 / math.pi
        more = extra_share * np.interp(rpm, rig.extra_rpm, rig.extra_torque_n_m)
        part = more / (more + np.interp(rpm, rig.extra_rpm, rig.base_torque_n_m))
        extra = torque * part / (1.0 - TYPICAL_UNREPORTED * part)

    if known_gear and gear == 0.0:
        # Nothing is driven; a change into neutral settles first.
        return 0.0, 0.0, 0.0, 0.0, 0.0, wheels_kg, 0.0, 0.0, 0.0, reason

    # --- through the driveline ----------------------------------------------------------------
    torque_sd = 0.0
    rotating_kg = wheels_kg
    tolerance = LOCKED_WITHIN + speed_step
    if ratio > 0.0 and (not has_rpm or abs(slip) < tolerance):
        per_torque = ratio / radius
        spin_up_n = spin_up_n_m * per_torque
        if not spinning_seen:
            rotating_kg = rotating_mass(
                rig.engine_inertia_kg_m2, rig.wheel_inertia_kg_m2, ratio, radius
            )
    elif ratio > 0.0 and rig.has_converter and slip > 0.0:
        # Converter slipping: torque ratio falls in line from stall to one at the coupling point.
        speed_ratio = math.exp(-slip)
        torque_ratio = max(
            1.0,
            rig.converter_stall_torque_ratio
            - (rig.converter_stall_torque_ratio - 1.0) * speed_ratio / COUPLING_POINT,
        )
        per_torque = ratio / radius * torque_ratio
        torque_sd = abs(torque) * (0.03 + 0.15 * (torque_ratio - 1.0))
        spin_up_n = spin_up_n_m * per_torque * rig.efficiency
    else:
        # Gear not known: the power form. A slipping converter may lose a share of it.
        per_torque = engine_rad_s / max(speed_m_s, 1.0)
        if not has_rpm:
            rotating_kg = rotating_mass(
                rig.engine_inertia_kg_m2, rig.wheel_inertia_kg_m2, per_torque * radius, radius
            )
        elif rig.has_converter:
            per_torque *= 0.93
            torque_sd = 0.06 * abs(torque)
        spin_up_n = spin_up_n_m * per_torque
        if guessed:
            torque_sd += 0.25 * friction
    if torque >= 0.0:
        per_torque *= rig.efficiency
    else:
        per_torque /= rig.efficiency
        # Motoring: friction is all there is, and it is known to a quarter (common practice).
        torque_sd += 0.25 * friction
    # A gear change in overrun is overrun first: slow logs learn through gear changes.
    trusted = reason in (KNOWN, GEAR_CHANGE)
    if trusted and memory[SEEN_BRAKE] == 0.0 and torque < 0.06 * rig.reference_torque_n_m:
        reason = OVERRUN
    return (
        torque * per_torque - spin_up_n,
        torque_sd * per_torque,
        extra * per_torque,
        indicated * per_torque,
        max(torque, 0.0) * per_torque * (torque / rig.reference_torque_n_m - MID_LOAD),
        rotating_kg,
        spin_up_n,
        torque_per_unit * per_torque,
        gear,
        reason,
    )


def force_source(trace: pd.DataFrame) -> int:
    """Which channel the force is taken from: measured tread force, else torque, else fuelling.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.

    Returns
    -------
    int
        ``SOURCE_TRACTIVE``, ``SOURCE_TORQUE`` or ``SOURCE_FUEL``.

    Raises
    ------
    InputError
        None of the three channels is there.
    """
    for column, source in (
        ("tractive_force_n", SOURCE_TRACTIVE),
        ("engine_torque_n_m", SOURCE_TORQUE),
        ("fuel_rate_g_s", SOURCE_FUEL),
    ):
        if column in trace.columns and trace[column].notna().any():
            return source
    raise InputError(
        "no force channel: the log needs one of fuel_rate_g_s, engine_torque_n_m or "
        "tractive_force_n"
    )


TRACTION_INPUTS: tuple[str, ...] = (
    "time_s",
    "speed_m_s",
    "fuel_rate_g_s",
    "engine_torque_n_m",
    "tractive_force_n",
    "tractive_force_sd_n",
    "engine_speed_rpm",
    "gear",
    "brake_active",
    "extra_torque_share",
    "transfer_range",
)


@jit
def _traction_loop(
    memory: FloatArray, rig: RigArrays, source: int, inputs: FloatArray, outputs: FloatArray
) -> None:
    for row in range(inputs.shape[0]):
        force, sd, unreported, gross, _tilt, rotating, _spin, _per_unit, gear, reason = (
            traction_sample(
                memory,
                rig,
                source,
                inputs[row, 0],
                inputs[row, 1],
                inputs[row, 2],
                inputs[row, 3],
                inputs[row, 4],
                inputs[row, 5],
                inputs[row, 6],
                inputs[row, 7],
                inputs[row, 8],
                inputs[row, 9],
                inputs[row, 10],
            )
        )
        outputs[row, 0] = force
        outputs[row, 1] = sd
        outputs[row, 2] = unreported
        outputs[row, 3] = gross
        outputs[row, 4] = rotating
        outputs[row, 5] = gear
        outputs[row, 6] = reason


def columns_as_array(trace: pd.DataFrame, columns: tuple[str, ...]) -> FloatArray:
    """Columns of a trace side by side, NaN where a column is absent; shape (n, len(columns))."""
    table = np.full((len(trace), len(columns)), np.nan)
    for index, column in enumerate(columns):
        if column in trace.columns:
            table[:, index] = trace[column].to_numpy(dtype=np.float64, na_value=np.nan)
    return table


def traction(trace: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """Force at the tread over a whole trace.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns, n rows.
    rig : Rig

    Returns
    -------
    DataFrame
        n rows: ``force_n``, ``force_sd_n``, ``unreported_force_n``, ``gross_force_n``,
        ``rotating_mass_kg``, ``gear``, ``set_aside_because`` ("" where the force is known).

    Raises
    ------
    InputError
        The trace has no force channel.
    """
    source = force_source(trace)
    inputs = columns_as_array(trace, TRACTION_INPUTS)
    outputs = np.empty((len(trace), 7))
    _traction_loop(traction_memory(), rig_arrays(rig), source, inputs, outputs)
    frame = pd.DataFrame(
        outputs[:, :6],
        columns=[
            "force_n",
            "force_sd_n",
            "unreported_force_n",
            "gross_force_n",
            "rotating_mass_kg",
            "gear",
        ],
    )
    codes = outputs[:, 6].astype(np.int64)
    frame["set_aside_because"] = pd.Categorical.from_codes(
        codes, categories=pd.Index(list(REASONS))
    )
    return frame
