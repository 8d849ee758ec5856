"""On a drive that is linear the filter is a least-squares solution: three independent ones.

With head wind and accessory power known to be nothing, nothing in the model is a product of two
unknowns: the energy height is a linear function of the parameters. Then all measurements together
are one weighted least-squares problem, with the noise of energy height and disturbance in its
covariance matrix. Solved densely with scipy, by statsmodels' state-space Kalman filter, and without
disturbances by statsmodels' generalised least squares.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from statsmodels.regression.linear_model import GLS
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

from loadlearn.estimation.model import (
    STATE,
    Noise,
    measurement_variance,
    process_variance,
)
from loadlearn.simulation.drive import Drive
from loadlearn.study import problem, reference
from loadlearn.study.problem import Problem
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS

Array = NDArray[np.float64]
ROWS = 500
ENERGY, PHI = STATE.energy_height_m, STATE.inverse_mass_per_kg
ROLL, KAPPA = STATE.rolling_resistance, STATE.drag_per_mass_m2_kg
LINEAR = (PHI, ROLL, KAPPA)


@pytest.fixture(scope="module")
def linear(drive: Drive, rig: Rig) -> Problem:
    """A stretch of known force with all that makes products taken out."""
    quiet = Noise(
        disturbance_sd=0.003,
        wind_sd_m_s=0.0,
        accessory_sd_w=0.0,
        roll_walk_per_s05=0.0,
        mix_every_s=1e9,
    )
    made = problem.problem_of(drive.log, rig, HANDBOOK_GROUNDS[:1], quiet)
    known = made.rows["known"] > 0.5
    # The longest runs of known force, one after the other.
    table = made.rows[known][:ROWS].copy()
    for name in (
        "force_variance_kg2_m2",
        "force_share_kg2_m2",
        "slip_m_n",
        "slipping_force_n",
        "lag_kg_m_s",
    ):
        table[name] = 0.0
    states, covariances = made.states.copy(), made.covariances.copy()
    for index in (
        STATE.headwind_m_s,
        STATE.accessory_power_w,
        STATE.load_tilt,
        STATE.slip_per_n,
        STATE.force_lag_s,
    ):
        states[:, index] = 0.0
        covariances[:, index, :] = 0.0
        covariances[:, :, index] = 0.0
    calm = made.grounds.copy()
    calm["texture"] = 0.0
    prior = made.prior._replace(tilt_sd=0.0, slip_per_n=0.0, slip_sd_per_n=0.0, lag_s=0.0)
    # A drive that the model could have made: the measurement follows the rows.
    energy, rng = 0.0, np.random.default_rng(2)
    truth = states[0].copy()
    truth[[PHI, ROLL, KAPPA]] *= 1.1, 1.2, 0.9
    for row in table:
        truth[ENERGY] = energy
        carried, _ = reference.jacobian(truth, row)
        energy = carried[ENERGY] + np.sqrt(process_variance(truth[PHI], row, quiet)) * float(
            rng.standard_normal()
        )
        truth[STATE.disturbance] = 0.99 * truth[STATE.disturbance] + 4e-4 * rng.standard_normal()
        measured = energy + reference.measurement_matrix(row)[0] @ _without_energy(truth)
        row["measured_m"] = (
            measured + np.sqrt(measurement_variance(row, quiet)) * rng.standard_normal()
        )
    return made._replace(
        rows=table,
        states=states,
        covariances=covariances,
        grounds=calm,
        prior=prior,
        noise=quiet,
    )


def _without_energy(state: Array) -> Array:
    state = state.copy()
    state[ENERGY] = 0.0
    return state


def transitions(linear: Problem) -> tuple[Array, Array, Array, Array]:
    """Transition, process noise, measurement rows and variances of every row."""
    n, count, noise = linear.states.shape[1], len(linear.rows), linear.noise
    transition, added = np.empty((count, n, n)), np.empty((count, n, n))
    matrix, variance = np.empty((count, n)), np.empty(count)
    for index, row in enumerate(linear.rows):
        # Linear: any state gives the same Jacobian.
        _, carried = reference.jacobian(linear.states[0], row)
        # On ground without texture or walk, at any state.
        disturbance, walk = reference.ground_levels(linear.states[0], row, 0, linear.grounds, noise)
        relaxed, gained = reference.relaxed(disturbance)
        noise_here = reference.process_noise(linear.states[0, PHI], row, noise, walk)
        transition[index] = relaxed @ carried
        added[index] = relaxed @ noise_here @ relaxed.T + gained
        matrix[index] = reference.measurement_matrix(row)[0]
        variance[index] = measurement_variance(row, noise)
    return transition, added, matrix, variance


def test_nothing_in_it_is_a_product(linear: Problem) -> None:
    other = linear.states[0].copy()
    other[list(LINEAR)] *= 1.5
    for row in linear.rows[::50]:
        ours = reference.jacobian(linear.states[0], row)[1]
        theirs = reference.jacobian(other, row)[1]
        assert_allclose(ours[ENERGY, list(LINEAR)], theirs[ENERGY, list(LINEAR)])


def start_of(linear: Problem) -> tuple[Array, Array]:
    """Posterior after the first measurement, which sets the datum."""
    first = reference.run_numpy(linear._replace(rows=linear.rows[:1]))
    return first.states[0, 0], first.covariances[0, 0]


def test_equals_dense_batch_least_squares(linear: Problem) -> None:
    """All measurements at once: the joint Gaussian conditioned on them."""
    state, covariance = start_of(linear)
    transition, added, matrix, variance = transitions(linear)
    count = len(linear.rows) - 1
    # Covariance of all measurements among each other and with the last state.
    n = state.size
    means, cross = np.empty(count), np.empty((count, n))
    joint = np.zeros((count, count))
    spread, carried = covariance, np.empty((0, n))
    for index in range(1, count + 1):
        step = transition[index]
        state, spread = step @ state, step @ spread @ step.T + added[index]
        # Covariance of the earlier measurements with the state carried on.
        carried = carried @ step.T
        row = matrix[index]
        means[index - 1] = row @ state
        joint[index - 1, : index - 1] = joint[: index - 1, index - 1] = carried @ row
        joint[index - 1, index - 1] = row @ spread @ row + variance[index]
        carried = np.vstack([carried, spread @ row])
    cross = carried
    factor = cho_factor(joint)
    expected = state + cross.T @ cho_solve(factor, linear.rows["measured_m"][1:] - means)
    left = spread - cross.T @ cho_solve(factor, cross)
    ours = reference.run_compiled(linear, every_row=False)
    sd = np.sqrt(np.diag(left))
    for index in (ENERGY, *LINEAR, STATE.disturbance):
        assert abs(ours.states[0, 0, index] - expected[index]) < 1e-6 * sd[index]
        for other in LINEAR:
            difference = abs(ours.covariances[0, 0, index, other] - left[index, other])
            assert difference < 1e-6 * sd[index] * sd[other]
    # It is a real problem: the drive has taught something.
    assert left[PHI, PHI] < 0.05 * linear.covariances[0, PHI, PHI]


def test_equals_statsmodels_state_space_filter(linear: Problem) -> None:
    state, covariance = start_of(linear)
    transition, added, matrix, variance = transitions(linear)
    # Without what never moves (statsmodels wants a regular covariance), in units of the prior's sd.
    moves = np.flatnonzero(np.diag(covariance) > 0.0)
    unit = np.sqrt(np.diag(covariance))[moves]
    fixed = np.setdiff1d(np.arange(state.size), moves)
    assert_allclose(state[fixed], 0.0)
    pick = np.ix_(moves, moves)
    count = len(linear.rows) - 1
    model = KalmanFilter(k_endog=1, k_states=moves.size)
    model.bind((linear.rows["measured_m"][1:])[None, :].copy())
    model["design"] = (matrix[1:, moves] * unit).T[None, :, :].copy()
    model["obs_cov"] = variance[1:][None, None, :].copy()
    # Their transition carries to the next sample; the first prediction is the initial state.
    step = np.stack([transition[i][pick] / unit[:, None] * unit for i in range(1, count + 1)], -1)
    noise = np.stack([added[i][pick] / np.outer(unit, unit) for i in range(1, count + 1)], -1)
    model["transition"] = np.concatenate([step[:, :, 1:], np.eye(moves.size)[:, :, None]], axis=2)
    model["selection"] = np.eye(moves.size)
    model["state_cov"] = np.concatenate([noise[:, :, 1:], np.zeros_like(noise[:, :, :1])], axis=2)
    begin = covariance[pick] / np.outer(unit, unit)
    first = step[:, :, 0]
    model.initialize_known(first @ (state[moves] / unit), first @ begin @ first.T + noise[:, :, 0])
    result = model.filter()
    ours = reference.run_compiled(linear, every_row=False)
    theirs = result.filtered_state[:, -1] * unit
    spread = result.filtered_state_cov[:, :, -1] * np.outer(unit, unit)
    sd = np.sqrt(np.diag(spread))
    assert np.max(np.abs(ours.states[0, 0, moves] - theirs) / sd) < 1e-6
    difference = np.abs(ours.covariances[0, 0][pick] - spread) / np.outer(sd, sd)
    assert difference.max() < 1e-6


@pytest.mark.parametrize("height_walk_m_s05", [0.0, 0.2])
def test_equals_generalised_least_squares_without_disturbances(
    linear: Problem, height_walk_m_s05: float
) -> None:
    """White measurement noise, a height that drifts or not, and a flat prior."""
    calm = linear.noise._replace(disturbance_sd=0.0, white=0.0, height_walk_m_s05=height_walk_m_s05)
    n = linear.states.shape[1]
    flat = np.zeros((1, n, n))
    states = np.zeros((1, n))
    for index, sd in zip(LINEAR, (1e-3, 1.0, 1e-2), strict=True):
        flat[0, index, index] = sd**2
    table = linear.rows.copy()
    still = linear._replace(noise=calm, states=states, covariances=flat, rows=table)
    # Known rows as a regression: the height gained since the datum on the sums of the inputs.
    sums = np.zeros((len(table), n))
    for index, row in enumerate(table[1:], start=1):
        sums[index] = sums[index - 1] + reference.jacobian(states[0], row)[1][ENERGY]
        sums[index, ENERGY] = 0.0
    sums[:, PHI] += np.array([reference.measurement_matrix(row)[0, PHI] for row in table])
    # A random walk: what two heights have in common is what had gathered by the earlier one.
    time_s = np.concatenate([[0.0], np.cumsum(table["dt_s"][1:])])
    noise = height_walk_m_s05**2 * np.minimum.outer(time_s, time_s)
    noise += np.diag([measurement_variance(row, calm) for row in table])
    design = sums[:, list(LINEAR)]
    level = np.ones((len(table), 1))
    scale = np.abs(design).max(axis=0)
    theirs = GLS(table["measured_m"], np.hstack([design / scale, level]), sigma=noise).fit()
    ours = reference.run_numpy(still)
    estimate = ours.states[-1, 0, list(LINEAR)]
    expected = np.asarray(theirs.params)[:3] / scale
    sd = np.sqrt(np.diag(ours.covariances[-1, 0])[list(LINEAR)])
    expected_sd = np.sqrt(np.diag(theirs.cov_params(scale=1.0)))[:3] / scale
    assert_allclose(sd, expected_sd, rtol=1e-3)
    # What is left: 1e-10 m^2 of process noise a row, and the prior.
    assert np.max(np.abs(estimate - expected) / sd) < 5e-3
