"""Which gear and range are believed: what engine over road speed shows wins over what is logged."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import Record, jit
from loadlearn.vehicle.gating import CRAWL_SPEED_M_S

FloatArray = NDArray[np.float64]

LOW_RANGE_FAR = math.exp(0.02)
"""The ranges interleave: low range must be nearer by this factor (common practice, no source)."""
RATIO_WITHIN = 0.04
"""A gear's ratio is met to within this (log ratio; common practice, no source)."""
CONVERTER_SLIP = 0.75
"""A converter may slip by as much (log ratio; common practice, no source)."""
CONTRADICTED_S = 3.0
"""From then on the ratio wins over the logged gear."""


class GearBelief(NamedTuple):
    """The gear believed in."""

    gear: float
    """0 for neutral, or not known."""
    known: bool
    ratio: float
    """Overall ratio; 0 where the gear is not known."""
    slip: float
    """Log of engine speed over what the ratio asks for; 1 where no gear explains it."""


@jit
def nearest_ratio(observed: float, ratios: FloatArray, low_ratio: float) -> tuple[int, bool, float]:
    """Gear, range and log-distance of the overall ratio nearest to an observed one."""
    best_gear, best_low, best = 0, False, math.inf
    for low in range(2 if low_ratio > 0.0 else 1):
        seen = observed / low_ratio if low else observed
        for index in range(ratios.size):
            apart = max(seen / ratios[index], ratios[index] / seen) * (
                LOW_RANGE_FAR if low else 1.0
            )
            if apart < best:
                best, best_gear, best_low = apart, index + 1, low == 1
    return best_gear, best_low, math.log(best)


@jit
def believed_gear(
    memory: Record,
    constants: Record,
    ratios: FloatArray,
    sample: Record,
    engine_rad_s: float,
    elapsed_s: float,
    within: float,
) -> GearBelief:
    """The gear believed in at a sample; a standing contradiction is remembered.

    Parameters
    ----------
    memory : record of ``TRACTION_MEMORY``
    constants : record of ``RIG_CONSTANTS``
    ratios : ndarray
        Overall ratios, first gear first.
    sample : record of ``SAMPLE``
    engine_rad_s : float
        NaN where it is not logged.
    elapsed_s : float
        Since the last sample (s).
    within : float
        What the speed's resolution alone makes of a log ratio.
    """
    low_ratio = constants.transfer_low_ratio
    gear, low, known, slip = 0.0, False, False, 0.0
    if not math.isnan(sample.gear) and sample.gear <= ratios.size:
        gear, known, low = sample.gear, True, sample.transfer_range > 0.5
    moving = sample.speed_m_s >= CRAWL_SPEED_M_S
    if not math.isnan(engine_rad_s) and moving and not (known and gear == 0.0):
        observed = engine_rad_s * constants.tyre_radius_m / sample.speed_m_s
        if observed > 0.2 * ratios[ratios.size - 1]:
            near_gear, near_low, distance = nearest_ratio(observed, ratios, low_ratio)
            tolerance = RATIO_WITHIN + within
            if known:
                stated = ratios[int(gear) - 1] * (low_ratio if low and low_ratio > 0.0 else 1.0)
                slip = math.log(observed / stated)
                # Standing contradiction: the logged gear cannot give this ratio, another can.
                most = CONVERTER_SLIP if constants.has_converter else 2.0 * tolerance
                if distance < tolerance and (slip < -2.0 * tolerance or slip > most):
                    memory.contradiction_s += elapsed_s
                else:
                    memory.contradiction_s = max(0.0, memory.contradiction_s - 0.2 * elapsed_s)
                if memory.contradiction_s > CONTRADICTED_S and distance < tolerance:
                    gear, low, slip = float(near_gear), near_low, 0.0
            elif distance < tolerance:
                gear, low, known = float(near_gear), near_low, True
            else:
                slip = 1.0
    if gear != memory.gear:
        if memory.gear > -90.0:
            memory.change_s = sample.time_s
        memory.gear = gear
    ratio = 0.0
    if known and gear >= 1.0:
        ratio = ratios[int(gear) - 1] * (low_ratio if low and low_ratio > 0.0 else 1.0)
    return GearBelief(gear, known, ratio, slip)
