"""Measures of honesty against the laws they are judged by."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy.stats import chi2

from loadlearn.study import consistency


def test_normalised_squares_by_hand() -> None:
    errors = np.array([[3.0, 4.0], [1.0, 0.0]])
    covariances = np.array([[[9.0, 0.0], [0.0, 4.0]], [[2.0, 1.0], [1.0, 1.0]]])
    # (3/3)^2 + (4/2)^2 = 5; inverse of [[2, 1], [1, 1]] is [[1, -1], [-1, 2]], so 1.
    assert consistency.normalised_squares(errors, covariances) == pytest.approx([5.0, 1.0])
    assert consistency.normalised_squares([2.0], [4.0]) == pytest.approx([1.0])


def test_unfit_shapes_and_covariances_are_refused() -> None:
    with pytest.raises(ValueError, match="do not agree"):
        consistency.normalised_squares(np.zeros((3, 2)), np.zeros((3, 3, 3)))
    with pytest.raises(ValueError, match="positive definite"):
        consistency.normalised_squares(np.zeros((1, 2)), -np.eye(2)[None])


def test_band_is_the_tabled_one() -> None:
    # Chi-squared table (Bar-Shalom et al., table 1.5.4-1, from memory): 100 degrees of freedom,
    # 2.5 % and 97.5 % points 74.22 and 129.56.
    low, high = consistency.chi_squared_band(2, 50)
    assert 50.0 * low == pytest.approx(74.22, abs=0.01)
    assert 50.0 * high == pytest.approx(129.56, abs=0.01)


def test_an_honest_filter_falls_in_the_bands_and_a_boaster_does_not() -> None:
    rng = np.random.default_rng(4)
    root = rng.standard_normal((3, 3)) + 2.0 * np.eye(3)
    covariance = root @ root.T
    inside = 0
    for _ in range(400):
        errors = rng.standard_normal((30, 3)) @ root.T
        honest = consistency.nees(errors, np.repeat(covariance[None], 30, axis=0))
        inside += honest.within
    assert honest.dimension == 3 and honest.count == 30
    assert 0.92 < inside / 400 < 0.98
    boaster = consistency.nees(errors, np.repeat(covariance[None] / 4.0, 30, axis=0))
    assert not boaster.within and boaster.mean > boaster.high


def test_nis_leaves_out_what_was_not_measured() -> None:
    rng = np.random.default_rng(5)
    squares = chi2(1).rvs(2000, random_state=rng)
    squares[::7] = np.nan
    found = consistency.nis(squares, probability=0.999)
    assert found.count == np.isfinite(squares).sum() and found.within
    with pytest.raises(ValueError, match="nothing"):
        consistency.nis([np.nan])


def test_coverage_counts_the_ends_in() -> None:
    found = consistency.coverage([1.0, 2.0, 3.0, 4.0], [1.0, 0.0, 3.5, 0.0], [2.0, 2.0, 4, 1], 0.5)
    assert found.observed == 0.5 and found.count == 4 and found.within


def test_scores_of_honest_errors() -> None:
    rng = np.random.default_rng(6)
    sd = rng.uniform(1.0, 5.0, 3000)
    found = consistency.scores(sd * rng.standard_normal(3000), sd)
    assert found.rms_z == pytest.approx(1.0, abs=0.04)
    assert found.coverage50.within and found.coverage95.within
    assert abs(found.bias) < 0.2 and 2.5 < found.rmse < 4.0
    json.dumps(found.to_dict())
    json.dumps(consistency.nis(rng.standard_normal(9) ** 2).to_dict())


def test_scores_with_intervals_need_the_truth() -> None:
    with pytest.raises(ValueError, match="truth"):
        consistency.scores([0.0], [1.0], interval95=([0.0], [1.0]))
    found = consistency.scores([0.0, 1.0], [1.0, 1.0], [5.0, 5.0], ([4.0, 6.0], [6.0, 7.0]))
    assert found.coverage95.observed == 0.5
