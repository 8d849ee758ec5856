"""Robust regression whose uncertainty knows that neighbouring samples say the same thing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

HUBER_EPSILON = 1.35
"""95 % efficiency under the normal distribution (Huber, *Robust Statistics*, from memory)."""


@dataclass(frozen=True)
class RobustFit:
    """A fitted linear relation.

    Attributes
    ----------
    coefficients : ndarray, shape (p,)
        Of the columns as given.
    covariance : ndarray, shape (p, p)
        Sandwich covariance, clustered by block.
    scale : float
        Robust residual standard deviation.
    """

    coefficients: Array
    covariance: Array
    scale: float


def robust_fit(columns: Array, target: Array, block: Array) -> RobustFit:
    """Huber regression with a covariance clustered by block.

    Parameters
    ----------
    columns : ndarray, shape (n, p)
        Regressors, the constant among them.
    target : ndarray, shape (n,)
        What is explained.
    block : ndarray, shape (n,)
        Samples with the same label may depend on each other.

    Returns
    -------
    RobustFit
        Fit: scikit-learn's ``HuberRegressor``. Covariance: the sandwich of an M-estimator with
        scores summed within blocks and the small-sample factor g/(g-1) (Cameron & Miller, *A
        Practitioner's Guide to Cluster-Robust Inference*, 2015, from memory).
    """
    import warnings

    from sklearn.exceptions import ConvergenceWarning
    from sklearn.linear_model import HuberRegressor

    # In orthonormal columns the optimiser converges at once; columns that say nothing drop out.
    size = np.sqrt(np.mean(columns**2, axis=0))
    size[size == 0.0] = 1.0
    left, singular, right = np.linalg.svd(columns / size, full_matrices=False)
    kept = singular > 1e-7 * singular[0]
    rows = np.sqrt(target.size)
    orthonormal = left[:, kept] * rows
    back = right[kept].T * (rows / singular[kept]) / size[:, None]
    start, *_ = np.linalg.lstsq(orthonormal, target, rcond=None)
    rest = target - orthonormal @ start
    spread = float(np.std(rest)) or 1.0
    model = HuberRegressor(
        epsilon=HUBER_EPSILON, alpha=0.0, fit_intercept=False, max_iter=300, tol=1e-6
    )
    with warnings.catch_warnings():
        # At the limit of iterations the fit is still good to far below its standard error.
        warnings.simplefilter("ignore", ConvergenceWarning)
        model.fit(orthonormal, rest / spread)
    beta = back @ (start + model.coef_ * spread)
    scale = float(model.scale_) * spread
    residual = target - columns @ beta
    limit = HUBER_EPSILON * scale
    score = np.clip(residual, -limit, limit)
    inner = np.abs(residual) <= limit
    bread = np.linalg.pinv(columns[inner].T @ columns[inner])
    labels, index = np.unique(block, return_inverse=True)
    sums = np.zeros((labels.size, columns.shape[1]))
    np.add.at(sums, index, columns * score[:, None])
    factor = labels.size / max(labels.size - 1, 1)
    covariance = factor * bread @ (sums.T @ sums) @ bread
    robust_scale = 1.4826 * float(np.median(np.abs(residual)))
    return RobustFit(np.asarray(beta), np.asarray(covariance), robust_scale)


def robust_mean(values: Array, block: Array) -> tuple[float, float]:
    """Huber's mean and its standard error, clustered by block.

    Parameters
    ----------
    values, block : ndarray, shape (n,)
        Values, and the labels of samples that may depend on each other.
    """
    centre = float(np.median(values))
    scale = 1.4826 * float(np.median(np.abs(values - centre))) or float(np.std(values)) or 1e-12
    for _ in range(30):
        weight = np.minimum(1.0, HUBER_EPSILON * scale / np.maximum(np.abs(values - centre), 1e-15))
        moved = float(np.sum(weight * values) / np.sum(weight))
        if abs(moved - centre) < 1e-9 * scale:
            break
        centre = moved
    limit = HUBER_EPSILON * scale
    score = np.clip(values - centre, -limit, limit)
    labels, index = np.unique(block, return_inverse=True)
    sums = np.zeros(labels.size)
    np.add.at(sums, index, score)
    inner = max(int(np.sum(np.abs(values - centre) <= limit)), 1)
    factor = labels.size / max(labels.size - 1, 1)
    return centre, float(np.sqrt(factor * np.sum(sums**2)) / inner)
