"""The filter: all hypotheses over the rows of a drive, one row at a time.

Two layers. *Modes* are kinds of ground, some in regeneration; they switch at any moment
(:mod:`loadlearn.estimation.grounds`). *Loads* are normal components of what is hauled, spawned at a
standstill only (:mod:`loadlearn.estimation.loads`). Each pair of the two is a hypothesis, with a
Kalman filter of its own (:mod:`loadlearn.estimation.kalman`) on the model of
:mod:`loadlearn.estimation.model`; what they say together is in
:mod:`loadlearn.estimation.mixture`.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import Record, Records, jit
from loadlearn.estimation.grounds import (
    REGENERATION_EVERY_S,
    Grounds,
    MixScratch,
    flag_evidence,
    greatest,
    ground_named,
    mix,
    mix_scratch,
    temper_grounds,
)
from loadlearn.estimation.kalman import hold_between, predict, relax, set_first, update
from loadlearn.estimation.loads import (
    CHARGE_EVERY_S,
    LEAST_CHANGE,
    NO_WEIGHT,
    TIDY_EVERY_S,
    Hypotheses,
    change_probability,
    charge_changes,
    loose_probability,
    normalise,
    note_blocks,
    spawn,
    start,
    temper_loads,
    tidy,
)
from loadlearn.estimation.mixture import summarise
from loadlearn.estimation.model import (
    SLOW,
    STATE,
    Evidence,
    Noise,
    Prior,
    answerable_share,
    innovation_as_speed,
    measurement_half_width,
    measurement_row,
    measurement_variance,
    process_variance,
    relaxation,
    transition,
    unevenness,
)

FloatArray = NDArray[np.float64]

LEAST_STILL_S = 3.0
"""Shorter standstills are none."""

MOST_DRAG_PER_MASS = 1.0
"""Nothing that drives weighs less than a kilogram per square metre."""

MEMORY = np.dtype(
    [
        ("started", np.int64),
        ("datum", np.int64),  # 1 once a height has been measured
        ("learnt_s", np.float64),  # driving time with known force, in all ...
        ("since_mix_s", np.float64),  # ... and since each of these last happened
        ("since_regeneration_s", np.float64),
        ("since_tidy_s", np.float64),
        ("since_charge_s", np.float64),
        ("since_relax_s", np.float64),  # time
        ("loose", np.float64),  # probability of loose ground, fading
        ("log_likelihood", np.float64),
        ("last_stop_s", np.float64),
        ("mass_before_stop_kg", np.float64),
    ]
)
"""The filter's own scalars."""


@jit
def relax_slow(states: FloatArray, covariances: FloatArray, elapsed_s: float, noise: Noise) -> None:
    """Let the slow states of some hypotheses relax over some seconds, in place.

    Parameters
    ----------
    states, covariances : ndarray, shapes (modes, n) and (modes, n, n)
    elapsed_s : float
    noise : Noise
    """
    for index in SLOW:
        factor, gained = relaxation(index, elapsed_s, noise)
        for mode in range(states.shape[0]):
            relax(states[mode], covariances[mode], index, factor, gained)


@jit
def hold_drag(
    states: FloatArray, covariances: FloatArray, log_weights: FloatArray, cross: FloatArray
) -> None:
    """Hold the drag of some hypotheses to what can be, in place.

    Parameters
    ----------
    states, covariances : ndarray, shapes (modes, n) and (modes, n, n)
    log_weights : ndarray, shape (modes,)
    cross : ndarray, shape (n,)
        Scratch.
    """
    drag = STATE.drag_per_mass_m2_kg
    for mode in range(log_weights.size):
        log_weights[mode] += hold_between(
            states[mode], covariances[mode], drag, 0.0, MOST_DRAG_PER_MASS, cross
        )


