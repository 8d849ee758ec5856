"""Departures: nothing when off; each does what its size says, by a computation of its own."""

from __future__ import annotations

from dataclasses import fields, replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, signal

from loadlearn.simulation.departures import (
    ALTIMETER_TIME_S,
    FORCE_NOISE_TIME_S,
    SQUALL_TIME_S,
    Departures,
    first_order_lag,
    other_channels,
    other_road,
    pulsing_foot,
    trailing_mean,
)
from loadlearn.simulation.drive import Drive, PlantVariation, simulate
from loadlearn.simulation.driver import drive_pedals
from loadlearn.simulation.preparation import prepare_drive
from loadlearn.simulation.road import GRID_M, altitude_from_grade, random_road
from loadlearn.simulation.scenarios import shipped_rig
from loadlearn.simulation.sensors import Channel, Logger
from loadlearn.vehicle.rig import Rig

NAMES = tuple(one.name for one in fields(Departures))
# A size of each that shows within some minutes.
SIZES = {
    "lap_length_m": 1500.0,
    "town_stops_per_km": 3.0,
    "feedforward_loss": 1.0,
    "pedal_pulse": 0.15,
    "squall_sd_m_s": 3.0,
    "platoon_shelter": 0.35,
    "alternator_step_kw": 1.5,
    "fan_power_kw": 4.0,
    "gear_efficiency_step": 0.01,
    "lockup_slip": 0.03,
    "tyre_radius_error": 0.02,
    "fuel_cut_lag_s": 1.0,
    "force_noise": 0.03,
    "power_smoothing_s": 3.0,
    "force_lag_s": 0.2,
    "force_delay_s": 2.0,
    "speed_delay_s": 2.0,
    "grade_lag_s": 3.0,
    "grade_delay_s": 2.0,
    "grade_slope_error": 0.1,
    "altimeter_drift_m": 1.5,
    "accelerometer_drift_m_s2": 0.05,
    "stamp_jitter_s": 0.03,
}
# Channels that a departure of the channels alone touches.
TOUCHED = {
    "force_noise": {"fuel_rate_g_s", "engine_torque_n_m", "tractive_force_n"},
    "power_smoothing_s": {"tractive_force_n", "tractive_power_kw"},
    "force_lag_s": {"fuel_rate_g_s", "engine_torque_n_m", "tractive_force_n"},
    "force_delay_s": {"fuel_rate_g_s", "engine_torque_n_m", "tractive_force_n"},
    "speed_delay_s": {"speed_m_s"},
    "grade_lag_s": {"grade_percent"},
    "grade_delay_s": {"grade_percent"},
    "grade_slope_error": {"grade_percent"},
    "altimeter_drift_m": {"altitude_m"},
    "accelerometer_drift_m_s2": {"accel_long_m_s2"},
    "stamp_jitter_s": {"time_s"},
}
LOGGER = Logger.exact(10.0).with_channels(tractive_force_n=Channel())


@cache
def drive(name: str = "", size: float = 0.0, kind: str = "rolling", **changes: object) -> Drive:
    """Six minutes of exact sensors and constant coefficients, with one departure or none."""
    sizes = {name: size} if name else {}
    variation = replace(PlantVariation.none(), departures=Departures(**sizes), **changes)
    return simulate(
        shipped_rig("utility_boat"),
        random_road(4, 12_000.0, kind),  # type: ignore[arg-type]
        seed=4,
        combined_mass_kg=5200.0,
        logger=LOGGER,
        duration_s=360.0,
        variation=variation,
    )


def test_every_departure_is_tried_here() -> None:
    assert set(SIZES) == set(NAMES)
    assert all(one.default == 0.0 for one in fields(Departures))


@pytest.mark.parametrize("name", NAMES)
def test_off_is_nothing_and_on_is_something(name: str) -> None:
    changes = {"cruise_share": 1.0} if name == "feedforward_loss" else {}
    plain, made = drive(**changes), drive(name, SIZES[name], **changes)
    off = drive(name, 0.0, **changes)
    pd.testing.assert_frame_equal(off.log, plain.log, check_exact=True)
    pd.testing.assert_frame_equal(off.truth, plain.truth, check_exact=True)
    if name not in TOUCHED:
        assert not made.log.equals(plain.log)
        return
    # A departure of channels leaves the drive and the other channels as they were.
    pd.testing.assert_frame_equal(made.truth, plain.truth, check_exact=True)
    changed = {
        column
        for column in set(made.log) | set(plain.log)
        if column not in made.log
        or column not in plain.log
        or not made.log[column].equals(plain.log[column])
    }
    assert changed == TOUCHED[name]


