"""Readers: every format, every unit, every rule on bad input."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from drive_bench import bench_drive, small_rig
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loadlearn.errors import InputError
from loadlearn.log.channels import BY_NAME, CANONICAL, UNSIGNED, units_of
from loadlearn.log.readers import read_log

FIXTURES = [HealthCheck.function_scoped_fixture]


def small_log(rows: int = 40) -> pd.DataFrame:
    """A plain log in canonical columns with numbers that survive any decimal separator."""
    step = np.arange(rows)
    return pd.DataFrame(
        {
            "time_s": 100.0 + 0.1 * step,
            "speed_m_s": 15.0 + np.sin(step / 7.0),
            "fuel_rate_g_s": 2.5 + 0.5 * np.cos(step / 9.0),
            "grade_percent": 3.0 * np.sin(step / 11.0),
            "engine_speed_rpm": 1800.0 + step,
            "coolant_temp_degc": 85.0 + 0.1 * step,
        }
    )


def write(path: Path, text: str | bytes) -> Path:
    data = text if isinstance(text, bytes) else text.encode()
    path.write_bytes(data)
    return path


def columns_equal(read: pd.DataFrame, expected: pd.DataFrame, rtol: float = 1e-9) -> None:
    for name in expected:
        np.testing.assert_allclose(read[name], expected[name], rtol=rtol, atol=1e-9, err_msg=name)


def error_of(*args: object, **kwargs: object) -> str:
    with pytest.raises(InputError) as caught:
        read_log(*args, **kwargs)  # type: ignore[arg-type]
    message = str(caught.value)
    assert "\n" not in message
    return message


# ------------------------------------------------------------------------------------ formats


@pytest.mark.parametrize("suffix", [".csv", ".csv.gz", ".parquet", ".txt"])
def test_formats_round_trip(tmp_path: Path, suffix: str) -> None:
    log = small_log()
    path = tmp_path / f"drive{suffix}"
    if suffix == ".parquet":
        log.to_parquet(path)
    else:
        log.to_csv(path, index=False)
    trace = read_log(path)
    columns_equal(trace, log)
    assert list(trace.columns) == [name for name in CANONICAL if name in log]
    assert (trace.dtypes == np.float64).all()
    assert trace.index.equals(pd.RangeIndex(len(log)))
    assert trace.attrs["source"] == str(path)
    assert trace.attrs["warnings"] == []


@pytest.mark.parametrize(
    ("separator", "decimal"), [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ",")]
)
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_separators_decimal_commas_and_byte_order_marks(
    tmp_path: Path, separator: str, decimal: str, mark: bytes
) -> None:
    log = small_log()
    text = log.to_csv(None, index=False, sep=separator, decimal=decimal)
    assert text is not None
    columns_equal(read_log(write(tmp_path / "drive.csv", mark + text.encode())), log)


def test_decimal_comma_only_far_down_the_file(tmp_path: Path) -> None:
    rows = [f"{t};15;2;1" for t in range(500)] + ["500;15,5;2;1"]
    text = "time_s;speed_m_s;fuel_rate_g_s;grade_percent\n" + "\n".join(rows)
    assert read_log(write(tmp_path / "drive.csv", text))["speed_m_s"].iloc[-1] == 15.5


def test_mixed_decimal_marks_of_a_semicolon_file(tmp_path: Path) -> None:
    text = "time_s;speed_m_s;fuel_rate_g_s;grade_percent\n0;15,5;2.25;1\n1;15,5;2.25;1\n"
    trace = read_log(write(tmp_path / "drive.csv", text))
    assert trace["speed_m_s"].iloc[0] == 15.5
    assert trace["fuel_rate_g_s"].iloc[0] == 2.25


@pytest.mark.parametrize("encoding", ["utf-8", "latin-1", "utf-16"])
def test_encodings(tmp_path: Path, encoding: str) -> None:
    text = (
        "time_s,speed_m_s,fuel_rate_g_s,grade_percent,Coolant temp [°C]\n0,1,1,0,80\n1,2,1,0,81\n"
    )
    trace = read_log(write(tmp_path / "drive.csv", text.encode(encoding)))
    assert trace["coolant_temp_degc"].tolist() == [80.0, 81.0]


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_newlines_blank_lines_and_comments(tmp_path: Path, newline: str) -> None:
    lines = ["# logger 3", "", "time_s,speed_m_s,fuel_rate_g_s,grade_percent", "0,1,1,0", "1,2,1,0"]
    trace = read_log(write(tmp_path / "drive.csv", newline.join(lines) + newline * 2))
    assert trace["speed_m_s"].tolist() == [1.0, 2.0]


def test_extra_columns_are_kept(tmp_path: Path) -> None:
    log = small_log().assign(note="wet", target=3.5, speed_limit_kmh=80)
    log.to_csv(tmp_path / "drive.csv", index=False)
    trace = read_log(tmp_path / "drive.csv")
    assert trace["note"].tolist() == ["wet"] * len(log)
    assert (trace["target"] == 3.5).all()
    assert (trace["speed_limit_kmh"] == 80).all()
    assert trace.attrs["warnings"] == []


def test_values_that_change_kind_late_in_a_long_file(tmp_path: Path) -> None:
    # Whole numbers for longer than a reader's first block, then a fraction, and words in an extra.
    rows = 120_000
    log = pd.DataFrame(
        {
            "time_s": np.arange(rows),
            "speed_m_s": np.full(rows, 15),
            "fuel_rate_g_s": np.full(rows, 2),
            "grade_percent": np.zeros(rows, dtype=int),
            "note": np.full(rows, 1).astype(object),
        }
    )
    text = log.to_csv(None, index=False) + f"{rows},15.25,2.5,0,end\n"
    trace = read_log(write(tmp_path / "drive.csv", text))
    assert trace["speed_m_s"].iloc[-1] == 15.25
    assert str(trace["note"].iloc[-1]) == "end"


def test_data_frame_is_read_like_a_file() -> None:
    log = small_log().rename(columns={"speed_m_s": "speed_kmh"})
    log["speed_kmh"] *= 3.6
    columns_equal(read_log(log), small_log())


def test_parquet_with_a_named_index_of_stamps(tmp_path: Path) -> None:
    log = small_log().drop(columns="time_s")
    log.index = pd.date_range("2030-01-31T08:30", periods=len(log), freq="100ms", name="timestamp")
    log.to_parquet(tmp_path / "drive.parquet")
    trace = read_log(tmp_path / "drive.parquet")
    np.testing.assert_allclose(trace["time_s"], 0.1 * np.arange(len(log)))


# ---------------------------------------------------------------------------------------- MDF


def write_mdf(path: Path, groups: list[dict[str, tuple[np.ndarray, np.ndarray, str]]]) -> Path:
    from asammdf import MDF, Signal

    with MDF(version="4.10") as mdf:
        for group in groups:
            mdf.append(
                [
                    Signal(samples=values, timestamps=stamps, name=name, unit=unit)
                    for name, (stamps, values, unit) in group.items()
                ]
            )
        mdf.save(path, overwrite=True)
    return path


def test_mdf_round_trip_with_mixed_rates(tmp_path: Path) -> None:
    fast, slow = np.arange(200) / 20.0, np.arange(10) * 1.0
    speed = 60.0 + np.sin(fast)
    path = write_mdf(
        tmp_path / "drive.mf4",
        [
            {"Road speed": (fast, speed, "km/h"), "fuel_rate_g_s": (fast, 2 + 0 * fast, "g/s")},
            {"altitude_m": (slow, 100.0 + slow, "m"), "note": (slow, slow, "")},
        ],
    )
    trace = read_log(path, channels={"speed_m_s": "Road speed"})
    np.testing.assert_allclose(trace["time_s"], fast)
    np.testing.assert_allclose(trace["speed_m_s"], speed / 3.6)
    np.testing.assert_allclose(trace["altitude_m"], 100.0 + np.floor(fast + 1e-9))
    np.testing.assert_allclose(trace["note"], np.floor(fast + 1e-9))
    assert trace.attrs["columns"]["speed_m_s"] == {"column": "Road speed", "unit": "km/h"}
    assert any("different rates" in one for one in trace.attrs["warnings"])


def test_mdf_holds_no_value_for_ever(tmp_path: Path) -> None:
    fast = np.arange(400) / 20.0
    slow = np.array([0.0, 1.0, 2.0, 15.0, 16.0])
    path = write_mdf(
        tmp_path / "drive.mf4",
        [
            {"speed_kmh": (fast, 50 + 0 * fast, "km/h"), "fuel_rate_g_s": (fast, 2 + 0 * fast, "")},
            {"grade_percent": (slow, slow, "%")},
        ],
    )
    grade = read_log(path)["grade_percent"]
    assert np.isnan(grade[(fast > 5.1) & (fast < 14.9)]).all()
    assert not np.isnan(grade[fast < 4.9]).any()


def test_mdf_unit_that_contradicts_the_name(tmp_path: Path) -> None:
    stamps = np.arange(10) / 10.0
    path = write_mdf(tmp_path / "drive.mf4", [{"speed_m_s": (stamps, 50 + stamps, "km/h")}])
    message = error_of(path)
    assert "speed_m_s" in message and "km/h" in message and "channel map" in message


def test_mdf_truncated_anywhere(tmp_path: Path) -> None:
    stamps = np.arange(100) / 10.0
    whole = write_mdf(
        tmp_path / "drive.mf4",
        [dict.fromkeys(("speed_m_s", "fuel_rate_g_s", "altitude_m"), (stamps, 1.0 + stamps, ""))],
    )
    assert len(read_log(whole)) == 100
    data = whole.read_bytes()
    for size in (12, 70, 200, len(data) // 2, len(data) - 300):
        assert "truncated" in error_of(write(tmp_path / "cut.mf4", data[:size]))


def test_mdf_without_the_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "asammdf", None)
    path = write(tmp_path / "drive.mf4", b"MDF     4.10    ")
    assert "pip install 'loadlearn[mdf]'" in error_of(path)


# -------------------------------------------------------------------------------------- units

UNIT_CASES = [
    (channel.name, unit)
    for channel in BY_NAME.values()
    if channel.name in small_log() or channel.name in ("altitude_m", "boost_kpa", "accel_long_m_s2")
    for unit in dict.fromkeys(units_of(channel.quantity).values())
]


@pytest.mark.parametrize(
    ("name", "unit"), UNIT_CASES, ids=[f"{n}-{u.symbol}" for n, u in UNIT_CASES]
)
@settings(max_examples=10, deadline=None, suppress_health_check=FIXTURES)
@given(data=st.data())
def test_units_do_not_change_the_answer(data: st.DataObject, name: str, unit: object) -> None:
    channel = CANONICAL[name]
    low = max(channel.lower, 0.0 if name in UNSIGNED else -1e5)
    values = data.draw(
        st.lists(st.floats(low, min(channel.upper, 1e5)), min_size=3, max_size=8), label="values"
    )
    values = sorted(values) if name == "time_s" else values
    if name == "time_s" and len(set(np.round(values, 3))) < len(values):
        values = list(np.arange(3.0))
    log = small_log(len(values))
    log[name] = values
    raw = np.array(values)
    if unit.tangent:
        raw = np.arctan(raw / 100.0) / unit.scale
    else:
        raw = (raw - unit.offset) / unit.scale
    named = log.rename(columns={name: "Some column"}).assign(**{"Some column": raw})
    trace = read_log(named, channels={name: {"column": "Some column", "unit": unit.symbol}})
    np.testing.assert_allclose(trace[name], log[name], rtol=1e-9, atol=1e-7)


@pytest.mark.parametrize(
    ("column", "value", "channel", "expected"),
    [
        ("speed_kmh", 90.0, "speed_m_s", 25.0),
        # 1 mile = 1609.344 m exactly (international yard and pound agreement, 1959).
        ("speed_mph", 60.0, "speed_m_s", 1609.344 / 60.0),
        ("ground_speed_kmh", 36.0, "ground_speed_m_s", 10.0),
        ("Speed [km/h]", 36.0, "speed_m_s", 10.0),
        ("SPN 84", 36.0, "speed_m_s", 10.0),
        ("altitude_ft", 1000.0, "altitude_m", 304.8),
        ("grade_deg", 45.0 / 9.0, "grade_percent", 100.0 * np.tan(np.pi / 36.0)),
        ("accel_long_g", 0.1, "accel_long_m_s2", 0.980665),
        ("coolant_temp_degf", 212.0, "coolant_temp_degc", 100.0),
        ("coolant_temp_k", 373.15, "coolant_temp_degc", 100.0),
        ("boost_bar", 1.2, "boost_kpa", 120.0),
        # 1 psi = 6.894757 kPa (NIST SP 811, from memory).
        ("boost_psi", 10.0, "boost_kpa", 68.94757),
        ("rail_pressure_bar", 1600.0, "rail_pressure_mpa", 160.0),
        ("engine_torque_nm", 320.0, "engine_torque_n_m", 320.0),
        # 1 lbf ft = 1.355818 N m (NIST SP 811, from memory).
        ("engine_torque_lbft", 100.0, "engine_torque_n_m", 135.5818),
        ("air_flow_kg_h", 360.0, "air_flow_g_s", 100.0),
        ("extra_torque_share_percent", 40.0, "extra_torque_share", 0.4),
    ],
)
def test_suffixes_and_other_spellings(
    column: str, value: float, channel: str, expected: float
) -> None:
    log = small_log(4)
    log = log.drop(columns=channel, errors="ignore").assign(**{column: value})
    np.testing.assert_allclose(read_log(log)[channel], expected, rtol=1e-6)


def test_milliseconds_and_time_is_kept_as_read() -> None:
    log = small_log(3).drop(columns="time_s").assign(time_ms=[1500.0, 2000.0, 2500.0])
    assert read_log(log)["time_s"].tolist() == [1.5, 2.0, 2.5]


@pytest.mark.parametrize(
    "stamps",
    [
        ["2030-01-31T08:30:00", "2030-01-31T08:30:00.5", "2030-01-31T08:30:01"],
        ["2030-01-31T08:30:00Z", "2030-01-31T08:30:00,5Z", "2030-01-31T08:30:01Z"],
        ["2030-01-31T08:30:00Z", "2030-01-31T09:30:00.5+01:00", "2030-01-31 08:30:01"],
    ],
)
def test_time_stamps_become_seconds_from_the_first(tmp_path: Path, stamps: list[str]) -> None:
    lines = ["timestamp;speed_m_s;fuel_rate_g_s;grade_percent", *(f"{s};1;1;0" for s in stamps)]
    trace = read_log(write(tmp_path / "drive.csv", "\n".join(lines)))
    assert trace["time_s"].tolist() == [0.0, 0.5, 1.0]


# ---------------------------------------------------------------------------- derived channels


def test_fuel_from_volume_needs_the_rig() -> None:
    log = small_log(4).drop(columns="fuel_rate_g_s").assign(fuel_rate_l_h=12.0)
    message = error_of(log)
    assert "fuel_rate_l_h" in message and "engine.fuel_density_kg_m3" in message
    # 12 l/h x 835 kg/m3 = 10 020 g/h.
    fuel = read_log(log, rig=small_rig(fuel_density_kg_m3=835.0))["fuel_rate_g_s"]
    np.testing.assert_allclose(fuel, 10_020.0 / 3600.0)


@pytest.mark.parametrize("strokes", [2, 4])
def test_fuel_from_mg_per_stroke(strokes: int) -> None:
    log = small_log(4).drop(columns="fuel_rate_g_s")
    log = log.assign(fuel_mg_per_stroke=30.0, engine_speed_rpm=2000.0)
    assert "engine.cylinders" in error_of(log)
    rig = small_rig(cylinders=4, strokes_per_cycle=strokes)
    # 4 cylinders x 2000/60 turns a second x 30 mg, every turn (2) or every second turn (4 strokes).
    expected = 4 * 2000.0 / 60.0 * 0.030 / (strokes / 2)
    np.testing.assert_allclose(read_log(log, rig=rig)["fuel_rate_g_s"], expected)
    assert "engine_speed_rpm" in error_of(log.drop(columns="engine_speed_rpm"), rig=rig)


def test_percent_torque_less_friction_times_reference() -> None:
    log = small_log(4).drop(columns="fuel_rate_g_s")
    log = log.assign(engine_percent_torque=60.0, engine_friction_percent_torque=10.0)
    assert "engine.reference_torque_n_m" in error_of(log)
    trace = read_log(log, rig=small_rig(reference_torque_n_m=400.0))
    np.testing.assert_allclose(trace["engine_torque_n_m"], 200.0)
    assert trace.attrs["warnings"] == []


def test_percent_torque_without_friction_subtracts_the_rigs_line() -> None:
    log = small_log(4).drop(columns="fuel_rate_g_s")
    log = log.assign(engine_percent_torque=50.0, engine_speed_rpm=3000.0 / np.pi)
    rig = small_rig(
        reference_torque_n_m=400.0,
        friction_mep_kpa=100.0,
        friction_mep_slope_kpa_s_per_rad=0.5,
    )
    trace = read_log(log, rig=rig)
    # 3000/pi rpm is 100 rad/s: 150 kPa x 2.8 l / 4 pi.
    np.testing.assert_allclose(trace["engine_torque_n_m"], 200.0 - 150.0 * 2.8 / (4.0 * np.pi))
    assert any("friction line" in one for one in trace.attrs["warnings"])


def test_power_at_the_tread_becomes_a_force_with_its_sd() -> None:
    speed = np.array([1.9, 2.0, 10.0, 20.0])
    log = small_log(4).drop(columns="fuel_rate_g_s")
    log = log.assign(speed_m_s=speed, tractive_power_kw=40.0)
    log = log.assign(tractive_power_sd_kw=2.0, speed_sd_m_s=0.1)
    trace = read_log(log)
    np.testing.assert_allclose(trace["tractive_force_n"], [np.nan, 20_000.0, 4_000.0, 2_000.0])
    # sd(P)/v = 100 N and F sd(v)/v = 10 N at 20 m/s.
    assert trace["tractive_force_sd_n"].iloc[3] == pytest.approx(np.hypot(100.0, 10.0))
    assert np.isnan(trace["tractive_force_sd_n"].iloc[0])


def test_sd_of_power_and_speed_come_from_the_log_when_not_given() -> None:
    rng = np.random.default_rng(3)
    drive = bench_drive(200.0)
    power = drive["tractive_force_n"] * drive["speed_m_s"] / 1e3
    smooth = power.rolling(41, center=True, min_periods=1).mean()
    log = drive[["time_s", "speed_m_s", "grade_percent"]].assign(
        tractive_power_kw=smooth + rng.normal(0.0, 1.5, len(drive))
    )
    trace = read_log(log)
    sd_of_power = (trace["tractive_force_sd_n"] * trace["speed_m_s"] / 1e3).median()
    assert sd_of_power == pytest.approx(1.5, rel=0.15)


def test_brake_pressure_and_words_become_flags(tmp_path: Path) -> None:
    log = small_log(3).assign(brake_pressure_bar=[0.0, 12.0, np.nan])
    np.testing.assert_array_equal(read_log(log)["brake_active"], [0.0, 1.0, np.nan])
    text = (
        "time_s,speed_m_s,fuel_rate_g_s,grade_percent,brake_active,transfer_range,gear,cruise_active\n"
        "0,1,1,0,true,high,R,on\n1,1,1,0,false,low,N,off\n2,1,1,0,,,2,\n"
    )
    trace = read_log(write(tmp_path / "drive.csv", text))
    np.testing.assert_array_equal(trace["brake_active"], [1.0, 0.0, np.nan])
    np.testing.assert_array_equal(trace["transfer_range"], [0.0, 1.0, np.nan])
    np.testing.assert_array_equal(trace["gear"], [-1.0, 0.0, 2.0])
    np.testing.assert_array_equal(trace["cruise_active"], [1.0, 0.0, np.nan])


def test_manifold_pressure_becomes_boost() -> None:
    log = small_log(3).assign(manifold_pressure_kpa=200.0)
    with_pressure = log.assign(ambient_pressure_kpa=90.0)
    np.testing.assert_allclose(read_log(with_pressure)["boost_kpa"], 110.0)
    # 79.495 kPa at 2000 m: ISO 2533, from memory.
    at_height = read_log(log.assign(altitude_m=2000.0))["boost_kpa"]
    np.testing.assert_allclose(at_height, 200.0 - 79.495, atol=0.01)
    alone = read_log(log)
    np.testing.assert_allclose(alone["boost_kpa"], 200.0 - 101.325)
    assert any("sea-level" in one for one in alone.attrs["warnings"])


def test_barometric_pressure_alone_gives_altitude() -> None:
    log = small_log(3).drop(columns="grade_percent").assign(barometric_pressure_hpa=898.746)
    trace = read_log(log)
    # 89.8746 kPa at 1000 m: ISO 2533, from memory.
    np.testing.assert_allclose(trace["altitude_m"], 1000.0, atol=0.1)
    assert trace.attrs["columns"]["altitude_m"]["computed_from"] == "ambient_pressure_kpa"


def test_canonical_channel_wins_over_its_ingredients() -> None:
    log = small_log(4).assign(fuel_rate_l_h=99.0, speed_kmh=1.0)
    trace = read_log(log)
    columns_equal(trace, small_log(4))
    assert (trace["fuel_rate_l_h"] == 99.0).all()
    assert any("speed_kmh" in one for one in trace.attrs["warnings"])


# ------------------------------------------------------------------------------- channel maps


def test_channel_map_from_toml(tmp_path: Path) -> None:
    log = small_log().rename(columns={"speed_m_s": "Road speed", "fuel_rate_g_s": "Fuel"})
    log["Road speed"] *= 3.6
    log["Fuel"] *= 3.6
    log.to_csv(tmp_path / "drive.csv", index=False)
    channels = write(
        tmp_path / "map.toml",
        '[channels]\nspeed_m_s = { column = "Road speed", unit = "km / h" }\n'
        'fuel_rate_g_s = { column = "fuel", unit = "kg/h" }\n',
    )
    trace = read_log(tmp_path / "drive.csv", channels=channels)
    columns_equal(trace, small_log())
    assert trace.attrs["columns"]["fuel_rate_g_s"] == {"column": "Fuel", "unit": "kg/h"}


def test_channel_map_unit_of_another_quantity() -> None:
    log = small_log(4).rename(columns={"fuel_rate_g_s": "Fuel"}).assign(Fuel=12.0)
    channels = {"fuel_rate_g_s": {"column": "Fuel", "unit": "L/h"}}
    trace = read_log(log, rig=small_rig(fuel_density_kg_m3=840.0), channels=channels)
    np.testing.assert_allclose(trace["fuel_rate_g_s"], 2.8)


def test_channel_map_wins_over_a_canonical_name() -> None:
    log = small_log(4).assign(**{"GPS speed": 10.0})
    trace = read_log(log, channels={"channels": {"speed_m_s": "GPS speed"}})
    np.testing.assert_allclose(trace["speed_m_s"], 10.0)
    np.testing.assert_allclose(trace["logged_speed_m_s"], log["speed_m_s"])


@pytest.mark.parametrize(
    ("channels", "words"),
    [
        ({"speed_m_s": {"column": "speed_m_s", "unit": "furlongs"}}, ["furlongs", "km/h", "mph"]),
        ({"speed": "speed_m_s"}, ["speed", "did you mean", "speed_m_s"]),
        ({"speed_m_s": "Speeed"}, ["Speeed", "speed_m_s"]),
        ({"speed_m_s": {"unit": "km/h"}}, ["speed_m_s", "column"]),
        ({"speed_m_s": {"column": "speed_m_s", "factor": 2}}, ["speed_m_s", "unit"]),
        ({"speed_m_s": 3}, ["speed_m_s"]),
        ("missing.toml", ["missing.toml", "no such channel map"]),
        (7, ["channel map"]),
    ],
)
def test_bad_channel_maps(channels: object, words: list[str]) -> None:
    message = error_of(small_log(4), channels=channels)
    assert all(word in message for word in words), message


def test_channel_map_that_is_not_toml(tmp_path: Path) -> None:
    path = write(tmp_path / "map.toml", "[channels\n")
    assert "not valid TOML" in error_of(small_log(4), channels=path)
    path = write(tmp_path / "map.toml", 'speed_m_s = "x"\n')
    assert "[channels]" in error_of(small_log(4), channels=path)


# ---------------------------------------------------------------------------------- bad input


def csv(tmp_path: Path, log: pd.DataFrame) -> Path:
    log.to_csv(tmp_path / "drive.csv", index=False)
    return tmp_path / "drive.csv"


@pytest.mark.parametrize(
    ("column", "group"),
    [
        ("time_s", "time_ms"),
        ("speed_m_s", "speed_kmh"),
        ("fuel_rate_g_s", "engine_torque_n_m"),
        ("grade_percent", "altitude_m"),
    ],
)
def test_missing_needed_channel(tmp_path: Path, column: str, group: str) -> None:
    message = error_of(csv(tmp_path, small_log().drop(columns=column)))
    assert "drive.csv" in message and column in message and group in message
    assert "channel map" in message


def test_unknown_unit_lists_the_spellings(tmp_path: Path) -> None:
    path = csv(tmp_path, small_log().rename(columns={"speed_m_s": "speed_furlongs"}))
    message = error_of(path)
    assert "speed_furlongs" in message and "unknown unit" in message and "km/h" in message
    # Of a channel that is not needed it is a warning.
    log = small_log().rename(columns={"coolant_temp_degc": "coolant_temp_rankine"})
    warnings = read_log(log).attrs["warnings"]
    assert any("coolant_temp_rankine" in one and "degF" in one for one in warnings)


@pytest.mark.parametrize(
    ("column", "value", "word"),
    [
        ("speed_m_s", 300.0, "300 m/s"),
        ("speed_m_s", -0.6, "-0.6 m/s"),
        ("grade_percent", 90.0, "90 %"),
        ("grade_percent", -60.1, "-60.1 %"),
        ("fuel_rate_g_s", -0.1, "-0.1 g/s"),
        ("fuel_rate_g_s", 201.0, "201 g/s"),
        ("engine_speed_rpm", 10_001.0, "10001 rpm"),
        ("coolant_temp_degc", -61.0, "-61 degC"),
        ("coolant_temp_degc", 1201.0, "1201 degC"),
        ("speed_m_s", np.inf, "inf m/s"),
    ],
)
def test_impossible_values_name_file_column_line_and_mend(
    tmp_path: Path, column: str, value: float, word: str
) -> None:
    log = small_log()
    log.loc[[7, 20], column] = value
    message = error_of(csv(tmp_path, log))
    assert f"drive.csv: column '{column}', line 9 (the header is line 1)" in message
    assert word in message and "impossible" in message and "correct or empty" in message


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("speed_kmh", 360.0),
        ("speed_m_s", -0.5),
        ("grade_percent", 60.0),
        ("grade_percent", -60.0),
        ("fuel_rate_g_s", 0.0),
        ("fuel_rate_kg_h", 720.0),
        ("engine_speed_rpm", 10_000.0),
        ("coolant_temp_degc", -60.0),
        ("coolant_temp_degf", 2192.0),
    ],
)
def test_limits_are_inclusive(column: str, value: float) -> None:
    from loadlearn.log.channels import find_reading

    reading = find_reading(column)
    assert reading is not None
    log = small_log(5).drop(columns=reading.channel.name).assign(**{column: value})
    assert len(read_log(log)) == 5


def test_impossible_values_in_other_units_and_ingredients() -> None:
    log = small_log().drop(columns="speed_m_s").assign(speed_kmh=[50.0] * 39 + [1080.0])
    message = error_of(log)
    assert "speed_kmh" in message and "300 m/s (read in km/h)" in message and "row 39" in message
    log = small_log().drop(columns="fuel_rate_g_s").assign(fuel_rate_l_h=-3.0)
    assert "fuel_rate_l_h" in error_of(log, rig=small_rig())


def test_slightly_negative_speed_reads_as_zero() -> None:
    log = small_log(4).assign(speed_m_s=[-0.5, -0.01, 0.0, 1.0])
    log["engine_speed_rpm"] = [-50.0, -1.0, 0.0, 700.0]
    assert read_log(log)["speed_m_s"].tolist() == [0.0, 0.0, 0.0, 1.0]
    assert read_log(log)["engine_speed_rpm"].tolist() == [0.0, 0.0, 0.0, 700.0]


def test_time_running_backwards(tmp_path: Path) -> None:
    log = small_log()
    log.loc[10:, "time_s"] -= 5.0
    message = error_of(csv(tmp_path, log))
    assert "column 'time_s', line 12 (the header is line 1)" in message
    assert "runs backwards, from 100.9 s to 96 s" in message


def test_line_numbers_count_comments_and_blank_lines(tmp_path: Path) -> None:
    text = (
        "# a comment\ntime_s,speed_m_s,fuel_rate_g_s,grade_percent\n"
        "0,1,1,0\n\n1,1,1,0\n\n\n2,999,1,0\n"
    )
    message = error_of(write(tmp_path / "drive.csv", text))
    assert "line 8 (the header is line 2)" in message


def test_all_empty_columns(tmp_path: Path) -> None:
    for column in ("time_s", "speed_m_s", "fuel_rate_g_s", "grade_percent"):
        message = error_of(csv(tmp_path, small_log().assign(**{column: np.nan})))
        assert "drive.csv" in message and f"'{column}'" in message
    log = small_log().assign(coolant_temp_degc=np.nan, altitude_m=np.nan)
    trace = read_log(csv(tmp_path, log))
    assert "coolant_temp_degc" not in trace and "altitude_m" not in trace
    assert sum("holds no number" in one for one in trace.attrs["warnings"]) == 2


@pytest.mark.parametrize("cell", ["12:30", "fast", "1_000", "12,5"])
def test_cells_that_are_no_numbers(tmp_path: Path, cell: str) -> None:
    text = f'time_s,speed_m_s,fuel_rate_g_s,grade_percent\n0,1,1,0\n1,"{cell}",1,0\n2,1,1,0\n'
    message = error_of(write(tmp_path / "drive.csv", text))
    assert f"column 'speed_m_s', line 3 (the header is line 1): '{cell}' is not a number" in message


@pytest.mark.parametrize("cell", ["", "NaN", "nan", "N/A", "null", "-", "--", "None"])
def test_cells_that_mean_nothing(tmp_path: Path, cell: str) -> None:
    text = f"time_s,speed_m_s,fuel_rate_g_s,grade_percent\n0,1,1,0\n1,{cell},1,0\n2,1,1,0\n"
    trace = read_log(write(tmp_path / "drive.csv", text))
    np.testing.assert_array_equal(trace["speed_m_s"], [1.0, np.nan, 1.0])


@pytest.mark.parametrize("name", ["drive.csv", "drive.parquet", "drive.mf4", "drive.csv.gz"])
def test_empty_and_missing_files(tmp_path: Path, name: str) -> None:
    assert "no such log" in error_of(tmp_path / name)
    assert "empty" in error_of(write(tmp_path / name, b""))
    (tmp_path / "folder").mkdir()
    assert "folder" in error_of(tmp_path / "folder")


@pytest.mark.parametrize("text", ["\n\n", "# only a comment\n", " "])
def test_files_of_nothing_but_blanks(tmp_path: Path, text: str) -> None:
    assert "empty" in error_of(write(tmp_path / "drive.csv", text))


def test_header_only(tmp_path: Path) -> None:
    header = ",".join(small_log())
    for text in (header, header + "\n", header + "\r\n\r\n"):
        assert "no row below it" in error_of(write(tmp_path / "drive.csv", text))
    small_log().iloc[:0].to_parquet(tmp_path / "drive.parquet")
    assert "no row" in error_of(tmp_path / "drive.parquet")
    assert "at least two samples" in error_of(csv(tmp_path, small_log(1)))


def test_truncated_files(tmp_path: Path) -> None:
    text = small_log().to_csv(None, index=False)
    assert text is not None
    cut = text[: text.rindex("\n", 0, -1) + 12]
    message = error_of(write(tmp_path / "drive.csv", cut))
    assert "line 41 (the header is line 1)" in message and "middle of a row" in message
    whole = gzip.compress(text.encode())
    assert "truncated" in error_of(write(tmp_path / "drive.csv.gz", whole[:-20]))
    damaged = bytearray(whole)
    damaged[len(whole) // 2] ^= 0xFF
    assert "again" in error_of(write(tmp_path / "drive.csv.gz", bytes(damaged)))
    small_log().to_parquet(tmp_path / "whole.parquet")
    data = (tmp_path / "whole.parquet").read_bytes()
    assert "truncated" in error_of(write(tmp_path / "drive.parquet", data[:-40]))
    assert "not a Parquet file" in error_of(write(tmp_path / "drive.parquet", b"time_s\n1\n"))
    assert "not a text file" in error_of(write(tmp_path / "drive.csv", b"\x01\x00\x02\x00" * 99))


def test_damaged_row_in_the_middle(tmp_path: Path) -> None:
    text = "time_s,speed_m_s,fuel_rate_g_s,grade_percent\n0,1,1,0\n1,1,1,0,9\n2,1,1,0\n"
    message = error_of(write(tmp_path / "drive.csv", text))
    assert "line 3 (the header is line 1) has 5 field(s)" in message


def test_a_stray_carriage_return_in_the_header(tmp_path: Path) -> None:
    text = "time_s,speed_m_s,fuel\rrate_g_s,grade_percent\n0,1,1,0\n1,1,1,0\n"
    assert "header cannot be read" in error_of(write(tmp_path / "drive.csv", text))


@pytest.mark.parametrize("kind", ["csv", "csv.gz", "parquet", "mf4"])
def test_damaged_bytes_never_end_in_a_traceback(
    tmp_path: Path, kind: str, capfd: pytest.CaptureFixture[str]
) -> None:
    """Whatever bytes are damaged, a log is read or refused with one sentence, and nothing else."""
    rng = np.random.default_rng(11)
    path = tmp_path / f"drive.{kind}"
    log = small_log()
    if kind == "mf4":
        stamps = log["time_s"].to_numpy()
        write_mdf(path, [{n: (stamps, log[n].to_numpy(), "") for n in log.columns[1:]}])
    elif kind == "parquet":
        log.to_parquet(path)
    else:
        log.to_csv(path, index=False)
    whole = path.read_bytes()
    refused = 0
    for _ in range(15 if kind == "mf4" else 60):
        data = bytearray(whole)
        at = int(rng.integers(1, len(data)))
        if kind == "mf4":
            # Only cut: the package's compiled code may crash on block addresses that are wrong.
            del data[at:]
        elif rng.random() < 0.5:
            data[at] = int(rng.choice(list(b",;\n\r\"'-.e09 \x00\xff#N")))
        else:
            del data[at : at + int(rng.integers(1, 40))]
        path.write_bytes(data)
        try:
            read_log(path)
        except InputError as error:
            refused += 1
            assert "\n" not in str(error) and path.name in str(error)
    assert refused > 5
    assert capfd.readouterr().err == ""


def test_two_columns_of_one_name(tmp_path: Path) -> None:
    text = "time_s,speed_m_s,speed_m_s,fuel_rate_g_s,grade_percent\n0,1,1,1,0\n1,1,1,1,0\n"
    message = error_of(write(tmp_path / "drive.csv", text))
    assert "speed_m_s" in message and "two columns" in message


# ----------------------------------------------------------------------------------- tolerated


def test_repeated_stamps_gaps_and_drop_outs_are_counted(tmp_path: Path) -> None:
    log = small_log(200)
    log.loc[100:, "time_s"] += 7.0
    log.loc[50:59, "speed_m_s"] = np.nan
    log = pd.concat([log.iloc[:20], log.iloc[19:20].assign(speed_m_s=3.25), log.iloc[20:]])
    log.loc[150, "time_s"] = np.nan
    trace = read_log(csv(tmp_path, log))
    counts = trace.attrs["counts"]
    assert trace["speed_m_s"].iloc[19] == 3.25
    assert counts["repeated_stamps"] == 1
    assert counts["rows_without_time"] == 1
    assert counts["gaps"] == 1
    assert counts["longest_gap_s"] == pytest.approx(7.1)
    assert counts["dropout_rows"] == {"speed_m_s": 10}
    assert len(trace) == counts["rows"] == 199
    text = " ".join(trace.attrs["warnings"])
    assert "1 gap(s)" in text and "repeated a time stamp" in text and "speed_m_s" in text


def test_rows_of_one_answer_each_are_held(tmp_path: Path) -> None:
    """A logger that polls in turn writes one cell per row, several rows at one stamp."""
    rows = []
    for i in range(60):
        rows += [f"{i},{10 + i},,", f"{i},,2.5,", f"{i}.5,,,{0.1 * i:.2f}"]
    text = "time_s,speed_m_s,fuel_rate_g_s,grade_percent\n" + "\n".join(rows) + "\n"
    trace = read_log(write(tmp_path / "drive.csv", text))
    assert trace["time_s"].tolist() == [0.5 * i for i in range(120)]
    np.testing.assert_allclose(trace["speed_m_s"][::2], 10.0 + np.arange(60))
    np.testing.assert_allclose(trace["fuel_rate_g_s"], 2.5)
    np.testing.assert_allclose(trace["grade_percent"][1::2], 0.1 * np.arange(60))
    assert any("mixed rates" in one for one in trace.attrs["warnings"])
