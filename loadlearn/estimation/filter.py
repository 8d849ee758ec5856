"""The compiled filter: one Kalman filter per hypothesis, all hypotheses over one row at a time.

Two layers. *Modes* are kinds of ground, some in regeneration; they switch at any moment
(:mod:`loadlearn.estimation.grounds`). *Loads* are Gaussian components of what is hauled, spawned
at a standstill only (:mod:`loadlearn.estimation.loads`). Every hypothesis is linear but for
two products (wind with drag, regeneration with inverse mass), see
:mod:`loadlearn.estimation.model`; nothing here knows of vehicles beyond the model's functions.

The measurement is a scalar, the parameters do not move and the transition has one dense row, so a
prediction and an update cost n^2 operations each.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.estimation.alone import ILL_CONDITIONED, POINT_SHARE, filter_alone
from loadlearn.estimation.grounds import mix
from loadlearn.estimation.lanes import (
    dense_row_times,
    measured_cross,
    mirror,
    quadratic_form,
    rank_one_downdate,
    relax,
)
from loadlearn.estimation.layout import (
    F_BEFORE_KG,
    F_ENERGY_OPEN,
    F_LAST_KG,
    F_LAST_STOP_S,
    F_LEARNT_S,
    F_LOG_LIKELIHOOD,
    F_LOOSE,
    F_SINCE_CHARGE_S,
    F_SINCE_MIX_S,
    F_SINCE_REGENERATION_S,
    F_SINCE_RELAX_S,
    F_SINCE_TIDY_S,
    F_STARTED,
    F_SURFACE,
    L_ACTIVE,
    L_GROUND,
    L_SINCE_S,
    LANES,
    MAX_LOADS,
    O_BEFORE,
    O_LOG_LIKELIHOOD,
    O_MASS,
    O_NIS,
    O_STOP,
    O_SURFACE,
)
from loadlearn.estimation.loads import ground_shares, spawn, start, tidy
from loadlearn.estimation.mixture import (
    load_weight,
    peak_of,
    reckon_information,
    summarise,
    weigh,
)
from loadlearn.estimation.model import (
    ACCESSORY,
    COLD,
    DISTURBANCE,
    ENERGY,
    PHI,
    R_DT,
    R_HALF,
    R_KNOWN,
    R_REGEN,
    R_REVERSED,
    R_ROT,
    R_SLIP,
    R_SPEED,
    R_STILL,
    R_TIME,
    R_Y,
    ROLL,
    SLIP,
    WIND,
    Grounds,
    Noise,
    Prior,
    measurement_variance,
    process_variance_parts,
    row_sensitivities,
    slow_relaxation,
    unevenness,
)
from loadlearn.estimation.normal import truncated_normal
from loadlearn.vehicle.roadload import GRAVITY_M_S2

FloatArray = NDArray[np.float64]
# A field of ``grounds`` is taken out of it before a loop: each taking counts a reference.
_HALF_LOG_TWO_PI = 0.9189385332046727


@jit
def relax_slow(states: FloatArray, covariances: FloatArray, dt: float, noise: Noise) -> None:
    """Let the slow states of one load's filters relax over ``dt`` seconds, in place."""
    lanes = states.shape[1]
    gained = np.zeros(lanes)
    for index in (WIND, ACCESSORY, COLD):
        factor, gain = slow_relaxation(index, dt, noise)
        gained[:] = gain
        for h in range(lanes):
            states[index, h] *= factor
        relax(covariances, index, factor, gained)


@jit(inline="always")
def uneven_ground(
    states: FloatArray,
    grounds: Grounds,
    noise: Noise,
    disturbance: FloatArray,
    walk: FloatArray,
) -> None:
    """:func:`unevenness` of each lane.

    Parameters
    ----------
    states : ndarray, shape (n, lanes)
    grounds : Grounds
    noise : Noise
    disturbance : ndarray, shape (lanes,)
        Receives the variance of the disturbance.
    walk : ndarray, shape (lanes,)
        Receives the variance per second of the rolling resistance.
    """
    mean, texture = grounds.mean, grounds.texture
    for h in range(disturbance.size):
        mode = h if h < mean.size else 0
        disturbance[h], walk[h] = unevenness(
            states[ROLL, h], mean[mode], texture[mode], mean[0], noise
        )


