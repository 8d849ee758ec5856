"""What the channels of a drive say of each other, through the rig: halves, doubles and signs.

A channel in another unit, halved, doubled or with its sign reversed gives a mass as smooth as the
right one. Physics finds it where another channel knows: the engine cannot give more than its full
load, and at full pedal gives not much less; burnt fuel gives a fifth to a half of its heat; a climb
costs what the mass costs that is sped up. Where no other channel knows, that is said.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import Records
from loadlearn.log.contradictions import nearest_ratio, no_gear_fits
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import GRAVITY_M_S2
from loadlearn.vehicle.samples import (
    FORCE_CHANNELS,
    HEIGHT_FROM_ACCELEROMETER,
    HEIGHT_FROM_GRADE,
    SOURCE_FUEL,
    SOURCE_TRACTIVE,
    force_source,
    height_source,
)

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

FASTEST_WRONG = 0.04
"""Engine speed over road speed may differ from the rig's ratios by so much: tyre radius two per
cent, a lock-up clutch three."""
SAME_OFFSET = 0.03
"""An offset that is one and the same, and no slip, has half of its samples within this."""
LEAST_REACHED, MOST_REACHED = 0.65, 1.35
"""Of full-load torque: at full pedal at least, whatever happens at most. Thin air takes a fifth
away, a calibration that the rig does not know adds a quarter."""
LEAST_BURNT, MOST_BURNT = 0.2, 0.5
"""Brake efficiency of an engine under load: petrol 0.25 to 0.35, the best diesels 0.46 (Heywood,
chapter 15, from memory)."""
LEAST_AIR, PETROL_LEAST_AIR, PETROL_MOST_AIR = 0.9, 0.7, 1.5
"""Air over what the fuel needs: less burns to soot; a catalyst keeps a petrol engine near one."""
_PETROL_AIR = (PETROL_LEAST_AIR, PETROL_MOST_AIR)
FULL_PEDAL_PERCENT = 95.0
LEAST_SEEN_S = 5.0
"""What is seen for less time than this says nothing."""
SLOPE_BLOCK_S, ALTITUDE_BLOCK_S = 10.0, 30.0
"""Over so long the noise of a speed or a height is small beside its changes."""
LEAST_BLOCKS = 25
SURE_SD = 3.0
HALF, DOUBLE = 0.5, 2.0
LEAST_SLOPE = 0.01
"""On a road flatter than this the driver's answers to what is not seen outweigh the slope."""


class Checked(NamedTuple):
    """What was found.

    Attributes
    ----------
    contradictions : list of str
        Reasons not to trust, a sentence each.
    unchecked : list of str
        What a wrong channel could hide in, for no other knows; a sentence each.
    """

    contradictions: list[str]
    unchecked: list[str]


def cross_checks(rig: Rig, trace: pd.DataFrame, rows: Records, mass_kg: float) -> Checked:
    """Hold the channels of a drive against each other.

    Parameters
    ----------
    rig : Rig
    trace : DataFrame
        What was run.
    rows : record array of ``ROW``, shape (k,)
        What was learnt from.
    mass_kg : float
        What the computed force implies.

    Returns
    -------
    Checked
    """
    found: list[str] = []
    unchecked: list[str] = []
    for check in (_speed, _force):
        said, unknown = check(trace, rig)
        found += said
        unchecked += unknown
    said, unknown = _slopes(rows, height_source(trace), mass_kg)
    return Checked(found + said, unchecked + unknown)


def _column(trace: pd.DataFrame, name: str) -> FloatArray | None:
    if name not in trace.columns:
        return None
    values = trace[name].to_numpy(dtype=np.float64, na_value=np.nan)
    return values if np.isfinite(values).any() else None


def _seconds(trace: pd.DataFrame, mask: Mask) -> float:
    steps = np.diff(trace["time_s"].to_numpy(), append=np.inf)
    return float(np.minimum(steps, 2.0)[mask].sum())


# ----------------------------------------------------------------------------- speed and engine


def _speed(trace: pd.DataFrame, rig: Rig) -> tuple[list[str], list[str]]:
    """Road speed against engine speed and the rig's gears."""
    if _column(trace, "engine_speed_rpm") is None:
        other = "nor over ground, " if _column(trace, "ground_speed_m_s") is None else ""
        return [], [f"the scale of the road speed: no engine speed is logged {other}beside it"]
    index, _ = nearest_ratio(trace, rig)
    ratios = rig.driveline.final_drive * np.array(rig.driveline.gear_ratios)
    if rig.driveline.transfer_low_ratio is not None:
        ratios = np.concatenate((ratios, ratios * rig.driveline.transfer_low_ratio))
    speed = trace["speed_m_s"].to_numpy(dtype=np.float64)
    turned = trace["engine_speed_rpm"].to_numpy(dtype=np.float64) * math.pi / 30.0
    ratio = ratios[np.nan_to_num(index).astype(np.int64)]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        offset = np.log(turned * rig.vehicle.tyre_radius_m / (speed * ratio))
    # Fast, in gear and not in the middle of a change: whole km/h and slip are small.
    held = np.isfinite(offset) & (speed > 10.0) & (np.abs(offset) < 0.12)
    held[1:] &= index[1:] == index[:-1]
    if _seconds(trace, held) < 60.0:
        return [], []
    low, middle, high = np.quantile(offset[held], (0.25, 0.5, 0.75))
    if abs(middle) <= FASTEST_WRONG or high - low > SAME_OFFSET or no_gear_fits(trace, rig):
        return [], []  # the last is told where the rig's beliefs are
    way = "above" if middle < 0.0 else "below"
    return [
        f"the road speed is {100.0 * math.expm1(abs(middle)):.0f} % {way} what engine speed and "
        "gears say: check its unit and scale, tyre_radius_m and final_drive"
    ], []


