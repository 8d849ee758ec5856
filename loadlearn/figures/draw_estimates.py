"""What a drive told of the load: the drive above, what was learnt from it below."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.figures.bands import band_95, settled_range
from loadlearn.figures.style import (
    BLACK,
    BLUE,
    BLUISH_GREEN,
    GREY,
    ORANGE,
    REDDISH_PURPLE,
    SKY_BLUE,
    VERMILION,
    ground_colours,
    new_figure,
    small_legend,
    tidy,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_POINTS = 4000
"""More points than pixels only cost time."""

# The reasons for setting samples aside, in few groups that a legend can hold.
_GROUP_OF_REASON = {
    "standstill or crawling": "standing or crawling",
    "starting up": "standing or crawling",
    "reverse": "standing or crawling",
    "service brake": "service or engine brake",
    "exhaust brake or retarder": "service or engine brake",
    "overrun without an exhaust-brake channel": "service or engine brake",
    "gear change": "gear change, clutch",
    "neutral or clutch": "gear change, clutch",
}
_OTHER_REASONS = "force or grade not known"
_GROUP_COLOURS = {
    "standing or crawling": GREY,
    "service or engine brake": VERMILION,
    "gear change, clutch": SKY_BLUE,
    _OTHER_REASONS: REDDISH_PURPLE,
}

_NOT_LEARNT = "nothing learnt of the mass"

TRUTH_COLUMNS = ("mass_kg", "rolling_resistance", "drag_area_m2", "surface")


def read_truth(path: Path) -> pd.DataFrame:
    """Read a table of what was true of a synthetic drive.

    Parameters
    ----------
    path : Path
        CSV, possibly compressed, with ``time_s`` and any of ``mass_kg``, ``rolling_resistance``,
        ``drag_area_m2`` and ``surface``, the name of the ground.

    Returns
    -------
    DataFrame
        Those columns.

    Raises
    ------
    InputError
        The file cannot be read, has no ``time_s`` or none of the others, or holds words for
        numbers.
    """
    try:
        table = pd.read_csv(path)
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: the truth cannot be read ({error}); check the file") from None
    if "time_s" not in table:
        raise InputError(f"{path}: the truth has no column time_s; add it")
    there = [name for name in TRUTH_COLUMNS if name in table]
    if not there:
        raise InputError(
            f"{path}: the truth has none of the columns {', '.join(TRUTH_COLUMNS)}; add one"
        )
    for name in ("time_s", *there):
        if name != "surface" and table[name].dtype.kind not in "iuf":
            raise InputError(f"{path}: column '{name}' of the truth is not all numbers; mend it")
    return table[["time_s", *there]]


def draw_estimates(
    prepared: pd.DataFrame,
    history: pd.DataFrame,
    summary: dict[str, Any],
    truth: pd.DataFrame | None = None,
    beside: tuple[str, pd.DataFrame] | None = None,
) -> Figure:
    """Draw a drive and what was learnt from it.

    Parameters
    ----------
    prepared : DataFrame
        The drive: ``time_s``, ``speed_m_s`` and, where known, ``grade_percent`` and
        ``tractive_force_n``.
    history : DataFrame
        The estimates, one row per sample (the columns of ``estimates.csv``).
    summary : dict
        The content of ``summary.json``.
    truth : DataFrame, optional
        From :func:`read_truth`; drawn dashed.
    beside : tuple of str and DataFrame, optional
        A baseline's name and its estimates.

    Returns
    -------
    matplotlib.figure.Figure
        Seven panels over a common time axis.
    """
    drive = _thinned(_with_shown_columns(prepared, history))
    history = _thinned(history)
    scale, unit = _time_unit(history["time_s"])
    figure = new_figure(10.5, 12.5)
    heights = [1.0, 0.85, 0.9, 1.9, 1.25, 1.25, 0.3]
    panels = figure.subplots(7, 1, sharex=True, gridspec_kw={"height_ratios": heights})
    speed, grade, force, mass, rolling, drag, strip = panels

    _draw_drive(drive, scale, speed, grade, force)
    groups = _shade_set_aside(history, scale, [speed, grade, force])
    _draw_quantity(mass, history, "mass_kg", scale, BLUE, 1e-3, truth, beside)
    tidy(mass, "combined mass (t)")
    _draw_quantity(rolling, history, "rolling_resistance", scale, BLUISH_GREEN, 1.0, truth, beside)
    tidy(rolling, "rolling resistance\nat 20 m/s (–)")
    _spread_grounds(rolling, history)
    _draw_quantity(drag, history, "drag_area_m2", scale, ORANGE, 1.0, truth, beside)
    tidy(drag, "drag area (m²)")
    small_legend(mass, loc="upper center", ncols=3)
    _draw_grounds(strip, history, scale)
    strip.set_xlabel(f"time ({unit})", fontsize=9)
    strip.set_xlim(history["time_s"].iloc[0] * scale, history["time_s"].iloc[-1] * scale)
    _mark_load_changes(mass, summary, scale)
    if _hatch_not_learnt([mass, rolling, drag], summary, scale):
        groups.append(_NOT_LEARNT)
    _legend_below(figure, groups, history)
    figure.align_ylabels(panels)
    figure.suptitle(_headline(summary), fontsize=10.5, x=0.01, ha="left")
    return figure


def _thinned(table: pd.DataFrame) -> pd.DataFrame:
    step = max(1, len(table) // MOST_POINTS)
    return table.iloc[::step] if step > 1 else table


def _time_unit(time_s: pd.Series) -> tuple[float, str]:
    return (1.0, "s") if time_s.iloc[-1] - time_s.iloc[0] < 300.0 else (1.0 / 60.0, "min")


def _with_shown_columns(prepared: pd.DataFrame, history: pd.DataFrame) -> pd.DataFrame:
    """The drive with the force that was used, and a grade to look at where none was logged."""
    drive = prepared
    if "tractive_force_n" in history and len(history) == len(prepared):
        # Zero where it is not known, which is not a force to draw.
        aside = history["learning"].to_numpy() < 0.5
        force = np.where(aside, np.nan, history["tractive_force_n"].to_numpy())
        drive = drive.assign(tractive_force_n=force)
    if "grade_percent" not in drive and "altitude_m" in drive:
        drive = drive.assign(grade_percent=_grade_from_altitude(drive))
    return drive


def _grade_from_altitude(drive: pd.DataFrame, over_m: float = 100.0) -> NDArray[np.float64]:
    """Mean grade over a stretch of road (%), for the eye only."""
    time = drive["time_s"].to_numpy(dtype=np.float64)
    speed = drive["speed_m_s"].ffill().fillna(0.0).to_numpy(dtype=np.float64)
    steps = np.diff(time) * 0.5 * (speed[1:] + speed[:-1])
    distance = np.concatenate(([0.0], np.cumsum(steps)))
    known = drive["altitude_m"].notna().to_numpy()
    if known.sum() < 2 or distance[-1] < over_m:
        return np.full(len(drive), np.nan)
    places, first = np.unique(distance[known], return_index=True)
    altitude = drive["altitude_m"].to_numpy(dtype=np.float64)[known][first]
    ends = [
        np.interp(np.clip(distance + sign * 0.5 * over_m, 0.0, distance[-1]), places, altitude)
        for sign in (-1.0, 1.0)
    ]
    span = np.clip(distance + 0.5 * over_m, 0.0, distance[-1]) - np.clip(
        distance - 0.5 * over_m, 0.0, distance[-1]
    )
    return np.asarray(100.0 * (ends[1] - ends[0]) / span)


def _draw_drive(drive: pd.DataFrame, scale: float, speed: Axes, grade: Axes, force: Axes) -> None:
    time = drive["time_s"].to_numpy() * scale
    speed.plot(time, drive["speed_m_s"] * 3.6, color=BLACK, linewidth=0.9)
    speed.set_ylim(bottom=0.0)
    tidy(speed, "speed (km/h)")
    for panel, name, factor, label in (
        (grade, "grade_percent", 1.0, "grade (%)"),
        (force, "tractive_force_n", 1e-3, "force at the\ntread (kN)"),
    ):
        tidy(panel, label)
        if name in drive and drive[name].notna().any():
            panel.plot(time, drive[name] * factor, color=BLACK, linewidth=0.8)
            panel.axhline(0.0, color=GREY, linewidth=0.5)
        else:
            panel.text(0.5, 0.5, "not known", transform=panel.transAxes, ha="center", va="center")


def _draw_quantity(
    panel: Axes,
    history: pd.DataFrame,
    name: str,
    scale: float,
    colour: str,
    factor: float,
    truth: pd.DataFrame | None,
    beside: tuple[str, pd.DataFrame] | None,
) -> None:
    time = history["time_s"].to_numpy() * scale
    mean = history[name].to_numpy() * factor
    low, high = (edge * factor for edge in band_95(history, name) or (history[name],) * 2)
    low, high = np.asarray(low), np.asarray(high)
    panel.fill_between(time, low, high, color=colour, alpha=0.22, linewidth=0.0, label="95 % band")
    panel.plot(time, mean, color=colour, linewidth=1.4, label="estimate")
    if beside is not None and name in beside[1]:
        words, other = beside[0].replace("_", " "), _thinned(beside[1])
        look: dict[str, Any] = {"color": VERMILION, "linewidth": 1.2, "linestyle": "-."}
        panel.plot(other["time_s"] * scale, other[name] * factor, label=words, **look)
    true = None
    if truth is not None and name in truth:
        true = truth[name].to_numpy()
        panel.plot(
            truth["time_s"].to_numpy() * scale,
            true * factor,
            color=BLACK,
            linestyle=(0, (5, 3)),
            linewidth=1.2,
            label="truth",
        )
    shown = settled_range(history, name, true)
    if shown is not None:
        panel.set_ylim(shown[0] * factor, shown[1] * factor)


def _spread_grounds(panel: Axes, history: pd.DataFrame) -> None:
    """A logarithmic axis where sand would press hard ground flat."""
    from matplotlib.ticker import FixedLocator, NullFormatter, StrMethodFormatter

    low, high = np.quantile(history["rolling_resistance"].iloc[len(history) // 20 :], [0.01, 0.99])
    if not high > 4.0 * low > 0.0:
        return
    panel.set_yscale("log")
    panel.set_ylim(0.6 * low, 1.5 * high)
    panel.yaxis.set_major_locator(FixedLocator([0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5]))
    panel.yaxis.set_major_formatter(StrMethodFormatter("{x:g}"))
    panel.yaxis.set_minor_formatter(NullFormatter())


def _shade_set_aside(history: pd.DataFrame, scale: float, panels: list[Axes]) -> list[str]:
    """Shade stretches that informed nothing, by group of reasons; return the groups met."""
    time = history["time_s"].to_numpy() * scale
    reasons = history["set_aside_because"].astype(object).fillna("").to_numpy()
    aside = history["learning"].to_numpy() < 0.5
    group = np.array(
        [
            _GROUP_OF_REASON.get(reason, _OTHER_REASONS) if out else ""
            for reason, out in zip(reasons, aside, strict=True)
        ],
        dtype=object,
    )
    edges = np.flatnonzero(group[1:] != group[:-1]) + 1
    starts = np.concatenate(([0], edges))
    ends = np.concatenate((edges, [len(group)]))
    met = []
    for name, colour in _GROUP_COLOURS.items():
        spans = [
            (time[start], time[min(end, len(time) - 1)])
            for start, end in zip(starts, ends, strict=True)
            if group[start] == name
        ]
        if not spans:
            continue
        met.append(name)
        for panel in panels:
            panel.broken_barh(
                [(left, right - left) for left, right in spans],
                (0.0, 1.0),
                transform=panel.get_xaxis_transform(),
                facecolor=colour,
                alpha=0.28,
                linewidth=0.0,
                zorder=0.5,
            )
    return met


_HATCH = "////"


def _hatch_not_learnt(panels: list[Axes], summary: dict[str, Any], scale: float) -> bool:
    """Hatch stretches in which nothing was learnt of the mass; whether there are any."""
    for stretch in summary.get("not_learnt", []):
        for panel in panels:
            panel.axvspan(
                stretch["start_s"] * scale,
                stretch["end_s"] * scale,
                facecolor="none",
                edgecolor=GREY,
                alpha=0.35,
                hatch=_HATCH,
                linewidth=0.0,
                zorder=0.4,
            )
    return bool(summary.get("not_learnt"))


def _mark_load_changes(panel: Axes, summary: dict[str, Any], scale: float) -> None:
    for change in summary.get("load_changes", []):
        late = change["time_s"] * scale > np.mean(panel.get_xlim())
        panel.axvline(change["time_s"] * scale, color=VERMILION, linewidth=1.0, linestyle=":")
        panel.annotate(
            f"load changed\n(P = {change['probability']:.2f})",
            (change["time_s"] * scale, 0.98),
            xycoords=("data", "axes fraction"),
            xytext=(-4 if late else 4, 0),
            textcoords="offset points",
            va="top",
            ha="right" if late else "left",
            fontsize=8,
            color=VERMILION,
        )


def _draw_grounds(strip: Axes, history: pd.DataFrame, scale: float) -> None:
    time = history["time_s"].to_numpy() * scale
    names = history["surface"].astype(str).to_numpy()
    colours = ground_colours(list(dict.fromkeys(names)))
    edges = np.flatnonzero(names[1:] != names[:-1]) + 1
    for start, end in zip(
        np.concatenate(([0], edges)), np.concatenate((edges, [len(names) - 1])), strict=True
    ):
        strip.axvspan(time[start], time[end], color=colours[names[start]], linewidth=0.0)
    strip.set_yticks([])
    strip.set_ylabel("ground", fontsize=9, rotation=0, ha="right", va="center")
    strip.tick_params(labelsize=8)
    strip.set_ylim(0.0, 1.0)


def _legend_below(figure: Figure, groups: list[str], history: pd.DataFrame) -> None:
    from matplotlib.patches import Patch

    grounds = ground_colours(list(dict.fromkeys(history["surface"].astype(str))))
    handles = [
        Patch(facecolor=colour, label=f"ground: {name.replace('_', ' ')}")
        for name, colour in grounds.items()
    ]
    handles += [
        Patch(facecolor="none", edgecolor=GREY, hatch=_HATCH, label=name)
        if name == _NOT_LEARNT
        else Patch(facecolor=_GROUP_COLOURS[name], alpha=0.4, label=f"set aside: {name}")
        for name in groups
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=4, fontsize=8, frameon=False)


def _headline(summary: dict[str, Any]) -> str:
    mass, trailer = summary["mass_kg"], summary["trailer_mass_kg"]
    low, high = mass["interval95"]
    text = (
        f"Combined mass {mass['mean'] / 1e3:.2f} t (95 %: {low / 1e3:.2f} to {high / 1e3:.2f} t), "
        f"of which trailer {trailer['mean'] / 1e3:.2f} t."
    )
    if not summary["trust"]["ok"]:
        text += " NOT TO BE TRUSTED: " + "; ".join(summary["trust"]["reasons"]) + "."
    if summary.get("what_to_drive_next"):
        text += "\nNext: " + str(summary["what_to_drive_next"])
    # A number and its sign stay on one line.
    text = text.replace(" %", "\u00a0%")
    return "\n".join(textwrap.fill(line, 118) for line in text.splitlines())
