"""The advice over a drive, in short."""

from __future__ import annotations

from typing import Annotated, Any, TypedDict

import numpy as np
import pandas as pd

from loadlearn.described import Named
from loadlearn.policy.reason import rig_warnings
from loadlearn.vehicle.rig import Rig


class AtEnd(TypedDict):
    """The advice at the last sample; numbers as in ``advice.csv``."""

    power_retention: float
    """Share of the extra torque to keep under sustained demand."""
    full_share_time_s: float
    """How long all of it may be pulled before that."""
    economy: float
    """How far demand is restrained, 0 to 1."""
    extra_torque: float
    """Share of it that may be used at this instant."""
    torque_factor: float
    """Factor on the driving torque in a gear change."""
    reference_speed_m_s: float
    """Speed that the driver is taken to want."""
    grade_asked_percent: float
    """Grade that the settings are made for."""
    retention_asked: float
    """Retention before heat and ratings take of it."""
    sustainable_share: float
    """Share that heat sustains there."""
    mass_kg: float
    """Combined mass believed in."""
    mass_sd_kg: float
    """Its standard deviation."""
    rolling_resistance: float
    """Coefficient believed in."""
    surface: str
    """Ground believed in."""
    active_limits: list[str]
    """Protections acting, and what else holds the extra torque back."""
    reason: str
    """The advice in one sentence."""


class AdviceSummary(TypedDict):
    """What was advised by the end, and what held it back on the way."""

    rig: str
    """Name of the rig."""
    at_end: AtEnd
    """The advice at the last sample."""
    seconds_limited: Annotated[dict[str, float], Named("<protection>")]
    """For how long each protection, or what else holds back, acted."""
    setting_changes: int
    """Changes of a setting over the drive."""
    setting_changes_per_hour: float
    """The same over its time."""
    seconds_with_extra_torque: float
    """For how long extra torque was allowed."""
    seconds_wanted: float
    """For how long the pedal asked for it."""
    warnings: list[str]
    """What the rig lacks and what was noticed, one sentence each."""


class AdviceTold(TypedDict):
    """What ``advise`` says beside it."""

    strategy: str
    """Name of the strategy."""
    caution: str
    """What any advice is subject to."""


def limit_bars(advice: pd.DataFrame) -> dict[str, list[tuple[float, float]]]:
    """When each limit acted.

    Parameters
    ----------
    advice : DataFrame
        With ``time_s`` and ``active_limits``.

    Returns
    -------
    dict
        Limit to (start, duration) in seconds, in order of first appearance.
    """
    time = advice["time_s"].to_numpy(dtype=float)
    codes, words = pd.factorize(advice["active_limits"].fillna(""))
    ends = np.append(time[1:], time[-1])
    bars: dict[str, list[tuple[float, float]]] = {}
    edges = np.flatnonzero(np.diff(codes)) + 1
    starts = np.concatenate(([0], edges))
    stops = np.concatenate((edges, [codes.size])) - 1
    for start, stop in zip(starts, stops, strict=True):
        for name in str(words[codes[start]]).split(";"):
            if name:
                spans = bars.setdefault(name, [])
                begin, end = time[start], ends[stop]
                if spans and abs(spans[-1][0] + spans[-1][1] - begin) < 1e-9:
                    spans[-1] = (spans[-1][0], end - spans[-1][0])
                else:
                    spans.append((begin, end - begin))
    return bars


def summarise(advice: pd.DataFrame, rig: Rig) -> AdviceSummary:
    """The advice at the end of the drive, and what happened on the way.

    Parameters
    ----------
    advice : DataFrame
        One row per sample.
    rig : Rig

    Returns
    -------
    AdviceSummary
    """
    time = advice["time_s"].to_numpy(dtype=float)
    interval = np.diff(time, append=time[-1])
    last = advice.iloc[-1]
    words = {"surface", "active_limits", "reason"}
    at_end: Any = {name: float(last[name]) for name in AtEnd.__annotations__ if name not in words}
    at_end["surface"] = str(last["surface"])
    at_end["active_limits"] = [name for name in str(last["active_limits"]).split(";") if name]
    at_end["reason"] = str(last["reason"])
    changes = int(last["setting_changes"])
    hours = max((time[-1] - time[0]) / 3600.0, 1e-9)
    warnings = rig_warnings(rig)
    highest = float(np.nanmax(np.append(advice["rating_probability"].to_numpy(dtype=float), 0.0)))
    if highest >= 0.05:
        warnings.append(f"above a rating with probability up to {highest:.2f}: weigh the load")
    return {
        "rig": rig.name,
        "at_end": at_end,
        "seconds_limited": {
            name: float(sum(length for _, length in spans))
            for name, spans in limit_bars(advice).items()
        },
        "setting_changes": changes,
        "setting_changes_per_hour": changes / hours,
        "seconds_with_extra_torque": float(interval[advice["extra_torque"] > 0.01].sum()),
        "seconds_wanted": float(interval[advice["wanted_share"] > 0.01].sum()),
        "warnings": warnings,
    }
