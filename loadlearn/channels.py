"""The canonical columns of a drive log, their units, limits and open-standard identifiers.

One table of units and one of channels. A column is named by its quantity and its unit
(``speed_m_s``); readers accept any other unit of the same quantity by the suffix (``speed_kmh``),
in brackets (``speed [km/h]``), or through a channel map.
"""

from __future__ import annotations

import difflib
import functools
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from loadlearn.errors import InputError


@dataclass(frozen=True)
class Unit:
    """A unit of one quantity and how loggers spell it.

    Attributes
    ----------
    quantity : str
        What it measures.
    symbol : str
        The spelling used in messages.
    spellings : tuple of str
        Others that are understood; case, blanks, dots, slashes and underscores do not matter.
    scale, offset : float
        ``canonical = value * scale + offset``.
    tangent : bool
        An angle read as a grade: ``canonical = 100 tan(value * scale)``.
    """

    quantity: str
    symbol: str
    spellings: tuple[str, ...] = ()
    scale: float = 1.0
    offset: float = 0.0
    tangent: bool = False

    def to_canonical(self, value: Any) -> Any:
        """Convert a float or an array of floats to the canonical unit of the quantity."""
        if self.tangent:
            if isinstance(value, float):
                return 100.0 * math.tan(value * self.scale)
            import numpy as np

            return 100.0 * np.tan(value * self.scale)
        if self.scale != 1.0:
            value = value * self.scale
        if self.offset != 0.0:
            value = value + self.offset
        return value


_POUND_FORCE_N = 4.4482216152605  # 0.45359237 kg at standard gravity 9.80665 m/s2, exact
_FOOT_M = 0.3048
_MILE_PER_HOUR = 0.44704
_PSI_KPA = 6.894757293168
_F = 5.0 / 9.0

