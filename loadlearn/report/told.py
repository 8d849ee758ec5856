"""The form in which a section is told: sentences, tables with units, pictures with words."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any


@dataclass
class Table:
    """Rows under headings.

    Attributes
    ----------
    columns : list of str
        Headings, with units.
    groups : list of tuple
        Heading of a group ("" for none) and its rows; a row is its cells, and whether it alarms.
    caption : str
    folded : bool
        Whether it is opened by a click only.
    numbers : bool
        Whether all but the first column are numbers.
    """

    columns: list[str]
    groups: list[tuple[str, list[tuple[list[str], bool]]]] = field(default_factory=list)
    caption: str = ""
    folded: bool = False
    numbers: bool = True


@dataclass
class Told:
    """A section.

    Attributes
    ----------
    name, title : str
    said : list of tuple
        Sentences, each with whether it alarms.
    tables : list of Table
    pictures : list of tuple
        Data URI and what it shows.
    notes : list of str
        What is said last and quietly.
    """

    name: str
    title: str
    said: list[tuple[str, bool]] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)
    pictures: list[tuple[str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def number(value: Any, digits: int = 1, sign: str = "") -> str:
    """A number for people: thousands apart, a true minus sign; a dash where there is none.

    Parameters
    ----------
    value : float or None
    digits : int
        Decimals.
    sign : str
        ``+`` to have it always.
    """
    if value is None or not math.isfinite(value):
        return "–"
    # A difference that rounds to nothing has no sign.
    return f"{round(value, digits) + 0.0:{sign},.{digits}f}".replace("-", "−")


def percent(share: Any, digits: int = 0) -> str:
    """A share as a percentage."""
    return "–" if share is None else f"{number(100.0 * share, digits)} %"


def plain(name: Any) -> str:
    """A name as words."""
    return str(name).replace("_", " ")


_UNITS = (
    ("_n_m", "N m"),
    ("_degc", "°C"),
    ("_kpa", "kPa"),
    ("_mpa", "MPa"),
    ("_percent", "%"),
    ("_m_s", "m/s"),
    ("_rpm", "rpm"),
    ("_m2", "m²"),
    ("_kg", "kg"),
    ("_kw", "kW"),
    ("_km", "km"),
    ("_share", "0 to 1"),
    ("_s", "s"),
    ("_m", "m"),
)


def words_and_unit(key: str) -> tuple[str, str]:
    """A key as words, and the unit that it ends with.

    Parameters
    ----------
    key : str
        Such as ``coolant_full_degc``.

    Returns
    -------
    tuple of str
        Such as ``coolant full`` and ``°C``; the unit is "" where the key names none.
    """
    for ending, unit in _UNITS:
        if key.endswith(ending):
            return plain(key.removesuffix(ending)), unit
    return plain(key), ""
