"""The condition checks' statistics against statsmodels, an independent implementation."""

from __future__ import annotations

import numpy as np
import pytest

from loadlearn.condition.evidence import holm
from loadlearn.condition.robust import robust_fit


def test_huber_regression_and_clustered_errors():
    """statsmodels RLM (its scale is the MAD, ours is estimated jointly) and clustered OLS."""
    api = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(1)
    blocks, each = 80, 20
    block = np.repeat(np.arange(blocks), each)
    x = rng.standard_normal(block.size) + np.repeat(rng.standard_normal(blocks), each)
    y = 1.0 - 2.0 * x + rng.standard_normal(block.size)
    y += np.repeat(0.7 * rng.standard_normal(blocks), each)
    columns = np.column_stack([np.ones(x.size), x])
    ours = robust_fit(columns, y, block)
    error = np.sqrt(np.diag(ours.covariance))
    theirs = api.RLM(y, columns, M=api.robust.norms.HuberT(1.35)).fit()
    np.testing.assert_allclose(ours.coefficients, theirs.params, atol=0.1 * error.max())
    clustered = api.OLS(y, columns).fit(cov_type="cluster", cov_kwds={"groups": block})
    # Gaussian noise: Huber's efficiency is 95 %, so the errors are alike.
    np.testing.assert_allclose(error, clustered.bse, rtol=0.15)


def test_holm():
    """statsmodels multipletests(method="holm")."""
    multitest = pytest.importorskip("statsmodels.stats.multitest")
    rng = np.random.default_rng(2)
    chances = list(rng.uniform(0.0, 0.3, 12) ** 2)
    expected = multitest.multipletests(chances, method="holm")[1]
    np.testing.assert_allclose(holm(chances), expected, rtol=1e-12)
