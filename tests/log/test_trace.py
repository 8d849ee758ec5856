"""What a valid trace is, and the faults that are counted."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from drive_bench import bench_drive
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from loadlearn.errors import InputError
from loadlearn.log.channel_faults import count_faults, distance_m, frozen_stretches, gaps, runs
from loadlearn.log.channels import CANONICAL
from loadlearn.log.conversions import hold, noise_sd
from loadlearn.log.readers import read_log
from loadlearn.log.trace import validate_trace


def trace_of(**changes: object) -> pd.DataFrame:
    return bench_drive(60.0).assign(**changes)


def error_of(frame: object) -> str:
    with pytest.raises(InputError) as caught:
        validate_trace(frame, source="my trace")  # type: ignore[arg-type]
    message = str(caught.value)
    assert message.startswith("my trace: ") and "\n" not in message
    return message


def test_a_valid_frame_passes_unchanged_and_is_not_touched() -> None:
    drive = bench_drive(60.0)
    before = drive.copy()
    trace = validate_trace(drive)
    pd.testing.assert_frame_equal(drive, before)
    for name in drive:
        np.testing.assert_array_equal(trace[name], drive[name])
    assert trace.attrs["counts"]["rows"] == len(drive)
    assert trace.attrs["warnings"] == []


def test_whole_numbers_words_and_any_index_become_a_trace() -> None:
    drive = bench_drive(60.0)
    drive.index = pd.Index(np.arange(len(drive))[::-1])
    drive["gear"] = drive["gear"].astype("Int64")
    drive.loc[drive.index[0], "gear"] = pd.NA
    drive["transfer_range"] = "high"
    drive["brake_active"] = False
    drive["driver"] = "crew"
    trace = validate_trace(drive)
    assert trace.index.equals(pd.RangeIndex(len(drive)))
    assert all(trace[name].dtype == np.float64 for name in trace if name in CANONICAL)
    assert np.isnan(trace["gear"].iloc[0])
    assert (trace["transfer_range"] == 0.0).all() and (trace["brake_active"] == 0.0).all()
    assert (trace["driver"] == "crew").all()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"speed_m_s": 300.0}, ["speed_m_s", "row 0 (the first row is 0)", "300 m/s"]),
        ({"grade_percent": -90.0}, ["grade_percent", "-90 %"]),
        ({"fuel_rate_g_s": -1.0}, ["fuel_rate_g_s", "-1 g/s"]),
        ({"speed_m_s": np.nan}, ["speed_m_s", "no number"]),
        ({"time_s": np.nan}, ["time_s", "no number"]),
        ({"time_s": 5.0}, ["time_s", "same time stamp"]),
        ({"speed_m_s": "fast"}, ["speed_m_s", "'fast'", "not a number"]),
    ],
)
def test_rules_on_values(change: dict[str, object], words: list[str]) -> None:
    message = error_of(trace_of(**change))
    assert all(word in message for word in words), message


def test_rules_on_columns_and_rows() -> None:
    drive = bench_drive(60.0)
    assert "speed_m_s" in error_of(drive.drop(columns="speed_m_s"))
    force = ["fuel_rate_g_s", "tractive_force_n"]
    assert "fuel_rate_g_s" in error_of(drive.drop(columns=force))
    grade = ["grade_percent", "altitude_m", "accel_long_m_s2"]
    assert "grade_percent" in error_of(drive.drop(columns=grade))
    assert "two samples" in error_of(drive.iloc[:1])
    assert "row 1" in error_of(drive.iloc[::-1])
    assert "DataFrame" in error_of({"time_s": [0.0]})
    twice = pd.concat([drive, drive[["gear"]]], axis=1)
    assert "two columns are named 'gear'" in error_of(twice)
    with pytest.raises(InputError, match="its own name"):
        read_log(twice)


def test_validating_again_changes_nothing_and_keeps_what_was_counted() -> None:
    log = bench_drive(60.0).rename(columns={"speed_m_s": "speed_kmh"})
    log["speed_kmh"] *= 3.6
    log = pd.concat([log.iloc[:30], log.iloc[29:]])
    once = read_log(log)
    twice = validate_trace(once)
    pd.testing.assert_frame_equal(once, twice)
    assert twice.attrs == once.attrs
    assert twice.attrs["counts"]["repeated_stamps"] == 1
    assert twice.attrs["columns"]["speed_m_s"]["column"] == "speed_kmh"


@given(
    rows=st.integers(2, 60),
    repeats=st.lists(st.integers(0, 59), max_size=20),
    seed=st.integers(0, 2**32 - 1),
)
def test_of_repeated_stamps_the_last_row_wins(rows: int, repeats: list[int], seed: int) -> None:
    index = np.sort(np.concatenate((np.arange(rows), [r for r in repeats if r < rows]))).astype(int)
    values = np.random.default_rng(seed).uniform(0.0, 30.0, index.size)
    frame = pd.DataFrame(
        {"time_s": index * 0.5, "speed_m_s": values, "fuel_rate_g_s": 1.0, "grade_percent": 0.0}
    )
    trace = validate_trace(frame)
    last = dict(zip(index * 0.5, values, strict=True))
    assert dict(zip(trace["time_s"], trace["speed_m_s"], strict=True)) == last
    assert trace.attrs["counts"]["repeated_stamps"] == index.size - rows


def test_rounding_of_a_converted_limit_is_no_fault() -> None:
    just_over = float(np.nextafter(100.0, 101.0))
    assert validate_trace(trace_of(speed_m_s=just_over))["speed_m_s"].iloc[0] == just_over
    assert "100.001 m/s" in error_of(trace_of(speed_m_s=100.001))


# -------------------------------------------------------------------------------------- faults


def test_gaps() -> None:
    time_s = np.concatenate((np.arange(100) * 0.1, 25.0 + np.arange(100) * 0.1))
    assert gaps(time_s) == [(pytest.approx(9.9), pytest.approx(25.0))]
    assert gaps(np.arange(50.0)) == []


def test_jitter_and_bursts_of_polled_channels_are_no_gaps() -> None:
    rng = np.random.default_rng(4)
    jitter = np.cumsum(rng.uniform(0.05, 0.15, 2000))
    assert gaps(jitter) == []
    bursts = (np.arange(300)[:, None] + np.array([0.0, 0.02, 0.04, 0.06])).ravel()
    assert gaps(bursts) == []


@given(hnp.arrays(np.float64, st.integers(1, 60), elements=st.sampled_from([0.0, 1.0, np.nan])))
def test_runs_cover_everything_once(values: np.ndarray) -> None:
    first, last = runs(values)
    covered = np.concatenate([np.arange(i, k + 1) for i, k in zip(first, last, strict=True)])
    np.testing.assert_array_equal(covered, np.arange(values.size))
    for i, k in zip(first, last, strict=True):
        assert np.unique(values[i : k + 1]).size == 1  # NaN counts as one value
        if k + 1 < values.size:
            here, there = values[k], values[k + 1]
            assert here != there and not (np.isnan(here) and np.isnan(there))


@pytest.mark.parametrize(
    "name",
    [
        "fuel_rate_g_s",
        "tractive_force_n",
        "engine_speed_rpm",
        "accel_long_m_s2",
        "grade_percent",
        "altitude_m",
    ],
)
def test_a_frozen_channel_is_found_where_it_froze(name: str) -> None:
    drive = bench_drive(600.0)
    assert frozen_stretches(drive, name) == []
    at = drive["time_s"].between(300.0, 420.0)
    drive.loc[at, name] = drive.loc[at, name].iloc[0]
    (found,) = frozen_stretches(drive, name)
    assert found == (pytest.approx(300.0, abs=0.2), pytest.approx(420.0, abs=0.2))
    assert count_faults(drive)["frozen_stretches"] == {name: 1}


def test_a_frozen_speed_shows_against_engine_speed() -> None:
    drive = bench_drive(600.0)
    assert frozen_stretches(drive, "speed_m_s") == []
    at = drive["time_s"].between(300.0, 380.0)
    drive.loc[at, "speed_m_s"] = drive.loc[at, "speed_m_s"].iloc[0]
    (found,) = frozen_stretches(drive, "speed_m_s")
    assert found == (pytest.approx(300.0, abs=0.2), pytest.approx(380.0, abs=0.2))


def test_what_may_rightly_stand_still() -> None:
    drive = bench_drive(600.0)
    # A fuel cut, full load, a flat road, a coolant thermostat, cruise control at whole km/h.
    drive.loc[drive["time_s"].between(100.0, 160.0), "fuel_rate_g_s"] = 0.0
    drive["engine_torque_n_m"] = np.where(drive["time_s"].between(200.0, 300.0), 450.0, 200.0)
    drive["engine_torque_n_m"] += np.where(drive["engine_torque_n_m"] < 400.0, drive["gear"], 0.0)
    drive["engine_torque_n_m"] -= (drive["engine_torque_n_m"] < 400.0) * (drive["time_s"] % 1.7)
    drive["grade_percent"] = 0.0
    drive["coolant_temp_degc"] = 88.0
    at = drive["time_s"].between(400.0, 490.0)
    drive.loc[at, "speed_m_s"] = 20.0
    drive.loc[at, "engine_speed_rpm"] = 2000.0 + drive.loc[at, "time_s"] % 3.0
    assert count_faults(drive)["frozen_stretches"] == {}


def test_distance_bridges_unknown_speed() -> None:
    time_s = np.arange(11.0)
    speed = np.full(11, 10.0)
    speed[4:7] = np.nan
    np.testing.assert_allclose(distance_m(time_s, speed), 10.0 * time_s)


@given(
    stamps=st.lists(st.floats(0.0, 100.0), min_size=1, max_size=30, unique=True),
    seed=st.integers(0, 1000),
)
def test_hold_never_looks_ahead(stamps: list[float], seed: int) -> None:
    own = np.sort(np.array(stamps))
    values = np.random.default_rng(seed).normal(size=own.size)
    grid = np.linspace(0.0, 110.0, 57)
    held = hold(grid, own, values)
    for at, value in zip(grid, held, strict=True):
        before = own[own <= at]
        if np.isnan(value):
            assert before.size == 0 or at - before[-1] > 1.0
        else:
            assert value == values[before.size - 1]


def test_noise_of_a_smooth_channel() -> None:
    rng = np.random.default_rng(5)
    smooth = 10.0 * np.sin(np.arange(20_000) / 300.0)
    assert noise_sd(smooth + rng.normal(0.0, 0.3, smooth.size)) == pytest.approx(0.3, rel=0.05)
    # Rounding to a step q is noise of q / sqrt(12).
    assert noise_sd(np.round(smooth)) == pytest.approx(1.0 / np.sqrt(12.0), rel=0.01)
