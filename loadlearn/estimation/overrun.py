"""Whether an exhaust brake that no channel shows was used in a log.

Overrun tells friction and drag apart from the scale of the fuelling, but only where nothing else
brakes. An exhaust brake adds two to four times the engine's own friction, so that what the vehicle
lost over a stretch of overrun, by the load learnt from the pulling alone, shows whether one was on.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.vehicle.gating import REASON, REASONS
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import GRAVITY_M_S2, drag_force, rotating_mass
from loadlearn.vehicle.samples import (
    HEIGHT_FROM_ALTITUDE,
    HEIGHT_FROM_GRADE,
    height_source,
    samples_of,
)

FloatArray = NDArray[np.float64]

SHORTEST_STRETCH_S = 1.9
FRICTION_SPREAD = 0.25
"""Sd of an engine's friction over what the rig says (common practice, no source)."""
LEAST_EXTRA, MOST_EXTRA = 0.3, 4.0
"""An exhaust brake adds something between these, in units of the computed friction (common
practice, no source)."""
USE_SHARE = 0.5
"""Share of the stretches of overrun in which one that is used is on."""
SURE_UNUSED = 20.0
"""Odds from which no stretch of a log is taken to have had an exhaust brake on."""


def exhaust_brake_unused(trace: pd.DataFrame, rig: Rig, history: pd.DataFrame) -> bool:
    """Whether a log shows that no exhaust brake was used in it.

    Every stretch of overrun is weighed: what the vehicle lost there, against the engine's friction
    alone and against an exhaust brake that is on in half of such stretches (a Bayes factor).

    Parameters
    ----------
    trace : DataFrame
        A prepared trace of n rows, without the column ``exhaust_brake_active``.
    rig : Rig
    history : DataFrame
        The load learnt from it with all overrun set aside, smoothed; n rows.

    Returns
    -------
    bool
        False where the log does not tell, too.
    """
    in_question = (history["set_aside_because"] == REASONS[REASON.overrun_retarded]).to_numpy()
    source = height_source(trace)
    if source not in (HEIGHT_FROM_GRADE, HEIGHT_FROM_ALTITUDE):
        return False
    force_n = history["tractive_force_n"].to_numpy(dtype=np.float64)
    time_s = trace["time_s"].to_numpy(dtype=np.float64)
    log_odds = 0.0
    edges = np.flatnonzero(np.diff(np.concatenate(([0], in_question.astype(np.int8), [0]))))
    for start, after in zip(edges[::2], edges[1::2], strict=True):
        end = after
        while end - start > 2 and not force_n[end - 1] < 0.0:
            end -= 1  # the moments after an overrun are set aside with it, but have no balance
        if end - start < 3 or time_s[end - 1] - time_s[start] < SHORTEST_STRETCH_S:
            continue
        part = slice(start, end)
        off = _probability_off(*_beyond_friction(trace.iloc[part], rig, history.iloc[part], source))
        log_odds += math.log(max(off, 1e-9) / ((1.0 - USE_SHARE) * off + USE_SHARE * (1.0 - off)))
    return log_odds > math.log(SURE_UNUSED)


def _beyond_friction(
    stretch: pd.DataFrame, rig: Rig, history: pd.DataFrame, source: int
) -> tuple[float, float]:
    """Retarding force that the balance leaves over, in units of the computed one, and its sd."""
    samples = samples_of(stretch)
    time_s, speed_m_s = samples["time_s"], samples["speed_m_s"]
    distance_m = np.diff(time_s) * 0.5 * (speed_m_s[1:] + speed_m_s[:-1])
    way_m = float(distance_m.sum())

    def over_way(values: FloatArray) -> float:
        return float(np.sum(0.5 * (values[1:] + values[:-1]) * distance_m))

    friction_j = -over_way(history["tractive_force_n"].to_numpy(dtype=np.float64))
    mass_kg = float(history["mass_given_scale_kg"].iloc[-1])
    mass_sd_kg = float(history["mass_sd_given_scale_kg"].iloc[-1])
    if source == HEIGHT_FROM_GRADE:
        climbed_m, height_sd_m = over_way(samples["slope_sin"]), 0.001 * way_m
    else:
        altitude_m = samples["altitude_m"]
        climbed_m, height_sd_m = float(altitude_m[-1] - altitude_m[0]), 0.7
    wheels_kg = rotating_mass(0.0, rig.vehicle.wheel_inertia_kg_m2, 0.0, rig.vehicle.tyre_radius_m)
    kinetic_m = float(speed_m_s[-1] ** 2 - speed_m_s[0] ** 2) / (2.0 * GRAVITY_M_S2)
    kinetic_sd_m = 0.05 * float(speed_m_s[-1] + speed_m_s[0]) / GRAVITY_M_S2
    rolling = history["rolling_resistance"].to_numpy(dtype=np.float64)
    rolling_sd = float(history["rolling_resistance_sd"].iloc[-1])
    weight_n = mass_kg * GRAVITY_M_S2
    area_m2 = float(history["drag_area_m2"].iloc[-1])
    drag_n = np.array(
        [
            drag_force(area_m2, d, v, 0.0)
            for d, v in zip(samples["air_density_kg_m3"], speed_m_s, strict=True)
        ]
    )
    drag_j = over_way(np.nan_to_num(drag_n))
    lost_m = -(climbed_m + kinetic_m)
    lost_j = weight_n * lost_m - wheels_kg * GRAVITY_M_S2 * kinetic_m
    extra_j = lost_j - weight_n * over_way(rolling) - drag_j - friction_j
    variance = (
        (mass_sd_kg * GRAVITY_M_S2 * (lost_m - over_way(rolling))) ** 2
        + (weight_n * rolling_sd * way_m) ** 2
        + (weight_n * height_sd_m) ** 2
        + (weight_n * kinetic_sd_m) ** 2
        + (0.3 * drag_j) ** 2
    )
    if not (math.isfinite(extra_j) and friction_j > 0.0):
        return math.nan, math.nan
    return extra_j / friction_j, math.sqrt(variance) / friction_j


def _probability_off(extra: float, sd: float) -> float:
    """Probability that no exhaust brake was on, from even odds; a half where it cannot be told."""
    if not math.isfinite(extra) or not math.isfinite(sd):
        return 0.5
    spread = math.hypot(sd, FRICTION_SPREAD)
    off = math.exp(-0.5 * (extra / spread) ** 2) / (spread * math.sqrt(2.0 * math.pi))

    def below(value: float) -> float:
        return 0.5 * math.erfc(-(value - extra) / (max(sd, 1e-9) * math.sqrt(2.0)))

    on = (below(MOST_EXTRA) - below(LEAST_EXTRA)) / (MOST_EXTRA - LEAST_EXTRA)
    return off / (off + on) if off + on > 0.0 else 0.5
