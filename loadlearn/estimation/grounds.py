"""Kinds of ground, and regenerations: modes that switch at any moment, and their names.

Interacting multiple models (Blom & Bar-Shalom, IEEE Trans. Automatic Control 33(8), 1988) with
pooled moments, O(modes) instead of O(modes^2). A change of ground *re-draws* the rolling
resistance from the new ground's prior, uncorrelated with all else; mass and drag carry over, and
so does the slip of the driven wheels, in proportion to how the grounds give way.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import Records, jit
from loadlearn.errors import InputError
from loadlearn.estimation.kalman import copy, hold_between, merge, redraw, relax
from loadlearn.estimation.model import N_STATES, STATE
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS, Ground

FloatArray = NDArray[np.float64]

MOST_GROUNDS = 8
REGENERATION_MEAN = 0.13
REGENERATION_SD = 0.06
"""Excess fuel in an after-treatment regeneration: 5-25 % (common practice, no source) ..."""
REGENERATION_LOW, REGENERATION_HIGH = 0.02, 0.28
"""... and what it can be at the utmost."""
REGENERATION_ON_PER_S = 1.0 / 21600.0
REGENERATION_OFF_PER_S = 1.0 / 900.0
"""A quarter of an hour in six of driving (common practice, no source)."""
REGENERATION_EVERY_S = 1.75
"""How often, in driving time, a regeneration may have begun or ended: it lasts for minutes."""
FLAG_AGREES, FLAG_CONTRADICTS = -0.05, -3.0
"""Log-likelihood of a regeneration's flag, at each turn of the grounds: evidence, not proof, for
it comes late and goes early."""

HARD_RESISTANCE, SLIP_PER_RESISTANCE = 0.012, 50.0
"""Ground that gives way resists rolling and thrust alike: with the rolling resistance in excess of
hard ground's, slip rises to twice on gravel, six times on sand (common practice, no source)."""
LOOSE_RESISTANCE = 0.035
"""Rolling resistance from which a ground is loose: it wanders, and the wheels slip."""
FIRST_AT_START, REGENERATING_AT_START = 0.85, 0.03
"""Drives start on the first kind of ground, and without a regeneration, so likely."""


MODE = np.dtype(
    [
        ("mean", np.float64),  # of the rolling resistance
        ("sd", np.float64),
        ("rate_per_s", np.float64),  # arrivals on this ground per second of driving
        ("initial", np.float64),  # prior probability at the start of a log ...
        ("kind_at_start", np.float64),  # ... and of this kind of ground, whatever its modes
        ("texture", np.float64),  # local variation of the coefficient, relative to its mean
        ("slip", np.float64),  # of the driven wheels at a force, relative to hard ground
        ("surface", np.int64),  # index of the ground's name
        ("regeneration", np.int64),  # 1 where extra fuel makes no torque
        ("partner", np.int64),  # mode of the same ground with the other flag, or -1
        ("unchanged", np.int64),  # 1 where nothing has changed: it is left, and never arrived in
    ]
)
"""A kind of ground, perhaps in regeneration; the first modes are the kinds themselves."""
Grounds = Records
"""Record array of ``MODE``."""


def ground_modes(
    grounds: tuple[Ground, ...] = HANDBOOK_GROUNDS, with_regeneration: bool = False
) -> Grounds:
    """Modes of the switching model: one per ground, and the two hardest in regeneration.

    With regeneration, *the first ground, and nothing has changed yet* has a mode of its own: in one
    filter with "it is the first ground again" or "a regeneration has just ended" it would be merged
    away whenever something else is likelier for a while, and the drive could not come back to it.

    Parameters
    ----------
    grounds : tuple of Ground
        In the order in which outputs name them.
    with_regeneration : bool
        Whether fuel that makes no torque is among the hypotheses (force from fuelling only).

    Raises
    ------
    InputError
        More grounds than there is room for.
    """
    count = len(grounds)
    if count > MOST_GROUNDS:
        raise InputError(f"{count} kinds of ground are too many; give at most {MOST_GROUNDS}")
    surface = list(range(count))
    flag, partner = [0] * count, [-1] * count
    if with_regeneration:
        for index in range(min(2, count)):
            partner[index] = len(surface)
            surface.append(index)
            flag.append(1)
            partner.append(index)
        surface.append(0)
        flag.append(0)
        partner.append(partner[0])
    rates = np.array([grounds[i].per_hour for i in surface]) / 3600.0
    others = (1.0 - FIRST_AT_START) / max(1, count - 1)
    start = np.array([FIRST_AT_START if i == 0 else others for i in surface])
    if count == 1:
        start[:] = 1.0
    start *= np.where(np.array(flag) == 1, REGENERATING_AT_START, 1.0)
    unchanged = np.zeros(len(surface), dtype=np.int64)
    if with_regeneration:
        unchanged[-1] = 1
        rates[-1] = 0.0
        start[0] *= 1e-6
    initial = start / start.sum()
    modes = np.zeros(len(surface), MODE)
    mean = np.array([grounds[i].rolling_resistance for i in surface])
    modes["mean"], modes["sd"] = mean, [grounds[i].rolling_resistance_sd for i in surface]
    modes["rate_per_s"], modes["initial"], modes["unchanged"] = rates, initial, unchanged
    modes["surface"], modes["regeneration"], modes["partner"] = surface, flag, partner
    modes["texture"] = [grounds[i].texture for i in surface]
    modes["slip"] = 1.0 + SLIP_PER_RESISTANCE * np.maximum(mean - HARD_RESISTANCE, 0.0)
    modes["kind_at_start"] = np.bincount(surface, weights=initial)[surface]
    return modes


