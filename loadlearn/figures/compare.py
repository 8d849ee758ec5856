"""Strategies compared on one road: fuel against climb time, and the traces of one draw."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from loadlearn.figures.style import (
    BLUE,
    BLUISH_GREEN,
    GREY,
    ORANGE,
    VERMILION,
    new_figure,
    small_legend,
    tidy,
)
from loadlearn.simulation.comparison import Comparison

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLOURS = {
    "base": GREY,
    "fixed_share": ORANGE,
    "short_pull": VERMILION,
    "learnt_load": BLUE,
    "known_load": BLUISH_GREEN,
}
MARKERS = {
    "base": "s",
    "fixed_share": "^",
    "short_pull": "v",
    "learnt_load": "o",
    "known_load": "D",
}


def draw_pareto(result: Comparison, summary: dict[str, Any]) -> Figure:
    """Draw fuel against time on climbs, or against the time for a road without climbs.

    Parameters
    ----------
    result : Comparison
    summary : dict
        As :func:`loadlearn.simulation.paired_differences.summarise` returns it.

    Returns
    -------
    matplotlib.figure.Figure
        Left: every draw and the means with their intervals. Right: differences from ``base`` in
        the same draw, with the interval of the mean paired difference.
    """
    table = result.table
    timed = "climb_time_s" if np.isfinite(table["climb_time_s"]).any() else "trip_time_s"
    label = "time on climbs (s)" if timed == "climb_time_s" else "time for the road (s)"
    figure = new_figure(10.0, 4.6)
    left, right = figure.subplots(1, 2)
    for name, entry in summary["strategies"].items():
        rows = table[table["strategy"] == name]
        colour, marker = COLOURS[name], MARKERS[name]
        left.plot(
            rows[timed], rows["fuel_l_per_100km"], marker, color=colour, markersize=3, alpha=0.35
        )
        left.plot(
            [entry[timed]["mean"]],
            [entry["fuel_l_per_100km"]["mean"]],
            marker,
            color=colour,
            markersize=8,
            markeredgecolor="white",
            label=name.replace("_", " "),
        )
    tidy(left, "fuel (l/100 km)", label)
    left.set_title("every draw; large: means", fontsize=9)
    small_legend(left, loc="best")

    against = {
        (one["of"], one["quantity"]): one
        for one in summary["paired_differences"]
        if one["minus"] == "base"
    }
    right.axhline(0.0, color="#BBBBBB", linewidth=0.8)
    right.axvline(0.0, color="#BBBBBB", linewidth=0.8)
    for name in summary["strategies"]:
        if name == "base":
            continue
        x, y = against[name, timed], against[name, "fuel_l_per_100km"]
        right.errorbar(
            [x["mean"]],
            [y["mean"]],
            xerr=_half(x),
            yerr=_half(y),
            fmt=MARKERS[name],
            color=COLOURS[name],
            capsize=2,
            label=name.replace("_", " "),
        )
    tidy(right, "fuel less that of base (l/100 km)", f"{label}, less that of base")
    right.set_title("paired differences, 95 % intervals", fontsize=9)
    small_legend(right, loc="best")
    figure.suptitle(_title(summary), fontsize=10, x=0.01, ha="left")
    return figure


def draw_traces(result: Comparison, summary: dict[str, Any]) -> Figure:
    """Draw the first draw under every strategy, over distance.

    Parameters
    ----------
    result : Comparison
        With traces.
    summary : dict
        As for :func:`draw_pareto`.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = new_figure(10.0, 8.4)
    panels = figure.subplots(4, 1, sharex=True, gridspec_kw={"height_ratios": [0.7, 1.2, 1.0, 1.0]})
    road = result.what.road
    km = road.distance_m / 1000.0
    panels[0].fill_between(km, road.altitude_m, road.altitude_m.min(), color="#DDDDDD", linewidth=0)
    tidy(panels[0], "altitude (m)")
    for axes in panels:
        for climb in result.what.climbs:
            axes.axvspan(climb.start_m / 1e3, climb.end_m / 1e3, color="#F3EBDD", zorder=0)
    for name, trace in result.traces.items():
        at, colour = trace["distance_m"] / 1000.0, COLOURS[name]
        words = name.replace("_", " ")
        panels[1].plot(at, 3.6 * trace["speed_m_s"], color=colour, linewidth=0.9, label=words)
        panels[2].plot(at, trace["extra_torque_share"], color=colour, linewidth=0.9)
        panels[3].plot(at, trace["gas_degc"], color=colour, linewidth=0.9)
    tidy(panels[1], "speed (km/h)")
    tidy(panels[2], "share of the extra\ntorque in use")
    panels[2].set_ylim(-0.02, 1.02)
    tidy(panels[3], "gas before the\nturbine (degC)", "distance (km), climbs shaded")
    if result.what.rig.limits.exhaust_gas_temp_sensor != "after_turbine":
        _draw_limit(panels[3], result.what.rig.limits.exhaust_gas_temp_degc)
    small_legend(panels[1], loc="lower left", ncols=5)
    panels[0].set_xlim(0.0, km[-1])
    figure.align_ylabels(panels)
    figure.suptitle(f"{_title(summary)}; first draw", fontsize=10, x=0.01, ha="left")
    return figure


def _draw_limit(axes: Axes, limit_degc: float) -> None:
    axes.axhline(limit_degc, color=VERMILION, linewidth=0.8, linestyle="--", label="limit")
    small_legend(axes, loc="lower left")


def _half(one: dict[str, Any]) -> list[float] | None:
    low, high = one["interval95"]
    return [(high - low) / 2.0] if np.isfinite(low) else None


def _title(summary: dict[str, Any]) -> str:
    return (
        f"{summary['rig']} on {summary['road']}, {summary['combined_mass_kg']:,.0f} kg, "
        f"{summary['draws']} draws"
    )
