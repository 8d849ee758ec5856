"""How well a drive could tell mass, rolling resistance and drag area apart: a guide.

The force balance, averaged over blocks of time, is linear in mass, in mass times rolling resistance
and in drag area. Least squares over the blocks gives the three; the covariance that Newey and West
give (*Econometrica* 55(3), 1987, from memory) takes the log's own residual for noise and allows for
its being correlated over some twenty seconds. Blocks that stand far off (sand on a road drive) are
left aside. A scale error of the force, a change of load and wind are not in these figures: they say
what the drive's ups and downs allow, not how good an estimate is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.described import Unit
from loadlearn.log.alignment import FORCE_CHANNELS, first_logged
from loadlearn.log.channel_faults import Floats
from loadlearn.vehicle import roadload
from loadlearn.vehicle.rig import Rig

BLOCK_S = 2.0
"""Length over which the balance is averaged."""
CORRELATED_BLOCKS = 10
"""Residuals may be correlated over this many blocks."""
METHOD = (
    "least squares of the force balance over 2 s blocks, its covariance from the log's own "
    "residual and that residual's correlation over 20 s (Newey-West), with the delays found taken "
    "out and the rig's drag area as the only prior, stretches that stand far off left aside: a "
    "guide to what the drive allows, blind to scale errors, wind and changes of load"
)
# A quantity counts as learnable when its standard error is below this: 5 % of the mass, half the
# step between neighbouring handbook grounds (sealed and gravel), a fifth of the drag area.
_LEARNABLE_MASS_SHARE = 0.05
_LEARNABLE_ROLLING = 0.006
_LEARNABLE_DRAG_SHARE = 0.20


@dataclass(frozen=True)
class Excitation:
    """Standard error of one quantity.

    Attributes
    ----------
    quantity : str
        ``mass_kg``, ``rolling_resistance`` or ``drag_area_m2``.
    fitted : float
        Value of the fit.
    standard_error : float
        Of the fit.
    learnable : bool
        Whether the standard error is small enough to be of use.
    sentence : str
        The same for a person.
    """

    quantity: str
    fitted: Annotated[float, Unit("of the quantity")]
    standard_error: Annotated[float, Unit("of the quantity")]
    learnable: bool
    sentence: str


@dataclass(frozen=True)
class BalanceFit:
    """The force balance fitted to blocks of a drive.

    Attributes
    ----------
    coefficients : ndarray, shape (3,)
        Mass (kg), mass times rolling resistance (kg), drag area (m^2).
    covariance : ndarray, shape (3, 3)
    blocks : int
    residual_sd_n : float
    """

    coefficients: Floats
    covariance: NDArray[np.float64]
    blocks: int
    residual_sd_n: float


def fit_balance(
    time_s: Floats,
    force_n: Floats,
    rotating_mass_kg: Floats | float,
    speed_m_s: Floats,
    sin_grade: Floats,
    air_density_kg_m3: Floats | float,
    drag_area_prior: tuple[float, float] | None = None,
) -> BalanceFit | None:
    """Fit mass, mass times rolling resistance, and drag area to a drive.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    force_n : ndarray, shape (n,)
        Force at the tread (N); NaN where it is not known.
    rotating_mass_kg : float or ndarray
        Equivalent mass of the rotating parts (kg).
    speed_m_s, sin_grade : ndarray, shape (n,)
        Road speed; sine of the road's angle.
    air_density_kg_m3 : float or ndarray
    drag_area_prior : (float, float), optional
        Mean and standard deviation (m^2) of a prior belief.

    Returns
    -------
    BalanceFit or None
        None with fewer than 20 whole blocks, or when the three cannot be told apart at all.
    """
    block = np.floor((time_s - time_s[0]) / BLOCK_S).astype(np.intp)
    # A block reaches to the first sample of the next: means by the trapezoid rule and the change of
    # speed then cover the same time. Half a sample of misalignment would cost 6 % of drag area.
    edges = np.append(np.flatnonzero(np.append(True, np.diff(block) > 0)), time_s.size - 1)
    edges = np.unique(edges)
    first, last = edges[:-1], edges[1:]
    weight = speed_m_s**2 * 0.5 * air_density_kg_m3
    cosine = np.sqrt(1.0 - sin_grade**2)
    columns = np.stack(
        [force_n, sin_grade, cosine, weight, np.broadcast_to(rotating_mass_kg, time_s.shape)]
    )
    areas = 0.5 * (columns[:, 1:] + columns[:, :-1]) * np.diff(time_s)
    span = time_s[last] - time_s[first]
    means = np.add.reduceat(areas, first, axis=1) / span
    acceleration = (speed_m_s[last] - speed_m_s[first]) / span
    force, sine, cosine, drag, rotating = means
    y = force - rotating * acceleration
    x = np.stack(
        [
            acceleration + roadload.GRAVITY_M_S2 * sine,
            roadload.GRAVITY_M_S2 * cosine,
            drag,
        ],
        axis=1,
    )
    good = (
        np.isfinite(y) & np.isfinite(x).all(axis=1) & (span > 0.5 * BLOCK_S) & (span < 2 * BLOCK_S)
    )
    if good.sum() < 20:
        return None
    number = np.flatnonzero(good)
    y, x = y[good], x[good]
    scale = np.sqrt(np.mean(x**2, axis=0)) + 1e-12
    x = x / scale
    usual = _usual(x, y)
    x, y, number = x[usual], y[usual], number[usual]
    prior = np.zeros(3)
    coefficients, residual, bread = _solve(x, y, prior, np.zeros(3))
    if drag_area_prior is None and np.linalg.cond(bread) > 1e10:
        return None
    variance = float(residual @ residual) / max(y.size - 3, 1)
    extra = np.zeros((3, 3))
    if drag_area_prior is not None:
        # The prior weighs against the noise as it is seen by slow regressors such as drag.
        mean, sd = drag_area_prior[0] * scale[2], drag_area_prior[1] * scale[2]
        prior[2] = max(_long_run_variance(residual, number), 1e-9) / sd**2
        coefficients, residual, bread = _solve(x, y, prior, np.array([0.0, 0.0, mean]))
        extra[2, 2] = (prior[2] * sd) ** 2
        if np.linalg.cond(bread) > 1e14:
            return None
    scores = np.zeros((int(number[-1]) + 1, 3))
    scores[number] = x * residual[:, None]  # absent blocks keep the others at their distance
    covariance = bread @ (_long_run(scores) + extra) @ bread
    return BalanceFit(
        coefficients / scale,
        covariance / np.outer(scale, scale),
        int(y.size),
        float(np.sqrt(variance)),
    )


def _usual(x: Floats, y: Floats) -> NDArray[np.bool_]:
    """Blocks that one mass, ground and drag can explain: sand on a road drive is left aside.

    Iteratively reweighted least squares with Tukey's biweight, begun from least absolute values so
    that a stretch of another ground does not lead the fit.
    """
    weight = np.ones(y.size)
    distance = np.zeros(y.size)
    for attempt in range(20):
        root = np.sqrt(weight)[:, None]
        coefficients = np.linalg.lstsq(x * root, y * root[:, 0], rcond=None)[0]
        residual = np.abs(y - x @ coefficients)
        sigma = max(1.4826 * float(np.median(residual)), 1e-9)
        distance = residual / sigma
        if attempt < 10:
            weight = 1.0 / np.maximum(distance, 0.1)
        else:
            weight = np.maximum(1.0 - (distance / 4.685) ** 2, 0.0) ** 2
    return np.asarray(distance < 4.5)


def _solve(x: Floats, y: Floats, prior: Floats, mean: Floats) -> tuple[Floats, Floats, Floats]:
    """Coefficients, residual and inverse of the normal matrix, with prior precisions."""
    matrix = x.T @ x + np.diag(prior)
    bread = np.asarray(np.linalg.pinv(matrix, rcond=1e-13, hermitian=True), dtype=np.float64)
    coefficients = bread @ (x.T @ y + prior * mean)
    return coefficients, y - x @ coefficients, bread


def _long_run(scores: Floats) -> Floats:
    """Sum of the scores' outer products and, with falling weights, of those some blocks apart."""
    total = scores.T @ scores
    for apart in range(1, min(CORRELATED_BLOCKS, scores.shape[0] - 1) + 1):
        weight = 1.0 - apart / (CORRELATED_BLOCKS + 1.0)
        cross = scores[apart:].T @ scores[:-apart]
        total += weight * (cross + cross.T)
    return total


