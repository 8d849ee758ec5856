"""Baselines: exact drives give back the truth; each agrees with an independent computation."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loadlearn.errors import InputError
from loadlearn.study import peer_inputs
from loadlearn.study.baselines import (
    BASELINES,
    TUNABLE,
    Baseline,
    baseline,
    search_parameters,
)
from loadlearn.study.peer_ekf import PlainEkf
from loadlearn.study.peer_inputs import SPEED_SLOPE, force_intervals, read_inputs, slope
from loadlearn.study.peer_regressions import (
    RecursiveLeastSquares,
    TotalLeastSquares,
    WindowedRegression,
)
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import (
    grade_angle,
    longitudinal_acceleration,
    resisting_force,
    rolling_coefficient,
    rotating_mass,
)
from loadlearn.vehicle.samples import samples_of

MASS_KG, ROLLING, DRAG_AREA_M2 = 5400.0, 0.0125, 2.6
COLUMNS = [
    "time_s",
    "mass_kg",
    "mass_sd_kg",
    "mass_sd_given_scale_kg",
    "rolling_resistance",
    "rolling_resistance_sd",
    "drag_area_m2",
    "drag_area_sd_m2",
    "surface",
    "learning",
    "set_aside_because",
    "mass_given_scale_kg",
]


@cache
def bench_rig(tractive_scale: float = 1.0) -> Rig:
    return Rig.from_dict(
        {
            "name": "bench",
            "vehicle": {"mass_kg": 2700.0, "tyre_radius_m": 0.38, "rated_gcm_kg": 6500.0},
            "engine": {"displacement_l": 2.8},
            "driveline": {"gear_ratios": [3.6, 2.1, 1.4, 1.0, 0.7], "final_drive": 3.9},
            "uncertainty": {"tractive_scale": tractive_scale},
        }
    )


def made(name: str, *belief: float, scale: float = 1.0, **parameters: Any) -> Baseline:
    """A baseline for the bench; windowed ones solve seldom, for they are slow."""
    if name.endswith("_window"):
        parameters = {"every_s": 100.0, **parameters}
    return baseline(name, bench_rig(scale), *belief, **parameters)


def exact_drive(
    duration_s: float = 1500.0, rate_hz: float = 5.0, seed: int = 3, grade_noise: float = 0.0
) -> pd.DataFrame:
    """A drive whose speed, its derivative, grade and force are known in closed form."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    speed, acceleration, distance = (np.full(time_s.size, x) for x in (17.0, 0.0, 0.0))
    distance = 17.0 * time_s
    for period, size in ((170.0, 6.0), (61.0, 2.5), (23.0, 0.8)):
        phase, rate = rng.uniform(0.0, 2.0 * np.pi), 2.0 * np.pi / period
        speed = speed + size * np.sin(rate * time_s + phase)
        acceleration = acceleration + size * rate * np.cos(rate * time_s + phase)
        distance = distance - size / rate * (np.cos(rate * time_s + phase) - np.cos(phase))
    grade = np.zeros(time_s.size)
    altitude = np.full(time_s.size, 200.0)
    for length, size in ((2600.0, 3.5), (900.0, 2.0)):
        phase, rate = rng.uniform(0.0, 2.0 * np.pi), 2.0 * np.pi / length
        grade = grade + size * np.sin(rate * distance + phase)
        altitude = altitude - size / (100.0 * rate) * np.cos(rate * distance + phase)
    sine, cosine = grade_angle(grade)
    rotating = rotating_mass(0.0, bench_rig().vehicle.wheel_inertia_kg_m2, 0.0, 0.38)
    force = (MASS_KG + rotating) * acceleration + resisting_force(
        MASS_KG,
        rolling_coefficient(ROLLING, SPEED_SLOPE, speed),
        DRAG_AREA_M2,
        samples_of(pd.DataFrame({"time_s": time_s}))["air_density_kg_m3"],
        speed,
        0.0,
        sine,
        cosine,
    )
    return pd.DataFrame(
        {
            "time_s": time_s,
            "speed_m_s": speed,
            "tractive_force_n": force,
            "grade_percent": grade + grade_noise * rng.standard_normal(time_s.size),
            "true_altitude_m": altitude,
        }
    )


