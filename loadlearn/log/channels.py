"""The canonical columns of a drive log, their units, limits and open-standard identifiers.

One table of units and one of channels. A column is named by its quantity and its unit
(``speed_m_s``); readers accept any other unit of the same quantity by the suffix (``speed_kmh``),
in brackets (``speed [km/h]``), or through a channel map.
"""

from __future__ import annotations

import difflib
import functools
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from loadlearn.errors import InputError
from loadlearn.log.units import (
    UNITS,
    Unit,
    accepted_spellings,
    spelling_variants,
    unit_key,
    units_of,
)

__all__ = [
    "BY_NAME",
    "CANONICAL",
    "CHANNELS",
    "INGREDIENTS",
    "UNITS",
    "UNSIGNED",
    "Channel",
    "Reading",
    "Unit",
    "accepted_spellings",
    "find_reading",
    "mapped_reading",
    "readable_names",
    "unit_key",
    "units_of",
    "unknown_unit",
]


@dataclass(frozen=True)
class Channel:
    """A column that a log may hold.

    Attributes
    ----------
    name : str
        Canonical column name.
    stem : str
        Its quantity, the name without the unit.
    quantity : str
        Which units apply.
    lower, upper : float
        Inclusive limits in the canonical unit; a value beyond them is impossible.
    role : str
        ``needed``, ``improves``, ``policy``, ``condition`` or ``maps``; ``ingredient`` for a column
        that is read only to compute the channel named by ``feeds``.
    description : str
        What it is, for people.
    identifiers : tuple of (str, str)
        Signals of open standards that carry it (SAE J1979 PID, SAE J1939 SPN; from memory, so
        aliases only) and the unit symbol in which those standards scale it.
    stems : tuple of str
        Other stems that are read.
    group : str
        ``time``, ``speed``, ``force`` or ``grade``: of each, a log needs one member.
    feeds : str
        For an ingredient: the canonical channel it is turned into.
    """

    name: str
    stem: str
    quantity: str
    lower: float
    upper: float
    role: str
    description: str
    identifiers: tuple[tuple[str, str], ...] = ()
    stems: tuple[str, ...] = ()
    group: str = ""
    feeds: str = ""

    @property
    def unit(self) -> Unit:
        """The canonical unit."""
        return next(iter(units_of(self.quantity).values()))


_FUEL = 200.0
"""g/s, above which fuelling is impossible."""


def _row(
    name: str,
    stem: str,
    quantity: str,
    lower: float,
    upper: float,
    role: str,
    description: str,
    identifiers: str = "",
    **more: Any,
) -> Channel:
    """One line of the tables below; ``identifiers`` as ``"PID 0D km/h, SPN 84 km/h"``."""
    signals = tuple(
        (f"{standard} {number}", unit)
        for standard, number, unit in (one.split(" ", 2) for one in identifiers.split(", ") if one)
    )
    return Channel(name, stem, quantity, lower, upper, role, description, signals, **more)


