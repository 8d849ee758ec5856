"""Draws of the load's posterior, from the estimator's summaries.

The summaries give means and standard deviations, in all and given the tractive scale. That is
enough for what the policy asks: the part of the mass's uncertainty that the tractive scale causes
is drawn once for mass, drag area and scale together, so that it cancels in force over scale; the
rest is drawn independently. Points are quasi-random (Sobol) and fixed: the same posterior gives the
same settings, online and over a whole log.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, fields
from typing import Any, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from loadlearn._compile import record_type
from loadlearn.vehicle.rig import Rig

DRAWS = 64
Number: TypeAlias = Any
"""A float, or an array of floats."""


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


DRAWN = tuple(one.name for one in fields(LoadDraw) if one.name != "weight")
"""What is drawn, in order."""


@functools.cache
def normal_points() -> NDArray[np.float64]:
    """Fixed quasi-random standard normal points, shape (5, DRAWS)."""
    from scipy.special import ndtri
    from scipy.stats import qmc

    points = qmc.Sobol(5, scramble=True, rng=np.random.default_rng(66)).random(DRAWS)
    return np.ascontiguousarray(ndtri(np.clip(points, 1e-6, 1.0 - 1e-6)).T)


class RigBelief(NamedTuple):
    """What the draws take from the rig: where a summary is not finite, and of the tow vehicle."""

    mass_kg: float
    mass_sd_kg: float
    drag_area_m2: float
    drag_area_sd_m2: float
    tractive_scale: float
    tow_mass_kg: float
    tow_mass_sd_kg: float


def rig_belief(rig: Rig) -> RigBelief:
    """What the draws take from a rig."""
    vehicle = rig.vehicle
    return RigBelief(
        0.5 * (vehicle.mass_kg + rig.nominal_gcm_kg),
        0.25 * (rig.nominal_gcm_kg - vehicle.mass_kg),
        vehicle.drag_area_m2,
        vehicle.drag_area_sd_m2 or vehicle.drag_area_m2 / 3.0,
        rig.uncertainty.tractive_scale,
        vehicle.mass_kg,
        vehicle.mass_sd_kg or 0.0,
    )


USUAL_ROLLING, USUAL_ROLLING_SD = 0.012, 0.006
"""Of a load of which nothing is known."""


class Summary(NamedTuple):
    """The estimator's summary, complete; floats or arrays that broadcast."""

    mass_kg: Number
    mass_sd_kg: Number
    mass_sd_given_scale_kg: Number
    rolling_resistance: Number
    rolling_resistance_sd: Number
    drag_area_m2: Number
    drag_area_sd_m2: Number


def or_else(value: Number, default: float) -> Any:
    """A value where it is finite, else a default."""
    return np.where(np.isfinite(value), value, default)


def completed(
    rig: RigBelief,
    mass_kg: Number,
    mass_sd_kg: Number,
    mass_sd_given_scale_kg: Number,
    rolling_resistance: Number,
    rolling_resistance_sd: Number,
    drag_area_m2: Number,
    drag_area_sd_m2: Number,
) -> Summary:
    """A summary with the rig's prior in place of what is not finite.

    Parameters
    ----------
    rig : RigBelief
    mass_kg, mass_sd_kg, mass_sd_given_scale_kg : float or ndarray
    rolling_resistance, rolling_resistance_sd : float or ndarray
    drag_area_m2, drag_area_sd_m2 : float or ndarray
    """
    mass_sd = or_else(mass_sd_kg, rig.mass_sd_kg)
    return Summary(
        or_else(mass_kg, rig.mass_kg),
        mass_sd,
        np.minimum(or_else(mass_sd_given_scale_kg, rig.mass_sd_kg), mass_sd),
        or_else(rolling_resistance, USUAL_ROLLING),
        or_else(rolling_resistance_sd, USUAL_ROLLING_SD),
        or_else(drag_area_m2, rig.drag_area_m2),
        or_else(drag_area_sd_m2, rig.drag_area_sd_m2),
    )


def draw_at(
    load: Summary,
    rig: RigBelief,
    of_scale: Number,
    of_mass: Number,
    of_rolling: Number,
    of_drag: Number,
    of_tow: Number,
) -> tuple[Any, Any, Any, Any, Any]:
    """The draw at a point of five standard normals; floats, or arrays that broadcast.

    Parameters
    ----------
    load : Summary
    rig : RigBelief
    of_scale, of_mass, of_rolling, of_drag, of_tow : float or ndarray
        Of the part that the tractive scale causes, of the mass's rest, and so on.

    Returns
    -------
    tuple of float or ndarray
        Mass, rolling resistance, drag area, tractive scale and trailer mass of a ``LoadDraw``.
    """
    mass, mass_sd, given_sd = load.mass_kg, load.mass_sd_kg, load.mass_sd_given_scale_kg
    scale_sd = np.sqrt(np.maximum(mass_sd**2 - given_sd**2, 0.0)) / mass
    common = scale_sd * of_scale
    drag = load.drag_area_m2
    drag_own = np.sqrt(np.maximum(load.drag_area_sd_m2**2 - (scale_sd * drag) ** 2, 0.0))
    drawn = np.maximum(mass * (1.0 + common) + given_sd * of_mass, 300.0)
    return (
        drawn,
        np.maximum(load.rolling_resistance + load.rolling_resistance_sd * of_rolling, 0.003),
        np.maximum(drag * (1.0 + common) + drag_own * of_drag, 0.2),
        rig.tractive_scale * np.maximum(1.0 + common, 0.5),
        drawn - rig.tow_mass_kg - rig.tow_mass_sd_kg * of_tow,
    )


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
    columns = (
        np.atleast_1d(np.asarray(values, dtype=np.float64))[:, None]
        for values in (
            mass_kg,
            mass_sd_kg,
            mass_sd_given_scale_kg,
            rolling_resistance,
            rolling_resistance_sd,
            drag_area_m2,
            drag_area_sd_m2,
        )
    )
    of_rig = rig_belief(rig)
    load = completed(of_rig, *columns)
    out = np.empty((load.mass_kg.shape[0], DRAWS), dtype=record_type(LoadDraw))
    drawn = draw_at(load, of_rig, *normal_points())
    for name, values in zip(DRAWN, drawn, strict=True):
        out[name] = values
    out["weight"] = 1.0
    return out
