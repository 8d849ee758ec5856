"""The model against numeric derivatives, and against direct integration of the force balance."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from gaussian_bench import MEAN
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.integrate import quad, solve_ivp
from scipy.stats import norm

from loadlearn.estimation.intervals import FORCE_ERROR_TIME_S
from loadlearn.estimation.learner import Sources, initial_state, learn, setup_for
from loadlearn.estimation.model import (
    MEASURED,
    N_STATES,
    STATE,
    Noise,
    StateOrder,
    answerable_share,
    drag_area,
    load_prior,
    log_implied,
    measurement_row,
    measurement_variance,
    process_variance,
    relaxation,
    transition,
    unevenness,
)
from loadlearn.simulation.scenarios import shipped_rig, with_scale_sd
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import (
    HANDBOOK_GROUNDS,
    longitudinal_acceleration,
    rolling_coefficient,
    rotating_mass,
)
from loadlearn.vehicle.samples import samples_of

Array = NDArray[np.float64]
Rows = NDArray[np.void]


def predicted(state: Array, row: np.void) -> tuple[float, Array]:
    sensitivity = np.full(N_STATES, np.nan)
    return transition(state, row, sensitivity), sensitivity


def with_slip(slip_per_n: float) -> Array:
    state = MEAN.copy()
    state[STATE.slip_per_n] = slip_per_n
    return state


@pytest.mark.parametrize("slip_per_n", [0.0, 1e-6])
def test_sensitivities_are_the_numeric_jacobian(driven_rows: Rows, slip_per_n: float) -> None:
    """Where the wheels slip, all but for the slip's own product with what is gained."""
    state = with_slip(slip_per_n)
    step = np.maximum(np.abs(state), 1e-4) * 1e-5
    step[STATE.slip_per_n] = 1e-9
    for row in driven_rows[1::400]:
        row = row.copy()
        # What this drive's log does not have: extra torque, a body accelerometer.
        row["unreported_kg_m"], row["kinetic_m2_s2"] = 0.3 * row["work_kg_m"] + 0.1, 0.7
        _, sensitivity = predicted(state, row)
        product = 1.0 - slip_per_n * row["slipping_force_n"]
        assert abs(product - 1.0) < 0.01
        for index, name in enumerate(StateOrder._fields):
            up, down = state.copy(), state.copy()
            up[index] += step[index]
            down[index] -= step[index]
            numeric = (predicted(up, row)[0] - predicted(down, row)[0]) / (2.0 * step[index])
            expected = sensitivity[index]
            if index not in (STATE.energy_height_m, STATE.slip_per_n):
                expected *= product
            assert expected == pytest.approx(numeric, rel=1e-5, abs=1e-7), name


def test_what_is_measured_is_the_energy_height_less_what_turns(driven_rows: Rows) -> None:
    """y = v^2/2g + h = E - phi mu T + 2 T F sigma, T = v^2/2g."""
    row = driven_rows[300]
    reads = dict(zip(MEASURED, measurement_row(row), strict=True))
    assert reads[STATE.energy_height_m] == 1.0
    kinetic_m = row["speed_m_s"] ** 2 / (2.0 * 9.80665)
    # The speed expected from the past serves, which is a little off the measured one.
    turning_kg = -reads[STATE.inverse_mass_per_kg] / kinetic_m
    assert turning_kg == pytest.approx(row["rotating_kg_m"] / kinetic_m, rel=1e-12)
    assert 10.0 < turning_kg < 300.0
    assert abs(reads[STATE.slip_per_n] / (2.0 * kinetic_m)) < 2e4


@pytest.mark.parametrize("speed_m_s", [0.0, 3.0, 25.0])
def test_the_energy_heights_variance_is_that_of_draws(driven_rows: Rows, speed_m_s: float) -> None:
    """A speed and a height with normal errors: the variance of v^2/2g + h.

    At a standstill the second order is counted whole, not half: an energy height that is surer than
    it can be would be the worse error.
    """
    row = driven_rows[300].copy()
    row["speed_m_s"] = speed_m_s
    noise = Noise(speed_sd_m_s=0.3, height_sd_m=0.05)
    rng = np.random.default_rng(7)
    speeds = speed_m_s + 0.3 * rng.standard_normal(400_000)
    heights = 0.05 * rng.standard_normal(400_000)
    drawn = np.var(speeds**2 / (2.0 * 9.80665) + heights)
    found = measurement_variance.py_func(np.rec.array(row), noise)
    assert found == pytest.approx(drawn, rel=0.02)


