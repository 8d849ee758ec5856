"""What a reader of a comparison should know before its numbers, one sentence each."""

from __future__ import annotations

import numpy as np

from loadlearn.simulation.comparison import Comparison
from loadlearn.simulation.situation import CLIMB_GRADE_PERCENT, CLIMB_SHORTEST_M

_LONG_S = 2.0


def comparison_notes(result: Comparison) -> list[str]:
    """Why strategies may differ little, and which drives did not come to the end.

    Parameters
    ----------
    result : Comparison

    Returns
    -------
    list of str
    """
    table, what = result.table, result.what
    notes = []
    if not what.climbs:
        notes.append(
            f"the road has no climb ({CLIMB_GRADE_PERCENT:g} % or steeper for "
            f"{CLIMB_SHORTEST_M:g} m), so nothing is said of climbs"
        )
    if what.rig.limits.exhaust_gas_temp_sensor == "none":
        notes.append(
            "the rig states no exhaust gas temperature sensor, so no strategy may use any extra "
            "torque"
        )
    base = table[table["strategy"] == "base"]
    hot = int((base["longest_10k_over_gas_limit_s"] > _LONG_S).sum())
    if hot:
        notes.append(
            f"the base calibration alone takes the gas above its limit in {hot} of {len(base)} "
            "draws, and then the protections leave no extra torque: check the limit in the rig "
            "file against the maker's"
        )
    for name, rows in table.groupby("strategy", sort=False):
        short = int(np.count_nonzero(rows["driven_to_the_end"] < 0.5))
        if short:
            notes.append(
                f"{name}: {short} of {len(rows)} drives did not reach the end of the road; their "
                "times and fuel are not those of the whole road"
            )
    return notes
