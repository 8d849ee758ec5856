"""Settings renewed: at a load learnt on a steady road they are what the strategy's grid holds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from closed_loop_bench import hold_speed
from plants.heated_vehicle import Plant
from test_adviser import SaidLoad

from loadlearn.estimation import LoadEstimator
from loadlearn.policy import DriveAdviser
from loadlearn.policy.law_settings import CHANGE_STEP
from loadlearn.policy.make_strategy import make_strategy
from loadlearn.policy.strategy import Strategy


@pytest.fixture(scope="module")
def made(rig):
    return make_strategy(rig)


@dataclass
class Believed:
    """What the strategy holds for a load learnt, on average over what it may be."""

    retention: float
    economy: float
    retention_spread: float
    economy_spread: float


def expected(made: Strategy, load, advice, drag_area_m2: float) -> Believed:
    """The file's own settings over random draws of the posterior: numpy's, not the law's."""
    random = np.random.default_rng(0)
    # Given the scale; the part of the mass's spread that the scale causes cancels.
    mass = load.mass_kg + load.mass_sd_given_scale_kg * random.normal(size=4000)
    rolling = load.rolling_resistance + load.rolling_resistance_sd * random.normal(size=4000)
    drag = load.drag_area_m2 + load.drag_area_sd_m2 * random.normal(size=4000)
    speed = advice.reference_speed_m_s
    beyond = 0.5 * 1.18 * (drag - drag_area_m2) * speed**2 / (9.80665 * mass)
    found = made.look_up(
        mass,
        np.maximum(np.maximum(rolling, 0.003) + beyond, 1e-3),
        advice.grade_asked_percent,
        speed,
    )
    kept, economy = found["power_retention"], found["economy"]
    return Believed(kept.mean(), economy.mean(), kept.std(), economy.std())


@pytest.mark.parametrize(
    ("mass", "rolling", "grade", "speed", "learns"),
    [
        (2750.0, 0.011, 0.0, 25.0, True),
        (4300.0, 0.012, 0.05, 22.0, True),
        (5600.0, 0.012, 0.05, 20.0, True),
        (5600.0, 0.012, 0.055, 22.0, True),
        (5600.0, 0.012, 0.06, 18.0, True),
        (5700.0, 0.023, 0.04, 20.0, False),
        (5800.0, 0.06, 0.0, 20.0, False),
        (4000.0, 0.1, 0.02, 13.0, False),
    ],
)
def test_advice_on_a_steady_road_is_what_the_table_holds(
    rig, made, mass, rolling, grade, speed, learns
):
    """At the load that is learnt (or said), the speed asked for, and the grade asked for."""
    plant = Plant(rig, mass_kg=mass, rolling_resistance=rolling, seed=3)
    plant.speed_m_s, pedal = speed, hold_speed(plant, speed)
    estimator = LoadEstimator(rig, mass, 0.01 * mass) if learns else None
    load = SaidLoad(mass, 0.04 * mass, 0.02 * mass, rolling, 0.1 * rolling, 2.4, 0.3)
    adviser = DriveAdviser(rig, estimator=estimator or object())
    for _ in range(2500):
        plant.step(pedal(plant.time_s), 0.0, 1.0, grade, 0.1)
        sample = plant.sample()
        load = estimator.step(sample) if estimator else load
        advice = adviser.advise(sample, load)
    assert advice.load_known
    assert advice.grade_asked_percent == pytest.approx(100.0 * grade, abs=0.1)
    assert advice.reference_speed_m_s == pytest.approx(speed, rel=0.1)
    told = expected(made, load, advice, rig.vehicle.drag_area_m2)
    # 64 draws of the law against 4000: their mean is off by no more than this.
    assert advice.retention_asked == pytest.approx(
        told.retention, abs=0.005 + 3.0 * told.retention_spread / 8.0
    )
    due = min(told.retention, advice.sustainable_share)
    assert advice.power_retention == pytest.approx(due, abs=CHANGE_STEP + 0.05)
    economy = adviser.state[0]["economy"]["value"]
    assert economy == pytest.approx(told.economy, abs=CHANGE_STEP + 0.05)


def test_the_steady_roads_span_the_settings(made):
    found = made.look_up([2750.0, 5600.0], [0.011, 0.012], [0.0, 5.5], [25.0, 22.0])
    assert np.ptp(found["power_retention"]) > 0.5 and np.ptp(found["economy"]) > 0.5
