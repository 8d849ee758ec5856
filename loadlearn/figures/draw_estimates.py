"""What a drive told of the load: the drive above, what was learnt from it below."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.figures.bands import band_95, band_95_given_scale, settled_range, whole_range
from loadlearn.figures.envelope import band_envelope, line_envelope
from loadlearn.figures.style import (
    BLACK,
    BLUE,
    BLUISH_GREEN,
    GREY,
    ORANGE,
    VERMILION,
    ground_colours,
    ground_hatches,
    new_figure,
    tidy,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FloatArray = NDArray[np.float64]
Band = tuple[FloatArray, FloatArray] | None

START_S, LEARNT_AT_START_S, MOST_OF_DRIVE = 60.0, 45.0, 0.3
"""The panels of the start last so long (s), or until so much has been learnt from, at most for so
much of the drive: there the prior is seen, and how it gives way."""

# The reasons for setting samples aside, in few groups that an axis can hold.
_GROUP_OF_REASON = {
    "standstill or crawling": "standing",
    "starting up": "standing",
    "reverse": "standing",
    "service brake": "braking",
    "exhaust brake or retarder": "braking",
    "overrun without an exhaust-brake channel": "braking",
    "gear change": "shifting",
    "neutral or clutch": "shifting",
}
_OTHER_REASONS = "not known"
_GROUPS = ("standing", "braking", "shifting", _OTHER_REASONS)

_QUANTITIES: dict[str, tuple[str, float, str]] = {
    "mass_kg": (BLUE, 1e-3, "combined mass (t)"),
    "rolling_resistance": (BLUISH_GREEN, 1.0, "rolling resistance\nat 20 m/s (–)"),
    "drag_area_m2": (ORANGE, 1.0, "drag area (m²)"),
}
_NOT_LEARNT = "nothing learnt of the mass here"
_BAND, _GIVEN = "95 % in all", "95 %, were the scale of the force exact"
_LEAST_ROLLING = 0.002
MOST_BESIDE = 3.0
"""A baseline is followed to so many times our own greatest estimate."""
BEFORE_CHANGE_S, AFTER_CHANGE_S, MOST_CHANGES = 10.0, 30.0, 3
"""A change of ground is looked at closely from so long before it to so long after (s); so many at
most, those that change the resistance most."""
SHOWN_FROM = 0.02
"""Grounds that are never as probable as this are not drawn."""

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


class _Window(NamedTuple):
    """What a column of panels shows."""

    place: int
    end_s: float
    scale: float
    """From seconds to the unit of its axis."""


def draw_estimates(
    prepared: pd.DataFrame,
    history: pd.DataFrame,
    summary: dict[str, Any],
    truth: pd.DataFrame | None = None,
    beside: tuple[str, pd.DataFrame] | None = None,
    wide: bool = False,
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
    wide : bool
        For a slide, 16:9: the drive on the left, what was learnt on the right.

    Returns
    -------
    matplotlib.figure.Figure
        Panels in two columns: the start, where the prior gives way, and the whole drive; then a
        close look at each change of ground, at most ``MOST_CHANGES``.
    """
    drive = _with_shown_columns(prepared, history)
    all_changes = _changes_of_ground(history, summary, truth)
    changes = all_changes[:MOST_CHANGES]
    figure, panels, close = _laid_out(wide, truth is not None and "surface" in truth, len(changes))
    begin_s, end_s = (float(history["time_s"].iloc[at]) for at in (0, -1))
    unit_s, unit = (1.0, "s") if end_s - begin_s < 300.0 else (60.0, "min")
    start_s = _start_s(history)
    groups = _groups_met(history)
    labels: dict[str, Any] = {}
    for window in (_Window(0, start_s, 1.0), _Window(1, end_s, 1.0 / unit_s)):
        of = {name: pair[window.place] for name, pair in panels.items()}
        _draw_drive(_up_to(drive, window), window.scale, of["speed"], of["grade"], of["force"])
        part = _up_to(history, window)
        _draw_set_aside(of["aside"], part, groups, window.scale)
        known = None if truth is None else _up_to(truth, window)
        also = None if beside is None else (beside[0], _up_to(beside[1], window))
        for name in _QUANTITIES:
            labels |= _draw_quantity(of[name], part, name, window, known, also)
        _draw_believed(of["believed"], part, window.scale)
        if "true" in of:
            assert known is not None
            _draw_true_ground(of["true"], known, window)
        if _shade_not_learnt([of[name] for name in _QUANTITIES], summary, window):
            labels |= {_NOT_LEARNT: _not_learnt_patch()}
        for axes in of.values():
            axes.set_xlim(begin_s * window.scale, window.end_s * window.scale)
    for change, looked_at in zip(sorted(changes), close, strict=True):
        _draw_close(looked_at, change, history, truth, beside)
    panels["speed"][1].set_ylim(bottom=0.0)
    _label(panels, close, unit, wide)
    if len(all_changes) > len(changes):
        last = list(close[-1].values())[-1]
        last.set_xlabel(f"{last.get_xlabel()}; the {len(changes)} greatest of {len(all_changes)}")
    _mark_load_changes(panels["mass_kg"][1], summary, 1.0 / unit_s, figure, wide)
    _legend_below(figure, labels, history, truth, wide)
    figure.suptitle(_headline(summary, 165 if wide else 118), fontsize=10.5, x=0.01, ha="left")
    return figure


