"""Is a channel itself alive: missing, or standing still while the engine works.

Judged before the engine: what leans on a dead channel says nothing of the engine.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.condition.points import BIN_S, WARM_DEGC
from loadlearn.vehicle.rig import Rig

Array = NDArray[np.float64]

LEAST_FAULT_S, LEAST_FAULT_SHARE = 60.0, 0.02
"""Shorter than this, or a smaller share of the drive, is a drop-out of the logger (common practice,
no source)."""
MISSING_SHARE = 0.10
"""Share of the drive without a value that is too much, beyond what the baseline drives lack."""
SHORTEST_STAND_S = 30.0
MOVED_SHARE = 0.5
"""A channel that stands while fuelling, in means over :data:`METAL_S`, moved by this share of what
it did in the whole drive is dead (common practice, no source)."""
METAL_S = 10.0
COOLANT_WARMING_S = 600.0
COOLANT_STANDS_S, COOLANT_STANDS_UNKNOWN_S = 900.0, 1800.0
"""A thermostat may hold the coolant within a sensor's whole degree for minutes, but not this long,
nor three times as long as in any baseline drive; without any, not this long, nor from the first
sample to the last (common practice, no source)."""


_LOOK = "look at the sensor, its plug and wiring, and at what the logger asks for"


@dataclass(frozen=True)
class Sensor:
    """A channel whose health is judged.

    Attributes
    ----------
    what : str
        For a sentence.
    leaning : tuple of str
        Checks that say nothing without it.
    tolerance : float
        Within this of where it began to stand, it stands (in the channel's unit).
    with_speed : bool
        Whether engine speed too must have moved before it is called dead.
    """

    what: str
    leaning: tuple[str, ...]
    tolerance: float = np.nan
    with_speed: bool = False


_LOAD = ("brake_drag", "rolling_resistance", "drag_area", "tractive_efficiency")
_MAPS = (
    "boost",
    "boost_at_full_flow",
    "air_flow",
    "rail_pressure",
    "rail_pressure_at_full_flow",
    "exhaust_temperature",
)
_FORCE = (*_MAPS, "warm_up", "idle_fuelling", "converter_slip", "regeneration_interval", *_LOAD)
WORK = ("fuel_rate_g_s", "engine_torque_n_m")
"""What tells how hard the engine works."""
SENSORS: dict[str, Sensor] = {
    "fuel_rate_g_s": Sensor("fuelling", _FORCE),
    "engine_torque_n_m": Sensor("engine torque", _FORCE),
    "exhaust_gas_temp_degc": Sensor("exhaust-gas temperature", ("exhaust_temperature",), 3.0),
    "exhaust_gas_temp_after_turbine_degc": Sensor("exhaust-gas temperature after it", (), 3.0),
    "coolant_temp_degc": Sensor("coolant temperature", ("warm_up", "coolant_temperature"), 0.3),
    "boost_kpa": Sensor("boost", ("boost", "boost_at_full_flow", "boost_at_rest", "air_flow"), 1.5),
    "air_flow_g_s": Sensor("air flow", ("air_flow",), 1.0, with_speed=True),
    "rail_pressure_mpa": Sensor(
        "rail pressure", ("rail_pressure", "rail_pressure_at_full_flow"), 1.0
    ),
    "intake_temp_degc": Sensor("charge-air temperature", ("air_flow",)),
    "engine_speed_rpm": Sensor("engine speed", (*_MAPS, "idle_fuelling", "converter_slip", *_LOAD)),
    "speed_m_s": Sensor("road speed", ("rolling_radius", "converter_slip", *_LOAD)),
    "ground_speed_m_s": Sensor("speed over ground", ("rolling_radius",)),
    "grade_percent": Sensor("road grade", _LOAD),
    "altitude_m": Sensor("altitude", _LOAD),
}


@dataclass(frozen=True)
class ChannelFault:
    """A channel that is not to be believed.

    Attributes
    ----------
    channel : str
    fault : str
        ``absent``, ``missing`` or ``stands``.
    sentence : str
        What is wrong with it, and what to look at.
    share : float
        Of the drive.
    """

    channel: str
    fault: str
    sentence: str
    share: float

    @property
    def leaning(self) -> tuple[str, ...]:
        """Checks withheld for it."""
        return SENSORS[self.channel].leaning


def channel_faults(
    points: pd.DataFrame,
    frozen_s: dict[str, float],
    rig: Rig,
    baseline: Sequence[pd.DataFrame] = (),
) -> list[ChannelFault]:
    """Channels of a drive that are missing, or dead.

    Parameters
    ----------
    points : DataFrame
        From :func:`loadlearn.condition.points.operating_points`.
    frozen_s : dict of str to float
        Channels that the log has, and for how long each was frozen
        (:mod:`loadlearn.log.channel_faults`).
    rig : Rig
        Says whether there is boost, and which exhaust sensor.
    baseline : sequence of DataFrame
        Points of drives that show what is usual.
    """
    if len(points) * BIN_S < 2.0 * LEAST_FAULT_S:
        return []
    found: list[ChannelFault] = []
    for name, sensor in SENSORS.items():
        before = [one for one in baseline if one[name].notna().any()]
        if points[name].isna().all():
            fault = _absent(name, sensor, rig, name in frozen_s, len(before), len(baseline))
        else:
            fault = _missing(name, sensor, points, before)
            # What stands is judged by the fuelling, unless that itself is dead.
            if not any(one.channel in WORK for one in found):
                fault = fault or _stands(name, sensor, points, rig, before)
            fault = fault or _frozen(name, sensor, points, frozen_s.get(name, 0.0))
        if fault is not None:
            found.append(fault)
    return found


def _absent(
    name: str, sensor: Sensor, rig: Rig, column: bool, had: int, drives: int
) -> ChannelFault | None:
    if column:
        sentence = f"{sensor.what} ({name}) has no value in the whole drive: {_LOOK}"
        return ChannelFault(name, "absent", sentence, 1.0)
    stated = "exhaust_gas_temp_sensor" in rig.limits.model_fields_set
    place = rig.limits.exhaust_gas_temp_sensor if stated else "none"
    expected = {
        "before_turbine": "exhaust_gas_temp_degc",
        "after_turbine": "exhaust_gas_temp_after_turbine_degc",
    }.get(place)
    if drives and had == drives:
        why = f"though it is in {'the' if drives == 1 else f'all {drives}'} baseline log"
        why += "" if drives == 1 else "s"
    elif not drives and name == expected:
        why = "though the rig says that there is such a sensor"
    else:
        return None
    sentence = f"{sensor.what} ({name}) is not in this log at all, {why}"
    return ChannelFault(name, "absent", f"{sentence}: {_LOOK}", 1.0)


def _missing(
    name: str, sensor: Sensor, points: pd.DataFrame, before: Sequence[pd.DataFrame]
) -> ChannelFault | None:
    share = float(points[name].isna().mean())
    usual = max((float(one[name].isna().mean()) for one in before), default=0.0)
    if share * len(points) * BIN_S < LEAST_FAULT_S or share < usual + MISSING_SHARE:
        return None
    sentence = f"{sensor.what} ({name}) has no value in {100.0 * share:.0f} % of the drive"
    return ChannelFault(name, "missing", f"{sentence}: {_LOOK}", share)


def _stands(
    name: str, sensor: Sensor, points: pd.DataFrame, rig: Rig, before: Sequence[pd.DataFrame]
) -> ChannelFault | None:
    if np.isnan(sensor.tolerance):
        return None
    if name == "boost_kpa" and rig.engine.aspiration != "turbocharged":
        return None
    dead = _coolant_stands if name == "coolant_temp_degc" else _dead_stretches
    stretches = dead(name, sensor, points, before)
    stood = sum(last - first + 1 for first, last in stretches)
    share = stood / len(points)
    if stood * BIN_S < LEAST_FAULT_S or share < LEAST_FAULT_SHARE:
        return None
    first, last = max(stretches, key=lambda one: one[1] - one[0])
    value = float(points[name].iloc[first : last + 1].median())
    minutes = stood * BIN_S / 60.0
    sentence = (
        f"{sensor.what} ({name}) stands at {value:.0f} for {minutes:.0f} min, "
        f"{100.0 * share:.0f} % of the drive, while the engine's load goes up and down"
    )
    return ChannelFault(name, "stands", f"{sentence}: {_LOOK}", share)


def _frozen(
    name: str, sensor: Sensor, points: pd.DataFrame, frozen_s: float
) -> ChannelFault | None:
    share = frozen_s / (len(points) * BIN_S)
    if not np.isnan(sensor.tolerance) or frozen_s < LEAST_FAULT_S or share < LEAST_FAULT_SHARE:
        return None
    sentence = (
        f"{sensor.what} ({name}) is frozen for {frozen_s / 60.0:.0f} min, {100.0 * share:.0f} % of "
        "the drive, though the drive went on"
    )
    return ChannelFault(name, "stands", f"{sentence}: {_LOOK}", share)


def standing(values: Array, tolerance: float) -> list[tuple[int, int]]:
    """First and last index of each stretch within ``tolerance`` of its first value.

    Parameters
    ----------
    values : ndarray, shape (n,)
        NaN ends a stretch.
    tolerance : float
    """
    stretches, first = [], 0
    for i in range(1, values.size + 1):
        # Written so that NaN ends it.
        if i == values.size or not abs(values[i] - values[first]) <= tolerance:
            if i - first > 1:
                stretches.append((first, i - 1))
            first = i
    return stretches


def _dead_stretches(
    name: str, sensor: Sensor, points: pd.DataFrame, before: Sequence[pd.DataFrame]
) -> list[tuple[int, int]]:
    """Stretches in which the channel stands though the fuelling moved."""
    known = [points[one] for one in WORK if points[one].notna().any()]
    if not known:
        return []
    work = known[0]
    bins = round(METAL_S / BIN_S)
    drivers = [work, points["engine_speed_rpm"]] if sensor.with_speed else [work]
    drivers = [one.rolling(bins).mean() for one in drivers]
    spans = [float(one.quantile(0.95) - one.quantile(0.05)) for one in drivers]
    if not all(span > 0.0 for span in spans):
        return []
    return [
        (first, last)
        for first, last in standing(points[name].to_numpy(), sensor.tolerance)
        if (last - first) * BIN_S >= SHORTEST_STAND_S
        and all(
            # Means from within the stretch only: what came before is why it stands here.
            np.ptp(one.iloc[first + 2 * bins : last + 1].dropna()) >= MOVED_SHARE * span
            for one, span in zip(drivers, spans, strict=True)
        )
    ]


def _coolant_stands(
    name: str, sensor: Sensor, points: pd.DataFrame, before: Sequence[pd.DataFrame]
) -> list[tuple[int, int]]:
    """Cold, it must warm; warm, it must not stand much longer than a thermostat holds it."""
    values, fuel = points[name].to_numpy(), points["fuel_rate_g_s"].to_numpy()
    usual = [
        (last - first + 1) * BIN_S
        for one in before
        for first, last in standing(one[name].to_numpy(), sensor.tolerance)
    ]
    longest = 3.0 * max(usual, default=0.0)
    if not before:
        longest = min(COOLANT_STANDS_UNKNOWN_S, 0.95 * len(points) * BIN_S)
    longest = max(longest, COOLANT_STANDS_S)
    burnt = np.nanmedian(fuel) if np.isfinite(fuel).any() else np.inf
    dead = []
    for first, last in standing(values, sensor.tolerance):
        stood = (last - first + 1) * BIN_S
        warming = values[first] < WARM_DEGC and stood >= COOLANT_WARMING_S
        if warming:
            warming = bool(np.nanmean(fuel[first : last + 1]) >= 0.5 * burnt)
        if warming or stood >= longest:
            dead.append((first, last))
    return dead
