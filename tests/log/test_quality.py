"""Log quality: what is put on a drive of known truth must be found again."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pandas as pd
import pytest
from drive_bench import DRAG_AREA_M2, MASS_KG, ROLLING, bench_drive, small_rig

from loadlearn.log.alignment import make_grid, shrink, smooth
from loadlearn.log.contradictions import contradictions, nearest_ratio
from loadlearn.log.excitation import CORRELATED_BLOCKS, fit_balance
from loadlearn.log.quality import ChannelQuality, LogQuality, log_quality
from loadlearn.log.readers import read_log
from loadlearn.log.trace import validate_trace
from loadlearn.vehicle.roadload import grade_angle

BASIC = ["time_s", "speed_m_s", "tractive_force_n", "grade_percent", "engine_speed_rpm", "gear"]


def late(drive: pd.DataFrame, name: str, by_s: float) -> np.ndarray:
    return np.interp(drive["time_s"] - by_s, drive["time_s"], drive[name])


def channel(quality: LogQuality, name: str) -> ChannelQuality:
    return next(one for one in quality.channels if one.channel == name)


def test_plain_facts() -> None:
    drive = bench_drive(600.0, rate_hz=20.0)
    quality = log_quality(validate_trace(drive))
    assert quality.rows == 12_000
    assert quality.duration_s == pytest.approx(599.95)
    assert quality.sample_rate_hz == pytest.approx(20.0)
    assert quality.interval_jitter_s == pytest.approx(0.0, abs=1e-9)
    mean_speed = float(drive["speed_m_s"].mean())
    assert quality.distance_m == pytest.approx(599.95 * mean_speed, rel=1e-3)
    assert quality.gaps == quality.repeated_stamps == 0
    assert quality.contradictions == [] and quality.polled_in_turn == []
    assert [one.channel for one in quality.channels] == list(drive.columns[1:])
    assert quality.force_channel == "tractive_force_n" and quality.grade_channel == "grade_percent"


def test_to_dict_is_plain_json() -> None:
    drive = bench_drive(120.0)
    drive["ambient_temp_degc"] = np.nan
    table = log_quality(validate_trace(drive), small_rig()).to_dict()
    assert json.loads(json.dumps(table, allow_nan=False)) == table
    assert set(table) == {field.name for field in dataclasses.fields(LogQuality)}
    assert {"channel", "unit", "step", "delay_s"} <= set(table["channels"][0])


def test_jitter_and_gaps_are_measured() -> None:
    rng = np.random.default_rng(2)
    drive = bench_drive(300.0)
    drive["time_s"] += rng.uniform(-0.02, 0.02, len(drive))
    drive.loc[1000:, "time_s"] += 9.0
    quality = log_quality(validate_trace(drive))
    # The difference of two uniform errors of half-width h has median deviation h (2 - sqrt 2).
    expected = 1.4826 * 0.02 * (2.0 - np.sqrt(2.0))
    assert quality.interval_jitter_s == pytest.approx(expected, rel=0.1)
    assert quality.gaps == 1 and len(quality.gap_stretches_s) == 1
    assert quality.longest_gap_s == pytest.approx(9.1, abs=0.05)


# --------------------------------------------------------------------- resolution and rounding


@pytest.mark.parametrize("how", ["rounded", "truncated"])
@pytest.mark.parametrize("with_rig", [True, False])
def test_whole_kilometres_per_hour(how: str, with_rig: bool) -> None:
    log = bench_drive()[BASIC].rename(columns={"speed_m_s": "speed_kmh"})
    to_step = np.round if how == "rounded" else np.floor
    log["speed_kmh"] = to_step(3.6 * log["speed_kmh"])
    quality = log_quality(read_log(log), small_rig() if with_rig else None)
    speed = channel(quality, "speed_m_s")
    assert (speed.column, speed.unit, speed.step) == ("speed_kmh", "km/h", pytest.approx(1.0))
    assert speed.rounding == how
    assert speed.update_interval_s is None


@pytest.mark.parametrize(
    ("column", "step"),
    [("engine_speed_rpm", 0.25), ("altitude_m", 0.5), ("grade_percent", 0.1), ("gear", None)],
)
def test_steps_of_other_channels(column: str, step: float | None) -> None:
    drive = bench_drive()
    if step is not None:
        drive[column] = np.round(drive[column] / step) * step
    found = channel(log_quality(validate_trace(drive)), column).step
    assert found == (None if step is None else pytest.approx(step, rel=1e-6))
    assert channel(log_quality(validate_trace(bench_drive())), "engine_speed_rpm").step is None


def test_step_in_the_unit_it_was_read_in() -> None:
    log = bench_drive()[BASIC].assign(coolant_temp_degf=np.round(180 + np.arange(9000) / 300.0))
    assert channel(log_quality(read_log(log)), "coolant_temp_degc").step == pytest.approx(1.0)


# ------------------------------------------------------------------------------------- rhythm


def held(drive: pd.DataFrame, name: str, every: int, phase: int) -> np.ndarray:
    index = np.arange(len(drive))
    last = np.maximum((index - phase) // every * every + phase, 0)
    return drive[name].to_numpy()[last]


def test_held_values_and_their_interval() -> None:
    drive = bench_drive()
    drive["speed_m_s"] = np.round(3.6 * held(drive, "speed_m_s", 10, 0)) / 3.6
    quality = log_quality(validate_trace(drive))
    assert channel(quality, "speed_m_s").update_interval_s == pytest.approx(1.0)
    assert channel(quality, "grade_percent").update_interval_s is None
    assert quality.polled_in_turn == []


def test_channels_polled_in_turn_are_told_from_those_renewed_together() -> None:
    drive, together = bench_drive(), bench_drive()
    for phase, name in ((0, "speed_m_s"), (4, "fuel_rate_g_s"), (7, "engine_speed_rpm")):
        drive[name] = held(drive, name, 10, phase)
        together[name] = held(together, name, 10, 0)
    turn = log_quality(validate_trace(drive)).polled_in_turn
    assert turn == ["speed_m_s", "fuel_rate_g_s", "engine_speed_rpm"]
    assert log_quality(validate_trace(together)).polled_in_turn == []


# ------------------------------------------------------------------------------------- delays


@pytest.mark.parametrize("force", ["tractive_force_n", "fuel_rate_g_s", "engine_torque_n_m"])
@pytest.mark.parametrize("by_s", [-0.4, 0.0, 0.8])
def test_delay_of_the_force_channel(force: str, by_s: float) -> None:
    drive = bench_drive()
    omega = drive["engine_speed_rpm"] * np.pi / 30.0
    drive["engine_torque_n_m"] = drive["tractive_force_n"] * drive["speed_m_s"] / omega
    drive = drive[["time_s", "speed_m_s", force, "grade_percent", "engine_speed_rpm"]]
    drive = drive.assign(**{force: late(drive, force, by_s)})
    if force == "fuel_rate_g_s":
        drive[force] = drive[force].clip(lower=0.0)
    found = channel(log_quality(validate_trace(drive)), force)
    assert found.delay_s == pytest.approx(by_s, abs=0.15)
    assert abs(found.delay_s - by_s) < 4.0 * found.delay_sd_s


@pytest.mark.parametrize("source", ["grade_percent", "altitude_m"])
@pytest.mark.parametrize("by_s", [0.0, 2.5])
def test_delay_of_the_grade(source: str, by_s: float) -> None:
    drive = bench_drive(1200.0)
    drive[source] = late(drive, source, by_s)
    drive["tractive_force_n"] = late(drive, "tractive_force_n", 0.5)
    drive = drive[["time_s", "speed_m_s", "tractive_force_n", source]]
    quality = log_quality(validate_trace(drive))
    assert channel(quality, source).delay_s == pytest.approx(by_s, abs=0.4)
    assert channel(quality, "tractive_force_n").delay_s == pytest.approx(0.5, abs=0.15)


def test_delay_of_engine_and_ground_speed() -> None:
    drive = bench_drive()
    drive["ground_speed_m_s"] = late(drive, "speed_m_s", 0.9)
    drive["engine_speed_rpm"] = late(drive, "engine_speed_rpm", -0.3)
    quality = log_quality(validate_trace(drive))
    assert channel(quality, "ground_speed_m_s").delay_s == pytest.approx(0.9, abs=0.1)
    assert channel(quality, "engine_speed_rpm").delay_s == pytest.approx(-0.3, abs=0.1)


def test_delay_of_altitude_and_accelerometer_beside_a_grade() -> None:
    drive = bench_drive(1200.0)
    drive["altitude_m"] = late(drive, "altitude_m", 3.0)
    drive["accel_long_m_s2"] = late(drive, "accel_long_m_s2", 0.7)
    quality = log_quality(validate_trace(drive))
    assert channel(quality, "altitude_m").delay_s == pytest.approx(3.0, abs=0.4)
    assert channel(quality, "grade_percent").delay_s == pytest.approx(0.0, abs=0.4)
    assert channel(quality, "accel_long_m_s2").delay_s == pytest.approx(0.7, abs=0.15)
    alone = drive.drop(columns=["grade_percent", "altitude_m"])
    found = channel(log_quality(validate_trace(alone)), "accel_long_m_s2").delay_s
    assert found is None or found == pytest.approx(0.7, abs=0.3)


def test_no_delay_is_claimed_at_a_steady_speed_on_the_flat() -> None:
    rng = np.random.default_rng(8)
    drive = bench_drive()
    drive["speed_m_s"] = 20.0
    drive["grade_percent"] = 0.0
    drive["tractive_force_n"] = 1500.0 + rng.normal(0.0, 100.0, len(drive))
    drive = drive[["time_s", "speed_m_s", "tractive_force_n", "grade_percent"]]
    assert channel(log_quality(validate_trace(drive)), "tractive_force_n").delay_s is None


def test_smoothing_neither_delays_nor_scales() -> None:
    ramp = np.arange(500.0)
    np.testing.assert_allclose(smooth(ramp, 0.1)[20:-20], ramp[20:-20])
    impulse = np.zeros(101)
    impulse[50] = 1.0
    after = smooth(impulse, 0.1, 2.0)
    assert after.sum() == pytest.approx(1.0)
    assert (after * np.arange(101)).sum() == pytest.approx(50.0)


def test_shrink() -> None:
    mask = np.array([1, 1, 1, 0, 1, 1, 1, 1, 1], dtype=bool)
    np.testing.assert_array_equal(shrink(mask, 1), [1, 1, 0, 0, 0, 1, 1, 1, 1])
    np.testing.assert_array_equal(shrink(mask, 0), mask)


# ------------------------------------------------------------------------------ contradictions


def found_in(drive: pd.DataFrame, with_rig: bool = True) -> str:
    trace = validate_trace(drive)
    return " ".join(contradictions(trace, make_grid(trace), small_rig() if with_rig else None))


def test_a_sound_log_has_no_contradictions() -> None:
    drive = bench_drive()
    drive["ground_speed_m_s"] = drive["speed_m_s"]
    drive["brake_active"] = 0.0
    assert found_in(drive) == ""


def test_logged_gear_against_the_ratio_seen() -> None:
    drive = bench_drive()
    drive["gear"] = drive["gear"] - 1.0
    assert "logged gear disagrees" in found_in(drive)


def test_low_range_that_is_not_logged() -> None:
    drive = bench_drive()
    at = drive["time_s"].between(300.0, 340.0)
    drive.loc[at, "engine_speed_rpm"] *= 2.5
    assert "Low range is engaged for 40 s" in found_in(drive)
    drive["transfer_range"] = at.astype(float)
    assert found_in(drive) == ""


def test_engine_speed_that_fits_no_gear() -> None:
    drive = bench_drive()
    drive["engine_speed_rpm"] *= 1.15
    assert "fits none of the rig's gears" in found_in(drive)


def test_speeds_that_disagree() -> None:
    drive = bench_drive()
    drive["ground_speed_m_s"] = drive["speed_m_s"] / 1.06
    assert "6.0 % above the speed over ground" in found_in(drive)


def test_a_brake_switch_that_is_stuck() -> None:
    assert "brake" in found_in(bench_drive().assign(brake_active=1.0))


def test_signs_of_grade_and_accelerometer() -> None:
    drive = bench_drive()
    drive["grade_percent"] *= -1.0
    assert "Grade and altitude disagree: they have opposite signs" in found_in(drive)
    drive = bench_drive()
    drive["accel_long_m_s2"] *= -1.0
    assert "accelerometer disagrees" in found_in(drive) and "opposite" in found_in(drive)
    drive = bench_drive()
    drive["grade_percent"] = np.arctan(drive["grade_percent"] / 100.0) * 180.0 / np.pi
    assert "Grade and altitude disagree: one is 1.7 times" in found_in(drive)


def test_nearest_ratio_counts_low_range_after_the_highest_gear() -> None:
    drive = bench_drive(60.0)
    index, error = nearest_ratio(drive, small_rig())
    np.testing.assert_array_equal(index + 1, drive["gear"])
    assert error.max() < 1e-9
    # First gear in low range is 2.5 times first gear, which no high gear comes near.
    low = drive.assign(
        engine_speed_rpm=drive["engine_speed_rpm"]
        * 2.5
        * 3.6
        / drive["gear"].map({4.0: 1.0, 5.0: 0.7})
    )
    index, error = nearest_ratio(low, small_rig())
    assert (index == 5).all() and error.max() < 1e-9


def test_cruise_control_logged_and_inferred() -> None:
    drive = bench_drive()
    quality = log_quality(validate_trace(drive))
    assert (quality.cruise_source, quality.cruise_stretches_s) == ("inferred", [])
    at = drive["time_s"].between(200.0, 320.0)
    steady = drive.copy()
    steady.loc[at, "speed_m_s"] = 22.0 + 0.1 * np.sin(steady.loc[at, "time_s"])
    (found,) = log_quality(validate_trace(steady)).cruise_stretches_s
    assert 200.0 <= found[0] < 215.0 and 305.0 < found[1] <= 320.0
    drive["cruise_active"] = at.astype(float)
    quality = log_quality(validate_trace(drive))
    assert quality.cruise_source == "logged"
    assert quality.cruise_stretches_s == [[pytest.approx(200.0), pytest.approx(320.0)]]


# ---------------------------------------------------------------------------------- excitation


def test_standard_errors_are_those_of_repeated_drives() -> None:
    """Over drives with fresh noise the estimates scatter as the standard errors say."""
    rng = np.random.default_rng(6)
    drive = bench_drive(600.0, noise_n=0.0)
    clean = drive["tractive_force_n"].to_numpy()
    sine = grade_angle(drive["grade_percent"])[0]
    time_s, speed = drive["time_s"].to_numpy(), drive["speed_m_s"].to_numpy()
    fits = []
    for _ in range(200):
        # Noise that is correlated over some seconds, so that the widening is needed.
        white = rng.normal(0.0, 400.0, 300 + 10)
        slow = np.repeat(np.convolve(white, np.ones(5) / 5.0, mode="valid")[:300], 20)
        fits.append(fit_balance(time_s, clean + slow, 0.0, speed, sine, 1.18))
    values = np.array([fit.coefficients for fit in fits])
    claimed = np.mean([np.sqrt(np.diag(fit.covariance)) for fit in fits], axis=0)
    truth = np.array([MASS_KG, MASS_KG * ROLLING, DRAG_AREA_M2])
    scatter = values.std(axis=0)
    np.testing.assert_allclose(claimed, scatter, rtol=0.35)
    assert (np.abs(values.mean(axis=0) - truth) < 3.0 * scatter / np.sqrt(200) + 0.01 * truth).all()


def test_excitation_agrees_with_statsmodels() -> None:
    """The coefficients and their covariance are those of another program."""
    import statsmodels.api as sm

    drive = bench_drive(600.0)
    time_s, speed = drive["time_s"].to_numpy()[::20], drive["speed_m_s"].to_numpy()[::20]
    rng = np.random.default_rng(9)
    sine = 0.03 * rng.standard_normal(time_s.size)
    force = 5000.0 * 9.80665 * (sine + 0.012 * np.sqrt(1 - sine**2)) + 1.4 * speed**2
    force = force + rng.normal(0.0, 300.0, time_s.size)
    fit = fit_balance(time_s, force, 0.0, speed, sine, 1.2)

    def mean(values: np.ndarray) -> np.ndarray:
        return 0.5 * (values[1:] + values[:-1])

    acceleration = np.diff(speed) / np.diff(time_s)
    x = np.stack(
        [
            acceleration + 9.80665 * mean(sine),
            9.80665 * mean(np.sqrt(1 - sine**2)),
            0.6 * mean(speed**2),
        ],
        axis=1,
    )
    other = sm.OLS(mean(force), x).fit(
        cov_type="HAC", cov_kwds={"maxlags": CORRELATED_BLOCKS, "use_correction": False}
    )
    np.testing.assert_allclose(fit.coefficients, other.params, rtol=1e-6)
    np.testing.assert_allclose(fit.covariance, other.cov_params(), rtol=1e-6)
    assert fit.residual_sd_n == pytest.approx(np.sqrt(np.sum(other.resid**2) / other.df_resid))


def test_a_prior_on_drag_area_narrows_it() -> None:
    drive = bench_drive(300.0)
    arguments = (
        drive["time_s"].to_numpy(),
        drive["tractive_force_n"].to_numpy(),
        0.0,
        drive["speed_m_s"].to_numpy(),
        grade_angle(drive["grade_percent"])[0],
        1.18,
    )
    free = fit_balance(*arguments)
    tied = fit_balance(*arguments, drag_area_prior=(2.4, 1e-3))
    assert tied.coefficients[2] == pytest.approx(2.4, abs=0.01)
    assert np.sqrt(tied.covariance[2, 2]) == pytest.approx(1e-3, rel=0.02)
    assert tied.covariance[1, 1] < free.covariance[1, 1]
    assert fit_balance(*(a[:50] if isinstance(a, np.ndarray) else a for a in arguments)) is None


def test_hills_teach_the_mass_and_a_flat_steady_drive_does_not() -> None:
    hilly = log_quality(validate_trace(bench_drive()[BASIC]), small_rig())
    mass = hilly.excitation[0]
    assert mass.quantity == "mass_kg" and mass.learnable
    assert abs(mass.fitted - MASS_KG) < 0.03 * MASS_KG
    assert any("can tell mass" in one for one in hilly.can_learn)

    rng = np.random.default_rng(10)
    flat = bench_drive()[BASIC]
    flat["speed_m_s"] = 20.0 + 0.05 * np.sin(flat["time_s"] / 20.0)
    flat["grade_percent"] = 0.02 * np.sin(flat["time_s"] / 30.0)
    flat["tractive_force_n"] = 1400.0 + rng.normal(0.0, 200.0, len(flat))
    told = log_quality(validate_trace(flat), small_rig())
    assert not told.excitation[0].learnable
    assert any("drive hills or vary the speed" in one for one in told.can_learn)
    assert any("can hardly be told apart" in one for one in told.can_learn)


def test_without_a_rig_fuelling_tells_nothing() -> None:
    drive = bench_drive(120.0).drop(columns="tractive_force_n")
    quality = log_quality(validate_trace(drive))
    assert quality.excitation == ()
    assert any("--rig" in one for one in quality.can_learn)
    short = log_quality(validate_trace(bench_drive(20.0)[BASIC]))
    assert any("Too little" in one for one in short.can_learn)


@pytest.mark.parametrize("rows", [2, 3, 5, 30])
def test_very_short_logs(rows: int) -> None:
    for columns in (BASIC, ["time_s", "speed_m_s", "fuel_rate_g_s", "altitude_m"]):
        trace = validate_trace(bench_drive(60.0)[columns].iloc[:rows])
        assert log_quality(trace, small_rig()).rows == rows


def test_logs_with_much_missing() -> None:
    rng = np.random.default_rng(12)
    drive = bench_drive(300.0)
    for name in drive.columns[1:]:
        drive.loc[rng.random(len(drive)) < 0.2, name] = np.nan
    drive["boost_kpa"] = np.nan
    drive.loc[5, "boost_kpa"] = 3.0
    quality = log_quality(validate_trace(drive), small_rig())
    assert channel(quality, "fuel_rate_g_s").missing_percent == pytest.approx(20.0, abs=3.0)
    json.dumps(quality.to_dict(), allow_nan=False)


def test_standing_all_the_time() -> None:
    drive = bench_drive(120.0).assign(speed_m_s=0.0)
    quality = log_quality(validate_trace(drive), small_rig())
    assert quality.distance_m == 0.0
    assert quality.excitation == () or not quality.excitation[0].learnable
