"""What was learnt against the ratings of the vehicle, and the log against the rig's limits."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, TypedDict

from loadlearn.log.exceedances import Exceedance, exceedances

if TYPE_CHECKING:
    import pandas as pd

    from loadlearn.vehicle.rig import Rig


class Ratings(TypedDict):
    """Ratings and limits, probably or surely passed."""

    probability_over_gcm: float | None
    """That the combined mass is above the rating; null without one."""
    probability_over_towing: float | None
    """That the trailer is above the towing rating; null without one."""
    limits_exceeded: list[Exceedance]
    """Recorded temperatures that stayed above a limit of the rig for more than 2 s."""


def ratings_and_limits(trace: pd.DataFrame, rig: Rig, summary: dict[str, Any]) -> Ratings:
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
    Ratings
    """
    vehicle = rig.vehicle
    exceeded: list[Any] = [asdict(one) for one in exceedances(trace, rig)]
    return {
        "probability_over_gcm": summary.get(
            "probability_over_gcm", _probability_above(summary["mass_kg"], vehicle.rated_gcm_kg)
        ),
        "probability_over_towing": summary.get(
            "probability_over_towing",
            _probability_above(summary["trailer_mass_kg"], vehicle.rated_towing_kg),
        ),
        "limits_exceeded": exceeded,
    }


def _probability_above(belief: dict[str, Any], rating: float | None) -> float | None:
    """P(quantity > rating) under the normal distribution with the belief's mean and sd."""
    if rating is None:
        return None
    if not belief["sd"] > 0.0:
        return float(belief["mean"] > rating)
    return 0.5 * math.erfc((rating - belief["mean"]) / (belief["sd"] * math.sqrt(2.0)))
