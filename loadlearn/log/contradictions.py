"""Channels of a log that cannot both be right: gear and ratio, speeds, grade and altitude."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from loadlearn.log.alignment import Grid, first_logged, on_grid, shrink, sine_of_grade, smooth
from loadlearn.log.channel_faults import Floats
from loadlearn.vehicle import roadload
from loadlearn.vehicle.rig import Rig

_MOVING_M_S, _LEAST_HELD = 3.0, 50
_LEAST_GAIN, _MOST_GAIN = 0.6, 1.6
"""A body accelerometer pitches, is mounted askew and filtered, and shows changes of speed within
this all the same (common practice, no source)."""


def overall_ratios(rig: Rig) -> Floats:
    """Overall ratio of each gear, first gear first, then those of low range; shape (ratios,)."""
    ratios = rig.driveline.final_drive * np.array(rig.driveline.gear_ratios)
    if rig.driveline.transfer_low_ratio is not None:
        ratios = np.concatenate((ratios, ratios * rig.driveline.transfer_low_ratio))
    return ratios


def nearest_ratio(trace: pd.DataFrame, rig: Rig) -> tuple[Floats, Floats]:
    """The rig's ratio nearest to engine speed over wheel speed.

    Parameters
    ----------
    trace : pandas.DataFrame
        With ``engine_speed_rpm``.
    rig : Rig

    Returns
    -------
    index : ndarray
        Gear less one; low range counts on after the highest gear. NaN when not moving.
    error : ndarray
        Relative distance to that ratio.
    """
    speed, rpm = trace["speed_m_s"].to_numpy(), trace["engine_speed_rpm"].to_numpy()
    ratios = overall_ratios(rig)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        logs = np.log(rpm * (math.pi / 30.0) * rig.vehicle.tyre_radius_m / speed)
        order = np.argsort(ratios)
        levels = np.log(ratios[order])
        between = 0.5 * (levels[1:] + levels[:-1])
        moving = np.isfinite(logs) & (speed > 1.0)
        place = np.searchsorted(between, np.where(moving, logs, 0.0))
        index = np.where(moving, order[place].astype(float), np.nan)
        error = np.where(moving, np.abs(np.expm1(logs - levels[place])), np.inf)
    return index, error


def contradictions(trace: pd.DataFrame, grid: Grid, rig: Rig | None) -> list[str]:
    """Channels that cannot both be right.

    Parameters
    ----------
    trace : pandas.DataFrame
    grid : Grid
    rig : Rig or None
        Its ratios judge gear and range.

    Returns
    -------
    list of str
        One sentence each.
    """
    found: list[str] = []
    speed = trace["speed_m_s"].to_numpy()
    moving = speed > _MOVING_M_S
    if rig is not None and first_logged(trace, ("engine_speed_rpm",)):
        found += _gear_contradictions(trace, rig, moving)
    if first_logged(trace, ("ground_speed_m_s",)):
        ground = trace["ground_speed_m_s"].to_numpy()
        fast = (speed > 8.0) & (ground > 4.0)
        if fast.sum() > 100:
            ratio = float(np.median(speed[fast] / ground[fast]))
            if abs(ratio - 1.0) > 0.03:
                word = "above" if ratio > 1.0 else "below"
                found.append(
                    f"Road speed reads {abs(ratio - 1.0) * 100.0:.1f} % {word} the speed over "
                    "ground: check the tyre size, or the ground was loose."
                )
    if first_logged(trace, ("brake_active",)) and moving.sum() > 100:
        share = float(np.nanmean(trace["brake_active"].to_numpy()[moving]))
        if share > 0.9:
            found.append(
                f"The service brake is logged as on for {100.0 * share:.0f} % of the time under "
                "way: the switch may be stuck or inverted."
            )
    if first_logged(trace, ("engine_speed_rpm",)) and first_logged(trace, ("fuel_rate_g_s",)):
        dead = (trace["engine_speed_rpm"].to_numpy() < 1.0) & (
            trace["fuel_rate_g_s"].to_numpy() > 0.05
        )
        if dead.mean() > 0.01:
            found.append(
                f"Fuel flows at zero engine speed in {100.0 * dead.mean():.0f} % of the rows."
            )
    return found + _slope_contradictions(trace, grid)


def no_gear_fits(trace: pd.DataFrame, rig: Rig) -> list[str]:
    """A sentence where a long enough drive meets none of the rig's ratios; else nothing.

    Parameters
    ----------
    trace : pandas.DataFrame
    rig : Rig
    """
    moving = trace["speed_m_s"].to_numpy() > _MOVING_M_S
    if moving.sum() <= 600 or not first_logged(trace, ("engine_speed_rpm",)):
        return []
    if _held_ratio(trace, rig, moving)[1].sum() >= _LEAST_HELD:
        return []
    return [
        "Engine speed over road speed fits none of the rig's gears: check gear_ratios, "
        "final_drive and tyre_radius_m."
    ]


def accelerometer_off(trace: pd.DataFrame, grid: Grid) -> list[str]:
    """A sentence where a body accelerometer does not show what the speed changes by; else nothing.

    Over some seconds, in which the road hardly changes.

    Parameters
    ----------
    trace : pandas.DataFrame
        With ``accel_long_m_s2``.
    grid : Grid
    """
    step_s, longest_s = grid.interval_s, 10.0
    use = shrink(grid.ok & (grid.speed_m_s > _MOVING_M_S), round(2.0 / step_s))
    if use.sum() * step_s < 60.0:
        return []
    shown = smooth(on_grid(trace, "accel_long_m_s2", grid.time_s), step_s)
    changes, seen = (
        (one - smooth(one, step_s, longest_s))[use] for one in (grid.acceleration_m_s2, shown)
    )
    power = float(changes @ changes)
    gain = float(changes @ seen) / max(power, 1e-12)
    left = float(np.var(seen - gain * changes))
    sd = math.sqrt(left / max(power * step_s / longest_s, 1e-12))
    if _LEAST_GAIN - 2.0 * sd <= gain <= _MOST_GAIN + 2.0 * sd:
        return []
    return [
        f"The body accelerometer shows {gain:.1f} of what the speed changes by: check its axis, "
        "sign (forward and uphill are positive) and unit."
    ]


def _held_ratio(trace: pd.DataFrame, rig: Rig, moving: Any) -> tuple[Floats, Any]:
    """Nearest ratios, and where one has held for a while: no gear change, no slipping converter."""
    index, error = nearest_ratio(trace, rig)
    period = float(np.median(np.diff(trace["time_s"].to_numpy())))
    return index, shrink(moving & (error < 0.04), max(1, round(1.0 / period)))


def _gear_contradictions(trace: pd.DataFrame, rig: Rig, moving: Any) -> list[str]:
    found = []
    index, held = _held_ratio(trace, rig, moving)
    gears = len(rig.driveline.gear_ratios)
    period = float(np.median(np.diff(trace["time_s"].to_numpy())))
    if held.sum() < _LEAST_HELD:
        return no_gear_fits(trace, rig)
    low = held & (index >= gears)
    range_logged = trace["transfer_range"].to_numpy() if "transfer_range" in trace else None
    # High and low range share ratios nearly; a gear logged beside tells which it is.
    if "gear" in trace:
        gear = trace["gear"].to_numpy()
        told = held & (gear >= 1) & (gear <= gears)
        expected = np.where(told, gear - 1, 0).astype(int)
        ratio_now = np.where(np.isfinite(index), index, 0).astype(int)
        ratios = np.array(rig.driveline.gear_ratios)
        in_low = np.zeros(index.size, dtype=bool)
        if rig.driveline.transfer_low_ratio is not None:
            all_ratios = np.concatenate((ratios, ratios * rig.driveline.transfer_low_ratio))
            seen = all_ratios[ratio_now] / ratios[expected]
            in_low = told & (np.abs(seen / rig.driveline.transfer_low_ratio - 1.0) < 0.06)
            seen_high = np.abs(seen - 1.0) < 0.06
        else:
            seen_high = ratio_now == expected
        low = in_low
        wrong = told & ~seen_high & ~in_low
        if told.sum() > 50 and wrong.sum() > 0.05 * told.sum():
            found.append(
                f"The logged gear disagrees with engine speed over road speed in "
                f"{100.0 * wrong.sum() / told.sum():.0f} % of the samples in gear: the ratio seen "
                "is used."
            )
    unsaid = low if range_logged is None else low & ~(range_logged > 0.5)
    if unsaid.sum() * period > 5.0:
        found.append(
            f"Low range is engaged for {unsaid.sum() * period:.0f} s by engine speed over road "
            "speed, but the log does not say so: the ratio seen is used."
        )
    return found


def _slope_contradictions(trace: pd.DataFrame, grid: Grid) -> list[str]:
    """Grade against altitude, and the accelerometer against both, by regression."""
    found = []
    use = shrink(grid.ok, round(2.0 / grid.interval_s))
    if use.sum() < 300:
        return []
    names = {
        name: trace[[*("time_s", "speed_m_s"), name]]
        for name in ("grade_percent", "altitude_m")
        if first_logged(trace, (name,))
    }
    if len(names) == 2:
        logged, risen = (
            smooth(
                sine_of_grade(names[name], grid.time_s, grid.speed_m_s, grid.interval_s),
                grid.interval_s,
                10.0,
            )[use]
            for name in ("grade_percent", "altitude_m")
        )
        fault = _disagree(logged, risen, 0.01)
        if fault:
            found.append(f"Grade and altitude disagree: {fault}.")
    if first_logged(trace, ("accel_long_m_s2",)) and names:
        measured = smooth(on_grid(trace, "accel_long_m_s2", grid.time_s), grid.interval_s, 2.0)[use]
        expected = (grid.acceleration_m_s2 + roadload.GRAVITY_M_S2 * grid.sin_grade)[use]
        fault = _disagree(measured, smooth(expected, grid.interval_s, 2.0), 0.15)
        if fault:
            found.append(
                f"The accelerometer disagrees with dv/dt + g sin(grade): {fault} (forward and "
                "uphill are positive)."
            )
    elif first_logged(trace, ("accel_long_m_s2",)):
        found += accelerometer_off(trace, grid)
    return found


def _disagree(first: Floats, second: Floats, least_sd: float) -> str:
    """Why two versions of one quantity cannot both be right; empty when they may."""
    if first.std() < least_sd or second.std() < least_sd:
        return ""
    correlation = float(np.corrcoef(first, second)[0, 1])
    if correlation < -0.5:
        return "they have opposite signs"
    gain = float(first.std() / second.std())
    if correlation > 0.8 and not 0.6 < gain < 1.6:
        return f"one is {max(gain, 1.0 / gain):.1f} times the other"
    if correlation < 0.3:
        return "they do not rise and fall together"
    return ""