def test_what_a_bend_costs_is_lost_whatever_the_load(driven_rows: Rows) -> None:
    row = driven_rows[100].copy()
    straight, slopes = predicted(with_slip(0.0), row)
    row["bends_m"] += 0.01
    bent, same = predicted(with_slip(0.0), row)
    assert straight - bent == pytest.approx(0.01, rel=1e-3)
    slip = STATE.slip_per_n
    assert_allclose(np.delete(same, slip), np.delete(slopes, slip), rtol=1e-12)


@pytest.mark.parametrize(
    ("wind", "inertia", "tolerance_m"),
    # With turning wheels the speed in their term is tracked from the past, not measured.
    [(0.0, 0.0, 1e-6), (4.0, 0.0, 1e-6), (0.0, 5.6, 3e-5)],
)
def test_rows_predict_a_drive_integrated_from_the_force_balance(
    rig: Rig, wind: float, inertia: float, tolerance_m: float
) -> None:
    """One physics: a drive made by integrating the force balance is predicted by the rows."""
    vehicle = rig.vehicle.model_copy(update={"wheel_inertia_kg_m2": inertia})
    rig = rig.model_copy(update={"vehicle": vehicle})
    mass, coefficient, speed_slope, area, density = 5200.0, 0.013, 0.0011, 2.4, 1.2
    wheels = rotating_mass(0.0, rig.vehicle.wheel_inertia_kg_m2, 0.0, rig.vehicle.tyre_radius_m)

    def force(time: Array) -> Array:
        return 1400.0 + 900.0 * np.sin(0.11 * time) + 500.0 * np.sin(0.031 * time + 1.0)

    def sine(distance: Array) -> Array:
        return 0.02 * np.sin(distance / 210.0) + 0.01 * np.sin(distance / 77.0)

    def motion(time: float, state: Array) -> tuple[float, float]:
        speed, distance = state
        rolling = rolling_coefficient(coefficient, speed_slope, speed)
        grade = sine(distance)
        return (
            longitudinal_acceleration(
                force(time),
                mass,
                wheels,
                rolling,
                area,
                density,
                speed,
                wind,
                grade,
                np.sqrt(1.0 - grade**2),
            ),
            speed,
        )

    time = np.arange(0.0, 120.0, 0.01)
    solved = solve_ivp(motion, (0.0, 120.0), (18.0, 0.0), t_eval=time, rtol=1e-11, atol=1e-11)
    speed, distance = solved.y
    slope = sine(distance)
    trace = pd.DataFrame(
        {
            "time_s": time,
            "speed_m_s": speed,
            "tractive_force_n": force(time),
            "grade_percent": 100.0 * slope / np.sqrt(1.0 - slope**2),
            "ambient_temp_degc": 15.0,
            "ambient_pressure_kpa": density * 287.05287 * 288.15 * 1e-3,
            "brake_active": 0.0,
        }
    )
    setup = setup_for(rig, Sources.of(trace))
    table = learn(setup, initial_state(setup), samples_of(trace)).rows
    assert speed.min() > 5.0 and len(table) > 1000
    state = np.zeros(N_STATES)
    state[STATE.inverse_mass_per_kg] = 1.0 / mass
    state[STATE.rolling_resistance] = coefficient
    state[STATE.drag_per_mass_m2_kg] = area / mass
    state[STATE.speed_slope] = speed_slope
    state[STATE.headwind_m_s] = wind
    # Fresh at every row, so that errors do not cancel: energy height from what is measured.
    energy = table["measured_m"] + table["rotating_kg_m"] / mass
    wrong = []
    for index in range(100, len(table)):
        state[STATE.energy_height_m] = energy[index - 1]
        wrong.append(predicted(state, table[index])[0] - energy[index])
    assert np.abs(table["dt_s"][1:] - 0.1).max() < 1e-9
    assert np.abs(wrong).max() < tolerance_m
    # And over the whole drive, relative to the height gained and lost.
    assert abs(np.sum(wrong)) < 1e-5 * np.abs(np.diff(energy)).sum()


def test_unknown_force_opens_the_energy_height(driven_rows: Rows) -> None:
    noise, row = Noise(), driven_rows[50].copy()
    assert process_variance(1.0 / 5200.0, row, noise) < 1.0
    row["known"] = 0.0
    assert process_variance(1.0 / 5200.0, row, noise) == noise.open_variance_m2
    assert row["distance_m"] > 0.0