def test_other_road_is_the_same_object_when_off() -> None:
    road = random_road(1, 3000.0)
    assert other_road(road, Departures(), 1) is road


# ------------------------------------------------------------------------------------ channels


def test_first_order_lag_is_the_linear_systems() -> None:
    rng = np.random.default_rng(3)
    time = np.arange(400) * 0.1
    values = rng.standard_normal(400).cumsum()
    # scipy's simulation of 1 / (lag s + 1), inputs joined by straight lines.
    _, expected, _ = signal.lsim(([1.0], [0.4, 1.0]), values - values[0], time)
    np.testing.assert_allclose(first_order_lag(time, values, 0.4), expected + values[0], atol=1e-9)
    # Unevenly stamped: the same as of the finer, even samples on the same straight lines.
    kept = np.sort(rng.choice(400, 150, replace=False))
    kept[0] = 0
    joined = np.interp(time, time[kept], values[kept])
    _, expected, _ = signal.lsim(([1.0], [0.4, 1.0]), joined - joined[0], time)
    found = first_order_lag(time[kept], values[kept], 0.4)
    np.testing.assert_allclose(found, (expected + joined[0])[kept], atol=1e-9)


def test_trailing_mean_is_the_mean_of_the_straight_lines() -> None:
    rng = np.random.default_rng(5)
    time = np.cumsum(rng.uniform(0.05, 0.9, 200))
    values = rng.standard_normal(200).cumsum()
    found = trailing_mean(time, values, 3.0)
    for row in (0, 1, 5, 60, 199):
        at = np.linspace(time[row] - 3.0, time[row], 60_001)
        expected = integrate.trapezoid(np.interp(at, time, values), at) / 3.0
        assert found[row] == pytest.approx(expected, abs=1e-3)


def test_delays_are_whole_rows_at_10_hz() -> None:
    plain = drive().log
    for name, channel in (
        ("force_delay_s", "tractive_force_n"),
        ("force_delay_s", "fuel_rate_g_s"),
        ("speed_delay_s", "speed_m_s"),
        ("grade_delay_s", "grade_percent"),
    ):
        late = drive(name, 2.0).log[channel].to_numpy()
        np.testing.assert_allclose(late[20:], plain[channel].to_numpy()[:-20], atol=1e-9)
        early = drive(name, -1.0).log[channel].to_numpy()
        np.testing.assert_allclose(early[:-10], plain[channel].to_numpy()[10:], atol=1e-9)


def test_power_keeps_its_energy() -> None:
    made, plain = drive("power_smoothing_s", 3.0), drive()
    assert "tractive_force_n" not in made.log
    time = plain.log["time_s"].to_numpy()
    power = 1e-3 * plain.log["tractive_force_n"] * plain.log["speed_m_s"]
    smooth = made.log["tractive_power_kw"].to_numpy()
    # Three seconds of it are still to come at the end; what remains is the discretisation's.
    energy = integrate.trapezoid(power, time)
    assert abs(integrate.trapezoid(smooth, time) - energy) < 3.0 * np.abs(power[-40:]).max()
    assert np.abs(np.diff(smooth)).max() < 0.2 * np.abs(np.diff(power)).max()


def test_grade_slope() -> None:
    plain, made = drive().log["grade_percent"], drive("grade_slope_error", 0.1).log["grade_percent"]
    np.testing.assert_allclose(made, 1.1 * plain)


def wandered(departures: Departures, column: str) -> np.ndarray:
    """What two days of a constant channel show, every 2 s."""
    count = 90_000
    log = pd.DataFrame({"time_s": 2.0 * np.arange(count), column: np.full(count, 1000.0)})
    return other_channels(log, log, departures, 6)[column].to_numpy() - 1000.0


@pytest.mark.parametrize(
    ("name", "column", "sd", "time_s"),
    [
        ("altimeter_drift_m", "altitude_m", 1.5, ALTIMETER_TIME_S),
        ("force_noise", "tractive_force_n", 0.03 * 1000.0, FORCE_NOISE_TIME_S),
    ],
)
def test_coloured_errors(name: str, column: str, sd: float, time_s: float) -> None:
    error = wandered(Departures(**{name: SIZES[name]}), column)
    assert error.std() == pytest.approx(sd, rel=0.05)
    lag = round(time_s / 2.0)
    # Exponential correlation: 1/e at the correlation time.
    assert np.corrcoef(error[lag:], error[:-lag])[0, 1] == pytest.approx(np.exp(-1.0), abs=0.05)


