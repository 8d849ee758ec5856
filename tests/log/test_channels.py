"""The tables of channels and units, and one sample in canonical columns."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from drive_bench import small_rig
from hypothesis import given
from hypothesis import strategies as st

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
from loadlearn.log.readers import read_log
from loadlearn.log.sample import canonical_sample

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


# ---------------------------------------------------------------------------------- one sample

SAMPLE = {"time_s": 1.0, "speed_m_s": 20.0, "fuel_rate_g_s": 2.0, "grade_percent": 1.5}


def test_canonical_sample_converts_and_drops() -> None:
    sample = canonical_sample(
        {
            "time_ms": 1500,
            "speed_kmh": 72,
            "fuel_rate_g_s": None,
            "grade_deg": 45.0 / 2.0,
            "coolant_temp_degf": 212.0,
            "brake_active": True,
            "transfer_range": "low",
            "driver": "someone",
        }
    )
    fuel = sample.pop("fuel_rate_g_s")
    assert math.isnan(fuel)
    assert sample == pytest.approx(
        {
            "time_s": 1.5,
            "speed_m_s": 20.0,
            "grade_percent": 100.0 * math.tan(math.pi / 8.0),
            "coolant_temp_degc": 100.0,
            "brake_active": 1.0,
            "transfer_range": 1.0,
        }
    )
    assert all(type(value) is float for value in sample.values())


def test_canonical_sample_takes_rows_of_a_frame() -> None:
    frame = pd.DataFrame([SAMPLE])
    assert canonical_sample(frame.iloc[0]) == SAMPLE
    assert canonical_sample({**SAMPLE, "speed_m_s": np.float32(20.0)}) == SAMPLE
    assert canonical_sample({**SAMPLE, "speed_m_s": -0.3})["speed_m_s"] == 0.0
    assert canonical_sample({**SAMPLE, "speed_kmh": 1.0}) == SAMPLE


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"speed_m_s": 300.0}, ["speed_m_s", "300", "impossible"]),
        ({"grade_percent": 90.0}, ["grade_percent", "impossible"]),
        ({"fuel_rate_g_s": -0.1}, ["fuel_rate_g_s", "impossible"]),
        ({"speed_m_s": "fast"}, ["speed_m_s", "'fast'", "not a number"]),
        ({"time_s": None}, ["time_s"]),
        ({"fuel_rate_g_s": math.inf}, ["fuel_rate_g_s", "impossible"]),
    ],
)
def test_canonical_sample_rejects(change: dict[str, object], words: list[str]) -> None:
    with pytest.raises(InputError) as caught:
        canonical_sample({**SAMPLE, **change})
    assert all(word in str(caught.value) for word in words), caught.value


@pytest.mark.parametrize("missing", ["time_s", "speed_m_s"])
def test_canonical_sample_needs_time_and_speed(missing: str) -> None:
    with pytest.raises(InputError, match=missing):
        canonical_sample({name: value for name, value in SAMPLE.items() if name != missing})


def test_canonical_sample_needs_the_rig_where_a_log_would() -> None:
    with pytest.raises(InputError, match=r"engine\.fuel_density_kg_m3"):
        canonical_sample({"time_s": 0.0, "speed_m_s": 1.0, "fuel_rate_l_h": 3.0})


def test_time_stamp_of_a_sample() -> None:
    stamp = {"timestamp": "2030-01-31T08:30:00.5Z", "speed_m_s": 1.0}
    assert canonical_sample(stamp)["time_s"] == pd.Timestamp("2030-01-31T08:30:00.5Z").timestamp()


finite = {"allow_nan": False, "allow_infinity": False}


@given(
    speed=st.floats(0.0, 300.0, **finite),
    fuel=st.floats(0.0, 80.0, **finite),
    torque=st.floats(0.0, 100.0, **finite),
    friction=st.floats(0.0, 30.0, **finite),
    pressure=st.floats(60.0, 105.0, **finite),
    manifold=st.floats(60.0, 300.0, **finite),
)
def test_a_sample_and_a_log_agree(
    speed: float, fuel: float, torque: float, friction: float, pressure: float, manifold: float
) -> None:
    row = {
        "time_s": 1.0,
        "speed_kmh": speed,
        "fuel_rate_l_h": fuel,
        "engine_percent_torque": torque,
        "engine_friction_percent_torque": friction,
        "ambient_pressure_kpa": pressure,
        "manifold_pressure_kpa": manifold,
        "brake_pressure_kpa": torque - 50.0,
        "tractive_power_kw": torque,
    }
    rig = small_rig()
    log = read_log(pd.DataFrame([row, {**row, "time_s": 2.0}]), rig=rig)
    sample = canonical_sample(row, rig)
    # Below 2 m/s a power gives no force; a log leaves that column out, a sample gives NaN.
    for name in set(log.columns) & set(CANONICAL):
        assert sample[name] == pytest.approx(log[name].iloc[0], rel=1e-12, nan_ok=True), name
