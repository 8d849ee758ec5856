"""Strategies compared on one road: fuel against climb time; traces of the median and worst draw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from loadlearn.figures.style import (
    BLACK,
    BLUE,
    BLUISH_GREEN,
    GREY,
    ORANGE,
    REDDISH_PURPLE,
    SKY_BLUE,
    VERMILION,
    new_figure,
    small_legend,
    tidy,
)
from loadlearn.simulation.comparison import Comparison
from loadlearn.simulation.limits_sheet import Limit, limits_of

if TYPE_CHECKING:
    import pandas as pd
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
MARKERS = {
    "base": "s",
    "fixed_share": "^",
    "short_pull": "v",
    "learnt_load": "o",
    "known_load": "D",
}
# For strategies of the user's own.
_OTHER_COLOURS = (REDDISH_PURPLE, SKY_BLUE, BLACK)
_OTHER_MARKERS = ("P", "X", "*", "p", "h")
# One per rig.
_LINES = ("-", "--", ":", "-.")
SLOW_M_S = 3.0


@dataclass(frozen=True)
class Look:
    """How a strategy is drawn."""

    colour: str
    marker: str
    width: float
    size: float
    line: str


def looks(result: Comparison) -> dict[str, Look]:
    """How each strategy is drawn, by label: colour by strategy, line by rig.

    Drawn one over the other, what lies below is wider, so that lines that agree are all seen.

    Parameters
    ----------
    result : Comparison
    """
    names = list(dict.fromkeys(run.strategy.name for run in result.runs))
    own = [name for name in names if name not in COLOURS]
    rigs = [what.rig_name for what in result.whats]
    found = {}
    for place, run in enumerate(result.runs):
        name = run.strategy.name
        number = own.index(name) if name in own else 0
        part = place / max(len(result.runs) - 1, 1)
        found[run.label] = Look(
            colour=COLOURS.get(name) or _OTHER_COLOURS[number % len(_OTHER_COLOURS)],
            marker=MARKERS.get(name) or _OTHER_MARKERS[number % len(_OTHER_MARKERS)],
            width=2.8 - 2.0 * part,
            size=10.0 - 4.5 * part,
            line=_LINES[rigs.index(run.what.rig_name) % len(_LINES)],
        )
    return found


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
    look = looks(result)
    several = len(result.whats) > 1
    for name, entry in summary["strategies"].items():
        rows, one = table[table["strategy"] == name], look[name]
        filled = "none" if one.line != "-" else one.colour
        common = {"color": one.colour, "linestyle": "none", "marker": one.marker}
        left.plot(
            *(rows[timed], rows["fuel_l_per_100km"]),
            **{**common, "markersize": 3, "alpha": 0.35, "markerfacecolor": filled},
        )
        left.plot(
            [entry[timed]["mean"]],
            [entry["fuel_l_per_100km"]["mean"]],
            **{**common, "markersize": one.size, "markerfacecolor": filled},
            markeredgecolor="white" if filled != "none" else one.colour,
            label=name.replace("_", " "),
        )
    tidy(left, "fuel (l/100 km)", label)
    left.set_title("every draw; large: means", fontsize=9)

    against = {
        (one["of"], one["quantity"]): one
        for one in summary["paired_differences"]
        if one["minus"] == "base" or one["minus"].endswith(": base")
        if _rig_of(result, one["of"]) == _rig_of(result, one["minus"])
    }
    right.axhline(0.0, color="#BBBBBB", linewidth=0.8)
    right.axvline(0.0, color="#BBBBBB", linewidth=0.8)
    for name in summary["strategies"]:
        if (name, timed) not in against:
            continue
        x, y, one = against[name, timed], against[name, "fuel_l_per_100km"], look[name]
        open_ = one.line != "-"
        right.errorbar(
            [x["mean"]],
            [y["mean"]],
            xerr=_half(x),
            yerr=_half(y),
            fmt=one.marker,
            color=one.colour,
            markersize=one.size,
            markerfacecolor="none" if open_ else one.colour,
            markeredgecolor=one.colour if open_ else "white",
            elinewidth=0.6 * one.width,
            capsize=2 + one.size / 4,
            label=name.replace("_", " "),
        )
    base = "base of the same rig" if several else "base"
    tidy(right, f"fuel less that of {base} (l/100 km)", f"{label}, less that of {base}")
    right.set_title("paired differences, 95 % intervals", fontsize=9)
    handles, labels = left.get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=5, fontsize=8, frameon=False)
    figure.suptitle(_title(summary), fontsize=10, x=0.01, ha="left")
    return figure


def _rig_of(result: Comparison, label: str) -> str:
    return next(run.what.rig_name for run in result.runs if run.label == label)


def draw_traces(result: Comparison, summary: dict[str, Any]) -> Figure:
    """Draw every strategy over distance, in the median draw and in the worst.

    Parameters
    ----------
    result : Comparison
    summary : dict
        As for :func:`draw_pareto`.

    Returns
    -------
    matplotlib.figure.Figure
        Left: the draw in the middle by time on climbs, or by time for the road. Right: the draw in
        which some strategy comes nearest to a limit, or passes it furthest. One column where that
        is the same draw.
    """
    chosen = summary["drawn_in_figure"]
    columns = [[chosen["median"]["words"], chosen["worst"]["words"]]]
    if chosen["median"]["draw"] != chosen["worst"]["draw"]:
        columns = [[words] for words in columns[0]]
    draws = [chosen["median"]["draw"], chosen["worst"]["draw"]][: len(columns)]
    drawn = _limits_drawn(result, chosen["worst"]["quantity"])
    rows = 4 + len(drawn)
    figure = new_figure(11.0, 6.6 + 1.6 * len(drawn))
    panels = figure.subplots(
        rows,
        len(columns),
        sharex=True,
        sharey="row",
        squeeze=False,
        gridspec_kw={"height_ratios": [0.6, 1.1, 0.9, 0.9, *(1.0 for _ in drawn)]},
    )
    traces = result.traces
    look = looks(result)
    for column, (draw, words) in enumerate(zip(draws, columns, strict=True)):
        _draw_column(panels[:, column], result, traces[traces["draw"] == draw], look, drawn)
        panels[0, column].set_title("\n".join(words), fontsize=9)
        panels[-1, column].set_xlabel("distance (km), climbs shaded", fontsize=9)
    names = [
        "altitude (m)",
        "speed (km/h)",
        f"lead over\n{(_first_base(result) or 'base').replace('_', ' ')} (s)",
        "share of the extra\ntorque in use",
    ]
    names += [
        f"{_wrapped(limit.words)}{f' ({limit.unit})' if limit.unit else ''}" for limit in drawn
    ]
    for axes, name in zip(panels[:, 0], names, strict=True):
        axes.set_ylabel(name, fontsize=9)
    panels[3, 0].set_ylim(-0.03, 1.05)
    panels[0, 0].set_xlim(0.0, result.what.road.distance_m[-1] / 1e3)
    handles, labels = panels[1, 0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=5, fontsize=8, frameon=False)
    figure.align_ylabels(panels[:, 0])
    figure.suptitle(_title(summary), fontsize=10, x=0.01, ha="left")
    return figure


def _draw_column(
    panels: Any,
    result: Comparison,
    traces: pd.DataFrame,
    look: dict[str, Look],
    drawn: list[Limit],
) -> None:
    """One draw: road, speed, lead, extra torque, and what is limited."""
    road = result.what.road
    km = road.distance_m / 1000.0
    panels[0].fill_between(km, road.altitude_m, road.altitude_m.min(), color="#DDDDDD", linewidth=0)
    for axes in panels:
        for climb in result.what.climbs:
            axes.axvspan(climb.start_m / 1e3, climb.end_m / 1e3, color="#F3EBDD", zorder=0)
        tidy(axes, "")
    base = _first_base(result)
    for run in result.runs:
        trace = traces[traces["strategy"] == run.label]
        at, one = trace["distance_m"] / 1000.0, look[run.label]
        style: dict[str, Any] = {"color": one.colour, "linewidth": one.width, "linestyle": one.line}
        panels[1].plot(at, 3.6 * trace["speed_m_s"], label=run.label.replace("_", " "), **style)
        if base is not None:
            panels[2].plot(*_lead(trace, traces[traces["strategy"] == base]), **style)
        panels[3].plot(at, trace["extra_torque_share"], **style)
        for axes, limit in zip(panels[4:], drawn, strict=True):
            if limit.quantity in trace:
                axes.plot(at, trace[limit.quantity], **style)
    for axes, limit in zip(panels[4:], drawn, strict=True):
        values = {
            one.limit
            for what in result.whats
            for one in limits_of(what.rig)
            if one.quantity == limit.quantity
        }
        for number, value in enumerate(sorted(values)):
            axes.axhline(
                value,
                color="black",
                linewidth=0.9,
                linestyle="--",
                label=None if number else "limit",
            )
        # What lies far on the good side of a limit would only flatten what lies near it.
        if limit.at_least:
            axes.set_ylim(0.8 * limit.limit, 2.0 * limit.limit)
        elif limit.quantity.endswith("_degc"):
            axes.set_ylim(0.55 * limit.limit, max(axes.get_ylim()[1], 1.05 * limit.limit))
        small_legend(axes, loc="lower left")


def _first_base(result: Comparison) -> str | None:
    """Label of the stock vehicle: of the first rig, so that the others' hardware shows too."""
    return next((run.label for run in result.runs if run.strategy.name == "base"), None)


def _limits_drawn(result: Comparison, worst: str) -> list[Limit]:
    """The exhaust gas of every rig, and what comes nearest to its limit."""
    gas = {limits_of(what.rig)[0].quantity for what in result.whats}
    found: dict[str, Limit] = {}
    for what in result.whats:
        for limit in limits_of(what.rig):
            if limit.quantity in gas or limit.quantity == worst:
                found.setdefault(limit.quantity, limit)
    return list(found.values())


def _wrapped(words: str) -> str:
    middle = words.rfind(" ", 0, max(len(words) // 2 + 4, 1))
    return words if middle < 0 or len(words) < 16 else f"{words[:middle]}\n{words[middle + 1 :]}"


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


def _half(one: dict[str, Any]) -> list[float] | None:
    low, high = one["interval95"]
    return [(high - low) / 2.0] if np.isfinite(low) else None


def _title(summary: dict[str, Any]) -> str:
    return (
        f"{summary['rig']} on {summary['road']}, {summary['combined_mass_kg']:,.0f} kg, "
        f"{summary['draws']} draw{'' if summary['draws'] == 1 else 's'}"
    )
