"""A mass from a weighbridge: as it is given, and beside what is learnt."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from loadlearn.errors import InputError

WEIGHED_SD_SHARE = 0.01
"""Of a weighed mass without an sd: the bridge, and who and what got in since (common practice, no
source)."""
WEIGHING_AGREES = 3.0
"""Learnt and weighed mass differ by no more standard deviations than this, or the load changed."""


def weighed_mass(mass_kg: float | None, sd_kg: float | None) -> tuple[float, float] | None:
    """A weighed mass and its sd, :data:`WEIGHED_SD_SHARE` of it when absent; None without one.

    Parameters
    ----------
    mass_kg, sd_kg : float, optional

    Raises
    ------
    InputError
        Either is no positive number, or the sd is given alone.
    """
    if mass_kg is None:
        if sd_kg is not None:
            raise InputError("an sd of the weighed mass is given without the mass; give both")
        return None
    sd = WEIGHED_SD_SHARE * mass_kg if sd_kg is None else sd_kg
    for words, value in (("weighed mass", mass_kg), ("weighed mass's sd", sd)):
        if not (math.isfinite(value) and value > 0.0):
            raise InputError(f"the {words} is {value:g} kg; give a positive mass")
    return float(mass_kg), float(sd)


def with_weighing(
    mass_kg: ArrayLike,
    mass_sd_kg: ArrayLike,
    mass_sd_given_scale_kg: ArrayLike,
    weighed: tuple[float, float] | None,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """What is learnt of the mass and what a weighbridge said, together.

    The estimator lets go of a weighed mass that its tractive scale, when off, contradicts; but what
    it learns, with its interval in all, is another measurement of the same mass. The two are
    weighted by their variances while they agree; once they differ by more than
    :data:`WEIGHING_AGREES`, something was loaded or left, and the weighing no longer counts.

    Parameters
    ----------
    mass_kg, mass_sd_kg, mass_sd_given_scale_kg : array_like, shape (k,)
        Learnt (kg); NaN of nothing known.
    weighed : tuple of float, optional
        Weighed mass and its sd (kg).

    Returns
    -------
    mass_kg, mass_sd_kg, mass_sd_given_scale_kg : ndarray, shape (k,)
    """
    mass, sd, given = (
        np.atleast_1d(np.asarray(one, dtype=np.float64))
        for one in (mass_kg, mass_sd_kg, mass_sd_given_scale_kg)
    )
    if weighed is None:
        return mass, sd, given
    weighed_kg, weighed_sd_kg = weighed
    nothing = ~(np.isfinite(mass) & np.isfinite(sd))
    learnt, spread = np.where(nothing, weighed_kg, mass), np.where(nothing, 1e9, sd)
    agree = np.abs(learnt - weighed_kg) <= WEIGHING_AGREES * np.hypot(spread, weighed_sd_kg)
    variance = 1.0 / (1.0 / spread**2 + 1.0 / weighed_sd_kg**2)
    together = variance * (learnt / spread**2 + weighed_kg / weighed_sd_kg**2)
    found = np.where(agree, together, mass)
    found_sd = np.where(agree, np.sqrt(variance), sd)
    return found, found_sd, np.fmin(given, found_sd)
