"""What the rig file believes or a log shows, and the drive contradicts: reasons not to trust."""

from __future__ import annotations

import math

import pandas as pd

from loadlearn.log.alignment import make_grid
from loadlearn.log.contradictions import accelerometer_off, no_gear_fits
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.samples import HEIGHT_FROM_ACCELEROMETER, height_source, without_attrs

CONTRADICTED_SD = 2.5
"""Standard deviations of a belief beyond which what was learnt contradicts it."""


def contradicted_beliefs(
    rig: Rig, trace: pd.DataFrame, last: pd.Series, tractive_scale: float
) -> list[str]:
    """Beliefs of a rig that a drive contradicts, and channels that contradict each other.

    A belief is left for what the drive says by as much as the drive knows better: one that the
    drive cannot tell is never contradicted, and the tractive scale only by a stretch alone.

    Parameters
    ----------
    rig : Rig
    trace : DataFrame
        What was run.
    last : Series
        The last row of its history.
    tractive_scale : float
        As believed at the end.

    Returns
    -------
    list of str
        A sentence each.
    """
    trace = without_attrs(trace)
    found = no_gear_fits(trace, rig)
    if height_source(trace) == HEIGHT_FROM_ACCELEROMETER:
        found += accelerometer_off(trace, make_grid(trace))
    vehicle, uncertainty = rig.vehicle, rig.uncertainty
    area_sd, mass_sd = float(vehicle.drag_area_sd_m2 or 0.0), float(vehicle.mass_sd_kg or 0.0)
    if abs(last["drag_area_m2"] - vehicle.drag_area_m2) > CONTRADICTED_SD * area_sd:
        found.append(
            f"the drag area learnt ({last['drag_area_m2']:.2f} m2) is far from the rig's "
            f"({vehicle.drag_area_m2:.2f} ± {area_sd:.2f} m2): check the rig file, or wind and "
            "slipstream"
        )
    apart = abs(math.log(tractive_scale / uncertainty.tractive_scale))
    if apart > CONTRADICTED_SD * uncertainty.tractive_scale_sd:
        found.append(
            f"a stretch alone puts the tractive scale at {tractive_scale:.3f}, far from the rig's "
            f"({uncertainty.tractive_scale:.3f} ± {uncertainty.tractive_scale_sd:.3f}): check the "
            "rig file or the force channel"
        )
    if vehicle.mass_kg - last["mass_kg"] > CONTRADICTED_SD * math.hypot(
        last["mass_sd_kg"], mass_sd
    ):
        found.append(
            f"the mass learnt ({last['mass_kg']:.0f} kg) is below the rig's own "
            f"({vehicle.mass_kg:.0f} ± {mass_sd:.0f} kg): check the rig file or the force channel"
        )
    return found