@jit
def predict_row(
    state: FloatArray,
    covariance: FloatArray,
    row: Record,
    mode: int,
    grounds: Grounds,
    noise: Noise,
    kept: float,
    sensitivity: FloatArray,
    cross: FloatArray,
) -> None:
    """Carry a hypothesis over a row's interval, in place.

    Parameters
    ----------
    state, covariance : ndarray, shapes (n,) and (n, n)
    row : record of ``ROW``
    mode : int
        Of the hypothesis.
    grounds : Grounds
    noise : Noise
    kept : float
        Share of the disturbance that is left at the row's end.
    sensitivity, cross : ndarray, shape (n,)
        Scratch.
    """
    here = grounds[mode]
    disturbance, walk = unevenness(
        state[STATE.rolling_resistance], here.mean, here.texture, grounds[0].mean, noise
    )
    variance = process_variance(state[STATE.inverse_mass_per_kg], row, noise)
    if row.known > 0.5:
        predicted = transition(state, row, sensitivity)
        predict(state, covariance, sensitivity, predicted, variance, cross)
        roll = STATE.rolling_resistance
        covariance[roll, roll] += walk * row.dt_s
    else:
        # The force is not known: the energy height is free, everything else stays.
        covariance[0, 0] += variance
    relax(state, covariance, STATE.disturbance, kept, disturbance * (1.0 - kept * kept))


@jit
def _advance_load(
    states: FloatArray,
    covariances: FloatArray,
    log_weights: FloatArray,
    row: Record,
    datum: bool,
    grounds: Grounds,
    noise: Noise,
    ground_share: float,
    log_likelihood: FloatArray,
    sensitivity: FloatArray,
    cross: FloatArray,
) -> tuple[float, float, float]:
    """Predict and update the filters of one load over a row, in place.

    Returns
    -------
    log_weight, innovation, normalised : float
        Of the likeliest mode, what was new to it (m), and that over its sd.
    """
    measured = not math.isnan(row.measured_m)
    reads = measurement_row(row)
    variance, half_width = measurement_variance(row, noise), measurement_half_width(row)
    kept = math.exp(-row.dt_s / noise.disturbance_time_s)
    innovation_best, normalised_best, best = math.nan, math.nan, NO_WEIGHT
    for mode in range(log_weights.size):
        state, covariance = states[mode], covariances[mode]
        predict_row(state, covariance, row, mode, grounds, noise, kept, sensitivity, cross)
        if not measured:
            continue
        if not datum:
            spread = variance + half_width * half_width / 3.0
            set_first(state, covariance, row.measured_m, reads, spread)
            continue
        log_likelihood[mode], innovation, normalised = update(
            state, covariance, row.measured_m, reads, variance, half_width, cross
        )
        if log_weights[mode] > best:
            best, innovation_best, normalised_best = log_weights[mode], innovation, normalised
    if not measured or not datum or row.known < 0.5:
        return NO_WEIGHT, math.nan, math.nan
    temper_grounds(log_weights, log_likelihood, grounds, ground_share)
    for mode in range(log_weights.size):
        log_weights[mode] += log_likelihood[mode]
    return greatest(log_weights), innovation_best, normalised_best


@jit
def _turns(memory: Record, row: Record, noise: Noise) -> tuple[float, float, float]:
    """Advance the clocks; how long since the ground, a regeneration and the slow states changed.

    Zeros where their turn has not come.
    """
    memory.since_relax_s += row.dt_s
    if row.known < 0.5:
        return 0.0, 0.0, 0.0
    memory.learnt_s += row.dt_s
    memory.since_tidy_s += row.dt_s
    memory.since_charge_s += row.dt_s
    memory.since_mix_s += row.dt_s
    if memory.since_mix_s < noise.mix_every_s:
        return 0.0, 0.0, 0.0
    ground_dt, relax_dt, regeneration_dt = memory.since_mix_s, memory.since_relax_s, 0.0
    memory.since_regeneration_s += ground_dt
    if memory.since_regeneration_s >= REGENERATION_EVERY_S:
        regeneration_dt = memory.since_regeneration_s
        memory.since_regeneration_s = 0.0
    memory.since_mix_s = memory.since_relax_s = 0.0
    return ground_dt, regeneration_dt, relax_dt


