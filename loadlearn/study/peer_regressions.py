"""Regressions of the force balance over intervals: recursive, windowed, total least squares.

All estimate ``theta = (m, m c20, CdA)`` in ``response = regressors @ theta + error``, see
:func:`loadlearn.study.peer_inputs.force_intervals`, from the belief that the rig file gives.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.study.peer_inputs import (
    Intervals,
    force_intervals,
    history,
    read_inputs,
    rig_belief,
)
from loadlearn.vehicle.rig import Rig

FloatArray = NDArray[np.float64]
Solution = tuple[int, FloatArray, FloatArray]
"""Interval number, theta (3,), covariance of theta (3, 3)."""

FIRST_ERROR_M_S2 = 0.05
"""Error of an interval's force balance per kg of the belief's mass, before residuals show it."""
FIRST_COUNT = 20.0
"""How many intervals' worth the first error counts for."""


class _Regression:
    """What the regressions share: intervals in, estimates held between solutions out."""

    def __init__(
        self,
        rig: Rig,
        initial_mass_kg: float | None,
        initial_mass_sd_kg: float | None,
        interval_s: float,
    ) -> None:
        self.rig = rig
        self.interval_s = interval_s
        belief = rig_belief(rig, initial_mass_kg, initial_mass_sd_kg)
        self.theta = belief.mean()
        self.covariance = belief.covariance()
        self.first_variance = (FIRST_ERROR_M_S2 * belief.mass_kg) ** 2

    def _solutions(self, intervals: Intervals) -> Iterator[Solution]:
        raise NotImplementedError

    def run(self, trace: pd.DataFrame) -> pd.DataFrame:
        """Estimate over a whole trace.

        Parameters
        ----------
        trace : DataFrame
            Canonical columns, or what ``prepare`` returns.

        Returns
        -------
        DataFrame
            One row per sample, see :func:`loadlearn.study.peer_inputs.history`.

        Raises
        ------
        InputError
            No force or no grade channel.
        """
        inputs = read_inputs(trace, self.rig)
        intervals = force_intervals(inputs, self.interval_s)
        samples, lines = [0], [_estimates(self.theta, self.covariance)]
        for number, theta, covariance in self._solutions(intervals):
            samples.append(int(intervals.end[number]))
            lines.append(_estimates(theta, covariance))
        held = np.searchsorted(samples, np.arange(len(trace)), side="right") - 1
        return history(inputs, self.rig, np.array(lines)[held])


def _estimates(theta: FloatArray, covariance: FloatArray) -> FloatArray:
    """Mass, rolling resistance and drag area with their sd; the delta method for the quotient."""
    mass, product, area = theta
    coefficient = product / mass
    slope = np.array([-coefficient / mass, 1.0 / mass, 0.0])
    sd = np.sqrt(np.maximum(np.diag(covariance), 1e-18))
    coefficient_sd = math.sqrt(max(float(slope @ covariance @ slope), 1e-18))
    return np.array([mass, sd[0], coefficient, coefficient_sd, area, sd[2]])


class RecursiveLeastSquares(_Regression):
    """Recursive least squares with exponential forgetting, one factor or one per parameter.

    Parameters
    ----------
    rig : Rig
    initial_mass_kg, initial_mass_sd_kg : float, optional
        As in ``LoadEstimator``.
    interval_s : float
        Length of an interval.
    mass_memory_s, rolling_memory_s, drag_memory_s : float
        Time constants of forgetting; equal ones are the usual single factor.
    cross_covariance : bool
        Whether the parameters' errors may be correlated. Without, each parameter has its own
        scalar recursion and the gains are shared out, the published form of several factors.

    References
    ----------
    Ljung, *System Identification*, 1999 (one factor). Vahidi, Stefanopoulou & Peng, *Vehicle System
    Dynamics* 43(1), 2005 (several factors without cross-covariance; the recursion from memory).
    Saelid & Foss, *Proc. IEEE CDC*, 1983 (a matrix of factors; from memory).
    """

    def __init__(
        self,
        rig: Rig,
        initial_mass_kg: float | None = None,
        initial_mass_sd_kg: float | None = None,
        interval_s: float = 10.0,
        mass_memory_s: float = 1200.0,
        rolling_memory_s: float = 600.0,
        drag_memory_s: float = 3600.0,
        cross_covariance: bool = True,
    ) -> None:
        super().__init__(rig, initial_mass_kg, initial_mass_sd_kg, interval_s)
        self.memory_s = np.array([mass_memory_s, rolling_memory_s, drag_memory_s])
        self.cross_covariance = cross_covariance

    def _solutions(self, intervals: Intervals) -> Iterator[Solution]:
        theta = self.theta.copy()
        # In units of the error's variance; never wider than the belief in them.
        start = self.covariance / self.first_variance
        spread, widest = start.copy(), np.diag(start).copy()
        squares, count = FIRST_COUNT * self.first_variance, FIRST_COUNT
        for number in range(len(intervals.time_s)):
            phi = intervals.regressors[number]
            forgotten = np.exp(intervals.length_s[number] / self.memory_s)
            error = float(intervals.response[number] - phi @ theta)
            if self.cross_covariance:
                root = np.sqrt(forgotten)
                spread = _no_wider(spread * np.outer(root, root), widest)
                gain = spread @ phi
                innovation = 1.0 + float(phi @ gain)
                theta = theta + gain * (error / innovation)
                spread = spread - np.outer(gain, gain) / innovation
            else:
                own = np.minimum(np.diag(spread) * forgotten, widest)
                innovation = 1.0 + float(own @ phi**2)
                theta = theta + own * phi * (error / innovation)
                spread = np.diag(own / (1.0 + own * phi**2))
            theta[0] = max(theta[0], 0.2 * self.theta[0])
            keep = 1.0 / float(forgotten.max())
            squares = keep * squares + error * error / innovation
            count = keep * count + 1.0
            yield number, theta, spread * (squares / count)


