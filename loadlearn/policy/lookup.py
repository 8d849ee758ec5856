"""Settings looked up in a strategy's grid, at what is known of the load and asked by the road.

Compiled for the law; :meth:`loadlearn.policy.strategy.Strategy.look_up` is the same interpolation
for whole tables.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn.policy.strategy import AXES, CURVES, SETTINGS, FloatArray, Strategy, filled
from loadlearn.vehicle.roadload import GRAVITY_M_S2


class Grid(NamedTuple):
    """A strategy's grid as the law reads it."""

    mass_kg: FloatArray
    log_rolling_resistance: FloatArray
    grade_percent: FloatArray
    speed_m_s: FloatArray
    settings: FloatArray
    """Shape (3, mass, rolling resistance, grade, speed), the settings in order, no blanks."""
    drag_area_m2: float
    """For which it was made; what the load's exceeds this counts as rolling resistance."""
    tractive_scale: float
    """For which it was made."""
    speed_limit: FloatArray
    """Shape (2, k): engine speed (rpm) and largest share of the extra torque."""
    gear_limit: FloatArray
    """Shape (2, k): gear and largest share."""


def grid_of(strategy: Strategy, drag_area_m2: float, tractive_scale: float) -> Grid:
    """A strategy's grid for the law.

    Parameters
    ----------
    strategy : Strategy
    drag_area_m2, tractive_scale : float
        The rig's.
    """
    mass, rolling, grade, speed = (
        np.ascontiguousarray(strategy.axes[name], dtype=np.float64) for name in AXES
    )
    tables = np.stack([filled(strategy.settings[name]) for name in SETTINGS])
    no_limit = (np.array([0.0, 1.0]), np.ones(2))
    by_speed, by_gear = (np.stack(strategy.share_limits.get(name, no_limit)) for name in CURVES)
    return Grid(
        mass,
        np.log(rolling),
        grade,
        speed,
        np.ascontiguousarray(tables),
        drag_area_m2,
        tractive_scale,
        by_speed,
        by_gear,
    )


class Place(NamedTuple):
    """Where a value lies on an axis: the point below it, and the part of the way to the next."""

    below: int
    part: float


def place(axis: FloatArray, value: float) -> Place:
    """Find a value on a rising axis; beyond an edge it is held.

    Parameters
    ----------
    axis : ndarray, shape (k,)
    value : float
    """
    last = axis.shape[0] - 1
    if last == 0 or not value > axis[0]:
        return Place(0, 0.0)
    if value >= axis[last]:
        return Place(last - 1, 1.0)
    below = 0
    while axis[below + 1] <= value:
        below += 1
    return Place(below, (value - axis[below]) / (axis[below + 1] - axis[below]))


def side(at: Place, above: int) -> tuple[int, float]:
    """The point below a place (0), or the one above it, and its weight.

    Parameters
    ----------
    at : Place
    above : int
    """
    return (at.below + 1, at.part) if above else (at.below, 1.0 - at.part)


def settings_at(
    grid: Grid, mass: Place, rolling: Place, grade: Place, speed: Place
) -> tuple[float, float, float]:
    """Settings between the points of a grid, linear in each axis.

    Parameters
    ----------
    grid : Grid
    mass, rolling, grade, speed : Place

    Returns
    -------
    tuple of float
        As :class:`~loadlearn.policy.strategy.Settings`.
    """
    retention, time, economy = 0.0, 0.0, 0.0
    for corner in range(16):
        i, of_mass = side(mass, corner & 1)
        j, of_rolling = side(rolling, corner & 2)
        k, of_grade = side(grade, corner & 4)
        m, of_speed = side(speed, corner & 8)
        weight = of_mass * of_rolling * of_grade * of_speed
        if weight > 0.0:
            retention += weight * grid.settings[0, i, j, k, m]
            time += weight * grid.settings[1, i, j, k, m]
            economy += weight * grid.settings[2, i, j, k, m]
    return retention, time, economy


def drag_as_rolling(
    grid: Grid, mass_kg: float, drag_area_m2: float, speed_m_s: float, air_density_kg_m3: float
) -> float:
    """Rolling resistance that drags at a speed as the drag area does beyond the grid's.

    Parameters
    ----------
    grid : Grid
    mass_kg, drag_area_m2, speed_m_s, air_density_kg_m3 : float
    """
    beyond = drag_area_m2 - grid.drag_area_m2
    from_drag = 0.5 * air_density_kg_m3 * beyond * speed_m_s * speed_m_s
    return from_drag / (max(mass_kg, 1.0) * GRAVITY_M_S2)


def expected_settings(
    grid: Grid,
    draws: NDArray[Any],
    grade_percent: float,
    speed_m_s: float,
    air_density_kg_m3: float,
) -> tuple[float, float, float]:
    """Mean over what the load may be of the settings that the grid holds for it.

    An engine that gives more than believed makes a load look lighter than it is, and carries it
    more easily in proportion; so a draw counts with its mass over its tractive scale.

    Parameters
    ----------
    grid : Grid
    draws : ndarray of LoadDraw, shape (n,)
    grade_percent, speed_m_s : float
        Asked for.
    air_density_kg_m3 : float

    Returns
    -------
    tuple of float
        As :class:`~loadlearn.policy.strategy.Settings`.
    """
    grade, speed = place(grid.grade_percent, grade_percent), place(grid.speed_m_s, speed_m_s)
    retention, time, economy, total = 0.0, 0.0, 0.0, 0.0
    for j in range(draws.shape[0]):
        draw = draws[j]
        scale = draw.tractive_scale / grid.tractive_scale
        mass, drag = draw.mass_kg / scale, draw.drag_area_m2 / scale
        rolling = draw.rolling_resistance + drag_as_rolling(
            grid, mass, drag, speed_m_s, air_density_kg_m3
        )
        here = settings_at(
            grid,
            place(grid.mass_kg, mass),
            place(grid.log_rolling_resistance, math.log(max(rolling, 1e-4))),
            grade,
            speed,
        )
        retention += draw.weight * here[0]
        time += draw.weight * here[1]
        economy += draw.weight * here[2]
        total += draw.weight
    return retention / total, time / total, economy / total
