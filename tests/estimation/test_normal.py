"""Density, truncation and mixture quantiles against scipy.stats."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import brentq
from scipy.stats import norm, truncnorm

from loadlearn.estimation import normal

finite = st.floats(-6.0, 6.0)


@settings(max_examples=200, deadline=None)
@given(finite, st.floats(0.05, 8.0))
def test_truncated_normal_against_scipy(low: float, width: float) -> None:
    high = low + width
    inside, mean, variance = normal.truncated_normal(low, high)
    if inside < 1e-9:
        return
    expected = truncnorm(low, high)
    assert_allclose(inside, norm.sf(low) - norm.sf(high), rtol=1e-6)
    assert_allclose(mean, expected.mean(), rtol=1e-5, atol=1e-7)
    assert_allclose(variance, expected.var(), rtol=1e-3, atol=1e-5)


def test_far_outside_the_nearer_bound_is_the_point() -> None:
    assert normal.truncated_normal(40.0, 41.0) == (0.0, 40.0, 0.0)
    assert normal.truncated_normal(-41.0, -40.0) == (0.0, -40.0, 0.0)


def test_cdf_and_pdf_against_scipy() -> None:
    for x in np.linspace(-8.0, 8.0, 33):
        assert normal.normal_cdf(x) == pytest.approx(norm.cdf(x), rel=1e-12)
        assert normal.normal_pdf(x) == pytest.approx(norm.pdf(x), rel=1e-12)
        together = normal.normal_cdf_and_pdf(x)
        assert together == pytest.approx((norm.cdf(x), norm.pdf(x)), abs=7.5e-8)


components = st.lists(
    st.tuples(st.floats(1e-5, 1.0), st.floats(-5.0, 5.0), st.floats(0.05, 3.0)),
    min_size=1,
    max_size=8,
)


@settings(max_examples=100, deadline=None)
@given(components, st.sampled_from([0.025, 0.5, 0.975]), st.floats(-20.0, 20.0))
def test_mixture_quantile_by_root_finding(
    parts: list[tuple[float, float, float]], probability: float, start: float
) -> None:
    weight, mean, sd = (np.array(column) for column in zip(*parts, strict=True))
    weight /= weight.sum()

    def below(x: float) -> float:
        return float(np.sum(weight * norm.cdf((x - mean) / sd))) - probability

    expected = brentq(below, -40.0, 40.0, xtol=1e-12)
    found = normal._mixture_quantile(probability, start, weight, mean, sd)
    # Where there is hardly any density between components, the place hardly matters.
    points = 0.5 * float(weight[weight < normal.LIGHT].sum())
    assert abs(below(found)) < 1e-4 + points or found == pytest.approx(
        expected, abs=1e-3 * sd.min()
    )


def test_interval_of_a_mixture_holds_95_per_cent() -> None:
    weight, mean, sd = np.array([0.6, 0.4]), np.array([0.0, 3.0]), np.array([1.0, 0.5])
    low, high = normal.mixture_interval(weight, mean, sd)
    inside = np.sum(weight * (norm.cdf((high - mean) / sd) - norm.cdf((low - mean) / sd)))
    assert inside == pytest.approx(0.95, abs=1e-4)
    again = normal.mixture_interval(weight, mean, sd, low - 0.3, high + 0.4)
    assert again == pytest.approx((low, high), abs=1e-3)


def test_interval_of_one_component_is_the_normal_one() -> None:
    low, high = normal.mixture_interval(np.ones(1), np.array([2.0]), np.array([0.5]))
    assert (low, high) == pytest.approx(norm.interval(0.95, 2.0, 0.5))