_HEIGHTS = {
    "speed": 0.9,
    "grade": 0.75,
    "force": 0.8,
    "aside": 0.5,
    "mass_kg": 2.0,
    "rolling_resistance": 1.25,
    "drag_area_m2": 1.1,
    "believed": 0.6,
    "true": 0.2,
}
_OF_DRIVE = ("speed", "grade", "force", "aside", "believed", "true")


_CLOSE = {"rolling_resistance": 1.0, "mass_kg": 1.0, "believed": 0.65, "true": 0.2}


def _laid_out(
    wide: bool, with_ground: bool, changes: int
) -> tuple[Figure, dict[str, tuple[Axes, Axes]], list[dict[str, Axes]]]:
    """The figure, each panel's two axes, and the axes of each close look.

    The two axes are of the start and of the whole drive.
    """
    names = [name for name in _HEIGHTS if with_ground or name != "true"]
    figure = new_figure(13.33, 7.5) if wide else new_figure(10.5, 13.0 + 3.8 * bool(changes))
    blocks: list[tuple[Any, list[str]]]
    if wide:
        outer = figure.add_gridspec(1, 2, width_ratios=[1.0, 1.3], wspace=0.06)
        drive = [name for name in names if name in _OF_DRIVE]
        blocks = [(outer[0], drive), (outer[1], [name for name in names if name not in drive])]
    else:
        blocks = [(figure.add_gridspec(1, 1)[0], names)]
    place = None
    if changes:
        split = blocks[-1][0].subgridspec(2, 1, height_ratios=[1.7, 1.0] if wide else [3.4, 1.0])
        blocks[-1], place = (split[0], blocks[-1][1]), split[1]
    panels = {}
    for block, rows in blocks:
        heights = [_HEIGHTS[name] for name in rows]
        grid = block.subgridspec(
            len(rows), 2, height_ratios=heights, width_ratios=[0.2, 0.8]
        ).subplots(sharex="col")
        for name, (start, whole) in zip(rows, grid, strict=True):
            panels[name] = (start, whole)
            if name not in _QUANTITIES:
                start.sharey(whole)
                whole.tick_params(labelleft=False)
        figure.align_ylabels([panels[name][0] for name in rows])
    close: list[dict[str, Axes]] = []
    if place is not None:
        rows = [name for name in _CLOSE if with_ground or name != "true"]
        cells = place.subgridspec(
            len(rows), changes, height_ratios=[_CLOSE[name] for name in rows]
        ).subplots(sharex="col", squeeze=False)
        close = [dict(zip(rows, cells[:, at], strict=True)) for at in range(changes)]
        figure.align_ylabels(list(close[0].values()))
    return figure, panels, close


class _Change(NamedTuple):
    """A change of ground."""

    time_s: float
    before: str
    after: str


def _changes_of_ground(
    history: pd.DataFrame, summary: dict[str, Any], truth: pd.DataFrame | None
) -> list[_Change]:
    """Changes of the true ground where it is known, else of the believed; the greatest first."""
    if truth is not None and "surface" in truth:
        names = truth["surface"].astype(str).to_numpy()
        time = truth["time_s"].to_numpy(dtype=np.float64)
    else:
        names = np.array([str(one["surface"]) for one in summary.get("surfaces", [])])
        time = np.array([float(one["start_s"]) for one in summary.get("surfaces", [])])
    edges = np.flatnonzero(names[1:] != names[:-1]) + 1
    changes = [_Change(float(time[at]), str(names[at - 1]), str(names[at])) for at in edges]
    known, rolling = history["time_s"].to_numpy(), history["rolling_resistance"].to_numpy()

    def size(change: _Change) -> float:
        before, after = np.interp(
            [change.time_s - BEFORE_CHANGE_S, change.time_s + AFTER_CHANGE_S], known, rolling
        )
        return float(-abs(np.log(max(after, 1e-4) / max(before, 1e-4))))

    return sorted(changes, key=size)


