"""A grade channel's gain, put into simulated logs and found again."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from loadlearn import prepare
from loadlearn.simulation.scenarios import Scenario, scenario


@pytest.fixture(scope="module")
def drive() -> Scenario:
    """Hills at 10 Hz, grade and tread force measured."""
    return scenario("utility_10hz", 515, duration_s=1200.0)


def without_altitude(made: Scenario, grade_gain: float = 1.0) -> pd.DataFrame:
    """The log with its grade channel off by a factor, and nothing to check it by."""
    log = made.drive.log.drop(columns="altitude_m")
    return log.assign(grade_percent=log["grade_percent"] * grade_gain)


def test_a_grade_as_it_is_stays_as_it_is(drive: Scenario) -> None:
    assert prepare(without_altitude(drive), drive.rig).attrs["grade_gain"] == 1.0


def test_hills_told_too_low_are_put_right(drive: Scenario) -> None:
    prepared = prepare(without_altitude(drive, 0.88), drive.rig)
    assert prepared.attrs["grade_gain"] == pytest.approx(1.0 / 0.88, abs=0.04)
    assert prepared.attrs["delay_spread"] > 0.0


def test_hills_told_too_high_are_not_put_right_but_considered(drive: Scenario) -> None:
    prepared = prepare(without_altitude(drive, 1.15), drive.rig)
    assert prepared.attrs["grade_gain"] == 1.0
    assert prepared.attrs["delay_spread"] > 0.02


def test_a_log_of_one_sample_a_second_tells_no_gain(drive: Scenario) -> None:
    log = without_altitude(drive, 0.88).iloc[::10].reset_index(drop=True)
    assert prepare(log, drive.rig).attrs["grade_gain"] == 1.0
    assert np.isfinite(prepare(log, drive.rig).attrs["delay_spread"])
