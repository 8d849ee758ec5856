"""Samples → rows: what each interval did, by hand; one by one as all at once."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from drive_bench import bench_drive, small_rig
from numpy.testing import assert_array_equal

from loadlearn.estimation.intervals import (
    HOLD_S,
    SHORTEST_ROW_S,
    USUAL_DENSITY_KG_M3,
    Intervals,
    IntervalState,
    interval_state,
    rows_of,
)
from loadlearn.vehicle.engine_force import rig_arrays
from loadlearn.vehicle.gating import REASON
from loadlearn.vehicle.roadload import GRAVITY_M_S2
from loadlearn.vehicle.samples import force_source, height_source, samples_of

FORCE_N, SPEED_M_S, GRADE_PERCENT = 900.0, 20.0, 3.0


def integrated(
    trace: pd.DataFrame, state: IntervalState | None = None, shortest_row_s: float = SHORTEST_ROW_S
) -> Intervals:
    sources = force_source(trace), height_source(trace)
    state = state or interval_state()
    return rows_of(rig_arrays(small_rig()), *sources, shortest_row_s, state, samples_of(trace))


def steady(seconds: float = 5.0, rate_hz: float = 10.0, **channels: Any) -> pd.DataFrame:
    """A measured tread force on a steady slope; channels replace or add columns."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    values = {
        "time_s": time_s,
        "speed_m_s": SPEED_M_S,
        "tractive_force_n": FORCE_N,
        "grade_percent": GRADE_PERCENT,
        **channels,
    }
    return pd.DataFrame(values)


def test_a_steady_interval_by_hand() -> None:
    rows = integrated(steady(air_density_kg_m3=1.1)).rows
    sine = math.sin(math.atan(GRADE_PERCENT / 100.0))
    row, way_m = rows[-1], SPEED_M_S * 0.1
    assert row["dt_s"] == pytest.approx(0.1)
    assert row["distance_m"] == pytest.approx(way_m)
    assert row["distance_cos_m"] == pytest.approx(way_m * math.sqrt(1.0 - sine**2))
    assert row["work_kg_m"] == pytest.approx(FORCE_N * way_m / GRAVITY_M_S2)
    assert row["grade_height_m"] == pytest.approx(sine * way_m)
    kinetic_m = SPEED_M_S**2 / (2.0 * GRAVITY_M_S2)
    height_m = sine * SPEED_M_S * row["time_s"]
    assert row["measured_m"] == pytest.approx(kinetic_m + height_m)


def test_drag_of_a_unit_area_by_hand() -> None:
    """Without ambient channels the density is the standard atmosphere's; absent, a usual one."""
    trace = steady()
    samples = samples_of(trace)
    samples["air_density_kg_m3"] = np.nan
    sources = force_source(trace), height_source(trace)
    made = rows_of(
        rig_arrays(small_rig()), *sources, SHORTEST_ROW_S, interval_state(), samples
    ).rows[-1]
    drag_n = 0.5 * USUAL_DENSITY_KG_M3 * SPEED_M_S**2
    assert made["drag2"] == pytest.approx(drag_n * SPEED_M_S * 0.1 / GRAVITY_M_S2)


def test_samples_closer_than_a_row_are_integrated_into_one() -> None:
    whole = integrated(steady(10.0), shortest_row_s=0.45).rows
    assert np.diff(whole["time_s"]) == pytest.approx(0.5)
    assert whole["work_kg_m"][1:] == pytest.approx(FORCE_N * SPEED_M_S * 0.5 / GRAVITY_M_S2)


def _with_faults(trace: pd.DataFrame) -> pd.DataFrame:
    """Holes in every channel, a gap, reversing and a standstill."""
    rng = np.random.default_rng(5)
    faulty = trace.astype(float)
    for name in faulty.columns.drop("time_s"):
        faulty.loc[rng.random(len(faulty)) < 0.1, name] = np.nan
    faulty.loc[1000:1100, "gear"] = -1.0
    faulty.loc[1000:1150, "speed_m_s"] = 0.0
    faulty.loc[2000:, "time_s"] += 75.0
    return faulty


