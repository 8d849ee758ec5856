"""A strategy: settings over the load and the road, limits of the extra torque, protections.

A strategy is data. One grid over combined mass, rolling resistance, grade and speed carries three
settings, and what lies between its points is interpolated; nothing else decides the settings. So
what is exported, edited, compared and driven is one and the same thing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

AXES = {"mass_kg": "kg", "rolling_resistance": "1", "grade_percent": "%", "speed_m_s": "m/s"}
"""Axes of the grid, in order, with units: combined mass; coefficient at 20 m/s; grade asked for
(100 tan); speed asked for."""
SETTINGS = {"power_retention": "1", "full_share_time_s": "s", "economy": "1"}
"""Settings in every cell, with units."""
LARGEST = {"power_retention": 1.0, "full_share_time_s": 60.0, "economy": 1.0}
"""No setting lies above this, none below 0."""
CURVES = {"engine_speed_rpm": "rpm", "gear": "1"}
"""What a limit of the extra torque's share may depend on, with units."""
NEUTRAL = {
    "mass_kg": 1.0,
    "rolling_resistance": 0.01,
    "grade_percent": 0.0,
    "speed_m_s": 20.0,
}
"""The single point of an axis on which a strategy does not depend; its value does not matter."""


class Settings(NamedTuple):
    """What a strategy asks for."""

    power_retention: float = 0.0
    """Share of the extra torque to keep under sustained demand, 0 to 1."""
    full_share_time_s: float = 60.0
    """How long all of it may be kept before that (s), 0 to 60."""
    economy: float = 0.0
    """How far demand is restrained, 0 to 1."""


class Now(NamedTuple):
    """What a rule of one's own may look at, once a second."""

    time_s: float
    mass_kg: float
    """Combined mass learnt."""
    mass_sd_kg: float
    rolling_resistance: float
    """Learnt; coefficient at 20 m/s."""
    grade_percent: float
    """Grade that the road asks for: a high quantile of those met at or above the present one."""
    speed_m_s: float
    """Speed that is asked for: what was driven before demand began."""


Rule = Callable[[Now], Settings]
"""A strategy of one's own: settings from what is known now."""


@dataclass(frozen=True)
class Strategy:
    """A strategy as data.

    Attributes
    ----------
    name : str
        For people.
    axes : mapping of str to ndarray
        Rising points of every axis in :data:`AXES`; a single point where nothing depends on it.
    settings : mapping of str to ndarray, shape (mass, rolling resistance, grade, speed)
        By the names of :data:`SETTINGS`. NaN is a blank cell: above a rating. There the settings
        of the next lighter mass hold, and the protection of the ratings takes what it must.
    share_limits : mapping of str to (ndarray, ndarray)
        Largest share of the extra torque over engine speed or gear (:data:`CURVES`): rising points
        and shares. Empty = no limit beyond the protections.
    protections : mapping of str to value
        Parameters of the protections, by the names of the rig's ``[limits]``. They may be stricter
        than the rig's; weaker ones do not count.
    rig : mapping
        The rig for which it was made, key by key as in a rig file; empty = for any rig.
    made : mapping
        How it was made: command, version, conditions. For people.
    """

    name: str
    axes: Mapping[str, FloatArray]
    settings: Mapping[str, FloatArray]
    share_limits: Mapping[str, tuple[FloatArray, FloatArray]] = field(default_factory=dict)
    protections: Mapping[str, Any] = field(default_factory=dict)
    rig: Mapping[str, Any] = field(default_factory=dict)
    made: Mapping[str, Any] = field(default_factory=dict)

    @property
    def shape(self) -> tuple[int, ...]:
        """Points along each axis."""
        return tuple(self.axes[name].size for name in AXES)

    def look_up(
        self,
        mass_kg: ArrayLike,
        rolling_resistance: ArrayLike,
        grade_percent: ArrayLike,
        speed_m_s: ArrayLike,
    ) -> dict[str, FloatArray]:
        """Settings at loads and roads: linear between points, held beyond the edges.

        Rolling resistance counts by its logarithm.

        Parameters
        ----------
        mass_kg, rolling_resistance, grade_percent, speed_m_s : array_like, shape (k,)

        Returns
        -------
        dict of str to ndarray, shape (k,)
        """
        from scipy.interpolate import RegularGridInterpolator

        points, axes = [], []
        given = (mass_kg, rolling_resistance, grade_percent, speed_m_s)
        for name, values in zip(AXES, np.broadcast_arrays(*given), strict=True):
            axis = self.axes[name]
            if axis.size == 1:
                continue
            inside = np.clip(np.asarray(values, dtype=np.float64), axis[0], axis[-1])
            by_log = name == "rolling_resistance"
            points.append(np.log(inside) if by_log else inside)
            axes.append(np.log(axis) if by_log else axis)
        count = np.broadcast(*given).size
        out = {}
        for name in SETTINGS:
            table = filled(self.settings[name])
            if axes:
                grid = RegularGridInterpolator(axes, np.squeeze(table))
                out[name] = np.asarray(grid(np.stack([p.ravel() for p in points], axis=-1)))
            else:
                out[name] = np.full(count, table.item())
        return out


def filled(table: FloatArray) -> FloatArray:
    """Blank cells take the value of the next lighter mass; of nothing known, 0.

    Parameters
    ----------
    table : ndarray, shape (mass, rolling resistance, grade, speed)

    Returns
    -------
    ndarray, same shape
    """
    out = np.array(table, dtype=np.float64)
    for i in range(out.shape[0]):
        below = out[i - 1] if i else np.zeros_like(out[0])
        out[i] = np.where(np.isnan(out[i]), below, out[i])
    return out


def constant(name: str, settings: Settings) -> Strategy:
    """A strategy of the same settings everywhere.

    Parameters
    ----------
    name : str
    settings : Settings
    """
    return Strategy(
        name=name,
        axes={axis: np.array([value]) for axis, value in NEUTRAL.items()},
        settings={one: np.full((1, 1, 1, 1), value) for one, value in settings._asdict().items()},
    )
