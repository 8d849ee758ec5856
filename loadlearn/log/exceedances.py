"""Stretches of a log on which a protected temperature was above the rig's limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import numpy as np
import pandas as pd

from loadlearn.described import Unit
from loadlearn.vehicle.rig import Rig


@dataclass(frozen=True)
class Exceedance:
    """One stretch above a limit.

    Attributes
    ----------
    channel : str
        Canonical column.
    limit, peak : float
        Limit, and highest value of the stretch, in the column's unit.
    start_s, end_s : float
        First and last sample above the limit (s).
    """

    channel: str
    limit: Annotated[float, Unit("of the channel")]
    peak: Annotated[float, Unit("of the channel")]
    start_s: float
    end_s: float


def exceedances(trace: pd.DataFrame, rig: Rig, longer_than_s: float = 2.0) -> list[Exceedance]:
    """Find where recorded temperatures stayed above the rig's limits.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.
    rig : Rig
        Its ``[limits]``.
    longer_than_s : float
        Shorter stretches are left out (s).

    Returns
    -------
    list of Exceedance
        By start time. A missing value ends a stretch.
    """
    limits = rig.limits
    of_channel = {
        "exhaust_gas_temp_degc": limits.exhaust_gas_temp_degc,
        "exhaust_gas_temp_after_turbine_degc": limits.exhaust_gas_temp_after_turbine_degc,
        "coolant_temp_degc": limits.coolant_zero_degc,
        "transmission_oil_temp_degc": limits.transmission_oil_zero_degc,
        "engine_oil_temp_degc": limits.engine_oil_zero_degc,
    }
    time_s = trace["time_s"].to_numpy(dtype=float)
    found = []
    for channel, limit in of_channel.items():
        if channel not in trace:
            continue
        value = trace[channel].to_numpy(dtype=float)
        above = np.concatenate(([False], value > limit, [False]))
        edges = np.flatnonzero(np.diff(above.astype(np.int8)))
        for first, after in zip(edges[::2], edges[1::2], strict=True):
            if time_s[after - 1] - time_s[first] > longer_than_s:
                peak = float(value[first:after].max())
                found.append(
                    Exceedance(channel, limit, peak, float(time_s[first]), float(time_s[after - 1]))
                )
    return sorted(found, key=lambda one: (one.start_s, one.channel))
