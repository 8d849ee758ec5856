"""Faults of a log that are tolerated but counted: gaps, drop-outs, frozen channels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.log.channels import CANONICAL

Floats = NDArray[np.float64]


def gap_threshold_s(time_s: Floats) -> float:
    """Interval beyond which two samples have a gap between them (s).

    Two and a half times the ninth decile of the intervals: stamps that jitter, and channels polled
    in turn and stamped in bursts, are no gaps.

    Parameters
    ----------
    time_s : ndarray
        Rising stamps (s), two at least.
    """
    return 2.5 * float(np.quantile(np.diff(time_s), 0.9))


def gaps(time_s: Floats) -> list[tuple[float, float]]:
    """Gaps in a log.

    Parameters
    ----------
    time_s : ndarray
        Rising stamps.

    Returns
    -------
    list of (float, float)
        Last stamp before and first after each gap (s).
    """
    wide = np.flatnonzero(np.diff(time_s) > gap_threshold_s(time_s))
    return [(float(time_s[i]), float(time_s[i + 1])) for i in wide]


def runs(values: Floats) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and last index of each run of equal values; NaN equals NaN.

    Parameters
    ----------
    values : ndarray, shape (n,)
    """
    nan = np.isnan(values)
    same = (values[1:] == values[:-1]) | (nan[1:] & nan[:-1])
    edges = np.flatnonzero(~same)
    return np.append(0, edges + 1), np.append(edges, values.size - 1)


@dataclass(frozen=True)
class _FrozenRule:
    """When a value that stands still is taken for a dead channel.

    It stood for ``least_s`` seconds, and the drive went on: the speed moved by
    ``speed_change_m_s``, or ``distance_m`` was driven.
    """

    least_s: float
    speed_change_m_s: float = np.inf
    distance_m: float = np.inf
    zero_may_stand: bool = True
    end_stop_may_stand: bool = True


_LIVE = _FrozenRule(5.0, speed_change_m_s=3.0, distance_m=2_000.0)
_FROZEN_RULES: dict[str, _FrozenRule] = {
    "fuel_rate_g_s": _LIVE,
    "engine_torque_n_m": _LIVE,
    "tractive_force_n": _LIVE,
    "engine_speed_rpm": _LIVE,
    "accel_long_m_s2": _LIVE,
    "boost_kpa": _LIVE,
    "air_flow_g_s": _LIVE,
    "rail_pressure_mpa": _LIVE,
    "exhaust_gas_temp_degc": _FrozenRule(30.0, 10.0, 3_000.0, end_stop_may_stand=False),
    "exhaust_gas_temp_after_turbine_degc": _FrozenRule(
        30.0, 10.0, 3_000.0, end_stop_may_stand=False
    ),
    "grade_percent": _FrozenRule(20.0, distance_m=1_500.0, end_stop_may_stand=False),
    "altitude_m": _FrozenRule(
        20.0, distance_m=1_500.0, zero_may_stand=False, end_stop_may_stand=False
    ),
    "ground_speed_m_s": _FrozenRule(5.0, speed_change_m_s=3.0, zero_may_stand=False),
    "latitude_deg": _FrozenRule(20.0, distance_m=500.0, end_stop_may_stand=False),
}