@jit(inline="always")
def predict(
    states: FloatArray,
    covariances: FloatArray,
    row: FloatArray,
    noise: Noise,
    disturbance: FloatArray,
    walk: FloatArray,
    sensitivity: FloatArray,
    cross: FloatArray,
    predicted: FloatArray,
) -> None:
    """Carry the filters of one load over a row's interval, in place.

    Parameters
    ----------
    states : ndarray, shape (n, lanes)
    covariances : ndarray, shape (n, n, lanes)
    row : ndarray, shape (30,)
    noise : Noise
    disturbance, walk : ndarray, shape (lanes,)
        From :func:`uneven_ground`.
    sensitivity, cross : ndarray, shape (n, lanes)
        Scratch.
    predicted : ndarray, shape (lanes,)
        Scratch.
    """
    n, lanes = states.shape
    constant, of_phi = process_variance_parts(row, noise)
    if row[R_KNOWN] > 0.5:
        row_sensitivities(states, row, predicted, sensitivity)
        dense_row_times(covariances, sensitivity, cross)
        for h in range(lanes):
            states[ENERGY, h] = predicted[h]
            predicted[h] = constant + states[PHI, h] * states[PHI, h] * of_phi
        quadratic_form(sensitivity, cross, predicted)
        for h in range(lanes):
            covariances[0, 0, h] = predicted[h]
        for j in range(1, n):
            for h in range(lanes):
                covariances[0, j, h] = cross[j, h]
        if lanes == 1:
            for j in range(1, n):
                covariances[j, 0, 0] = cross[j, 0]
        dt = row[R_DT]
        for h in range(lanes):
            covariances[ROLL, ROLL, h] += walk[h] * dt
    else:
        # The force is not known: the energy height is free, everything else stays.
        for h in range(lanes):
            covariances[0, 0, h] += constant
    factor = math.exp(-row[R_DT] / noise.disturbance_time_s)
    for h in range(lanes):
        states[DISTURBANCE, h] *= factor
    for h in range(lanes):
        predicted[h] = disturbance[h] * (1.0 - factor * factor)
    relax(covariances, DISTURBANCE, factor, predicted)


@jit(inline="always")
def update(
    states: FloatArray,
    covariances: FloatArray,
    row: FloatArray,
    noise: Noise,
    cross: FloatArray,
    gain: FloatArray,
    reduction: FloatArray,
    kept: FloatArray,
    log_likelihood: FloatArray,
    nis: FloatArray,
) -> None:
    """Update the filters of one load with the measured energy height, in place.

    A speed read in whole units is an interval, not a point: the posterior given
    ``|y - E + phi mu T - 2 T sigma F| <= half width`` is matched in its first two moments
    (assumed-density filtering; a truncated normal in the direction of the innovation).

    Parameters
    ----------
    states, covariances, row, noise
        As in :func:`predict`.
    cross : ndarray, shape (n, lanes)
        Scratch.
    gain, reduction, kept : ndarray, shape (lanes,)
        Scratch.
    log_likelihood, nis : ndarray, shape (lanes,)
        Receive the log-likelihood of the measurement and the normalised innovation squared.
    """
    n, lanes = states.shape
    rotating, slip = row[R_ROT], row[R_SLIP]
    noise_variance = measurement_variance(row, noise)
    half_width = row[R_HALF] * row[R_SPEED] / GRAVITY_M_S2
    measured_cross(covariances, rotating, slip, cross)
    for h in range(lanes):
        variance = cross[0, h] - rotating * cross[1, h] + slip * cross[SLIP, h] + noise_variance
        innovation = (
            row[R_Y] - states[ENERGY, h] + rotating * states[PHI, h] - slip * states[SLIP, h]
        )
        reduction[h] = 1.0 / variance
        gain[h] = innovation * reduction[h]
        kept[h] = noise_variance * reduction[h]
        nis[h] = innovation * gain[h]
        log_likelihood[h] = 0.5 * math.log(reduction[h]) - 0.5 * nis[h] - _HALF_LOG_TWO_PI
        if half_width * half_width > POINT_SHARE * variance:
            sd = math.sqrt(variance)
            inside, shift, spread = truncated_normal(
                (innovation - half_width) / sd, (innovation + half_width) / sd
            )
            gain[h] = shift / sd
            reduction[h] = (1.0 - spread) / variance
            kept[h] = spread + reduction[h] * noise_variance
            nis[h] = shift * shift
            if inside > 0.0:
                log_likelihood[h] = math.log(inside / (2.0 * half_width))
            else:
                log_likelihood[h] = -0.5 * shift * shift - math.log(sd) - _HALF_LOG_TWO_PI
    for i in range(n):
        for h in range(lanes):
            states[i, h] += cross[i, h] * gain[h]
    rank_one_downdate(covariances, cross, reduction)
    if cross[ENERGY, 0] > ILL_CONDITIONED * noise_variance:
        # After a stretch of unknown force the energy height's row is a small difference of large
        # numbers. Without that: with M the measurement's row, M P = kept x (M P before).
        for j in range(1, n + 1):
            i = j % n
            for h in range(lanes):
                value = (
                    cross[i, h] * kept[h]
                    + rotating * covariances[min(i, PHI), max(i, PHI), h]
                    - slip * covariances[min(i, SLIP), max(i, SLIP), h]
                )
                covariances[ENERGY, i, h] = value
                covariances[i, ENERGY, h] = value


