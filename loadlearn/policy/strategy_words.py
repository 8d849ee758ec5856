"""Words for people: axes, settings and limits of a strategy, with units."""

from __future__ import annotations

from collections.abc import Mapping

from loadlearn.policy.strategy import AXES, Strategy

WORDS = {
    "mass_kg": "combined mass",
    "rolling_resistance": "rolling resistance",
    "grade_percent": "grade",
    "speed_m_s": "speed",
    "power_retention": "power retention",
    "full_share_time_s": "full-share time",
    "economy": "economy",
    "engine_speed_rpm": "engine speed",
    "gear": "gear",
}
"""Names of axes, settings and curves as they are said."""
MEANING = {
    "power_retention": "share of the extra torque to keep under sustained demand, 0 to 1",
    "full_share_time_s": "how long all of it may be kept before that, 0 to 60 s",
    "economy": "how far demand is restrained, 0 to 1",
    "mass_kg": "combined mass of vehicle and load, kg",
    "rolling_resistance": "rolling resistance coefficient at 20 m/s",
    "grade_percent": "grade that the road asks for, 100 x rise / run",
    "speed_m_s": "speed that is asked for, m/s",
}
"""What axes and settings mean, with units."""
CAUTION = (
    "A recommendation for test, within the maker's ratings; local rules and licensed practice "
    "decide. The protections always act on top."
)

_UNITS = {
    "mass_kg": "kg",
    "grade_percent": "%",
    "speed_m_s": "m/s",
    "full_share_time_s": "s",
    "engine_speed_rpm": "rpm",
}


def spoken(name: str, value: float | None = None) -> str:
    """An axis, setting or curve by its usual name; with a value, that and its unit too.

    Parameters
    ----------
    name : str
        As in a strategy.
    value : float, optional
    """
    if value is None:
        return WORDS[name]
    return f"{WORDS[name]} {amount(name, value)}"


def amount(name: str, value: float) -> str:
    """A value of an axis, setting or curve with its unit.

    Parameters
    ----------
    name : str
    value : float
        NaN is blank.
    """
    if value != value:
        return "blank"
    return f"{value:.9g} {unit_of(name)}".rstrip()


def unit_of(name: str) -> str:
    """Unit of an axis, setting or curve as it is written; empty where it has none.

    Parameters
    ----------
    name : str
    """
    return _UNITS.get(name, "")


def place(point: Mapping[str, float]) -> str:
    """A point of the grid in words.

    Parameters
    ----------
    point : mapping of str to float
        Values by axis.
    """
    return ", ".join(spoken(name, value) for name, value in point.items()) or "everywhere"


def cell(strategy: Strategy, index: tuple[int, ...]) -> str:
    """A cell of a strategy's grid in words; axes of a single point are not told.

    Parameters
    ----------
    strategy : Strategy
    index : tuple of int
        Position along each axis.
    """
    return place(
        {
            name: float(strategy.axes[name][at])
            for name, at in zip(AXES, index, strict=True)
            if strategy.axes[name].size > 1
        }
    )
