"""The same filter three times over: on filterpy, in plain numpy, and the compiled loop itself.

The compiled filter is fast because it exploits what the model is like: one dense row of the
transition, a scalar measurement, a diagonal process noise. The filters here exploit nothing. They
form the transition matrix, the process noise and the measurement matrix in full and let the
textbook equations do the rest, so that agreement over a whole drive shows the compiled loop right.
The physics is not written again: all call the functions of :mod:`loadlearn.estimation.model`.

One ground, one load and no regeneration make one hypothesis; its order of operations over a row is

1. if the ground's turn has come (``mix_every_s`` of driving with known force): head wind, accessory
   power and cold tyres relax over the whole time since they last did;
2. if the force is known: Jacobian at the state before the row, energy height predicted by the
   model, covariance carried by the Jacobian, then process noise on energy height and rolling
   resistance; else: process noise on the energy height only;
3. the disturbance relaxes over the row;
4. if the row has a measurement: the first one sets the datum, later ones update.

On several grounds, filterpy's interacting multiple models run one such filter for each, with the
rolling resistance re-drawn on a change. A speed read in whole units (an interval, not a point) is
not served: filterpy has no counterpart.
"""

from __future__ import annotations

import math
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import Record
from loadlearn.estimation.filter import MEMORY, filter_rows
from loadlearn.estimation.grounds import Grounds, temper_grounds
from loadlearn.estimation.loads import no_hypotheses
from loadlearn.estimation.mixture import OUTPUT
from loadlearn.estimation.model import (
    MEASURED,
    N_STATES,
    ROW,
    SLOW,
    STATE,
    Evidence,
    Noise,
    measurement_row,
    measurement_variance,
    process_variance,
    relaxation,
    transition,
    unevenness,
)
from loadlearn.study.problem import Problem, turns

FloatArray = NDArray[np.float64]
EVIDENCE = Evidence()


class Trajectory(NamedTuple):
    """The posterior after every row.

    Attributes
    ----------
    states : ndarray, shape (rows, modes, n)
    covariances : ndarray, shape (rows, modes, n, n)
    weights : ndarray, shape (rows, modes)
        Probability of each mode.
    """

    states: FloatArray
    covariances: FloatArray
    weights: FloatArray


def run_compiled(problem: Problem, every_row: bool = True) -> Trajectory:
    """The compiled loop over the same rows.

    Parameters
    ----------
    problem : Problem
    every_row : bool
        False for the posterior after the last row only, in one call.
    """
    hypotheses, memory = no_hypotheses(problem.grounds.size), np.zeros(1, MEMORY)
    samples = len(problem.rows)
    block = 1 if every_row else samples
    states, covariances, weights = [], [], []
    for begin in range(0, samples, block):
        filter_rows(
            problem.rows[begin : begin + block],
            memory,
            hypotheses,
            problem.grounds,
            problem.prior,
            problem.noise,
            EVIDENCE,
            np.empty(0, OUTPUT),
            np.empty((0, 1)),
            False,
        )
        states.append(hypotheses.states[0].copy())
        covariances.append(hypotheses.covariances[0].copy())
        weights.append(hypotheses.weights[0].copy())
    return Trajectory(np.array(states), np.array(covariances), np.array(weights))


# --- the parts of a step in full, for the textbook equations ----------------------------------
def jacobian(state: FloatArray, row: Record) -> tuple[FloatArray, FloatArray]:
    """The model's prediction and its transition matrix at a state.

    Parameters
    ----------
    state : ndarray, shape (n,)
    row : record of ``ROW``
        With a known force.

    Returns
    -------
    predicted : ndarray, shape (n,)
        The state at the row's end.
    transition_matrix : ndarray, shape (n, n)
    """
    sensitivity = np.empty(N_STATES)
    energy = transition(np.ascontiguousarray(state), row, sensitivity)
    transition_matrix = np.eye(N_STATES)
    transition_matrix[STATE.energy_height_m] = sensitivity
    predicted = state.copy()
    predicted[STATE.energy_height_m] = energy
    return predicted, transition_matrix


def process_noise(phi: float, row: Record, noise: Noise, walk_variance: float) -> FloatArray:
    """Process noise covariance of a row, before the disturbance relaxes.

    Parameters
    ----------
    phi : float
        Inverse mass at the row's start (1/kg).
    row : record of ``ROW``
    noise : Noise
    walk_variance : float
        Of the rolling resistance, per second.

    Returns
    -------
    ndarray, shape (n, n)
    """
    covariance = np.zeros((N_STATES, N_STATES))
    energy, roll = STATE.energy_height_m, STATE.rolling_resistance
    covariance[energy, energy] = process_variance(phi, row, noise)
    if row["known"] > 0.5:
        covariance[roll, roll] = walk_variance * row["dt_s"]
    return covariance


