"""The columns of a fleet's data set: one row per drive, summaries only."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, TypedDict, get_type_hints

import numpy as np
import pandas as pd

from loadlearn.described import Unit
from loadlearn.estimation.ratings import ratings_and_limits
from loadlearn.vehicle.rig import Rig


class FleetDrive(TypedDict):
    """Columns of a fleet's data set, one row per drive."""

    vehicle_id: str
    """As the manifest names it; the partition ``vehicle`` says the same, escaped."""
    log: str
    """As the manifest spells it."""
    line: Annotated[int, Unit("1")]
    """Of the manifest, the header being line 1."""
    start: datetime
    """When the drive began, UTC; null where the manifest does not say."""
    weighed_mass_kg: float
    """Combined mass, weighed; null without."""
    key: str
    """Hash of all that decides the result."""
    log_sha256: str
    """Hash of the log's bytes."""
    rig_sha256: str
    """Hash of every key of the rig."""
    rig: str
    """Name of the rig."""
    version: str
    """Of the package, with a hash of its sources."""
    duration_s: float
    """From the first sample to the last."""
    distance_m: float
    """Driven."""
    learnt_s: float
    """Driving time learnt from."""
    mass_kg: float
    """Combined mass at the end, mean."""
    mass_sd_kg: float
    """Its standard deviation, in all."""
    mass_sd_given_scale_kg: float
    """Its standard deviation were the tractive scale known."""
    mass_low95_kg: float
    """Lower end of its 95 % interval."""
    mass_high95_kg: float
    """Upper end of its 95 % interval."""
    trailer_mass_kg: float
    """Combined mass less the tow vehicle's, mean; it may be negative."""
    trailer_mass_sd_kg: float
    """Its standard deviation."""
    trailer_mass_low95_kg: float
    """Lower end of its 95 % interval."""
    trailer_mass_high95_kg: float
    """Upper end of its 95 % interval."""
    rolling_resistance: Annotated[float, Unit("1")]
    """At 20 m/s, on the last ground, mean."""
    rolling_resistance_sd: Annotated[float, Unit("1")]
    """Its standard deviation."""
    drag_area_m2: float
    """Drag area, mean."""
    drag_area_sd_m2: float
    """Its standard deviation."""
    tractive_scale: Annotated[float, Unit("1")]
    """True force at the tread over the force computed from the log, mean."""
    tractive_scale_sd: Annotated[float, Unit("1")]
    """Its standard deviation."""
    probability_nothing_hitched: Annotated[float, Unit("1")]
    """At the end of the drive."""
    probability_over_gcm: Annotated[float, Unit("1")]
    """That the mass is above the rated gross combination mass; null without a rating."""
    probability_over_towing: Annotated[float, Unit("1")]
    """That what is towed is above its rating; null without a rating."""
    surfaces: list[str]
    """Grounds met, in order of appearance."""
    load_changes: Annotated[int, Unit("1")]
    """How many the drive speaks for."""
    limits_exceeded: list[str]
    """Channels that passed their limit."""
    trusted: bool
    """Whether the result is to be trusted."""
    not_trusted_because: list[str]
    """Why not."""
    warnings: list[str]
    """What was put right or is to be known."""
    error_percent: float
    """Estimated less weighed, in per cent of weighed; null without a weighing, as the next two."""
    z: Annotated[float, Unit("1")]
    """Estimated less weighed, over the standard deviation."""
    inside95: bool
    """Whether the interval, its ends included, holds the weighed mass."""
    baseline: bool
    """Whether the vehicle is known to have been well on this drive."""
    findings: list[str]
    """Of the condition, strongest evidence first; null for a baseline drive and where not asked."""


COLUMNS: dict[str, Any] = get_type_hints(FleetDrive)
"""Type by name. ``vehicle_id`` is text; a reader may take the partition's name for a number."""


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
