"""Traces of a closed-loop drive: what the vehicle did in truth, and what was advised and learnt."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.described import Entry, meanings, unit_of
from loadlearn.log.channels import CANONICAL
from loadlearn.policy.columns import AdviceRow
from loadlearn.simulation.strategies import StrategyRun

FloatArray = NDArray[np.float64]

# Columns of the plant under the names that logs use, with factors.
_PLANT = {
    "distance_m": ("distance_m", 1.0),
    "altitude_m": ("altitude_m", 1.0),
    "grade_percent": ("grade_tangent", 100.0),
    "speed_m_s": ("speed_m_s", 1.0),
    "engine_speed_rpm": ("engine_speed_rad_s", 30.0 / np.pi),
    "engine_torque_n_m": ("engine_torque_n_m", 1.0),
    "tractive_force_n": ("tractive_force_n", 1.0),
    "fuel_rate_g_s": ("fuel_rate_g_s", 1.0),
    "accelerator_percent": ("accelerator", 100.0),
    "gear": ("gear", 1.0),
    "extra_torque_share": ("extra_torque_share", 1.0),
    "mass_kg": ("mass_kg", 1.0),
    "rolling_resistance": ("rolling_resistance", 1.0),
    "boost_kpa": ("boost_kpa", 1.0),
}
_ADVISED = {
    "advised_extra_torque": "extra_torque",
    "advised_power_retention": "power_retention",
    "advised_full_share_time_s": "full_share_time_s",
    "advised_economy": "economy",
}

_OWN = {
    "time_s": "Since the start of the drive.",
    "distance_m": "Along the road.",
    "mass_kg": "Combined mass, true.",
    "rolling_resistance": "Coefficient of the ground at 20 m/s, true.",
}
_LEARNT = {
    "learnt_mass_kg": "Combined mass that the advice was made for.",
    "learnt_mass_sd_kg": "Its standard deviation.",
}


def trace_columns() -> list[Entry]:
    """Columns of a trace after those that say whose it is.

    Returns
    -------
    list of Entry
    """
    advised = meanings(AdviceRow)
    said = {name: _OWN.get(name) or f"True: {CANONICAL[name].description}." for name in _PLANT}
    said["<limited quantity>"] = "Each quantity of the sheet of limits that is none of these."
    said |= {name: f"As advised: {advised[source]}" for name, source in _ADVISED.items()}
    said = {"time_s": _OWN["time_s"]} | said | _LEARNT
    return [Entry(name, "number", unit_of(name) or "1", text) for name, text in said.items()]


def trace_of(
    run: StrategyRun, limited: Mapping[str, FloatArray], of: Mapping[str, Any], every_s: float
) -> pd.DataFrame:
    """The main channels of a drive, thinned.

    Parameters
    ----------
    run : StrategyRun
    limited : mapping of str to ndarray, shape (steps,)
        Further columns: what is limited.
    of : mapping
        Columns that are the same in every row and come first.
    every_s : float
        Interval (s); 0 keeps every internal step.

    Returns
    -------
    DataFrame
        ``time_s`` after the columns of ``of``; single precision but for the time.
    """
    time = run.plant("time_s")
    keep = slice(None, None, max(round(every_s / float(time[1] - time[0])), 1))
    columns: dict[str, Any] = dict(of)
    columns["time_s"] = time[keep].copy()
    for name, (source, factor) in _PLANT.items():
        columns[name] = (factor * run.plant(source)[keep]).astype(np.float32)
    for name, values in limited.items():
        columns[name] = values[keep].astype(np.float32)
    # Advice stands from its row of the log until the next.
    rows = np.searchsorted(run.logged("time_s"), columns["time_s"] + 1e-6, side="right") - 1
    for name, source in _ADVISED.items():
        columns[name] = run.advised(source)[rows].astype(np.float32)
    ticks = np.searchsorted(run.learnt[:, 0], columns["time_s"] + 1e-6, side="right") - 1
    for place, name in enumerate(_LEARNT, start=1):
        learnt = np.where(ticks >= 0, run.learnt[np.maximum(ticks, 0), place], np.nan)
        columns[name] = learnt.astype(np.float32)
    return pd.DataFrame(columns)
