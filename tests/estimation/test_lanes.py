"""The spelled-out loops against the plain form in their docstrings."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from loadlearn.estimation import lanes
from loadlearn.estimation.model import ENERGY, PHI, SLIP

Array = NDArray[np.float64]


def symmetric(rng: np.random.Generator, n: int, width: int) -> Array:
    root = rng.standard_normal((n, n, width))
    return np.ascontiguousarray(np.einsum("ikh,jkh->ijh", root, root))


def upper(covariances: Array) -> Array:
    """What is kept of eight lanes: a lower triangle that nothing may read."""
    if covariances.shape[2] > 1:
        covariances[np.tril_indices(len(covariances), -1)] = np.nan
    return covariances


def whole(covariances: Array) -> Array:
    if covariances.shape[2] > 1:
        lanes.mirror(covariances)
    return covariances


@pytest.fixture(params=[(8, n) for n in (11, 12, 13, 14, 16)] + [(1, 12), (1, 13)], ids=str)
def case(request: pytest.FixtureRequest) -> tuple[np.random.Generator, int, int]:
    width, n = request.param
    return np.random.default_rng(n + width), n, width


def test_dense_row_times(case: tuple[np.random.Generator, int, int]) -> None:
    rng, n, width = case
    covariances, sensitivity = symmetric(rng, n, width), rng.standard_normal((n, width))
    cross = np.full((n, width), np.nan)
    expected = np.einsum("ih,ijh->jh", sensitivity, covariances)
    lanes.dense_row_times(upper(covariances), sensitivity, cross)
    assert_allclose(cross, expected, rtol=1e-12)


def test_quadratic_form(case: tuple[np.random.Generator, int, int]) -> None:
    rng, n, width = case
    sensitivity, cross = rng.standard_normal((2, n, width))
    out = rng.standard_normal(width)
    expected = out + np.sum(sensitivity * cross, axis=0)
    lanes.quadratic_form(sensitivity, cross, out)
    assert_allclose(out, expected, rtol=1e-12)


def test_measured_cross(case: tuple[np.random.Generator, int, int]) -> None:
    rng, n, width = case
    covariances, cross = symmetric(rng, n, width), np.full((n, width), np.nan)
    expected = covariances[ENERGY] - 0.7 * covariances[PHI] + 1.9 * covariances[SLIP]
    lanes.measured_cross(upper(covariances), 0.7, 1.9, cross)
    assert_allclose(cross, expected, rtol=1e-12)


def test_rank_one_downdate(case: tuple[np.random.Generator, int, int]) -> None:
    rng, n, width = case
    covariances, cross = symmetric(rng, n, width), rng.standard_normal((n, width))
    reduction = rng.uniform(0.1, 1.0, width)
    expected = covariances - np.einsum("ih,h,jh->ijh", cross, reduction, cross)
    lanes.rank_one_downdate(upper(covariances), cross, reduction)
    assert_allclose(whole(covariances), expected, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("n", [11, 12, 13, 14])
def test_pool(n: int) -> None:
    rng = np.random.default_rng(n)
    covariances, states = symmetric(rng, n, 8), rng.standard_normal((n, 8))
    share = rng.dirichlet(np.ones(8))
    pooled, pooled_covariance = np.empty(n), np.zeros((n, n))
    expected = covariances @ share
    lanes.pool(upper(covariances), states, share, pooled, pooled_covariance)
    mean = states @ share
    apart = states - mean[:, None]
    expected += np.einsum("h,ih,jh->ij", share, apart, apart)
    assert_allclose(pooled, mean, rtol=1e-12)
    assert_allclose(pooled_covariance, np.triu(expected), rtol=1e-10, atol=1e-12)


def test_relax(case: tuple[np.random.Generator, int, int]) -> None:
    rng, n, width = case
    covariances, gained = symmetric(rng, n, width), rng.uniform(0.1, 1.0, width)
    transition = np.eye(n)
    transition[4, 4] = 0.6
    expected = np.einsum("ik,klh,jl->ijh", transition, covariances, transition)
    expected[4, 4] += gained
    lanes.relax(upper(covariances), 4, 0.6, gained)
    assert_allclose(whole(covariances), expected, rtol=1e-12)


@pytest.mark.parametrize("n", [11, 12, 13, 14])
def test_blend(n: int) -> None:
    rng = np.random.default_rng(n)
    covariances, states = symmetric(rng, n, 8), rng.standard_normal((n, 8))
    arriving, arriving_covariance = rng.standard_normal((n, 8)), symmetric(rng, n, 1)[:, :, 0]
    keep = rng.uniform(0.0, 1.0, 8)
    take = 1.0 - keep
    away = arriving - states
    expected = keep * covariances + take * arriving_covariance[:, :, None]
    expected += keep * take * np.einsum("ih,jh->ijh", away, away)
    mean = keep * states + take * arriving
    lanes.blend(upper(covariances), states, arriving, np.triu(arriving_covariance), keep, take)
    assert_allclose(whole(covariances), expected, rtol=1e-12, atol=1e-12)
    assert_allclose(states, mean, rtol=1e-12)