@pytest.mark.parametrize("name", BASELINES)
def test_an_exact_drive_gives_back_the_truth(name: str) -> None:
    end = made(name).run(exact_drive()).iloc[-1]
    assert end["mass_kg"] == pytest.approx(MASS_KG, rel=0.01)
    assert end["rolling_resistance"] == pytest.approx(ROLLING, rel=0.05)
    assert end["drag_area_m2"] == pytest.approx(DRAG_AREA_M2, rel=0.05)


@pytest.mark.parametrize("name", BASELINES)
@pytest.mark.parametrize("belief", [(2500.0, 1500.0), (9000.0, 3000.0)])
def test_a_wrong_belief_is_overcome(name: str, belief: tuple[float, float]) -> None:
    end = made(name, *belief).run(exact_drive(900.0)).iloc[-1]
    assert end["mass_kg"] == pytest.approx(MASS_KG, rel=0.02)


@pytest.mark.parametrize("name", BASELINES)
def test_columns_and_causality(name: str) -> None:
    trace = exact_drive(400.0)
    whole = made(name).run(trace)
    assert list(whole.columns) == COLUMNS
    assert len(whole) == len(trace)
    assert (whole["mass_sd_kg"] > 0.0).all()
    part = made(name).run(trace.iloc[:1200].copy())
    numbers = [column for column in COLUMNS if whole[column].dtype == np.float64]
    np.testing.assert_allclose(part[numbers], whole[numbers].iloc[:1200], rtol=1e-9)


@pytest.mark.parametrize("name", BASELINES)
def test_the_mean_scale_of_the_rig_enters_the_mass_only(name: str) -> None:
    trace = exact_drive(900.0)
    end = made(name, scale=1.05).run(trace).iloc[-1]
    assert end["mass_kg"] / end["mass_given_scale_kg"] == pytest.approx(1.05)
    assert end["mass_kg"] == pytest.approx(1.05 * MASS_KG, rel=0.02)


def test_what_may_not_be_learnt_from_is_set_aside() -> None:
    trace = exact_drive(600.0)
    trace["brake_active"] = 0.0
    braking = (trace["time_s"] > 200.0) & (trace["time_s"] < 230.0)
    trace.loc[braking, "brake_active"] = 1.0
    # The brake's force is not in the tread force: learnt from, it would be a heavier trailer.
    trace.loc[braking, "tractive_force_n"] += 20_000.0
    for name in BASELINES:
        found = made(name).run(trace)
        assert (found.loc[braking, "learning"] == 0).all()
        assert (found.loc[braking, "set_aside_because"] == "service brake").all()
        assert found["mass_kg"].iloc[-1] == pytest.approx(MASS_KG, rel=0.02)


def test_intervals_do_not_reach_over_samples_that_are_set_aside_or_missing() -> None:
    trace = exact_drive(120.0)
    trace.loc[200:210, "tractive_force_n"] = np.nan
    trace = trace.drop(index=range(400, 450)).reset_index(drop=True)
    inputs = read_inputs(trace, bench_rig())
    found = force_intervals(inputs, 2.0)
    assert found.length_s.min() >= 2.0 - 1e-6 and found.length_s.max() < 2.5
    starts = found.time_s - found.length_s
    for start, end in ((40.0, 42.0), (80.0, 90.0)):
        assert not ((starts < end - 0.21) & (found.time_s > start + 0.01)).any()
    exact = found.regressors @ np.array([MASS_KG, MASS_KG * ROLLING, DRAG_AREA_M2])
    np.testing.assert_allclose(found.response, exact, atol=30.0)


