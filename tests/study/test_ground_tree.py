"""The tree of sequences of grounds against all sequences, each on a filter of filterpy's."""

from __future__ import annotations

import copy
import math
import sys
from pathlib import Path

import numpy as np
from numpy.testing import assert_allclose

from loadlearn.estimation.grounds import ground_modes
from loadlearn.estimation.model import STATE, log_implied
from loadlearn.simulation.drive import Drive
from loadlearn.study import problem, reference
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS

EXPERIMENTS = Path(__file__).resolve().parents[2] / "experiments"
if str(EXPERIMENTS) not in sys.path:
    sys.path.insert(0, str(EXPERIMENTS))

import ground_tree  # noqa: E402

KINDS = HANDBOOK_GROUNDS[:3]
TURNS = 4


def test_is_the_mixture_of_all_sequences(drive: Drive, rig: Rig) -> None:
    whole = problem.problem_of(drive.log, rig, KINDS)
    grounds = ground_modes(KINDS)
    # Changes often enough for every sequence to have some weight.
    grounds["rate_per_s"] = 0.04
    noise = whole.noise._replace(mix_every_s=3.0)
    begin = int(np.flatnonzero(whole.rows["known"] > 0.5)[0])
    driven_s, elapsed_s = problem.turns(whole.rows[begin:], noise)
    stop = int(np.flatnonzero(driven_s)[TURNS - 1]) + 20
    rows = whole.rows[begin : begin + stop].copy()
    rows["half_width_m_s"] = 0.0
    states, covariances = problem.prior_moments(grounds, whole.prior, noise)
    start = problem.Problem(rows, states, covariances, grounds, whole.prior, noise)
    one_ground, _ = reference.filterpy_classes()
    sequences = [(math.log(grounds["initial"][m]), one_ground(start, m)) for m in range(len(KINDS))]
    for row, driven, elapsed in zip(rows, driven_s, elapsed_s, strict=False):
        if driven > 0.0:
            for _, member in sequences:
                member.relax(reference.slow_levels(elapsed, noise))
            chance = reference.switching_matrix(grounds, driven)
            branches = []
            for log_weight, member in sequences:
                for mode in range(len(KINDS)):
                    branch = copy.deepcopy(member)
                    if mode != member.mode:
                        state, branch.P = reference.redrawn(
                            member.x[:, 0], member.P, grounds, member.mode, mode
                        )
                        branch.x, branch.mode = state.reshape(-1, 1), mode
                    branches.append((log_weight + math.log(chance[member.mode, mode]), branch))
            sequences = branches
        weighed = []
        for log_weight, member in sequences:
            member.row = row
            member.predict()
            weigh = member.datum and row["known"] > 0.5
            if not math.isnan(row["measured_m"]):
                member.update(row["measured_m"])
                log_weight += member.log_likelihood if weigh else 0.0
            weighed.append((log_weight, member))
        sequences = weighed
    assert len(sequences) == len(KINDS) ** (TURNS + 1)
    log_weights = np.array([log_weight for log_weight, _ in sequences])
    shares = np.exp(log_weights - log_weights.max())
    shares /= shares.sum()
    mode = np.array([member.mode for _, member in sequences])
    mean, covariance = reference.moment_matched(
        shares, [(member.x[:, 0], member.P) for _, member in sequences]
    )
    phi, roll, cold = (
        STATE.inverse_mass_per_kg,
        STATE.rolling_resistance,
        STATE.cold_tyre_excess,
    )
    logs = [log_implied(member.x[phi, 0], member.P[phi, phi]) for _, member in sequences]
    mass = np.array([math.exp(log) * (1.0 + 0.5 * spread) for log, spread in logs])
    tree = ground_tree.run_tree(rows, grounds, whole.prior, noise, len(sequences))
    assert tree.pruned < 1e-12
    chance = np.array([shares[mode == m].sum() for m in range(len(KINDS))])
    # All kinds of ground are still in doubt: every branching counts.
    assert chance.min() > 1e-3
    assert_allclose(tree.probability[-1], chance, rtol=1e-7)
    assert_allclose(tree.mass_kg[-1], shares @ mass, rtol=1e-9)
    assert_allclose(tree.rolling_resistance[-1], mean[roll] + mean[cold], rtol=1e-9)
    spread = covariance[np.ix_([roll, cold], [roll, cold])].sum()
    assert_allclose(tree.rolling_resistance_sd[-1], math.sqrt(spread), rtol=1e-7)