# Limits of speed, grade, engine speed, fuelling and temperature are the documented ones; the others
# are set wide, only to catch a wrong unit or a sensor's fault code (common practice, no source).
# fmt: off
CHANNELS: tuple[Channel, ...] = (
    _row("time_s", "time", "time", -1e12, 1e12, "needed", "time", group="time"),
    _row("speed_m_s", "speed", "speed", -0.5, 100.0, "needed",
         "road speed, unsigned", identifiers="PID 0D km/h, SPN 84 km/h", group="speed"),
    _row("fuel_rate_g_s", "fuel_rate", "mass flow", 0.0, 200.0, "needed",
         "fuelling", identifiers="PID 9D g/s", group="force"),
    _row("engine_torque_n_m", "engine_torque", "torque", -20_000.0, 20_000.0, "needed",
         "net brake torque of the engine", group="force"),
    _row("tractive_force_n", "tractive_force", "force", -2e6, 2e6, "needed",
         "force at the tread, measured at hub or roller", group="force"),
    _row("grade_percent", "grade", "grade", -60.0, 60.0, "needed",
         "road grade, rise over run, positive uphill", group="grade"),
    _row("altitude_m", "altitude", "length", -1_000.0, 12_000.0, "needed",
         "altitude", group="grade"),
    _row("accel_long_m_s2", "accel_long", "acceleration", -100.0, 100.0, "needed",
         "longitudinal specific force of the body, dv/dt + g sin(grade)", group="grade"),
    _row("engine_speed_rpm", "engine_speed", "engine speed", -50.0, 10_000.0, "improves",
         "engine speed", identifiers="PID 0C rpm, SPN 190 rpm"),
    _row("gear", "gear", "count", -10.0, 30.0, "improves",
         "gear engaged: 1 lowest, 0 neutral, negative reverse",
         identifiers="PID A4 number, SPN 523 number"),
    _row("brake_active", "brake_active", "flag", 0.0, 1.0, "improves",
         "service brake on", identifiers="SPN 597 0/1"),
    _row("extra_torque_share", "extra_torque", "share", 0.0, 1.0, "improves",
         "share of the uprated engine's extra torque in use", stems=("extra_torque_share",)),
    _row("regeneration_active", "regeneration_active", "flag", 0.0, 1.0, "improves",
         "after-treatment regeneration under way", identifiers="PID 8B 0/1, SPN 3700 0/1"),
    _row("transfer_range", "transfer_range", "range", 0.0, 1.0, "improves",
         "transfer range: 0 high, 1 low"),
    _row("ground_speed_m_s", "ground_speed", "speed", -0.5, 100.0, "improves",
         "speed over ground from satellites"),
    _row("exhaust_brake_active", "exhaust_brake_active", "flag", 0.0, 1.0, "improves",
         "exhaust brake or retarder on"),
    _row("cruise_active", "cruise_active", "flag", 0.0, 1.0, "policy",
         "cruise control engaged", identifiers="SPN 595 0/1"),
    _row("driver_aid_active", "driver_aid_active", "flag", 0.0, 1.0, "policy",
         "stability or traction control intervening"),
    _row("accelerator_percent", "accelerator", "percent", -5.0, 110.0, "policy",
         "accelerator pedal position", identifiers="PID 49 %, SPN 91 %"),
    _row("coolant_temp_degc", "coolant_temp", "temperature", -60.0, 1_200.0, "policy",
         "engine coolant temperature", identifiers="PID 05 degC, SPN 110 degC"),
    _row("exhaust_gas_temp_degc", "exhaust_gas_temp", "temperature", -60.0, 1_200.0, "policy",
         "exhaust gas temperature before the turbine", identifiers="PID 78 degC, SPN 173 degC"),
    _row("exhaust_gas_temp_after_turbine_degc", "exhaust_gas_temp_after_turbine",
         "temperature", -60.0, 1_200.0, "policy", "exhaust gas temperature after the turbine"),
    _row("transmission_oil_temp_degc", "transmission_oil_temp",
         "temperature", -60.0, 1_200.0, "policy", "gearbox oil temperature",
         identifiers="SPN 177 degC"),
    _row("engine_oil_temp_degc", "engine_oil_temp", "temperature", -60.0, 1_200.0, "policy",
         "engine oil temperature", identifiers="SPN 175 degC"),
    _row("intake_temp_degc", "intake_temp", "temperature", -60.0, 1_200.0, "policy",
         "intake air temperature", identifiers="PID 0F degC, SPN 105 degC"),
    _row("boost_kpa", "boost", "pressure", -120.0, 1_000.0, "policy",
         "boost, gauge", identifiers="SPN 102 kPa"),
    _row("air_flow_g_s", "air_flow", "mass flow", -200.0, 5_000.0, "policy",
         "air mass flow", identifiers="PID 10 g/s, SPN 132 kg/h"),
    _row("rail_pressure_mpa", "rail_pressure", "high pressure", -20.0, 500.0, "condition",
         "fuel rail pressure", identifiers="PID 23 kPa, SPN 157 MPa"),
    _row("ambient_temp_degc", "ambient_temp", "temperature", -60.0, 1_200.0, "improves",
         "ambient air temperature", identifiers="PID 46 degC, SPN 171 degC"),
    _row("ambient_pressure_kpa", "ambient_pressure", "pressure", 15.0, 130.0, "improves",
         "ambient air pressure, absolute", identifiers="PID 33 kPa, SPN 108 kPa",
         stems=("barometric_pressure",)),
    _row("latitude_deg", "latitude", "angle", -90.0, 90.0, "maps", "latitude"),
    _row("longitude_deg", "longitude", "angle", -180.0, 360.0, "maps", "longitude"),
)

