"""What was learnt beside the ratings, and what was recorded beside the limits."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import pandas as pd

from loadlearn.log.exceedances import exceedances
from loadlearn.vehicle.rig import Rig


def ratings_and_limits(trace: pd.DataFrame, rig: Rig, summary: dict[str, Any]) -> dict[str, Any]:
    """Compare what was learnt with the ratings, and the log with the limits.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.
    rig : Rig
        Ratings and limits; a rating not given makes its probability None.
    summary : dict
        With ``mass_kg`` and ``trailer_mass_kg``; probabilities already there are kept.

    Returns
    -------
    dict
        ``probability_over_gcm``, ``probability_over_towing`` and ``limits_exceeded``.
    """
    vehicle = rig.vehicle
    return {
        "probability_over_gcm": summary.get(
            "probability_over_gcm", _probability_above(summary["mass_kg"], vehicle.rated_gcm_kg)
        ),
        "probability_over_towing": summary.get(
            "probability_over_towing",
            _probability_above(summary["trailer_mass_kg"], vehicle.rated_towing_kg),
        ),
        "limits_exceeded": [asdict(one) for one in exceedances(trace, rig)],
    }


def _probability_above(belief: dict[str, Any], rating: float | None) -> float | None:
    """P(quantity > rating) under the normal distribution with the belief's mean and sd."""
    if rating is None:
        return None
    if not belief["sd"] > 0.0:
        return float(belief["mean"] > rating)
    return 0.5 * math.erfc((rating - belief["mean"]) / (belief["sd"] * math.sqrt(2.0)))
