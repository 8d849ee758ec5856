"""What the replay shows over its one time axis, from top to bottom."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

Dash = Literal["solid", "dashed", "dotted", "dash_dot"]


BESIDE = "baseline"
"""Words of a curve that a run names itself."""


@dataclass(frozen=True)
class Curve:
    """A line of a panel.

    Attributes
    ----------
    column : str
        Of a run's signals.
    words : str
        What it is, where a panel has several.
    dash, colour : str
        Told apart by both.
    step : bool
        Whether it holds its value until the next.
    """

    column: str
    words: str = ""
    dash: Dash = "solid"
    colour: str = "ink"
    step: bool = False


@dataclass(frozen=True)
class Panel:
    """Curves, or strips, on one axis.

    Attributes
    ----------
    title, unit : str
        The unit is "" for a pure number.
    curves : tuple of Curve
    decimals : int
        Of a reading.
    factor : float
        From the column's unit.
    height : int
        In pixels.
    logarithmic, filled, from_zero : bool
        The axis; whether the area below the first curve is filled; whether zero is on the axis.
    strips : tuple of str
        Names of what is drawn as bars over time, in place of curves.
    """

    title: str
    unit: str = ""
    curves: tuple[Curve, ...] = ()
    decimals: int = 0
    factor: float = 1.0
    height: int = 62
    logarithmic: bool = False
    filled: bool = False
    from_zero: bool = False
    strips: tuple[str, ...] = field(default=())


def _one(column: str, colour: str = "ink", step: bool = False) -> tuple[Curve, ...]:
    return (Curve(column, colour=colour, step=step),)


def _learnt(column: str, colour: str) -> tuple[Curve, ...]:
    return (
        Curve(column, "learnt", colour=colour),
        Curve(f"true_{column}", "truth", "dashed", step=True),
        Curve(f"beside_{column}", BESIDE, "dash_dot", "red"),
    )


PANELS: tuple[Panel, ...] = (
    Panel("combined mass", "t", _learnt("mass_kg", "blue"), 2, 1e-3, height=150),
    Panel(
        "rolling resistance at 20 m/s",
        "",
        _learnt("rolling_resistance", "green"),
        4,
        height=104,
        logarithmic=True,
    ),
    Panel("ground", strips=("ground", "true_ground")),
    Panel("set aside, not learnt from", strips=("aside",)),
    Panel("drag area", "m²", _learnt("drag_area_m2", "orange"), 2),
    Panel("height of the road", "m", _one("height_m"), filled=True, height=72),
    Panel("grade", "%", _one("grade_percent"), 1),
    Panel("speed", "km/h", _one("speed_m_s"), 0, 3.6, from_zero=True),
    Panel("engine speed", "rpm", _one("engine_speed_rpm")),
    Panel("gear", "", _one("gear", step=True), height=44),
    Panel("accelerator pedal", "%", _one("accelerator_percent"), height=48, from_zero=True),
    Panel("fuelling", "g/s", _one("fuel_rate_g_s"), 1, height=48, from_zero=True),
    Panel("force at the tread", "kN", _one("tractive_force_n"), 1, 1e-3),
    Panel(
        "exhaust gas",
        "°C",
        (
            Curve("exhaust_gas_temp_degc", "before turbine", colour="red"),
            Curve("exhaust_gas_temp_after_turbine_degc", "after turbine", "dashed"),
        ),
    ),
    Panel(
        "coolant and oil",
        "°C",
        (
            Curve("coolant_temp_degc", "coolant", colour="red"),
            Curve("transmission_oil_temp_degc", "gearbox oil", "dashed"),
            Curve("engine_oil_temp_degc", "engine oil", "dotted"),
        ),
    ),
    Panel("charge pressure, gauge", "kPa", _one("boost_kpa"), height=48),
    Panel(
        "extra torque",
        "%",
        (
            Curve("extra_torque", "allowed", colour="red", step=True),
            Curve("wanted_share", "wanted", "dashed", step=True),
            Curve("extra_torque_share", "in use", "dotted", "blue", step=True),
        ),
        factor=100.0,
        height=72,
        from_zero=True,
    ),
    Panel("protections acting", strips=("protections",)),
    Panel(
        "settings called for",
        "%",
        (
            Curve("power_retention", "power retention", colour="purple", step=True),
            Curve("economy", "economy", "dashed", "green", step=True),
        ),
        factor=100.0,
        height=72,
        from_zero=True,
    ),
    Panel("full-share time", "s", _one("full_share_time_s", step=True), from_zero=True),
)


def panel_data(panel: Panel, shown: dict[str, tuple[float, float] | None]) -> dict[str, Any]:
    """A panel as the script takes it.

    Parameters
    ----------
    panel : Panel
    shown : dict
        Ends of its axis, in the panel's unit, by ``recorded`` and ``simulated``; None without.
    """
    return {
        "title": panel.title,
        "unit": panel.unit,
        "decimals": panel.decimals,
        "factor": panel.factor,
        "height": panel.height,
        "logarithmic": panel.logarithmic,
        "filled": panel.filled,
        "ranges": shown,
        "strips": panel.strips,
        "curves": [
            {"column": c.column, "words": c.words, "dash": c.dash, "colour": c.colour}
            | {"step": c.step}
            for c in panel.curves
        ],
    }
