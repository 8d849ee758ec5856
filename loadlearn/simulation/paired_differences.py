"""Differences between strategies, draw by draw, and how sure they are."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.simulation.outcomes import QUANTITIES

if TYPE_CHECKING:
    from loadlearn.simulation.comparison import Comparison

FloatArray = NDArray[np.float64]


DESCRIBED = ("ratings_held_back", "load_known_after_s", "mass_error_percent")
"""What is told of each strategy beside the quantities."""


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


PAIRS: tuple[tuple[str, str], ...] = (
    ("fixed_share", "base"),
    ("short_pull", "base"),
    ("learnt_load", "base"),
    ("known_load", "base"),
    ("learnt_load", "fixed_share"),
    ("learnt_load", "short_pull"),
    ("learnt_load", "known_load"),
)


def summarise(result: Comparison) -> dict[str, Any]:
    """Means, paired differences and limits of a comparison.

    Returns
    -------
    dict
        ``strategies`` (by name: what it is, and each quantity with mean and interval),
        ``paired_differences`` (list of ``of``, ``minus``, ``quantity``, ``mean``, ``interval95``,
        ``n``), ``share_of_known_gain``, ``limits_exceeded`` and what describes the comparison.
    """
    table, what = result.table, result.what
    by_name: dict[str, Any] = {}
    for strategy in what.compared:
        rows = table[table["strategy"] == strategy.name]
        entry: dict[str, Any] = {"what": strategy.in_words}
        for quantity in (*QUANTITIES, *DESCRIBED):
            entry[quantity] = interval95(rows[quantity].to_numpy())
        by_name[strategy.name] = entry
    differences = [
        {"of": of, "minus": minus, "quantity": quantity}
        | interval95(paired(table, quantity, of, minus))
        for of, minus in PAIRS
        for quantity in QUANTITIES
    ]
    return {
        "rig": what.rig.name,
        "road": what.road.name,
        "road_length_m": what.road.length_m,
        "climbs": [{"start_m": one.start_m, "end_m": one.end_m} for one in what.climbs],
        "combined_mass_kg": what.combined_mass_kg,
        "draws": int(table["draw"].nunique()),
        "quantities": dict(QUANTITIES),
        "strategies": by_name,
        "paired_differences": differences,
        "share_of_known_gain": {
            quantity: gain_ratio(table, quantity)
            for quantity in ("climb_power_kw", "climb_time_s", "crest_speed_m_s")
        },
        "limits_exceeded": result.exceeded,
    }
