"""Is an estimate as good as it says? Errors against stated uncertainty, with the bands of chance.

Normalised estimation error squared (NEES) and normalised innovation squared (NIS) follow
chi-squared laws when a filter is honest (Bar-Shalom, Li & Kirubarajan, *Estimation with
Applications to Tracking and Navigation*, 2001, section 5.4; from memory). Their bands hold for
*independent* errors: NEES over drives, never along one drive, where errors persist; NIS may be
judged along a drive, since innovations of an honest filter are white.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class ChiSquared:
    """A mean of normalised squares beside the band in which an honest filter's falls.

    Attributes
    ----------
    mean : float
        Its expectation is ``dimension``.
    dimension : int
        Degrees of freedom of one normalised square.
    count : int
        How many were averaged.
    low, high : float
        Two-sided band of the mean.
    probability : float
        That the mean of an honest filter falls in the band.
    """

    mean: float
    dimension: int
    count: int
    low: float
    high: float
    probability: float

    @property
    def within(self) -> bool:
        """Whether the mean falls in the band."""
        return self.low <= self.mean <= self.high

    def to_dict(self) -> dict[str, Any]:
        """The attributes and ``within``, ready for JSON."""
        return {**asdict(self), "within": self.within}


@dataclass(frozen=True)
class Coverage:
    """How often intervals held the truth, beside the band in which an honest share falls.

    Attributes
    ----------
    nominal : float
        What the intervals promise (0...1).
    observed : float
        Share of intervals that held the truth, ends included.
    count : int
    low, high : float
        95 % band of the observed share, were the promise kept (binomial).
    """

    nominal: float
    observed: float
    count: int
    low: float
    high: float

    @property
    def within(self) -> bool:
        """Whether the observed share falls in the band."""
        return self.low <= self.observed <= self.high

    def to_dict(self) -> dict[str, Any]:
        """The attributes and ``within``, ready for JSON."""
        return {**asdict(self), "within": self.within}


@dataclass(frozen=True)
class Scores:
    """Errors of one quantity over many drives.

    Attributes
    ----------
    count : int
    rmse, bias : float
        In the quantity's unit.
    rms_z : float
        Root mean square of error over stated sd; 1 when honest.
    coverage50, coverage95 : Coverage
        Of the normal intervals that mean and sd imply, or of the intervals given.
    """

    count: int
    rmse: float
    bias: float
    rms_z: float
    coverage50: Coverage
    coverage95: Coverage

    def to_dict(self) -> dict[str, Any]:
        """The attributes, nested, ready for JSON."""
        return {
            "count": self.count,
            "rmse": self.rmse,
            "bias": self.bias,
            "rms_z": self.rms_z,
            "coverage50": self.coverage50.to_dict(),
            "coverage95": self.coverage95.to_dict(),
        }


def normalised_squares(errors: ArrayLike, covariances: ArrayLike) -> FloatArray:
    """Squares of errors in the metric of their stated covariances, ``e' P^-1 e``.

    Parameters
    ----------
    errors : array_like, shape (n, d) or (n,)
    covariances : array_like, shape (n, d, d), or (n,) variances

    Returns
    -------
    ndarray, shape (n,)

    Raises
    ------
    ValueError
        The shapes do not belong together, or a covariance is not positive definite.
    """
    error = np.asarray(errors, dtype=np.float64)
    covariance = np.asarray(covariances, dtype=np.float64)
    if error.ndim == 1:
        error, covariance = error[:, None], covariance.reshape(-1, 1, 1)
    if covariance.shape != (*error.shape, error.shape[1]):
        raise ValueError(f"errors {error.shape} and covariances {covariance.shape} do not agree")
    try:
        root = np.linalg.cholesky(covariance)
    except np.linalg.LinAlgError:
        raise ValueError("a covariance is not positive definite") from None
    white = np.linalg.solve(root, error[:, :, None])[:, :, 0]
    return np.asarray(np.sum(white * white, axis=1))


def chi_squared_band(dimension: int, count: int, probability: float = 0.95) -> tuple[float, float]:
    """Band of the mean of ``count`` independent chi-squared variables.

    Parameters
    ----------
    dimension : int
        Degrees of freedom of each.
    count : int
    probability : float
        Two-sided.
    """
    from scipy.stats import chi2

    tail = 0.5 * (1.0 - probability)
    low, high = chi2.ppf([tail, 1.0 - tail], dimension * count) / count
    return float(low), float(high)


def nees(errors: ArrayLike, covariances: ArrayLike, probability: float = 0.95) -> ChiSquared:
    """Normalised estimation error squared, averaged over independent drives.

    Parameters
    ----------
    errors : array_like, shape (drives, d) or (drives,)
        Estimate less truth, at one instant of each drive.
    covariances : array_like, shape (drives, d, d) or (drives,)
    probability : float
        Of the band.
    """
    squares = normalised_squares(errors, covariances)
    dimension = 1 if np.ndim(errors) == 1 else int(np.shape(errors)[1])
    return _chi_squared(squares, dimension, probability)


def nis(squares: ArrayLike, dimension: int = 1, probability: float = 0.95) -> ChiSquared:
    """Normalised innovation squared, averaged along a drive.

    Parameters
    ----------
    squares : array_like, shape (n,)
        Innovations squared over their variance; NaN (nothing measured) is left out.
    dimension : int
        Of one innovation.
    probability : float
        Of the band.
    """
    values = np.asarray(squares, dtype=np.float64)
    return _chi_squared(values[np.isfinite(values)], dimension, probability)


def _chi_squared(squares: FloatArray, dimension: int, probability: float) -> ChiSquared:
    if squares.size == 0:
        raise ValueError("nothing to average")
    low, high = chi_squared_band(dimension, squares.size, probability)
    return ChiSquared(float(squares.mean()), dimension, squares.size, low, high, probability)


def coverage(truth: ArrayLike, low: ArrayLike, high: ArrayLike, nominal: float) -> Coverage:
    """Share of independent intervals that hold the truth, ends included.

    Parameters
    ----------
    truth, low, high : array_like, shape (n,)
    nominal : float
        What the intervals promise (0...1).
    """
    from scipy.stats import binom

    value = np.asarray(truth, dtype=np.float64)
    if value.size == 0:
        raise ValueError("nothing to count")
    inside = (np.asarray(low) <= value) & (value <= np.asarray(high))
    band = binom.ppf([0.025, 0.975], value.size, nominal) / value.size
    return Coverage(nominal, float(inside.mean()), value.size, float(band[0]), float(band[1]))


def scores(
    errors: ArrayLike,
    sds: ArrayLike,
    truth: ArrayLike | None = None,
    interval95: tuple[ArrayLike, ArrayLike] | None = None,
) -> Scores:
    """Errors of one quantity over independent drives.

    Parameters
    ----------
    errors, sds : array_like, shape (drives,)
        Estimate less truth, and the sd stated.
    truth : array_like, shape (drives,), optional
        Needed with ``interval95``.
    interval95 : tuple of array_like, optional
        Ends of the 95 % intervals stated; normal ones when absent.
    """
    from scipy.stats import norm

    error = np.asarray(errors, dtype=np.float64)
    sd = np.asarray(sds, dtype=np.float64)
    z = error / sd
    half50, half95 = norm.ppf([0.75, 0.975])
    zero = np.zeros_like(error)
    if interval95 is None:
        covered95 = coverage(zero, error - half95 * sd, error + half95 * sd, 0.95)
    elif truth is None:
        raise ValueError("intervals are judged against the truth: give it too")
    else:
        covered95 = coverage(truth, interval95[0], interval95[1], 0.95)
    return Scores(
        count=error.size,
        rmse=float(np.sqrt(np.mean(error * error))),
        bias=float(np.mean(error)),
        rms_z=float(np.sqrt(np.mean(z * z))),
        coverage50=coverage(zero, error - half50 * sd, error + half50 * sd, 0.5),
        coverage95=covered95,
    )