def frozen_stretches(trace: pd.DataFrame, name: str) -> list[tuple[float, float]]:
    """Stretches over which a channel stood still although the drive went on.

    Zero (a fuel cut, a flat road) and the channel's own highest value (full load) may stand for
    some channels. Road speed is judged against engine speed and speed over ground, for cruise
    control may hold it for long.

    Parameters
    ----------
    trace : pandas.DataFrame
        A valid trace.
    name : str
        One of its channels.

    Returns
    -------
    list of (float, float)
        First and last stamp (s); empty for channels that may rightly stand.
    """
    time_s = trace["time_s"].to_numpy()
    values = trace[name].to_numpy()
    if name == "speed_m_s":
        return _frozen_speed(trace, time_s, values)
    rule = _FROZEN_RULES.get(name)
    if rule is None or not _may_stand(time_s, values):
        return []
    first, last = runs(values)
    long = (time_s[last] - time_s[first] >= rule.least_s) & ~np.isnan(values[first])
    if rule.zero_may_stand:
        long &= values[first] != 0.0
    if rule.end_stop_may_stand and long.any():
        long &= values[first] < np.nanmax(values)
    if not long.any():
        return []
    speed = trace["speed_m_s"].to_numpy()
    distance = distance_m(time_s, speed)
    found = []
    for i, k in zip(first[long], last[long], strict=True):
        known = speed[i : k + 1]
        known = known[~np.isnan(known)]
        change = float(np.ptp(known)) if known.size else 0.0
        if change >= rule.speed_change_m_s or distance[k] - distance[i] >= rule.distance_m:
            found.append((float(time_s[i]), float(time_s[k])))
    return found


def _may_stand(time_s: Floats, values: Floats) -> bool:
    """Quick look at every second or so: a live channel never shows the same value twice."""
    stride = max(1, round(1.0 / max(float(np.median(np.diff(time_s[:2001]))), 1e-3)))
    coarse = values[::stride]
    return stride == 1 or bool((coarse[1:] == coarse[:-1]).any())


def _frozen_speed(trace: pd.DataFrame, time_s: Floats, speed: Floats) -> list[tuple[float, float]]:
    first, last = runs(speed)
    long = (time_s[last] - time_s[first] >= 5.0) & ~np.isnan(speed[first])
    others = [
        (trace[name].to_numpy(), spread)
        for name, spread in (("engine_speed_rpm", 0.25), ("ground_speed_m_s", 0.10))
        if name in trace
    ]
    found = []
    for i, k in zip(first[long], last[long], strict=True):
        moving = speed[i] > 2.0
        dead = moving and time_s[k] - time_s[i] >= 120.0
        for values, spread in others:
            known = values[i : k + 1]
            known = known[~np.isnan(known)]
            # Standing, only the satellites tell; an engine may rev.
            if known.size < 5 or (not moving and spread > 0.2):
                continue
            low, high = np.quantile(known, [0.05, 0.95])
            dead = dead or high - low > max(spread * high, 2.0)
        if dead:
            found.append((float(time_s[i]), float(time_s[k])))
    return found


def distance_m(time_s: Floats, speed_m_s: Floats) -> Floats:
    """Distance driven since the first sample (m); an unknown speed is bridged by a line.

    Parameters
    ----------
    time_s, speed_m_s : ndarray, shape (n,)
        Speed known in one sample at least.

    Returns
    -------
    ndarray, shape (n,)
    """
    known = ~np.isnan(speed_m_s)
    speed = speed_m_s
    if not known.all():
        speed = np.interp(time_s, time_s[known], speed_m_s[known])
    steps = 0.5 * (speed[1:] + speed[:-1]) * np.diff(time_s)
    return np.concatenate(([0.0], np.cumsum(steps)))


def count_faults(trace: pd.DataFrame) -> dict[str, Any]:
    """Count gaps, drop-outs and frozen stretches.

    Parameters
    ----------
    trace : pandas.DataFrame
        Canonical columns, rising time.

    Returns
    -------
    dict
        ``rows``, ``gaps``, ``longest_gap_s``, ``dropout_rows`` (channel to rows without a value)
        and ``frozen_stretches`` (channel to how many), of plain JSON types.
    """
    found = gaps(trace["time_s"].to_numpy())
    dropouts: dict[str, int] = {}
    frozen: dict[str, int] = {}
    for name in trace.columns:
        if name not in CANONICAL or name == "time_s":
            continue
        missing = int(np.isnan(trace[name].to_numpy()).sum())
        if missing:
            dropouts[name] = missing
        stretches = len(frozen_stretches(trace, name))
        if stretches:
            frozen[name] = stretches
    return {
        "rows": len(trace),
        "gaps": len(found),
        "longest_gap_s": max((end - start for start, end in found), default=0.0),
        "dropout_rows": dropouts,
        "frozen_stretches": frozen,
    }
