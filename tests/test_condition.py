"""Condition checks: the statistics by themselves, and findings on simulated drives."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from schema_bench import held_together, keys_of, part_of

from loadlearn.condition import assess, learn_baseline, measures
from loadlearn.condition.assessment import condense
from loadlearn.condition.catalogue import CHECKS, PATTERNS
from loadlearn.condition.evidence import (
    Expectation,
    Measure,
    expected_events,
    expected_from_baseline,
    holm,
)
from loadlearn.condition.maps import features
from loadlearn.condition.points import BIN_S, operating_points
from loadlearn.condition.robust import robust_fit, robust_mean
from loadlearn.simulation.drive import simulate
from loadlearn.simulation.faults import EngineCharacter, Fault, with_condition
from loadlearn.simulation.road import Stop, random_road
from loadlearn.simulation.variation import PlantVariation
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import GRAVITY_M_S2

RIG = Rig.from_dict(
    {
        "name": "test utility",
        "vehicle": {"mass_kg": 2650.0, "tyre_radius_m": 0.38, "rated_gcm_kg": 6000.0},
        "engine": {
            "displacement_l": 2.8,
            "full_load_rpm": [1000, 1500, 2000, 3000, 3800, 4200],
            "full_load_torque_n_m": [235, 430, 450, 430, 340, 270],
        },
        "driveline": {
            "gear_ratios": [3.60, 2.09, 1.49, 1.00, 0.69, 0.58],
            "final_drive": 3.91,
            "converter_stall_torque_ratio": 1.9,
        },
    }
)
CHARACTER = EngineCharacter.draw(3)


# --- statistics ---------------------------------------------------------------------------------
def _correlated(rng, blocks=60, each=10):
    block = np.repeat(np.arange(blocks), each)
    x = rng.standard_normal(blocks * each) + np.repeat(rng.standard_normal(blocks), each)
    noise = 0.5 * rng.standard_normal(blocks * each) + np.repeat(rng.standard_normal(blocks), each)
    return np.column_stack([np.ones(x.size), x]), 2.0 + 3.0 * x + noise, block


def block_bootstrap_sd(
    columns: np.ndarray, target: np.ndarray, block: np.ndarray, repetitions: int, seed: int
) -> np.ndarray:
    """Standard deviation of the coefficients over resampled blocks: no algebra of a sandwich."""
    rng = np.random.default_rng(seed)
    members = [np.flatnonzero(block == label) for label in np.unique(block)]
    fits = []
    for _ in range(repetitions):
        drawn = rng.integers(0, len(members), len(members))
        rows = np.concatenate([members[i] for i in drawn])
        labels = np.concatenate([np.full(members[i].size, k) for k, i in enumerate(drawn)])
        fits.append(robust_fit(columns[rows], target[rows], labels).coefficients)
    return np.std(fits, axis=0, ddof=1)


def test_sandwich_knows_that_neighbours_say_the_same():
    rng = np.random.default_rng(1)
    columns, target, block = _correlated(rng)
    fit = robust_fit(columns, target, block)
    sandwich = np.sqrt(np.diag(fit.covariance))
    bootstrap = block_bootstrap_sd(columns, target, block, 50, seed=2)
    np.testing.assert_allclose(sandwich, bootstrap, rtol=0.25)
    # Taking all samples for independent would claim several times the certainty.
    naive = np.sqrt(np.diag(robust_fit(columns, target, np.arange(target.size)).covariance))
    assert sandwich[0] > 2.5 * naive[0]


def test_robust_fit_is_not_moved_by_wild_samples():
    rng = np.random.default_rng(3)
    columns, target, block = _correlated(rng)
    clean = robust_fit(columns, target, block)
    spoilt = target.copy()
    spoilt[::12] += 50.0
    fit = robust_fit(columns, spoilt, block)
    np.testing.assert_allclose(fit.coefficients, clean.coefficients, atol=0.3)
    assert np.abs(np.linalg.lstsq(columns, spoilt, rcond=None)[0][0] - 2.0) > 3.0


@settings(max_examples=30, deadline=None)
@given(st.floats(-100.0, 100.0), st.floats(0.01, 50.0))
def test_robust_mean_moves_and_stretches_with_the_values(shift, scale):
    rng = np.random.default_rng(4)
    values, block = rng.standard_normal(200), np.repeat(np.arange(20), 10)
    mean, error = robust_mean(values, block)
    moved, stretched = robust_mean(shift + scale * values, block)
    assert moved == pytest.approx(shift + scale * mean, abs=1e-5 * scale)
    assert stretched == pytest.approx(scale * error, rel=1e-4)


def test_prediction_holds_the_next_healthy_drive_as_often_as_it_says():
    rng = np.random.default_rng(5)
    trials, hits = 800, 0
    for _ in range(trials):
        spread = 0.01 / np.sqrt(rng.chisquare(3.0) / 3.0)
        # The conjugate belief: slopes scale with the spread.
        slope = rng.standard_normal(2) * np.array([0.0007, 0.004]) / 0.01 * spread
        conditions = rng.normal([18.0, 96.0], [8.0, 4.0], (6, 2))
        values = 5.0 + conditions @ slope + spread * rng.standard_normal(6)
        expected = expected_from_baseline(
            [Measure(v, 1e-6, 100) for v in values[:5]],
            conditions[:5],
            Measure(values[5], 1e-6, 100),
            conditions[5],
            0.01,
            np.array([0.0007, 0.004]),
            3.0,
        )
        low, high = expected.interval95()
        hits += low <= values[5] <= high
    assert 0.93 < hits / trials < 0.97


def test_a_fault_on_one_side_only_is_looked_for_on_that_side():
    expected = Expectation(0.0, 1.0, 5.0, "baseline")
    assert 2.0 * expected.chance(2.0, side=1) == pytest.approx(expected.chance(2.0))
    assert expected.chance(-2.0, side=-1) == pytest.approx(expected.chance(2.0, side=1))
    assert expected.chance(-2.0, side=1) > 0.9
    sides = {check.name: check.side for check in CHECKS}
    assert (sides["brake_drag"], sides["rail_pressure_at_full_flow"], sides["boost"]) == (1, -1, 0)


def test_unlike_weather_and_few_drives_make_the_prediction_wide():
    def width(count, temperature):
        expected = expected_from_baseline(
            [Measure(5.0, 0.001, 100)] * count,
            np.tile([[20.0, 98.0]], (count, 1)),
            Measure(5.0, 0.001, 100),
            np.array([temperature, 98.0]),
            0.01,
            np.array([0.0007, 0.004]),
            3.0,
        )
        low, high = expected.interval95()
        return high - low

    assert width(5, 40.0) > 1.3 * width(5, 20.0)
    assert width(1, 20.0) > 1.5 * width(5, 20.0)


def test_adjusted_probabilities_are_ordered_and_never_smaller():
    chances = [0.2, 1e-6, 0.01, 0.8, 0.03]
    adjusted = holm(chances)
    assert all(a >= c for a, c in zip(adjusted, chances, strict=True))
    assert np.argsort(adjusted)[0] == 1
    assert adjusted[1] == pytest.approx(5e-6)


def test_event_counts():
    assert expected_events(3, 90.0, 10.0, 0) == 1.0
    few, many = (expected_events(3, 90.0, 10.0, n) for n in (1, 5))
    assert many < 1e-3 < few
    # A long baseline makes the rate known: then it is a Poisson count, P(N >= 3 | 1) = 0.0803.
    assert expected_events(100_000, 100_000.0, 1.0, 3) == pytest.approx(0.0803, abs=2e-4)


# --- measures on made logs -----------------------------------------------------------------------
def _made_log(minutes=30.0, **columns):
    time = np.arange(0.0, 60.0 * minutes, 0.5)
    table = {
        "time_s": time,
        "speed_m_s": np.full(time.size, 20.0),
        "engine_speed_rpm": np.full(time.size, 1965.2),
        "gear": np.full(time.size, 4.0),
        "fuel_rate_g_s": np.full(time.size, 2.0),
        "grade_percent": np.zeros(time.size),
        "brake_active": np.zeros(time.size),
        "coolant_temp_degc": np.full(time.size, 88.0),
        "ambient_temp_degc": np.full(time.size, 20.0),
        "ambient_pressure_kpa": np.full(time.size, 98.0),
    }
    return pd.DataFrame(
        {**table, **{k: np.broadcast_to(v, time.shape) for k, v in columns.items()}}
    )


def test_operating_points_of_a_steady_drive():
    points = operating_points(_made_log(10.0), RIG)
    assert len(points) == 10 * 60 / BIN_S
    # 120 000 x 2 / (2.8 x 1965.2)
    np.testing.assert_allclose(points["load_mg_l"], 43.616, rtol=1e-4)
    np.testing.assert_allclose(points["log_ratio"].iloc[1:], 0.0, atol=1e-3)
    assert points["steady"].iloc[3:].all()
    assert np.isinf(points["since_braked_stop_s"]).all()


def test_load_comes_from_torque_where_fuelling_is_not_logged():
    log = _made_log(10.0, engine_torque_n_m=200.0).drop(columns="fuel_rate_g_s")
    np.testing.assert_allclose(operating_points(log, RIG)["load_mg_l"], 0.7 * 200.0 / 2.8)


def test_only_a_braked_standstill_counts_as_braked_stop():
    time = np.arange(0.0, 600.0, 0.5)
    speed = np.where((time > 100) & (time < 120) | (time > 300) & (time < 320), 0.0, 15.0)
    brake = ((time > 90) & (time < 110)).astype(float)
    points = operating_points(_made_log(10.0, speed_m_s=speed, brake_active=brake), RIG)
    since = points.set_index("time_s")["since_braked_stop_s"]
    assert since.loc[50:90].gt(1e6).all()
    assert since.loc[199:201].iloc[0] == pytest.approx(80.0, abs=3.0)
    assert since.loc[399:401].iloc[0] == pytest.approx(280.0, abs=3.0)


def test_rolling_radius_is_the_ratio_of_speeds():
    measure = measures.rolling_radius(
        operating_points(_made_log(ground_speed_m_s=20.0 / 1.013), RIG), RIG
    )
    assert measure.value == pytest.approx(np.log(1.013), abs=1e-6)


def test_idle_fuelling_meets_the_willans_line():
    expected, sd = measures.expected_idle_fuelling(RIG)
    idle = RIG.engine.idle_rpm
    fuel = np.exp(expected) * idle / 1000.0
    # By hand: friction 110 + 0.18 x 78.54 kPa on 2.8 L / 4 pi, plus 2 kW, over 0.41 x 42.8 kJ/g.
    omega = idle * np.pi / 30.0
    torque = (110e3 + 0.18e3 * omega) * 2.8e-3 / (4 * np.pi) + 2000.0 / omega
    assert fuel == pytest.approx(torque * omega / (0.41 * 42_800.0), rel=1e-9)
    points = operating_points(
        _made_log(speed_m_s=0.0, engine_speed_rpm=idle, gear=0.0, fuel_rate_g_s=1.25 * fuel), RIG
    )
    assert measures.idle_fuelling(points, RIG).value == pytest.approx(expected + np.log(1.25))
    assert sd > 0.2


def test_warm_up_counts_fuel_per_kelvin_and_needs_a_cold_start():
    time = np.arange(0.0, 1800.0, 0.5)
    coolant = np.minimum(20.0 + 0.1 * time, 88.0)
    points = operating_points(_made_log(coolant_temp_degc=coolant), RIG)
    # 2 g/s at 0.1 K/s is 20 g/K.
    assert measures.warm_up(points, RIG).value == pytest.approx(np.log(20.0), abs=0.01)
    assert measures.warm_up(operating_points(_made_log(), RIG), RIG) is None
    stuck = operating_points(_made_log(coolant_temp_degc=np.minimum(coolant, 55.0)), RIG)
    assert measures.warm_up(stuck, RIG).value > np.log(20.0) + 0.3


def test_brake_drag_is_recovered_from_the_force_balance():
    rng = np.random.default_rng(6)
    count, mass = 1500, 4800.0
    time = BIN_S * np.arange(count)
    since = time % 300.0
    accel = 0.3 * np.sin(time / 23.0)
    grade = 0.03 * np.sin(time / 71.0)
    speed = 18.0 + 5.0 * np.sin(time / 130.0)
    drag = 0.006 * mass * GRAVITY_M_S2 * np.exp(-since / measures.RELEASE_S)
    cold = 100.0 * np.exp(-time / 900.0)
    force = mass * (accel + GRAVITY_M_S2 * grade) + 560.0 + 1.4 * speed**2 + drag + cold
    points = pd.DataFrame(
        {
            "time_s": time,
            "force_n": force + 60.0 * accel + 100.0 * rng.standard_normal(count),
            "rotating_mass_kg": 60.0,
            "accel_m_s2": accel,
            "sin_grade": grade,
            "speed_m_s": speed,
            "regeneration": 0.0,
            "log_ratio": 0.0,
            "since_braked_stop_s": since,
            "since_start_s": time,
            "block": time // 60.0,
        }
    )
    measure = measures.brake_drag(points, RIG)
    assert measure.value == pytest.approx(0.006, abs=3.0 * measure.sd)
    assert measure.sd < 0.0006


@pytest.mark.parametrize("brake_n", [0.0, 500.0])
def test_road_load_is_recovered_from_the_force_balance(brake_n):
    """c m g + rho/2 CdA v^2, by hand; a brake of 500 N in every pull, which overrun cannot show."""
    rng = np.random.default_rng(8)
    count, mass = 1500, 4800.0
    time = BIN_S * np.arange(count)
    accel = 0.3 * np.sin(time / 23.0)
    grade = 0.02 * np.sin(time / 71.0)
    speed = 18.0 + 6.0 * np.sin(time / 130.0)
    density = 98e3 / (287.05 * 293.15)
    # Tyres start a quarter harder to roll and warm in ten minutes (common practice).
    rolling = 0.011 * mass * GRAVITY_M_S2 * (1.0 + 0.25 * np.exp(-time / 600.0))
    force = mass * (accel + GRAVITY_M_S2 * grade) + rolling + 0.5 * density * 2.4 * speed**2
    force = np.where(force > 0.0, force + brake_n, -400.0)
    points = pd.DataFrame(
        {
            # A computed force 5 % off: over the weight that it implies, that drops out.
            "time_s": time,
            "force_n": 1.05 * (force + 60.0 * accel + 80.0 * rng.standard_normal(count)),
            "rotating_mass_kg": 1.05 * 60.0,
            "accel_m_s2": accel,
            "sin_grade": grade,
            "speed_m_s": speed,
            "regeneration": 0.0,
            "braked": 0.0,
            "log_ratio": 0.0,
            "since_start_s": time,
            "ambient_temp_degc": 20.0,
            "ambient_pressure_kpa": 98.0,
            "block": time // 60.0,
        }
    )
    learnt = measures.road_load(points)
    measure, area = learnt.rolling(), learnt.area
    expected = 0.011 + brake_n / (mass * GRAVITY_M_S2)
    assert measure.value == pytest.approx(expected, abs=max(3.0 * measure.sd, 2e-4))
    assert measure.sd < 0.0006
    assert area.value == pytest.approx(1.05 * 2.4, abs=3.0 * area.sd + 0.02)
    # Held to another drag area, near enough to be the same: the mean force stays what it was.
    held = learnt.rolling(learnt.drag_area_m2 - 0.3)
    pulls = points["force_n"] > 0.0
    more = 0.5 * density * float(np.mean(speed[pulls] ** 2)) * 0.3 / (1.05 * mass * GRAVITY_M_S2)
    assert held.value - measure.value == pytest.approx(more, rel=0.05)
    assert held.sd < measure.sd
    # One far away is another trailer: only as much of it is believed.
    far = learnt.rolling(learnt.drag_area_m2 - 3.0)
    assert far.value - measure.value == pytest.approx(2.0 * more, rel=0.05)


def test_regenerations_are_counted_by_their_start():
    active = np.zeros(3600)
    active[:100] = active[1000:1500] = active[2500:2900] = 1.0
    events, fuel = measures.regenerations(
        operating_points(_made_log(regeneration_active=active), RIG)
    )
    assert events == 2
    assert fuel == pytest.approx(3.6, rel=0.01)


def test_features_do_not_depend_on_the_other_rows():
    rng = np.random.default_rng(7)
    names = ["x_rpm", "x_load", "x_load_rate", "x_rpm_rate"]
    table = pd.DataFrame(rng.uniform(-0.5, 0.5, (50, 4)), columns=names)
    np.testing.assert_allclose(features(table)[:10], features(table.iloc[:10]))


# --- whole drives --------------------------------------------------------------------------------
def _drive(number):
    rng = np.random.default_rng([number, 8])
    road = random_road(700 + number, length_m=40_000.0, kind="rolling", stops=())
    places = np.linspace(5_000.0, 36_000.0, 6)
    road = road.with_stops(*(Stop(float(p), 25.0) for p in places))
    # One engine: the plant otherwise draws another one for every drive.
    # And one set of tyres, one trailer.
    variation = PlantVariation(
        temperature_degc=float(rng.uniform(14.0, 24.0)),
        thermal_spread=0.0,
        rolling_resistance={"sealed": float(0.011 * np.exp(0.08 * rng.standard_normal()))},
        drag_area_m2=float(2.2 * np.exp(0.05 * rng.standard_normal())),
    )
    return simulate(RIG, road, number, float(rng.uniform(4000.0, 5500.0)), variation=variation)


@pytest.fixture(scope="module")
def baseline_drives():
    return [_drive(number) for number in range(4)]


@pytest.fixture(scope="module")
def baseline_logs(baseline_drives):
    return [with_condition(drive, RIG, CHARACTER, i) for i, drive in enumerate(baseline_drives)]


@pytest.fixture(scope="module")
def baseline(baseline_logs):
    return learn_baseline([condense(log, RIG) for log in baseline_logs], RIG)


@pytest.fixture(scope="module")
def test_drive():
    return _drive(9)


def test_a_healthy_drive_has_no_finding(baseline, test_drive):
    report = assess(with_condition(test_drive, RIG, CHARACTER, 9), RIG, baseline)
    assert report.findings == []
    assert {row["check"] for row in report.checks} == {check.name for check in CHECKS}
    for name in ("boost", "air_flow", "rail_pressure", "exhaust_temperature", "rolling_radius"):
        row = next(row for row in report.checks if row["check"] == name)
        low, high = row["healthy_interval95"]
        assert low < 0.0 < high
        assert row["chance"] > 1e-3


def test_a_late_fuelling_is_the_logger_s_and_no_fault(test_drive):
    log = with_condition(test_drive, RIG, CHARACTER, 9)
    time_s, fuel = log["time_s"].to_numpy(), log["fuel_rate_g_s"].to_numpy()
    late = log.assign(fuel_rate_g_s=np.interp(time_s - 2.0, time_s, fuel))
    told = condense(log, RIG).points["fuel_rate_g_s"]
    apart = [
        float(np.nanstd(points["fuel_rate_g_s"] - told))
        for points in (condense(late, RIG).points, operating_points(late, RIG))
    ]
    assert apart[0] < 0.2 * apart[1]


def test_what_lies_outside_is_told_though_it_is_no_finding(baseline_logs, test_drive):
    one = learn_baseline([condense(baseline_logs[0], RIG)], RIG)
    log = with_condition(test_drive, RIG, CHARACTER, 9, Fault("air_flow_sensor_drift", 0.16))
    report = assess(log, RIG, one)
    rows = {row["check"]: row for row in report.checks if row["chance"] is not None}
    said = {finding.check for finding in report.findings}
    for name, row in rows.items():
        low, high = row["healthy_interval95"]
        if name in report.outside95:
            assert name not in said and not low <= row["deviation"] <= high
    assert said | set(report.outside95) >= {"air_flow"}
    assert report.outside95_chance < 0.6
    assert assess(with_condition(test_drive, RIG, CHARACTER, 9), RIG, one).outside95_chance > 0.05


@pytest.mark.parametrize(
    ("kind", "severity", "check", "sign", "part"),
    [
        ("intake_restriction", 25.0, "boost_at_full_flow", -1, "intake filter"),
        ("charge_air_leak", 0.2, "air_flow", 1, "charge-air hoses"),
        ("boost_sensor_drift", 20.0, "boost_at_rest", 1, "boost sensor"),
        ("air_flow_sensor_drift", 0.2, "air_flow", -1, "air-flow sensor"),
        ("fuel_filter", 0.2, "rail_pressure_at_full_flow", -1, "fuel filter"),
        ("rail_sensor_drift", 0.12, "rail_pressure", 1, "rail-pressure sensor"),
        ("idle_fuelling", 1.5, "idle_fuelling", 1, "injectors"),
        ("converter_slip", 0.1, "converter_slip", 1, "lock-up clutch"),
        ("dragging_brake", 1500.0, "brake_drag", 1, "brakes"),
        ("low_tyre", 0.03, "rolling_radius", 1, "tyre pressures"),
        ("constant_drag", 500.0, "rolling_resistance", 1, "brakes that drag"),
    ],
)
def test_gross_faults_are_found_and_named(baseline, test_drive, kind, severity, check, sign, part):
    log = with_condition(test_drive, RIG, CHARACTER, 9, Fault(kind, severity))
    report = assess(log, RIG, baseline)
    found = {finding.check: finding for finding in report.findings}
    assert check in found, [row for row in report.checks if row["check"] == check]
    finding = found[check]
    assert np.sign(finding.deviation) == sign
    assert part in finding.sentence
    assert "inspect" in finding.sentence
    assert "\n" not in finding.sentence
    chances = [one.model_chance for one in report.findings]
    assert chances == sorted(chances)
    # Four baseline drives: beyond all of them lies one healthy drive in five, whatever the model.
    assert {one.chance_if_healthy for one in report.findings} == {1.0 / 5.0}
    assert "one drive in 5" in finding.sentence and "000" not in finding.sentence


def test_the_simulator_s_own_engine_is_judged_alike(baseline_drives, test_drive):
    """Another model of the same channels, made without a thought of these checks."""
    usual = learn_baseline([condense(drive.log, RIG) for drive in baseline_drives], RIG)
    assert {"boost", "air_flow", "exhaust_temperature", "rail_pressure"} <= set(usual.measures)
    assert assess(test_drive.log, RIG, usual).findings == []
    weak = test_drive.log.assign(
        boost_kpa=0.85 * test_drive.log["boost_kpa"],
        rail_pressure_mpa=0.9 * test_drive.log["rail_pressure_mpa"],
    )
    found = {finding.check for finding in assess(weak, RIG, usual).findings}
    assert {"boost", "rail_pressure"} <= found


def test_several_deviations_together_point_to_one_part(baseline, test_drive):
    log = with_condition(test_drive, RIG, CHARACTER, 9, Fault("rail_sensor_drift", 0.12))
    report = assess(log, RIG, baseline)
    assert any("rail-pressure sensor" in sentence for sentence in report.together)
    names = {check.name for check in CHECKS}
    for pattern in PATTERNS:
        assert set(pattern.signs) | set(pattern.absent) <= names


def test_without_baseline_only_what_the_rig_tells_is_judged(test_drive):
    log = with_condition(test_drive, RIG, CHARACTER, 9)
    report = assess(log, RIG)
    judged = {row["check"] for row in report.checks if row["chance"] is not None}
    assert judged == {
        "coolant_temperature",
        "idle_fuelling",
        "converter_slip",
        "rolling_radius",
        "brake_drag",
    }
    assert report.findings == []
    assert "no baseline drives" in report.warnings[0]


def test_missing_channels_are_said_not_guessed(baseline, test_drive):
    log = with_condition(test_drive, RIG, CHARACTER, 9).drop(columns=["boost_kpa", "gear"])
    report = assess(log, RIG, baseline)
    row = next(row for row in report.checks if row["check"] == "boost")
    assert row["not_judged_because"].startswith("needs boost_kpa")


def test_less_work_from_the_fuel_shows_at_a_known_load(baseline, test_drive):
    weighed = test_drive.meta["combined_mass_kg"]
    values = []
    for severity in (0.0, 0.12):
        fault = Fault("injection_wear", severity)
        log = with_condition(test_drive, RIG, CHARACTER, 9, fault)
        values.append(measures.tractive_efficiency(log, RIG, weighed, 20.0).value)
    assert values[0] == pytest.approx(0.0, abs=0.06)
    assert values[1] - values[0] == pytest.approx(np.log(0.88), abs=0.05)


def test_a_log_of_three_rows_is_judged_not_at_all(baseline_logs):
    report = assess(baseline_logs[0].iloc[:3], RIG)
    assert all(row["chance"] is None for row in report.checks)


def test_unlike_weather_is_warned_of(baseline, test_drive):
    log = with_condition(test_drive, RIG, CHARACTER, 9)
    log["ambient_temp_degc"] += 25.0
    report = assess(log, RIG, baseline)
    assert any("like weather" in warning for warning in report.warnings)
    assert report.findings == []
    row = next(row for row in report.checks if row["check"] == "boost")
    assert row["not_judged_because"] == "needs a baseline drive in like weather and altitude"


def test_command_writes_the_report(tmp_path, baseline_logs, test_drive):
    from typer.testing import CliRunner

    from loadlearn.cli import app

    rig = tmp_path / "rig.toml"
    rig.write_text(
        'name = "test utility"\n[vehicle]\nmass_kg = 2650.0\ntyre_radius_m = 0.38\n'
        "[engine]\ndisplacement_l = 2.8\n[driveline]\nfinal_drive = 3.91\n"
        "gear_ratios = [3.60, 2.09, 1.49, 1.00, 0.69, 0.58]\n"
    )
    for number, log in enumerate(baseline_logs[:2]):
        log.to_csv(tmp_path / f"b{number}.csv", index=False)
    log = with_condition(test_drive, RIG, CHARACTER, 9, Fault("boost_sensor_drift", 30.0))
    log.to_csv(tmp_path / "today.csv", index=False)
    arguments = ["condition", str(tmp_path / "today.csv"), "--rig", str(rig)]
    arguments += ["--out", str(tmp_path / "out")]
    logs = [str(tmp_path / f"b{number}.csv") for number in range(2)]
    done = CliRunner().invoke(app, [*arguments, "--baseline", ",".join(logs)])
    assert done.exit_code == 1, done.output
    # Two drives alone bear no odds beyond one drive in three (the rank of one among three alike).
    assert "no odds better than one drive in 3" in " ".join(done.output.split())
    result = json.loads((tmp_path / "out" / "condition.json").read_text())
    assert "boost_at_rest" in {finding["check"] for finding in result["findings"]}
    written = keys_of(tmp_path / "out" / "condition.json")
    held_together(part_of("condition", "condition.json"), written)
    assert "not judged, " in done.output
    assert ("Outside what 95 %" in done.output) == bool(result["outside95"])
    again = [*arguments, "--force", "--baseline", str(tmp_path / "today.csv")]
    refused = CliRunner().invoke(app, again)
    assert refused.exit_code == 2 and "among its own baseline" in refused.output
    # A minute at the start of a drive shows nothing: it must not read as a clean bill of health.
    log.iloc[:300].to_csv(tmp_path / "today.csv", index=False)
    short = CliRunner().invoke(app, [*arguments, "--force"])
    assert short.exit_code == 0, short.output
    assert "No check could be judged" in short.output
    assert "licensed technician" in result["advice"]
    assert CliRunner().invoke(app, arguments).exit_code == 2
    wrong = [*arguments, "--force", "--baseline", logs[0], "--baseline-mass", "4000"]
    wrong += ["--baseline-mass", "5000"]
    assert CliRunner().invoke(app, wrong).exit_code == 2
