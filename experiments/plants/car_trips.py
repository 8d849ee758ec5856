"""Trips of a small electric car, recorded on the road at 10 Hz: force at the tread from its motor.

Steinstraeter, Buberger and Trifonov, *Battery and Heating Data in Real Driving Cycles*, IEEE
DataPort, 2020, doi 10.21227/6jr9-5235 (CC BY 4.0), converted to canonical columns and not smoothed.
The files are not part of the project: they lie in ``../shared/real_logs`` beside it, or where
``LOADLEARN_REAL_LOGS`` says.

Nobody weighed the car: by published kerb masses, one driver and the instruments it is 1370 kg, sd
50; three trips carried more, as their authors noted (some 10 kg off at the most). Friction brakes
are not logged.
"""

from __future__ import annotations

import os
from pathlib import Path

import pandas as pd

from loadlearn import Rig, read_log

MASS_KG, MASS_SD_KG = 1370.0, 50.0
PAYLOAD_KG = {"B22": 80.0, "B24": 60.0, "B33": 160.0}
PAYLOAD_SD_KG = 10.0
CITATION = "trips: Steinstraeter, Buberger & Trifonov 2020, doi 10.21227/6jr9-5235, CC BY 4.0"


class TripsMissing(RuntimeError):
    """The trips are not on this machine."""


def folder() -> Path:
    """Where the trips lie.

    Raises
    ------
    TripsMissing
        With where they were looked for.
    """
    beside = Path(__file__).resolve().parents[3] / "shared" / "real_logs"
    place = Path(os.environ.get("LOADLEARN_REAL_LOGS") or beside) / "small_electric_car"
    if not sorted(place.glob("trip_*.csv.gz")):
        raise TripsMissing(f"no trip_*.csv.gz in {place}; LOADLEARN_REAL_LOGS may name its parent")
    return place


def names() -> list[str]:
    """The trips' names, sorted."""
    found = folder().glob("trip_*.csv.gz")
    return sorted(one.name.removeprefix("trip_").removesuffix(".csv.gz") for one in found)


def rig() -> Rig:
    """The car, as its owner might describe it."""
    return Rig.from_toml(folder() / "rig.toml")


def read(name: str) -> pd.DataFrame:
    """One trip in canonical columns."""
    return read_log(folder() / f"trip_{name}.csv.gz", rig=rig())


def mass_kg(name: str) -> float:
    """Mass of a trip, on the published car and the payload noted (kg)."""
    return MASS_KG + PAYLOAD_KG.get(name, 0.0)