def _no_wider(spread: FloatArray, widest: FloatArray) -> FloatArray:
    """Scale rows and columns so that no variance exceeds its bound: forgetting must not wind up."""
    factor = np.sqrt(np.minimum(1.0, widest / np.diag(spread)))
    return np.asarray(spread * np.outer(factor, factor))


class WindowedRegression(_Regression):
    """Regression over a sliding window, drawn to the belief; ridge or robust (Huber).

    The belief enters as a ridge penalty on whitened parameters, ``theta = theta0 + L b`` with
    ``L L'`` its covariance, for both kinds of regression.

    Parameters
    ----------
    rig : Rig
    initial_mass_kg, initial_mass_sd_kg : float, optional
        As in ``LoadEstimator``.
    kind : str
        ``ridge`` or ``huber``.
    interval_s, window_s, every_s : float
        Length of an interval, of the window, and time between solutions.
    penalty : float
        Weight of the belief; 1 is the Bayesian one.
    epsilon : float
        Huber's threshold in standard deviations.

    References
    ----------
    Hoerl & Kennard, *Technometrics* 12(1), 1970; Huber, *Robust Statistics*, 1981; scikit-learn's
    ``Ridge`` and ``HuberRegressor``.
    """

    def __init__(
        self,
        rig: Rig,
        initial_mass_kg: float | None = None,
        initial_mass_sd_kg: float | None = None,
        kind: str = "ridge",
        interval_s: float = 10.0,
        window_s: float = 1e5,
        every_s: float = 20.0,
        penalty: float = 0.3,
        epsilon: float = 2.0,
    ) -> None:
        super().__init__(rig, initial_mass_kg, initial_mass_sd_kg, interval_s)
        self.kind, self.window_s, self.every_s = kind, window_s, every_s
        self.penalty, self.epsilon = penalty, epsilon

    def _solutions(self, intervals: Intervals) -> Iterator[Solution]:
        time_s = intervals.time_s
        white = np.linalg.cholesky(self.covariance)
        design = intervals.regressors @ white
        target = intervals.response - intervals.regressors @ self.theta
        variance = self.first_variance
        model = self._model()
        last = -math.inf
        for number in range(len(time_s)):
            if time_s[number] - last < self.every_s or number < 5:
                continue
            last = time_s[number]
            first = int(np.searchsorted(time_s, time_s[number] - self.window_s))
            inside = slice(first, number + 1)
            weight = self.penalty * variance
            found = self._fit(model, design[inside], target[inside], weight)
            if found is None:
                continue
            offset, kept = found
            residual = (target[inside] - design[inside] @ offset)[kept]
            variance = (float(residual @ residual) + FIRST_COUNT * self.first_variance) / (
                residual.size + FIRST_COUNT
            )
            part = design[inside][kept]
            information = part.T @ part / variance + self.penalty * np.eye(3)
            root = white @ np.linalg.inv(np.linalg.cholesky(information)).T
            theta = self.theta + white @ offset
            theta[0] = max(theta[0], 0.2 * self.theta[0])
            yield number, theta, root @ root.T

    def _model(self) -> Any:
        from sklearn.linear_model import HuberRegressor, Ridge

        if self.kind == "ridge":
            return Ridge(fit_intercept=False)
        return HuberRegressor(fit_intercept=False, epsilon=self.epsilon, max_iter=200)

    def _fit(
        self, model: Any, design: FloatArray, target: FloatArray, weight: float
    ) -> tuple[FloatArray, NDArray[np.bool_]] | None:
        """Whitened parameters, and which intervals count; None when the fit does not converge."""
        scale = math.sqrt(self.first_variance)
        if self.kind == "ridge":
            model.set_params(alpha=weight)
            model.fit(design, target)
            return np.asarray(model.coef_), np.ones(target.size, dtype=bool)
        import warnings

        # In units of the first error: the solver's steps suit values near one. Its cost is
        # residual / sigma, so that the penalty is the belief's divided by sigma.
        model.set_params(alpha=max(weight / self.first_variance, 1e-6))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                model.fit(design / scale, target / scale)
            except ValueError:  # the solver gave up: keep the last answer
                return None
        return np.asarray(model.coef_), ~model.outliers_


