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
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

COLOURS = {
    "base": GREY,
    "fixed_share": ORANGE,
    "short_pull": VERMILION,
    "learnt_load": BLUE,
    "known_load": BLUISH_GREEN,
}
# Drawn one over the other: what lies below is wider, so that lines that agree are all seen.
WIDTHS = {
    "base": 3.0,
    "fixed_share": 2.4,
    "short_pull": 1.8,
    "learnt_load": 1.2,
    "known_load": 0.7,
}
SIZES = {"base": 11, "fixed_share": 10, "short_pull": 8.5, "learnt_load": 7, "known_load": 5.5}
SLOW_M_S = 3.0

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
            markersize=SIZES[name],
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
            markersize=SIZES[name],
            markeredgecolor="white",
            elinewidth=0.6 * WIDTHS[name],
            capsize=2 + SIZES[name] / 4,
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
    """
    figure = new_figure(10.0, 9.6)
    panels = figure.subplots(
        5, 1, sharex=True, gridspec_kw={"height_ratios": [0.6, 1.1, 0.9, 0.9, 1.0]}
    )
    base = result.traces.get("base")
    road = result.what.road
    km = road.distance_m / 1000.0
    panels[0].fill_between(km, road.altitude_m, road.altitude_m.min(), color="#DDDDDD", linewidth=0)
    tidy(panels[0], "altitude (m)")
    for axes in panels:
        for climb in result.what.climbs:
            axes.axvspan(climb.start_m / 1e3, climb.end_m / 1e3, color="#F3EBDD", zorder=0)
    lines = []
    for name, trace in result.traces.items():
        at = trace["distance_m"] / 1000.0
        look: dict[str, Any] = {"color": COLOURS[name], "linewidth": WIDTHS[name]}
        words = name.replace("_", " ")
        lines += panels[1].plot(at, 3.6 * trace["speed_m_s"], label=words, **look)
        if base is not None:
            panels[2].plot(*_lead(trace, base), **look)
        panels[3].plot(at, trace["extra_torque_share"], **look)
        panels[4].plot(at, trace["gas_degc"], **look)
    tidy(panels[1], "speed (km/h)")
    tidy(panels[2], "lead over\nbase (s)")
    tidy(panels[3], "share of the extra\ntorque in use")
    panels[3].set_ylim(-0.03, 1.05)
    limits = result.what.rig.limits
    after = limits.exhaust_gas_temp_sensor == "after_turbine"
    place = "after" if after else "before"
    tidy(panels[4], f"gas {place} the\nturbine (degC)", "distance (km), climbs shaded")
    limit = limits.exhaust_gas_temp_after_turbine_degc if after else limits.exhaust_gas_temp_degc
    _draw_limit(panels[4], limit)
    figure.legend(handles=lines, loc="outside lower center", ncols=5, fontsize=8, frameon=False)
    panels[0].set_xlim(0.0, km[-1])
    figure.align_ylabels(panels)
    figure.suptitle(f"{_title(summary)}; first draw", fontsize=10, x=0.01, ha="left")
    return figure


def _lead(trace: pd.DataFrame, base: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    """Distance (km), and how much earlier than ``base`` each place was reached (s)."""

    def first(of: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
        # Backed up or standing, a place counts when it is first reached.
        place = of["distance_m"].to_numpy()
        new = np.diff(np.maximum.accumulate(place), prepend=-np.inf) > 0.0
        return place[new], of["time_s"].to_numpy()[new]

    place, time = first(trace)
    theirs, when = first(base)
    lead = np.interp(place, theirs, when) - time
    # At and near rest a metre takes as long as one likes: the line is broken there.
    pace = np.diff(place, prepend=np.nan) / np.diff(time, prepend=np.nan)
    lead[~(pace > SLOW_M_S)] = np.nan
    within = place <= theirs[-1] - 30.0
    return place[within] / 1000.0, lead[within]


def _draw_limit(axes: Axes, limit_degc: float) -> None:
    axes.axhline(limit_degc, color="black", linewidth=0.9, linestyle="--", label="limit")
    small_legend(axes, loc="lower left")


def _half(one: dict[str, Any]) -> list[float] | None:
    low, high = one["interval95"]
    return [(high - low) / 2.0] if np.isfinite(low) else None


def _title(summary: dict[str, Any]) -> str:
    return (
        f"{summary['rig']} on {summary['road']}, {summary['combined_mass_kg']:,.0f} kg, "
        f"{summary['draws']} draw{'' if summary['draws'] == 1 else 's'}"
    )
