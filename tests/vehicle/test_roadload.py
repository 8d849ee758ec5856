"""The force balance: invariants, and agreement of its parts.

Worked examples and tables from outside are in ``tests/external``.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from loadlearn.vehicle import roadload
from loadlearn.vehicle.roadload import GRAVITY_M_S2, HANDBOOK_GROUNDS, REFERENCE_SPEED_M_S

speed = st.floats(0.0, 60.0)
mass = st.floats(500.0, 60_000.0)
grade = st.floats(-40.0, 40.0)


@given(st.floats(0.0, 0.4), st.floats(0.0, 0.005))
def test_coefficient_is_quoted_at_twenty_metres_a_second(coefficient: float, rise: float) -> None:
    at = roadload.rolling_coefficient(coefficient, rise, REFERENCE_SPEED_M_S)
    assert at == pytest.approx(coefficient, abs=1e-15)
    # The rise between standstill and the reference speed is the slope itself.
    still = roadload.rolling_coefficient(coefficient, rise, 0.0)
    assert coefficient - still == pytest.approx(rise, abs=1e-15)


@given(st.floats(0.1, 12.0), st.floats(0.6, 1.4), speed, st.floats(-30.0, 30.0))
def test_drag_turns_with_the_air(area: float, density: float, v: float, wind: float) -> None:
    force = roadload.drag_force(area, density, v, wind)
    assert math.copysign(1.0, force) == math.copysign(1.0, v + wind) or force == 0.0
    assert roadload.drag_force(area, density, -v, -wind) == pytest.approx(-force)
    assert force == pytest.approx(roadload.drag_force(area, density, v + wind, 0.0))


@given(mass, speed, grade, st.floats(0.005, 0.3), st.floats(0.5, 10.0))
def test_force_equal_to_resistance_holds_the_speed(
    kg: float, v: float, percent: float, coefficient: float, area: float
) -> None:
    sine, cosine = (float(x) for x in roadload.grade_angle(percent))
    resistance = roadload.resisting_force(kg, coefficient, area, 1.2, v, 2.0, sine, cosine)
    acceleration = roadload.longitudinal_acceleration(
        resistance, kg, 100.0, coefficient, area, 1.2, v, 2.0, sine, cosine
    )
    assert acceleration == pytest.approx(0.0, abs=1e-12)
    more = roadload.longitudinal_acceleration(
        resistance + kg + 100.0, kg, 100.0, coefficient, area, 1.2, v, 2.0, sine, cosine
    )
    assert more == pytest.approx(1.0, rel=1e-9)


def test_a_bend_costs_the_side_force_times_the_slip_angle() -> None:
    """By hand: 20 m/s on 100 m is 4 m/s2; slip angle 4 / 9.80665 / 8 rad; times the side force."""
    cost = roadload.cornering_resistance(20.0, 1e-4, 8.0)
    assert cost == pytest.approx((4.0 / GRAVITY_M_S2) * (4.0 / GRAVITY_M_S2 / 8.0), rel=1e-12)


@given(grade)
def test_grade_is_a_tangent(percent: float) -> None:
    sine, cosine = roadload.grade_angle(percent)
    assert sine**2 + cosine**2 == pytest.approx(1.0)
    assert 100.0 * sine / cosine == pytest.approx(percent, abs=1e-12)


def test_resistance_is_homogeneous_in_mass_and_drag_area() -> None:
    # What makes the tractive scale unlearnable: all forces double with mass and drag area.
    one = roadload.resisting_force(5000.0, 0.012, 2.4, 1.2, 20.0, 1.0, 0.03, 0.9995)
    two = roadload.resisting_force(10_000.0, 0.012, 4.8, 1.2, 20.0, 1.0, 0.03, 0.9995)
    assert two == pytest.approx(2.0 * one)


def test_rotating_parts_count_with_the_square_of_the_ratio() -> None:
    wheels = roadload.rotating_mass(0.28, 5.6, 0.0, 0.387)
    low = roadload.rotating_mass(0.28, 5.6, 10.0, 0.387)
    high = roadload.rotating_mass(0.28, 5.6, 5.0, 0.387)
    assert low - wheels == pytest.approx(4.0 * (high - wheels))
    assert wheels == pytest.approx(5.6 / 0.387**2)


def test_floats_and_arrays_agree() -> None:
    v = np.linspace(0.0, 40.0, 9)
    together = roadload.longitudinal_acceleration(
        3000.0, 5200.0, 90.0, 0.012, 2.4, 1.2, v, -3.0, 0.02, 0.9998
    )
    alone = [
        roadload.longitudinal_acceleration(
            3000.0, 5200.0, 90.0, 0.012, 2.4, 1.2, float(x), -3.0, 0.02, 0.9998
        )
        for x in v
    ]
    assert_allclose(together, alone, rtol=1e-15)


@given(st.floats(-300.0, 10_000.0))
def test_pressure_altitude_is_the_inverse(altitude: float) -> None:
    pressure = roadload.isa_pressure_kpa(altitude)
    assert roadload.isa_altitude_m(pressure) == pytest.approx(altitude, abs=1e-6)


def test_density_from_what_is_measured() -> None:
    # 1.225 kg/m3 at sea level (ISO 2533); ideal gas elsewhere.
    assert roadload.air_density_kg_m3(0.0) == pytest.approx(1.225, abs=5e-4)
    hot = roadload.air_density_kg_m3(0.0, temperature_degc=42.0)
    assert hot / roadload.air_density_kg_m3(0.0) == pytest.approx(288.15 / 315.15)
    low = roadload.air_density_kg_m3(0.0, pressure_kpa=90.0)
    assert low / roadload.air_density_kg_m3(0.0) == pytest.approx(90.0 / 101.325)


def test_grounds_are_told_apart_by_their_resistance() -> None:
    means = [ground.rolling_resistance for ground in HANDBOOK_GROUNDS]
    assert means == sorted(means)
    assert len({ground.name for ground in HANDBOOK_GROUNDS}) == len(HANDBOOK_GROUNDS)
    for ground in HANDBOOK_GROUNDS:
        assert 0.0 < ground.rolling_resistance_sd < ground.rolling_resistance
        assert ground.per_hour > 0.0


def test_weight_uses_standard_gravity() -> None:
    assert GRAVITY_M_S2 == 9.80665
    assert roadload.resisting_force(1000.0, 0.0, 0.0, 1.2, 0.0, 0.0, 0.1, 0.995) == pytest.approx(
        980.665
    )