def test_accelerometer_wanders_slowly() -> None:
    error = wandered(Departures(accelerometer_drift_m_s2=0.05), "accel_long_m_s2")
    assert error.std() == pytest.approx(0.05, rel=0.15)


def test_stamps_jitter_in_order() -> None:
    error = (drive("stamp_jitter_s", 0.03).log["time_s"] - drive().log["time_s"]).to_numpy()
    assert error.std() == pytest.approx(0.03, rel=0.15)
    assert np.all(np.diff(drive("stamp_jitter_s", 0.3).log["time_s"]) > 0.0)


# ----------------------------------------------------------------------------------- the vehicle


def test_speed_comes_from_wheels_of_another_radius(utility: Rig) -> None:
    made = drive("tyre_radius_error", 0.02, wheel_slip=False)
    assert (made.log["speed_m_s"] * 1.02 - made.truth["speed_m_s"]).abs().max() < 1e-9
    locked = made.truth["converter_locked"] == 1.0
    ratio = np.array([utility.overall_ratio(int(gear)) for gear in made.truth["gear"][locked]])
    # The rig's radius explains what is logged: v = w r / ratio.
    speed = made.log["engine_speed_rpm"][locked] * np.pi / 30.0
    speed *= utility.vehicle.tyre_radius_m / ratio
    np.testing.assert_allclose(made.log["speed_m_s"][locked], speed, rtol=2e-3)


def pulling(made: Drive) -> np.ndarray:
    fine = made.fine
    return (fine["locked"] > 0.5) & (fine["engine_torque_n_m"] > 50.0) & (fine["shifting"] < 0.5)


def test_efficiency_goes_by_gear(utility: Rig) -> None:
    fine = drive("gear_efficiency_step", 0.01).fine
    here = pulling(drive("gear_efficiency_step", 0.01))
    ratio = np.array([utility.overall_ratio(int(gear)) for gear in fine["gear"][here]])
    without_loss = fine["engine_torque_n_m"][here] * ratio / utility.vehicle.tyre_radius_m
    efficiency = fine["driving_force_n"][here] / without_loss
    even = fine["gear"][here] % 2.0 == 0.0
    assert even.any() and not even.all()
    expected = utility.driveline.efficiency * np.where(even, 1.01, 0.99)
    np.testing.assert_allclose(efficiency, expected, rtol=1e-9)


def test_lock_up_slips_and_loses_what_it_slips(utility: Rig) -> None:
    made = drive("lockup_slip", 0.03, wheel_slip=False)
    fine, here = made.fine, pulling(made)
    ratio = np.array([utility.overall_ratio(int(gear)) for gear in fine["gear"]])
    turbine = fine["speed_m_s"] * ratio / utility.vehicle.tyre_radius_m
    slip = fine["engine_speed_rad_s"] / np.maximum(turbine, 1.0) - 1.0
    upper = here & (fine["gear"] >= 3.0)
    assert np.quantile(slip[upper], 0.9) == pytest.approx(0.03, abs=0.001)
    # Power of the engine less what spins it up, what the clutch loses, what the driveline keeps.
    spin_up = utility.engine.inertia_kg_m2 * np.gradient(fine["engine_speed_rad_s"], fine["time_s"])
    engine_w = (fine["engine_torque_n_m"] - spin_up) * fine["engine_speed_rad_s"]
    wheels_w = fine["tractive_force_n"] * fine["speed_m_s"] / utility.driveline.efficiency
    lost_w = engine_w - wheels_w
    steady = upper & (np.abs(np.gradient(slip, fine["time_s"])) < 1e-3) & (slip > 0.02)
    assert np.count_nonzero(steady) > 1000
    share = np.median(lost_w[steady] / fine["converter_loss_w"][steady])
    assert share == pytest.approx(1.0, abs=0.15)
    assert np.median(lost_w[steady] / engine_w[steady]) == pytest.approx(0.029, abs=0.005)


def indicated_w(fine: dict[str, np.ndarray], rig: Rig) -> np.ndarray:
    """Power that the fuel gives by the Willans line, less friction and brake power."""
    engine, speed = rig.engine, fine["engine_speed_rad_s"]
    heat = fine["fuel_rate_g_s"] * engine.heating_value_j_g * engine.indicated_efficiency
    mep = engine.friction_mep_kpa + engine.friction_mep_slope_kpa_s_per_rad * speed
    friction = 1e3 * mep * engine.displacement_l * 1e-3 / (4.0 * np.pi)
    return np.asarray(heat - (fine["engine_torque_n_m"] + friction) * speed)