@jit
def _weigh_evidence(
    memory: Record,
    hypotheses: Hypotheses,
    before: FloatArray,
    grounds: Grounds,
    evidence: Evidence,
    dt_s: float,
) -> None:
    """Weights after a measurement, in place; their sum is the log's likelihood."""
    total = normalise(hypotheses)
    faded = memory.loose * math.exp(-dt_s / evidence.loose_memory_s)
    memory.loose = max(loose_probability(hypotheses, grounds), faded)
    share = evidence.firm_loads + memory.loose * (evidence.loose_loads - evidence.firm_loads)
    if temper_loads(hypotheses, before, share):
        total += normalise(hypotheses)
    memory.log_likelihood += total
    if memory.since_charge_s >= CHARGE_EVERY_S:
        if grounds.size > 1 and evidence.changes_charged > 0.0:
            charge_changes(hypotheses, grounds, memory.since_charge_s, share)
            normalise(hypotheses)
        memory.since_charge_s = 0.0


class Scratch(NamedTuple):
    """Room for what is computed on the way."""

    sensitivity: FloatArray
    before: FloatArray
    log_likelihood: FloatArray
    of_summary: FloatArray
    of_mix: MixScratch


@jit
def filter_rows_with(
    rows: Records,
    memory: Record,
    hypotheses: Hypotheses,
    grounds: Grounds,
    prior: Prior,
    noise: Noise,
    evidence: Evidence,
    outputs: Records,
    surface_probability: FloatArray,
    with_outputs: bool,
    scratch: Scratch,
) -> None:
    """The pass of :func:`filter_rows`, in room that is handed in."""
    loads, log_weights, _, states, covariances = hypotheses
    modes = grounds.size
    for index in range(rows.size):
        row = rows[index]
        if memory.started == 0:
            start(hypotheses, grounds, prior, noise)
            memory.started = 1
        if row.still_s > LEAST_STILL_S and memory.learnt_s > 0.0:
            change = change_probability(row.still_s, row.reversed > 0.5, evidence.traffic_halt_s)
            # A halt too short for a change of load leaves the last one that may have been one.
            if change > LEAST_CHANGE:
                memory.last_stop_s = row.time_s
                if with_outputs:
                    memory.mass_before_stop_kg = outputs[index].mass_kg
                spawn(hypotheses, grounds, prior, noise, row.still_s, change)
        ground_dt, regeneration_dt, relax_dt = _turns(memory, row, noise)
        for slot in range(loads.size):
            scratch.before[slot] = loads[slot].weight
        peak, innovation, normalised = NO_WEIGHT, math.nan, math.nan
        answerable = answerable_share(row, noise)
        for slot in range(loads.size):
            if loads[slot].active == 0:
                continue
            if ground_dt > 0.0:
                relax_slow(states[slot], covariances[slot], relax_dt, noise)
                hold_drag(states[slot], covariances[slot], log_weights[slot], scratch.of_mix.cross)
                if modes > 1:
                    mix(
                        states[slot],
                        covariances[slot],
                        log_weights[slot],
                        grounds,
                        ground_dt,
                        regeneration_dt,
                        scratch.of_mix,
                    )
                    flag_evidence(log_weights[slot], grounds, row.regeneration_flag)
            if row.known > 0.5:
                loads[slot].since_s += row.dt_s
                loads[slot].driven_s += row.dt_s
                loads[slot].answerable_s += answerable * row.dt_s
            of_load, new_m, new_sds = _advance_load(
                states[slot],
                covariances[slot],
                log_weights[slot],
                row,
                memory.datum == 1,
                grounds,
                noise,
                evidence.firm_grounds,
                scratch.log_likelihood,
                scratch.sensitivity,
                scratch.of_mix.cross,
            )
            if of_load > peak:
                peak, innovation, normalised = of_load, new_m, new_sds
        if peak > NO_WEIGHT:
            _weigh_evidence(memory, hypotheses, scratch.before, grounds, evidence, row.dt_s)
        elif ground_dt > 0.0:
            normalise(hypotheses)
        if not math.isnan(row.measured_m):
            memory.datum = 1
        if memory.since_tidy_s > TIDY_EVERY_S:
            memory.since_tidy_s = 0.0
            note_blocks(hypotheses)
            tidy(hypotheses, prior.most_mass_kg)
        if with_outputs:
            out, names = outputs[index + 1], surface_probability[index + 1]
            summarise(
                hypotheses,
                grounds,
                prior,
                outputs[index],
                out,
                names,
                scratch.of_summary,
            )
            out.surface = ground_named(int(outputs[index].surface), names)
            out.innovation_m_s = innovation_as_speed(innovation, row)
            out.normalised_innovation = normalised
            out.log_likelihood = memory.log_likelihood
            out.last_stop_s = memory.last_stop_s
            out.mass_before_stop_kg = memory.mass_before_stop_kg