Levels = list[tuple[int, float, float]]
"""Of states that relax: index, factor on the state, variance that it gains."""


def relaxed(levels: Levels) -> tuple[FloatArray, FloatArray]:
    """Transition and process noise of states that relax, matrices of shape (n, n)."""
    transition_matrix, covariance = np.eye(N_STATES), np.zeros((N_STATES, N_STATES))
    for index, factor, gained in levels:
        transition_matrix[index, index], covariance[index, index] = factor, gained
    return transition_matrix, covariance


def ground_levels(
    state: FloatArray, row: Record, mode: int, grounds: Grounds, noise: Noise
) -> tuple[Levels, float]:
    """What the ground adds over a row: the disturbance, and the walk of the resistance.

    Parameters
    ----------
    state : ndarray, shape (n,)
        Before the row.
    row : record of ``ROW``
    mode : int
    grounds : Grounds
    noise : Noise

    Returns
    -------
    disturbance : levels
        As :func:`relaxed` takes them.
    walk_variance : float
        Per second.
    """
    kind = grounds[mode]
    variance, walk = unevenness(
        float(state[STATE.rolling_resistance]),
        float(kind["mean"]),
        float(kind["texture"]),
        float(grounds[0]["mean"]),
        noise,
    )
    factor = math.exp(-row["dt_s"] / noise.disturbance_time_s)
    return [(STATE.disturbance, factor, variance * (1.0 - factor * factor))], walk


def slow_levels(elapsed_s: float, noise: Noise) -> Levels:
    """Head wind, accessory power and cold tyres over a time, as :func:`relaxed` takes them."""
    return [(index, *relaxation(index, elapsed_s, noise)) for index in SLOW]


def measurement_matrix(row: Record) -> FloatArray:
    """What is measured of the states, as a matrix of shape (1, n)."""
    matrix = np.zeros((1, N_STATES))
    matrix[0, list(MEASURED)] = measurement_row(row)
    return matrix


def with_datum(
    state: FloatArray, covariance: FloatArray, measured: float, matrix: FloatArray, variance: float
) -> tuple[FloatArray, FloatArray]:
    """The first measurement, before which nothing is known of the energy height.

    Parameters
    ----------
    state, covariance : ndarray, shapes (n,) and (n, n)
    measured : float
    matrix : ndarray, shape (n,)
        From :func:`measurement_matrix`.
    variance : float
        Of the measurement.
    """
    # The energy height is what is measured less the rest of the measurement's row.
    transform = np.eye(N_STATES)
    energy = STATE.energy_height_m
    transform[energy] = -matrix
    transform[energy, energy] = 0.0
    state, covariance = transform @ state, transform @ covariance @ transform.T
    state[energy] += measured
    covariance[energy, energy] += variance
    return state, covariance


# --- plain numpy ------------------------------------------------------------------------------
def run_numpy(problem: Problem) -> Trajectory:
    """One hypothesis in plain numpy: full matrices, textbook equations.

    Parameters
    ----------
    problem : Problem
        With one mode.
    """
    state, covariance = problem.states[0].copy(), problem.covariances[0].copy()
    noise, datum = problem.noise, False
    states, covariances = [], []
    for row, elapsed_s in zip(problem.rows, turns(problem.rows, noise)[1], strict=True):
        if elapsed_s > 0.0:
            factor, gained = relaxed(slow_levels(elapsed_s, noise))
            state = factor @ state
            covariance = factor @ covariance @ factor.T + gained
        disturbance, walk_variance = ground_levels(state, row, 0, problem.grounds, noise)
        added = process_noise(float(state[STATE.inverse_mass_per_kg]), row, noise, walk_variance)
        if row["known"] > 0.5:
            state, transition = jacobian(state, row)
            covariance = transition @ covariance @ transition.T
        covariance = covariance + added
        factor, gained = relaxed(disturbance)
        state = factor @ state
        covariance = factor @ covariance @ factor.T + gained
        if not math.isnan(row["measured_m"]):
            matrix = measurement_matrix(row)[0]
            variance = measurement_variance(row, noise)
            innovation = row["measured_m"] - matrix @ state
            if not datum:
                datum = True
                state, covariance = with_datum(
                    state, covariance, row["measured_m"], matrix, variance
                )
            else:
                # Joseph's form, which loses no digits after a stretch of unknown force.
                cross = covariance @ matrix
                gain = cross / (matrix @ cross + variance)
                state = state + gain * innovation
                left = np.eye(N_STATES) - np.outer(gain, matrix)
                covariance = left @ covariance @ left.T + variance * np.outer(gain, gain)
        states.append(state.copy())
        covariances.append(covariance.copy())
    weights = np.ones((len(states), 1))
    return Trajectory(np.array(states)[:, None], np.array(covariances)[:, None], weights)


