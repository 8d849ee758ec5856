"""What is compared on what: rig, road, load, strategies, what is drawn and what is logged."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from loadlearn.errors import InputError
from loadlearn.policy.choose import StrategyLike
from loadlearn.policy.weighing import weighed_mass
from loadlearn.simulation.road import GRID_M, Road
from loadlearn.simulation.sensors import Channel, Logger
from loadlearn.simulation.strategies import DEFAULT_RETENTION, Driven, built_in, of_ones_own
from loadlearn.simulation.variation import PlantVariation
from loadlearn.vehicle.rig import Rig

CLIMB_GRADE_PERCENT, CLIMB_SMOOTH_M, CLIMB_SHORTEST_M = 2.5, 200.0, 400.0
"""A climb: grade over 200 m at or above 2.5 % for at least 400 m (our own definition)."""
STOPPING_M = 300.0
"""Before the road's end, where the vehicle comes to rest, nothing counts as climb."""
PASSING_RISE_M_S, PASSING_SLOWEST_M_S = 10.0 / 3.6, 50.0 / 3.6
"""Where the limit rises by 10 km/h or more from 50 km/h or more, the slower vehicle stays there."""


@dataclass(frozen=True)
class Climb:
    """A climb of the road.

    Attributes
    ----------
    start_m, end_m : float
        Foot and crest (m).
    """

    start_m: float
    end_m: float


