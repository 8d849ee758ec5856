"""What a healthy engine does, from remembered drives, as ``condition`` takes it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from loadlearn.condition.assessment import DrivePoints
from loadlearn.condition.channel_health import SENSORS
from loadlearn.condition.evidence import Measure
from loadlearn.condition.measures import RoadLoad
from loadlearn.memory.drive_record import DriveRecord
from loadlearn.memory.vehicle_file import VehicleFile
from loadlearn.memory.vehicle_memory import reopened_on


def healthy_drives(vehicle: VehicleFile, leaving: str | None = None) -> list[DrivePoints]:
    """Drives for a baseline, condensed to the measures that need no other drive.

    Parameters
    ----------
    vehicle : VehicleFile
    leaving : str, optional
        Hash of a drive that is left aside: the one that is about to be judged.

    Returns
    -------
    list of DrivePoints
        Of the drives since the last change that the engine's condition depends on; without
        operating points, so the operating maps (boost, air flow, rail pressure, exhaust
        temperature) need baseline logs.
    """
    since = reopened_on(vehicle.changes, "condition")
    return [
        _points_of(one, one.weather)
        for one in vehicle.drives
        if one.hash != leaving and one.day >= since and one.weather is not None
    ]


def _points_of(drive: DriveRecord, weather: tuple[float, float]) -> DrivePoints:
    load = drive.road_load
    return DrivePoints(
        points=pd.DataFrame({name: np.zeros(0) for name in SENSORS}),
        maps={},
        scalars={k: Measure(v.value, v.sd, v.samples) for k, v in drive.healthy.items()},
        conditions=np.array(weather),
        regenerations=drive.regenerations,
        road_load=None
        if load is None
        else RoadLoad(
            load.rolling_resistance,
            load.drag_area_m2,
            np.array([load.variances[:2], load.variances[1:]]),
            load.exchange_per_m2,
            load.samples,
        ),
    )
