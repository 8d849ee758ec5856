"""A steady drive of known gear, for the tests of the driveline's files."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.traction import traction


def steady(rig: Rig, seconds: float = 5.0, in_gear: int = 4, **channels: Any) -> pd.DataFrame:
    """A steady drive at 20 m/s, 10 Hz; channels replace or add columns (None removes one)."""
    time = np.arange(0.0, seconds, 0.1)
    speed = np.broadcast_to(channels.pop("speed_m_s", 20.0), time.shape)
    rpm = speed / rig.vehicle.tyre_radius_m * rig.overall_ratio(in_gear) * 30.0 / math.pi
    frame = {
        "time_s": time,
        "speed_m_s": speed,
        "fuel_rate_g_s": 3.0,
        "engine_speed_rpm": rpm,
        "gear": float(in_gear),
        "brake_active": 0.0,
        **channels,
    }
    return pd.DataFrame({name: value for name, value in frame.items() if value is not None})


def settled(rig: Rig, **channels: Any) -> pd.Series:
    """The last sample of a steady drive."""
    return traction(steady(rig, **channels), rig).iloc[-1]
