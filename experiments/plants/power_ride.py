"""A bicycle ride with a power meter, once a second over hills.

The file is carried by the wheel of ``sweat`` 0.25.0 (MIT; :mod:`plants.archive`) and read with
``fitdecode``. Its own profile says 81 kg of rider; bicycle and kit are taken as 11.5 kg. Brakes are
not logged. The force balance is that of any vehicle, at a fiftieth of the mass.
"""

from __future__ import annotations

import io

import pandas as pd

from loadlearn import Rig
from loadlearn.errors import InputError
from plants import archive

PATTERN = r"examples/data/4078723797\.fit$"
MASS_KG, MASS_SD_KG = 92.5, 3.0
COLUMNS = {
    "enhanced_speed": "speed_m_s",
    "power": "tractive_power_kw",
    "enhanced_altitude": "altitude_m",
}


def rig() -> Rig:
    """A rider and a bicycle, as known without a scale.

    Drag area of a rider on the hoods, chain efficiency and a power meter's 2 %: common practice,
    no source.
    """
    return Rig.from_dict(
        {
            "name": "bicycle",
            "vehicle": {
                "mass_kg": 85.0,
                "mass_sd_kg": 15.0,
                "rated_gcm_kg": 130.0,
                "tyre_radius_m": 0.335,
                "wheel_inertia_kg_m2": 0.2,
                "drag_area_m2": 0.36,
                "drag_area_sd_m2": 0.07,
            },
            # Not used: the log gives the power at the cranks.
            "engine": {
                "fuel": "petrol",
                "displacement_l": 1.0,
                "inertia_kg_m2": 0.0,
                "idle_rpm": 250.0,
                "accessory_power_kw": 0.0,
                "accessory_power_sd_kw": 0.0,
                "exhaust_brake": False,
            },
            "driveline": {"gear_ratios": [1.0], "final_drive": 1.0, "efficiency": 0.97},
            "uncertainty": {"tractive_scale": 0.97, "tractive_scale_sd": 0.025},
        }
    )


def read() -> pd.DataFrame:
    """The ride as a table: time, speed, power at the cranks, altitude; not yet a trace.

    Raises
    ------
    ArchiveMissing
        The wheel has not been downloaded.
    InputError
        ``fitdecode`` (extra ``external``) is not installed.
    """
    content = archive.read_bytes(PATTERN, archive.RIDE)
    try:
        import fitdecode
    except ImportError:
        raise InputError("fitdecode is not installed; pip install '.[external]'") from None
    with fitdecode.FitReader(io.BytesIO(content)) as frames:
        records = [
            {name: frame.get_value(name, fallback=None) for name in ("timestamp", *COLUMNS)}
            for frame in frames
            if frame.frame_type == fitdecode.FIT_FRAME_DATA and frame.name == "record"
        ]
    table = pd.DataFrame(records).rename(columns=COLUMNS)
    since = table.pop("timestamp")
    table.insert(0, "time_s", (since - since.iloc[0]).dt.total_seconds())
    table["tractive_power_kw"] /= 1000.0
    return table
