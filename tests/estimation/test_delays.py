"""Late channels: moved by their delay; a stream says, a little later, what the whole log says."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from loadlearn import InputError, LoadEstimator
from loadlearn.estimation.delays import Delays, Waiting, align, interval_means, shifted
from loadlearn.simulation.scenarios import Scenario, scenario
from loadlearn.simulation.sensors import Logger
from loadlearn.vehicle.samples import HEIGHT_FROM_ALTITUDE, SOURCE_FUEL, sample_of, samples_of


# --- a channel by itself -------------------------------------------------------------------------
@settings(max_examples=40, deadline=None)
@given(
    delay_s=st.floats(0.0, 3.0),
    seed=st.integers(0, 1000),
    jitter=st.floats(0.0, 0.3),
)
def test_means_of_a_late_channel_are_those_of_its_straight_lines(
    delay_s: float, seed: int, jitter: float
) -> None:
    rng = np.random.default_rng(seed)
    time_s = np.arange(40.0) + jitter * rng.uniform(-1.0, 1.0, 40)
    values = rng.normal(size=40).cumsum()
    means = interval_means(time_s, values, delay_s)
    # Independently: the corners and the ends of each interval, trapezoid by trapezoid.
    for k in range(1, 36):
        low, high = time_s[k - 1] + delay_s, time_s[k] + delay_s
        inner = time_s[(time_s > low) & (time_s < high)]
        corners = np.concatenate([[low], inner, [high]])
        expected = np.trapezoid(np.interp(corners, time_s, values), corners) / (high - low)
        assert means[k] == pytest.approx(expected, rel=1e-9, abs=1e-9)
    assert np.isnan(means[0])


def test_means_without_a_delay_are_those_of_the_two_ends() -> None:
    time_s, values = np.arange(9.0), np.arange(9.0) ** 2
    assert_allclose(interval_means(time_s, values, 0.0)[1:], 0.5 * (values[1:] + values[:-1]))


def test_an_absent_value_leaves_its_neighbours_means_unknown_and_no_others() -> None:
    time_s, values = np.arange(12.0), np.ones(12)
    values[6] = np.nan
    means = interval_means(time_s, values, 0.5)
    assert np.isnan(means[[5, 6, 7]]).any() and np.isfinite(means[1:5]).all()
    assert np.isfinite(means[8:11]).all()
    assert_allclose(means[np.isfinite(means)], 1.0)


def test_a_shift_moves_a_channel_by_its_delay() -> None:
    time_s = np.arange(0.0, 60.0, 0.5)
    late = np.sin(0.2 * (time_s - 0.7))
    moved = shifted(time_s, late, 0.7)
    assert_allclose(moved[:-2], np.sin(0.2 * time_s)[:-2], atol=2e-3)


# --- online --------------------------------------------------------------------------------------
def late_drive(rate_hz: float, delay_s: float) -> Scenario:
    logger = replace(Logger.good_10hz("altitude", rate_hz=rate_hz))
    fuel = replace(logger.channels["fuel_rate_g_s"], delay_s=delay_s)
    return scenario(
        "utility_10hz", 77, duration_s=420.0, logger=logger.with_channels(fuel_rate_g_s=fuel)
    )


def as_read(trace: pd.DataFrame) -> list[dict[str, Any]]:
    return [{k: v for k, v in row.items() if v == v} for row in trace.to_dict("records")]


@pytest.mark.parametrize(
    ("rate_hz", "delays"),
    [
        (1.0, {"force": 0.5, "height": 0.0}),
        (4.0, {"force": 0.6, "height": 1.3}),
        (10.0, {"force": 0.3, "height": -0.4}),
    ],
)
def test_step_equals_run_a_delay_later(rate_hz: float, delays: dict[str, float]) -> None:
    made = late_drive(rate_hz, delays["force"])
    log = made.drive.log
    history = LoadEstimator(made.rig, delays_s=delays).run(log, prepare=False)
    online = LoadEstimator(made.rig, delays_s=delays)
    loads = [online.step(sample) for sample in as_read(log)]
    reach = max(0.0, *delays.values())
    at = np.searchsorted(log["time_s"].to_numpy(), [load.time_s for load in loads[-40:]])
    assert_allclose(
        [load.mass_kg for load in loads[-40:]], history["mass_kg"].to_numpy()[at], rtol=1e-9
    )
    last_s = float(log["time_s"].iloc[-1])
    assert last_s - reach - 1.01 / rate_hz <= loads[-1].time_s <= last_s - reach + 1e-9


def test_a_known_delay_taken_into_account_brings_the_mass_nearer() -> None:
    # Half a second is worth about as much as everything else at 1 Hz: twelve drives show it.
    errors = {}
    for delays_s in ({}, {"force": 0.5}):
        missed = []
        for seed in range(81, 93):
            logger = Logger.obd_1hz("grade")
            made = scenario("obd_1hz_grade", seed, logger=logger)
            estimator = LoadEstimator(made.rig, delays_s=delays_s)
            last = estimator.run(made.drive.log, prepare=False).iloc[-1]
            truth = made.drive.truth.iloc[-1]
            implied = last["mass_given_scale_kg"] * truth["tractive_scale"]
            missed.append(100.0 * (implied / truth["mass_kg"] - 1.0))
        errors[len(delays_s)] = float(np.sqrt(np.mean(np.square(missed))))
    assert errors[1] < 0.8 * errors[0]


def test_saved_while_samples_wait(tmp_path: Path) -> None:
    made = late_drive(4.0, 0.6)
    delays = {"force": 0.6, "height": 1.3}
    samples = as_read(made.drive.log)[:1200]
    whole, parted = (LoadEstimator(made.rig, delays_s=delays) for _ in range(2))
    expected = [whole.step(sample) for sample in samples][-1]
    for sample in samples[:601]:
        parted.step(sample)
    parted.save(tmp_path / "state.json")
    carried = LoadEstimator.load(tmp_path / "state.json", made.rig)
    assert [carried.step(sample) for sample in samples[601:]][-1] == expected


def test_waiting_needs_constant_memory_and_passes_each_sample_once() -> None:
    waiting = Waiting(SOURCE_FUEL, HEIGHT_FROM_ALTITUDE, Delays(0.4, -0.3))
    passed = []
    for k in range(3000):
        sample = {"time_s": 0.1 * k, "fuel_rate_g_s": float(k), "altitude_m": 2.0 * k}
        passed.extend(waiting.push(sample_of(sample))["time_s"])
        assert len(waiting.samples) < 90
    assert_allclose(passed, 0.1 * np.arange(len(passed)))
    assert len(passed) in (2995, 2996)


def test_samples_that_waited_are_those_of_the_whole_log() -> None:
    log, delays = late_drive(4.0, 0.6).drive.log.iloc[:800], Delays(0.6, -0.4)
    sources = SOURCE_FUEL, HEIGHT_FROM_ALTITUDE
    whole = align(samples_of(log), *sources, delays)
    waiting = Waiting(*sources, delays)
    passed = np.concatenate([waiting.push(sample_of(sample)) for sample in as_read(log)])
    assert 0 < len(whole) - len(passed) < 5
    for name in whole.dtype.names or ():
        # Means of a late channel are differences of areas summed from another sample.
        assert_allclose(passed[name], whole[name][: len(passed)], rtol=1e-9, atol=1e-9)


def test_only_force_and_height_are_moved() -> None:
    log = late_drive(4.0, 0.6).drive.log.iloc[:400]
    samples, time_s = samples_of(log), log["time_s"].to_numpy()
    moved = align(samples, SOURCE_FUEL, HEIGHT_FROM_ALTITUDE, Delays(0.6, 1.3))
    fuel = log["fuel_rate_g_s"].to_numpy()
    assert_allclose(moved["fuel_rate_g_s"], shifted(time_s, fuel, 0.6))
    assert_allclose(moved["force_channel_mean"], interval_means(time_s, fuel, 0.6))
    assert_allclose(moved["altitude_m"], shifted(time_s, log["altitude_m"].to_numpy(), 1.3))
    others = {"fuel_rate_g_s", "force_channel_mean", "altitude_m"}
    for name in set(samples.dtype.names or ()) - others:
        assert np.array_equal(moved[name], samples[name], equal_nan=True), name
    assert align(samples, SOURCE_FUEL, HEIGHT_FROM_ALTITUDE, Delays()) is samples


@pytest.mark.parametrize("wrong", [{"throttle": 0.1}, {"force": float("nan")}, {"height": 99.0}])
def test_impossible_delays_are_told(wrong: dict[str, float]) -> None:
    made = late_drive(1.0, 0.0)
    with pytest.raises(InputError, match="delays_s"):
        LoadEstimator(made.rig, delays_s=wrong)