@pytest.mark.parametrize("seconds", [30.0, 300.0])
def test_errors_of_a_measured_force_add_up_as_coloured_ones_do(rig: Rig, seconds: float) -> None:
    """Against the variance of an integrated Ornstein-Uhlenbeck process (textbook, from memory)."""
    force_n, speed_m_s, share, mass_kg = 2000.0, 15.0, 0.03, 5200.0
    time_s = np.arange(0.0, seconds, 0.1)
    columns = {"speed_m_s": speed_m_s, "tractive_force_n": force_n, "grade_percent": 1.0}
    trace = pd.DataFrame({"time_s": time_s, **columns})
    setup = setup_for(rig, Sources.of(trace))
    table = learn(setup, initial_state(setup), samples_of(trace)).rows
    without, noise = setup.noise._replace(force_error_share=0.0), setup.noise
    found = sum(
        process_variance(1.0 / mass_kg, row, noise._replace(force_error_share=share))
        - process_variance(1.0 / mass_kg, row, without)
        for row in table
    )
    colour_s = FORCE_ERROR_TIME_S
    per_s = share * force_n * speed_m_s / (mass_kg * 9.80665)
    ratio = seconds / colour_s
    expected = 2.0 * (per_s * colour_s) ** 2 * (ratio - 1.0 + np.exp(-ratio))
    # White noise of the same power is more by what one correlation time is of the whole.
    assert expected < found < expected * (1.0 + 1.2 * colour_s / seconds)


def test_an_altimeters_drift_grows_with_time_and_not_with_the_way(driven_rows: Rows) -> None:
    row, calm = driven_rows[50].copy(), Noise(height_walk_m_s05=0.0)
    drifting = calm._replace(height_walk_m_s05=0.2)
    for speed_m_s in (0.0, 30.0):
        row["speed_m_s"] = speed_m_s
        gained = process_variance(2e-4, row, drifting) - process_variance(2e-4, row, calm)
        assert gained == pytest.approx(0.2**2 * row["dt_s"])


@pytest.mark.parametrize("speed_m_s", [5.0, 25.0])
def test_a_driver_answers_what_moves_the_vehicle_and_no_drift(
    driven_rows: Rows, speed_m_s: float
) -> None:
    """Spectral densities at zero frequency, from integrals of the autocovariance."""
    row, noise = driven_rows[50].copy(), Noise(white=0.002, height_walk_m_s05=0.3)
    row["speed_m_s"] = speed_m_s
    slope, _ = quad(
        lambda lag: 2.0 * noise.disturbance_sd**2 * np.exp(-lag / noise.disturbance_time_s),
        0.0,
        np.inf,
    )
    moves = (slope + noise.white**2) * speed_m_s**2
    share = answerable_share(row, noise)
    assert share == pytest.approx(moves / (moves + noise.height_walk_m_s05**2))
    assert 0.0 < share < 1.0
    assert answerable_share(row, noise._replace(height_walk_m_s05=0.0)) == pytest.approx(1.0)
    row["speed_m_s"] = 0.0
    assert answerable_share(row, noise._replace(height_walk_m_s05=0.0)) == 0.0


def test_slow_states_forget_in_two_steps_as_in_one() -> None:
    noise = Noise()
    for index, sd, time_s in (
        (STATE.headwind_m_s, noise.wind_sd_m_s, noise.wind_time_s),
        (STATE.accessory_power_w, noise.accessory_sd_w, noise.accessory_time_s),
        (STATE.cold_tyre_excess, 0.0, noise.cold_time_s),
    ):
        once, gained_once = relaxation(index, 50.0, noise)
        half, gained_half = relaxation(index, 25.0, noise)
        assert once == pytest.approx(half * half, rel=1e-12)
        assert gained_once == pytest.approx(half * half * gained_half + gained_half, rel=1e-9)
        # What has always relaxed keeps its variance.
        assert once * once * sd * sd + gained_once == pytest.approx(sd * sd, rel=1e-12)
        assert relaxation(index, time_s, noise)[0] == pytest.approx(np.exp(-1.0))


def test_loose_ground_is_uneven_in_proportion_to_its_resistance() -> None:
    noise = Noise()
    sealed, sand = HANDBOOK_GROUNDS[0], HANDBOOK_GROUNDS[3]
    first = sealed.rolling_resistance

    def levels(roll: float, ground: object = sand) -> tuple[float, float]:
        mean, texture = ground.rolling_resistance, ground.texture  # type: ignore[attr-defined]
        return unevenness(roll, mean, texture, first, noise)

    soft, softer = levels(0.1), levels(0.2)
    own = noise.disturbance_sd**2
    assert (softer[0] - own) / (soft[0] - own) == pytest.approx(4.0)
    assert softer[1] / soft[1] == pytest.approx(4.0)
    # No resistance at all is no even ground; on the first kind it is the kind's own.
    assert levels(-1.0) == levels(0.3 * sand.rolling_resistance)
    assert levels(0.05, sealed) == levels(first, sealed)
    assert levels(first, sealed)[1] == pytest.approx(noise.roll_walk_per_s05**2)


