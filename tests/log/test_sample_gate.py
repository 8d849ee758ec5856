"""The gate: what comes through, what is refused and counted, and that nothing latches."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from drive_bench import bench_drive, small_rig

from loadlearn import InputError, LoadEstimator
from loadlearn.log.sample_gate import SampleGate, checked_trace
from loadlearn.vehicle.gating import beyond_tyres, impossible_speeds

GOOD = {"time_s": 0.0, "speed_m_s": 10.0, "fuel_rate_g_s": 2.0, "grade_percent": 1.0}


def at(time_s: Any, **more: Any) -> dict[str, Any]:
    return {**GOOD, "time_s": time_s, **more}


def gate(*, refuse: str = "raise") -> SampleGate:
    made = SampleGate(small_rig(), refuse)  # type: ignore[arg-type]
    made.take(at(0.0))
    return made


def times(passed: Any) -> list[float]:
    return [one["time_s"] for one in passed.samples]


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (at(math.nan), "time_s is missing"),
        (at(None), "time_s is missing"),
        (at(math.inf), "impossible for time"),
        (at("noon"), "'noon'"),
        (at(0.1, speed_m_s="fast"), "'fast'"),
        (at(0.1, speed_m_s=300.0), "impossible for road speed"),
        (at(0.1, boost_kpa=-1e6), "boost"),
        (at(0.1, ambient_temp_degc=-273.15), "ambient"),
        (at(0.1, gear=[1]), "no number"),
        (at(0.1, gear=10**400), "digits"),
        (at(0.1, transfer_range="sideways"), "sideways"),
        (at(0.1, fuel_rate_g_s=1j), "no number"),
        (["time_s"], "list"),
        (None, "NoneType"),
        (3.0, "float"),
    ],
)
def test_a_wrong_sample_is_an_error_or_a_count(wrong: Any, words: str) -> None:
    strict = gate()
    with pytest.raises(InputError, match=words):
        strict.take(wrong)
    assert times(strict.take(at(0.1))) == [0.1]
    lenient = gate(refuse="count")
    passed = lenient.take(wrong)
    assert sum(lenient.refused.values()) == 1
    # Only what is wrong is taken for absent; without a stamp there is no sample.
    for one in passed.samples:
        assert one["time_s"] == 0.1 and any(math.isnan(value) for value in one.values())
    assert times(lenient.take(at(0.2))) == [0.2]


def test_names_and_units_of_a_log_are_read() -> None:
    made = SampleGate(small_rig())
    sample = {
        "time_ms": 500.0,
        "speed_kmh": np.float32(36.0),
        "fuel_rate_l_h": 3.6,
        "altitude_ft": 100.0,
        "brake_active": "on",
        "transfer_range": " Low ",
    }
    read = made.take(sample).samples[0]
    assert read["time_s"] == 0.5
    assert read["speed_m_s"] == pytest.approx(10.0)
    assert read["fuel_rate_g_s"] == pytest.approx(0.835)  # EN 590, the rig's default density
    assert read["altitude_m"] == pytest.approx(30.48)  # the international foot
    assert read["brake_active"] == 1.0 and read["transfer_range"] == 1.0


def test_a_date_is_seconds_from_the_first() -> None:
    made = SampleGate(small_rig())
    rest = {name: value for name, value in GOOD.items() if name != "time_s"}
    made.take({"timestamp": "2030-01-31T08:30:00Z", **rest})
    passed = made.take({"timestamp": "2030-01-31T08:30:01.5Z", **rest})
    assert times(passed) == [1.5]


@pytest.mark.parametrize("group", ["time_s", "speed_m_s", "fuel_rate_g_s", "grade_percent"])
def test_the_first_sample_names_what_is_needed(group: str) -> None:
    partial = {name: value for name, value in GOOD.items() if name != group}
    with pytest.raises(InputError, match="no .* channel"):
        SampleGate(small_rig(), "count").take(partial)


def test_a_repeated_stamp_is_set_aside_and_counted() -> None:
    made = gate()
    assert made.take(at(0.0)).samples == []
    assert made.refused == {"time_s repeated": 1}
    assert times(made.take(at(0.1))) == [0.1]


@pytest.mark.parametrize("wrong_s", [3600.0, -3600.0, 1e9])
def test_one_wrong_stamp_costs_one_sample(wrong_s: float) -> None:
    made = gate()
    made.take(at(0.1))
    waiting = made.take(at(0.2 + wrong_s))
    assert waiting.samples == [] and waiting.why
    assert times(made.take(at(0.3))) == [0.3]
    assert made.refused == {"time_s out of line": 1}


def test_a_clock_that_leaps_ahead_is_a_gap() -> None:
    made = gate()
    made.take(at(3600.0))
    passed = made.take(at(3600.1))
    assert times(passed) == [3600.0, 3600.1] and not passed.restarted
    assert not made.refused


def test_a_clock_that_goes_back_begins_the_interval_anew() -> None:
    made = gate()
    made.take(at(1000.0))
    made.take(at(1000.1))
    made.take(at(5.0))
    passed = made.take(at(5.1))
    assert passed.restarted and made.refused == {"time_s went back": 1}
    first, second = times(passed)
    assert first > 1000.1 and second - first == pytest.approx(0.1)
    assert made.stamp(second) == pytest.approx(5.1)


def test_the_gate_is_kept_and_restored() -> None:
    one, other = gate(), SampleGate(small_rig())
    one.take(at(0.5))
    one.take(at(7200.0))
    other.restore(one.kept())
    for sample in (at(7200.1), at(3.0), at(3.1)):
        assert one.take(dict(sample)) == other.take(dict(sample))
    assert one.refused == other.refused


# ------------------------------------------------------------------- the estimator behind it


WRONG = (
    at(math.nan),
    at(None),
    at(None, speed_m_s=None),
    at(1e9),
    at(-3600.0),
    at(20.05, ambient_temp_degc=-273.15),
    at(20.05, altitude_m=math.inf),
    at(20.05, speed_m_s="x"),
    {"x": 1},
)


@pytest.mark.parametrize("wrong", WRONG, ids=[str(one)[:40] for one in WRONG])
def test_nothing_latches(wrong: dict[str, Any]) -> None:
    """After one wrong sample the estimator goes on as one that never saw it, but for a gap."""
    log = bench_drive(60.0).drop(columns=["tractive_force_n", "accel_long_m_s2"])
    log["brake_active"] = 0.0
    samples = log.to_dict("records")
    clean, marred = LoadEstimator(small_rig()), LoadEstimator(small_rig(), refuse="count")
    learning = 0
    for index, sample in enumerate(samples):
        whole = clean.step(sample)
        if index == 200:
            marred.step({**sample, **wrong} if "x" not in wrong else wrong)
            continue
        told = marred.step(sample)
        learning += told.learning if index > 300 else 0
    assert learning > 100
    assert told.time_s == whole.time_s
    assert told.mass_kg == pytest.approx(whole.mass_kg, rel=0.05)
    assert told.mass_sd_kg == pytest.approx(whole.mass_sd_kg, rel=0.1)


def test_a_change_of_speed_beyond_tyres_is_set_aside_online_and_in_logs() -> None:
    """One sample of 99 m/s moved a mass from five to eleven tonnes."""
    log = bench_drive(120.0).drop(columns=["tractive_force_n", "accel_long_m_s2"])
    spoilt = log.copy()
    spoilt.loc[600, "speed_m_s"] = 99.0
    spoilt.loc[900, "speed_m_s"] *= 1.25
    rig = small_rig()
    online = LoadEstimator(rig)
    loads = [online.step(sample) for sample in spoilt.to_dict("records")]
    whole = LoadEstimator(rig).run(spoilt, prepare=False)
    assert {one.set_aside_because for one in (loads[600], loads[900])} == {
        "change of speed beyond what tyres can do"
    }
    assert loads[-1].mass_kg == pytest.approx(whole["mass_kg"].iloc[-1], rel=1e-9)
    clean = LoadEstimator(rig).run(log, prepare=False).iloc[-1]
    assert whole["mass_kg"].iloc[-1] == pytest.approx(clean["mass_kg"], rel=0.01)


def test_tyres() -> None:
    assert not beyond_tyres(1.17, 0.1)  # 1.2 g, and the step of a whole unit
    assert beyond_tyres(3.0, 0.1) and beyond_tyres(-3.0, 0.1)
    time_s = np.arange(6.0)
    speed = np.array([10.0, 90.0, 91.0, np.nan, 12.0, 11.0])
    mask = np.empty(6, dtype=np.bool_)
    assert impossible_speeds(time_s, speed, mask) == 2
    assert mask.tolist() == [False, True, True, False, False, False]


def test_a_whole_trace_is_checked_and_left_as_it_is() -> None:
    log = bench_drive(30.0)
    assert checked_trace(log) is log
    for name, value in (("speed_m_s", np.inf), ("grade_percent", 99.0), ("fuel_rate_g_s", -1.0)):
        wrong = log.copy()
        wrong.loc[7, name] = value
        with pytest.raises(InputError, match=name):
            checked_trace(wrong)
    wrong = log.assign(tractive_force_sd_n=np.inf)
    with pytest.raises(InputError, match="tractive_force_sd_n"):
        checked_trace(wrong)
    with pytest.raises(InputError, match="backwards"):
        checked_trace(pd.concat([log, log.head(3)], ignore_index=True))
