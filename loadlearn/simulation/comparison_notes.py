"""What a reader of a comparison should know before its numbers, one sentence each."""

from __future__ import annotations

import numpy as np

from loadlearn.simulation.comparison import Comparison
from loadlearn.simulation.situation import CLIMB_GRADE_PERCENT, CLIMB_SHORTEST_M, Situation

_LONG_S = 2.0
_OFTEN = 0.05


def comparison_notes(result: Comparison) -> list[str]:
    """Why strategies may differ little, and which drives did not come to the end."""
    what = result.what
    notes = []
    if not what.climbs:
        notes.append(
            f"the road has no climb ({CLIMB_GRADE_PERCENT:g} % or steeper for "
            f"{CLIMB_SHORTEST_M:g} m), so nothing is said of climbs"
        )
    for one in result.whats:
        of_rig = _rig_notes(result, one)
        prefix = f"{one.rig_name}: " if len(result.whats) > 1 else ""
        notes += [prefix + note for note in of_rig]
    for name, rows in result.table.groupby("strategy", sort=False):
        short = int(np.count_nonzero(rows["driven_to_the_end"] < 0.5))
        if short:
            notes.append(
                f"{name}: {short} of {len(rows)} drives did not reach the end of the road; their "
                "times and fuel are not those of the whole road"
            )
    return notes


def _rig_notes(result: Comparison, what: Situation) -> list[str]:
    notes = []
    if what.rig.limits.exhaust_gas_temp_sensor == "none":
        notes.append(
            "the rig states no exhaust gas temperature sensor, so no strategy may use any extra "
            "torque"
        )
    above = _above_ratings(what)
    if above:
        notes.append(
            f"{above}: where the load is known the ratings hold the extra torque back, and "
            "fixed_share and short_pull, which know no load, use it all the same; compare with "
            "another --mass"
        )
    for run in result.runs:
        if run.what is not what:
            continue
        rows = result.table[result.table["strategy"] == run.label]
        held = float(rows["ratings_held_back"].mean())
        if not above and held > _OFTEN:
            notes.append(
                f"{run.strategy.name}: for {100 * held:.0f} % of the time on climbs the extra "
                "torque was held back because the load learnt is too likely above a rating"
            )
        hot = int((rows["longest_10k_over_gas_limit_s"] > _LONG_S).sum())
        if run.strategy.name == "base" and hot:
            notes.append(
                f"the base calibration alone takes the gas above its limit in {hot} of {len(rows)} "
                "draws, and then the protections leave no extra torque: check the limit in the rig "
                "file against the maker's"
            )
    return notes


def _above_ratings(what: Situation) -> str:
    """The ratings that the true load is above, in words; empty where it keeps them."""
    vehicle, mass = what.rig.vehicle, what.combined_mass_kg
    parts = []
    if vehicle.rated_gcm_kg is not None and mass > vehicle.rated_gcm_kg:
        parts.append(f"the {mass:,.0f} kg are above rated_gcm_kg ({vehicle.rated_gcm_kg:,.0f} kg)")
    trailer = mass - vehicle.mass_kg
    if vehicle.rated_towing_kg is not None and trailer > vehicle.rated_towing_kg:
        parts.append(
            f"the trailer's {trailer:,.0f} kg are above rated_towing_kg "
            f"({vehicle.rated_towing_kg:,.0f} kg)"
        )
    return " and ".join(parts)