def test_fan_takes_its_power_from_the_engine(utility: Rig) -> None:
    made, plain = drive("fan_power_kw", 4.0, "mountain"), drive("", 0.0, "mountain")
    mean_w = 1e3 * utility.engine.accessory_power_kw
    for one in (made, plain):
        burning = (one.fine["fuel_rate_g_s"] > 0.0) & (one.fine["engine_torque_n_m"] > 0.0)
        left = indicated_w(one.fine, utility)[burning]
        np.testing.assert_allclose(left, one.fine["accessory_power_w"][burning], atol=400.0)
    levels = np.unique(np.round(made.fine["accessory_power_w"], 6))
    np.testing.assert_allclose(levels, [mean_w, mean_w + 4000.0])
    running = made.fine["accessory_power_w"] > mean_w + 1.0
    torque = made.fine["engine_torque_n_m"]
    assert torque[running].mean() > 1.5 * torque[~running].mean()


def test_alternator_switches_a_load() -> None:
    power = drive("alternator_step_kw", 1.5).fine["accessory_power_w"]
    levels, counts = np.unique(np.round(power, 3), return_counts=True)
    two = np.sort(levels[np.argsort(counts)[-2:]])
    assert two[1] - two[0] == pytest.approx(1500.0)
    assert counts.sum() - np.sort(counts)[-2:].sum() < 0.01 * power.size


def test_fuel_goes_on_after_the_foot_is_off(utility: Rig) -> None:
    fine = drive("fuel_cut_lag_s", 1.0).fine
    off = fine["accelerator"] == 0.0
    step = fine["time_s"][1]
    # What is burnt against friction and accessories alone.
    idle_w = indicated_w({**fine, "engine_torque_n_m": np.zeros(off.size)}, utility)
    seen = 0
    for start in np.flatnonzero(off[1:] & ~off[:-1]) + 1:
        after = slice(start, start + int(2.0 / step))
        if not off[after].all() or (fine["phase"][after] > 0.5).any():
            continue
        since = fine["time_s"][after] - fine["time_s"][start]
        fuel, torque = fine["fuel_rate_g_s"][after], fine["engine_torque_n_m"][after]
        still = (since < 0.97) & (torque < 0.0)
        np.testing.assert_allclose(idle_w[after][still], fine["accessory_power_w"][after][still])
        assert still.any() and fuel[since > 1.03].max() < 0.01 < fuel[still].min()
        seen += 1
    assert seen >= 2


# -------------------------------------------------------------------- driver and surroundings


def test_cruise_control_without_foresight_answers_the_speed_only(utility: Rig) -> None:
    road = random_road(1, 3000.0, "flat")

    def first_pedal(loss: float, cruising: bool) -> float:
        variation = PlantVariation(departures=Departures(feedforward_loss=loss))
        made = prepare_drive(utility, road, 1, 5200.0, variation=variation)
        state = made.initial_state()
        state.speed_m_s = 20.0
        drive_pedals(
            state, 20.0, 40.0, 40.0, 1e4, 0.0, False, cruising, 3000.0, 8000.0, 0.0, 0.0,
            0.02, made.plant.driver,
        )  # fmt: skip
        return state.pedal_target

    assert first_pedal(0.0, True) == pytest.approx(0.85 * 3000.0 / 8000.0)
    assert first_pedal(0.5, True) == pytest.approx(0.425 * 3000.0 / 8000.0)
    assert first_pedal(1.0, True) == 0.0
    assert first_pedal(1.0, False) == first_pedal(0.0, False)


def test_foot_pumps_within_its_band() -> None:
    pulse = pulsing_foot(np.random.default_rng(2).standard_normal(200_000), 0.1, 0.15)
    assert np.abs(pulse).max() <= 0.15
    assert pulse.std() == pytest.approx(0.15 / np.sqrt(2.0), rel=0.02)
    frequency, power = signal.welch(pulse, 10.0, nperseg=8192)
    inside = (frequency > 0.045) & (frequency < 0.21)
    assert power[inside].sum() > 0.98 * power.sum()
    strong = frequency[power > 0.05 * power.max()]
    assert strong.min() < 0.07 and strong.max() > 0.15


def test_foot_shows_in_the_pedal() -> None:
    def swing(made: Drive) -> float:
        pedal = made.log["accelerator_percent"].to_numpy()[1200:]
        frequency, power = signal.welch(pedal, 10.0, nperseg=1024)
        inside = (frequency > 0.04) & (frequency < 0.22)
        return float(np.sqrt(integrate.trapezoid(power[inside], frequency[inside])))

    steady = {"cruise_share": 0.0, "lifts_per_hour": 0.0, "speed_offset_sd": 0.0}
    plain, made = (drive("pedal_pulse", size, "motorway", **steady) for size in (0.0, 0.15))
    # A sine's standard deviation is its amplitude over the square root of two (percent here).
    assert np.hypot(swing(plain), 15.0 / np.sqrt(2.0)) == pytest.approx(swing(made), rel=0.3)