# --- filterpy ---------------------------------------------------------------------------------
@cache
def filterpy_classes() -> tuple[Any, Any]:
    """Subclasses of filterpy's filters, made when first needed: filterpy is slow to import."""
    from filterpy.kalman import ExtendedKalmanFilter, IMMEstimator

    class RowFilter(ExtendedKalmanFilter):
        """One hypothesis; ``row`` is set before predicting, since filterpy passes ``z`` only."""

        def __init__(self, problem: Problem, mode: int) -> None:
            super().__init__(dim_x=N_STATES, dim_z=1)
            self.x = problem.states[mode].reshape(-1, 1).copy()
            self.P = problem.covariances[mode].copy()
            self.noise = problem.noise
            self.mode, self.grounds = mode, problem.grounds
            self.row: Record = np.zeros(1, ROW)[0]
            self.datum = False
            self.carried: FloatArray | None = None

        def predict_x(self, u: float = 0.0) -> None:
            """Called by filterpy before it carries the covariance: the model's own prediction."""
            self.x = self.F @ self.x if self.carried is None else self.carried

        def relax(self, levels: Levels) -> None:
            """Let states relax."""
            self.F, self.Q = relaxed(levels)
            self.carried = None
            super().predict()

        def predict(self, u: float = 0.0) -> None:
            """The Jacobian is taken at the state before the row, then the state is carried."""
            disturbance, walk_variance = ground_levels(
                self.x[:, 0], self.row, self.mode, self.grounds, self.noise
            )
            phi = float(self.x[STATE.inverse_mass_per_kg, 0])
            self.Q = process_noise(phi, self.row, self.noise, walk_variance)
            self.F, self.carried = np.eye(N_STATES), None
            if self.row["known"] > 0.5:
                carried, self.F = jacobian(self.x[:, 0], self.row)
                self.carried = carried.reshape(-1, 1)
            super().predict()
            self.relax(disturbance)

        def update(self, z: float) -> None:
            """Update with ``z``; the first one sets the datum."""
            matrix = measurement_matrix(self.row)
            variance = measurement_variance(self.row, self.noise)
            if not self.datum:
                self.datum = True
                state, self.P = with_datum(self.x[:, 0], self.P, z, matrix[0], variance)
                self.x = state.reshape(-1, 1)
                return
            super().update(
                np.array([[z]]),
                HJacobian=lambda _: matrix,
                Hx=lambda state: matrix @ state,
                R=np.array([[variance]]),
            )

    class RowIMM(IMMEstimator):
        """Interacting filters; mixing, when due, re-draws the rolling resistance."""

        def __init__(self, problem: Problem) -> None:
            self.grounds = problem.grounds
            modes = problem.grounds.size
            members = [RowFilter(problem, mode) for mode in range(modes)]
            super().__init__(members, problem.grounds["initial"].copy(), np.eye(modes))
            self.mu: FloatArray = problem.grounds["initial"].copy()

        def predict(self, u: float | None = None) -> None:
            """Carry every member; filterpy's own would mix at every step, :meth:`mix` does."""
            for member in self.filters:
                member.predict()

        def mix(self, driven_s: float) -> None:
            """What may have changed in ``driven_s`` of driving: every mode from every other."""
            arriving = self.mu[:, None] * switching_matrix(self.grounds, driven_s)
            self.mu = arriving.sum(axis=0)
            mixed = []
            for mode in range(len(self.filters)):
                parts = [
                    (member.x[:, 0], member.P)
                    if other == mode
                    else redrawn(member.x[:, 0], member.P, self.grounds, other, mode)
                    for other, member in enumerate(self.filters)
                ]
                mixed.append(moment_matched(arriving[:, mode] / self.mu[mode], parts))
            for member, (mean, covariance) in zip(self.filters, mixed, strict=True):
                member.x, member.P = mean.reshape(-1, 1), covariance

        def update(self, z: float) -> None:
            """Update every member; weigh the modes where the force was known."""
            weigh = self.filters[0].datum and self.filters[0].row["known"] > 0.5
            for member in self.filters:
                member.update(z)
            if weigh:
                log_likelihood = np.array([member.log_likelihood for member in self.filters])
                temper_grounds(np.log(self.mu), log_likelihood, self.grounds, EVIDENCE.firm_grounds)
                weight = self.mu * np.exp(log_likelihood - log_likelihood.max())
                self.mu = weight / weight.sum()

    return RowFilter, RowIMM