# The first unit of each quantity is the canonical one. Factors: SI brochure and NIST SP 811
# (from memory); foot, pound, mile and standard gravity are exact by definition.
UNITS: tuple[Unit, ...] = (
    Unit("time", "s", ("sec", "secs", "second", "seconds")),
    Unit("time", "ms", ("msec", "millisecond", "milliseconds"), 1e-3),
    Unit("time", "us", ("usec", "µs", "microseconds"), 1e-6),
    Unit("time", "min", ("minute", "minutes"), 60.0),
    Unit("time", "h", ("hour", "hours"), 3600.0),
    Unit("timestamp", "ISO 8601", ("iso8601", "iso", "timestamp", "datetime")),
    Unit("speed", "m/s", ("mps", "m s-1", "m/sec")),
    Unit("speed", "km/h", ("kmh", "kph", "km/hr", "kmph", "km h-1"), 1.0 / 3.6),
    Unit("speed", "mph", ("mi/h", "miles/h", "mile/h"), _MILE_PER_HOUR),
    Unit("speed", "kn", ("kt", "kts", "knot", "knots"), 1852.0 / 3600.0),
    Unit("mass flow", "g/s", ("gps", "g/sec", "g s-1")),
    Unit("mass flow", "kg/h", ("kg/hr",), 1.0 / 3.6),
    Unit("mass flow", "kg/s", ("kg/sec",), 1e3),
    Unit("mass flow", "mg/s", ("mg/sec",), 1e-3),
    Unit("mass flow", "lb/h", ("lb/hr", "lbs/h", "pph"), 453.59237 / 3600.0),
    Unit("mass flow", "lb/min", ("lbs/min",), 453.59237 / 60.0),
    Unit("volume flow", "l/h", ("L/hr", "lph", "litre/h", "liter/h", "litres/h", "dm3/h")),
    Unit("volume flow", "l/min", ("lpm", "litre/min"), 60.0),
    Unit("volume flow", "ml/s", ("cm3/s", "cc/s"), 3.6),
    Unit("volume flow", "US gal/h", ("usgph", "gal us/h"), 3.785411784),
    Unit("mass per stroke", "mg/stroke", ("mg/str", "mg/st", "mg/strk", "mg/hub", "mg/inj")),
    Unit("torque", "N·m", ("Nm", "N m", "N-m", "newton metre")),
    Unit("torque", "kN·m", ("kNm",), 1e3),
    Unit("torque", "daN·m", ("daNm",), 10.0),
    Unit(
        "torque", "lbf·ft", ("lbft", "lb-ft", "ft-lb", "ftlb", "ft-lbf"), _POUND_FORCE_N * _FOOT_M
    ),
    Unit("force", "N", ("newton",)),
    Unit("force", "kN", ("kilonewton",), 1e3),
    Unit("force", "daN", (), 10.0),
    Unit("force", "kgf", ("kp",), 9.80665),
    Unit("force", "lbf", (), _POUND_FORCE_N),
    Unit("power", "kW", ("kilowatt",)),
    Unit("power", "W", ("watt",), 1e-3),
    Unit("power", "PS", ("cv", "metric hp"), 0.73549875),
    Unit("power", "hp", ("bhp",), 0.745699871582),
    Unit("grade", "%", ("percent", "pct", "prc")),
    Unit("grade", "ratio", ("1", "m/m", "-", "rise/run", "tan"), 100.0),
    Unit("grade", "deg", ("°", "degree", "degrees"), math.pi / 180.0, tangent=True),
    Unit("grade", "rad", ("radian", "radians"), 1.0, tangent=True),
    Unit("length", "m", ("metre", "metres", "meter", "meters")),
    Unit("length", "ft", ("foot", "feet"), _FOOT_M),
    Unit("length", "km", (), 1e3),
    Unit("acceleration", "m/s2", ("m/s²", "m/s^2", "m s-2", "mps2")),
    Unit("acceleration", "g", ("gee", "g0", "gn"), 9.80665),
    Unit("acceleration", "mg", ("milli-g",), 9.80665e-3),
    Unit("acceleration", "ft/s2", ("ft/s²",), _FOOT_M),
    Unit("engine speed", "rpm", ("1/min", "r/min", "min-1", "min⁻¹", "rev/min", "U/min")),
    Unit("engine speed", "1/s", ("rev/s", "r/s", "s-1", "Hz"), 60.0),
    Unit("engine speed", "rad/s", (), 60.0 / (2.0 * math.pi)),
    Unit("percent", "%", ("percent", "pct", "prc")),
    Unit("percent", "ratio", ("1", "-", "share"), 100.0),
    Unit("share", "ratio", ("1", "-", "share")),
    Unit("share", "%", ("percent", "pct"), 0.01),
    Unit("temperature", "degC", ("°C", "C", "celsius", "deg C", "Cel")),
    Unit("temperature", "degF", ("°F", "F", "fahrenheit", "deg F"), _F, -32.0 * _F),
    Unit("temperature", "K", ("kelvin",), 1.0, -273.15),
    Unit("pressure", "kPa", ("kilopascal",)),
    Unit("pressure", "Pa", ("pascal",), 1e-3),
    Unit("pressure", "MPa", ("megapascal",), 1e3),
    Unit("pressure", "bar", (), 100.0),
    Unit("pressure", "mbar", ("millibar",), 0.1),
    Unit("pressure", "hPa", (), 0.1),
    Unit("pressure", "psi", ("lbf/in2", "psig", "psia"), _PSI_KPA),
    Unit("pressure", "inHg", (), 3.386389),
    Unit("pressure", "mmHg", ("torr",), 0.133322),
    Unit("high pressure", "MPa", ("megapascal",)),
    Unit("high pressure", "kPa", ("kilopascal",), 1e-3),
    Unit("high pressure", "Pa", ("pascal",), 1e-6),
    Unit("high pressure", "bar", (), 0.1),
    Unit("high pressure", "psi", (), _PSI_KPA * 1e-3),
    Unit("angle", "deg", ("°", "degree", "degrees")),
    Unit("angle", "rad", ("radian", "radians"), 180.0 / math.pi),
    Unit("flag", "0/1", ("bool", "boolean", "flag", "on/off", "1")),
    Unit("range", "high/low", ("0/1", "bool")),
    Unit("count", "number", ("1", "-", "gear", "count")),
)

