"""A strategy looked up by the step, against the package's look-up for the same summary."""

from __future__ import annotations

import math

import numpy as np
import pytest
from step_bench import drive, needs_compiler, of_the_package, setup_of

from loadlearn.policy.adviser import SUMMARY_COLUMNS
from loadlearn.policy.draws import draws_from_summaries
from loadlearn.policy.law_settings import load_known
from loadlearn.policy.lookup import expected_settings, grid_of
from loadlearn.policy.make_strategy import make_strategy
from loadlearn.step_export.native_step import NativeStep
from loadlearn.step_export.step_source import step_source
from loadlearn.step_export.strategy_step import look_up_of
from loadlearn.vehicle.samples import samples_of

pytestmark = needs_compiler


@pytest.fixture(scope="module")
def step() -> NativeStep:
    rig = drive("demo").rig
    made = step_source(
        setup_of("reduced", "demo"), rig.name, "With care.", look_up_of(make_strategy(rig), rig)
    )
    return NativeStep(made, options=("-O0",))


def test_the_settings_are_the_packages(step: NativeStep) -> None:
    rig, log = drive("demo").rig, drive("demo").log
    grid = grid_of(make_strategy(rig), rig.vehicle.drag_area_m2, rig.uncertainty.tractive_scale)
    density = samples_of(log)["air_density_kg_m3"]
    package = of_the_package("reduced", "demo")
    rng, known, seen = np.random.default_rng(3), 0.0, set()
    step.start()
    for start in range(0, 6000, 500):
        step.run(log.iloc[start : start + 500])
        now = package.iloc[start + 499]
        draws = draws_from_summaries(rig, *(now[one] for one in SUMMARY_COLUMNS))[0].view(
            np.recarray
        )
        known = load_known(known, now["mass_kg"], now["mass_sd_kg"])
        for _ in range(5):
            grade, speed = rng.uniform(-3.0, 14.0), rng.uniform(0.0, 45.0)
            told = step.look_up(grade, speed)
            expected = (0.0, 0.0, 0.0)
            if known > 0.5:
                expected = expected_settings(grid, draws, grade, speed, density[start + 499])
            assert told[:3] == pytest.approx(expected, rel=1e-9, abs=1e-12)
            assert told.load_known == (known > 0.5) and told.taken
            seen.add(told.load_known)
    assert True in seen


def test_what_cannot_be_asked_for_is_refused_and_nothing_stays(step: NativeStep) -> None:
    log = drive("demo").log
    step.start()
    before = step.look_up(4.0, 20.0)
    assert before.taken and not before.load_known and before[:3] == (0.0, 0.0, 0.0)
    step.run(log)
    usual = step.look_up(4.0, 20.0)
    assert usual.load_known and usual.full_share_time_s > 0.0
    for grade, speed in ((math.nan, 20.0), (4.0, math.inf), (4.0, -3.0), (90.0, 20.0)):
        refused = step.look_up(grade, speed)
        assert not refused.taken and refused[:3] == (0.0, 0.0, 0.0)
    assert step.look_up(4.0, 20.0) == usual