def climbs(road: Road) -> tuple[Climb, ...]:
    """Climbs of a road.

    Returns
    -------
    tuple of Climb
        In the order of distance.
    """
    width = int(CLIMB_SMOOTH_M / GRID_M)
    padded = np.pad(road.grade_percent, (width // 2, width - width // 2 - 1), mode="edge")
    smooth = np.convolve(padded, np.full(width, 1.0 / width), mode="valid")
    steep = np.concatenate(([False], smooth >= CLIMB_GRADE_PERCENT, [False]))
    edges = np.flatnonzero(np.diff(steep.astype(int)))
    found: list[Climb] = []
    for first, after in zip(edges[::2], edges[1::2], strict=True):
        start = float(road.distance_m[first])
        end = min(float(road.distance_m[after - 1]), road.length_m - STOPPING_M)
        if found and start - found[-1].end_m < CLIMB_SMOOTH_M:
            start = found.pop().start_m
        found.append(Climb(start, end))
    return tuple(one for one in found if one.end_m - one.start_m >= CLIMB_SHORTEST_M)


def passing_places(road: Road) -> tuple[tuple[float, float], ...]:
    """Where a slower vehicle could be passed.

    Returns
    -------
    tuple of (float, float)
        Distance (m) and speed of the slower vehicle (m/s).
    """
    limit = road.speed_limit_m_s
    rises = np.flatnonzero(
        (np.diff(limit) >= PASSING_RISE_M_S - 1e-9) & (limit[:-1] >= PASSING_SLOWEST_M_S - 1e-9)
    )
    return tuple((float(road.distance_m[place + 1]), float(limit[place])) for place in rises)


@dataclass(frozen=True)
class Situation:
    """What is compared on what.

    Attributes
    ----------
    rig : Rig
        As estimator and law are told it.
    road : Road
    combined_mass_kg : float
        True mass.
    compared : tuple of Driven
    variation : PlantVariation
        What is drawn.
    logger : Logger
    climbs, passing_places
        Of the road.
    weighed : (float, float) or None
        Mass that the estimator is told at the start, and its sd (kg).
    rig_name : str
        What the rig is called among those compared.
    """

    rig: Rig
    road: Road
    combined_mass_kg: float
    compared: tuple[Driven, ...]
    variation: PlantVariation
    logger: Logger
    climbs: tuple[Climb, ...]
    passing_places: tuple[tuple[float, float], ...]
    weighed: tuple[float, float] | None = None
    rig_name: str = ""


def situation(
    rig: Rig,
    road: Road,
    combined_mass_kg: float | None = None,
    retention: float | None = None,
    variation: PlantVariation | None = None,
    logger: Logger | None = None,
    weighed_mass_kg: float | None = None,
    weighed_mass_sd_kg: float | None = None,
    rig_name: str | None = None,
    strategies: Sequence[StrategyLike] = (),
) -> Situation:
    """Lay out a comparison.

    Parameters
    ----------
    rig : Rig
        With a full-load curve and ``[engine.uprated]``.
    road : Road
    combined_mass_kg : float, optional
        True mass (kg); when absent nine tenths of GCM, or less where the trailer would then be
        above nine tenths of the towing rating.
    retention : float, optional
        Power retention of ``fixed_share``.
    variation : PlantVariation, optional
        What is drawn.
    logger : Logger, optional
        A good 10 Hz logger with the channels that a power module has of its own when absent.
    weighed_mass_kg, weighed_mass_sd_kg : float, optional
        What the estimator is told of the combined mass (kg), the true one or not; its sd is
        :data:`~loadlearn.policy.weighing.WEIGHED_SD_SHARE` of it when absent.
    rig_name : str, optional
        The rig's own name when absent.
    strategies : sequence of Strategy, callable, path or str
        Of one's own, compared beside the built-in ones.

    Raises
    ------
    InputError
        The rig has no uprated engine, or a value is impossible.
    """
    if rig.engine.uprated is None:
        raise InputError(
            "the rig has no [engine.uprated], so there are no strategies to compare: "
            "add its full_load_torque_n_m"
        )
    if combined_mass_kg is None:
        combined_mass_kg = _usual_mass_kg(rig)
    if not (math.isfinite(combined_mass_kg) and combined_mass_kg > 0.0):
        raise InputError(f"the combined mass is {combined_mass_kg:g} kg; give a positive mass")
    vehicle = rig.vehicle
    assert vehicle.mass_sd_kg is not None
    if combined_mass_kg < vehicle.mass_kg - 3.0 * vehicle.mass_sd_kg:
        raise InputError(
            f"the combined mass is {combined_mass_kg:,.0f} kg, but the rig alone weighs "
            f"{vehicle.mass_kg:,.0f} kg (mass_kg); give tow vehicle and trailer together, in kg"
        )
    return Situation(
        rig=rig,
        road=road,
        combined_mass_kg=float(combined_mass_kg),
        compared=_compared(rig, DEFAULT_RETENTION if retention is None else retention, strategies),
        variation=variation or PlantVariation(),
        logger=logger or module_logger(),
        climbs=climbs(road),
        passing_places=passing_places(road),
        weighed=weighed_mass(weighed_mass_kg, weighed_mass_sd_kg),
        rig_name=rig.name if rig_name is None else rig_name,
    )


def _compared(rig: Rig, retention: float, strategies: Sequence[StrategyLike]) -> tuple[Driven, ...]:
    """The built-in strategies and those given, each with a name of its own."""
    found = list(built_in(rig, retention))
    for given in strategies:
        own = of_ones_own(given, rig)
        taken = {one.name for one in found}
        number = 1
        name = own.name
        while name in taken:
            number += 1
            name = f"{own.name}_{number}"
        found.append(replace(own, name=name))
    return tuple(found)


def _usual_mass_kg(rig: Rig) -> float:
    """A heavy load that keeps every rating (kg)."""
    heavy, vehicle = 0.9 * rig.nominal_gcm_kg, rig.vehicle
    if vehicle.rated_towing_kg is None:
        return heavy
    return min(heavy, vehicle.mass_kg + 0.9 * vehicle.rated_towing_kg)


def module_logger() -> Logger:
    """A good 10 Hz logger that also knows what share of the extra torque it lets be used."""
    return Logger.good_10hz().with_channels(
        extra_torque_share=Channel(resolution=0.01),
        driver_aid_active=Channel(resolution=1.0),
        regeneration_active=Channel(resolution=1.0),
        exhaust_brake_active=Channel(resolution=1.0),
    )


def without_cruise(what: Situation) -> Situation:
    """The same with a driver who never uses cruise control."""
    return replace(what, variation=replace(what.variation, cruise_share=0.0))
