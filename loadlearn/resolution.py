"""Steps, rounding and rhythm of a log's channels."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from loadlearn.channels import CANONICAL, Unit
from loadlearn.contradictions import nearest_ratio
from loadlearn.faults import Floats
from loadlearn.rig import Rig


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
    gear = _gear_labels(trace, rig)
    if gear is None:
        return ""
    use = (speed > 4.0) & (rpm > 300.0) & (gear > 0) & np.isfinite(gear)
    gears = [g for g in np.unique(gear[use]) if (use & (gear == g)).sum() >= 100]
    use &= np.isin(gear, gears)
    if not gears or use.sum() < 300:
        return ""
    columns = [np.where(gear[use] == g, rpm[use], 0.0) for g in gears]
    matrix = np.stack([*columns, np.ones(int(use.sum()))], axis=1)
    solution = np.linalg.lstsq(matrix, speed[use], rcond=None)[0]
    residual = speed[use] - matrix @ solution
    # Slips of the driveline and gear changes are outliers of a narrow residual.
    near = np.abs(residual) < 3.0 * 1.4826 * np.median(np.abs(residual)) + 1e-9
    solution = np.linalg.lstsq(matrix[near], speed[use][near], rcond=None)[0]
    residual = speed[use][near] - matrix[near] @ solution
    information = np.linalg.pinv(matrix[near].T @ matrix[near])
    # A held value counts once: neighbouring samples share their rounding error.
    changes = max(1, int((np.diff(speed[use]) != 0.0).sum()))
    sd = math.sqrt(float(residual.var()) * information[-1, -1] * max(1.0, near.sum() / changes))
    if sd > step_m_s / 8.0:
        return ""
    intercept = float(solution[-1]) / step_m_s
    if abs(intercept) < 0.2:
        return "rounded"
    return "truncated" if -0.75 < intercept < -0.3 else ""


def _gear_labels(trace: pd.DataFrame, rig: Rig | None) -> Floats | None:
    """A label per sample that is constant in a gear and range; NaN between gears."""
    if rig is not None:
        index, error = nearest_ratio(trace, rig)
        return np.where(error < 0.06, index + 1.0, np.nan)
    if "gear" in trace:
        return trace["gear"].to_numpy()
    return None


def update_times(trace: pd.DataFrame) -> dict[str, tuple[float, Floats]]:
    """Channels that hold each value for longer than a sample.

    Parameters
    ----------
    trace : pandas.DataFrame

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