@jit
def greatest(values: FloatArray) -> float:
    """The greatest of some values."""
    found = values[0]
    for index in range(values.size):
        found = max(found, values[index])
    return found


class MixScratch(NamedTuple):
    """Room for what :func:`mix` computes on the way.

    Attributes
    ----------
    weight : ndarray, shape (modes,)
    cross : ndarray, shape (n,)
    states : ndarray, shape (2, n)
    covariances : ndarray, shape (2, n, n)
    """

    weight: FloatArray
    cross: FloatArray
    states: FloatArray
    covariances: FloatArray


@jit
def mix_scratch(modes: int) -> MixScratch:
    """Room for as many modes."""
    n = N_STATES
    return MixScratch(np.empty(modes), np.empty(n), np.empty((2, n)), np.empty((2, n, n)))


@jit
def mix(
    states: FloatArray,
    covariances: FloatArray,
    log_weights: FloatArray,
    grounds: Grounds,
    ground_dt: float,
    regeneration_dt: float,
    scratch: MixScratch,
) -> None:
    """Let ground and regeneration change over the last seconds of driving, in place.

    Parameters
    ----------
    states : ndarray, shape (modes, n)
    covariances : ndarray, shape (modes, n, n)
    log_weights : ndarray, shape (modes,)
    grounds : Grounds
    ground_dt : float
        Seconds of driving since the ground was last let change.
    regeneration_dt : float
        Since a regeneration was, and the ground in one; 0 leaves both for later.
    scratch : MixScratch
    """
    modes = log_weights.size
    peak = greatest(log_weights)
    weight, cross = scratch.weight, scratch.cross
    for mode in range(modes):
        weight[mode] = math.exp(log_weights[mode] - peak)
    _start_apart_anew(states, covariances, weight, grounds)
    # Slip as on hard ground meanwhile.
    for mode in range(modes):
        if grounds[mode].slip != 1.0:
            relax(states[mode], covariances[mode], STATE.slip_per_n, 1.0 / grounds[mode].slip, 0.0)
    for flag in range(2):
        dt = ground_dt if flag == 0 else regeneration_dt
        if dt > 0.0:
            _change_ground(states, covariances, weight, grounds, flag, dt, scratch)
    for mode in range(modes):
        if grounds[mode].slip != 1.0:
            relax(states[mode], covariances[mode], STATE.slip_per_n, grounds[mode].slip, 0.0)
    if regeneration_dt > 0.0:
        for mode in range(modes):
            if grounds[mode].partner >= 0 and grounds[mode].regeneration == 0:
                _change_regeneration(
                    states, covariances, weight, grounds, mode, regeneration_dt, scratch
                )
    for mode in range(modes):
        log_weights[mode] = peak + math.log(max(weight[mode], 1e-300))
        if regeneration_dt > 0.0 and grounds[mode].regeneration == 1:
            # A wrong mass cannot hide behind an impossible regeneration.
            log_weights[mode] += hold_between(
                states[mode],
                covariances[mode],
                STATE.regeneration_excess,
                REGENERATION_LOW,
                REGENERATION_HIGH,
                cross,
            )


@jit
def _change_ground(
    states: FloatArray,
    covariances: FloatArray,
    weight: FloatArray,
    grounds: Grounds,
    flag: int,
    dt: float,
    scratch: MixScratch,
) -> None:
    """Mix the modes with or without regeneration, in place: the ground may have changed."""
    modes = weight.size
    total, leaving, flagged = 0.0, 0.0, 0
    for mode in range(modes):
        if grounds[mode].regeneration == flag:
            flagged += 1
            total += weight[mode]
            leaving += grounds[mode].rate_per_s
    if flagged < 2 or total <= 0.0:
        return
    # What arrives in a mode: all that is known, but for the rolling resistance.
    pooled, pooled_covariance = scratch.states[0], scratch.covariances[0]
    pool(states, covariances, weight, grounds, flag, total, pooled, pooled_covariance)
    for mode in range(modes):
        if grounds[mode].regeneration != flag:
            continue
        rate = grounds[mode].rate_per_s
        # From "nothing has changed" to "the first ground again" is a change within a kind.
        stay = weight[mode] * (1.0 - (leaving - rate) * dt)
        arrive = (total - weight[mode]) * rate * dt
        weight[mode] = stay + arrive
        if arrive > 1e-6 * stay:
            mean, sd = grounds[mode].mean, grounds[mode].sd
            redraw(pooled, pooled_covariance, STATE.rolling_resistance, mean, sd * sd)
            merge(states[mode], covariances[mode], stay, pooled, pooled_covariance, arrive)