def _draw_close(
    axes: dict[str, Axes],
    change: _Change,
    history: pd.DataFrame,
    truth: pd.DataFrame | None,
    beside: tuple[str, pd.DataFrame] | None,
) -> None:
    """The seconds about a change of ground: what was learnt, and what the ground was taken for."""

    def about(table: pd.DataFrame) -> pd.DataFrame:
        time = table["time_s"] - change.time_s
        return table.assign(time_s=time)[time.between(-BEFORE_CHANGE_S - 1.0, AFTER_CHANGE_S + 1.0)]

    part, window = about(history), _Window(0, AFTER_CHANGE_S, 1.0)
    if len(part) < 2:
        return
    known = None if truth is None else about(truth)
    also = None if beside is None else (beside[0], about(beside[1]))
    for name in ("rolling_resistance", "mass_kg"):
        _draw_quantity(axes[name], part, name, window, known, also)
    _draw_believed(axes["believed"], part, 1.0)
    if "true" in axes and known is not None and len(known):
        _draw_true_ground(axes["true"], known, window)
    for panel in axes.values():
        panel.axvline(0.0, color=GREY, linewidth=0.8)
        panel.set_xlim(-BEFORE_CHANGE_S, AFTER_CHANGE_S)
    minutes, seconds = divmod(int(change.time_s), 60)
    words = f"{change.before} → {change.after}, {minutes}:{seconds:02d} min".replace("_", " ")
    axes["rolling_resistance"].set_title(words, fontsize=9, loc="left")


def _start_s(history: pd.DataFrame) -> float:
    """When the panels of the start end."""
    time = history["time_s"].to_numpy()
    steps = np.diff(time, append=time[-1])
    learnt = np.cumsum(np.where(history["learning"].to_numpy() > 0.5, np.minimum(steps, 2.0), 0.0))
    enough = time[min(int(np.searchsorted(learnt, LEARNT_AT_START_S)), len(time) - 1)]
    span = min(max(START_S, enough - time[0]), MOST_OF_DRIVE * (time[-1] - time[0]))
    return float(time[0] + span)


def _up_to(table: pd.DataFrame, window: _Window) -> pd.DataFrame:
    return table[table["time_s"] <= window.end_s] if window.place == 0 else table


def _label(
    panels: dict[str, tuple[Axes, Axes]], close: list[dict[str, Axes]], unit: str, wide: bool
) -> None:
    words = {"speed": "speed\n(km/h)", "grade": "grade (%)", "force": "force at the\ntread (kN)"}
    words |= {"aside": "set aside", "believed": "ground\nbelieved (–)", "true": "true"}
    words |= {name: label for name, (_, _, label) in _QUANTITIES.items()}
    for name, (start, whole) in panels.items():
        tidy(start, words[name])
        tidy(whole, "")
        if name in ("aside", "true"):
            for axes in (start, whole):
                axes.grid(False)
    short = {"rolling_resistance": "resistance\n(–)", "mass_kg": "mass\n(t)"}
    short |= {"believed": "believed\n(–)", "true": "true"}
    for number, looked_at in enumerate(close):
        for name, one in looked_at.items():
            tidy(one, "" if number else short[name])
            one.tick_params(labelsize=7)
            one.yaxis.label.set_fontsize(8)
            if name == "true":
                one.yaxis.label.set(rotation=0, ha="right", va="center")
            if name == "true":
                one.grid(False)
        one.set_xlabel("from the change of ground (s)", fontsize=9)
    drive = [name for name in panels if name in _OF_DRIVE]
    for name in [drive[-1], *(["drag_area_m2"] if wide else [])]:
        panels[name][0].set_xlabel("from the start (s)", fontsize=9)
        panels[name][1].set_xlabel(f"time ({unit})", fontsize=9)


