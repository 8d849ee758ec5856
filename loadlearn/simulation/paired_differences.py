"""Differences between strategies, draw by draw, and how sure they are."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any, TypedDict

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.described import Named, Unit
from loadlearn.simulation.limits_sheet import CRITERION, SheetRow, limits_sheet, worst_row
from loadlearn.simulation.outcomes import QUANTITIES, RecordedLimit

if TYPE_CHECKING:
    from loadlearn.simulation.comparison import Comparison

FloatArray = NDArray[np.float64]


DESCRIBED = ("ratings_held_back", "load_known_after_s", "mass_error_percent")
"""What is told of each strategy beside the quantities."""


class Interval(TypedDict):
    """A mean over the draws, and how sure it is."""

    mean: float | None
    """Mean over the draws; null where none has a value."""
    interval95: list[float]
    """Its 95 % interval (Student's t; of a ratio, bootstrap); null below two draws."""
    n: int
    """Draws that count."""


class StrategyEntry(TypedDict):
    """A strategy: what it is, and its means."""

    what: str
    """The strategy in words."""
    rig: str
    """Name of the rig."""
    quantity: Annotated[Interval, Named("<quantity>"), Unit("of the quantity")]
    """Each of the quantities, and what describes the drive (see ``comparison.csv``)."""


class Difference(Interval):
    """A difference between two strategies in the same draw."""

    of: str
    """Strategy."""
    minus: str
    """Strategy that is taken off."""
    quantity: str
    """Which of the quantities."""


class Result(TypedDict):
    """A quantity told beside the sheet of limits."""

    rig: str
    """Name of the rig."""
    strategy: str
    """Name of the strategy."""
    quantity: str
    """Which of the quantities."""
    mean: Annotated[float | None, Unit("of the quantity")]
    """Mean over the draws."""
    less_base: Annotated[Interval | None, Unit("of the quantity")]
    """Difference from ``base`` in the same draw."""
    less_fixed_share: Annotated[Interval | None, Unit("of the quantity")]
    """Difference from ``fixed_share`` in the same draw."""


class Climb(TypedDict):
    """A climb of the road."""

    start_m: float
    """Where it begins."""
    end_m: float
    """Its crest."""


class Exceeded(RecordedLimit):
    """Where that was."""

    draw: int
    """Number of the draw."""
    rig: str
    """Name of the rig."""
    strategy: str
    """Name of the strategy."""


class DrawShown(TypedDict):
    """A draw that stands for others."""

    draw: int
    """Its number."""
    words: str
    """Why it was chosen."""


class WorstDraw(DrawShown):
    """And what it stands for."""

    quantity: str
    """Whose limit it is nearest to."""


class DrawsShown(TypedDict):
    """The draws in the figure."""

    median: DrawShown
    """The middle one by time."""
    worst: WorstDraw
    """The one nearest to a limit."""


class ComparisonSummary(TypedDict):
    """What a comparison found."""

    rig: str
    """Names of the rigs, in one."""
    rigs: list[str]
    """Names of the rigs."""
    road: str
    """Name of the road."""
    road_length_m: float
    """Its length."""
    climbs: list[Climb]
    """Its climbs."""
    combined_mass_kg: float
    """True combined mass."""
    weighed_mass_kg: float | None
    """What the estimator was told at the start; null for nothing."""
    weighed_mass_sd_kg: float | None
    """How sure that is."""
    draws: int
    """Draws of vehicle, wind and sensor noise."""
    quantities: Annotated[dict[str, str], Named("<quantity>")]
    """What each quantity is, with its unit."""
    strategies: Annotated[dict[str, StrategyEntry], Named("<strategy>")]
    """What each strategy is, and its means."""
    paired_differences: Annotated[list[Difference], Unit("of the quantity")]
    """Differences between strategies, draw by draw."""
    share_of_known_gain: Annotated[dict[str, Interval], Named("<quantity>")]
    """What part of the gain of ``known_load`` over ``base`` ``learnt_load`` gets."""
    limits_exceeded: list[Exceeded]
    """Recorded limits that were exceeded for more than 2 s."""
    criterion: str
    """How the sheet judges."""
    sheet: list[SheetRow]
    """Every limit of every rig under every strategy."""
    drawn_in_figure: DrawsShown
    """The draws in the figure."""
    results: list[Result]
    """Quantities told beside the sheet."""


class ComparisonTold(TypedDict):
    """What ``compare`` says beside it."""

    notes: list[str]
    """What stands out, one sentence each."""
    caution: str
    """What any advice is subject to."""


def interval95(values: Sequence[float] | FloatArray) -> dict[str, Any]:
    """Mean and its 95 % interval (Student's t); NaN values are left out.

    Parameters
    ----------
    values : sequence of float

    Returns
    -------
    dict
        ``mean``, ``interval95`` (two NaN below two values) and ``n``.
    """
    kept = np.asarray(values, dtype=float)
    kept = kept[np.isfinite(kept)]
    n = int(kept.size)
    if n == 0:
        return {"mean": math.nan, "interval95": [math.nan, math.nan], "n": 0}
    mean = float(kept.mean())
    if n == 1:
        return {"mean": mean, "interval95": [math.nan, math.nan], "n": 1}
    from scipy.stats import t

    half = float(t.ppf(0.975, n - 1) * kept.std(ddof=1) / math.sqrt(n))
    return {"mean": mean, "interval95": [mean - half, mean + half], "n": n}


def paired(table: pd.DataFrame, quantity: str, of: str, minus: str) -> FloatArray:
    """Differences between two strategies, draw by draw.

    Parameters
    ----------
    table : DataFrame
        As in :class:`Comparison`.
    quantity : str
        A column.
    of, minus : str
        Strategies.

    Returns
    -------
    ndarray, shape (draws,)
    """
    wide = table.pivot(index="draw", columns="strategy", values=quantity)
    return np.asarray(wide[of] - wide[minus], dtype=float)


def gain_ratio(
    table: pd.DataFrame,
    quantity: str,
    of: str = "learnt_load",
    over: str = "known_load",
    base: str = "base",
    seed: int = 0,
) -> dict[str, Any]:
    """What part of one strategy's gain over ``base`` another gets: a ratio of mean gains.

    Parameters
    ----------
    table : DataFrame
    quantity : str
    of, over, base : str
        Strategies.
    seed : int
        Of the bootstrap over draws (percentile interval, 4000 resamples).

    Returns
    -------
    dict
        ``mean`` (the ratio), ``interval95``, ``n``; NaN where the gain of ``over`` is not clear of
        zero, for then the ratio means nothing.
    """
    ours, theirs = paired(table, quantity, of, base), paired(table, quantity, over, base)
    usable = np.isfinite(ours) & np.isfinite(theirs)
    ours, theirs = ours[usable], theirs[usable]
    n = int(ours.size)
    low, high = interval95(theirs)["interval95"]
    if n < 2 or not (low > 0.0 or high < 0.0):
        return {"mean": math.nan, "interval95": [math.nan, math.nan], "n": n}
    picks = np.random.default_rng([seed, 9400]).integers(0, n, (4000, n))
    below = theirs[picks].mean(axis=1)
    ratios = ours[picks].mean(axis=1) / np.where(np.abs(below) > 1e-12, below, np.nan)
    lower, upper = np.nanquantile(ratios, [0.025, 0.975])
    return {
        "mean": float(ours.mean() / theirs.mean()),
        "interval95": [float(lower), float(upper)],
        "n": n,
    }


BUILT_IN = ("base", "fixed_share", "short_pull", "learnt_load", "known_load")
RESULTS = (
    "climb_time_s",
    "crest_speed_m_s",
    "passing_time_s",
    "fuel_l_per_100km",
    "gear_change_torque_n_m",
)
"""Quantities told beside the sheet of limits."""


def pairs(names: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Which strategies are held against which.

    All against ``base``; what knows or was made by the user against the built-in ones, and against
    the user's first.

    Parameters
    ----------
    names : sequence of str
        Strategies compared.

    Returns
    -------
    tuple of (str, str)
        Of, minus.
    """
    own = [name for name in names if name not in BUILT_IN]
    found = [(name, "base") for name in names]
    against = ["fixed_share", "short_pull", "known_load", *own[:1]]
    found += [(name, other) for name in ("learnt_load", *own) for other in against]
    return tuple(
        (of, minus) for of, minus in found if of != minus and of in names and minus in names
    )


def label_pairs(result: Comparison) -> list[tuple[str, str]]:
    """The same of every rig, then every further rig less the first, strategy by strategy."""
    found = []
    label = {(run.what.rig_name, run.strategy.name): run.label for run in result.runs}
    first = result.whats[0].rig_name
    for what in result.whats:
        rig = what.rig_name
        names = [strategy.name for strategy in what.compared]
        found += [(label[rig, of], label[rig, minus]) for of, minus in pairs(names)]
        if rig != first:
            found += [
                (label[rig, name], label[first, name]) for name in names if (first, name) in label
            ]
    return found


def summarise(result: Comparison) -> dict[str, Any]:
    """Means, paired differences and limits of a comparison.

    Returns
    -------
    dict
        The keys of :class:`ComparisonSummary`.
    """
    table, what = result.table, result.what
    by_name: dict[str, Any] = {}
    for run in result.runs:
        rows = table[table["strategy"] == run.label]
        entry: dict[str, Any] = {"what": run.strategy.in_words, "rig": run.what.rig_name}
        for quantity in (*QUANTITIES, *DESCRIBED):
            entry[quantity] = interval95(rows[quantity].to_numpy())
        by_name[run.label] = entry
    differences = [
        {"of": of, "minus": minus, "quantity": quantity}
        | interval95(paired(table, quantity, of, minus))
        for of, minus in label_pairs(result)
        for quantity in QUANTITIES
    ]
    several = len(result.whats) > 1
    sheet = limits_sheet(result)
    return {
        "rig": " and ".join(one.rig_name for one in result.whats),
        "rigs": [one.rig_name for one in result.whats],
        "road": what.road.name,
        "road_length_m": what.road.length_m,
        "climbs": [{"start_m": one.start_m, "end_m": one.end_m} for one in what.climbs],
        "combined_mass_kg": what.combined_mass_kg,
        "weighed_mass_kg": what.weighed[0] if what.weighed else None,
        "weighed_mass_sd_kg": what.weighed[1] if what.weighed else None,
        "draws": int(table["draw"].nunique()),
        "quantities": dict(QUANTITIES),
        "strategies": by_name,
        "paired_differences": differences,
        "share_of_known_gain": {
            quantity: gain_ratio(table, quantity)
            for quantity in ("climb_power_kw", "climb_time_s", "crest_speed_m_s")
            if not several and {"base", "learnt_load", "known_load"} <= set(by_name)
        },
        "limits_exceeded": result.exceeded,
        "criterion": CRITERION,
        "sheet": sheet,
        "drawn_in_figure": _chosen_draws(result, sheet),
        "results": _results(result, by_name, differences),
    }


def _results(
    result: Comparison, by_name: dict[str, Any], differences: list[dict[str, Any]]
) -> list[dict[str, Any]]:
    """Means of :data:`RESULTS`, and the differences from base and fixed share of the same rig."""
    found = {(one["of"], one["minus"], one["quantity"]): one for one in differences}
    label = {(run.what.rig_name, run.strategy.name): run.label for run in result.runs}
    rows = []
    for quantity in RESULTS:
        for run in result.runs:
            row: dict[str, Any] = {"rig": run.what.rig_name, "strategy": run.label}
            row["quantity"] = quantity
            row["mean"] = by_name[run.label][quantity]["mean"]
            for other in ("base", "fixed_share"):
                minus = label.get((run.what.rig_name, other), "")
                one = found.get((run.label, minus, quantity))
                if one is None and minus and run.label != minus:
                    one = interval95(paired(result.table, quantity, run.label, minus))
                row[f"less_{other}"] = (
                    None if one is None else {key: one[key] for key in ("mean", "interval95", "n")}
                )
            rows.append(row)
    return rows


def _chosen_draws(result: Comparison, sheet: list[dict[str, Any]]) -> dict[str, Any]:
    """The draws that stand for all: the middle one by time, and the one nearest to a limit."""
    table = result.table
    timed = "climb_time_s" if np.isfinite(table["climb_time_s"]).any() else "trip_time_s"
    mean = table.groupby("draw")[timed].mean().dropna().sort_values(kind="stable")
    middle = int(mean.index[(len(mean) - 1) // 2])
    words = "time on climbs" if timed == "climb_time_s" else "time for the road"
    worst = worst_row(sheet)
    chosen: dict[str, Any] = {
        "median": {"draw": middle, "words": f"median draw by {words} (draw {middle})"},
        "worst": {"draw": middle, "quantity": "", "words": f"draw {middle}"},
    }
    if worst is not None:
        digits = worst["decimals"]
        margin = f"{abs(worst['margin']):.{digits}f} {worst['unit']}".rstrip()
        side = "within" if worst["margin"] >= 0.0 else "beyond"
        chosen["worst"] = {
            "draw": worst["worst_draw"],
            "quantity": worst["quantity"],
            "words": f"draw nearest to a limit (draw {worst['worst_draw']}):\n{worst['words']}, "
            f"{worst['strategy'].replace('_', ' ')}, {margin} {side} the limit",
        }
    return chosen
