"""The units of a drive log's columns and how loggers spell them."""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

WHOLE_KMH_M_S, WHOLE_MPH_M_S = 1.0 / 3.6, 0.44704
"""One of the whole units that loggers round a road speed to (m/s)."""


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


def spelling_variants(spelling: str) -> Iterator[str]:
    """How a unit may end a column's name: ``km/h`` as ``km_h``, ``kmh`` and ``km_per_h``."""
    text = spelling.translate(_SAME).lower().replace("°", "deg").replace("%", "percent")
    for separator, gap in (("_", "_"), ("", ""), ("_per_", "_")):
        suffix = re.sub(r"[\s·-]", gap, text.replace("/", separator))
        if re.fullmatch(r"[a-z0-9_]+", suffix) and not suffix.isdigit():
            yield suffix


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