def run_filterpy(problem: Problem) -> Trajectory:
    """filterpy's extended Kalman filter on one ground, its interacting multiple models on several.

    Parameters
    ----------
    problem : Problem
    """
    row_filter, row_imm = filterpy_classes()
    switching = problem.grounds.size > 1
    together = row_imm(problem) if switching else row_filter(problem, 0)
    members = together.filters if switching else [together]
    states, covariances, weights = [], [], []
    for row, driven_s, elapsed_s in zip(
        problem.rows, *turns(problem.rows, problem.noise), strict=True
    ):
        for member in members:
            member.row = row
            if elapsed_s > 0.0:
                member.relax(slow_levels(elapsed_s, problem.noise))
        if switching and driven_s > 0.0:
            together.mix(driven_s)
        together.predict()
        if not math.isnan(row["measured_m"]):
            together.update(row["measured_m"])
        states.append(np.stack([member.x[:, 0] for member in members]))
        covariances.append(np.stack([member.P for member in members]))
        weights.append(together.mu.copy() if switching else np.ones(1))
    return Trajectory(np.array(states), np.array(covariances), np.array(weights))


def differences(ours: Trajectory, theirs: Trajectory) -> tuple[float, float]:
    """Largest differences of means and covariances over a trajectory, in the other's sds.

    States of no variance (which nothing can move) are left out.
    """
    sd = np.sqrt(np.einsum("kmii->kmi", theirs.covariances))
    moves = sd.max(axis=(0, 1)) > 0.0
    sd = sd[..., moves]
    mean = np.abs(ours.states - theirs.states)[..., moves] / sd
    covariance = np.abs(ours.covariances - theirs.covariances)[..., moves, :][..., moves]
    return float(mean.max()), float((covariance / (sd[..., :, None] * sd[..., None, :])).max())


# --- switching, mode from mode ----------------------------------------------------------------
def switching_matrix(grounds: Grounds, driven_s: float) -> FloatArray:
    """Probability of a change from each mode to each other in ``driven_s`` of driving.

    Parameters
    ----------
    grounds : Grounds
        Without modes in regeneration.
    driven_s : float

    Returns
    -------
    ndarray, shape (modes, modes)
        Rows sum to one.
    """
    modes = grounds.size
    arrive = np.tile(grounds["rate_per_s"] * driven_s, (modes, 1))
    np.fill_diagonal(arrive, 0.0)
    return np.asarray(arrive + np.diag(1.0 - arrive.sum(axis=1)))


def redrawn(
    state: FloatArray, covariance: FloatArray, grounds: Grounds, origin: int, mode: int
) -> tuple[FloatArray, FloatArray]:
    """A Gaussian with the rolling resistance drawn from the prior of another ground.

    The slip of the driven wheels carries over in proportion to how the grounds give way.

    Parameters
    ----------
    state, covariance : ndarray, shapes (n,) and (n, n)
    grounds : Grounds
    origin, mode : int
        The ground left and the ground arrived on.
    """
    state, covariance = state.copy(), covariance.copy()
    roll, slip = STATE.rolling_resistance, grounds["slip"]
    state[roll] = grounds["mean"][mode]
    covariance[roll, :] = 0.0
    covariance[:, roll] = 0.0
    covariance[roll, roll] = grounds["sd"][mode] ** 2
    factor = np.ones(state.size)
    factor[STATE.slip_per_n] = slip[mode] / slip[origin]
    return state * factor, covariance * np.outer(factor, factor)


def moment_matched(
    shares: FloatArray, parts: list[tuple[FloatArray, FloatArray]]
) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of a mixture of Gaussians.

    Parameters
    ----------
    shares : ndarray, shape (parts,)
        Sum to one.
    parts : list of (mean, covariance)

    Returns
    -------
    mean, covariance : ndarray, shapes (n,) and (n, n)
    """
    means = np.stack([mean for mean, _ in parts])
    mean = shares @ means
    covariance = np.einsum("p,pij->ij", shares, np.stack([each for _, each in parts]))
    away = means - mean
    return mean, np.asarray(covariance + np.einsum("p,pi,pj->ij", shares, away, away))
