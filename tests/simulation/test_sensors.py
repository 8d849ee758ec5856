"""Loggers: rates, quantisation, delay, holding, polling, drop-outs, grade sources."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from loadlearn.simulation.drive import Drive, simulate
from loadlearn.simulation.road import Stop, random_road
from loadlearn.simulation.sensors import (
    Accelerometer,
    AltitudeSensor,
    Channel,
    GradeSensor,
    Logger,
    log_drive,
    quantise,
)
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import GRAVITY_M_S2


def show(drive: Drive, logger: Logger, rig: Rig, seed: int = 1) -> pd.DataFrame:
    return log_drive(drive.fine, logger, rig, seed)[0]


def test_exact_log_is_the_truth(exact_drive: Drive) -> None:
    log, truth = exact_drive.log, exact_drive.truth
    np.testing.assert_array_equal(log["speed_m_s"], truth["speed_m_s"])
    np.testing.assert_allclose(log["grade_percent"], truth["grade_percent"])
    np.testing.assert_allclose(log["altitude_m"], truth["altitude_m"])
    np.testing.assert_array_equal(log["gear"], truth["gear"])
    sine = np.sin(np.arctan(truth["grade_percent"] / 100.0))
    rate = np.gradient(truth["speed_m_s"].to_numpy(), truth["time_s"].to_numpy())
    body = log["accel_long_m_s2"] - GRAVITY_M_S2 * sine
    moving = truth["speed_m_s"] > 1.0
    assert np.median(np.abs(body - rate)[moving]) < 0.01


def test_good_logger_quantises_and_disturbs(exact_drive: Drive, utility: Rig) -> None:
    log = show(exact_drive, Logger.good_10hz(), utility)
    assert np.allclose(np.diff(log["time_s"]), 0.1)
    for column, step in (("speed_m_s", 0.01), ("engine_speed_rpm", 1.0), ("fuel_rate_g_s", 0.005)):
        ticks = log[column] / step
        assert np.allclose(ticks, np.round(ticks), atol=1e-6)
    true_speed = np.interp(log["time_s"], exact_drive.fine["time_s"], exact_drive.fine["speed_m_s"])
    error = (log["speed_m_s"] - true_speed)[true_speed > 2.0]
    assert np.std(error) == pytest.approx(0.03, rel=0.1)
    true_grade = 100.0 * np.interp(
        log["time_s"], exact_drive.fine["time_s"], exact_drive.fine["grade_tangent"]
    )
    assert 0.08 < np.std(log["grade_percent"] - true_grade) < 0.25


def test_cheap_logger_shows_whole_km_h_truncated_once_a_second(
    exact_drive: Drive, utility: Rig
) -> None:
    log = show(exact_drive, Logger.obd_1hz(), utility)
    assert np.allclose(np.diff(log["time_s"]), 1.0)
    assert "gear" not in log and "brake_active" not in log and "grade_percent" not in log
    km_h = log["speed_m_s"] * 3.6
    assert np.allclose(km_h, np.round(km_h), atol=1e-9)
    true = 3.6 * np.interp(log["time_s"], exact_drive.fine["time_s"], exact_drive.fine["speed_m_s"])
    lost = (true - km_h)[true > 1.0]
    assert lost.min() > -1e-6
    assert lost.max() < 1.0
    assert 0.4 < lost.mean() < 0.6
    rounded = show(exact_drive, Logger.obd_1hz(rounding="round"), utility)
    assert abs((true - 3.6 * rounded["speed_m_s"])[true > 1.0].mean()) < 0.05
    graded = show(exact_drive, Logger.obd_1hz("grade"), utility)
    assert "altitude_m" not in graded and "grade_percent" in graded


def test_delay_and_hold(exact_drive: Drive, utility: Rig) -> None:
    channels = {
        "fuel_rate_g_s": Channel(delay_s=0.5),
        "engine_speed_rpm": Channel(hold_s=1.0),
        "speed_m_s": Channel(scale_error=0.02),
    }
    log = show(exact_drive, Logger(10.0, channels), utility)
    fine = exact_drive.fine
    late = np.interp(log["time_s"] - 0.5, fine["time_s"], fine["reported_fuel_rate_g_s"])
    np.testing.assert_allclose(log["fuel_rate_g_s"], late)
    held = log["engine_speed_rpm"].to_numpy()[: 10 * (len(log) // 10)].reshape(-1, 10)
    assert (held == held[:, :1]).all()
    true = np.interp(log["time_s"], fine["time_s"], fine["speed_m_s"])
    np.testing.assert_allclose(log["speed_m_s"], 1.02 * true)


def test_polled_channels_are_older_the_earlier_they_are_asked(
    exact_drive: Drive, utility: Rig
) -> None:
    channels = {name: Channel() for name in ("engine_speed_rpm", "speed_m_s")}
    log = show(exact_drive, Logger(1.0, channels, polled=True), utility)
    fine = exact_drive.fine
    earlier = np.interp(log["time_s"] - 0.5, fine["time_s"], fine["engine_speed_rad_s"])
    np.testing.assert_allclose(log["engine_speed_rpm"], earlier * 30.0 / np.pi)
    now = np.interp(log["time_s"], fine["time_s"], fine["speed_m_s"])
    np.testing.assert_allclose(log["speed_m_s"], now)


def test_dropouts_and_jitter(exact_drive: Drive, utility: Rig) -> None:
    logger = Logger(
        10.0,
        {"speed_m_s": Channel(dropout_probability=0.05)},
        jitter_s=0.02,
        row_dropout_probability=0.1,
    )
    log = show(exact_drive, logger, utility)
    assert 0.03 < log["speed_m_s"].isna().mean() < 0.07
    assert 0.87 < len(log) / 6001 < 0.93
    steps = np.diff(log["time_s"])
    assert (steps > 0.0).all() and np.std(steps) > 0.01


def test_adding_a_channel_leaves_the_others(exact_drive: Drive, utility: Rig) -> None:
    logger = Logger.good_10hz()
    one = show(exact_drive, logger, utility)
    more = show(exact_drive, logger.with_channels(ground_speed_m_s=Channel(0.1)), utility)
    for column in one:
        np.testing.assert_array_equal(one[column], more[column])
    less = show(exact_drive, logger.with_channels(gear=None), utility)
    assert "gear" not in less


def test_altitude_and_accelerometer_errors(exact_drive: Drive, utility: Rig) -> None:
    fine = exact_drive.fine
    sensor = AltitudeSensor(0.5, 0.0, lag_m=40.0, resolution_m=0.0)
    log = show(exact_drive, Logger(10.0, {}, altitude=sensor), utility)
    place = np.interp(log["time_s"], fine["time_s"], fine["distance_m"])
    behind = np.interp(place - 40.0, np.unique(fine["distance_m"]), _at_unique(fine))
    assert np.std(log["altitude_m"] - behind) == pytest.approx(0.5, rel=0.1)
    log, drawn = log_drive(
        fine, Logger(10.0, {}, accelerometer=Accelerometer(1.5, 0.0, 0.0)), utility, 3
    )
    bias = np.radians(drawn["pitch_bias_deg"][0])
    standing = np.interp(log["time_s"], fine["time_s"], fine["speed_m_s"]) == 0.0
    tangent = np.interp(log["time_s"], fine["time_s"], fine["grade_tangent"])
    expected = GRAVITY_M_S2 * np.sin(np.arctan(tangent) + bias)
    np.testing.assert_allclose(log["accel_long_m_s2"][standing], expected[standing], atol=1e-9)


def _at_unique(fine: dict[str, np.ndarray]) -> np.ndarray:
    _, first = np.unique(fine["distance_m"], return_index=True)
    return fine["altitude_m"][first]


def test_logger_off_at_a_stop_leaves_a_gap(utility: Rig) -> None:
    road = random_road(2, 2500.0, "level", stops=[Stop(900.0, 90.0, logger_off=True)])
    drive = simulate(utility, road, seed=1, combined_mass_kg=5200.0)
    gaps = np.diff(drive.log["time_s"])
    assert gaps.max() > 60.0
    assert len(drive.log) == len(drive.truth)
    np.testing.assert_array_equal(drive.log["time_s"], drive.truth["time_s"])


@pytest.mark.parametrize(
    ("value", "step", "how", "shown"),
    [(1.26, 0.1, "round", 1.3), (1.29, 0.1, "truncate", 1.2), (1.29, 0.0, "round", 1.29)],
)
def test_quantise(value: float, step: float, how: str, shown: float) -> None:
    assert quantise(np.array([value]), step, how)[0] == shown  # type: ignore[arg-type]


def test_grade_error_is_correlated_over_distance(exact_drive: Drive, utility: Rig) -> None:
    fine = exact_drive.fine
    found = []
    for seed in range(12):
        log = show(exact_drive, Logger(10.0, {}, grade=GradeSensor(0.4, 60.0)), utility, seed)
        true = 100.0 * np.interp(log["time_s"], fine["time_s"], fine["grade_tangent"])
        place = np.interp(log["time_s"], fine["time_s"], fine["distance_m"])
        error = np.interp(np.arange(200.0, 9000.0, 10.0), place, log["grade_percent"] - true)
        found.append(np.corrcoef(error[:-6], error[6:])[0, 1])
    assert np.mean(found) == pytest.approx(np.exp(-1.0), abs=0.06)


def test_a_fast_logger_gets_a_finer_internal_step(utility: Rig) -> None:
    road = random_road(2, 2500.0, "level", stops=[])
    drive = simulate(
        utility,
        road,
        seed=1,
        combined_mass_kg=5200.0,
        logger=Logger.exact(100.0),
        duration_s=30.0,
    )
    assert len(drive.log) == 3001
    assert np.diff(drive.fine["time_s"]).max() == pytest.approx(0.01)
    np.testing.assert_array_equal(drive.log["ground_speed_m_s"], drive.fine["speed_m_s"])


def test_the_logged_speed_carries_a_share_of_the_slip(utility: Rig) -> None:
    shares = []
    for seed in range(6):
        drive = simulate(
            utility,
            random_road(2, 2500.0, "mountain", stops=[]),
            seed=seed,
            combined_mass_kg=5200.0,
            logger=Logger.exact(10.0),
            duration_s=60.0,
        )
        truth, share = drive.truth, drive.meta["speed_slip_share"]
        expected = truth["speed_m_s"] * (1.0 + share * truth["wheel_slip"])
        np.testing.assert_allclose(drive.log["speed_m_s"], expected, rtol=1e-9)
        assert truth["wheel_slip"].max() > 1e-3
        shares.append(share)
    assert 0.0 <= min(shares) < 0.5 < max(shares) <= 1.0
