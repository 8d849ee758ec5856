"""Measures of honesty against published examples and independent computations."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2, mannwhitneyu

from loadlearn import Posterior, bland_altman, coverage, load_change_roc, nees


@pytest.mark.parametrize(("held", "count"), [(81, 263), (0, 20), (95, 100), (29, 29)])
def test_coverage_has_wilsons_interval(held: int, count: int) -> None:
    from statsmodels.stats.proportion import proportion_confint

    found = coverage([1] * held + [0] * (count - held))
    expected = proportion_confint(held, count, method="wilson")
    assert (found.low95, found.high95) == pytest.approx(expected, abs=1e-12)
    assert (found.share, found.n) == (held / count, count)
    if held == 81:  # Newcombe, Statistics in Medicine 17, 1998, method 3 (from memory)
        assert (found.low95, found.high95) == pytest.approx((0.2553, 0.3662), abs=1e-4)
    with pytest.raises(ValueError, match="at least one"):
        coverage([])


def test_agreement_is_that_of_the_papers_example() -> None:
    """Peak flow by two meters, Bland & Altman, Lancet 327, 1986: -2.1 and 38.8 l/min (memory)."""
    large = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
    small = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
    found = bland_altman(large, small)
    assert (found.bias, found.sd) == pytest.approx((-2.1, 38.8), abs=0.05)
    assert found.high - found.bias == pytest.approx(1.96 * 38.8, rel=2e-3)
    assert found.low == pytest.approx(2.0 * found.bias - found.high)
    assert math.isnan(bland_altman([1.0], [2.0]).sd)


def belief(mean: np.ndarray, covariance: np.ndarray) -> Posterior:
    names = list(Posterior.QUANTITIES)
    components = pd.DataFrame([mean], columns=names).assign(weight=1.0)
    return Posterior(components, covariance[None], False)


def test_nees_is_chi_squared() -> None:
    mean = np.array([5000.0, 0.012, 2.2])
    sd = np.array([90.0, 0.001, 0.2])
    covariance = np.outer(sd, sd) * [[1.0, -0.7, 0.2], [-0.7, 1.0, -0.4], [0.2, -0.4, 1.0]]
    told, names = belief(mean, covariance), Posterior.QUANTITIES
    drawn = np.random.default_rng(4).multivariate_normal(mean, covariance, 1500)
    found = [nees(told, dict(zip(names, one, strict=True))) for one in drawn]
    low, high = chi2.ppf([5e-4, 0.9995], 3 * len(drawn)) / len(drawn)
    assert low < np.mean(found) < high
    # One quantity by hand: two sds off.
    assert nees(told, {"drag_area_m2": 2.6}) == pytest.approx(4.0)


def test_the_curve_of_load_changes() -> None:
    """Its area is the probability that a change ranks above a mere halt (Mann and Whitney)."""
    rng = np.random.default_rng(8)
    changed = rng.integers(0, 2, 120)
    probability = np.clip(rng.normal(0.35 + 0.3 * changed, 0.25), 0.0, 1.0)
    found = load_change_roc(changed, probability)
    pairs = mannwhitneyu(probability[changed == 1], probability[changed == 0]).statistic
    assert found.area == pytest.approx(pairs / (changed.sum() * (1 - changed).sum()))
    at = int(np.flatnonzero(found.threshold <= 0.5)[0]) - 1
    told = probability >= found.threshold[at]
    assert found.detected[at] == told[changed == 1].mean()
    assert found.false_alarms[at] == told[changed == 0].mean()
    with pytest.raises(ValueError, match="one kind"):
        load_change_roc([1, 1], [0.2, 0.9])
