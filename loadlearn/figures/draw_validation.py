"""Estimates against weighed masses: error over time, agreement, honesty of the intervals."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

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
from loadlearn.study.honesty import bland_altman

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from loadlearn.study.validation import Trajectory, Validation

MOST_LINES = 12
"""Up to so many drives are drawn one by one; more are summed up by quantiles."""

_COLOURS = (BLUE, ORANGE, BLUISH_GREEN, VERMILION, REDDISH_PURPLE, SKY_BLUE, BLACK, GREY)
_DASHES = ("-", "--", "-.", ":") * 2
_MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")


def draw_validation(result: Validation) -> Figure:
    """Draw the outcome of a validation.

    Parameters
    ----------
    result : Validation
        With at least one row that did not fail.

    Returns
    -------
    matplotlib.figure.Figure
        Error over time, estimated against weighed, coverage of the intervals, and differences
        against means (Bland and Altman, *Lancet* 327, 1986; from memory).
    """
    good = result.table[result.table["error"] == ""]
    figure = new_figure(11.0, 8.6)
    panels = figure.subplots(2, 2)
    groups = list(dict.fromkeys(good["group"].fillna("")))
    _draw_time(panels[0, 0], result.trajectories)
    _draw_agreement(panels[0, 1], good, groups)
    z = {"total": "z", "given the scale": "z_given_scale"}
    known = {words: good[name].dropna() for words, name in z.items() if name in good}
    draw_coverage(panels[1, 0], {words: one.to_numpy() for words, one in known.items() if len(one)})
    _draw_differences(panels[1, 1], good, groups)
    return figure


def _draw_time(panel: Axes, trajectories: list[Trajectory]) -> None:
    panel.set_title("Error over time", fontsize=10, loc="left")
    tidy(panel, "error of the combined mass (%)", "time since the start of the log (min)")
    panel.axhline(0.0, color=BLACK, linewidth=0.8)
    if not trajectories:
        panel.text(0.5, 0.5, "no drive of one mass", transform=panel.transAxes, ha="center")
        return
    if len(trajectories) <= MOST_LINES:
        for number, one in enumerate(trajectories):
            colour = _COLOURS[number % len(_COLOURS)]
            panel.plot(one.time_s / 60.0, one.error_percent, color=colour, linewidth=1.0)
        shown = np.concatenate([one.error_percent[len(one.time_s) // 10 :] for one in trajectories])
    else:
        grid = np.linspace(0.0, max(one.time_s[-1] for one in trajectories), 200)
        lines = np.array(
            [np.interp(grid, one.time_s, one.error_percent, right=np.nan) for one in trajectories]
        )
        enough = np.isfinite(lines).sum(axis=0) >= 5
        grid, lines = grid[enough] / 60.0, lines[:, enough]
        low, quarter, middle, three, high = np.nanquantile(
            lines, [0.05, 0.25, 0.5, 0.75, 0.95], axis=0
        )
        panel.fill_between(grid, low, high, color=BLUE, alpha=0.15, label="90 % of drives")
        panel.fill_between(grid, quarter, three, color=BLUE, alpha=0.35, label="half of the drives")
        panel.plot(grid, middle, color=BLUE, label=f"median of {len(trajectories)}")
        small_legend(panel)
        shown = np.concatenate([low[len(grid) // 10 :], high[len(grid) // 10 :]])
    most = 1.15 * max(float(np.quantile(np.abs(shown), 0.995)), 0.5)
    panel.set_ylim(-most, most)


def _draw_agreement(panel: Axes, good: pd.DataFrame, groups: list[str]) -> None:
    panel.set_title("Estimated against weighed, 95 % intervals", fontsize=10, loc="left")
    for number, group in enumerate(groups):
        rows = good[good["group"].fillna("") == group]
        weighed, estimated = rows["mass_kg"] / 1e3, rows["estimated_kg"] / 1e3
        panel.errorbar(
            weighed,
            estimated,
            yerr=[
                (estimated - rows["low95_kg"] / 1e3).clip(lower=0.0),
                (rows["high95_kg"] / 1e3 - estimated).clip(lower=0.0),
            ],
            fmt=_MARKERS[number % len(_MARKERS)],
            color=_COLOURS[number % len(_COLOURS)],
            markersize=4.0,
            elinewidth=0.9,
            capsize=2.0,
            alpha=0.8,
            label=group or None,
        )
    both = np.concatenate([good["mass_kg"], good["low95_kg"], good["high95_kg"]]) / 1e3
    ends = np.array([both.min(), both.max()])
    panel.plot(ends, ends, color=BLACK, linewidth=0.8, linestyle="--", zorder=0)
    tidy(panel, "estimated combined mass (t)", "weighed combined mass (t)")
    if any(groups):
        small_legend(panel, loc="upper left")


def draw_coverage(panel: Axes, z: Mapping[str, NDArray[np.float64]]) -> None:
    """Draw how often intervals hold the truth against how often they say so.

    Parameters
    ----------
    panel : Axes
    z : mapping of str to ndarray
        Errors over their sds, by the words for them; the band of chance is that of the first.
    """
    from scipy import stats

    panel.set_title("Do the intervals hold what they promise?", fontsize=10, loc="left")
    nominal = np.linspace(0.02, 0.99, 98)
    bounds = stats.norm.ppf(0.5 + 0.5 * nominal)
    count = len(next(iter(z.values())))
    panel.fill_between(
        100.0 * nominal,
        100.0 * stats.binom.ppf(0.025, count, nominal) / count,
        100.0 * stats.binom.ppf(0.975, count, nominal) / count,
        color=GREY,
        alpha=0.25,
        linewidth=0.0,
        step="mid",
        label=f"chance, {count} rows (95 %)",
    )
    panel.plot([0.0, 100.0], [0.0, 100.0], color=BLACK, linewidth=0.8, linestyle="--")
    for (label, values), colour, dashes in zip(z.items(), _COLOURS, _DASHES, strict=False):
        share = 100.0 * (np.abs(values)[:, None] <= bounds).mean(axis=0)
        panel.plot(100.0 * nominal, share, color=colour, linestyle=dashes, label=label)
    panel.set_xlim(0.0, 100.0)
    panel.set_ylim(0.0, 101.0)
    tidy(panel, "truth inside it (% of rows)", "nominal interval (%)")
    small_legend(panel, loc="lower right")


def _draw_differences(panel: Axes, good: pd.DataFrame, groups: list[str]) -> None:
    panel.set_title("Difference against mean (Bland–Altman)", fontsize=10, loc="left")
    both = 0.5 * (good["estimated_kg"] + good["mass_kg"])
    percent = 100.0 * (good["estimated_kg"] - good["mass_kg"]) / both
    for number, group in enumerate(groups):
        rows = good["group"].fillna("") == group
        panel.scatter(
            both[rows] / 1e3,
            percent[rows],
            s=16.0,
            marker=_MARKERS[number % len(_MARKERS)],
            color=_COLOURS[number % len(_COLOURS)],
            alpha=0.8,
        )
    found = bland_altman(percent, 0.0 * percent)
    panel.axhline(found.bias, color=BLACK, linewidth=1.0, label=f"mean {found.bias:+.1f} %")
    if len(percent) > 2:
        words = f"limits of agreement {found.low:+.1f} and {found.high:+.1f} %"
        for limit, label in ((found.low, None), (found.high, words)):
            panel.axhline(limit, color=VERMILION, linewidth=1.0, linestyle="--", label=label)
    tidy(panel, "estimated − weighed (% of their mean)", "mean of estimated and weighed (t)")
    small_legend(panel)
