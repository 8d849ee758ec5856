"""A strategy as heat maps over mass and grade, and what changed from one to another."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from loadlearn.figures.style import VERMILION, new_figure
from loadlearn.policy.strategy import AXES, LARGEST, Strategy
from loadlearn.policy.strategy_diff import StrategyDiff, most_changed
from loadlearn.policy.strategy_words import CAUTION, spoken, unit_of
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from loadlearn.vehicle.rig import Rig

USUAL_SPEED_M_S = {"sealed": 25.0, "sand": 14.0}
"""Grounds drawn, firm and loose, and the speed usual there (common practice, no source)."""
ACROSS = ("grade_percent", "rolling_resistance", "speed_m_s")
"""What lies along a map: the first of these that the strategy depends on."""
_BLANK = "#E4E4E4"
_PERCENT = {"power_retention", "economy"}
_MOST_NUMBERS = 320  # beyond so many cells numbers are too small to read


def draw_strategy(strategy: Strategy, rig: Rig | None = None) -> Figure:
    """Draw retention, full-share time and economy over mass and grade, on firm and loose ground.

    Parameters
    ----------
    strategy : Strategy
    rig : Rig, optional
        Marks its own mass and its ratings; default none are marked.
    """
    grounds = [one for one in HANDBOOK_GROUNDS if one.name in USUAL_SPEED_M_S]
    across = _across(strategy)
    views: list[tuple[str, dict[str, float]]] = []
    for ground in grounds:
        speed = USUAL_SPEED_M_S[ground.name]
        fixed = {"rolling_resistance": ground.rolling_resistance, "speed_m_s": speed}
        fixed = {name: value for name, value in fixed.items() if name != across}
        views.append((_view_words(strategy, fixed, ground.name), fixed))
    if across == "rolling_resistance":
        views = views[:1]
    rows, columns = len(views), len(LARGEST)
    figure = new_figure(13.0, 1.6 + rows * _height(strategy))
    panels = figure.subplots(rows, columns, squeeze=False, sharex=True, sharey=True)
    for row, (words, fixed) in zip(panels, views, strict=True):
        for axes, name in zip(row, LARGEST, strict=True):
            _draw_map(axes, _slice(strategy, name, across, fixed), name)
            axes.set_title(f"{_title(name)}\n{words}", fontsize=9)
        if rig is not None:
            _mark_ratings(row, strategy, rig)
    _name_axes(panels, strategy, across)
    blank = any(np.isnan(table).any() for table in strategy.settings.values())
    _headline(figure, [strategy.name, CAUTION + (" Grey: blank, above a rating." if blank else "")])
    return figure


def draw_diff(
    diff: StrategyDiff,
    *,
    rolling_resistance: float | None = None,
    speed_m_s: float | None = None,
    names: tuple[str, str] | None = None,
) -> Figure:
    """Draw each setting before, after, and its difference.

    Parameters
    ----------
    diff : StrategyDiff
    rolling_resistance, speed_m_s : float, optional
        Where the maps are drawn; default where the largest change is. The nearest point of the grid
        is taken, so that the cells are those of the files.
    names : (str, str), optional
        What the two are called; default their own names.
    """
    grid = diff.before
    across = _across(grid)
    fixed = {name: value for name, value in most_changed(diff).items() if name in ACROSS}
    chosen = {"rolling_resistance": rolling_resistance, "speed_m_s": speed_m_s}
    fixed |= {name: value for name, value in chosen.items() if value is not None}
    fixed = {name: value for name, value in fixed.items() if name != across}
    figure = new_figure(13.0, 1.3 + len(LARGEST) * _height(grid))
    panels = figure.subplots(len(LARGEST), 3, sharex=True, sharey=True)
    for row, name in zip(panels, LARGEST, strict=True):
        old, new = (_slice(one, name, across, fixed) for one in (grid, diff.after))
        _draw_map(row[0], old, name)
        _draw_map(row[1], new, name)
        _draw_difference(row[2], new - old, name)
        for axes, what in zip(row, ("before", "after", "after less before"), strict=True):
            axes.set_title(f"{_title(name)}: {what}", fontsize=9)
    _name_axes(panels, grid, across)
    where = _view_words(grid, fixed, "")
    before, after = names or (grid.name, diff.after.name)
    _headline(figure, [f"before: {before};  after: {after}", where])
    return figure


def _across(strategy: Strategy) -> str:
    return next((name for name in ACROSS if strategy.axes[name].size > 1), ACROSS[0])


def _nearest(strategy: Strategy, name: str, value: float) -> int:
    axis = strategy.axes[name]
    if axis.size == 1:
        return 0
    if name == "rolling_resistance":
        return int(np.argmin(np.abs(np.log(axis / value))))
    return int(np.argmin(np.abs(axis - value)))


def _slice(strategy: Strategy, name: str, across: str, fixed: Mapping[str, float]) -> Any:
    """A setting over mass and one axis, at the grid's points nearest to the fixed ones."""
    index: list[Any] = []
    for axis in AXES:
        kept = axis in ("mass_kg", across)
        index.append(slice(None) if kept else _nearest(strategy, axis, fixed.get(axis, 0.0)))
    return strategy.settings[name][tuple(index)]