# ----------------------------------------------------------------------------- force and engine


def _force(trace: pd.DataFrame, rig: Rig) -> tuple[list[str], list[str]]:
    """The force channel against full load, the fuel's heat and the air it needs."""
    found: list[str] = []
    source = force_source(trace)
    name = FORCE_CHANNELS[source]
    torque = _torque(trace, rig, source)
    checks = 0
    if torque is not None and rig.engine.full_load_rpm:
        said, reached = _full_load(trace, rig, torque, name)
        found += said
        checks += reached
    fuel, shaft = _column(trace, "fuel_rate_g_s"), _column(trace, "engine_torque_n_m")
    rpm, air = _column(trace, "engine_speed_rpm"), _column(trace, "air_flow_g_s")
    if fuel is not None and shaft is not None and rpm is not None and rig.engine.full_load_rpm:
        loaded = shaft > 0.4 * max(rig.engine.full_load_torque_n_m)
        loaded &= np.isfinite(fuel) & np.isfinite(rpm)
        if _seconds(trace, loaded) > LEAST_SEEN_S:
            checks += 1
            work = float((shaft * rpm)[loaded].sum()) * math.pi / 30.0
            heat = float(fuel[loaded].sum()) * rig.engine.heating_value_j_g
            share = work / max(heat, 1e-9)
            if not LEAST_BURNT <= share <= MOST_BURNT:
                found.append(
                    f"engine torque and fuelling make an efficiency of {share:.2f}, and an engine "
                    f"has {LEAST_BURNT:g} to {MOST_BURNT:g}: check the units of both"
                )
    if fuel is not None and air is not None:
        said, reached = _air(trace, rig, fuel, air)
        found += said
        checks += reached
    if checks:
        return found, []
    return found, [
        f"the scale of {name}: the drive shows neither full pedal with the pedal logged, nor "
        "torque and fuelling, nor the air flow; half or double of it would pass for another mass"
    ]


def _torque(trace: pd.DataFrame, rig: Rig, source: int) -> FloatArray | None:
    """Brake torque as the estimator takes it; None where engine speed or torque is not known."""
    rpm = _column(trace, "engine_speed_rpm")
    if source == SOURCE_TRACTIVE or rpm is None:
        return None
    if source != SOURCE_FUEL:
        return _column(trace, FORCE_CHANNELS[source])
    engine, fuel = rig.engine, trace["fuel_rate_g_s"].to_numpy(dtype=np.float64)
    turned = np.where(rpm > 0.5 * engine.idle_rpm, rpm, np.nan) * math.pi / 30.0
    mep = engine.friction_mep_kpa + engine.friction_mep_slope_kpa_s_per_rad * turned
    friction = engine.torque_of_mep(1.0) * mep
    heat = engine.indicated_efficiency * engine.heating_value_j_g * fuel
    return np.asarray((heat - 1e3 * engine.accessory_power_kw) / turned - friction)


def _full_load(
    trace: pd.DataFrame, rig: Rig, torque: FloatArray, name: str
) -> tuple[list[str], int]:
    rpm = trace["engine_speed_rpm"].to_numpy(dtype=np.float64)
    curve = rig.engine.full_load_rpm
    inside = np.isfinite(torque) & (rpm > curve[0]) & (rpm < curve[-1])
    base = rig.engine.full_load_torque(np.nan_to_num(rpm), 0.0)
    most = rig.engine.full_load_torque(np.nan_to_num(rpm), 1.0)
    beyond = inside & (torque > MOST_REACHED * most)
    if _seconds(trace, beyond) > LEAST_SEEN_S:
        times = float(np.quantile((torque / most)[beyond], 0.5))
        return [
            f"{name} makes {times:.1f} times the engine's full-load torque: check its unit, or the "
            "rig's full_load_torque_n_m"
        ], 1
    pedal = _column(trace, "accelerator_percent")
    if pedal is None:
        return [], 0
    full = inside & (pedal >= FULL_PEDAL_PERCENT)
    if _seconds(trace, full) < LEAST_SEEN_S:
        return [], 0
    # The turbocharger is late, thin air takes some away: what is reached counts.
    reached = float(np.quantile((torque / base)[full], 0.9))
    if reached < LEAST_REACHED:
        return [
            f"at full pedal {name} makes {100.0 * reached:.0f} % of the engine's full-load torque: "
            "check its unit, or the rig's full_load_torque_n_m"
        ], 1
    return [], 1