def test_recursive_least_squares_without_forgetting_is_batch_least_squares() -> None:
    """Oracle: the normal equations with the belief as prior, in one go."""
    trace = exact_drive(600.0, grade_noise=0.3)
    estimator = RecursiveLeastSquares(
        bench_rig(), interval_s=2.0, mass_memory_s=1e12, rolling_memory_s=1e12, drag_memory_s=1e12
    )
    end = estimator.run(trace).iloc[-1]
    intervals = force_intervals(read_inputs(trace, bench_rig()), 2.0)
    prior = np.linalg.inv(estimator.covariance / estimator.first_variance)
    information = prior + intervals.regressors.T @ intervals.regressors
    theta = np.linalg.solve(
        information, prior @ estimator.theta + intervals.regressors.T @ intervals.response
    )
    assert end["mass_kg"] == pytest.approx(theta[0], rel=1e-6)
    assert end["rolling_resistance"] == pytest.approx(theta[1] / theta[0], rel=1e-6)
    assert end["drag_area_m2"] == pytest.approx(theta[2], rel=1e-6)


def test_forgetting_follows_a_change_and_a_long_memory_does_not() -> None:
    trace = exact_drive(1800.0)
    after = trace["time_s"] > 900.0
    weight = resisting_force(MASS_KG, 1.0, 0.0, 1.2, 1.0, 0.0, 0.0, 1.0)
    trace.loc[after, "tractive_force_n"] += 0.02 * weight

    def at_the_end(**memories: float) -> float:
        found = made("rls_several_factors", **memories).run(trace)
        return float(found["rolling_resistance"].iloc[-1])

    quick = at_the_end(mass_memory_s=1e6, rolling_memory_s=120.0, drag_memory_s=1e6)
    slow = at_the_end(mass_memory_s=1e6, rolling_memory_s=1e6, drag_memory_s=1e6)
    assert quick == pytest.approx(ROLLING + 0.02, abs=0.004)
    assert slow < ROLLING + 0.015


def test_ekf_agrees_with_an_independent_filter() -> None:
    """Oracle: filterpy's extended Kalman filter with a numerical Jacobian of the force balance."""
    from filterpy.kalman import ExtendedKalmanFilter

    trace = exact_drive(60.0)
    rig = bench_rig()
    ours = PlainEkf(rig, mass_walk=0.02, rolling_walk=0.5, drag_walk=0.1)
    found = ours.run(trace)
    inputs = read_inputs(trace, rig)
    noise, walk = ours._noise, ours._walk
    peer = ExtendedKalmanFilter(4, 1)
    belief = ours.belief
    peer.x = np.array([0.0, belief.mass_kg, belief.rolling_resistance, belief.drag_area_m2])
    spread = [100.0, belief.mass_sd_kg, belief.rolling_resistance_sd, belief.drag_area_sd_m2]
    peer.P = np.diag(np.square(spread))
    peer.R = np.array([[noise[1] ** 2]])
    steps = np.array([1e-4, 1e-1, 1e-7, 1e-4])
    for k in range(len(trace)):
        if k > 0:
            dt = inputs.time_s[k] - inputs.time_s[k - 1]

            def move(x: np.ndarray, k: int = k, dt: float = dt) -> np.ndarray:
                rate = longitudinal_acceleration(
                    inputs.force_n[k - 1 : k + 1].mean(),
                    x[1],
                    inputs.rotating_kg[k],
                    rolling_coefficient(x[2], SPEED_SLOPE, x[0]),
                    x[3],
                    inputs.density_kg_m3[k],
                    x[0],
                    0.0,
                    inputs.sin_grade[k - 1 : k + 1].mean(),
                    inputs.cos_grade[k - 1 : k + 1].mean(),
                )
                return x + np.array([dt * rate, 0.0, 0.0, 0.0])

            jacobian = np.column_stack(
                [
                    (move(peer.x + step) - move(peer.x - step)) / (2.0 * step.sum())
                    for step in np.diag(steps)
                ]
            )
            peer.x = move(peer.x)
            peer.P = jacobian @ peer.P @ jacobian.T + np.diag(
                np.concatenate(([noise[0] ** 2 * dt], walk**2 * dt))
            )
        peer.update(
            np.array([inputs.speed_m_s[k]]),
            HJacobian=lambda x: np.array([[1.0, 0.0, 0.0, 0.0]]),
            Hx=lambda x: x[:1],
        )
        assert found["mass_kg"][k] == pytest.approx(peer.x[1], rel=1e-5)
        assert found["rolling_resistance"][k] == pytest.approx(peer.x[2], rel=1e-4)
        assert found["drag_area_sd_m2"][k] == pytest.approx(np.sqrt(peer.P[3, 3]), rel=1e-4)


