"""Settings on a steady road: seldom changed, whatever the rig, the load and the surroundings.

The limit of six changes an hour is this project's own (no source). ``experiments/steady_road.py``
drives the same by the hundred, for an hour each.
"""

from __future__ import annotations

import numpy as np
import pytest
from cases_bench import altitudes, ambients, deviations, few, places, rig_names, seeds
from draws_bench import evenly, one_of
from hypothesis import given, settings
from hypothesis import strategies as st
from steady_bench import (
    GROUNDS,
    MOST_PER_HOUR,
    SETTLED_S,
    SteadyRoad,
    draw_steady_road,
    judge_steady_road,
)

roads = st.builds(
    SteadyRoad,
    rig=rig_names,
    place=places,
    load=evenly(0.0, 1.0),
    ground=one_of(tuple(GROUNDS)),
    pace=evenly(0.0, 1.0),
    grade=evenly(-0.02, 0.06),
    swell=evenly(0.0, 0.006),
    swell_m=evenly(200.0, 2000.0),
    ripple=evenly(0.0, 0.003),
    ambient_degc=ambients,
    altitude_m=altitudes,
    off=deviations,
    seed=seeds,
)


@settings(few, max_examples=3)
@given(roads)
def test_fewer_than_six_changes_an_hour(road):
    assert judge_steady_road(road).per_hour < MOST_PER_HOUR


@pytest.mark.parametrize("seed", [50047, 50064])
def test_roads_that_once_failed(seed):
    # Economy went up and down twenty times an hour with what was believed of the rolling
    # resistance (50047); a truck's retention on undulating sand 34 times (50064).
    road = draw_steady_road(np.random.default_rng(seed))
    verdict = judge_steady_road(road, SETTLED_S + 1800.0)
    assert verdict.retention_changes + verdict.economy_changes < MOST_PER_HOUR