@jit
def set_datum(states: FloatArray, covariances: FloatArray, row: FloatArray, noise: Noise) -> None:
    """The first height sets the datum, in place: nothing was known of the energy height before.

    Parameters
    ----------
    states, covariances, row, noise
        As in :func:`predict`; the row has a measurement.
    """
    rotating, slip = row[R_ROT], row[R_SLIP]
    half = row[R_HALF] * row[R_SPEED] / GRAVITY_M_S2
    n, lanes = states.shape
    for h in range(lanes):
        states[ENERGY, h] = row[R_Y] + rotating * states[PHI, h] - slip * states[SLIP, h]
        for j in range(1, n):
            value = (
                rotating * covariances[min(j, PHI), max(j, PHI), h]
                - slip * covariances[min(j, SLIP), max(j, SLIP), h]
            )
            covariances[ENERGY, j, h] = value
            covariances[j, ENERGY, h] = value
        covariances[ENERGY, ENERGY, h] = (
            measurement_variance(row, noise)
            + half * half / 3.0
            + rotating * covariances[ENERGY, PHI, h]
            - slip * covariances[ENERGY, SLIP, h]
        )


REGENERATION_EVERY_S = 1.75
"""How often, in driving time, a regeneration may have begun or ended: it lasts for minutes."""
LOOSE_GROUND = 0.035
"""Rolling resistance from which a ground is loose: it wanders, and the wheels slip."""
FIRM_EVIDENCE = 0.4
"""Share of the evidence between loads that counts on firm ground: what is wrong with the engine's
line stays with the operating point, so the samples of one pull are not independent ..."""
LOOSE_EVIDENCE = 0.03
"""... on loose ground, which wanders ..."""
LOOSE_MEMORY_S = 300.0
"""... and for this long after it was last believed in: the way out of a misfit on sand is another
load on an easier ground."""


@jit(inline="always")
def _on_loose_ground(each: FloatArray, loads: FloatArray, grounds: Grounds) -> float:
    """Weight of the hypotheses on loose ground."""
    loose, mean = 0.0, grounds.mean
    for mode in range(mean.size):
        if mean[mode] > LOOSE_GROUND:
            for load in range(loads.shape[0]):
                if loads[load, L_ACTIVE] > 0.5:
                    loose += each[load, mode]
    return loose


