"""How surely a drive differs from what was expected of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Measure:
    """One number that a drive gives for one check.

    Attributes
    ----------
    value, sd : float
        In the check's unit; sd is what the drive itself leaves open.
    samples : int
        Operating points (or events) behind it.
    """

    value: float
    sd: float
    samples: int


@dataclass(frozen=True)
class Expectation:
    """What was expected of a healthy drive in these conditions.

    Attributes
    ----------
    value, sd : float
        Predictive mean and scale, the drive's own sd included.
    freedom : float
        Degrees of freedom of the t distribution.
    source : str
        ``baseline`` or ``rig``.
    """

    value: float
    sd: float
    freedom: float
    source: str

    def chance(self, value: float, side: int = 0) -> float:
        """Probability of a deviation as large in a healthy vehicle.

        Parameters
        ----------
        value : float
            What was measured.
        side : int
            1 or -1 where only a value above, or below, is a fault; 0 = either.
        """
        from scipy.stats import t

        away = (value - self.value) / self.sd
        if side:
            return float(t.sf(side * away, self.freedom))
        return float(2.0 * t.sf(abs(away), self.freedom))

    def interval95(self) -> list[float]:
        """Where 95 % of healthy drives would lie."""
        from scipy.stats import t

        half = float(t.ppf(0.975, self.freedom)) * self.sd
        return [self.value - half, self.value + half]


def expected_from_baseline(
    measures: list[Measure],
    conditions: Array,
    target: Measure,
    target_conditions: Array,
    spread_sd: float,
    slope_sd: Array,
    prior_drives: float,
) -> Expectation:
    """Predict a healthy drive from baseline drives, by conjugate Bayesian regression.

    ``value = mean + slope . conditions + e``, with the spread of e between drives, and the slope,
    believed beforehand only as far as stated: few drives, or drives in other weather, give a wide
    prediction.

    Parameters
    ----------
    measures : list of Measure
        Of the k baseline drives.
    conditions : ndarray, shape (k, c)
        Ambient conditions of each.
    target : Measure
        Of the drive in question (its sd counts).
    target_conditions : ndarray, shape (c,)
        Its ambient conditions.
    spread_sd : float
        Standard deviation between healthy drives, believed beforehand.
    slope_sd : ndarray, shape (c,)
        Of the sensitivity to each condition.
    prior_drives : float
        How many drives' worth of evidence ``spread_sd`` counts for.

    Returns
    -------
    Expectation
        Student's t predictive (normal-inverse-chi-squared; Gelman et al., *Bayesian Data
        Analysis*, from memory).
    """
    values = np.array([m.value for m in measures])
    own = np.array([m.sd for m in measures])
    weight = 1.0 / (1.0 + (own / spread_sd) ** 2)
    centre = conditions.mean(axis=0)
    design = np.column_stack([np.ones(values.size), conditions - centre])
    # The mean is open; the slopes are drawn to zero in units of the spread.
    precision = np.diag(np.concatenate([[1e-12], (spread_sd / slope_sd) ** 2]))
    information = design.T @ (weight[:, None] * design) + precision
    covariance = np.linalg.inv(information)
    beta = covariance @ (design.T @ (weight * values))
    residual = values - design @ beta
    freedom = prior_drives + values.size - 1.0
    quadratic = float(residual @ (weight * residual) + beta[1:] @ (precision[1:, 1:] @ beta[1:]))
    variance = (prior_drives * spread_sd**2 + quadratic) / freedom
    row = np.concatenate([[1.0], target_conditions - centre])
    predictive = variance * (1.0 + float(row @ covariance @ row)) + target.sd**2
    return Expectation(float(row @ beta), float(np.sqrt(predictive)), freedom, "baseline")


def expected_from_rig(value: float, sd: float, target: Measure) -> Expectation:
    """What the rig file leads to expect, without baseline drives.

    Parameters
    ----------
    value, sd : float
        Belief before any log.
    target : Measure
        Of the drive in question.

    Returns
    -------
    Expectation
        With ten degrees of freedom: a belief, not a sample, deserves tails.
    """
    return Expectation(value, float(np.hypot(sd, target.sd)), 10.0, "rig")


def holm(chances: list[float]) -> list[float]:
    """Family-wise adjusted probabilities (Holm 1979, from memory).

    Parameters
    ----------
    chances : list of float
        One per check.

    Returns
    -------
    list of float
        In the same order; below a, the probability of any false finding is below a.
    """
    order = np.argsort(chances)
    adjusted = np.empty(len(chances))
    highest = 0.0
    for rank, index in enumerate(order):
        highest = max(highest, min(1.0, chances[index] * (len(chances) - rank)))
        adjusted[index] = highest
    return [float(v) for v in adjusted]


def expected_events(
    baseline_events: int, baseline_exposure: float, exposure: float, events: int
) -> float:
    """Probability of as many events or more, given how many the baseline had.

    Parameters
    ----------
    baseline_events : int
        Events in the baseline.
    baseline_exposure, exposure : float
        Exposure of baseline and drive, in one unit.
    events : int
        Events in the drive.

    Returns
    -------
    float
        One-sided, negative-binomial predictive of a Poisson rate with Jeffreys' prior.
    """
    from scipy.stats import nbinom

    if baseline_exposure <= 0.0 or exposure <= 0.0:
        return 1.0
    share = baseline_exposure / (baseline_exposure + exposure)
    return float(nbinom.sf(events - 1, baseline_events + 0.5, share))