def _air(trace: pd.DataFrame, rig: Rig, fuel: FloatArray, air: FloatArray) -> tuple[list[str], int]:
    known = np.isfinite(fuel) & np.isfinite(air) & (air > 1.0)
    if not known.any():
        return [], 0
    loaded = known & (fuel > 0.5 * float(np.quantile(fuel[known], 0.95))) & (fuel > 0.3)
    if _seconds(trace, loaded) < LEAST_SEEN_S:
        return [], 0
    share = air[loaded] / (fuel[loaded] * rig.engine.stoichiometric_ratio)
    middle = float(np.median(share))
    low, high = (LEAST_AIR, math.inf) if rig.engine.fuel == "diesel" else _PETROL_AIR
    if low <= middle <= high:
        return [], 1
    return [
        f"air flow over fuelling is {middle:.2f} of what the fuel needs to burn: check the units "
        "of both"
    ], 1


# ----------------------------------------------------------------------------- slopes and inertia


def _blocks(rows: Records, height: int) -> FloatArray:
    """Work, kinetic energy, height, way and drag (kg m, m, m, m, kg/m2 m) of stretches."""
    least_s = SLOPE_BLOCK_S if height == HEIGHT_FROM_GRADE else ALTITUDE_BLOCK_S
    kinetic = rows["speed_m_s"] ** 2 / (2.0 * GRAVITY_M_S2)
    known = (rows["known"] > 0.5) & (rows["distance_m"] > 0.0)
    # A new stretch after each one that is long enough, and after what is not known.
    number = np.cumsum(~known) * (rows.size + 1) + np.floor(
        (rows["time_s"] - rows["time_s"][0]) / least_s
    )
    edges = np.flatnonzero(np.diff(number, prepend=-1.0))
    ends = np.append(edges[1:], rows.size) - 1
    found = []
    for first, last in zip(edges, ends, strict=True):
        part = rows[first : last + 1]
        if first == 0 or not known[first : last + 1].all():
            continue
        if part["dt_s"].sum() < 0.7 * least_s:
            continue
        before = first - 1
        if height == HEIGHT_FROM_GRADE:
            risen = part["grade_height_m"].sum()
        else:
            altitude = rows["measured_m"] - kinetic
            risen = altitude[last] - altitude[before]
        changed = kinetic[last] - kinetic[before]
        found.append(
            (part["work_kg_m"].sum(), changed, risen, part["distance_m"].sum(), part["drag2"].sum())
        )
    table = np.array(found).reshape(-1, 5)
    return np.asarray(table[np.isfinite(table).all(axis=1)])


def _slopes(rows: Records, height: int, mass_kg: float) -> tuple[list[str], list[str]]:
    """What climbing costs against what speeding up costs, and whether rolling costs anything."""
    if height == HEIGHT_FROM_ACCELEROMETER:
        return [], []
    flat = ["the scale and sign of the slope: too few stretches of this drive climb to tell"]
    table = _blocks(rows, height)
    if len(table) < LEAST_BLOCKS:
        return [], flat
    work, columns = table[:, 0], table[:, 1:].copy()
    # Then the way's coefficient is the whole resistance at the drive's usual speed.
    columns[:, 3] -= columns[:, 2] * columns[:, 3].sum() / columns[:, 2].sum()
    inverse = np.linalg.pinv(columns.T @ columns)
    found = inverse @ columns.T @ work
    left = work - columns @ found
    # Not of one size everywhere: White, Econometrica 48(4), 1980 (from memory).
    covariance = inverse @ (columns.T * left**2) @ columns @ inverse
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0) * len(table) / (len(table) - 4))
    (_, climbing, rolling, _), (_, climbing_sd, rolling_sd, _) = found, sd
    said: list[str] = []
    hilly = float(np.sqrt(np.mean((table[:, 2] / table[:, 3]) ** 2))) > LEAST_SLOPE
    if rolling + SURE_SD * rolling_sd < 0.0:
        said.append(
            "rolling and air cost less than nothing on this drive: check the force channel's scale "
            "and the sign of the slope"
        )
    if hilly and climbing + SURE_SD * climbing_sd < HALF * mass_kg:
        way = "pays" if climbing + SURE_SD * climbing_sd < 0.0 else "costs next to nothing"
        said.append(
            f"climbing {way} on this drive, by its force and its slope: check the sign and the "
            "unit of the slope or altitude (forward and uphill are positive)"
        )
    elif climbing - SURE_SD * climbing_sd > DOUBLE * mass_kg:
        said.append(
            f"climbing costs {climbing / mass_kg:.0f} times what the mass learnt would: check the "
            "unit of the slope or altitude (a slope in per cent is a hundred times its ratio)"
        )
    elif climbing_sd > 0.25 * mass_kg:
        return said, flat
    return said, []
