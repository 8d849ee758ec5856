"""Road grade from each of its sources, against roads whose grade is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from loadlearn.log.grade import height_noise_sd_m, road_grade
from loadlearn.vehicle.roadload import GRAVITY_M_S2, isa_altitude_m, isa_pressure_kpa


def hilly(
    noise_sd_m: float, seed: int = 3, rate_hz: float = 10.0
) -> tuple[pd.DataFrame, np.ndarray]:
    """A road of two waves at 20 m/s; the altimeter has white noise."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, 600.0, 1.0 / rate_hz)
    way = 20.0 * time_s
    slope = 0.03 * np.sin(2 * np.pi * way / 2500.0) + 0.015 * np.sin(2 * np.pi * way / 900.0)
    height = np.concatenate([[0.0], np.cumsum(0.5 * (slope[1:] + slope[:-1]) * np.diff(way))])
    trace = pd.DataFrame(
        {
            "time_s": time_s,
            "speed_m_s": 20.0,
            "altitude_m": height + rng.normal(0.0, noise_sd_m, time_s.size),
        }
    )
    return trace, 100.0 * slope


@pytest.mark.parametrize("noise_sd_m", [0.1, 0.5])
@pytest.mark.parametrize("rate_hz", [1.0, 10.0])
def test_altimeter_gives_back_the_grade_and_an_honest_sd(noise_sd_m: float, rate_hz: float) -> None:
    trace, truth = hilly(noise_sd_m, rate_hz=rate_hz)
    grade = road_grade(trace)
    error = (grade["grade_percent"] - truth).to_numpy()[50:-50]
    sd = grade["grade_sd_percent"].to_numpy()[50:-50]
    assert np.sqrt(np.mean(error**2)) < 1.0
    # The smoothing is for rougher roads than this one, so the sd is on the safe side.
    assert 0.2 < np.sqrt(np.mean((error / sd) ** 2)) < 1.3


def test_noise_is_estimated_from_the_log() -> None:
    trace, _ = hilly(0.5, rate_hz=1.0)
    assert height_noise_sd_m(trace["altitude_m"].to_numpy()) == pytest.approx(0.5, rel=0.25)


def test_barometer_as_height_gives_the_same_grade() -> None:
    """Pressure through the standard atmosphere (ISO 2533) and back changes nothing."""
    trace, _ = hilly(0.0, rate_hz=1.0)
    through = trace.assign(altitude_m=isa_altitude_m(isa_pressure_kpa(trace["altitude_m"])))
    np.testing.assert_allclose(
        road_grade(through)["grade_percent"], road_grade(trace)["grade_percent"], atol=1e-3
    )


def test_accelerometer_less_change_of_speed_is_the_grade() -> None:
    time_s = np.arange(0.0, 60.0, 0.1)
    speed = 15.0 + 2.0 * np.sin(time_s / 5.0)
    sine = 0.05
    accel = np.gradient(speed, time_s) + GRAVITY_M_S2 * sine
    trace = pd.DataFrame({"time_s": time_s, "speed_m_s": speed, "accel_long_m_s2": accel})
    grade = road_grade(trace)
    np.testing.assert_allclose(
        grade["grade_percent"], 100.0 * sine / np.sqrt(1.0 - sine**2), atol=1e-9
    )
    assert (grade["grade_sd_percent"] > 2.0).all()


def test_grade_channel_stands_as_it_is_and_absence_is_said() -> None:
    trace = pd.DataFrame({"time_s": [0.0, 1.0, 2.0], "speed_m_s": 10.0, "grade_percent": 3.0})
    assert (road_grade(trace)["grade_percent"] == 3.0).all()
    assert road_grade(trace.drop(columns="grade_percent")).isna().all().all()