class TotalLeastSquares(_Regression):
    """Total least squares: the acceleration-with-slope regressor has errors, too.

    Rolling and drag regressors are taken as exact (mixed least squares - total least squares).
    Moments are forgotten exponentially; the belief stays in as three more equations.

    Parameters
    ----------
    rig : Rig
    initial_mass_kg, initial_mass_sd_kg : float, optional
        As in ``LoadEstimator``.
    interval_s, memory_s : float
        Length of an interval; time constant of forgetting.
    slope_error_m_s2 : float
        Error of the acceleration-with-slope regressor, from speed and grade.
    force_error_m_s2 : float
        Error of the force per kg of the belief's mass.

    References
    ----------
    Van Huffel & Vandewalle, *The Total Least Squares Problem*, SIAM 1991.
    """

    def __init__(
        self,
        rig: Rig,
        initial_mass_kg: float | None = None,
        initial_mass_sd_kg: float | None = None,
        interval_s: float = 10.0,
        memory_s: float = 1e5,
        slope_error_m_s2: float = 0.02,
        force_error_m_s2: float = 0.05,
    ) -> None:
        super().__init__(rig, initial_mass_kg, initial_mass_sd_kg, interval_s)
        self.memory_s = memory_s
        self.errors = np.array([max(slope_error_m_s2, 1e-6), force_error_m_s2 * self.theta[0]])

    def _solutions(self, intervals: Intervals) -> Iterator[Solution]:
        # Columns: rolling, drag (exact), acceleration with slope, force (with errors).
        equations = (
            np.column_stack((intervals.regressors[:, [1, 2, 0]], intervals.response))
            / self.errors[1]
        )
        order = [1, 2, 0]
        information = np.linalg.inv(self.covariance)[np.ix_(order, order)]
        known = information @ self.theta[order]
        belief = np.zeros((4, 4))
        belief[:3, :3], belief[:3, 3], belief[3, :3] = information, known, known
        belief[3, 3] = float(self.theta[order] @ known)
        scales = np.array([self.errors[0] / self.errors[1], 1.0])
        moments, count = np.zeros((4, 4)), 0.0
        for number in range(len(intervals.time_s)):
            keep = math.exp(-intervals.length_s[number] / self.memory_s)
            moments = keep * moments + np.outer(equations[number], equations[number])
            count = keep * count + 1.0
            both = moments + belief
            exact = both[:2, :2]
            carried = np.linalg.solve(exact, both[:2, 2:])
            reduced = (both[2:, 2:] - both[2:, :2] @ carried) / np.outer(scales, scales)
            values, vectors = np.linalg.eigh(reduced)
            normal = vectors[:, 0] / scales
            if abs(normal[1]) < 1e-12:
                continue
            mass = -normal[0] / normal[1]
            if not 0.2 * self.theta[0] < mass < 5.0 * self.theta[0]:
                continue
            others = carried[:, 1] - carried[:, 0] * mass
            theta = np.array([mass, others[0], others[1]])
            corrected = both[:3, :3].copy()
            corrected[2, 2] -= float(values[0]) * scales[0] ** 2
            unit = float(values[0]) / max(count, 1.0)
            variance = max(unit, 0.05) * (1.0 + (mass * scales[0]) ** 2)
            back = [2, 0, 1]
            covariance = variance * np.linalg.inv(corrected)[np.ix_(back, back)]
            yield number, theta, covariance