def test_ridge_is_the_posterior_mean_of_the_window() -> None:
    """Oracle: Bayesian linear regression in closed form, noise variance as the model found it."""
    trace = exact_drive(400.0, grade_noise=0.3)
    estimator = WindowedRegression(
        bench_rig(), kind="ridge", interval_s=2.0, every_s=1e9, penalty=1.0
    )
    intervals = force_intervals(read_inputs(trace, bench_rig()), 2.0)
    number, theta, _ = next(iter(estimator._solutions(intervals)))
    inside = slice(0, number + 1)
    design, response = intervals.regressors[inside], intervals.response[inside]
    prior = np.linalg.inv(estimator.covariance)
    information = prior + design.T @ design / estimator.first_variance
    expected = np.linalg.solve(
        information, prior @ estimator.theta + design.T @ response / estimator.first_variance
    )
    np.testing.assert_allclose(theta, expected, rtol=1e-8)


def test_huber_is_less_moved_by_outliers_than_ridge() -> None:
    trace = exact_drive(900.0, grade_noise=0.1)
    rng = np.random.default_rng(5)
    bad = rng.uniform(size=len(trace)) < 0.03
    trace.loc[bad, "tractive_force_n"] += 40_000.0
    error = {}
    for name in ("huber_window", "ridge_window"):
        end = made(name, interval_s=1.0).run(trace).iloc[-1]
        error[name] = abs(end["rolling_resistance"] - ROLLING)
    assert error["huber_window"] < 0.5 * error["ridge_window"]


def test_total_least_squares_is_the_smallest_singular_vector() -> None:
    """Oracle: the textbook solution by QR and singular values (Van Huffel & Vandewalle 1991)."""
    trace = exact_drive(900.0, grade_noise=0.6)
    vague = TotalLeastSquares(
        bench_rig(), 4600.0, 1e7, interval_s=2.0, memory_s=1e12, slope_error_m_s2=0.02
    )
    vague.covariance = np.diag([1e14, 1e14, 1e14])
    end = vague.run(trace).iloc[-1]
    intervals = force_intervals(read_inputs(trace, bench_rig()), 2.0)
    table = np.column_stack((intervals.regressors[:, [1, 2, 0]], intervals.response))
    triangle = np.linalg.qr(table, mode="r")
    _, _, right = np.linalg.svd(triangle[2:, 2:] / vague.errors)
    normal = right[-1] / vague.errors
    mass = -normal[0] / normal[1]
    others = np.linalg.solve(triangle[:2, :2], triangle[:2, 3] - triangle[:2, 2] * mass)
    assert end["mass_kg"] == pytest.approx(mass, rel=1e-4)
    assert end["rolling_resistance"] == pytest.approx(others[0] / mass, rel=1e-3)


def test_noise_in_the_grade_attenuates_least_squares_but_not_total_least_squares() -> None:
    least, total = [], []
    for seed in range(6):
        trace = exact_drive(1500.0, rate_hz=1.0, seed=seed, grade_noise=1.0)
        rig = bench_rig()
        least.append(BASELINES["rls_one_factor"](rig, interval_s=1.0, memory_s=1e9).run(trace))
        # Means of two grades each with an sd of 1 %: an error of 0.07 m/s^2; the force is exact.
        total.append(
            TotalLeastSquares(
                rig, interval_s=1.0, memory_s=1e9, slope_error_m_s2=0.07, force_error_m_s2=0.005
            ).run(trace)
        )
    bias = [
        100.0 * (np.mean([one["mass_kg"].iloc[-1] for one in many]) / MASS_KG - 1.0)
        for many in (least, total)
    ]
    assert bias[0] < -1.0
    assert abs(bias[1]) < 0.5 * abs(bias[0])


