"""Draws of the load's posterior, from the estimator's summaries.

The summaries give means and standard deviations, in all and given the tractive scale. That is
enough for what the policy asks: the part of the mass's uncertainty that the tractive scale causes
is drawn once for mass, drag area and scale together, so that it cancels in force over scale; the
rest is drawn independently. Points are quasi-random (Sobol) and fixed: the same posterior gives the
same settings, online and over a whole log.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from loadlearn._compile import record_type
from loadlearn.vehicle.rig import Rig

DRAWS = 64


@dataclass(slots=True)
class LoadDraw:
    """One draw of the load's posterior."""

    mass_kg: float
    """Of the combination."""
    rolling_resistance: float
    """At 20 m/s."""
    drag_area_m2: float
    tractive_scale: float
    """True force over the force computed from the log through the rig."""
    trailer_mass_kg: float
    """Combined mass less the tow vehicle's (drawn too)."""
    weight: float
    """Any positive scale."""


@functools.cache
def normal_points() -> NDArray[np.float64]:
    """Fixed quasi-random standard normal points, shape (5, DRAWS)."""
    from scipy.special import ndtri
    from scipy.stats import qmc

    points = qmc.Sobol(5, scramble=True, rng=np.random.default_rng(66)).random(DRAWS)
    return np.ascontiguousarray(ndtri(np.clip(points, 1e-6, 1.0 - 1e-6)).T)


def draws_from_summaries(
    rig: Rig,
    mass_kg: ArrayLike,
    mass_sd_kg: ArrayLike,
    mass_sd_given_scale_kg: ArrayLike,
    rolling_resistance: ArrayLike,
    rolling_resistance_sd: ArrayLike,
    drag_area_m2: ArrayLike,
    drag_area_sd_m2: ArrayLike,
) -> NDArray[Any]:
    """Draws that reproduce the estimator's means and standard deviations.

    Parameters
    ----------
    rig : Rig
    mass_kg, mass_sd_kg, mass_sd_given_scale_kg : array_like, shape (k,)
        Combined mass, its sd in all and given the tractive scale (kg).
    rolling_resistance, rolling_resistance_sd : array_like, shape (k,)
        Coefficient at 20 m/s.
    drag_area_m2, drag_area_sd_m2 : array_like, shape (k,)

    Returns
    -------
    ndarray of LoadDraw, shape (k, DRAWS)
        A summary that is not finite gives the rig's prior.
    """
    z = normal_points()
    vehicle = rig.vehicle
    middle = 0.5 * (vehicle.mass_kg + rig.nominal_gcm_kg)
    span = rig.nominal_gcm_kg - vehicle.mass_kg

    def column(values: ArrayLike, default: float) -> NDArray[np.float64]:
        given = np.atleast_1d(np.asarray(values, dtype=np.float64))
        return np.where(np.isfinite(given), given, default)[:, None]

    mass = column(mass_kg, middle)
    mass_sd = column(mass_sd_kg, 0.25 * span)
    given_sd = np.minimum(column(mass_sd_given_scale_kg, 0.25 * span), mass_sd)
    rolling = column(rolling_resistance, 0.012)
    rolling_sd = column(rolling_resistance_sd, 0.006)
    drag = column(drag_area_m2, vehicle.drag_area_m2)
    drag_sd = column(drag_area_sd_m2, vehicle.drag_area_sd_m2 or vehicle.drag_area_m2 / 3.0)

    scale_sd = np.sqrt(np.maximum(mass_sd**2 - given_sd**2, 0.0)) / mass
    common = scale_sd * z[0]
    drag_own = np.sqrt(np.maximum(drag_sd**2 - (scale_sd * drag) ** 2, 0.0))
    out = np.empty((mass.shape[0], DRAWS), dtype=record_type(LoadDraw))
    out["mass_kg"] = np.maximum(mass * (1.0 + common) + given_sd * z[1], 300.0)
    out["rolling_resistance"] = np.maximum(rolling + rolling_sd * z[2], 0.003)
    out["drag_area_m2"] = np.maximum(drag * (1.0 + common) + drag_own * z[3], 0.2)
    out["tractive_scale"] = rig.uncertainty.tractive_scale * np.maximum(1.0 + common, 0.5)
    tow_vehicle_sd = vehicle.mass_sd_kg or 0.0
    out["trailer_mass_kg"] = out["mass_kg"] - vehicle.mass_kg - tow_vehicle_sd * z[4]
    out["weight"] = 1.0
    return out
