"""Normal laws and switching in full matrices, as textbooks write them: nothing is exploited."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loadlearn.estimation.grounds import Grounds
from loadlearn.estimation.model import MEASURED, N_STATES, STATE, StateOrder, measurement_row

Array = NDArray[np.float64]
Gaussian = tuple[Array, Array]
"""Mean and covariance."""

LIKELY = StateOrder(
    energy_height_m=(120.0, 0.3),
    inverse_mass_per_kg=(1.0 / 5200.0, 2e-5),
    rolling_resistance=(0.013, 2e-3),
    drag_per_mass_m2_kg=(2.4 / 5200.0, 5e-5),
    disturbance=(0.002, 3e-3),
    headwind_m_s=(2.5, 3.0),
    accessory_power_w=(700.0, 1500.0),
    speed_slope=(0.001, 7e-4),
    cold_tyre_excess=(0.0012, 1e-3),
    load_tilt=(0.01, 0.01),
    slip_per_n=(1e-6, 1e-6),
    force_lag_s=(0.03, 0.04),
    regeneration_excess=(0.12, 0.05),
    unreported_share=(0.3, 0.2),
    slope_bias=(1e-3, 0.02),
    squat_rad_s2_m=(7e-3, 4e-3),
)  # type: ignore[arg-type]
"""A vehicle of 5.2 t on the move: mean and standard deviation of each state."""
MEAN, SD = np.array(LIKELY).T


def some_gaussian(seed: int) -> Gaussian:
    """A mean and a covariance with all its correlations, each state in its own unit."""
    rng = np.random.default_rng(seed)
    root = np.eye(N_STATES) + 0.4 * rng.standard_normal((N_STATES, N_STATES))
    unit = root @ root.T
    return MEAN + SD * rng.standard_normal(N_STATES), unit * np.outer(SD, SD)


def in_units(covariance: Array, like: Array) -> Array:
    """A covariance in the standard deviations of another one."""
    sd = np.sqrt(np.maximum(np.diag(like), 1e-300))
    return np.asarray(covariance / np.outer(sd, sd))


def measured_matrix(reads: tuple[float, float, float]) -> Array:
    """m of ``y = m'x + noise``, in full."""
    matrix = np.zeros(N_STATES)
    matrix[list(MEASURED)] = reads
    return matrix


def matrix_of(row: np.void) -> Array:
    """m of a row's measurement, in full."""
    return measured_matrix(measurement_row(row))


def textbook_update(mean: Array, covariance: Array, matrix: Array, y: float, r: float) -> Gaussian:
    """The Kalman update with a point measurement."""
    cross = covariance @ matrix
    total = matrix @ cross + r
    gain = cross / total
    return mean + gain * (y - matrix @ mean), covariance - np.outer(gain, cross)


def moment_matched(shares: Array, parts: list[Gaussian]) -> Gaussian:
    """Mean and covariance of a mixture."""
    means = np.stack([mean for mean, _ in parts])
    mean = shares @ means
    covariance = np.einsum("p,pij->ij", shares, np.stack([each for _, each in parts]))
    away = means - mean
    return mean, np.asarray(covariance + np.einsum("p,pi,pj->ij", shares, away, away))


def switching_matrix(grounds: Grounds, driven_s: float) -> Array:
    """Probability of a change from each mode to each other; without modes in regeneration."""
    arrive = np.tile(grounds["rate_per_s"] * driven_s, (grounds.size, 1))
    np.fill_diagonal(arrive, 0.0)
    return np.asarray(arrive + np.diag(1.0 - arrive.sum(axis=1)))


def redrawn(gaussian: Gaussian, grounds: Grounds, origin: int, mode: int) -> Gaussian:
    """The rolling resistance drawn from another ground's prior, the slip in proportion."""
    mean, covariance = gaussian[0].copy(), gaussian[1].copy()
    roll = STATE.rolling_resistance
    mean[roll] = grounds["mean"][mode]
    covariance[roll, :] = covariance[:, roll] = 0.0
    covariance[roll, roll] = grounds["sd"][mode] ** 2
    factor = np.ones(N_STATES)
    factor[STATE.slip_per_n] = grounds["slip"][mode] / grounds["slip"][origin]
    return mean * factor, covariance * np.outer(factor, factor)