def test_slope_from_altitude_is_the_best_line_through_all_samples() -> None:
    """Oracle: the same model as one dense least-squares problem."""
    trace = exact_drive(24.0, rate_hz=1.0)
    rng = np.random.default_rng(2)
    altitude = trace["true_altitude_m"].to_numpy() + 0.5 * rng.standard_normal(len(trace))
    trace = trace.drop(columns="grade_percent").assign(altitude_m=altitude)
    sine, cosine = slope(trace)
    speed = trace["speed_m_s"].to_numpy()
    steps = 0.5 * (speed[1:] + speed[:-1])
    n = len(trace)
    rows, right = [], []

    def equation(coefficients: dict[int, float], value: float, sd: float) -> None:
        line = np.zeros(2 * n)
        for index, coefficient in coefficients.items():
            line[index] = coefficient
        rows.append(line / sd)
        right.append(value / sd)

    equation({0: 1.0}, altitude[0], 10.0)
    equation({1: 1.0}, 0.0, 0.1)
    for k in range(n):
        equation({2 * k: 1.0}, altitude[k], peer_inputs.ALTITUDE_SD_M)
    for k in range(1, n):
        d, walk = steps[k - 1], peer_inputs.GRADE_WALK_PER_M05
        # Integrated random walk: whiten its 2 x 2 covariance.
        covariance = walk**2 * np.array([[d**3 / 3.0, d**2 / 2.0], [d**2 / 2.0, d]])
        white = np.linalg.inv(np.linalg.cholesky(covariance))
        moves = np.zeros((2, 2 * n))
        moves[0, [2 * k, 2 * k - 2, 2 * k - 1]] = [1.0, -1.0, -d]
        moves[1, [2 * k + 1, 2 * k - 1]] = [1.0, -1.0]
        rows.extend(white @ moves)
        right.extend([0.0, 0.0])
    expected = np.linalg.lstsq(np.array(rows), np.array(right), rcond=None)[0][1::2]
    np.testing.assert_allclose(sine, expected, atol=2e-5)
    np.testing.assert_allclose(cosine, np.sqrt(1.0 - sine**2))


def test_slope_from_a_body_accelerometer() -> None:
    trace = exact_drive(120.0, rate_hz=10.0)
    sine, _ = grade_angle(trace["grade_percent"].to_numpy())
    rise = np.gradient(trace["speed_m_s"].to_numpy(), trace["time_s"].to_numpy())
    trace["accel_long_m_s2"] = rise + peer_inputs.GRAVITY_M_S2 * sine
    found, _ = slope(trace.drop(columns="grade_percent"))
    np.testing.assert_allclose(found[20:-20], sine[20:-20], atol=1e-3)


def test_names_and_errors() -> None:
    assert set(TUNABLE) == set(BASELINES)
    rig = bench_rig()
    for name, values in TUNABLE.items():
        for parameter, choices in values.items():
            for value in choices:
                baseline(name, rig, **{parameter: value})
    with pytest.raises(InputError, match="unknown; use one of plain_ekf"):
        baseline("nothing", rig)
    with pytest.raises(InputError, match="no grade channel"):
        baseline("plain_ekf", rig).run(exact_drive(10.0).drop(columns="grade_percent"))
    with pytest.raises(InputError, match="no force channel"):
        baseline("plain_ekf", rig).run(exact_drive(10.0).drop(columns="tractive_force_n"))


@settings(max_examples=30, deadline=None)
@given(
    st.tuples(st.integers(0, 4), st.integers(0, 4)),
    st.tuples(st.floats(0.5, 2.0), st.floats(0.5, 2.0)),
)
def test_search_finds_the_best_of_a_separable_score(
    best: tuple[int, int], weight: tuple[float, float]
) -> None:
    values = tuple(range(5))
    calls: list[dict[str, Any]] = []

    def score(parameters: dict[str, Any]) -> float:
        calls.append(parameters)
        at = parameters.get("a", 0), parameters.get("b", 0)
        return sum(w * abs(x - y) for w, x, y in zip(weight, at, best, strict=True))

    found, least = search_parameters({"a": values, "b": values}, score)
    assert least == 0.0
    assert (found.get("a", 0), found.get("b", 0)) == best
    assert len(calls) <= 1 + 2 * 10