def _with_shown_columns(prepared: pd.DataFrame, history: pd.DataFrame) -> pd.DataFrame:
    """The drive with the force that was used, and a grade to look at where none was logged."""
    drive = prepared
    if "tractive_force_n" in history and len(history) == len(prepared):
        # Zero where it is not known, which is not a force to draw.
        aside = history["learning"].to_numpy() < 0.5
        force = np.where(aside, np.nan, history["tractive_force_n"].to_numpy())
        drive = drive.assign(tractive_force_n=force)
    if "grade_percent" not in drive and "altitude_m" in drive:
        drive = drive.assign(grade_percent=grade_from_altitude(drive))
    return drive


def grade_from_altitude(drive: pd.DataFrame, over_m: float = 100.0) -> NDArray[np.float64]:
    """Mean grade over a stretch of road, for the eye only.

    Parameters
    ----------
    drive : DataFrame
        ``time_s``, ``speed_m_s`` and ``altitude_m``.
    over_m : float
        Length of the stretch (m).

    Returns
    -------
    ndarray, shape (n,)
        Grade (%); NaN where too little is known.
    """
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
    speed.plot(*line_envelope(time, drive["speed_m_s"] * 3.6), color=BLACK, linewidth=0.9)
    for panel, name, factor in ((grade, "grade_percent", 1.0), (force, "tractive_force_n", 1e-3)):
        if name in drive and drive[name].notna().any():
            panel.plot(*line_envelope(time, drive[name] * factor), color=BLACK, linewidth=0.8)
            panel.axhline(0.0, color=GREY, linewidth=0.5)
        else:
            panel.text(0.5, 0.5, "not known", transform=panel.transAxes, ha="center", va="center")