def _view_words(strategy: Strategy, fixed: Mapping[str, float], ground: str) -> str:
    parts = [
        spoken(name, float(f"{strategy.axes[name][_nearest(strategy, name, value)]:.4g}"))
        for name, value in fixed.items()
        if strategy.axes[name].size > 1
    ]
    told = (
        [ground.replace("_", " ")]
        if ground and strategy.axes["rolling_resistance"].size > 1
        else []
    )
    return ", ".join([*told, *parts])


def _scale(name: str) -> float:
    return 100.0 if name in _PERCENT else 1.0


def _title(name: str) -> str:
    return f"{spoken(name)} ({'%' if name in _PERCENT else unit_of(name)})"


def _height(strategy: Strategy) -> float:
    return float(np.clip(0.8 + 0.17 * strategy.axes["mass_kg"].size, 1.6, 4.2))


def _draw_map(axes: Axes, table: Any, name: str) -> None:
    from matplotlib import colormaps

    top = _scale(name) * LARGEST[name]
    palette = colormaps["cividis"].with_extremes(bad=_BLANK)
    shown = _scale(name) * table
    axes.imshow(shown, origin="lower", aspect="auto", cmap=palette, vmin=0.0, vmax=top)
    _numbers(axes, shown, lambda value: "white" if value < 0.55 * top else "black", "{:.0f}")


def _draw_difference(axes: Axes, table: Any, name: str) -> None:
    from matplotlib import colormaps

    shown = _scale(name) * table
    most = max(float(np.nanmax(np.abs(shown), initial=0.0)), 1e-9)
    palette = colormaps["PuOr_r"].with_extremes(bad=_BLANK)
    axes.imshow(shown, origin="lower", aspect="auto", cmap=palette, vmin=-most, vmax=most)
    digits = "{:+.0f}" if most >= 9.5 else "{:+.1f}" if most >= 0.95 else "{:+.2g}"
    _numbers(
        axes,
        np.where(np.abs(shown) > 1e-9 * LARGEST[name], shown, np.nan),
        lambda value: "white" if abs(value) > 0.6 * most else "black",
        digits,
    )


def _numbers(axes: Axes, shown: Any, colour: Any, digits: str) -> None:
    if shown.size > _MOST_NUMBERS:
        return
    size = float(np.clip(88.0 / shown.shape[1], 5.0, 7.5))
    for (i, j), value in np.ndenumerate(shown):
        if np.isfinite(value):
            text = digits.format(value)
            axes.text(j, i, text, ha="center", va="center", fontsize=size, color=colour(value))


def _name_axes(panels: Any, strategy: Strategy, across: str) -> None:
    points = strategy.axes[across]
    masses = strategy.axes["mass_kg"]
    for axes in panels.flat:
        axes.tick_params(labelsize=7.5)
    unit = f" ({unit_of(across)})" if unit_of(across) else " (–)"
    for axes in panels[-1]:
        axes.set_xticks(range(points.size), [f"{value:.4g}" for value in points], rotation=60)
        axes.set_xlabel(f"{spoken(across)}{unit}", fontsize=9)
    for axes in panels[:, 0]:
        axes.set_yticks(range(masses.size), [f"{mass / 1000.0:.2f}" for mass in masses])
        axes.set_ylabel("combined mass (t)", fontsize=9)


def _mark_ratings(row: Sequence[Axes], strategy: Strategy, rig: Rig) -> None:
    axis = strategy.axes["mass_kg"]
    if axis.size == 1:
        return
    # At the edge of the outermost cell within, where no number stands.
    place = np.arange(axis.size)
    gcm = rig.vehicle.rated_gcm_kg
    marks = {"tow vehicle alone": np.ceil(np.interp(rig.vehicle.mass_kg, axis, place)) - 0.5}
    if gcm is not None and gcm <= axis[-1]:
        marks["GCM"] = np.floor(np.interp(gcm, axis, place)) + 0.5
    for label, at in marks.items():
        for axes in row:
            axes.axhline(at, color=VERMILION, linewidth=1.4, linestyle="--", clip_on=False)
        row[-1].annotate(
            label,
            (1.0, at),
            xycoords=("axes fraction", "data"),
            xytext=(3, 0),
            textcoords="offset points",
            va="center",
            fontsize=7.5,
            color=VERMILION,
        )


def _headline(figure: Figure, lines: Sequence[str]) -> None:
    wrapped = [part for line in lines if line for part in textwrap.wrap(line, 170, max_lines=2)]
    figure.suptitle("\n".join(wrapped), fontsize=10, x=0.01, ha="left")
