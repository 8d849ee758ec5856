"""A strategy's settings looked up for what a step knows of the load."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import Record, record_type
from loadlearn.policy.draws import (
    LoadDraw,
    RigBelief,
    completed,
    draw_at,
    normal_points,
    rig_belief,
)
from loadlearn.policy.lookup import Grid, expected_settings, grid_of
from loadlearn.policy.strategy import Strategy
from loadlearn.vehicle.rig import Rig

FloatArray = NDArray[np.float64]
LOAD_DRAW = record_type(LoadDraw)


class LookUp(NamedTuple):
    """What a look-up reads, and never writes."""

    name: str
    """Of the strategy."""
    grid: Grid
    rig: RigBelief
    points: FloatArray
    """Standard normals, shape (5, draws)."""


def look_up_of(strategy: Strategy, rig: Rig) -> LookUp:
    """A strategy's look-up for a rig.

    Parameters
    ----------
    strategy : Strategy
    rig : Rig
    """
    grid = grid_of(strategy, rig.vehicle.drag_area_m2, rig.uncertainty.tractive_scale)
    return LookUp(strategy.name, grid, rig_belief(rig), normal_points())


def settings_for(
    now: Record,
    draws: NDArray[Any],
    grid: Grid,
    rig: RigBelief,
    points: FloatArray,
    grade_percent: float,
    speed_m_s: float,
    air_density_kg_m3: float,
) -> tuple[float, float, float]:
    """Settings in the mean over what the load may be, as the adviser asks for them.

    Parameters
    ----------
    now : record of ``OUTPUT``
        What is known of the load.
    draws : ndarray of LoadDraw, shape (draws,)
        Scratch.
    grid : Grid
    rig : RigBelief
    points : ndarray, shape (5, draws)
    grade_percent, speed_m_s : float
        Asked for.
    air_density_kg_m3 : float

    Returns
    -------
    tuple of float
        As :class:`~loadlearn.policy.strategy.Settings`.
    """
    load = completed(
        rig,
        now.mass_kg,
        now.mass_sd_kg,
        now.mass_sd_given_scale_kg,
        now.rolling_resistance,
        now.rolling_resistance_sd,
        now.drag_area_m2,
        now.drag_area_sd_m2,
    )
    for j in range(draws.shape[0]):
        draw = draws[j]
        mass, rolling, drag, scale, trailer = draw_at(
            load, rig, points[0, j], points[1, j], points[2, j], points[3, j], points[4, j]
        )
        draw.mass_kg, draw.rolling_resistance, draw.drag_area_m2 = mass, rolling, drag
        draw.tractive_scale, draw.trailer_mass_kg, draw.weight = scale, trailer, 1.0
    return expected_settings(grid, draws, grade_percent, speed_m_s, air_density_kg_m3)