@jit
def temper_loads(
    log_weights: FloatArray,
    loads: FloatArray,
    modes: int,
    before: FloatArray,
    each: FloatArray,
    of_load: FloatArray,
    peak: float,
    loose: float,
) -> None:
    """Let only a share of the misfit speak between loads, in place.

    No engine keeps to its line and sand wanders in ways that no model follows, and each misfit
    would be one more reason for another load. The evidence between *grounds* of one load is left as
    it is; between loads it is raised to a power below one (a tempered likelihood), a small one on
    loose ground. A load that was really changed shows in hundreds of nats, so it is still found.
    """
    active, average, total = 0, 0.0, 0.0
    for load in range(loads.shape[0]):
        if loads[load, L_ACTIVE] > 0.5 and before[load] > 0.0 and of_load[load] > 0.0:
            active += 1
            average += before[load] * (math.log(of_load[load] / before[load]) + peak)
            total += before[load]
    if active < 2:
        return
    average /= total
    share = evidence_share(loose)
    for load in range(loads.shape[0]):
        if loads[load, L_ACTIVE] < 0.5 or before[load] <= 0.0 or of_load[load] <= 0.0:
            continue
        gained = math.log(of_load[load] / before[load]) + peak
        taken = (1.0 - share) * (gained - average)
        kept = math.exp(-taken)
        of_load[load] *= kept
        for mode in range(modes):
            log_weights[load, mode] -= taken
            each[load, mode] *= kept


@jit
def evidence_share(loose: float) -> float:
    """Share of the evidence between loads that counts, ``loose`` of it gained on loose ground."""
    return loose * LOOSE_EVIDENCE + (1.0 - loose) * FIRM_EVIDENCE


CHARGE_EVERY_S = 20.0
"""Driving time over which a change of ground is told whole: none takes longer to be believed."""


@jit
def charge_changes(
    log_weights: FloatArray, loads: FloatArray, grounds: Grounds, driven_s: float, share: float
) -> None:
    """Let a load pay in full for changes of ground that it alone needs, in place.

    A lighter load on the same sand, and the old load on a ground that is easier from here on, fit
    alike. That a ground changes just now is improbable, and the second hypothesis pays for it; but
    :func:`temper_loads` sees the price as misfit and takes all but a small share off. The evidence
    of a load is its mean log-likelihood less the divergence of its grounds' probabilities from
    where they stood (the variational identity ``log E exp l = E' l - KL``), and only the first is
    misfit: the rest of the second is charged here.

    Parameters
    ----------
    log_weights : ndarray, shape (loads, lanes)
    loads : ndarray, shape (loads, 21)
    grounds : Grounds
    driven_s : float
        Driving time since the last charge (s).
    share : float
        Of the evidence that counts, from :func:`evidence_share`.
    """
    modes = grounds.mean.size
    now = np.empty(LANES)
    peak, total, left = peak_of(log_weights, loads, modes), 0.0, 0.0
    for load in range(loads.shape[0]):
        if loads[load, L_ACTIVE] < 0.5:
            continue
        ground_shares(log_weights[load], grounds, now)
        divergence = 0.0
        for mode in range(modes):
            surface = grounds.surface[mode]
            if (
                now[surface] <= 0.0
                or grounds.regeneration[mode] == 1
                or grounds.unchanged[mode] == 1
            ):
                continue
            was = loads[load, L_GROUND + surface]
            might = was + (1.0 - was) * grounds.rate_per_s[mode] * driven_s
            divergence += now[surface] * math.log(now[surface] / might)
        loads[load, L_GROUND:] = now
        total += load_weight(log_weights[load], modes, peak)
        for mode in range(modes):
            log_weights[load, mode] -= (1.0 - share) * max(divergence, 0.0)
        left += load_weight(log_weights[load], modes, peak)
    for load in range(loads.shape[0]):
        if loads[load, L_ACTIVE] > 0.5:
            for mode in range(modes):
                log_weights[load, mode] += math.log(total / left)


GROUND_EVIDENCE = 0.35
"""Share of the evidence between firm grounds that counts."""