_NOISE = re.compile(r"per|[\s/_·⋅∙*.^\[\](){}]")
_SAME = str.maketrans({"²": "2", "³": "3", "µ": "u", "μ": "u", "⁻": "-", "¹": "1", "º": "°"})


def unit_key(spelling: str) -> str:
    """Spelling of a unit with everything that loggers vary removed (``"km / h"`` -> ``"kmh"``)."""
    # "percent" must survive the removal of "per" (as in "mg per stroke").
    text = spelling.strip().translate(_SAME).lower().replace("percent", "%")
    # A lone angle is a degree; before a letter it belongs to a temperature.
    text = text.replace("°", "deg") if len(text) > 1 else text
    return _NOISE.sub("", text) or text


@functools.cache
def units_of(quantity: str) -> dict[str, Unit]:
    """Units of a quantity by :func:`unit_key`; the canonical unit comes first."""
    table: dict[str, Unit] = {}
    for unit in UNITS:
        if unit.quantity == quantity:
            for spelling in (unit.symbol, *unit.spellings):
                table.setdefault(unit_key(spelling), unit)
    return table


def accepted_spellings(*quantities: str) -> str:
    """The spellings of units that are understood for some quantities, for error messages."""
    spellings: dict[str, None] = {}
    for unit in UNITS:
        if unit.quantity in quantities:
            spellings.update(dict.fromkeys((unit.symbol, *unit.spellings)))
    return ", ".join(spellings)


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


_T = "temperature"
_FUEL = 200.0
"""g/s, above which fuelling is impossible."""