@jit(distinct=True)
def pool(
    states: FloatArray,
    covariances: FloatArray,
    weight: FloatArray,
    grounds: Grounds,
    flag: int,
    total: float,
    pooled: FloatArray,
    pooled_covariance: FloatArray,
) -> None:
    """Mean and covariance of the mixture of the modes with a flag.

    Parameters
    ----------
    states, covariances : ndarray, shapes (modes, n) and (modes, n, n)
    weight : ndarray, shape (modes,)
    grounds : Grounds
    flag : int
    total : float
        Their weight.
    pooled, pooled_covariance : ndarray, shapes (n,) and (n, n)
        Receive the moments.
    """
    for i in range(N_STATES):
        pooled[i] = 0.0
        for j in range(N_STATES):
            pooled_covariance[i, j] = 0.0
    for mode in range(weight.size):
        if grounds[mode].regeneration == flag:
            for i in range(N_STATES):
                pooled[i] += weight[mode] / total * states[mode, i]
    for mode in range(weight.size):
        share = weight[mode] / total
        if grounds[mode].regeneration == flag and share > 1e-9:
            for i in range(N_STATES):
                apart = states[mode, i] - pooled[i]
                for j in range(N_STATES):
                    pooled_covariance[i, j] += share * (
                        covariances[mode, i, j] + apart * (states[mode, j] - pooled[j])
                    )


APART_LOST, AGAIN_SURE = 1e-7, 0.99
"""Below and above these shares "the first ground again" becomes the new "unchanged"."""


@jit
def _start_apart_anew(
    states: FloatArray, covariances: FloatArray, weight: FloatArray, grounds: Grounds
) -> None:
    """Where a change is past doubt and the first ground is back, keep *that* apart, in place."""
    apart = weight.size - 1
    if grounds[apart].unchanged == 0:
        return
    first, total = grounds[apart].surface, 0.0
    for mode in range(weight.size):
        total += weight[mode]
    if weight[apart] > APART_LOST * total or weight[first] < AGAIN_SURE * total:
        return
    left = 1e-6 * weight[first]
    copy(states[apart], covariances[apart], states[first], covariances[first])
    weight[apart] += weight[first] - left
    weight[first] = left


@jit
def _change_regeneration(
    states: FloatArray,
    covariances: FloatArray,
    weight: FloatArray,
    grounds: Grounds,
    off: int,
    dt: float,
    scratch: MixScratch,
) -> None:
    """A regeneration may begin (its excess is drawn) or end (it is nothing), in place.

    The ground stays. It does not end into the mode in which nothing has changed.
    """
    on = grounds[off].partner
    begin = weight[off] * REGENERATION_ON_PER_S * dt
    end = weight[on] * REGENERATION_OFF_PER_S * dt if grounds[off].unchanged == 0 else 0.0
    stay_off, stay_on = weight[off] - begin, weight[on] - end
    excess = STATE.regeneration_excess
    begun, begun_covariance = scratch.states[0], scratch.covariances[0]
    ended, ended_covariance = scratch.states[1], scratch.covariances[1]
    # Both from what was before.
    copy(begun, begun_covariance, states[off], covariances[off])
    copy(ended, ended_covariance, states[on], covariances[on])
    if end > 1e-6 * stay_off:
        redraw(ended, ended_covariance, excess, 0.0, 0.0)
        merge(states[off], covariances[off], stay_off, ended, ended_covariance, end)
    if begin > 1e-6 * stay_on:
        redraw(begun, begun_covariance, excess, REGENERATION_MEAN, REGENERATION_SD**2)
        merge(states[on], covariances[on], stay_on, begun, begun_covariance, begin)
    weight[off] = stay_off + end
    weight[on] = stay_on + begin


@jit
def flag_evidence(log_weights: FloatArray, grounds: Grounds, flag: float) -> None:
    """Weigh a regeneration's flag, in place: 1 set, -1 not set, 0 not logged."""
    if flag == 0.0:
        return
    for mode in range(log_weights.size):
        agrees = (grounds[mode].regeneration == 1) == (flag > 0.0)
        log_weights[mode] += FLAG_AGREES if agrees else FLAG_CONTRADICTS