# Columns that are read only to compute a canonical one.
INGREDIENTS: tuple[Channel, ...] = (
    _row("timestamp", "timestamp", "timestamp", -1e12, 1e12, "ingredient",
         "date and time, ISO 8601; without a zone it is UTC", group="time", feeds="time_s"),
    _row("fuel_rate_l_h", "fuel_rate", "volume flow", 0.0, _FUEL * 3600.0 / 500.0, "ingredient",
         "fuel volume per hour", identifiers="PID 5E l/h, SPN 183 l/h", group="force",
         feeds="fuel_rate_g_s"),
    _row("fuel_mg_per_stroke", "fuel", "mass per stroke", 0.0, 5_000.0, "ingredient",
         "fuel per cylinder and injection cycle", stems=("fuel_rate",), group="force",
         feeds="fuel_rate_g_s"),
    _row("engine_percent_torque", "engine_percent_torque", "percent", -150.0, 250.0, "ingredient",
         "indicated torque, gross of friction, in percent of the reference torque",
         identifiers="PID 62 %, SPN 513 %", group="force", feeds="engine_torque_n_m"),
    _row("engine_friction_percent_torque", "engine_friction_percent_torque",
         "percent", -150.0, 150.0, "ingredient",
         "friction torque in percent of the reference torque", identifiers="PID 8E %, SPN 514 %",
         feeds="engine_torque_n_m"),
    _row("engine_reference_torque_n_m", "engine_reference_torque",
         "torque", 0.0, 20_000.0, "ingredient",
         "torque at 100 %; used where the rig gives none", identifiers="PID 63 N·m, SPN 544 N·m",
         feeds="engine_torque_n_m"),
    _row("tractive_power_kw", "tractive_power", "power", -1e5, 1e5, "ingredient",
         "power at the tread, measured at hub or roller", group="force", feeds="tractive_force_n"),
    _row("manifold_pressure_kpa", "manifold_pressure", "pressure", 0.0, 1_000.0, "ingredient",
         "intake manifold pressure, absolute", identifiers="PID 0B kPa",
         stems=("manifold_absolute_pressure", "intake_manifold_pressure"), feeds="boost_kpa"),
    _row("brake_pressure_kpa", "brake_pressure", "pressure", -1_000.0, 1e5, "ingredient",
         "service brake pressure; the brake is on above zero", feeds="brake_active"),
)
# fmt: on

UNSIGNED = frozenset({"speed_m_s", "ground_speed_m_s", "engine_speed_rpm"})
"""Read as 0 where a sensor's zero is slightly negative (within the channel's lower limit)."""

BY_NAME: dict[str, Channel] = {channel.name: channel for channel in (*CHANNELS, *INGREDIENTS)}
CANONICAL: dict[str, Channel] = {channel.name: channel for channel in CHANNELS}

# A quantity that a channel map's unit may stand for although the key names another one: the key
# fuel_rate_g_s with unit "l/h" is the ingredient fuel_rate_l_h.
_STANDS_FOR: dict[str, tuple[str, ...]] = {
    "time_s": ("timestamp",),
    "fuel_rate_g_s": ("fuel_rate_l_h", "fuel_mg_per_stroke"),
    "tractive_force_n": ("tractive_power_kw",),
    "brake_active": ("brake_pressure_kpa",),
}


@dataclass(frozen=True)
class Reading:
    """How a column is read: which channel it carries and in which unit."""

    channel: Channel
    unit: Unit


