"""The tree of all sequences of grounds, pruned but never merged: what moment matching is held to.

Every hypothesis is one sequence of grounds with a Kalman filter of its own (Rao-Blackwellised: only
the sequence is enumerated). When the ground may have changed each hypothesis branches into all
grounds, and the heaviest are kept. With enough of them the answer is the exact posterior of the
switching model, against which interacting models, which match moments, can be judged.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import Records, jit
from loadlearn.estimation.filter import predict_row, relax_slow
from loadlearn.estimation.grounds import Grounds
from loadlearn.estimation.kalman import copy, set_first, update
from loadlearn.estimation.mixture import mean_and_sd
from loadlearn.estimation.model import (
    STATE,
    Noise,
    Prior,
    log_implied,
    measurement_row,
    measurement_variance,
)
from loadlearn.study.problem import change_ground, prior_moments, turns

FloatArray = NDArray[np.float64]


class TreeOutput(NamedTuple):
    """Posterior after every row.

    Attributes
    ----------
    mass_kg, mass_sd_kg : ndarray, shape (k,)
        Mass that the computed force implies.
    rolling_resistance, rolling_resistance_sd : ndarray, shape (k,)
        Excess of cold tyres included.
    probability : ndarray, shape (k, grounds)
    pruned : float
        Greatest share of the weight dropped at one branching.
    """

    mass_kg: FloatArray
    mass_sd_kg: FloatArray
    rolling_resistance: FloatArray
    rolling_resistance_sd: FloatArray
    probability: FloatArray
    pruned: float


MOMENTS = np.dtype([(name, np.float64) for name in TreeOutput._fields[:4]])


def run_tree(
    rows: Records,
    grounds: Grounds,
    prior: Prior,
    noise: Noise,
    hypotheses: int = 1024,
) -> TreeOutput:
    """The posterior over sequences of grounds.

    Parameters
    ----------
    rows : record array of ``ROW``, shape (k,)
        Without standstills and readings in whole units.
    grounds : Grounds
        Without modes in regeneration.
    prior : Prior
        Of one load component.
    noise : Noise
    hypotheses : int
        How many sequences are kept.

    Returns
    -------
    TreeOutput
    """
    modes = grounds.size
    mode = np.arange(hypotheses) % modes
    means, spreads = prior_moments(grounds, prior, noise)
    log_weights = np.full(hypotheses, -np.inf)
    log_weights[:modes] = np.log(grounds["initial"])
    moments, probability = np.empty(len(rows), MOMENTS), np.empty((len(rows), modes))
    pruned = _tree_loop(
        rows,
        *turns(rows, noise),
        means[mode],
        spreads[mode],
        log_weights,
        mode,
        grounds,
        noise,
        moments,
        probability,
    )
    return TreeOutput(*(moments[name] for name in MOMENTS.names), probability, pruned)


@jit
def _branch(
    states: FloatArray,
    covariances: FloatArray,
    log_weights: FloatArray,
    mode: NDArray[np.int64],
    grounds: Grounds,
    driven_s: float,
) -> float:
    """Each hypothesis into all grounds, the heaviest kept, in place; returns the share dropped."""
    slots, modes = log_weights.size, grounds.size
    candidate = np.full((slots, modes), -np.inf)
    for q in range(slots):
        if log_weights[q] == -np.inf:
            continue
        leaving = 0.0
        for to in range(modes):
            if to != mode[q]:
                chance = grounds[to].rate_per_s * driven_s
                leaving += chance
                candidate[q, to] = log_weights[q] + math.log(chance)
        candidate[q, mode[q]] = log_weights[q] + math.log(1.0 - leaving)
    flat = candidate.ravel()
    order = np.argsort(-flat)[:slots]
    peak, total, kept = flat[order[0]], 0.0, 0.0
    for value in flat:
        total += math.exp(value - peak)
    old_states, old_covariances, old_mode = states.copy(), covariances.copy(), mode.copy()
    for slot in range(slots):
        source, to = order[slot] // modes, order[slot] % modes
        weight = flat[order[slot]]
        kept += math.exp(weight - peak)
        log_weights[slot], mode[slot] = weight - peak, to
        copy(states[slot], covariances[slot], old_states[source], old_covariances[source])
        if to != old_mode[source]:
            change_ground(states[slot], covariances[slot], grounds, old_mode[source], to)
    return 1.0 - kept / total


@jit
def _tree_loop(
    rows: Records,
    driven_s: FloatArray,
    elapsed_s: FloatArray,
    states: FloatArray,
    covariances: FloatArray,
    log_weights: FloatArray,
    mode: NDArray[np.int64],
    grounds: Grounds,
    noise: Noise,
    moments: Records,
    probability: FloatArray,
) -> float:
    slots, n = states.shape
    sensitivity, cross = np.empty(n), np.empty(n)
    roll_at, cold_at, phi_at = (
        STATE.rolling_resistance,
        STATE.cold_tyre_excess,
        STATE.inverse_mass_per_kg,
    )
    worst, datum = 0.0, False
    for index in range(rows.size):
        row = rows[index]
        measured = not math.isnan(row.measured_m)
        if driven_s[index] > 0.0:
            relax_slow(states, covariances, elapsed_s[index], noise)
            lost = _branch(states, covariances, log_weights, mode, grounds, driven_s[index])
            worst = max(worst, lost)
        kept = math.exp(-row.dt_s / noise.disturbance_time_s)
        reads, variance = measurement_row(row), measurement_variance(row, noise)
        peak = -np.inf
        for slot in range(slots):
            if log_weights[slot] == -np.inf:
                continue
            state, covariance = states[slot], covariances[slot]
            predict_row(
                state, covariance, row, mode[slot], grounds, noise, kept, sensitivity, cross
            )
            if measured and not datum:
                set_first(state, covariance, row.measured_m, reads, variance)
            elif measured:
                log_likelihood, _, _ = update(
                    state, covariance, row.measured_m, reads, variance, 0.0, cross
                )
                if row.known > 0.5:
                    log_weights[slot] += log_likelihood
            peak = max(peak, log_weights[slot])
        datum = datum or measured
        probability[index, :] = 0.0
        total = mass_1 = mass_2 = roll_1 = roll_2 = 0.0
        for slot in range(slots):
            log_weights[slot] -= peak
            weight = math.exp(log_weights[slot])
            if weight < 1e-12:
                continue
            state, covariance = states[slot], covariances[slot]
            total += weight
            probability[index, mode[slot]] += weight
            mean, spread = log_implied(state[phi_at], covariance[phi_at, phi_at])
            mass = math.exp(mean) * (1.0 + 0.5 * spread)
            mass_1 += weight * mass
            mass_2 += weight * mass * mass * (1.0 + spread)
            roll = state[roll_at] + state[cold_at]
            spread = (
                covariance[roll_at, roll_at]
                + covariance[cold_at, cold_at]
                + 2.0 * covariance[roll_at, cold_at]
            )
            roll_1 += weight * roll
            roll_2 += weight * (roll * roll + spread)
        for kind in range(grounds.size):
            probability[index, kind] /= total
        out = moments[index]
        out.mass_kg, out.mass_sd_kg = mean_and_sd(total, mass_1, mass_2)
        out.rolling_resistance, out.rolling_resistance_sd = mean_and_sd(total, roll_1, roll_2)
    return worst