@jit(inline="always")
def temper_on_firm_ground(
    log_weight: FloatArray, log_likelihood: FloatArray, grounds: Grounds
) -> None:
    """Let a third of the misfit speak between firm grounds, in place.

    Their resistances lie within what bends, gusts and a grade's errors do for some seconds, and
    those have wider tails and more time scales than one coloured disturbance. Raised to a power
    (a tempered likelihood) the evidence needs to last for longer. Loose ground is not concerned,
    nor is the evidence for a regeneration.

    Parameters
    ----------
    log_weight : ndarray, shape (at least modes,)
        Before the measurement.
    log_likelihood : ndarray, shape (at least modes,)
        Of the measurement; tempered about the most probable firm ground's, with regeneration and
        without.
    grounds : Grounds
    """
    mean, regeneration = grounds.mean, grounds.regeneration
    for flag in range(2):
        likeliest = -1
        for mode in range(mean.size):
            if (
                mean[mode] < LOOSE_GROUND
                and regeneration[mode] == flag
                and (likeliest < 0 or log_weight[mode] > log_weight[likeliest])
            ):
                likeliest = mode
        if likeliest < 0:
            continue
        about = log_likelihood[likeliest]
        for mode in range(mean.size):
            if mean[mode] < LOOSE_GROUND and regeneration[mode] == flag:
                log_likelihood[mode] = about + GROUND_EVIDENCE * (log_likelihood[mode] - about)


@jit
def _only_load(loads: FloatArray) -> int:
    """The load that is active, where there is but one; else -1."""
    found = -1
    for load in range(loads.shape[0]):
        if loads[load, L_ACTIVE] > 0.5:
            if found >= 0:
                return -1
            found = load
    return found