@pytest.mark.parametrize("faulty", [False, True])
@pytest.mark.parametrize("height", ["grade_percent", "altitude_m", "accel_long_m_s2"])
def test_one_by_one_is_as_all_at_once(height: str, faulty: bool) -> None:
    drive = bench_drive(duration_s=300.0)
    columns = ["time_s", "speed_m_s", "tractive_force_n", "engine_speed_rpm", "gear"]
    trace = drive[[name for name in columns if name in drive]].assign(brake_active=0.0)
    trace["tractive_force_n"] = 800.0 + 300.0 * np.sin(trace["time_s"] / 9.0)
    trace[height] = np.round(np.sin(trace["time_s"] / 20.0), 2)
    trace = _with_faults(trace) if faulty else trace
    together = integrated(trace)
    state, samples = interval_state(), samples_of(trace)
    sources = force_source(trace), height_source(trace)
    rig = rig_arrays(small_rig())
    cuts = [0, *range(1, 40), 500, 1003, 2000, len(samples)]
    pieces = [
        rows_of(rig, *sources, SHORTEST_ROW_S, state, samples[begin:end])
        for begin, end in zip(cuts[:-1], cuts[1:], strict=True)
    ]
    for name in together.rows.dtype.names:
        found = np.concatenate([piece.rows[name] for piece in pieces])
        assert_array_equal(found, together.rows[name], err_msg=name)
    assert_array_equal(np.concatenate([piece.reason for piece in pieces]), together.reason)
    assert_array_equal(np.concatenate([piece.force_n for piece in pieces]), together.force_n)


def test_an_absent_channel_is_held_for_a_short_while() -> None:
    trace = steady(6.0)
    trace.loc[trace["time_s"] > 2.01, "tractive_force_n"] = np.nan
    made = integrated(trace)
    late_s = trace["time_s"].to_numpy() - 2.0
    assert set(made.reason[(late_s > -0.5) & (late_s < HOLD_S - 0.05)]) == {REASON.known}
    assert set(made.reason[late_s > HOLD_S + 0.05]) == {REASON.low_power}


def test_a_gap_is_no_interval_of_known_force() -> None:
    trace = steady(6.0)
    trace.loc[30:, "time_s"] += 10.0
    made = integrated(trace)
    after = int(np.flatnonzero(made.rows["dt_s"] > 5.0)[0])
    assert made.reason[30] == REASON.gap
    assert made.rows["known"][after] == 0.0 and made.rows["distance_m"][after] == 0.0
    assert made.rows["known"][after + 1] == 1.0


@pytest.mark.parametrize("reversing", [False, True])
def test_a_standstill_is_told_when_it_ends(reversing: bool) -> None:
    trace = steady(60.0, gear=4.0)
    # At 5 m/s^2 to rest and off again: what tyres can do.
    away = (np.abs(trace["time_s"] - 34.95) - 14.95).clip(lower=0.0)
    trace["speed_m_s"] = np.minimum(5.0 * away, trace["speed_m_s"])
    standing = trace["speed_m_s"] == 0.0
    if reversing:
        trace.loc[standing & (trace["time_s"] < 25.0), "gear"] = -1.0
    rows = integrated(trace).rows
    told = rows[rows["still_s"] > 0.0]
    assert len(told) == 1
    assert told["still_s"][0] == pytest.approx(30.0, abs=0.25)
    assert told["time_s"][0] == pytest.approx(50.0, abs=0.25)
    assert told["reversed"][0] == float(reversing)


@pytest.mark.parametrize(("step_m_s", "half_m_s"), [(1.0 / 3.6, 0.5 / 3.6), (0.44704, 0.22352)])
def test_whole_units_of_speed_are_noticed(step_m_s: float, half_m_s: float) -> None:
    # Kilometres and miles (1609.344 m) an hour, by their definitions.
    wave = 18.0 + 4.0 * np.sin(np.arange(300) / 25.0)
    rounded = np.round(wave / step_m_s) * step_m_s
    assert integrated(steady(30.0, speed_m_s=rounded)).rows["half_width_m_s"][-1] == pytest.approx(
        half_m_s
    )
    assert integrated(steady(30.0, speed_m_s=wave)).rows["half_width_m_s"][-1] == 0.0


def test_a_held_altitude_is_no_new_height() -> None:
    trace = steady(3.0).drop(columns="grade_percent")
    trace["altitude_m"] = np.repeat([10.0, 11.0, 12.0, 13.0, 14.0, 15.0], 5)
    measured = integrated(trace).rows["measured_m"]
    assert_array_equal(np.isfinite(measured), np.arange(30) % 5 == 0)
