"""The force balance against worked examples and closed-form solutions.

1. Heavy truck on a level road: the statement is that of a worked example in Gillespie,
   *Fundamentals of Vehicle Dynamics*, chapter on road loads, given here from memory; every answer
   is recomputed by hand in US customary units below, independently of the package.
2. Equivalent mass: 40 CFR part 1066 / SAE J2263 count rotating parts as 3 % of a light vehicle's
   mass (secondary).
3. Coasting with quadratic drag has a closed-form speed (any mechanics text).
4. Arithmetic: a grade of 1 : 15.4 pushes like a rolling resistance of 0.065 (derived).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from loadlearn.vehicle.roadload import (
    GRAVITY_M_S2,
    air_density_kg_m3,
    drag_force,
    grade_angle,
    longitudinal_acceleration,
    resisting_force,
    rotating_mass,
)

FOOT_M = 0.3048
POUND_FORCE_N = 4.4482216
MILE_PER_HOUR_M_S = 0.44704
HORSEPOWER_W = 745.7


def test_heavy_truck_on_a_level_road() -> None:
    # 72,500 lb at 67 mph, 8 ft by 13.5 ft, Cd 0.65, 55 degF, 26.04 inHg. By hand:
    #   density 0.00236 x (26.04 / 29.92) x (519 / 515) = 0.00207 slug/ft3
    #   drag    1/2 x 0.00207 x 98.3^2 x 0.65 x 108     = 702 lb
    #   rolling (0.0041 + 0.000041 x 67) x 72,500       = 496.6 lb
    #   power   (702 + 496.6) x 98.3 / 550              = 214 hp
    # The book's reference density, 0.00236 slug/ft3, is 0.7 % below the standard atmosphere's.
    celsius = (55.0 - 32.0) / 1.8
    density = float(air_density_kg_m3(0.0, celsius, 26.04 * 3.386389))
    assert density == pytest.approx(0.00207 * 515.379, rel=0.01)

    speed = 67.0 * MILE_PER_HOUR_M_S
    area = 0.65 * 8.0 * 13.5 * FOOT_M**2
    drag = drag_force(area, 0.00207 * 515.379, speed, 0.0)
    assert drag / POUND_FORCE_N == pytest.approx(702.0, rel=0.002)

    mass = 72_500 * POUND_FORCE_N / GRAVITY_M_S2
    coefficient = 0.0041 + 0.000041 * 67.0
    total = resisting_force(mass, coefficient, area, 0.00207 * 515.379, speed, 0.0, 0.0, 1.0)
    assert (total - drag) / POUND_FORCE_N == pytest.approx(496.6, rel=0.001)
    assert total * speed / HORSEPOWER_W == pytest.approx(214.0, rel=0.003)


def test_climb_and_acceleration_by_hand() -> None:
    # 5,200 kg, 6 % grade, 72 km/h, c = 0.012, CdA = 2.4 m2, air 1.20 kg/m3, 0.10 m/s2:
    #   sin = 0.06 / sqrt(1.0036) = 0.059892, cos = 0.998205
    #   grade    5200 x 9.80665 x 0.059892           = 3054.2 N
    #   rolling  5200 x 9.80665 x 0.012 x 0.998205   =  610.8 N
    #   drag     0.5 x 1.20 x 2.4 x 400              =  576.0 N
    #   rotating (0.28 x 5.4^2 + 5.6) / 0.387^2      =   91.9 kg
    #   inertia  (5200 + 91.9) x 0.10                =  529.2 N
    sine, cosine = grade_angle(6.0)
    rotating = rotating_mass(0.28, 5.6, 5.4, 0.387)
    assert rotating == pytest.approx(91.9, abs=0.05)
    steady = resisting_force(5200.0, 0.012, 2.4, 1.20, 20.0, 0.0, sine, cosine)
    assert steady == pytest.approx(3054.2 + 610.8 + 576.0, abs=0.2)
    acceleration = longitudinal_acceleration(
        4770.2, 5200.0, rotating, 0.012, 2.4, 1.20, 20.0, 0.0, sine, cosine
    )
    assert acceleration == pytest.approx(0.10, abs=1e-4)


def test_rotating_parts_of_a_light_vehicle_are_about_three_per_cent() -> None:
    # Wheels alone, as in a coast-down in neutral: 1.03 x test mass.
    assert 0.015 < rotating_mass(0.28, 5.6, 0.0, 0.34) / 1600.0 < 0.045


def test_coasting_follows_the_closed_form() -> None:
    # m dv/dt = -(a + b v^2)  =>  v(t) = sqrt(a/b) tan(atan(v0 sqrt(b/a)) - t sqrt(ab)/m)
    mass, rotating, coefficient, area, density = 3100.0, 45.0, 0.011, 1.3, 1.19
    a = mass * GRAVITY_M_S2 * coefficient
    b = 0.5 * density * area
    time = np.linspace(0.0, 120.0, 61)
    root = math.sqrt(a / b)
    expected = root * np.tan(math.atan(33.0 / root) - time * math.sqrt(a * b) / (mass + rotating))
    solved = solve_ivp(
        lambda _, v: longitudinal_acceleration(
            0.0, mass, rotating, coefficient, area, density, v, 0.0, 0.0, 1.0
        ),
        (0.0, 120.0),
        [33.0],
        t_eval=time,
        rtol=1e-10,
        atol=1e-10,
    )
    np.testing.assert_allclose(solved.y[0], expected, atol=1e-6)


def test_a_grade_and_a_ground_that_push_alike() -> None:
    sine, cosine = grade_angle(6.5)
    on_grade = resisting_force(1.0, 0.0, 0.0, 1.2, 10.0, 0.0, sine, cosine)
    on_ground = resisting_force(1.0, 0.065, 0.0, 1.2, 10.0, 0.0, 0.0, 1.0)
    assert on_grade == pytest.approx(on_ground, rel=0.003)
    # A grade error of 0.6 degrees looks like 0.0105.
    assert math.sin(math.radians(0.6)) == pytest.approx(0.0105, abs=5e-5)


def test_head_wind_and_tail_wind() -> None:
    # At 20 m/s into 5 m/s the air speed is 25 m/s: 25^2 / 20^2 = 1.5625 times the still-air drag.
    still = drag_force(2.0, 1.2, 20.0, 0.0)
    assert drag_force(2.0, 1.2, 20.0, 5.0) / still == pytest.approx(1.5625)
    assert drag_force(2.0, 1.2, 20.0, -25.0) < 0.0
