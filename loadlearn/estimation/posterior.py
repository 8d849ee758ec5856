"""What a log says of one number (a delay, a width), from its likelihood with each candidate.

Errors of the model are not white, so a likelihood's own curvature is not taken for its precision.
Were the model right, the variance of a log-likelihood ratio would be twice its mean; what it is is
seen from how the ratio differs from part to part of the log, and the likelihood is tempered until
the two agree. About the maximum that is the sandwich of Huber, 1967, and White, *Econometrica*
50(1), 1982, and far from it the test of Vuong, *Econometrica* 57(2), 1989 (all from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import Records
from loadlearn.estimation.likelihood import Likelihood, on_common_rows
from loadlearn.estimation.model import Noise

FloatArray = NDArray[np.float64]

PARTS = 20
"""Parts of a log between which its likelihood is compared."""
_FINE = 40
"""Points between two candidates, over which a posterior is integrated."""


class Posterior(NamedTuple):
    """One number, given candidates' likelihoods.

    Attributes
    ----------
    mean, sd : float
    gained : float
        Tempered log-likelihood of the best over 0, or what is nearest to it.
    edge : bool
        Whether the best lies at the edge of the candidates.
    value, weight, log_mass : ndarray, shape (m,)
        Finely: values, their probabilities, and the log mass with each.
    """

    mean: float
    sd: float
    gained: float
    edge: bool
    value: FloatArray
    weight: FloatArray
    log_mass: FloatArray

    def mass_at(self, value: float) -> float:
        """Log mass with a value."""
        return float(np.interp(value, self.value, self.log_mass))

    def about(self, chosen: float) -> tuple[float, float]:
        """Standard deviations of the number and of the log mass about a chosen one's."""
        apart = self.log_mass - self.mass_at(chosen)
        return (
            math.sqrt(float(self.weight @ (self.value - chosen) ** 2)),
            math.sqrt(float(self.weight @ apart**2)),
        )


def tempered(parts: FloatArray, best: int) -> FloatArray:
    """Log-likelihood of candidates relative to the best one's, as much of it as counts.

    Parameters
    ----------
    parts : ndarray, shape (k, p)
        Log-likelihood of each part of the log.
    best : int
    """
    lost = parts[best] - parts
    total, spread = lost.sum(axis=1), lost.shape[1] * lost.var(axis=1, ddof=1)
    # Were the model right, the variance of a log-likelihood ratio would be twice its mean.
    return -total * np.minimum(1.0, 2.0 * total / np.maximum(spread, 1e-12))


def posterior(values: FloatArray, parts: FloatArray, log_masses: FloatArray) -> Posterior:
    """One number given the log-likelihood of each candidate.

    Parameters
    ----------
    values : ndarray, shape (k,)
        Evenly spaced, rising.
    parts : ndarray, shape (k, p)
        Log-likelihood of each part of the log.
    log_masses : ndarray, shape (k,)
    """
    step = float(values[1] - values[0])
    best = int(np.argmax(parts.sum(axis=1)))
    inner = min(max(best, 1), len(values) - 2)
    around = slice(inner - 1, inner + 2)
    log_odds = tempered(parts, best)
    fine = np.linspace(values[0], values[-1], _FINE * (len(values) - 1) + 1)
    within = (fine - values[inner]) / step

    def smooth(at: FloatArray) -> FloatArray:
        """A parabola through the best three, straight lines between the others."""
        low, middle, high = at[around]
        bent = middle + 0.5 * within * (high - low + within * (low - 2.0 * middle + high))
        return np.where(np.abs(within) <= 1.0, bent, np.interp(fine, values, at))

    log_weight = smooth(log_odds)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    mean = float(weight @ fine)
    return Posterior(
        mean=float(fine[int(np.argmax(weight))]),
        sd=math.sqrt(float(weight @ (fine - mean) ** 2)),
        gained=-float(log_odds[int(np.argmin(np.abs(values)))]),
        edge=not 0 < best < len(values) - 1,
        value=fine,
        weight=weight,
        log_mass=smooth(log_masses),
    )


def judged(
    likelihood: Likelihood, noise: Noise, values: FloatArray, tables: Sequence[Records]
) -> Posterior:
    """One number given a log's rows with each candidate, on the rows that all can use.

    Parameters
    ----------
    likelihood : Likelihood
    noise : Noise
    values : ndarray, shape (k,)
        As in :func:`posterior`.
    tables : sequence of record arrays of ``ROW``, of length k
        Changed: see :func:`loadlearn.estimation.likelihood.on_common_rows`.
    """
    on_common_rows(tables)
    found = [likelihood.judged(noise, table, PARTS) for table in tables]
    parts = np.array([one.parts for one in found])
    return posterior(values, parts, np.array([one.log_mass for one in found]))
