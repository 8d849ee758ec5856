"""What is believed of mass, rolling resistance and drag area together: a mixture of normals."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from loadlearn.estimation.learner import LearnerState, Setup
from loadlearn.estimation.mixture import JOINT, joint

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Posterior:
    """The belief after the samples so far, hypothesis by hypothesis.

    The mass of a hypothesis is log-normal, the others are normal; their moments, pooled by the
    weights, are those that the estimates show.

    Attributes
    ----------
    components : DataFrame
        One row per hypothesis: ``weight`` (they add up to one), the means ``mass_kg``,
        ``rolling_resistance`` (at 20 m/s, cold tyres included) and ``drag_area_m2``, and what the
        hypothesis is: ``surface``, ``nothing_hitched``, ``load_changed``, ``regeneration``.
    covariances : ndarray, shape (hypotheses, 3, 3)
        Of ``QUANTITIES``, in their units.
    given_scale : bool
        Whether the tractive scale was taken to be known, at its mean.
    """

    QUANTITIES: ClassVar[tuple[str, ...]] = JOINT

    components: pd.DataFrame
    covariances: FloatArray
    given_scale: bool

    def moments(self) -> tuple[pd.Series, pd.DataFrame]:
        """Mean and covariance of the whole mixture.

        Returns
        -------
        mean : Series
            Of each of ``QUANTITIES``.
        covariance : DataFrame
            Labelled by ``QUANTITIES`` on both sides.
        """
        names = list(self.QUANTITIES)
        weight = self.components["weight"].to_numpy()
        means = self.components[names].to_numpy()
        mean = weight @ means
        apart = means - mean
        covariance = np.einsum("k,kij->ij", weight, self.covariances)
        covariance += np.einsum("k,ki,kj->ij", weight, apart, apart)
        return pd.Series(mean, names), pd.DataFrame(covariance, names, names)

    def density_of_mass(self, mass_kg: ArrayLike) -> FloatArray:
        """Probability density of the combined mass (1/kg).

        Parameters
        ----------
        mass_kg : array_like
            Positive masses (kg), of any shape.

        Returns
        -------
        ndarray
            Of the same shape.
        """
        mass = np.asarray(mass_kg, dtype=np.float64)[..., None]
        mean, variance = self.components["mass_kg"].to_numpy(), self.covariances[:, 0, 0]
        # Mean and variance of the log-normal law as the mixture forms them, turned round.
        log_variance = variance / mean**2
        log_mean = np.log(mean) - np.log1p(0.5 * log_variance)
        squared = (np.log(mass) - log_mean) ** 2 / log_variance
        each = np.exp(-0.5 * squared) / (mass * np.sqrt(2.0 * math.pi * log_variance))
        return np.asarray(each @ self.components["weight"].to_numpy())

    def ellipse(
        self, first: str, second: str, probability: float = 0.95, points: int = 181
    ) -> tuple[FloatArray, FloatArray]:
        """The ellipse that holds two quantities with a probability, were the mixture one normal.

        Parameters
        ----------
        first, second : str
            Two of ``QUANTITIES``.
        probability : float
            Between 0 and 1.
        points : int
            Along the ellipse, the last being the first again.

        Returns
        -------
        first, second : ndarray, shape (points,)
            Along the ellipse, in the units of the quantities.

        Raises
        ------
        ValueError
            The probability is not between 0 and 1.
        KeyError
            Not one of ``QUANTITIES``.
        """
        if not 0.0 < probability < 1.0:
            raise ValueError(f"probability is {probability!r}; give a number between 0 and 1")
        mean, covariance = self.moments()
        pair = [first, second]
        root = np.linalg.cholesky(covariance.loc[pair, pair].to_numpy())
        # Chi-squared with two degrees of freedom: P(r^2 <= x) = 1 - exp(-x / 2).
        radius = math.sqrt(-2.0 * math.log1p(-probability))
        angle = np.linspace(0.0, 2.0 * math.pi, points)
        along = mean[pair].to_numpy()[:, None] + radius * root @ [np.cos(angle), np.sin(angle)]
        return along[0], along[1]


def posterior_of(setup: Setup, state: LearnerState, given_scale: bool) -> Posterior:
    """What is believed now, hypothesis by hypothesis.

    Parameters
    ----------
    setup : Setup
    state : LearnerState
        After at least one sample.
    given_scale : bool
        Whether the tractive scale is taken to be known, at its mean.
    """
    shape = state.hypotheses.weights.shape
    weights, means = np.zeros(shape), np.zeros((*shape, 3))
    covariances = np.zeros((*shape, 3, 3))
    scale = float(state.output["log_scale"][0]) if given_scale else math.nan
    joint(state.hypotheses, setup.grounds, setup.prior, scale, weights, means, covariances)
    load, mode = np.nonzero(weights)
    weight = weights[load, mode]
    components = pd.DataFrame({"weight": weight / weight.sum()})
    for at, name in enumerate(JOINT):
        components[name] = means[load, mode, at]
    components["surface"] = [setup.names[one] for one in setup.grounds["surface"][mode]]
    loads = state.hypotheses.loads
    components["nothing_hitched"] = loads["solo"][load] == 1
    components["load_changed"] = loads["changed"][load] == 1
    components["regeneration"] = setup.grounds["regeneration"][mode] == 1
    order = np.argsort(-weight, kind="stable")
    components = components.iloc[order].reset_index(drop=True)
    return Posterior(components, covariances[load, mode][order], given_scale)