# Limits of speed, grade, engine speed, fuelling and temperature are the documented ones; the others
# are set wide, only to catch a wrong unit or a sensor's fault code (common practice, no source).
CHANNELS: tuple[Channel, ...] = (
    Channel("time_s", "time", "time", -1e12, 1e12, "needed", "time", group="time"),
    Channel(
        "speed_m_s",
        "speed",
        "speed",
        -0.5,
        100.0,
        "needed",
        "road speed, unsigned",
        (("PID 0D", "km/h"), ("SPN 84", "km/h")),
        group="speed",
    ),
    Channel(
        "fuel_rate_g_s",
        "fuel_rate",
        "mass flow",
        0.0,
        _FUEL,
        "needed",
        "fuelling",
        (("PID 9D", "g/s"),),
        group="force",
    ),
    Channel(
        "engine_torque_n_m",
        "engine_torque",
        "torque",
        -20_000.0,
        20_000.0,
        "needed",
        "net brake torque of the engine",
        group="force",
    ),
    Channel(
        "tractive_force_n",
        "tractive_force",
        "force",
        -2e6,
        2e6,
        "needed",
        "force at the tread, measured at hub or roller",
        group="force",
    ),
    Channel(
        "grade_percent",
        "grade",
        "grade",
        -60.0,
        60.0,
        "needed",
        "road grade, rise over run, positive uphill",
        group="grade",
    ),
    Channel(
        "altitude_m",
        "altitude",
        "length",
        -1_000.0,
        12_000.0,
        "needed",
        "altitude",
        group="grade",
    ),
    Channel(
        "accel_long_m_s2",
        "accel_long",
        "acceleration",
        -100.0,
        100.0,
        "needed",
        "longitudinal specific force of the body, dv/dt + g sin(grade)",
        group="grade",
    ),
    Channel(
        "engine_speed_rpm",
        "engine_speed",
        "engine speed",
        0.0,
        10_000.0,
        "improves",
        "engine speed",
        (("PID 0C", "rpm"), ("SPN 190", "rpm")),
    ),
    Channel(
        "gear",
        "gear",
        "count",
        -10.0,
        30.0,
        "improves",
        "gear engaged: 1 lowest, 0 neutral, negative reverse",
        (("PID A4", "number"), ("SPN 523", "number")),
    ),
    Channel(
        "brake_active",
        "brake_active",
        "flag",
        0.0,
        1.0,
        "improves",
        "service brake on",
        (("SPN 597", "0/1"),),
    ),
    Channel(
        "extra_torque_share",
        "extra_torque",
        "share",
        0.0,
        1.0,
        "improves",
        "share of the uprated engine's extra torque in use",
        stems=("extra_torque_share",),
    ),
    Channel(
        "regeneration_active",
        "regeneration_active",
        "flag",
        0.0,
        1.0,
        "improves",
        "after-treatment regeneration under way",
        (("PID 8B", "0/1"), ("SPN 3700", "0/1")),
    ),
    Channel(
        "transfer_range",
        "transfer_range",
        "range",
        0.0,
        1.0,
        "improves",
        "transfer range: 0 high, 1 low",
    ),
    Channel(
        "ground_speed_m_s",
        "ground_speed",
        "speed",
        0.0,
        100.0,
        "improves",
        "speed over ground from satellites",
    ),
    Channel(
        "cruise_active",
        "cruise_active",
        "flag",
        0.0,
        1.0,
        "policy",
        "cruise control engaged",
        (("SPN 595", "0/1"),),
    ),
    Channel(
        "driver_aid_active",
        "driver_aid_active",
        "flag",
        0.0,
        1.0,
        "policy",
        "stability or traction control intervening",
    ),
    Channel(
        "accelerator_percent",
        "accelerator",
        "percent",
        -5.0,
        110.0,
        "policy",
        "accelerator pedal position",
        (("PID 49", "%"), ("SPN 91", "%")),
    ),
    Channel(
        "coolant_temp_degc",
        "coolant_temp",
        _T,
        -60.0,
        1200.0,
        "policy",
        "engine coolant temperature",
        (("PID 05", "degC"), ("SPN 110", "degC")),
    ),
    Channel(
        "exhaust_gas_temp_degc",
        "exhaust_gas_temp",
        _T,
        -60.0,
        1200.0,
        "policy",
        "exhaust gas temperature before the turbine",
        (("PID 78", "degC"), ("SPN 173", "degC")),
    ),
    Channel(
        "exhaust_gas_temp_after_turbine_degc",
        "exhaust_gas_temp_after_turbine",
        _T,
        -60.0,
        1200.0,
        "policy",
        "exhaust gas temperature after the turbine",
    ),
    Channel(
        "transmission_oil_temp_degc",
        "transmission_oil_temp",
        _T,
        -60.0,
        1200.0,
        "policy",
        "gearbox oil temperature",
        (("SPN 177", "degC"),),
    ),
    Channel(
        "engine_oil_temp_degc",
        "engine_oil_temp",
        _T,
        -60.0,
        1200.0,
        "policy",
        "engine oil temperature",
        (("SPN 175", "degC"),),
    ),
    Channel(
        "intake_temp_degc",
        "intake_temp",
        _T,
        -60.0,
        1200.0,
        "policy",
        "intake air temperature",
        (("PID 0F", "degC"), ("SPN 105", "degC")),
    ),
    Channel(
        "boost_kpa",
        "boost",
        "pressure",
        -120.0,
        1_000.0,
        "policy",
        "boost, gauge",
        (("SPN 102", "kPa"),),
    ),
    Channel(
        "air_flow_g_s",
        "air_flow",
        "mass flow",
        0.0,
        5_000.0,
        "policy",
        "air mass flow",
        (("PID 10", "g/s"), ("SPN 132", "kg/h")),
    ),
    Channel(
        "rail_pressure_mpa",
        "rail_pressure",
        "high pressure",
        0.0,
        500.0,
        "condition",
        "fuel rail pressure",
        (("PID 23", "kPa"), ("SPN 157", "MPa")),
    ),
    Channel(
        "ambient_temp_degc",
        "ambient_temp",
        _T,
        -60.0,
        1200.0,
        "improves",
        "ambient air temperature",
        (("PID 46", "degC"), ("SPN 171", "degC")),
    ),
    Channel(
        "ambient_pressure_kpa",
        "ambient_pressure",
        "pressure",
        15.0,
        130.0,
        "improves",
        "ambient air pressure, absolute",
        (("PID 33", "kPa"), ("SPN 108", "kPa")),
        stems=("barometric_pressure",),
    ),
    Channel("latitude_deg", "latitude", "angle", -90.0, 90.0, "maps", "latitude"),
    Channel("longitude_deg", "longitude", "angle", -180.0, 360.0, "maps", "longitude"),
)