@functools.cache
def readable_names() -> dict[str, Reading]:
    """Every column name that is read without a channel map, in lower case."""
    table: dict[str, Reading] = {}
    for channel in BY_NAME.values():
        table[channel.name] = Reading(channel, channel.unit)
    for channel in BY_NAME.values():
        units = dict.fromkeys(units_of(channel.quantity).values())
        for stem in (channel.stem, *channel.stems):
            if channel.quantity in ("flag", "range", "count", "timestamp"):
                continue
            for unit in units:
                for spelling in (unit.symbol, *unit.spellings):
                    for name in _suffixed(stem, spelling):
                        table.setdefault(name, Reading(channel, unit))
    for channel in BY_NAME.values():
        for identifier, symbol in channel.identifiers:
            unit = units_of(channel.quantity)[unit_key(symbol)]
            kind, number = identifier.lower().split()
            for name in (f"{kind}_{number}", f"{kind}{number}"):
                table.setdefault(name, Reading(channel, unit))
    return table


def _suffixed(stem: str, spelling: str) -> Iterable[str]:
    return (f"{stem}_{suffix}" for suffix in spelling_variants(spelling))


_BRACKETED = re.compile(r"^(?P<stem>.*?)\s*[\[(](?P<unit>[^\])]+)[\])]$")


@functools.lru_cache(maxsize=4096)
def find_reading(column: str) -> Reading | None:
    """How a column of this name is read.

    Parameters
    ----------
    column : str
        Header of the column, as ``speed_kmh``, ``Speed [km/h]`` or ``SPN 84``.

    Returns
    -------
    Reading or None
        None for a name that is not known.
    """
    name = re.sub(r"\s+", "_", column.strip().lower())
    found = readable_names().get(name)
    if found is not None:
        return found
    match = _BRACKETED.match(column.strip())
    if match is None:
        return None
    stem = re.sub(r"\s+", "_", match["stem"].strip().lower())
    for channel in BY_NAME.values():
        if stem in (channel.stem, *channel.stems, channel.name):
            unit = units_of(channel.quantity).get(unit_key(match["unit"]))
            if unit is not None:
                return Reading(channel, unit)
    return None


def mapped_reading(key: str, unit: str | None, where: str) -> Reading:
    """How a column named in a channel map is read.

    Parameters
    ----------
    key : str
        A canonical column name or another readable one, as ``speed_m_s``.
    unit : str or None
        Spelling of the unit the column is in; None for the key's own.
    where : str
        Names the channel map in errors.

    Raises
    ------
    InputError
        The key is not known, or the unit is none of its quantity's.
    """
    reading = readable_names().get(key)
    if reading is None:
        close = difflib.get_close_matches(key, BY_NAME, n=1)
        hint = f"did you mean '{close[0]}'?" if close else f"known: {', '.join(BY_NAME)}"
        raise InputError(f"{where}: unknown channel '{key}'; {hint}")
    if unit is None:
        return reading
    channels = [reading.channel]
    channels += [BY_NAME[name] for name in _STANDS_FOR.get(reading.channel.name, ())]
    for channel in channels:
        found = units_of(channel.quantity).get(unit_key(unit))
        if found is not None:
            return Reading(channel, found)
    spellings = accepted_spellings(*(channel.quantity for channel in channels))
    raise InputError(
        f"{where}: unknown unit '{unit}' for channel '{key}'; write one of: {spellings}"
    )


def unknown_unit(column: str, group: str) -> Channel | None:
    """The channel that a column would carry if only its unit were known.

    Parameters
    ----------
    column : str
        Header of a column for which :func:`find_reading` found nothing.
    group : str
        Only channels of this group are looked at; ``""`` for all.
    """
    name = re.sub(r"[\s\[(]+", "_", column.strip().lower())
    best: Channel | None = None
    for channel in CHANNELS:
        stem = channel.stem
        if (
            (group in ("", channel.group))
            and channel.quantity not in ("flag", "range", "count")
            and (name == stem or name.startswith(f"{stem}_"))
            and (best is None or len(stem) > len(best.stem))
        ):
            best = channel
    return best
