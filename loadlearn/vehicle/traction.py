"""Force at the tread from one sample of a log, or the reason why it is not known."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from loadlearn._compile import Record, Records, jit
from loadlearn.vehicle.engine_force import (
    FRICTION_SD,
    MID_LOAD,
    RigArrays,
    rig_arrays,
    through_driveline,
    torque_from_channel,
    torque_from_fuel,
    unreported_torque,
)
from loadlearn.vehicle.gating import (
    CRAWL_SPEED_M_S,
    NEVER,
    OVERRUN_LOAD,
    REASON,
    REASONS,
    braked,
    changing_gear,
    traction_memory,
)
from loadlearn.vehicle.gear import believed_gear
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import rotating_mass
from loadlearn.vehicle.samples import (
    SOURCE_FUEL,
    SOURCE_TRACTIVE,
    Samples,
    force_source,
    samples_of,
)

LONGEST_STEP_S = 1.6
"""Samples further apart than this tell nothing of the engine's acceleration."""
SPEED_STEP_M_S = 0.15
"""Whole km/h at low speed spread the observed ratio: 0.28 m/s is the whole step."""

FORCE = np.dtype(
    [
        ("force_n", np.float64),  # at the tread, less what spinning the engine up took
        ("force_sd_n", np.float64),  # of what is not known of it beyond the scale
        ("unreported_n", np.float64),  # what one whole unreported share of the extra would add
        ("gross_n", np.float64),  # of the indicated torque, which a regeneration falsifies
        ("tilt_n", np.float64),  # force times load beyond the mid load
        ("rotating_kg", np.float64),  # rotating parts whose spinning up the force still has to do
        ("spin_up_n", np.float64),  # what spun the engine up since the last sample
        ("per_unit_n", np.float64),  # per unit of the force channel
        ("gear", np.float64),  # believed; 0 when not known
        ("reason", np.int64),  # why the force is not known, else 0
    ]
)


@jit
def _nothing(force: Record, wheels_kg: float, gear: float, reason: int) -> None:
    """No force known, in place."""
    force.force_n = force.force_sd_n = force.unreported_n = force.gross_n = force.tilt_n = 0.0
    force.spin_up_n = force.per_unit_n = 0.0
    force.rotating_kg, force.gear, force.reason = wheels_kg, gear, reason


@jit
def _spin_up(memory: Record, constants: Record, engine_rad_s: float, elapsed_s: float) -> float:
    """Torque that spun the engine up since the last sample (N m), NaN where it was not seen.

    What spins the engine up does not reach the road. Its own speed tells it, whether converter,
    clutch and lock-up slip or not; the gear's ratio only where they do not.
    """
    before = memory.engine_rad_s
    memory.engine_rad_s = engine_rad_s
    if math.isnan(before) or not 0.0 < elapsed_s < LONGEST_STEP_S:
        return math.nan
    return constants.engine_inertia_kg_m2 * (engine_rad_s - before) / elapsed_s


@jit
def _usual_engine_speed(rig: RigArrays, speed_m_s: float, ratio: float) -> float:
    """Engine speed where it is not logged (rad/s): the gear's, or of the power form.

    Friction is then taken at the engine speed of the highest gear that keeps the engine above twice
    idle.
    """
    constants, ratios = rig.constants[0], rig.ratios
    radius, idle = constants.tyre_radius_m, constants.idle_rad_s
    if ratio > 0.0:
        return max(idle, speed_m_s * ratio / radius)
    found = 2.0 * idle
    for index in range(ratios.size):
        candidate = speed_m_s * ratios[index] / radius
        if candidate >= 2.0 * idle:
            found = candidate
    return found


