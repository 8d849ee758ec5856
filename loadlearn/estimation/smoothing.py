"""The best answer given the whole log: what was learnt later, carried back to where it holds.

Mass, drag area and tractive scale do not move between changes of load, nor does the kind of ground
between changes of ground. For a state that does not move the smoothed estimate at any instant *is*
the filtered estimate at the end of the stretch in which it holds (Rauch, Tung & Striebel, AIAA J.
3(8), 1965, with unit transition and no process noise). The rolling resistance walks a little within
a stretch: what is carried back over a time dt has its variance widened by that walk, which is
honest, and a little wider than the optimal smoother.
"""

from __future__ import annotations

from typing import Any, TypedDict

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.estimation.model import Noise
from loadlearn.estimation.normal import Z95
from loadlearn.estimation.summary import Quantity
from loadlearn.vehicle.roadload import Ground

FloatArray = NDArray[np.float64]

_CARRIED = (
    "mass_kg",
    "mass_sd_kg",
    "mass_sd_given_scale_kg",
    "mass_low95_kg",
    "mass_high95_kg",
    "mass_given_scale_kg",
    "drag_area_m2",
    "drag_area_sd_m2",
    "drag_area_sd_given_scale_m2",
    "p_nothing_hitched",
)


def load_stretches(time_s: FloatArray, changes: list[dict[str, Any]]) -> list[tuple[int, int]]:
    """Index ranges (start, end) between reported changes of load.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    changes : list of dict
        ``load_changes`` of the summary.

    Returns
    -------
    list of (int, int)
    """
    cuts = [0, *(int(np.searchsorted(time_s, change["time_s"])) for change in changes)]
    cuts.append(len(time_s))
    return [(a, b) for a, b in zip(cuts, cuts[1:], strict=False) if b > a]


def smoothed(
    history: pd.DataFrame,
    summary: dict[str, Any],
    grounds: tuple[Ground, ...],
    noise: Noise,
) -> pd.DataFrame:
    """The estimates given the whole log.

    Parameters
    ----------
    history : DataFrame
        What a causal run returns.
    summary : dict
        Its summary.
    grounds : tuple of Ground
    noise : Noise

    Returns
    -------
    DataFrame
        The same columns.
    """
    result = history.copy()
    time_s = history["time_s"].to_numpy()
    for start, end in load_stretches(time_s, summary["load_changes"]):
        for name in _CARRIED:
            values = result[name].to_numpy(copy=True)
            values[start:end] = values[end - 1]
            result[name] = values
    names = [ground.name for ground in grounds]
    codes = history["surface"].cat.codes.to_numpy().copy()
    mean = history["rolling_resistance"].to_numpy(copy=True)
    sd = history["rolling_resistance_sd"].to_numpy(copy=True)
    low = history["rolling_resistance_low95"].to_numpy(copy=True)
    high = history["rolling_resistance_high95"].to_numpy(copy=True)
    for segment in summary["surfaces"]:
        inside = (time_s >= segment["start_s"]) & (time_s <= segment["end_s"])
        # What is unexplained is no ground.
        if not inside.any() or segment["surface"] not in names:
            continue
        index = names.index(segment["surface"])
        believed = segment["rolling_resistance"]
        walk = (
            noise.roll_walk_per_s05
            * grounds[index].rolling_resistance
            / grounds[0].rolling_resistance
        )
        away_s = np.abs(time_s[inside] - segment["at_s"])
        widened = np.sqrt(believed["sd"] ** 2 + walk**2 * away_s)
        # Where the causal answer was already the surer one, it stands.
        better = widened < sd[inside]
        where = np.flatnonzero(inside)[better]
        codes[inside] = index
        mean[where] = believed["mean"]
        sd[where] = widened[better]
        low[where] = believed["mean"] - Z95 * widened[better]
        high[where] = believed["mean"] + Z95 * widened[better]
    result["rolling_resistance"], result["rolling_resistance_sd"] = mean, sd
    result["rolling_resistance_low95"], result["rolling_resistance_high95"] = low, high
    result["surface"] = pd.Categorical.from_codes(codes, categories=pd.Index(names))
    result.attrs = dict(history.attrs)
    return result


class LoadStretch(TypedDict):
    """A stretch of the drive between two changes of load."""

    start_s: float
    """Its first sample."""
    end_s: float
    """Its last sample."""
    mass_kg: Quantity
    """Combined mass, as known at its end."""


class Smoothed(TypedDict):
    """What the whole log, later samples included, says of every stretch."""

    loads: list[LoadStretch]
    """One for each stretch between changes of load."""
    mass_kg: Quantity
    """As above: at the end of the log nothing later is to be learnt."""
    trailer_mass_kg: Quantity
    """As above."""
    rolling_resistance: Quantity
    """As above."""
    drag_area_m2: Quantity
    """As above."""


def smoothed_summary(history: pd.DataFrame, summary: dict[str, Any]) -> dict[str, Any]:
    """Loads of the whole log, stretch by stretch, as ``summary.json`` shows them.

    Parameters
    ----------
    history : DataFrame
        What a causal run returns.
    summary : dict
        Its summary.

    Returns
    -------
    dict
        ``loads`` (one per stretch between changes of load) and the quantities at the end.
    """
    time_s = history["time_s"].to_numpy()
    loads = []
    for start, end in load_stretches(time_s, summary["load_changes"]):
        row = history.iloc[end - 1]
        loads.append(
            {
                "start_s": float(time_s[start]),
                "end_s": float(time_s[end - 1]),
                "mass_kg": {
                    "mean": float(row["mass_kg"]),
                    "sd": float(row["mass_sd_kg"]),
                    "sd_given_scale": float(row["mass_sd_given_scale_kg"]),
                    "interval95": [float(row["mass_low95_kg"]), float(row["mass_high95_kg"])],
                },
            }
        )
    # At the end of the log nothing later is to be learnt: both posteriors are one.
    return {
        "loads": loads,
        **{
            name: summary[name]
            for name in ("mass_kg", "trailer_mass_kg", "rolling_resistance", "drag_area_m2")
        },
    }
