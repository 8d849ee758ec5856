"""The columns of a fleet's data set: one row per drive, summaries only."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from loadlearn.estimation.ratings import ratings_and_limits
from loadlearn.vehicle.rig import Rig

TEXT, WHOLE, NUMBER, TRUTH, WORDS, TIME = "text", "whole", "number", "truth", "words", "time"

COLUMNS = {
    # of the manifest
    "vehicle_id": TEXT,
    "log": TEXT,
    "line": WHOLE,
    "start": TIME,
    "weighed_mass_kg": NUMBER,
    # what it was made from
    "key": TEXT,
    "log_sha256": TEXT,
    "rig_sha256": TEXT,
    "rig": TEXT,
    "version": TEXT,
    # of the drive
    "duration_s": NUMBER,
    "distance_m": NUMBER,
    "learnt_s": NUMBER,
    # what was learnt by its end
    "mass_kg": NUMBER,
    "mass_sd_kg": NUMBER,
    "mass_sd_given_scale_kg": NUMBER,
    "mass_low95_kg": NUMBER,
    "mass_high95_kg": NUMBER,
    "trailer_mass_kg": NUMBER,
    "trailer_mass_sd_kg": NUMBER,
    "trailer_mass_low95_kg": NUMBER,
    "trailer_mass_high95_kg": NUMBER,
    "rolling_resistance": NUMBER,
    "rolling_resistance_sd": NUMBER,
    "drag_area_m2": NUMBER,
    "drag_area_sd_m2": NUMBER,
    "tractive_scale": NUMBER,
    "tractive_scale_sd": NUMBER,
    "probability_nothing_hitched": NUMBER,
    "probability_over_gcm": NUMBER,
    "probability_over_towing": NUMBER,
    "surfaces": WORDS,
    "load_changes": WHOLE,
    "limits_exceeded": WORDS,
    "trusted": TRUTH,
    "not_trusted_because": WORDS,
    "warnings": WORDS,
    # beside the weighed mass
    "error_percent": NUMBER,
    "z": NUMBER,
    "inside95": TRUTH,
    # of the condition, where asked for
    "baseline": TRUTH,
    "findings": WORDS,
}
"""Name to kind. The partition's ``vehicle`` is what ``vehicle_id`` says; a reader may take the
former for a number."""


def drive_row(trace: pd.DataFrame, history: pd.DataFrame, rig: Rig) -> dict[str, Any]:
    """What a drive told, as far as its log and rig decide it.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.
    history : DataFrame
        What ``LoadEstimator.run`` gave, with its summary.
    rig : Rig

    Returns
    -------
    dict
        Cells of :data:`COLUMNS`.
    """
    summary = history.attrs["summary"]
    summary = summary | ratings_and_limits(trace, rig, summary)
    time_s = trace["time_s"].to_numpy(dtype=float)
    distance_m = np.trapezoid(np.nan_to_num(trace["speed_m_s"].to_numpy(dtype=float)), time_s)
    mass, trailer = summary["mass_kg"], summary["trailer_mass_kg"]
    rolling, drag = summary["rolling_resistance"], summary["drag_area_m2"]
    return {
        "rig": rig.name,
        "duration_s": float(time_s[-1] - time_s[0]),
        "distance_m": float(distance_m),
        "learnt_s": summary["learnt_s"],
        "mass_kg": mass["mean"],
        "mass_sd_kg": mass["sd"],
        "mass_sd_given_scale_kg": mass["sd_given_scale"],
        "mass_low95_kg": mass["interval95"][0],
        "mass_high95_kg": mass["interval95"][1],
        "trailer_mass_kg": trailer["mean"],
        "trailer_mass_sd_kg": trailer["sd"],
        "trailer_mass_low95_kg": trailer["interval95"][0],
        "trailer_mass_high95_kg": trailer["interval95"][1],
        "rolling_resistance": rolling["mean"],
        "rolling_resistance_sd": rolling["sd"],
        "drag_area_m2": drag["mean"],
        "drag_area_sd_m2": drag["sd"],
        "tractive_scale": summary["tractive_scale"]["mean"],
        "tractive_scale_sd": summary["tractive_scale"]["sd"],
        "probability_nothing_hitched": summary["probability_nothing_hitched"],
        "probability_over_gcm": summary["probability_over_gcm"],
        "probability_over_towing": summary["probability_over_towing"],
        "surfaces": list(dict.fromkeys(one["surface"] for one in summary["surfaces"])),
        "load_changes": len(summary["load_changes"]),
        "limits_exceeded": list(dict.fromkeys(o["channel"] for o in summary["limits_exceeded"])),
        "trusted": summary["trust"]["ok"],
        "not_trusted_because": summary["trust"]["reasons"],
        "warnings": summary["warnings"],
    }


def beside_weighing(row: dict[str, Any], weighed_kg: float | None) -> dict[str, Any]:
    """The estimate against a weighed mass, as ``validate`` judges it.

    Parameters
    ----------
    row : dict
        With the mass learnt and its interval.
    weighed_kg : float or None
    """
    if weighed_kg is None:
        return {}
    difference = row["mass_kg"] - weighed_kg
    return {
        "error_percent": 100.0 * difference / weighed_kg,
        "z": difference / row["mass_sd_kg"] if row["mass_sd_kg"] > 0.0 else None,
        "inside95": row["mass_low95_kg"] <= weighed_kg <= row["mass_high95_kg"],
    }