@jit
def filter_rows(
    rows: FloatArray,
    count: int,
    memory: FloatArray,
    states: FloatArray,
    covariances: FloatArray,
    log_weights: FloatArray,
    loads: FloatArray,
    grounds: Grounds,
    prior: Prior,
    noise: Noise,
    outputs: FloatArray,
    surface_probability: FloatArray,
    with_outputs: bool,
) -> None:
    """Run all hypotheses over rows, in place.

    Parameters
    ----------
    rows : ndarray, shape (at least count, 30)
    count : int
    memory : ndarray, shape (18,)
    states, covariances, log_weights, loads
        As in :mod:`loadlearn.estimation.layout`.
    grounds, prior, noise
        See :mod:`loadlearn.estimation.model`.
    outputs : ndarray, shape (count, 24)
    surface_probability : ndarray, shape (count, grounds)
    with_outputs : bool
        False to compute the log-likelihood only.
    """
    modes = grounds.mean.size
    n, lanes = states.shape[1], states.shape[2]
    sensitivity, cross = np.zeros((n, lanes)), np.zeros((n, lanes))
    predicted, gain, reduction = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes)
    kept, log_likelihood, nis = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes)
    disturbance, walk = np.zeros(lanes), np.zeros(lanes)
    before = np.zeros(MAX_LOADS)
    arriving, pooled = np.zeros((n, lanes)), np.empty(n)
    pooled_covariance = np.zeros((n, n))
    each, of_load = np.zeros((MAX_LOADS, lanes)), np.zeros(MAX_LOADS)
    weights, log_mass, log_mass_sd = (
        np.empty(MAX_LOADS * lanes),
        np.empty(MAX_LOADS * lanes),
        np.empty(MAX_LOADS * lanes),
    )
    roll, roll_sd = np.empty(MAX_LOADS * lanes), np.empty(MAX_LOADS * lanes)
    odds = np.empty(lanes)
    index = -1
    while index + 1 < count:
        index += 1
        if lanes == 1 and not with_outputs and memory[F_ENERGY_OPEN] == 0.0:
            only = _only_load(loads)
            if memory[F_STARTED] != 0.0 and only >= 0:
                index = filter_alone(
                    rows,
                    index,
                    count,
                    memory,
                    states[only],
                    covariances[only].reshape((n, n)),
                    loads[only],
                    grounds,
                    noise,
                )
                if index == count:
                    break
        row = rows[index]
        if memory[F_STARTED] == 0.0:
            start(states, covariances, log_weights, loads, grounds, prior, noise)
            memory[F_STARTED] = 1.0
            memory[F_ENERGY_OPEN] = 1.0
        if row[R_STILL] > 3.0 and memory[F_LEARNT_S] > 0.0:
            memory[F_LAST_STOP_S] = row[R_TIME]
            memory[F_BEFORE_KG] = memory[F_LAST_KG]
            spawn(
                states,
                covariances,
                log_weights,
                loads,
                grounds,
                prior,
                noise,
                row[R_STILL],
                row[R_REVERSED] > 0.5,
            )
        measured = not math.isnan(row[R_Y])
        known = row[R_KNOWN] > 0.5
        if known:
            memory[F_SINCE_MIX_S] += row[R_DT]
            memory[F_LEARNT_S] += row[R_DT]
            memory[F_SINCE_TIDY_S] += row[R_DT]
            memory[F_SINCE_CHARGE_S] += row[R_DT]
        mix_now = known and memory[F_SINCE_MIX_S] >= noise.mix_every_s
        memory[F_SINCE_RELAX_S] += row[R_DT]
        regeneration_dt = 0.0
        if mix_now:
            memory[F_SINCE_REGENERATION_S] += memory[F_SINCE_MIX_S]
            if memory[F_SINCE_REGENERATION_S] >= REGENERATION_EVERY_S:
                regeneration_dt = memory[F_SINCE_REGENERATION_S]
                memory[F_SINCE_REGENERATION_S] = 0.0
        peak, total, weighed, loose_share = -1e300, 0.0, False, 0.0
        nis_best = math.nan
        several = _only_load(loads) < 0
        if several:
            for load in range(MAX_LOADS):
                before[load] = 0.0
                if loads[load, L_ACTIVE] > 0.5:
                    before[load] = load_weight(log_weights[load], modes, 0.0)
        for load in range(MAX_LOADS):
            if loads[load, L_ACTIVE] < 0.5:
                continue
            state, covariance, log_weight = states[load], covariances[load], log_weights[load]
            if known:
                loads[load, L_SINCE_S] += row[R_DT]
            if mix_now:
                relax_slow(state, covariance, memory[F_SINCE_RELAX_S], noise)
            if mix_now and modes > 1:
                mix(
                    state,
                    covariance,
                    log_weight,
                    grounds,
                    memory[F_SINCE_MIX_S],
                    regeneration_dt,
                    arriving,
                    pooled,
                    pooled_covariance,
                )
                if row[R_REGEN] != 0.0:
                    # The regeneration flag is evidence, not proof: it comes late, goes early.
                    for mode in range(modes):
                        agrees = (grounds.regeneration[mode] == 1) == (row[R_REGEN] > 0.0)
                        log_weight[mode] += -0.05 if agrees else -3.0
            uneven_ground(state, grounds, noise, disturbance, walk)
            predict(
                state,
                covariance,
                row,
                noise,
                disturbance,
                walk,
                sensitivity,
                cross,
                predicted,
            )
            if not measured:
                continue
            if memory[F_ENERGY_OPEN] == 1.0:
                set_datum(state, covariance, row, noise)
                continue
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
                temper_on_firm_ground(log_weight, log_likelihood, grounds)
                for mode in range(modes):
                    log_weight[mode] += log_likelihood[mode]
                    if log_weight[mode] > peak:
                        peak = log_weight[mode]
                        nis_best = nis[mode]
        if measured:
            memory[F_ENERGY_OPEN] = 0.0
        if mix_now:
            memory[F_SINCE_MIX_S] = 0.0
            memory[F_SINCE_RELAX_S] = 0.0
        if peak > -1e299:
            total = weigh(log_weights, loads, modes, peak, each, of_load)
            loose = _on_loose_ground(each, loads, grounds)
            weighed = True
            remembered = memory[F_LOOSE] * math.exp(-row[R_DT] / LOOSE_MEMORY_S)
            loose_share = loose / total
            memory[F_LOOSE] = max(loose_share, remembered)
            if several:
                temper_loads(
                    log_weights,
                    loads,
                    modes,
                    before,
                    each,
                    of_load,
                    peak,
                    memory[F_LOOSE],
                )
                total = of_load.sum()
            if memory[F_SINCE_CHARGE_S] >= CHARGE_EVERY_S:
                if modes > 1:
                    charge_changes(
                        log_weights,
                        loads,
                        grounds,
                        memory[F_SINCE_CHARGE_S],
                        evidence_share(memory[F_LOOSE]),
                    )
                memory[F_SINCE_CHARGE_S] = 0.0
                total = weigh(log_weights, loads, modes, peak, each, of_load)
            # Keep the weights near one; what is taken off is the log's likelihood.
            shift = peak + math.log(total)
            memory[F_LOG_LIKELIHOOD] += shift
            for load in range(MAX_LOADS):
                if loads[load, L_ACTIVE] > 0.5:
                    for mode in range(modes):
                        log_weights[load, mode] -= shift
        # Between whole tenths of a second, so that rounding does not decide when.
        if memory[F_SINCE_TIDY_S] > 1.95:
            memory[F_SINCE_TIDY_S] = 0.0
            if weighed:
                reckon_information(
                    states,
                    covariances,
                    log_weights,
                    loads,
                    modes,
                    loose_share,
                )
            tidy(states, covariances, log_weights, loads, modes, prior.most_mass_kg)
            weighed = False
        if with_outputs:
            if not weighed:
                peak = peak_of(log_weights, loads, modes)
                total = weigh(log_weights, loads, modes, peak, each, of_load)
            out = outputs[index]
            probability = surface_probability[index]
            summarise(
                states,
                covariances,
                each,
                total,
                loads,
                grounds,
                prior.offset_sd_n,
                memory,
                out,
                probability,
                weights,
                log_mass,
                log_mass_sd,
                roll,
                roll_sd,
                odds,
            )
            named = ground_named(int(memory[F_SURFACE]), probability)
            memory[F_SURFACE] = named
            memory[F_LAST_KG] = out[O_MASS]
            out[O_SURFACE] = named
            out[O_NIS] = nis_best
            out[O_LOG_LIKELIHOOD] = memory[F_LOG_LIKELIHOOD]
            out[O_STOP] = memory[F_LAST_STOP_S]
            out[O_BEFORE] = memory[F_BEFORE_KG]
    for load in range(MAX_LOADS):
        if loads[load, L_ACTIVE] > 0.5:
            mirror(covariances[load])