@jit
def filter_rows(
    rows: Records,
    memories: Records,
    hypotheses: Hypotheses,
    grounds: Grounds,
    prior: Prior,
    noise: Noise,
    evidence: Evidence,
    outputs: Records,
    surface_probability: FloatArray,
    with_outputs: bool,
) -> None:
    """Run all hypotheses over rows, in place.

    Parameters
    ----------
    rows : record array of ``ROW``, shape (k,)
    memories : record array of ``MEMORY``, shape (1,)
    hypotheses : Hypotheses
    grounds, prior, noise, evidence
        See :mod:`loadlearn.estimation.grounds` and :mod:`loadlearn.estimation.model`.
    outputs : record array of ``OUTPUT``, shape (k + 1,)
        Line 0 holds what was known before; the others receive what is known after each row.
    surface_probability : ndarray, shape (k + 1, grounds)
        Likewise.
    with_outputs : bool
        False to leave those out: for the log-likelihood only.
    """
    modes, slots = grounds.size, hypotheses.loads.size
    scratch = Scratch(
        np.empty(hypotheses.states.shape[2]),
        np.empty(slots),
        np.empty(modes),
        np.empty((6, slots * modes)),
        mix_scratch(modes),
    )
    filter_rows_with(
        rows,
        memories[0],
        hypotheses,
        grounds,
        prior,
        noise,
        evidence,
        outputs,
        surface_probability,
        with_outputs,
        scratch,
    )


@jit
def carry_covariance(
    state: FloatArray,
    covariance: FloatArray,
    rows: Records,
    grounds: Grounds,
    noise: Noise,
) -> None:
    """Carry a hypothesis over rows whose measurements are exactly as predicted, in place.

    What is left in ``covariance`` is what driving these rows would leave unknown.

    Parameters
    ----------
    state, covariance : ndarray, shapes (n,) and (n, n)
    rows : record array of ``ROW``, shape (k,)
    grounds : Grounds
        The first of them is driven on.
    noise : Noise
    """
    n = state.size
    sensitivity, cross, stays = np.empty(n), np.empty(n), np.empty(n)
    for i in range(n):
        stays[i] = state[i]
    for index in range(rows.size):
        row = rows[index]
        kept = math.exp(-row.dt_s / noise.disturbance_time_s)
        predict_row(state, covariance, row, 0, grounds, noise, kept, sensitivity, cross)
        update(
            state,
            covariance,
            row.measured_m,
            measurement_row(row),
            measurement_variance(row, noise),
            0.0,
            cross,
        )
        # The parameters stay where they are: only the covariance is asked for.
        for i in range(n):
            state[i] = stays[i]
