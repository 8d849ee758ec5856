"""Reference speed and the grade asked for: each against its definition."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from draws_bench import evenly, whole
from hypothesis import given

from loadlearn.policy.asked import (
    GRADE_QUANTILE,
    GRADE_SLOTS,
    SPEED_SLOTS,
    DemandState,
    GradeState,
    follow_reference_speed,
    grade_asked,
    grade_now,
    remember_grade,
)


def test_reference_speed_is_the_median_before_demand():
    speeds = np.zeros(SPEED_SLOTS)
    state = DemandState()
    history = []
    for i in range(600):
        time = 0.1 * i
        speed = 20.0 + 0.02 * time if time < 40 else max(20.8 - 0.3 * (time - 40), 12.0)
        load = 0.5 if time < 40 else 1.0
        history.append(speed)
        follow_reference_speed(state, speeds, speed, load, math.nan, 0.1)
    assert state.reference_speed_m_s == pytest.approx(np.median(history[300:400]), abs=0.11)
    capped = replace(state)
    follow_reference_speed(capped, speeds.copy(), 12.0, 1.0, 16.0, 0.1)
    assert capped.reference_speed_m_s == 16.0
    for _ in range(600):
        follow_reference_speed(state, speeds, 12.0, 0.3, math.nan, 0.1)
    assert state.reference_speed_m_s == pytest.approx(12.0)


def test_a_bend_on_a_climb_does_not_lower_the_speed_asked_for():
    speeds, state = np.zeros(SPEED_SLOTS), DemandState()
    for i in range(1500):
        time = 0.1 * i
        bend = 60.0 < time < 75.0
        speed = 18.0 if bend else min(22.0, 18.0 + 0.2 * max(time - 75.0, 0.0)) if time > 60 else 22
        follow_reference_speed(state, speeds, speed, 0.1 if bend else 1.0, math.nan, 0.1)
        if time > 30.0:
            assert state.reference_speed_m_s == pytest.approx(22.0)
    # A higher speed reached under full demand is asked for too.
    for _ in range(20):
        follow_reference_speed(state, speeds, 24.0, 1.0, math.nan, 0.1)
    assert state.reference_speed_m_s == 24.0


@given(whole(1001), evenly(100.0, 30_000.0))
def test_grade_asked_is_a_high_one_of_those_at_or_above_the_present(seed, metres):
    random = np.random.default_rng(seed)
    grades = np.zeros(GRADE_SLOTS)
    state = GradeState()
    kept, slot, total = [], 0.0, 0.0
    grade = 0.0
    for _ in range(min(int(metres / 25.0), 900)):
        grade = 0.9 * grade + random.normal() * 1.2
        remember_grade(state, grades, grade, math.nan, 25.0)
        slot, total = slot + 25.0, total + grade / 100.0 * 25.0
        if slot >= 50.0:
            kept.append(total / slot)
            slot, total = 0.0, 0.0
    recent = kept[-GRADE_SLOTS:]
    asked = grade_asked(state, grades)
    if not recent:
        assert asked == 0.0
        return
    now = np.mean(recent[-4:])
    assert grade_now(state, grades) == pytest.approx(now)
    # numpy's quantile is the oracle.
    ahead = [now, *(one for one in recent if one >= grade_now(state, grades))]
    assert asked == pytest.approx(np.quantile(ahead, GRADE_QUANTILE), abs=1e-12)


def test_grade_from_altitude():
    grades = np.zeros(GRADE_SLOTS)
    state = GradeState()
    for i in range(800):
        remember_grade(state, grades, math.nan, 100.0 + 0.05 * 2.0 * i, 2.0)
    assert grade_now(state, grades) == pytest.approx(0.05, abs=0.003)
