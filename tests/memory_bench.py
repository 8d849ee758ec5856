"""Remembered drives made up from a law that is known."""

from __future__ import annotations

import datetime
import math
from typing import Any

import numpy as np

from loadlearn.memory.drive_record import DriveRecord, Told
from loadlearn.memory.vehicle_file import VehicleFile
from loadlearn.vehicle.rig import Rig

RIG = Rig.from_dict(
    {
        "name": "test utility",
        "vehicle": {"mass_kg": 2600.0, "mass_sd_kg": 100.0, "tyre_radius_m": 0.38},
        "engine": {"displacement_l": 2.8},
        "driveline": {"gear_ratios": [4.0, 2.3, 1.5, 1.0], "final_drive": 3.9},
        "uncertainty": {"tractive_scale": 1.0, "tractive_scale_sd": 0.03},
    }
)
DRIVE_SD, BETWEEN_SD = 0.008, 0.01
START = datetime.date(2030, 1, 1)


def drive(at: int, implied_kg: float, **stated: Any) -> DriveRecord:
    """Drive number ``at``, three days after the one before."""
    return DriveRecord(
        **{
            "hash": f"{at:016x}",
            "log": f"drive {at}",
            "date": START + datetime.timedelta(days=3 * at),
            "learnt_s": 600.0,
            "log_implied_mass": Told(mean=math.log(implied_kg), sd=DRIVE_SD),
            "nothing_hitched": 0.0,
            "rolling_resistance": Told(mean=0.0100 + 0.0001 * (at % 7), sd=0.001),
            "drag_area_m2": Told(mean=2.0 + 0.02 * (at % 5), sd=0.2),
            "force_channel": "fuel_rate_g_s",
            "height_channel": "grade_percent",
            "delays_s": {"force": 0.2 + 0.01 * (at % 3), "height": 0.0, "speed": 0.0},
            "delays_sd_s": {"force": 0.03, "height": 0.05, "speed": 0.0},
            "noise": {"white": 0.001, "height_sd_m": 0.0},
            **stated,
        }
    )


def drives(
    seed: int,
    scale: float = 1.05,
    count: int = 12,
    weighed: tuple[int, ...] = (1, 4, 8),
    named: bool = True,
    step_from: int = 999,
    step: float = 0.0,
) -> list[DriveRecord]:
    """Drives of one vehicle: every second with the boat on, the others as it comes.

    Parameters
    ----------
    seed, scale, count, weighed
    named : bool
        Whether the boat is named.
    step_from, step : int, float
        From which drive on the scale is another, and by how much (relative).
    """
    rng = np.random.default_rng(seed)
    made = []
    for at in range(count):
        boat = at % 2 == 0
        mass = 5200.0 + rng.normal(0.0, 40.0) if boat else float(rng.uniform(3500.0, 6000.0))
        own = scale * (1.0 + (step if at >= step_from else 0.0))
        own *= math.exp(rng.normal(0.0, BETWEEN_SD) + rng.normal(0.0, DRIVE_SD))
        stated: dict[str, Any] = {"load": "boat" if boat and named else None}
        if at in weighed:
            weighing = mass + rng.normal(0.0, 20.0)
            stated |= {"known_mass_kg": weighing, "known_mass_sd_kg": 20.0}
        made.append(drive(at, mass / own, **stated))
    return made


def vehicle(*made: DriveRecord) -> VehicleFile:
    """A vehicle that remembers these drives."""
    return VehicleFile.begin(RIG).with_drives(made)