def _draw_quantity(
    panel: Axes,
    history: pd.DataFrame,
    name: str,
    window: _Window,
    truth: pd.DataFrame | None,
    beside: tuple[str, pd.DataFrame] | None,
) -> dict[str, Any]:
    """Draw a quantity with its bands; return what was drawn by the words for it."""
    colour, factor, _ = _QUANTITIES[name]
    time, mean = history["time_s"].to_numpy() * window.scale, history[name].to_numpy()
    drawn: dict[str, Any] = {}
    bands = (
        (_BAND, band_95(history, name), 0.2),
        (_GIVEN, band_95_given_scale(history, name), 0.4),
    )
    for words, band, alpha in bands:
        if band is not None and not (words == _GIVEN and _alike(band, bands[0][1])):
            shown = band_envelope(time, band[0] * factor, band[1] * factor)
            drawn[words] = panel.fill_between(
                *shown, color=colour, alpha=alpha, linewidth=0.0, label=words
            )
    line = line_envelope(time, mean * factor)
    drawn["estimate"] = panel.plot(*line, color=colour, linewidth=1.4)[0]
    others = [mean[len(mean) // 20 :]]
    if beside is not None and name in beside[1]:
        other = beside[1]
        line = line_envelope(other["time_s"] * window.scale, other[name] * factor)
        words = beside[0].replace("_", " ")
        look: dict[str, Any] = {"color": VERMILION, "linewidth": 1.3, "linestyle": "-."}
        drawn[words] = panel.plot(*line, **look)[0]
        later = other[name].to_numpy()[len(other) // 20 :]
        # One that runs away leaves the axis: what is ours is to be seen.
        others.append(later[np.abs(later) < MOST_BESIDE * np.nanmax(mean)])
    if truth is not None and name in truth:
        line = (truth["time_s"].to_numpy() * window.scale, truth[name].to_numpy() * factor)
        look = {"color": BLACK, "linewidth": 1.2, "linestyle": (0, (5, 3))}
        drawn["truth"] = panel.plot(*line, **look)[0]
        others.append(truth[name].to_numpy())
    _limit(panel, history, name, np.concatenate(others), window.place == 0)
    return drawn


def _alike(band: Band, other: Band) -> bool:
    """Whether one band would hide the other."""
    if band is None or other is None:
        return False
    return bool(np.nanmedian((band[1] - band[0]) / (other[1] - other[0])) > 0.95)


def _limit(panel: Axes, history: pd.DataFrame, name: str, also: FloatArray, start: bool) -> None:
    """Set the axis so that nothing of interest leaves it; resistance on a logarithmic one."""
    factor = _QUANTITIES[name][1]
    shown = whole_range(history, name, also) if start else settled_range(history, name, also)
    if shown is None:
        shown = whole_range(history, name, also)
    low, high = shown
    if name != "rolling_resistance":
        panel.set_ylim(low * factor, high * factor)
        return
    from matplotlib.ticker import FixedLocator, NullFormatter, StrMethodFormatter

    least = np.nanmin(np.where(also > 0.0, also, np.nan)) if (also > 0.0).any() else high
    panel.set_yscale("log")
    panel.set_ylim(max(low, 0.6 * float(least), _LEAST_ROLLING), 1.15 * high)
    bottom, top = panel.get_ylim()
    steps = (1.0, 2.0, 5.0) if top > 5.0 * bottom else (1.0, 1.3, 1.6, 2.0, 2.5, 3.0, 4.0, 5.0, 7.0)
    ticks = [step * decade for decade in (0.001, 0.01, 0.1, 1.0) for step in steps]
    panel.yaxis.set_major_locator(FixedLocator(ticks))
    panel.yaxis.set_major_formatter(StrMethodFormatter("{x:g}"))
    panel.yaxis.set_minor_formatter(NullFormatter())


def _groups(history: pd.DataFrame) -> NDArray[np.object_]:
    """Group of reasons for which each sample is set aside; "" where it is not."""
    reasons = history["set_aside_because"].astype(object).fillna("").to_numpy()
    group = np.array([_GROUP_OF_REASON.get(one, _OTHER_REASONS) for one in reasons], dtype=object)
    return np.where(history["learning"].to_numpy() < 0.5, group, "")


def _groups_met(history: pd.DataFrame) -> list[str]:
    met = set(_groups(history))
    return [name for name in _GROUPS if name in met]


def _draw_set_aside(panel: Axes, history: pd.DataFrame, groups: list[str], scale: float) -> None:
    """A row per group of reasons for which samples are set aside, dark where they are."""
    time = history["time_s"].to_numpy() * scale
    group = _groups(history)
    for row, name in enumerate(groups):
        edges = np.flatnonzero(np.diff((group == name).astype(np.int8), prepend=0, append=0))
        spans = [
            (time[first], time[min(last, len(time) - 1)] - time[first])
            for first, last in edges.reshape(-1, 2)
        ]
        panel.broken_barh(spans, (row - 0.4, 0.8), facecolor=BLACK, linewidth=0.4, edgecolor=BLACK)
    panel.set_ylim(max(len(groups), 1) - 0.5, -0.5)
    panel.set_yticks(range(len(groups)), groups)


def _not_learnt_patch(**more: Any) -> Any:
    from matplotlib.patches import Patch

    look: dict[str, Any] = {"facecolor": "#00000018", "edgecolor": "#00000055"}
    return Patch(**look, hatch="////", linewidth=0.0, **more)


def _shade_not_learnt(panels: list[Axes], summary: dict[str, Any], window: _Window) -> bool:
    """Shade stretches in which nothing was learnt of the mass; whether there are any."""
    stretches = [one for one in summary.get("not_learnt", []) if one["start_s"] < window.end_s]
    for one in stretches:
        for panel in panels:
            panel.axvspan(
                one["start_s"] * window.scale,
                min(one["end_s"], window.end_s) * window.scale,
                facecolor="#00000018",
                edgecolor="#00000055",
                hatch="////",
                linewidth=0.0,
                zorder=0.4,
            )
    return bool(stretches)


_LABEL_SIZE = 8.0
_POINTS_PER_LETTER = 0.56 * _LABEL_SIZE


def _mark_load_changes(
    panel: Axes, summary: dict[str, Any], scale: float, figure: Figure, wide: bool
) -> None:
    """Mark changes of load; their labels stand above the panel, in as many rows as they need."""
    width_points = 72.0 * figure.get_figwidth() * (0.38 if wide else 0.68)
    left, right = panel.get_xlim()
    ends: list[float] = []  # of each row of labels, from the panel's left (points)
    for change in summary.get("load_changes", []):
        at = change["time_s"] * scale
        panel.axvline(at, color=VERMILION, linewidth=1.2, linestyle=":")
        text = (
            f"load {change['before_kg'] / 1e3:.2f} → {change['after_kg'] / 1e3:.2f} t "
            f"(P = {change['probability']:.2f})"
        )
        length = _POINTS_PER_LETTER * len(text)
        begin = (at - left) / (right - left) * width_points - 0.5 * length
        begin = min(max(begin, 0.0), width_points - length)
        row = next((one for one, end in enumerate(ends) if end + 8.0 < begin), len(ends))
        ends[row : row + 1] = [begin + length]
        panel.annotate(
            text,
            ((begin + 0.5 * length) / width_points, 1.0),
            xycoords="axes fraction",
            xytext=(0.0, 3.0 + 1.35 * _LABEL_SIZE * row),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=_LABEL_SIZE,
            color=VERMILION,
        )


def _grounds(history: pd.DataFrame, truth: pd.DataFrame | None) -> list[str]:
    """Grounds that are drawn, those of the columns first."""
    names = [*_likely(history)]
    if truth is not None and "surface" in truth:
        names += list(truth["surface"].astype(str).unique())
    return list(dict.fromkeys(names))


def _likely(history: pd.DataFrame) -> list[str]:
    """Grounds that are ever probable."""
    names = [str(name) for name in history.columns]
    others = ("load_changed", "nothing_hitched", "regeneration")
    grounds = [name[2:] for name in names if name.startswith("p_") and name[2:] not in others]
    return [name for name in grounds if history[f"p_{name}"].max() > SHOWN_FROM]


def _draw_believed(panel: Axes, history: pd.DataFrame, scale: float) -> None:
    """Probabilities of the grounds, one upon another."""
    names = _likely(history)
    colours, hatches = ground_colours(names), ground_hatches(names)
    below: FloatArray = np.zeros(len(history))
    for name in names:
        above = below + history[f"p_{name}"].fillna(0.0).to_numpy()
        time, low, high = band_envelope(history["time_s"].to_numpy() * scale, below, above)
        look: dict[str, Any] = {"facecolor": colours[name], "hatch": hatches[name]}
        panel.fill_between(time, low, high, edgecolor="#FFFFFF90", linewidth=0.0, **look)
        below = above
    panel.set_ylim(0.0, 1.0)
    panel.set_yticks([0.0, 1.0])


def _draw_true_ground(panel: Axes, truth: pd.DataFrame, window: _Window) -> None:
    time, names = truth["time_s"].to_numpy(), truth["surface"].astype(str).to_numpy()
    present = list(dict.fromkeys(names))
    colours, hatches = ground_colours(present), ground_hatches(present)
    edges = np.flatnonzero(names[1:] != names[:-1]) + 1
    starts, ends = np.concatenate(([0], edges)), np.concatenate((edges, [len(names) - 1]))
    for start, end in zip(starts, ends, strict=True):
        panel.axvspan(
            time[start] * window.scale,
            time[end] * window.scale,
            facecolor=colours[names[start]],
            hatch=hatches[names[start]],
            edgecolor="#FFFFFF90",
            linewidth=0.0,
        )
    panel.set_ylim(0.0, 1.0)
    panel.set_yticks([])


def _legend_below(
    figure: Figure,
    labels: dict[str, Any],
    history: pd.DataFrame,
    truth: pd.DataFrame | None,
    wide: bool,
) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    names = _grounds(history, truth)
    colours, hatches = ground_colours(names), ground_hatches(names)
    patches: dict[str, Any] = {}
    for words, one in labels.items():
        patches[words] = one
        if words in (_BAND, _GIVEN):  # of any colour
            patches[words] = Patch(facecolor=BLACK, alpha=0.5 if words == _GIVEN else 0.2)
        elif words == "estimate":
            patches[words] = Line2D([], [], color=GREY, linewidth=1.6)
    for name in names:
        words = f"ground: {name.replace('_', ' ')}"
        look: dict[str, Any] = {"facecolor": colours[name], "hatch": hatches[name]}
        patches[words] = Patch(**look, edgecolor="#FFFFFF90", linewidth=0.0)
    figure.legend(
        handles=list(patches.values()),
        labels=list(patches),
        loc="outside lower center",
        ncols=5 if wide else 4,
        fontsize=8,
        frameon=False,
    )


def _headline(summary: dict[str, Any], width: int) -> str:
    mass, trailer = summary["mass_kg"], summary["trailer_mass_kg"]
    low, high = mass["interval95"]
    text = (
        f"Combined mass {mass['mean'] / 1e3:.2f} t (95 %: {low / 1e3:.2f} to {high / 1e3:.2f} t), "
        f"of which {summary.get('load_is', 'trailer')} {trailer['mean'] / 1e3:.2f} t."
    )
    if not summary["trust"]["ok"]:
        text += " NOT TO BE TRUSTED: " + "; ".join(summary["trust"]["reasons"]) + "."
    if summary.get("what_to_drive_next"):
        text += "\nNext: " + str(summary["what_to_drive_next"])
    # A number and its sign stay on one line.
    text = text.replace(" %", "\u00a0%")
    return "\n".join(textwrap.fill(line, width) for line in text.splitlines())