@jit
def traction_sample(
    memory: Record, rig: RigArrays, source: int, sample: Record, force: Record
) -> None:
    """Force at the tread from one sample, in place.

    Parameters
    ----------
    memory : record of ``TRACTION_MEMORY``
        Updated.
    rig : RigArrays
    source : int
        Which channel the force is taken from.
    sample : record of ``SAMPLE``
    force : record of ``FORCE``
        Receives the force, or the reason why it is not known.
    """
    constants = rig.constants[0]
    wheels_kg = rotating_mass(0.0, constants.wheel_inertia_kg_m2, 0.0, constants.tyre_radius_m)
    time_s, speed_m_s = sample.time_s, sample.speed_m_s
    elapsed_s = 0.0 if memory.time_s == NEVER else time_s - memory.time_s
    memory.time_s = time_s
    reason = REASON.brake if braked(memory, time_s, sample.brake_active) else REASON.known
    if sample.gear < 0.0:
        memory.gear = sample.gear
        _nothing(force, wheels_kg, sample.gear, REASON.reverse)
        return
    if math.isnan(speed_m_s):
        _nothing(force, wheels_kg, 0.0, REASON.no_force)
        return
    if speed_m_s < CRAWL_SPEED_M_S:
        reason = REASON.standstill
    if source == SOURCE_TRACTIVE:
        # Measured at the hub or roller: downstream of the engine, so only the wheels count.
        missing = math.isnan(sample.tractive_force_n)
        if missing and reason == REASON.known:
            reason = REASON.low_power
        _nothing(force, wheels_kg, 0.0, reason)
        if not missing:
            force.force_n, force.per_unit_n = sample.tractive_force_n, 1.0
            sd = sample.tractive_force_sd_n
            force.force_sd_n = 0.0 if math.isnan(sd) else sd
        return

    engine_rad_s = sample.engine_speed_rpm * math.pi / 30.0
    engine_logged = not math.isnan(engine_rad_s)
    spin_up_n_m = _spin_up(memory, constants, engine_rad_s, elapsed_s)
    within = SPEED_STEP_M_S / max(speed_m_s, 1.0)
    gear = believed_gear(memory, constants, rig.ratios, sample, engine_rad_s, elapsed_s, within)
    clutch = constants.has_converter == 0
    if reason == REASON.known and changing_gear(memory, time_s, gear.slip, within, clutch):
        reason = REASON.gear_change
    if not engine_logged:
        engine_rad_s = _usual_engine_speed(rig, speed_m_s, gear.ratio)
    if source == SOURCE_FUEL:
        engine = torque_from_fuel(constants, sample.fuel_rate_g_s, engine_rad_s)
    else:
        engine = torque_from_channel(constants, sample.engine_torque_n_m, engine_rad_s)
    torque = engine.torque_n_m
    if engine_rad_s < 0.5 * constants.idle_rad_s or math.isnan(torque):
        _nothing(force, wheels_kg, gear.gear, REASON.no_force if reason == REASON.known else reason)
        return
    if gear.known and gear.gear == 0.0:
        # Nothing is driven; a change into neutral settles first.
        _nothing(force, wheels_kg, 0.0, reason)
        return
    seen = not math.isnan(spin_up_n_m)
    way = through_driveline(
        constants,
        gear.ratio,
        gear.slip,
        within,
        engine_logged,
        engine_rad_s,
        speed_m_s,
        torque,
        spin_up_n_m if seen else 0.0,
        seen,
    )
    torque_sd = way.torque_sd_n_m
    if not engine_logged and gear.ratio == 0.0:
        torque_sd += FRICTION_SD * engine.friction_n_m
    if torque >= 0.0:
        per_torque = way.force_per_n_m * constants.efficiency
    else:
        per_torque = way.force_per_n_m / constants.efficiency
        torque_sd += FRICTION_SD * engine.friction_n_m
    # A gear change in overrun is overrun first: slow logs learn through gear changes.
    trusted = reason in (REASON.known, REASON.gear_change)
    low = torque < OVERRUN_LOAD * constants.reference_torque_n_m
    if trusted and memory.brake_logged == 0.0 and low:
        reason = REASON.overrun
    unreported = unreported_torque(rig, torque, sample.extra_torque_share, engine_rad_s)
    load = torque / constants.reference_torque_n_m
    force.force_n = torque * per_torque - way.spin_up_n
    force.force_sd_n = torque_sd * per_torque
    force.unreported_n = unreported * per_torque
    force.gross_n = engine.indicated_n_m * per_torque
    force.tilt_n = max(torque, 0.0) * per_torque * (load - MID_LOAD)
    force.rotating_kg, force.spin_up_n = way.rotating_kg, way.spin_up_n
    force.per_unit_n = engine.per_unit * per_torque
    force.gear, force.reason = gear.gear, reason


@jit
def _traction_loop(
    memories: Records,
    rig: RigArrays,
    source: int,
    samples: Samples,
    forces: Records,
) -> None:
    for index in range(samples.size):
        traction_sample(memories[0], rig, source, samples[index], forces[index])


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
    forces = np.zeros(len(trace), FORCE)
    source = force_source(trace)
    _traction_loop(traction_memory(), rig_arrays(rig), source, samples_of(trace), forces)
    return pd.DataFrame(
        {
            "force_n": forces["force_n"],
            "force_sd_n": forces["force_sd_n"],
            "unreported_force_n": forces["unreported_n"],
            "gross_force_n": forces["gross_n"],
            "rotating_mass_kg": forces["rotating_kg"],
            "gear": forces["gear"],
            "set_aside_because": pd.Categorical.from_codes(
                forces["reason"], categories=pd.Index(list(REASONS))
            ),
        }
    )
