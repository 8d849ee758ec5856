"""The compiled loop, plain numpy and filterpy give the same answer over a whole drive."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from loadlearn.estimation.model import STATE
from loadlearn.simulation.drive import Drive
from loadlearn.study import problem, reference
from loadlearn.study.problem import Problem
from loadlearn.study.reference import Trajectory, differences
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS

Array = NDArray[np.float64]
MASS = STATE.inverse_mass_per_kg


@pytest.fixture(scope="module")
def one(drive: Drive, rig: Rig) -> Problem:
    """One ground, one load: the whole drive."""
    return problem.problem_of(drive.log, rig, HANDBOOK_GROUNDS[:1])


@pytest.fixture(scope="module")
def compiled(one: Problem) -> Trajectory:
    return reference.run_compiled(one)


def test_the_drive_has_all_kinds_of_rows(one: Problem) -> None:
    known = one.rows["known"] > 0.5
    assert 0.5 < known.mean() < 0.98
    assert np.abs(np.diff(known.astype(int))).sum() > 10


def test_filterpy_agrees_to_1e_9_over_the_whole_drive(one: Problem, compiled: Trajectory) -> None:
    filterpy = reference.run_filterpy(one)
    mean, covariance = differences(compiled, filterpy)
    assert mean < 1e-9
    assert covariance < 1e-9
    # Relative to the values themselves as well, for what the user is told.
    phi = np.abs(compiled.states[..., MASS] / filterpy.states[..., MASS] - 1.0)
    assert phi.max() < 1e-12


def test_numpy_agrees_to_1e_9_over_the_whole_drive(one: Problem, compiled: Trajectory) -> None:
    mean, covariance = differences(compiled, reference.run_numpy(one))
    assert mean < 1e-9
    assert covariance < 1e-9


def test_one_call_and_one_call_a_row_are_the_same(one: Problem, compiled: Trajectory) -> None:
    last = reference.run_compiled(one, every_row=False)
    assert (last.states[0] == compiled.states[-1]).all()
    assert (last.covariances[0] == compiled.covariances[-1]).all()


def test_the_ground_alone_and_among_others_are_the_same_filter(
    drive: Drive, rig: Rig, one: Problem, compiled: Trajectory
) -> None:
    """Without changes of ground the sealed mode is the single filter."""
    several = problem.problem_of(drive.log, rig, HANDBOOK_GROUNDS)
    still = several.grounds.copy()
    still["rate_per_s"] = 0.0
    side_by_side = reference.run_compiled(several._replace(grounds=still), every_row=False)
    first = Trajectory(*(field[:, :1] for field in side_by_side))
    last = Trajectory(*(field[-1:] for field in compiled))
    mean, covariance = differences(first, last)
    assert mean < 1e-9
    assert covariance < 1e-9


def test_grounds_on_filterpy_mix_to_the_same_answer(drive: Drive, rig: Rig) -> None:
    """Pooled moments and mixing of every mode with every other: the same but for small terms."""
    several = problem.problem_of(drive.log, rig, HANDBOOK_GROUNDS)
    several = several._replace(rows=several.rows[:1200])
    ours, theirs = reference.run_compiled(several), reference.run_filterpy(several)
    assert np.abs(ours.weights - theirs.weights).max() < 5e-3
    mean = [np.sum(each.weights * each.states[..., MASS], axis=1) for each in (ours, theirs)]
    assert np.abs(mean[0] / mean[1] - 1.0).max() < 1e-3
    assert theirs.weights.sum(axis=1) == pytest.approx(1.0)