def test_squalls() -> None:
    variation = replace(PlantVariation.none(), departures=Departures(squall_sd_m_s=3.0))
    made = prepare_drive(
        shipped_rig("utility_boat"), random_road(1, 3000.0), 2, duration_s=60_000.0,
        variation=variation,
    )  # fmt: skip
    gust = made.noise["gust_along_m_s"]
    assert gust.std() == pytest.approx(3.0, rel=0.08)
    lag = round(SQUALL_TIME_S / 0.1)
    assert np.corrcoef(gust[lag:], gust[:-lag])[0, 1] == pytest.approx(np.exp(-1.0), abs=0.06)


def test_platoon_shelters_for_minutes() -> None:
    variation = replace(PlantVariation.none(), departures=Departures(platoon_shelter=0.35))
    made = prepare_drive(
        shipped_rig("utility_boat"), random_road(1, 3000.0), 2, duration_s=36_000.0,
        variation=variation,
    )  # fmt: skip
    factor = made.noise["drag_factor"]
    assert factor.max() == 1.0 and factor.min() > 0.59
    behind = factor < 0.71
    assert 0.5 < behind.mean() < 0.9
    spells = np.diff(np.flatnonzero(np.diff(np.concatenate([[0], behind.astype(int), [0]]))))[::2]
    assert 0.1 * spells.min() > 100.0
    assert np.count_nonzero((factor > 0.71) & (factor < 1.0)) < 0.1 * factor.size


# ------------------------------------------------------------------------------------- the road


def test_laps_close_and_repeat() -> None:
    road = random_road(7, 20_000.0, "mountain")
    laps = other_road(road, Departures(lap_length_m=4000.0), 1)
    steps = round(4000.0 / GRID_M)
    np.testing.assert_array_equal(laps.grade_percent[steps:], laps.grade_percent[:-steps])
    assert laps.altitude_m[steps] == pytest.approx(laps.altitude_m[0], abs=0.5)
    np.testing.assert_allclose(laps.altitude_m, altitude_from_grade(laps.grade_percent, 120.0))
    # No kink at the seam that a road builder would not allow (common practice, no source).
    assert np.abs(np.diff(laps.grade_percent)).max() < 1.0
    np.testing.assert_allclose(
        laps.grade_percent[: steps - 40] - road.grade_percent[: steps - 40],
        laps.grade_percent[0] - road.grade_percent[0],
        atol=1e-12,
    )


def test_grade_channel_errs_alike_on_every_lap(utility: Rig) -> None:
    made = simulate(
        utility,
        random_road(4, 12_000.0, "flat"),
        seed=4,
        combined_mass_kg=5200.0,
        duration_s=360.0,
        variation=PlantVariation(departures=Departures(lap_length_m=1500.0)),
    )
    error = (made.log["grade_percent"] - made.truth["grade_percent"]).to_numpy()
    place = made.truth["distance_m"].to_numpy()
    assert place[-1] > 3200.0 and error.std() > 0.05
    first, second = place < 1500.0, (place >= 1500.0) & (place < 3000.0)
    expected = np.interp(place[second] - 1500.0, place[first], error[first])
    np.testing.assert_allclose(error[second], expected, atol=0.02)


def test_ground_is_alike_on_every_lap(utility: Rig) -> None:
    departures = Departures(lap_length_m=4000.0)
    road = other_road(random_road(4, 20_000.0, "flat"), departures, 4)
    made = prepare_drive(utility, road, 4, variation=PlantVariation(departures=departures))
    steps = round(4000.0 / GRID_M)
    for column in ("coefficient", "nominal_coefficient"):
        values = made.ground[column]
        np.testing.assert_array_equal(values[steps:], values[:-steps])
        assert values.std() > 0.0


def test_town_stops_as_often_as_it_says() -> None:
    road = random_road(3, 60_000.0, "rolling")
    town = other_road(road, Departures(town_stops_per_km=2.5), 3)
    assert len(town.stops) == pytest.approx(2.5 * 60.0, rel=0.12)
    gaps = np.diff([stop.distance_m for stop in town.stops])
    assert gaps.min() > 1000.0 / 2.5 / 3.0 - 1.0
    assert town.speed_limit_m_s.max() <= 60.0 / 3.6
    driven = drive("town_stops_per_km", 3.0).truth["speed_m_s"]
    assert driven.max() < 18.0 and (driven == 0.0).mean() > 0.1