@pytest.mark.parametrize("relative_sd", [0.005, 0.02, 0.05])
def test_moments_of_mass_and_drag_area_by_quadrature(relative_sd: float) -> None:
    """Of -ln phi and kappa / phi for normal phi and kappa, to second order in phi."""
    phi, kappa = 1.0 / 5200.0, 2.4 / 5200.0
    phi_sd, kappa_sd, correlation = relative_sd * phi, 0.04 * kappa, 0.5
    z = np.linspace(-8.0, 8.0, 801)
    weight = np.outer(norm.pdf(z), norm.pdf(z))
    weight /= weight.sum()
    phis = (phi + phi_sd * z)[:, None]
    mixed = correlation * z[:, None] + np.sqrt(1.0 - correlation**2) * z[None, :]
    areas, logs = (kappa + kappa_sd * mixed) / phis, -np.log(phis) + 0.0 * mixed

    def moments(values: Array) -> tuple[float, float]:
        mean = float(np.sum(weight * values))
        return mean, float(np.sum(weight * (values - mean) ** 2))

    found = log_implied(phi, phi_sd**2)
    expected = moments(logs)
    assert found[0] == pytest.approx(expected[0], abs=2.0 * relative_sd**4 + 1e-9)
    assert found[1] == pytest.approx(expected[1], rel=4.0 * relative_sd**2)
    found = drag_area(phi, phi_sd**2, kappa, kappa_sd**2, correlation * phi_sd * kappa_sd)
    expected = moments(areas)
    assert found[0] == pytest.approx(expected[0], rel=0.2 * relative_sd**3 + 4.0 * relative_sd**4)
    assert found[1] == pytest.approx(expected[1], rel=12.0 * relative_sd**2)


def test_beyond_zero_there_is_a_broad_law_of_finite_masses() -> None:
    for phi in (-1e-4, 0.0, 1e-9):
        mean, variance = log_implied(phi, 1e-10)
        assert np.isfinite(mean) and 0.0 < variance <= 1.0
        assert np.isfinite(drag_area(phi, 1e-10, 4e-4, 1e-9, 0.0)).all()


def test_the_prior_admits_overload_and_nothing_hitched(rig: Rig) -> None:
    parts = load_prior(rig).parts
    weight, solo = parts["weight"], parts["solo"] == 1
    assert weight.sum() == pytest.approx(1.0)
    gcm = rig.nominal_gcm_kg
    rng = np.random.default_rng(1)
    part = parts[rng.choice(parts.size, size=200_000, p=weight)]
    mass = part["mass_kg"] + part["mass_sd_kg"] * rng.standard_normal(part.size)
    assert np.mean(mass > gcm) > 0.05
    assert np.mean(mass > 1.4 * gcm) > 1e-4
    assert weight[solo].sum() > 0.05
    mean = np.average(parts["mass_kg"][~solo], weights=weight[~solo])
    assert mean == pytest.approx(0.5 * (rig.vehicle.mass_kg + gcm), rel=0.06)


def test_parts_of_one_law_have_its_moments(rig: Rig) -> None:
    for prior in (load_prior(rig), load_prior(rig, 9000.0, 2000.0), load_prior(rig, 9000.0, 300.0)):
        parts, laws = prior.parts, set()
        for part in parts:
            whole = (float(part["whole_kg"]), float(part["whole_sd_kg"]))
            here = parts[parts["whole_kg"] == part["whole_kg"]]
            mean = np.average(here["mass_kg"], weights=here["weight"])
            apart = here["mass_sd_kg"] ** 2 + (here["mass_kg"] - mean) ** 2
            assert whole[0] == pytest.approx(mean)
            assert whole[1] ** 2 == pytest.approx(np.average(apart, weights=here["weight"]))
            laws.add(whole)
        # The rig's range, nothing hitched, and a belief of the user's.
        assert len(laws) == (2 if prior.parts.size == 5 else 3)


def test_a_given_belief_leaves_room_for_being_wrong(rig: Rig) -> None:
    parts = load_prior(rig, 9000.0, 300.0).parts
    near = np.abs(parts["mass_kg"] - 9000.0) < 1000.0
    assert 0.8 < parts["weight"][near].sum() < 0.95


@pytest.mark.parametrize(("scale_sd", "tilt_sd"), [(0.0, 0.01), (0.015, 0.01), (0.08, 0.04)])
def test_a_chain_hardly_known_on_the_whole_may_tilt_more(scale_sd: float, tilt_sd: float) -> None:
    rig = with_scale_sd(shipped_rig("utility_boat"), scale_sd)
    assert load_prior(rig).tilt_sd == pytest.approx(tilt_sd)
