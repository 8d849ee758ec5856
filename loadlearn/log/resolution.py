"""Steps, rounding and rhythm of a log's channels."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.log.channel_faults import Floats
from loadlearn.log.channels import CANONICAL, Unit
from loadlearn.log.contradictions import nearest_ratio, overall_ratios
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import GRAVITY_M_S2, SLIP_STIFFNESS
from loadlearn.vehicle.samples import SOURCE_TORQUE, SOURCE_TRACTIVE, force_source
from loadlearn.vehicle.traction import traction

UNSEEN_SLIP, UNSEEN_SLIP_SD = 0.5 / SLIP_STIFFNESS, 0.015
"""Slip that a logged speed does not carry, at a tread force of the tow vehicle's weight: half of
what driven tyres slip on hard ground."""
SURE_LOG_ODDS = 3.0
"""Odds of 20 between rounding and truncating are enough to believe in one."""
RATIO_SD = 0.003
"""Relative sd of a rig's gear ratio: a data sheet gives two or three digits."""


def resolution(values: Floats, unit: Unit) -> float | None:
    """Step of a quantised channel, in the unit it was read in.

    Parameters
    ----------
    values : ndarray
        In the canonical unit.
    unit : Unit
        The unit the column is in.

    Returns
    -------
    float or None
        None where the values lie on no common grid, or there are fewer than three of them.
    """
    if unit.tangent:
        raw = np.arctan(values / 100.0) / unit.scale
    else:
        raw = (values - unit.offset) / unit.scale
    # Three stretches are enough to see the steps, and quick on a long log.
    if raw.size > 15_000:
        starts = (0, raw.size // 2 - 2_500, raw.size - 5_000)
        raw = np.concatenate([raw[start : start + 5_000] for start in starts])
    levels = np.unique(raw[~np.isnan(raw)])
    if levels.size < 3:
        return None
    span = levels[-1] - levels[0]
    apart = np.diff(levels)
    apart = apart[apart > 1e-9 * max(abs(levels[0]), abs(levels[-1]), span)]
    if apart.size < 2:
        return None
    step = float(apart.min())
    off = np.abs(apart / step - np.round(apart / step))
    if np.quantile(off, 0.99) > 0.02:
        return None
    # Far apart levels pin the step down better than neighbours do.
    step = float(span / np.round(span / step))
    digits = 6 - math.floor(math.log10(step))
    return round(step, digits)


def speed_rounding(
    trace: pd.DataFrame, step: float | None, unit: Unit | None, rig: Rig | None
) -> str:
    """Whether a coarse road speed is rounded or truncated to its step.

    In a gear, engine speed is proportional to the true speed. The intercept of logged speed over
    engine speed is 0 where speed is rounded and half a step below where it is truncated.

    Parameters
    ----------
    trace : pandas.DataFrame
    step : float or None
        From :func:`resolution`.
    unit : Unit or None
        The unit of the step.
    rig : Rig, optional
        Its ratios tell the gears apart; a logged gear does too.

    Returns
    -------
    str
        ``rounded``, ``truncated`` or ``""`` when that cannot be told.
    """
    if step is None or unit is None or "engine_speed_rpm" not in trace:
        return ""
    step_m_s = step * unit.scale
    if step_m_s < 0.05:
        return ""
    speed, rpm = trace["speed_m_s"].to_numpy(), trace["engine_speed_rpm"].to_numpy()
    if rig is not None:
        gear, ratio = gear_labels(trace, rig, 0.06)
        return rounding_of(speed, rpm, gear, step_m_s, ratio, pull_over_weight(trace, rig))
    if "gear" in trace:
        gear = trace["gear"].to_numpy()
        return rounding_of(speed, rpm, gear, step_m_s, pull=pull_over_weight(trace, None))
    return ""


_TYPICAL_WORK_J_G, _TYPICAL_TOW_N = 15_000.0, 30_000.0


def pull_over_weight(trace: pd.DataFrame, rig: Rig | None) -> Floats | None:
    """Tread force over the tow vehicle's weight; without a rig, its order of magnitude.

    Parameters
    ----------
    trace : pandas.DataFrame
        Canonical columns, n rows; with engine speed.
    rig : Rig, optional

    Returns
    -------
    ndarray of shape (n,) or None
        0 where the force is not known; None where no channel tells it.
    """
    try:
        source = force_source(trace)
    except InputError:
        return None
    if rig is not None:
        pull = traction(trace, rig)["force_n"].to_numpy() / (rig.vehicle.mass_kg * GRAVITY_M_S2)
    elif source == SOURCE_TRACTIVE:
        pull = trace["tractive_force_n"].to_numpy(dtype=np.float64) / _TYPICAL_TOW_N
    else:
        if source == SOURCE_TORQUE:
            power_w = trace["engine_torque_n_m"] * trace["engine_speed_rpm"] * (math.pi / 30.0)
        else:
            power_w = trace["fuel_rate_g_s"] * _TYPICAL_WORK_J_G
        force = power_w / trace["speed_m_s"].clip(lower=1.0)
        pull = force.to_numpy(dtype=np.float64) / _TYPICAL_TOW_N
    return np.where(np.isfinite(pull), pull, 0.0)


def rounding_of(
    speed_m_s: Floats,
    rpm: Floats,
    gear: Floats,
    step_m_s: float,
    ratio: Floats | None = None,
    pull: Floats | None = None,
) -> str:
    """Whether a road speed in steps is rounded or truncated, from engine speed in each gear.

    Parameters
    ----------
    speed_m_s, rpm : ndarray, shape (n,)
    gear : ndarray, shape (n,)
        A positive label that is constant in a gear; NaN between gears.
    step_m_s : float
        Step of the speed (m/s).
    ratio : ndarray, shape (n,), optional
        The gear's overall ratio as far as it is known; taken as right to ``RATIO_SD``.
    pull : ndarray, shape (n,), optional
        Tread force over the tow vehicle's weight: driven wheels slip in proportion, and a logged
        speed may carry all of that or none.

    Returns
    -------
    str
        As :func:`speed_rounding`.
    """
    use = (speed_m_s > 4.0) & (rpm > 300.0) & (gear > 0) & np.isfinite(gear)
    gears = [g for g in np.unique(gear[use]) if (use & (gear == g)).sum() >= 50]
    use &= np.isin(gear, gears)
    if not gears or use.sum() < 100:
        return ""
    speed, label = speed_m_s[use], gear[use]
    turns = rpm[use] / (ratio[use] if ratio is not None else 1.0)
    # Wheel speed over turns is one factor for all gears, but for what the ratios are off.
    factors = np.array([np.median(speed[label == g] / turns[label == g]) for g in gears])
    usual = float(np.median(np.repeat(factors, [int((label == g).sum()) for g in gears])))
    tied = (np.abs(factors / usual - 1.0) < 4.0 * RATIO_SD) & (ratio is not None)
    slip = -turns * (pull[use] if pull is not None else 0.0)
    columns = [turns, *(np.where(label == g, turns, 0.0) for g in gears), slip]
    matrix = np.stack([*columns, np.ones(speed.size)], axis=1)
    tie = np.zeros((len(gears) + 1, matrix.shape[1]))
    spread = usual * np.concatenate([np.where(tied, RATIO_SD, 0.1), [UNSEEN_SLIP_SD]])
    tie[:, 1:-1] = np.diag(0.3 * step_m_s / spread)
    believed = tie[:, -2] * usual * UNSEEN_SLIP

    def solve(rows: NDArray[np.bool_]) -> tuple[Floats, Floats]:
        system = np.vstack([matrix[rows], tie])
        wanted = np.concatenate([speed[rows], believed])
        solution = np.linalg.lstsq(system, wanted, rcond=None)[0]
        return solution, np.asarray(np.linalg.pinv(system.T @ system))

    solution, _ = solve(np.ones(speed.size, dtype=bool))
    residual = np.abs(speed - matrix @ solution)
    # Slips of the driveline and gear changes are outliers of a narrow residual.
    near = residual < 3.0 * 1.4826 * np.median(residual) + 1e-9
    solution, information = solve(near)
    residual = speed[near] - matrix[near] @ solution
    # A held value counts once: neighbouring samples share their rounding error.
    changes = max(1, int((np.diff(speed) != 0.0).sum()))
    variance = float(residual.var()) * information[-1, -1] * max(1.0, near.sum() / changes)
    # Two hypotheses: the intercept is 0 or minus half a step. Tyres that grow with speed and
    # ratios that are not quite steady leave a twentieth of a step; slip that is not accounted for
    # is most in the low gears and raises the intercept by up to half a step.
    unknown, raised = (0.05, 0.0) if pull is not None else (0.2, 0.25)
    intercept = float(solution[-1]) / step_m_s - raised
    sd = math.hypot(math.sqrt(variance) / step_m_s, unknown)
    log_odds = (intercept**2 - (intercept + 0.5) ** 2) / (2.0 * sd * sd)
    if log_odds < -SURE_LOG_ODDS and abs(intercept) < 3.0 * sd:
        return "rounded"
    return "truncated" if log_odds > SURE_LOG_ODDS and abs(intercept + 0.5) < 3.0 * sd else ""


def gear_labels(trace: pd.DataFrame, rig: Rig, tolerance: float | Floats) -> tuple[Floats, Floats]:
    """A label per sample that is constant in a gear and range, and the rig's ratio there.

    Parameters
    ----------
    trace : pandas.DataFrame
        With ``engine_speed_rpm``.
    rig : Rig
    tolerance : float or ndarray, shape (n,)
        Relative distance to the ratio within which a gear is engaged.

    Returns
    -------
    label, ratio : ndarray, shape (n,)
        NaN between gears.
    """
    index, error = nearest_ratio(trace, rig)
    coupled = error < tolerance
    ratios = overall_ratios(rig)
    place = np.where(coupled, index, 0.0).astype(int)
    return np.where(coupled, index + 1.0, np.nan), np.where(coupled, ratios[place], np.nan)


def update_times(trace: pd.DataFrame) -> dict[str, tuple[float, Floats]]:
    """Channels that hold each value for longer than a sample.

    Returns
    -------
    dict of str to (float, ndarray)
        Channel to its update interval (s) and the stamps at which its value changed.
    """
    time_s = trace["time_s"].to_numpy()
    sample_s = float(np.median(np.diff(time_s)))
    found: dict[str, tuple[float, Floats]] = {}
    for name in trace.columns:
        channel = CANONICAL.get(name)
        if channel is None or name == "time_s" or channel.quantity in ("flag", "range", "count"):
            continue
        values = trace[name].to_numpy()
        changes = values[1:] != values[:-1]
        if not 40 <= changes.sum() <= 0.7 * values.size:
            continue
        changed = time_s[1:][changes]
        # A quantised value may stay the same over several updates, but now and then it does not:
        # the short intervals are the channel's own.
        between = np.diff(changed)
        interval = float(np.quantile(between, 0.1))
        # Held values change at multiples of that interval; a coarse step is crossed at any time.
        rhythm = abs(np.mean(np.exp(2j * np.pi * between / interval)))
        if interval > 1.5 * sample_s and rhythm > 0.6:
            found[name] = interval, changed
    return found


def polled_in_turn(trace: pd.DataFrame, updates: dict[str, tuple[float, Floats]]) -> list[str]:
    """Channels that are renewed at one rhythm, one after the other, in the order of their turn.

    Parameters
    ----------
    trace : pandas.DataFrame
    updates : dict
        From :func:`update_times`.

    Returns
    -------
    list of str
        Empty when channels are renewed together or at rhythms of their own.
    """
    if len(updates) < 2:
        return []
    sample_s = float(np.median(np.diff(trace["time_s"].to_numpy())))
    reference = "speed_m_s" if "speed_m_s" in updates else next(iter(updates))
    interval, changed = updates[reference]
    phases = {reference: 0.0}
    for name, (other_interval, other) in updates.items():
        if name == reference or abs(other_interval - interval) > 0.2 * interval:
            continue
        last = np.searchsorted(changed, other, side="right") - 1
        after = (other - changed[np.maximum(last, 0)])[last >= 0]
        turn = np.mean(np.exp(2j * np.pi * after / interval)) if after.size else 0.0
        if abs(turn) > 0.6:
            phase = float(np.angle(turn)) / (2.0 * np.pi) % 1.0 * interval
            phases[name] = 0.0 if interval - phase < 0.5 * sample_s else phase
    apart = sorted(set(np.round(np.array(list(phases.values())) / sample_s)))
    if len(apart) < 2:
        return []
    return sorted(phases, key=lambda name: phases[name])
