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

from loadlearn._compile import jit
from loadlearn.estimation.filter import predict, relax_slow, set_datum, update
from loadlearn.estimation.layout import LANES, filter_arrays
from loadlearn.estimation.loads import start
from loadlearn.estimation.mixture import log_implied
from loadlearn.estimation.model import (
    COLD,
    PHI,
    R_DT,
    R_KNOWN,
    R_Y,
    ROLL,
    Grounds,
    Noise,
    Prior,
    unevenness,
)

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


def run_tree(
    rows: FloatArray,
    grounds: Grounds,
    prior: Prior,
    noise: Noise,
    n_states: int,
    hypotheses: int = 1024,
) -> TreeOutput:
    """The posterior over sequences of grounds.

    Parameters
    ----------
    rows : ndarray, shape (k, 25)
        Without standstills and readings in whole units.
    grounds : Grounds
        Without modes in regeneration.
    prior : Prior
        Of one load component.
    noise : Noise
    n_states : int
    hypotheses : int
        How many sequences are kept.

    Returns
    -------
    TreeOutput
    """
    blocks = -(-hypotheses // LANES)
    modes = grounds.mean.size
    arrays = filter_arrays(n_states, LANES)
    start(*arrays[1:], grounds, prior, noise)
    states = np.repeat(arrays.states[:1], blocks, axis=0)
    covariances = np.repeat(arrays.covariances[:1], blocks, axis=0)
    log_weights = np.full((blocks, LANES), -np.inf)
    log_weights[0, :modes] = np.log(grounds.initial)
    mode = np.zeros((blocks, LANES), dtype=np.int64)
    mode[:, :modes] = np.arange(modes)
    moments = np.empty((len(rows), 4))
    probability = np.empty((len(rows), modes))
    pruned = _tree_loop(
        rows, states, covariances, log_weights, mode, grounds, noise, moments, probability
    )
    return TreeOutput(*moments.T, probability, pruned)


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
    blocks, n, lanes = states.shape
    modes = grounds.mean.size
    slots = blocks * lanes
    candidate = np.full((slots, modes), -np.inf)
    for q in range(slots):
        weight, here = log_weights[q // lanes, q % lanes], mode[q // lanes, q % lanes]
        if weight == -np.inf:
            continue
        leaving = 0.0
        for to in range(modes):
            if to != here:
                chance = grounds.rate_per_s[to] * driven_s
                leaving += chance
                candidate[q, to] = weight + math.log(chance)
        candidate[q, here] = weight + math.log(1.0 - leaving)
    flat = candidate.ravel()
    order = np.argsort(-flat)[:slots]
    peak, total, kept = flat[order[0]], 0.0, 0.0
    for value in flat:
        total += math.exp(value - peak)
    old_states, old_covariances, old_mode = states.copy(), covariances.copy(), mode.copy()
    for slot in range(slots):
        source, to = order[slot] // modes, order[slot] % modes
        block, lane = slot // lanes, slot % lanes
        from_block, from_lane = source // lanes, source % lanes
        weight = flat[order[slot]]
        kept += math.exp(weight - peak)
        log_weights[block, lane] = weight - peak
        mode[block, lane] = to
        for i in range(n):
            states[block, i, lane] = old_states[from_block, i, from_lane]
            for j in range(n):
                covariances[block, i, j, lane] = old_covariances[from_block, i, j, from_lane]
        if to != old_mode[from_block, from_lane]:
            states[block, ROLL, lane] = grounds.mean[to]
            for j in range(n):
                covariances[block, ROLL, j, lane] = 0.0
                covariances[block, j, ROLL, lane] = 0.0
            covariances[block, ROLL, ROLL, lane] = grounds.sd[to] ** 2
    return 1.0 - kept / total


@jit
def _tree_loop(
    rows: FloatArray,
    states: FloatArray,
    covariances: FloatArray,
    log_weights: FloatArray,
    mode: NDArray[np.int64],
    grounds: Grounds,
    noise: Noise,
    moments: FloatArray,
    probability: FloatArray,
) -> float:
    blocks, n, lanes = states.shape
    modes = grounds.mean.size
    disturbance, walk = np.zeros(lanes), np.zeros(lanes)
    sensitivity, cross = np.zeros((n, lanes)), np.zeros((n, lanes))
    predicted, gain, reduction = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes)
    kept, log_likelihood, nis = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes)
    driven, elapsed, worst, datum = 0.0, 0.0, 0.0, False
    for index in range(rows.shape[0]):
        row = rows[index]
        known = row[R_KNOWN] > 0.5
        measured = not math.isnan(row[R_Y])
        elapsed += row[R_DT]
        turn = False
        if known:
            driven += row[R_DT]
            turn = driven >= noise.mix_every_s
        if turn:
            for block in range(blocks):
                relax_slow(states[block], covariances[block], elapsed, noise)
            worst = max(worst, _branch(states, covariances, log_weights, mode, grounds, driven))
            driven, elapsed = 0.0, 0.0
        peak = -np.inf
        for block in range(blocks):
            if log_weights[block].max() == -np.inf:
                continue
            state, covariance = states[block], covariances[block]
            for h in range(lanes):
                here = mode[block, h]
                disturbance[h], walk[h] = unevenness(
                    state[ROLL, h],
                    grounds.mean[here],
                    grounds.texture[here],
                    grounds.mean[0],
                    noise,
                )
            predict(state, covariance, row, noise, disturbance, walk, sensitivity, cross, predicted)
            if measured and not datum:
                set_datum(state, covariance, row, noise)
            elif measured:
                update(
                    state,
                    covariance,
                    row,
                    noise,
                    cross,
                    gain,
                    reduction,
                    kept,
                    log_likelihood,
                    nis,
                )
                if known:
                    for h in range(lanes):
                        log_weights[block, h] += log_likelihood[h]
            peak = max(peak, log_weights[block].max())
        datum = datum or measured
        moments[index, :] = 0.0
        probability[index, :] = 0.0
        total = 0.0
        for block in range(blocks):
            for h in range(lanes):
                weight = math.exp(log_weights[block, h] - peak)
                log_weights[block, h] -= peak
                if weight < 1e-12:
                    continue
                total += weight
                probability[index, mode[block, h]] += weight
                mean, variance = log_implied(states[block, PHI, h], covariances[block, PHI, PHI, h])
                mass = math.exp(mean) * (1.0 + 0.5 * variance)
                moments[index, 0] += weight * mass
                moments[index, 1] += weight * mass * mass * (1.0 + variance)
                roll = states[block, ROLL, h] + states[block, COLD, h]
                spread = (
                    covariances[block, ROLL, ROLL, h]
                    + covariances[block, COLD, COLD, h]
                    + 2.0 * covariances[block, ROLL, COLD, h]
                )
                moments[index, 2] += weight * roll
                moments[index, 3] += weight * (roll * roll + spread)
        for i in range(4):
            moments[index, i] /= total
        for i in range(modes):
            probability[index, i] /= total
        for i in (0, 2):
            variance = max(moments[index, i + 1] - moments[index, i] ** 2, 1e-16)
            moments[index, i + 1] = math.sqrt(variance)
    return worst
