"""A grade channel corrected by an altimeter: against statsmodels, and where it should not be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from statsmodels.tsa.statespace.structural import UnobservedComponents

from loadlearn import LoadEstimator, prepare
from loadlearn.log.two_heights import (
    Difference,
    _fit_level,
    corrected_slope,
    difference_of_heights,
)
from loadlearn.simulation.scenarios import Scenario, scenario
from loadlearn.simulation.sensors import AltitudeSensor, GradeSensor, Logger

Array = NDArray[np.float64]


def walked(seed: int, walk_sd: float, noise_sd: float, count: int = 400) -> Array:
    rng = np.random.default_rng(seed)
    level = np.cumsum(walk_sd * rng.standard_normal(count))
    return level + noise_sd * rng.standard_normal(count)


@pytest.mark.parametrize("walk", [0.02, 0.5, 3.0])
def test_the_level_is_that_of_statsmodels(walk: float) -> None:
    """statsmodels' unobserved components (local level, exact diffuse start)."""
    seen = walked(1, np.sqrt(walk), 1.0)
    seen[[20, 21, 22, 90]] = np.nan
    there = np.flatnonzero(np.isfinite(seen))
    way = np.diff(there).astype(np.float64)
    likelihood, variance, noise = _fit_level(way, np.diff(seen[there]), walk)
    model = UnobservedComponents(seen, "llevel", use_exact_diffuse=True)
    theirs = model.smooth([variance, variance * walk])
    constant = -0.5 * way.size * (np.log(2.0 * np.pi) + 1.0)
    assert likelihood + constant == pytest.approx(theirs.llf_obs[1:].sum(), abs=1e-6)
    assert_allclose(seen[there] - noise, theirs.smoothed_state[0][there], atol=1e-9)
    between = np.interp(np.arange(seen.size), there, seen[there] - noise)
    assert_allclose(between, theirs.smoothed_state[0], atol=1e-9)


def test_both_levels_come_from_the_log() -> None:
    """A walk of known variance a metre, and known noise, at unequal steps."""
    rng = np.random.default_rng(3)
    time_s = np.arange(0.0, 1200.0, 0.1)
    speed = 15.0 + 8.0 * np.sin(time_s / 60.0)
    step = np.diff(time_s, prepend=0.0) * speed
    level = np.cumsum(np.sqrt(3e-4 * step) * rng.standard_normal(time_s.size))
    altitude = level + 0.5 * rng.standard_normal(time_s.size)
    apart = difference_of_heights(time_s, speed, np.zeros(time_s.size), altitude)
    assert apart is not None
    assert apart.noise_sd_m == pytest.approx(0.5, rel=0.03)
    assert apart.walk_per_m == pytest.approx(3e-4, rel=0.4)
    left = (apart.level_m - level) - np.mean(apart.level_m - level)
    assert left.std() < 0.25


@settings(max_examples=30, deadline=None)
@given(share=st.floats(0.0, 1.0), seed=st.integers(0, 100))
def test_the_corrected_slope_adds_up_to_the_share(share: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    distance = np.cumsum(rng.uniform(0.02, 3.0, 200))
    level = np.cumsum(0.002 * rng.standard_normal(200))
    slope = 0.02 * np.sin(distance / 100.0)
    bent = corrected_slope(slope, Difference(distance, level, 0.0, 0.0), share)
    again = corrected_slope(slope, Difference(distance, level + 7.0, 0.0, 0.0), share)
    assert_allclose(again, bent, atol=1e-8)
    # Smooth differences add up; rough ones are averaged over neighbouring steps.
    smooth = 1e-3 * distance
    bent = corrected_slope(slope, Difference(distance, smooth, 0.0, 0.0), share)
    assert_allclose(bent - slope, share * 1e-3, atol=1e-12)


def test_too_little_in_common_is_left_alone() -> None:
    time_s = np.arange(0.0, 60.0, 0.1)
    still = np.zeros(time_s.size)
    assert difference_of_heights(time_s, still, still, still) is None
    assert difference_of_heights(time_s, still + 20.0, still, still * np.nan) is None


def drive(seed: int, grade: GradeSensor, altitude: AltitudeSensor) -> Scenario:
    logger = replace(Logger.good_10hz(), grade=grade, altitude=altitude)
    return scenario("good_10hz", seed, logger=logger, duration_s=1200.0)


def height_error_m(made: Scenario, trace: pd.DataFrame) -> float:
    """Spread of the height that a grade channel adds up to, about the road's (m)."""
    speed = trace["speed_m_s"].to_numpy()
    dx = np.diff(trace["time_s"]) * 0.5 * (speed[1:] + speed[:-1])
    grade = trace["grade_percent"].to_numpy() / 100.0
    climbed = np.cumsum(0.5 * (grade[1:] + grade[:-1]) * dx)
    truth = made.drive.truth
    road = np.interp(trace["time_s"].to_numpy()[1:], truth["time_s"], truth["altitude_m"])
    return float(np.std(climbed - road))


def test_an_altimeter_keeps_the_height_that_a_poor_grade_loses() -> None:
    before, after, share = [], [], []
    for seed in (6301, 6302, 6303, 6304):
        made = drive(seed, GradeSensor(0.3, 80.0), AltitudeSensor(0.5, 1.5))
        prepared = prepare(made.drive.log, made.rig)
        share.append(prepared.attrs["altimeter_share"])
        before.append(height_error_m(made, made.drive.log))
        after.append(height_error_m(made, prepared))
    assert min(share) >= 0.5
    assert np.mean(after) < 0.6 * np.mean(before)


def test_a_wandering_altimeter_is_not_believed() -> None:
    for seed in (6311, 6312, 6313):
        made = drive(seed, GradeSensor(0.05, 80.0), AltitudeSensor(2.0, 6.0, drift_time_s=120.0))
        prepared = prepare(made.drive.log, made.rig)
        assert prepared.attrs["altimeter_share"] <= 0.25


def test_where_heights_start_does_not_matter() -> None:
    made = drive(6321, GradeSensor(0.3, 80.0), AltitudeSensor(0.5, 1.5))
    # The air's density comes from the logged pressure, not from this altitude.
    other = made.drive.log.assign(altitude_m=made.drive.log["altitude_m"] + 128.0)
    one, two = prepare(made.drive.log, made.rig), prepare(other, made.rig)
    assert one.attrs["altimeter_share"] == two.attrs["altimeter_share"] > 0.0
    assert_allclose(one["grade_percent"], two["grade_percent"], atol=1e-6)


def test_the_summary_tells_of_the_correction() -> None:
    made = drive(6321, GradeSensor(0.3, 80.0), AltitudeSensor(0.5, 1.5))
    for log, corrected in ((prepare(made.drive.log, made.rig), True), (made.drive.log, False)):
        summary = LoadEstimator(made.rig).run(log, prepare=False).attrs["summary"]
        assert (summary["altimeter_share"] > 0.0) == corrected
        told = any("corrected by the altitude" in text for text in summary["warnings"])
        assert told == corrected
