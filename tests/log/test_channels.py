"""The tables of channels and units."""

from __future__ import annotations

import math

import numpy as np
import pytest

from loadlearn.errors import InputError
from loadlearn.log.channels import (
    BY_NAME,
    CANONICAL,
    CHANNELS,
    INGREDIENTS,
    UNITS,
    accepted_spellings,
    find_reading,
    mapped_reading,
    readable_names,
    unit_key,
    units_of,
    unknown_unit,
)

# Every spelling that loggers use and that the documentation names.
SPELLINGS = {
    "speed": ["m/s", "km/h", "kph", "mph", "kmh", "KM/H", "km / h"],
    "torque": ["Nm", "N·m", "N m", "N.m", "nm"],
    "power": ["kW", "PS", "W", "hp"],
    "temperature": ["°C", "degC", "C", "F", "°F", "degF", "K", "deg C"],
    "mass flow": ["g/s", "kg/h"],
    "volume flow": ["l/h", "L/h"],
    "mass per stroke": ["mg/stroke", "mg per stroke"],
    "pressure": ["kPa", "bar", "psi", "MPa", "hPa", "mbar"],
    "acceleration": ["g", "m/s2", "m/s²", "m/s^2"],
    "engine speed": ["rpm", "1/min", "min-1", "min⁻¹", "r/min"],
    "grade": ["%", "percent", "deg", "°"],
    "length": ["m", "ft"],
    "time": ["s", "ms"],
}


@pytest.mark.parametrize(
    ("quantity", "spelling"), [(q, one) for q, many in SPELLINGS.items() for one in many]
)
def test_spellings_of_loggers_are_understood(quantity: str, spelling: str) -> None:
    assert unit_key(spelling) in units_of(quantity)


def test_no_two_units_of_a_quantity_share_a_spelling() -> None:
    seen: dict[tuple[str, str], str] = {}
    for unit in UNITS:
        for spelling in (unit.symbol, *unit.spellings):
            key = unit.quantity, unit_key(spelling)
            assert seen.setdefault(key, unit.symbol) == unit.symbol, spelling


# Factors against the table of NIST Special Publication 811, appendix B.8 (from memory).
NIST_SP_811 = [
    ("speed", "km/h", 1.0, 0.2777778),
    ("speed", "mph", 1.0, 0.44704),
    ("speed", "kn", 1.0, 0.5144444),
    ("length", "ft", 1.0, 0.3048),
    ("torque", "lbf·ft", 1.0, 1.355818),
    ("force", "lbf", 1.0, 4.448222),
    ("power", "hp", 1.0, 0.7456999),
    ("power", "PS", 1.0, 0.7354988),
    ("pressure", "psi", 1.0, 6.894757),
    ("pressure", "inHg", 1.0, 3.386389),
    ("pressure", "bar", 1.0, 100.0),
    ("mass flow", "lb/h", 1.0, 0.1259979),
    ("volume flow", "US gal/h", 1.0, 3.785412),
    ("temperature", "degF", 32.0, 0.0),
    ("temperature", "degF", -40.0, -40.0),
    ("temperature", "K", 273.15, 0.0),
    ("acceleration", "g", 1.0, 9.80665),
    ("engine speed", "rad/s", 2.0 * math.pi, 60.0),
    ("grade", "deg", 45.0, 100.0),
]


@pytest.mark.parametrize(("quantity", "symbol", "value", "expected"), NIST_SP_811)
def test_conversions(quantity: str, symbol: str, value: float, expected: float) -> None:
    unit = units_of(quantity)[unit_key(symbol)]
    assert unit.to_canonical(value) == pytest.approx(expected, rel=2e-7, abs=1e-9)
    np.testing.assert_allclose(unit.to_canonical(np.array([value])), expected, rtol=2e-7, atol=1e-9)


def test_conversions_agree_with_scipy() -> None:
    from scipy import constants

    pairs = {
        ("speed", "mph"): constants.mph,
        ("speed", "km/h"): constants.kmh,
        ("length", "ft"): constants.foot,
        ("pressure", "psi"): constants.psi / 1e3,
        ("power", "hp"): constants.hp / 1e3,
        ("force", "lbf"): constants.lbf,
        ("acceleration", "g"): constants.g,
    }
    for (quantity, symbol), factor in pairs.items():
        assert units_of(quantity)[unit_key(symbol)].scale == pytest.approx(factor, rel=1e-9)


def test_tables_are_sound() -> None:
    assert len(BY_NAME) == len(CHANNELS) + len(INGREDIENTS)
    for channel in BY_NAME.values():
        assert channel.lower < channel.upper
        assert channel.description
        assert channel.unit.scale == 1.0 and channel.unit.offset == 0.0
        for identifier, symbol in channel.identifiers:
            assert unit_key(symbol) in units_of(channel.quantity), identifier
        assert (channel.feeds in CANONICAL) == (channel.role == "ingredient")
        found = find_reading(channel.name)
        assert found is not None and found.channel is channel and found.unit == channel.unit


def test_documented_limits() -> None:
    limits = {name: (one.lower, one.upper) for name, one in CANONICAL.items()}
    assert limits["speed_m_s"] == (-0.5, 100.0)
    assert limits["grade_percent"] == (-60.0, 60.0)
    assert limits["engine_speed_rpm"][1] == 10_000.0
    assert limits["fuel_rate_g_s"] == (0.0, 200.0)
    for name, (lower, upper) in limits.items():
        if name.endswith("_degc"):
            assert (lower, upper) == (-60.0, 1200.0)


def test_readable_names_are_all_lower_case_and_plain() -> None:
    assert len(readable_names()) > 150
    assert all(name == name.lower() and " " not in name for name in readable_names())


@pytest.mark.parametrize(
    "name",
    ["speed_limit_kmh", "speed", "gear_ratio", "altitude_sd_m", "grade_sd_percent", "note", "fuel"],
)
def test_names_that_are_not_channels(name: str) -> None:
    assert find_reading(name) is None


def test_unknown_units_point_at_the_longest_stem() -> None:
    found = unknown_unit("exhaust_gas_temp_after_turbine_rankine", "")
    assert found is not None and found.name == "exhaust_gas_temp_after_turbine_degc"
    assert unknown_unit("speed_furlongs", "force") is None
    assert unknown_unit("note", "") is None


def test_mapped_reading_errors_list_all_spellings() -> None:
    with pytest.raises(InputError) as caught:
        mapped_reading("fuel_rate_g_s", "bananas", "map.toml")
    for spelling in ("bananas", "g/s", "l/h", "mg/stroke", "map.toml", "fuel_rate_g_s"):
        assert spelling in str(caught.value)
    assert "km/h" in accepted_spellings("speed")