SURELY_NAMED, SURELY_LEFT = 0.85, 0.05
"""A ground of more probability than the first is named; one of less than the second is left."""
NAME_ODDS = 1.5
"""Between the names that one loose stretch may have, it is enough to be so many times likelier."""


@jit(inline="always")
def ground_named(named: int, probability: FloatArray) -> int:
    """The most probable ground, with hysteresis against flicker.

    That the ground has changed at all must be past doubt: between the first kind, on which drives
    start, and another.

    Parameters
    ----------
    named : int
        The name so far.
    probability : ndarray, shape (grounds,)

    Returns
    -------
    int
    """
    likeliest = int(np.argmax(probability))
    if probability[likeliest] > SURELY_NAMED or probability[named] < SURELY_LEFT:
        return likeliest
    if named > 0 and likeliest > 0 and probability[likeliest] > NAME_ODDS * probability[named]:
        return likeliest
    return named


@jit
def carry_covariance(
    states: FloatArray, covariances: FloatArray, rows: FloatArray, noise: Noise
) -> None:
    """Carry the filters of one load over rows whose measurements are exactly as predicted.

    What is left in ``covariances`` is what driving these rows would leave unknown.

    Parameters
    ----------
    states : ndarray, shape (n, lanes)
    covariances : ndarray, shape (n, n, lanes)
    rows : ndarray, shape (k, 30)
    noise : Noise
    """
    n, lanes = states.shape
    sensitivity, cross = np.zeros((n, lanes)), np.zeros((n, lanes))
    predicted, gain, reduction = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes)
    kept, log_likelihood, nis = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes)
    disturbance = np.full(lanes, noise.disturbance_sd**2)
    walk = np.full(lanes, noise.roll_walk_per_s05**2)
    before = states.copy()
    for index in range(rows.shape[0]):
        predict(
            states,
            covariances,
            rows[index],
            noise,
            disturbance,
            walk,
            sensitivity,
            cross,
            predicted,
        )
        update(
            states,
            covariances,
            rows[index],
            noise,
            cross,
            gain,
            reduction,
            kept,
            log_likelihood,
            nis,
        )
        # The parameters stay where they are: only the covariance is asked for.
        states[:, :] = before
    mirror(covariances)
