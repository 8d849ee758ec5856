"""Late channels online: the stream says, a little later, what the whole log says."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from loadlearn import InputError, LoadEstimator
from loadlearn.estimation.delays import Delays, Waiting
from loadlearn.estimation.intervals import N_INPUT
from loadlearn.simulation.scenarios import Scenario, scenario
from loadlearn.simulation.sensors import Logger


def late_drive(rate_hz: float, delay_s: float) -> Scenario:
    logger = replace(Logger.good_10hz("altitude", rate_hz=rate_hz))
    fuel = replace(logger.channels["fuel_rate_g_s"], delay_s=delay_s)
    return scenario(
        "utility_10hz", 77, duration_s=420.0, logger=logger.with_channels(fuel_rate_g_s=fuel)
    )


def samples_of(trace: pd.DataFrame) -> list[dict[str, Any]]:
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
    history = LoadEstimator(made.rig, delays_s=delays).run(log)
    online = LoadEstimator(made.rig, delays_s=delays)
    loads = [online.step(sample) for sample in samples_of(log)]
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
    for given in ({}, {"force": 0.5}):
        missed = []
        for seed in range(81, 93):
            logger = Logger.obd_1hz("grade")
            made = scenario("obd_1hz_grade", seed, logger=logger)
            last = LoadEstimator(made.rig, delays_s=given).run(made.drive.log).iloc[-1]
            truth = made.drive.truth.iloc[-1]
            implied = last["mass_given_scale_kg"] * truth["tractive_scale"]
            missed.append(100.0 * (implied / truth["mass_kg"] - 1.0))
        errors[len(given)] = float(np.sqrt(np.mean(np.square(missed))))
    assert errors[1] < 0.8 * errors[0]


def test_saved_while_samples_wait(tmp_path: Path) -> None:
    made = late_drive(4.0, 0.6)
    delays = {"force": 0.6, "height": 1.3}
    samples = samples_of(made.drive.log)[:1200]
    whole, parted = (LoadEstimator(made.rig, delays_s=delays) for _ in range(2))
    expected = [whole.step(sample) for sample in samples][-1]
    for sample in samples[:601]:
        parted.step(sample)
    parted.save(tmp_path / "state.json")
    carried = LoadEstimator.load(tmp_path / "state.json", made.rig)
    assert [carried.step(sample) for sample in samples[601:]][-1] == expected


def test_waiting_needs_constant_memory_and_passes_each_sample_once() -> None:
    waiting = Waiting(0, 1, Delays(0.4, -0.3))
    passed = []
    for k in range(3000):
        sample = np.full(N_INPUT, np.nan)
        sample[0], sample[2], sample[12] = 0.1 * k, float(k), 2.0 * k
        passed.extend(waiting.push(sample)[:, 0])
        assert len(waiting.samples) < 90
    assert_allclose(passed, 0.1 * np.arange(len(passed)))
    assert len(passed) in (2995, 2996)


@pytest.mark.parametrize("wrong", [{"speed": 0.1}, {"force": float("nan")}, {"height": 99.0}])
def test_impossible_delays_are_told(wrong: dict[str, float]) -> None:
    made = late_drive(1.0, 0.0)
    with pytest.raises(InputError, match="delays_s"):
        LoadEstimator(made.rig, delays_s=wrong)