# Columns that are read only to compute a canonical one.
INGREDIENTS: tuple[Channel, ...] = (
    Channel(
        "timestamp",
        "timestamp",
        "timestamp",
        -1e12,
        1e12,
        "ingredient",
        "date and time, ISO 8601; without a zone it is UTC",
        group="time",
        feeds="time_s",
    ),
    Channel(
        "fuel_rate_l_h",
        "fuel_rate",
        "volume flow",
        0.0,
        _FUEL * 3600.0 / 500.0,
        "ingredient",
        "fuel volume per hour",
        (("PID 5E", "l/h"), ("SPN 183", "l/h")),
        group="force",
        feeds="fuel_rate_g_s",
    ),
    Channel(
        "fuel_mg_per_stroke",
        "fuel",
        "mass per stroke",
        0.0,
        5_000.0,
        "ingredient",
        "fuel per cylinder and injection cycle",
        stems=("fuel_rate",),
        group="force",
        feeds="fuel_rate_g_s",
    ),
    Channel(
        "engine_percent_torque",
        "engine_percent_torque",
        "percent",
        -150.0,
        250.0,
        "ingredient",
        "indicated torque, gross of friction, in percent of the reference torque",
        (("PID 62", "%"), ("SPN 513", "%")),
        group="force",
        feeds="engine_torque_n_m",
    ),
    Channel(
        "engine_friction_percent_torque",
        "engine_friction_percent_torque",
        "percent",
        -150.0,
        150.0,
        "ingredient",
        "friction torque in percent of the reference torque",
        (("PID 8E", "%"), ("SPN 514", "%")),
        feeds="engine_torque_n_m",
    ),
    Channel(
        "engine_reference_torque_n_m",
        "engine_reference_torque",
        "torque",
        0.0,
        20_000.0,
        "ingredient",
        "torque at 100 %; used where the rig gives none",
        (("PID 63", "N·m"), ("SPN 544", "N·m")),
        feeds="engine_torque_n_m",
    ),
    Channel(
        "tractive_power_kw",
        "tractive_power",
        "power",
        -1e5,
        1e5,
        "ingredient",
        "power at the tread, measured at hub or roller",
        group="force",
        feeds="tractive_force_n",
    ),
    Channel(
        "manifold_pressure_kpa",
        "manifold_pressure",
        "pressure",
        0.0,
        1_000.0,
        "ingredient",
        "intake manifold pressure, absolute",
        (("PID 0B", "kPa"),),
        stems=("manifold_absolute_pressure", "intake_manifold_pressure"),
        feeds="boost_kpa",
    ),
    Channel(
        "brake_pressure_kpa",
        "brake_pressure",
        "pressure",
        -1_000.0,
        1e5,
        "ingredient",
        "service brake pressure; the brake is on above zero",
        feeds="brake_active",
    ),
)

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
    text = spelling.translate(_SAME).lower().replace("°", "deg").replace("%", "percent")
    for separator, per in (("_", "_"), ("", ""), ("_per_", "_")):
        suffix = text.replace("/", separator)
        suffix = re.sub(r"[\s·-]", per, suffix)
        if re.fullmatch(r"[a-z0-9_]+", suffix) and not suffix.isdigit():
            yield f"{stem}_{suffix}"


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

    Returns
    -------
    Reading

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

    Returns
    -------
    Channel or None
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
