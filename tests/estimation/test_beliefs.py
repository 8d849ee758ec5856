"""What a rig file believes and a drive contradicts is said, and what it cannot tell is not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd
import pytest

from loadlearn import LoadEstimator, prepare
from loadlearn.estimation.beliefs import contradicted_beliefs
from loadlearn.simulation.scenarios import Scenario, scenario
from loadlearn.simulation.sensors import Logger
from loadlearn.vehicle.rig import Rig


def altered(rig: Rig, table: str, key: str, change: Callable[[Any], Any]) -> Rig:
    """The rig with one key of its file wrong."""
    content = rig.model_dump(exclude_none=True)
    content[table][key] = change(content[table][key])
    return Rig.from_dict(content)


@pytest.fixture(scope="module")
def drive() -> Scenario:
    return scenario("utility_10hz", 5, scale_quantile=0.5, duration_s=900.0)


@pytest.fixture(scope="module")
def left() -> Scenario:
    """The trailer stays behind: from then on the mass is the rig's own."""
    return scenario("trailer_left", 4003, scale_quantile=0.5)


def reasons(made: Scenario, rig: Rig) -> list[str]:
    history = LoadEstimator(rig).run(prepare(made.drive.log, rig))
    found: list[str] = history.attrs["summary"]["trust"]["reasons"]
    return found


def test_a_right_rig_is_not_contradicted(drive: Scenario, left: Scenario) -> None:
    assert reasons(drive, drive.rig) == []
    assert reasons(left, left.rig) == []


@pytest.mark.parametrize("factor", [1.1, 1.0 / 1.1])
def test_gearing_a_tenth_off(drive: Scenario, factor: float) -> None:
    rig = altered(drive.rig, "driveline", "final_drive", lambda ratio: factor * ratio)
    found = reasons(drive, rig)
    assert len(found) == 1 and "fits none of the rig's gears" in found[0]
    # A drive of less than a minute, or without engine speed, cannot tell.
    log = drive.drive.log
    last = LoadEstimator(rig).run(prepare(log, rig)).iloc[-1]
    for part in (log.iloc[:500], log.drop(columns="engine_speed_rpm")):
        assert contradicted_beliefs(rig, part, last, 1.0) == []


def test_a_scale_that_makes_the_vehicle_too_light(left: Scenario) -> None:
    rig = altered(left.rig, "uncertainty", "tractive_scale", lambda scale: 0.85)
    found = reasons(left, rig)
    assert len(found) == 1 and "below the rig's own" in found[0]


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("drag_area_m2", "drag_area_sd_m2", "drag area learnt"),
        ("mass_kg", "mass_sd_kg", "below the rig's own"),
    ],
)
def test_beyond_two_and_a_half_sd(drive: Scenario, key: str, value: str, words: str) -> None:
    vehicle = drive.rig.vehicle
    mean, sd = getattr(vehicle, key), getattr(vehicle, value)
    plain = {"drag_area_m2": vehicle.drag_area_m2, "mass_kg": 5000.0, "mass_sd_kg": 0.0}
    for away, said in ((2.4, False), (2.6, True)):
        last = pd.Series(plain | {key: mean - away * sd})
        found = contradicted_beliefs(drive.rig, drive.drive.log, last, 1.0)
        assert [words in one for one in found] == ([True] if said else [])


@pytest.fixture(scope="module")
def felt() -> Scenario:
    logger = Logger.good_10hz("accelerometer")
    return scenario("utility_10hz", 5, scale_quantile=0.5, duration_s=900.0, logger=logger)


@pytest.mark.parametrize(
    ("gain", "said"), [(1.0, False), (0.85, False), (-1.0, True), (0.1, True), (1.0 / 9.8, True)]
)
def test_an_accelerometer_that_does_not_show_changes_of_speed(
    felt: Scenario, gain: float, said: bool
) -> None:
    """Upside down, across, or in g where m/s^2 are stated."""
    log = felt.drive.log.assign(accel_long_m_s2=gain * felt.drive.log["accel_long_m_s2"])
    last = pd.Series({"drag_area_m2": felt.rig.vehicle.drag_area_m2, "mass_kg": 5000.0})
    last["mass_sd_kg"] = 50.0
    found = contradicted_beliefs(felt.rig, log, last, 1.0)
    assert ["accelerometer shows" in one for one in found] == ([True] if said else [])
    # Too little driving tells nothing, and where altitude is logged the height is not its own.
    assert contradicted_beliefs(felt.rig, log.iloc[:300], last, 1.0) == []
    assert contradicted_beliefs(felt.rig, log.assign(altitude_m=0.0), last, 1.0) == []


def test_a_scale_learnt_alone(drive: Scenario) -> None:
    last = pd.Series({"drag_area_m2": drive.rig.vehicle.drag_area_m2, "mass_kg": 5000.0})
    last["mass_sd_kg"] = 50.0
    sd = drive.rig.uncertainty.tractive_scale_sd
    for away, count in ((2.4, 0), (2.6, 1)):
        log = drive.drive.log
        assert len(contradicted_beliefs(drive.rig, log, last, 1.0 + away * sd)) == count
