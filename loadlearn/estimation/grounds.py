"""The ground may change at any moment, and a regeneration may begin or end: mixing of modes.

Interacting multiple models (Blom & Bar-Shalom, IEEE Trans. Automatic Control 33(8), 1988) with
pooled moments, O(modes) instead of O(modes^2). A change of ground *re-draws* the rolling
resistance from the new ground's prior, uncorrelated with all else; mass and drag carry over, and
so does the slip of the driven wheels, in proportion to how the grounds give way.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.estimation.lanes import blend, pool
from loadlearn.estimation.layout import LANES, NO_WEIGHT
from loadlearn.estimation.model import (
    REGENERATION,
    REGENERATION_HIGH,
    REGENERATION_LOW,
    REGENERATION_MEAN,
    REGENERATION_OFF_PER_S,
    REGENERATION_ON_PER_S,
    REGENERATION_SD,
    ROLL,
    SLIP,
    Grounds,
)
from loadlearn.estimation.normal import truncated_normal

FloatArray = NDArray[np.float64]


@jit
def mix(
    states: FloatArray,
    covariances: FloatArray,
    log_weights: FloatArray,
    grounds: Grounds,
    ground_dt: float,
    regeneration_dt: float,
    arriving: FloatArray,
    pooled: FloatArray,
    pooled_covariance: FloatArray,
) -> None:
    """Let ground and regeneration change over the last seconds of driving, in place.

    Parameters
    ----------
    states : ndarray, shape (n, lanes)
    covariances : ndarray, shape (n, n, lanes)
    log_weights : ndarray, shape (lanes,)
    grounds : Grounds
    ground_dt : float
        Seconds of driving since the ground was last let change.
    regeneration_dt : float
        Since a regeneration was, and the ground in one; 0 leaves both for later.
    arriving, pooled, pooled_covariance : ndarray, shapes (n, lanes), (n,) and (n, n)
        Scratch.
    """
    mean, sd, rate_per_s = grounds.mean, grounds.sd, grounds.rate_per_s
    regeneration, unchanged, surface = grounds.regeneration, grounds.unchanged, grounds.surface
    modes = mean.size
    n = states.shape[0]
    peak = log_weights[0]
    for mode in range(modes):
        peak = max(peak, log_weights[mode])
    work = np.zeros((4, LANES))
    weight, share, keep, take = work[0], work[1], work[2], work[3]
    for mode in range(modes):
        weight[mode] = math.exp(log_weights[mode] - peak)
    apart, first = -1, -1
    for mode in range(modes):
        if unchanged[mode] == 1:
            apart, first = mode, int(surface[mode])
    if apart >= 0:
        _start_apart_anew(states, covariances, weight, apart, first, modes)
    # Slip as on hard ground meanwhile.
    slip = grounds.slip
    _scale_slip(states, covariances, 1.0 / slip)
    for flag in range(2):
        dt = ground_dt if flag == 0 else regeneration_dt
        if dt <= 0.0:
            continue
        total, leaving, flagged = 0.0, 0.0, 0
        for mode in range(modes):
            if regeneration[mode] == flag:
                flagged += 1
                total += weight[mode]
                leaving += rate_per_s[mode]
        if flagged < 2 or total <= 0.0:
            continue
        mixes = False
        for h in range(LANES):
            share[h] = 0.0
            keep[h] = 1.0
            take[h] = 0.0
        for mode in range(modes):
            if regeneration[mode] != flag:
                continue
            share[mode] = weight[mode] / total
            # From "nothing has changed" to "the first ground again" is a change within a kind.
            stay = weight[mode] * (1.0 - (leaving - rate_per_s[mode]) * dt)
            arrive = (total - weight[mode]) * rate_per_s[mode] * dt
            if arrive > 1e-6 * stay:
                keep[mode] = stay / (stay + arrive)
                take[mode] = arrive / (stay + arrive)
                mixes = True
            weight[mode] = stay + arrive
        if not mixes:
            continue
        # What arrives in a mode: all that is known, and its own ground's rolling resistance.
        pool(covariances, states, share, pooled, pooled_covariance)
        for i in range(n):
            pooled_covariance[min(i, ROLL), max(i, ROLL)] = 0.0
            for h in range(LANES):
                arriving[i, h] = pooled[i]
        for mode in range(modes):
            arriving[ROLL, mode] = mean[mode]
        blend(covariances, states, arriving, pooled_covariance, keep, take)
        for mode in range(modes):
            covariances[ROLL, ROLL, mode] += take[mode] * sd[mode] * sd[mode]
    _scale_slip(states, covariances, slip)
    if regeneration_dt > 0.0:
        _forget_regeneration(weight, grounds, regeneration_dt)
        partner = grounds.partner
        for mode in range(modes):
            other = partner[mode]
            if other >= 0 and regeneration[mode] == 0:
                may_end = unchanged[mode] == 0
                _begin_or_end_regeneration(
                    states, covariances, weight, mode, other, regeneration_dt, may_end
                )
    for mode in range(modes):
        log_weights[mode] = peak + math.log(max(weight[mode], 1e-300))
        if surface[mode] > 0:
            # Not below, nor on the first kind: a friction wrongly believed looks like rolling
            # resistance, and may well leave less than none.
            high = mean[mode] + PLAUSIBLE_SD * sd[mode]
            log_weights[mode] += _bound_state(states, covariances, ROLL, mode, -1.0, high)
        if regeneration_dt > 0.0 and regeneration[mode] == 1:
            log_weights[mode] += _bound_state(
                states, covariances, REGENERATION, mode, REGENERATION_LOW, REGENERATION_HIGH
            )
    for mode in range(modes, LANES):
        log_weights[mode] = NO_WEIGHT


@jit
def _scale_slip(states: FloatArray, covariances: FloatArray, factor: FloatArray) -> None:
    """Scale the slip of each mode, in place."""
    for j in range(states.shape[0]):
        row, column = min(j, SLIP), max(j, SLIP)
        for h in range(factor.size):
            covariances[row, column, h] *= factor[h]
    for h in range(factor.size):
        covariances[SLIP, SLIP, h] *= factor[h]
        states[SLIP, h] *= factor[h]


REGENERATION_MEMORY_S = 200.0
"""How long evidence for a regeneration lasts."""


@jit
def _forget_regeneration(weight: FloatArray, grounds: Grounds, dt: float) -> None:
    """Let what has spoken for a regeneration fade towards its usual odds, in place.

    A regeneration that lasts from before the log began is a lighter vehicle on more fuel: what
    tells them apart (friction, accessories) is less than what an engine's line is wrong by, and
    such misfit adds up over a drive as if it were evidence. Odds above the usual ones are raised
    to a power below one, so that only what speaks for it all along is believed (the forgetting of
    dynamic model averaging: Raftery, Karny & Ettler, Technometrics 52(1), 2010; from memory).

    Parameters
    ----------
    weight : ndarray, shape (at least modes,)
    grounds : Grounds
    dt : float
        Driving time (s).
    """
    on, off = 0.0, 0.0
    for mode in range(grounds.mean.size):
        if grounds.regeneration[mode] == 1:
            on += weight[mode]
        else:
            off += weight[mode]
    usual = REGENERATION_ON_PER_S / REGENERATION_OFF_PER_S
    if on <= usual * off:
        return
    factor = (on / max(off, 1e-300) / usual) ** (math.exp(-dt / REGENERATION_MEMORY_S) - 1.0)
    again = (on + off) / (factor * on + off)
    for mode in range(grounds.mean.size):
        weight[mode] *= again * (factor if grounds.regeneration[mode] == 1 else 1.0)


APART_LOST, AGAIN_SURE = 1e-7, 0.99
"""Below and above these shares "the first ground again" becomes the new "unchanged"."""


@jit
def _start_apart_anew(
    states: FloatArray,
    covariances: FloatArray,
    weight: FloatArray,
    apart: int,
    first: int,
    modes: int,
) -> None:
    """Where a change is past doubt and the first ground is back, keep *that* apart, in place."""
    total = 0.0
    for mode in range(modes):
        total += weight[mode]
    if weight[apart] > APART_LOST * total or weight[first] < AGAIN_SURE * total:
        return
    n = states.shape[0]
    for i in range(n):
        states[i, apart] = states[i, first]
        for j in range(n):
            covariances[i, j, apart] = covariances[i, j, first]
    left = 1e-6 * weight[first]
    weight[apart] += weight[first] - left
    weight[first] = left


@jit
def merge_lanes(
    states: FloatArray,
    covariances: FloatArray,
    mode: int,
    weight: float,
    other_state: FloatArray,
    other_covariance: FloatArray,
    other_weight: float,
) -> None:
    """Moment-match another Gaussian component into one lane, in place."""
    total = weight + other_weight
    if total <= 0.0:
        return
    n = states.shape[0]
    a, b = weight / total, other_weight / total
    for i in range(n):
        di = other_state[i] - states[i, mode]
        for j in range(n):
            dj = other_state[j] - states[j, mode]
            covariances[i, j, mode] = (
                a * covariances[i, j, mode] + b * other_covariance[i, j] + a * b * di * dj
            )
    for i in range(n):
        states[i, mode] += b * (other_state[i] - states[i, mode])


@jit
def _merge_excess(
    states: FloatArray,
    covariances: FloatArray,
    to: int,
    weight: float,
    origin: int,
    arriving: float,
    excess: float,
    excess_variance: float,
) -> None:
    """Moment-match lane ``origin``, its excess re-drawn, into lane ``to``, in place."""
    total = weight + arriving
    if total <= 0.0:
        return
    a, b = weight / total, arriving / total
    n = states.shape[0]
    for i in range(n):
        mean_i = excess if i == REGENERATION else states[i, origin]
        di = a * b * (mean_i - states[i, to])
        for j in range(i, n):
            if i == REGENERATION or j == REGENERATION:
                mean_j = excess if j == REGENERATION else states[j, origin]
                other = excess_variance if i == j else 0.0
            else:
                mean_j = states[j, origin]
                other = covariances[i, j, origin]
            value = a * covariances[i, j, to] + b * other + di * (mean_j - states[j, to])
            covariances[i, j, to] = value
    for i in range(n):
        mean_i = excess if i == REGENERATION else states[i, origin]
        states[i, to] += b * (mean_i - states[i, to])


@jit
def _begin_or_end_regeneration(
    states: FloatArray,
    covariances: FloatArray,
    weight: FloatArray,
    off: int,
    on: int,
    dt: float,
    may_end: bool,
) -> None:
    """Regeneration may begin (its excess is drawn) or end (it is nothing); the ground stays.

    It does not end (``may_end``) into the mode in which nothing has changed.
    """
    begin = weight[off] * REGENERATION_ON_PER_S * dt
    end = weight[on] * REGENERATION_OFF_PER_S * dt if may_end else 0.0
    stay_off, stay_on = weight[off] - begin, weight[on] - end
    # A regeneration that is believed in less than its absence leaves the latter's moments alone:
    # "it has just ended" would be merged there with "it never was", at another mass.
    begins, ends = begin > 1e-6 * stay_on, end > 1e-6 * stay_off and weight[on] > weight[off]
    if ends and begins:
        # Both from what was before.
        off_state, off_covariance = states[:, off].copy(), covariances[:, :, off].copy()
        _merge_excess(states, covariances, off, stay_off, on, end, 0.0, 0.0)
        off_state[REGENERATION] = REGENERATION_MEAN
        off_covariance[REGENERATION, :] = 0.0
        off_covariance[:, REGENERATION] = 0.0
        off_covariance[REGENERATION, REGENERATION] = REGENERATION_SD**2
        merge_lanes(states, covariances, on, stay_on, off_state, off_covariance, begin)
    elif ends:
        _merge_excess(states, covariances, off, stay_off, on, end, 0.0, 0.0)
    elif begins:
        _merge_excess(
            states, covariances, on, stay_on, off, begin, REGENERATION_MEAN, REGENERATION_SD**2
        )
    weight[off] = stay_off + end
    weight[on] = stay_on + begin


PLAUSIBLE_SD = 4.0
"""A resistance so many prior standard deviations from its ground's mean is not that ground's."""


@jit
def _bound_state(
    states: FloatArray, covariances: FloatArray, index: int, mode: int, low: float, high: float
) -> float:
    """Hold a state of one lane to what its kind can be, in place.

    When most of the normal lies outside the bounds, its moments are matched to the normal
    truncated there: a wrong mass cannot hide behind an impossible regeneration, nor soft sand
    behind the name of firm earth. Returns the log of the probability that the bounds hold, 0 when
    enough of it lies inside.
    """
    if low <= states[index, mode] <= high:
        return 0.0
    n = states.shape[0]
    sd = math.sqrt(max(covariances[index, index, mode], 1e-12))
    inside, shift, kept = truncated_normal(
        (low - states[index, mode]) / sd, (high - states[index, mode]) / sd
    )
    if inside > 0.4:
        return 0.0
    kept = max(kept, 0.01)
    gain = np.empty(n)
    for j in range(n):
        gain[j] = covariances[min(index, j), max(index, j), mode] / sd
    for i in range(n):
        states[i, mode] += gain[i] * shift
        for j in range(i, n):
            covariances[i, j, mode] -= gain[i] * gain[j] * (1.0 - kept)
    return math.log(max(inside, 1e-9))
