"""One sample, as it comes from a vehicle while driving, in canonical columns."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from loadlearn.errors import InputError
from loadlearn.log.channels import BY_NAME, CANONICAL, UNSIGNED, find_reading
from loadlearn.log.column_plan import Plan, drop_idle_ingredients
from loadlearn.log.conversions import (
    ambient_kpa,
    force_from_power,
    fuel_from_stroke,
    fuel_from_volume,
    needs_engine_speed,
    net_torque,
    no_rig,
)
from loadlearn.vehicle import roadload
from loadlearn.vehicle.rig import Rig

_Entry = tuple[str, float, float, bool, float, float, bool]
_entries: dict[str, _Entry | None] = {}
_SAMPLE = "sample"


def _entry(key: str) -> _Entry | None:
    found = find_reading(key) if isinstance(key, str) else None
    entry: _Entry | None = None
    if found is not None:
        channel, unit = found.channel, found.unit
        slack = 1e-9 * max(abs(channel.lower), abs(channel.upper))
        entry = (
            channel.name,
            unit.scale,
            unit.offset,
            unit.tangent,
            channel.lower - slack,
            channel.upper + slack,
            channel.name == key,
        )
    if len(_entries) < 4096:
        _entries[key] = entry
    return entry


def canonical_sample(mapping: Mapping[str, Any], rig: Rig | None = None) -> dict[str, float]:
    """One sample, as it comes from a vehicle, in canonical columns.

    Parameters
    ----------
    mapping : mapping
        Any mapping (dict, Series, row) with canonical names or the same names in another unit
        (``speed_kmh``). None or NaN is unknown; keys of other names are ignored. ``timestamp`` is
        read as seconds since 1970, UTC.
    rig : Rig, optional
        For keys that need it (``fuel_rate_l_h`` …).

    Returns
    -------
    dict of str to float
        Canonical channels only, in canonical units.

    Raises
    ------
    InputError
        ``time_s`` is missing or unknown, ``speed_m_s`` is missing, a value is impossible or not a
        number, or a key needs a rig and none was given.
    """
    sample: dict[str, float] = {}
    ingredients = False
    for key, value in mapping.items():
        try:
            entry = _entries[key]
        except KeyError:
            entry = _entry(key)
        if entry is None:
            continue
        name, scale, offset, tangent, lower, upper, exact = entry
        if name in sample and not exact:
            continue
        if isinstance(value, float | int):
            number = float(value)
        else:
            number = _number(key, name, value)
        number = 100.0 * math.tan(number * scale) if tangent else number * scale + offset
        if not lower <= number <= upper and number == number:
            channel = BY_NAME[name]
            raise InputError(
                f"{_SAMPLE}: {key} = {value!r} is impossible for {channel.description} (from "
                f"{channel.lower:g} to {channel.upper:g} {channel.unit.symbol}); correct it, or "
                "pass None for an unknown value"
            )
        sample[name] = number
        ingredients = ingredients or name not in CANONICAL
    if ingredients:
        sample = _derive_sample(sample, rig)
    time_s = sample.get("time_s")
    if time_s is None or time_s != time_s:
        raise InputError(f"{_SAMPLE}: time_s is missing; give the time of the sample in seconds")
    if "speed_m_s" not in sample:
        raise InputError(
            f"{_SAMPLE}: speed_m_s is missing; give the road speed, or None where it is unknown"
        )
    for name in UNSIGNED:
        if name in sample and sample[name] < 0.0:
            sample[name] = 0.0
    return sample


def _number(key: str, name: str, value: Any) -> float:
    from loadlearn.log.cell_words import number_from_word

    number: float | None
    if name == "timestamp":
        try:
            stamp = pd.Timestamp(value)
            stamp = stamp.tz_localize("UTC") if stamp.tzinfo is None else stamp
            number = stamp.timestamp()
        except (TypeError, ValueError):
            number = None
    else:
        number = number_from_word(value, BY_NAME[name])
    if number is None:
        raise InputError(
            f"{_SAMPLE}: {key} = {value!r} is not a number; pass a number, or None where unknown"
        )
    return number


def _derive_sample(sample: dict[str, float], rig: Rig | None) -> dict[str, float]:
    have = set(sample)
    plan = Plan(_SAMPLE, {name: (name, BY_NAME[name].unit) for name in sample})
    drop_idle_ingredients(plan)
    if "timestamp" in sample and "time_s" not in sample:
        sample["time_s"] = sample["timestamp"]
    values: dict[str, Any] = {n: sample[n] for n in sample if n in plan.columns}
    if "fuel_rate_l_h" in values:
        if rig is None:
            no_rig(plan, "fuel_rate_l_h", "fuel_density_kg_m3")
        sample["fuel_rate_g_s"] = fuel_from_volume(values["fuel_rate_l_h"], rig)
    if "fuel_mg_per_stroke" in values:
        if rig is None:
            no_rig(plan, "fuel_mg_per_stroke", "cylinders")
        rpm = needs_engine_speed(values, plan, "fuel_mg_per_stroke")
        sample["fuel_rate_g_s"] = fuel_from_stroke(values["fuel_mg_per_stroke"], rpm, rig)
    if "engine_percent_torque" in values:
        sample["engine_torque_n_m"] = float(net_torque(values, plan, rig))
    if "tractive_power_kw" in values and "speed_m_s" in values:
        sample["tractive_force_n"] = force_from_power(
            values["tractive_power_kw"], values["speed_m_s"]
        )
    if "brake_pressure_kpa" in values:
        pressure = values["brake_pressure_kpa"]
        sample["brake_active"] = pressure if math.isnan(pressure) else float(pressure > 0.0)
    if "manifold_pressure_kpa" in values:
        sample["boost_kpa"] = float(values["manifold_pressure_kpa"] - ambient_kpa(values, plan))
    if "ambient_pressure_kpa" in have and not {"altitude_m", "grade_percent"} & have:
        sample["altitude_m"] = float(roadload.isa_altitude_m(sample["ambient_pressure_kpa"]))
    return {name: value for name, value in sample.items() if name in CANONICAL}
