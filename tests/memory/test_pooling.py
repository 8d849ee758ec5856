"""Joining drives: against other people's meta-analysis, dense conditioning, and refitting."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.meta_analysis import combine_effects

from loadlearn.estimation.calibration import Belief
from loadlearn.memory.pooling import (
    Pool,
    change_of,
    deletion_residuals,
    join,
    left_out,
    of_each_drive,
)


def random_pool(seed: int, k: int = 9) -> Pool:
    """Three unknowns, errors in common, claims of one or two observations."""
    rng = np.random.default_rng(seed)
    design = np.column_stack([rng.choice([1.0, -1.0], k), rng.integers(0, 2, (k, 2))])
    common = rng.normal(0.0, 0.01, (k, 2))
    return Pool(
        y=rng.normal(0.0, 0.05, k),
        design=design,
        own_variance=rng.uniform(0.005, 0.02, k) ** 2,
        shared=common @ common.T,
        drive=np.arange(k) // 2,
        claim=np.arange(k) // 2,
        group=np.zeros(k, dtype=np.int64),
        prior=(Belief(0.0, 0.03), Belief(0.1, 0.5), Belief(-0.1, 0.5)),
        usual_sd=0.015,
    )


def total(pool: Pool, variance: float) -> np.ndarray:
    """Covariance of all errors, written out."""
    k = pool.y.size
    made = np.diag(pool.own_variance) + pool.shared
    for i in range(k):
        for j in range(k):
            if pool.drive[i] == pool.drive[j]:
                made[i, j] += variance * pool.design[i, 0] * pool.design[j, 0]
    return made


@pytest.mark.parametrize("seed", range(5))
def test_random_effects_are_those_of_statsmodels(seed: int) -> None:
    # statsmodels.stats.meta_analysis.combine_effects: DerSimonian and Laird's moment estimate.
    rng = np.random.default_rng(seed)
    y, sd = rng.normal(0.03, 0.03, 8), rng.uniform(0.004, 0.02, 8)
    pool = replace(of_each_drive(y, sd, 0.01), usual_drives=0.0, prior=(Belief(0.0, 1e4),))
    found, theirs = join(pool), combine_effects(y, sd**2, method_re="dl")
    assert found.between_sd**2 == pytest.approx(max(theirs.tau2, 0.0), abs=1e-12)
    assert found.mean[0] == pytest.approx(theirs.mean_effect_re, rel=1e-6)
    assert math.sqrt(found.covariance[0, 0]) == pytest.approx(theirs.sd_eff_w_re, rel=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_joined_is_the_dense_normal_conditioned_on_what_is_observed(seed: int) -> None:
    # Oracle: unknowns and observations as one normal vector, conditioned (Schur complement).
    pool, variance = random_pool(seed), 0.012**2
    prior = np.diag([one.sd**2 for one in pool.prior])
    mean = np.array([one.mean for one in pool.prior])
    cross = prior @ pool.design.T
    of_y = pool.design @ cross + total(pool, variance)
    gain = cross @ np.linalg.inv(of_y)
    found = join(pool, variance)
    assert found.mean == pytest.approx(mean + gain @ (pool.y - pool.design @ mean), abs=1e-10)
    assert found.covariance == pytest.approx(prior - gain @ cross.T, abs=1e-12)


@pytest.mark.parametrize("seed", range(3))
def test_deletion_residual_is_what_a_fit_without_the_claim_mispredicts(seed: int) -> None:
    pool, variance = random_pool(seed, 8), 0.012**2
    # One observation a claim; errors in common then speak between claims too, so leave them out.
    pool = replace(pool, claim=np.arange(8), drive=np.arange(8), shared=np.zeros((8, 8)))
    claims, residuals = deletion_residuals(pool, variance)
    for claim, residual in zip(claims, residuals, strict=True):
        others = join(pool.only(pool.claim != claim), variance)
        row = pool.design[claim]
        own = pool.own_variance[claim] + variance * row[0] ** 2
        sd = math.sqrt(float(row @ others.covariance @ row) + own)
        assert residual == pytest.approx(float(pool.y[claim] - row @ others.mean) / sd, rel=1e-8)


@settings(max_examples=30)
@given(order=st.permutations(range(9)), seed=st.integers(0, 20))
def test_the_order_of_observations_does_not_matter(order: list[int], seed: int) -> None:
    pool = random_pool(seed)
    place = np.array(order)
    other = replace(
        pool,
        y=pool.y[place],
        design=pool.design[place],
        own_variance=pool.own_variance[place],
        shared=pool.shared[np.ix_(place, place)],
        drive=pool.drive[place],
        claim=pool.claim[place],
        group=pool.group[place],
    )
    first, second = join(pool), join(other)
    assert second.mean == pytest.approx(first.mean, abs=1e-12)
    assert second.covariance == pytest.approx(first.covariance, abs=1e-12)
    assert [one for one, _ in left_out(other)[0]] == [one for one, _ in left_out(pool)[0]]


def test_one_far_off_is_left_out_and_no_other() -> None:
    y = np.random.default_rng(5).normal(0.0, 0.01, 10)
    y[6] += 0.15
    found, undecided = left_out(of_each_drive(y, np.full(10, 0.005), 0.01))
    assert undecided is None
    assert [one for one, _ in found] == [6]
    assert found[0][1] > 5.0


def test_two_that_contradict_each_other_are_both_kept() -> None:
    # Which of them is wrong nobody can say; the spread between them widens the answer instead.
    pool = of_each_drive([0.0, 0.1], [0.005, 0.005], 0.01)
    assert left_out(pool) == ([], (0, 1))
    assert join(pool).between_sd > 0.03


def test_false_alarms_are_as_rare_as_said() -> None:
    # 120 histories with nothing amiss: a binomial with p = 0.05 exceeds 12 in 1 % of cases.
    rng, out, changed = np.random.default_rng(11), 0, 0
    for _ in range(120):
        pool = of_each_drive(rng.normal(0.0, math.hypot(0.01, 0.005), 15), [0.005] * 15, 0.01)
        out += left_out(pool) != ([], None)
        changed += change_of(pool, np.arange(15)) is not None
    assert out <= 12
    assert changed <= 12


@pytest.mark.parametrize("split", [4, 8, 12])
def test_a_change_is_found_on_its_day(split: int) -> None:
    y = np.random.default_rng(split).normal(0.0, 0.01, 16)
    y[split:] += 0.08
    day = 10 * np.arange(16)
    found = change_of(of_each_drive(y, [0.005] * 16, 0.01), day)
    assert found is not None
    assert found[0] == 10 * split
    assert found[1].mean == pytest.approx(0.08, abs=0.02)


def test_a_change_needs_drives_on_either_side_and_their_dates() -> None:
    y = np.array([0.0] * 8 + [0.3, 0.3])
    pool = of_each_drive(y, [0.005] * 10, 0.01)
    assert change_of(pool, np.arange(10)) is None
    assert change_of(pool, np.full(10, -1)) is None
