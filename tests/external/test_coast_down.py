"""A coast-down in the form of the road-load standards gives back rolling resistance and drag.

SAE J2263 (secondary): coast from 115 to 15 km/h, road load F0 + F1 V + F2 V^2, reference 20 degC
and 98.21 kPa, effective mass 1.03 x test mass. SAE J1263 (secondary): wind up to 16 km/h, both
directions. The coast-down is simulated with the package's force balance and analysed here by
ordinary least squares, as the standards do.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from loadlearn.vehicle.roadload import (
    GRAVITY_M_S2,
    air_density_kg_m3,
    longitudinal_acceleration,
    rolling_coefficient,
)

MASS, ROTATING = 2850.0, 0.03 * 2850.0
ROLLING, SPEED_SLOPE, DRAG_AREA = 0.0112, 0.0020, 1.30
DENSITY = float(air_density_kg_m3(0.0, 20.0, 98.21))


def coast_down(headwind_m_s: float, rate_hz: float = 5.0) -> tuple[NDArray, NDArray]:
    """Time and speed from 115 to 15 km/h, sampled at ``rate_hz``."""

    def slowing(_: float, speed: NDArray) -> NDArray:
        coefficient = rolling_coefficient(ROLLING, SPEED_SLOPE, speed)
        return longitudinal_acceleration(
            0.0, MASS, ROTATING, coefficient, DRAG_AREA, DENSITY, speed, headwind_m_s, 0.0, 1.0
        )

    def slow_enough(_: float, speed: NDArray) -> float:
        return float(speed[0] - 15.0 / 3.6)

    slow_enough.terminal = True  # type: ignore[attr-defined]
    solved = solve_ivp(
        slowing,
        (0.0, 600.0),
        [115.0 / 3.6],
        events=slow_enough,
        dense_output=True,
        rtol=1e-9,
        atol=1e-9,
    )
    time = np.arange(0.0, solved.t[-1], 1.0 / rate_hz)
    return time, solved.sol(time)[0]


def road_load(time: NDArray, speed: NDArray) -> NDArray:
    """F0 (N), F1 (N/(km/h)), F2 (N/(km/h)^2) by least squares on decelerations."""
    step = 10
    force = -(MASS + ROTATING) * (speed[step:] - speed[:-step]) / (time[step:] - time[:-step])
    kmh = 3.6 * 0.5 * (speed[step:] + speed[:-step])
    design = np.column_stack([np.ones_like(kmh), kmh, kmh**2])
    return np.linalg.lstsq(design, force, rcond=None)[0]


def test_reference_air() -> None:
    # 98.21 kPa at 20 degC: 98210 / (287.053 x 293.15) = 1.1671 kg/m3.
    assert pytest.approx(1.1671, abs=1e-4) == DENSITY


def test_road_load_coefficients_give_back_rolling_resistance_and_drag() -> None:
    f0, f1, f2 = road_load(*coast_down(0.0))
    weight = MASS * GRAVITY_M_S2
    assert f1 == pytest.approx(0.0, abs=0.02)
    # F0 holds what rolling resistance is at standstill; its rise with speed lands in F2.
    assert f0 / weight + SPEED_SLOPE == pytest.approx(ROLLING, rel=0.004)
    speed_part = weight * SPEED_SLOPE / (20.0 * 3.6) ** 2
    drag_area = 2.0 * 3.6**2 * (f2 - speed_part) / DENSITY
    assert drag_area == pytest.approx(DRAG_AREA, rel=0.01)


def test_both_directions_cancel_a_steady_wind() -> None:
    wind = 3.0
    into = road_load(*coast_down(wind))
    along = road_load(*coast_down(-wind))
    still = road_load(*coast_down(0.0))
    both = 0.5 * (into + along)
    # The mean of (v + w)^2 and (v - w)^2 is v^2 + w^2: F2 is unharmed, F0 rises by rho/2 CdA w^2.
    assert both[2] == pytest.approx(still[2], rel=0.02)
    rise = both[0] - still[0]
    assert rise == pytest.approx(0.5 * DENSITY * DRAG_AREA * wind**2, abs=1.5)
    # One direction alone would be wrong by rho CdA w v.
    assert abs(into[1] - still[1]) * 3.6 == pytest.approx(DENSITY * DRAG_AREA * wind, rel=0.03)