@jit
def temper_grounds(
    log_weights: FloatArray, log_likelihood: FloatArray, grounds: Grounds, share: float
) -> None:
    """Let only a share of the misfit speak between firm grounds, in place.

    Their resistances lie within what bends, gusts and a grade's errors do for some seconds: the
    evidence needs to last for longer. Loose ground is not concerned, nor is the evidence for a
    regeneration.

    Parameters
    ----------
    log_weights : ndarray, shape (modes,)
        Before the measurement.
    log_likelihood : ndarray, shape (modes,)
        Of the measurement; tempered about the most probable firm ground's, with regeneration and
        without.
    grounds : Grounds
    share : float
    """
    for flag in range(2):
        likeliest = -1
        for mode in range(grounds.size):
            firm = grounds[mode].mean < LOOSE_RESISTANCE and grounds[mode].regeneration == flag
            if firm and (likeliest < 0 or log_weights[mode] > log_weights[likeliest]):
                likeliest = mode
        if likeliest < 0:
            continue
        about = log_likelihood[likeliest]
        for mode in range(grounds.size):
            if grounds[mode].mean < LOOSE_RESISTANCE and grounds[mode].regeneration == flag:
                log_likelihood[mode] = about + share * (log_likelihood[mode] - about)


@jit
def ground_shares(log_weights: FloatArray, grounds: Grounds, shares: FloatArray) -> None:
    """Probability of each ground under one load.

    Parameters
    ----------
    log_weights : ndarray, shape (modes,)
    grounds : Grounds
    shares : ndarray, shape (8,)
        Receives the probabilities, by ``Grounds.surface``.
    """
    peak = greatest(log_weights)
    for surface in range(shares.size):
        shares[surface] = 0.0
    total = 0.0
    for mode in range(log_weights.size):
        weight = math.exp(log_weights[mode] - peak)
        shares[grounds[mode].surface] += weight
        total += weight
    for surface in range(shares.size):
        shares[surface] /= total


LEAST_NAMED_AGAIN = 0.01
"""A hypothesis of less weight than this keeps the name it has."""


@jit
def name_ground(
    weight: float,
    roll: float,
    roll_variance: float,
    mode: int,
    grounds: Grounds,
    odds: FloatArray,
    surface_probability: FloatArray,
) -> None:
    """Share the weight of a hypothesis among the names of grounds, in place.

    The kinds of ground differ by what they are expected to resist only. Each kind's filter follows
    the resistance, and which of them caught it in its first second says little: given what the
    resistance is now known to be, Bayes' rule with the kinds' priors names it. The odds before are
    those of the log's start on the first kind (from there, and back there), those of arrival on the
    others.

    Parameters
    ----------
    weight : float
    roll, roll_variance : float
        Rolling resistance on this hypothesis, and its variance.
    mode : int
        Of the hypothesis: its name is kept where no kind explains the resistance.
    grounds : Grounds
    odds : ndarray, shape (at least grounds,)
        Scratch.
    surface_probability : ndarray, shape (grounds,)
    """
    own = grounds[mode].surface
    if weight < LEAST_NAMED_AGAIN:
        surface_probability[own] += weight
        return
    total = 0.0
    for kind in range(surface_probability.size):
        one = grounds[kind]
        variance = one.sd * one.sd + roll_variance
        away = roll - one.mean
        before = one.kind_at_start if own == 0 else one.rate_per_s
        odds[kind] = before * math.exp(-0.5 * away * away / variance) / math.sqrt(variance)
        total += odds[kind]
    if total <= 0.0:
        surface_probability[own] += weight
        return
    for kind in range(surface_probability.size):
        surface_probability[kind] += weight * odds[kind] / total


SURELY_NAMED, SURELY_LEFT = 0.85, 0.05
"""A ground of more probability than the first is named; one of less than the second is left."""
NAME_ODDS = 1.5
"""Between the names that one loose stretch may have, it is enough to be so many times likelier."""


@jit
def ground_named(named: int, probability: FloatArray) -> int:
    """The most probable ground, with hysteresis against flicker.

    That the ground has changed at all must be past doubt: between the first kind, on which drives
    start, and another.

    Parameters
    ----------
    named : int
        The name so far.
    probability : ndarray, shape (grounds,)
    """
    likeliest = 0
    for kind in range(probability.size):
        if probability[kind] > probability[likeliest]:
            likeliest = kind
    if probability[likeliest] > SURELY_NAMED or probability[named] < SURELY_LEFT:
        return likeliest
    if named > 0 and likeliest > 0 and probability[likeliest] > NAME_ODDS * probability[named]:
        return likeliest
    return named