def _long_run_variance(residual: Floats, number: NDArray[np.intp]) -> float:
    placed = np.zeros((int(number[-1]) + 1, 1))
    placed[number, 0] = residual
    return float(_long_run(placed)[0, 0]) / residual.size


def excitation_of(fit: BalanceFit | None, known_mass_kg: float | None = None) -> list[Excitation]:
    """What a fit says could be learnt.

    Parameters
    ----------
    fit : BalanceFit or None
    known_mass_kg : float, optional
        Stands for the fitted mass where that is not positive.

    Returns
    -------
    list of Excitation
        Mass, rolling resistance and drag area; empty without a fit.
    """
    if fit is None:
        return []
    mass, product, drag = (float(value) for value in fit.coefficients)
    base = mass if mass > 0.0 else (known_mass_kg or 1.0)
    rolling = product / base
    # Of a ratio, to first order.
    gradient = np.array([-rolling / base, 1.0 / base, 0.0])
    errors = [
        float(np.sqrt(fit.covariance[0, 0])),
        float(np.sqrt(gradient @ fit.covariance @ gradient)),
        float(np.sqrt(fit.covariance[2, 2])),
    ]
    limits = [
        _LEARNABLE_MASS_SHARE * base,
        _LEARNABLE_ROLLING,
        _LEARNABLE_DRAG_SHARE * max(drag, 1.0),
    ]
    shown = [
        f"mass to about {errors[0]:.0f} kg ({100.0 * errors[0] / base:.2g} %)",
        f"rolling resistance to about {errors[1]:.2g}",
        f"drag area to about {errors[2]:.2g} m2",
    ]
    names = ("mass_kg", "rolling_resistance", "drag_area_m2")
    values = (mass, rolling, drag)
    found = []
    for name, value, error, limit, words in zip(names, values, errors, limits, shown, strict=True):
        learnable = error <= limit
        start = "The drive can tell" if learnable else "The drive can hardly tell"
        found.append(Excitation(name, value, error, learnable, f"{start} {words}."))
    return found


def force_for_excitation(
    trace: pd.DataFrame, rig: Rig | None
) -> tuple[Floats, Floats | float] | None:
    """Force at the tread and rotating mass over a trace; None when the log and rig give none.

    Parameters
    ----------
    trace : pandas.DataFrame
    rig : Rig or None
        Without one only a measured tread force will do.

    Returns
    -------
    force_n : ndarray
        NaN where it is not known.
    rotating_mass_kg : ndarray or float
    """
    if rig is not None and first_logged(trace, FORCE_CHANNELS):
        from loadlearn.vehicle.traction import traction

        table = traction(trace, rig)
        known = (table["set_aside_because"] == "").to_numpy()
        force = np.where(known, table["force_n"].to_numpy(), np.nan)
        return force, table["rotating_mass_kg"].to_numpy()
    if first_logged(trace, ("tractive_force_n",)):
        force = trace["tractive_force_n"].to_numpy().copy()
        if "brake_active" in trace:
            force[trace["brake_active"].to_numpy() > 0.0] = np.nan
        return force, 0.0
    return None
