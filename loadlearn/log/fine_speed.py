"""Road speed in whole units made finer by the engine's speed, where a gear couples the two.

A road speed in whole km/h or mph is an interval half a step to either side, or a whole step above
where it is truncated. In a gear without slip the engine turns in proportion to the wheels, in far
finer steps; the factor of each gear is found from the log itself, so that the rig's tyre radius and
ratios need not be exact.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.log.resolution import (
    UNSEEN_SLIP,
    UNSEEN_SLIP_SD,
    gear_labels,
    pull_over_weight,
    rounding_of,
)
from loadlearn.log.units import WHOLE_KMH_M_S, WHOLE_MPH_M_S
from loadlearn.vehicle.rig import Rig

FloatArray = NDArray[np.float64]

LEAST_SPEED_M_S = 4.0
LEAST_SAMPLES = 30
"""Of a gear, before its factor is believed."""
COUPLED_SHARE = 0.9
"""Share of the samples in gear that must lie in their intervals, else nothing is changed: the two
channels are then not of one instant."""


def whole_unit(speed_m_s: FloatArray) -> float:
    """Step of a road speed that is in whole km/h or mph throughout (m/s), else 0.

    Parameters
    ----------
    speed_m_s : ndarray, shape (n,)
    """
    moving = speed_m_s[np.isfinite(speed_m_s) & (speed_m_s > 1.0)]
    if moving.size < 5:
        return 0.0
    for step in (WHOLE_KMH_M_S, WHOLE_MPH_M_S):
        if bool(np.all(np.abs(moving / step - np.round(moving / step)) < 1e-3)):
            return step
    return 0.0


def fine_speed(trace: pd.DataFrame, rig: Rig) -> tuple[FloatArray, FloatArray] | None:
    """Speed in the middle of its interval, or finer, and the half width of what is left.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns, n rows.
    rig : Rig
        Its ratios tell the gears apart.

    Returns
    -------
    speed_m_s, half_width_m_s : ndarray, shape (n,)
        The half width is 0 where the engine's speed took the steps' place. None where speed is
        not in whole units, engine speed is absent, or rounding and truncation cannot be told apart.
    """
    logged = trace["speed_m_s"].to_numpy(dtype=np.float64)
    step = whole_unit(logged)
    if step == 0.0 or "engine_speed_rpm" not in trace.columns:
        return None
    rpm = trace["engine_speed_rpm"].to_numpy(dtype=np.float64)
    gear, ratio = gear_labels(trace, rig, 0.02 + step / np.maximum(logged, LEAST_SPEED_M_S))
    coupled = (logged > LEAST_SPEED_M_S) & (rpm > 300.0) & np.isfinite(gear)
    pull = pull_over_weight(trace, rig)
    rounding = rounding_of(logged, rpm, gear, step, ratio, pull)
    if not rounding:
        return None
    middle = np.where(
        logged > 0.5 * step, logged + (0.5 * step if rounding == "truncated" else 0.0), logged
    )
    half_width = np.full(logged.size, 0.5 * step)
    speed = middle.copy()
    inside = np.zeros(logged.size, dtype=bool)
    in_gear = 0
    if pull is not None:
        rpm = rpm * (1.0 - _unseen_slip(middle, rpm, gear, coupled, pull, step) * pull)
    for label in np.unique(gear[coupled]):
        here = np.flatnonzero(gear == label)
        if here.size < LEAST_SAMPLES:
            continue
        factor = float(np.median(middle[here] / rpm[here]))
        for _ in range(3):
            near = here[np.abs(middle[here] - factor * rpm[here]) < 0.75 * step]
            if near.size < LEAST_SAMPLES:
                break
            factor = float(rpm[near] @ middle[near] / (rpm[near] @ rpm[near]))
        fits = here[np.abs(middle[here] - factor * rpm[here]) < 0.6 * step]
        in_gear += here.size
        inside[fits] = True
        speed[fits] = factor * rpm[fits]
    if in_gear == 0 or inside.sum() < COUPLED_SHARE * in_gear:
        return middle, half_width
    half_width[inside] = 0.0
    return speed, half_width


def _unseen_slip(
    middle: FloatArray,
    rpm: FloatArray,
    gear: FloatArray,
    coupled: NDArray[np.bool_],
    pull: FloatArray,
    step: float,
) -> float:
    """Slip of the driven wheels, per pull, that the logged speed does not carry.

    Ridge regression of speed over engine speed in each gear, about what is usual.
    """
    above = below = 0.0
    for label in np.unique(gear[coupled]):
        here = coupled & (gear == label)
        relative = middle[here] / rpm[here]
        relative = relative / np.median(relative)
        fits = np.abs(relative - 1.0) * middle[here] < 1.5 * step
        if fits.sum() < LEAST_SAMPLES:
            continue
        weight = (middle[here][fits] / (0.3 * step)) ** 2
        pulled = pull[here][fits] - np.average(pull[here][fits], weights=weight)
        above -= float(np.sum(weight * pulled * relative[fits]))
        below += float(np.sum(weight * pulled * pulled))
    prior = UNSEEN_SLIP_SD**-2
    return (above + prior * UNSEEN_SLIP) / (below + prior)
