"""The model against numeric derivatives, and against direct integration of the force balance."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from loadlearn.errors import InputError
from loadlearn.estimation.model import (
    ENERGY,
    KAPPA,
    N_STATES,
    PHI,
    R_BENDS,
    R_DT,
    R_DX,
    R_KNOWN,
    R_ROT,
    R_Y,
    ROLL,
    SLIP,
    SLOPE,
    STATE_NAMES,
    WIND,
    Noise,
    ground_modes,
    load_prior,
    process_variance,
    row_sensitivities,
    states_needed,
)
from loadlearn.simulation.scenarios import shipped_rig, with_scale_sd
from loadlearn.study import problem
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import (
    HANDBOOK_GROUNDS,
    longitudinal_acceleration,
    rolling_coefficient,
    rotating_mass,
)

Array = NDArray[np.float64]


def predicted(state: Array, row: Array) -> tuple[float, Array]:
    energy, sensitivity = np.empty(1), np.empty((state.size, 1))
    row_sensitivities(state.reshape(-1, 1).copy(), row, energy, sensitivity)
    return float(energy[0]), sensitivity[:, 0]


def likely_state() -> Array:
    state = np.zeros(N_STATES)
    state[[ENERGY, PHI, ROLL, KAPPA]] = 120.0, 1.0 / 5200.0, 0.013, 2.4 / 5200.0
    state[4:] = 0.002, 2.5, 700.0, 0.001, 0.0012, 0.01, 0.0, 0.03, 0.12, 0.3, 1e-3, 7e-3
    return state


@pytest.mark.parametrize("n", [12, 13, 14, 16])
def test_sensitivities_are_the_numeric_jacobian(rows: Array, n: int) -> None:
    state = likely_state()[:n]
    step = np.maximum(np.abs(state), 1e-4) * 1e-5
    step[SLIP] = 1e-9
    for row in rows[rows[:, R_KNOWN] > 0.5][::400]:
        _, sensitivity = predicted(state, row)
        for index in range(n):
            up, down = state.copy(), state.copy()
            up[index] += step[index]
            down[index] -= step[index]
            numeric = (predicted(up, row)[0] - predicted(down, row)[0]) / (2.0 * step[index])
            assert sensitivity[index] == pytest.approx(numeric, rel=1e-5, abs=1e-7), STATE_NAMES[
                index
            ]


def test_lanes_do_not_see_one_another(rows: Array) -> None:
    state = np.column_stack([likely_state()] * 8)
    state[PHI] *= np.linspace(0.8, 1.2, 8)
    row = rows[rows[:, R_KNOWN] > 0.5][100]
    energy, sensitivity = np.empty(8), np.empty((N_STATES, 8))
    row_sensitivities(state, row, energy, sensitivity)
    for lane in range(8):
        alone, derivative = predicted(state[:, lane], row)
        assert energy[lane] == pytest.approx(alone, rel=1e-13)
        assert_allclose(sensitivity[:, lane], derivative, rtol=1e-12)


def test_what_a_bend_costs_is_lost_whatever_the_load(rows: Array) -> None:
    row = rows[rows[:, R_KNOWN] > 0.5][100].copy()
    straight, slopes = predicted(likely_state(), row)
    row[R_BENDS] += 0.01
    bent, same = predicted(likely_state(), row)
    assert straight - bent == pytest.approx(0.01, rel=1e-3)
    assert_allclose(np.delete(same, SLIP), np.delete(slopes, SLIP), rtol=1e-12)


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
    table = problem.drive_rows(trace, rig)
    assert speed.min() > 5.0 and len(table) > 1000
    state = np.zeros(12)
    state[[PHI, ROLL, KAPPA, SLOPE, WIND]] = (
        1.0 / mass,
        coefficient,
        area / mass,
        speed_slope,
        wind,
    )
    # Fresh at every row, so that errors do not cancel: energy height from what is measured.
    energy = table[:, R_Y] + table[:, R_ROT] / mass
    wrong = []
    for index in range(100, len(table)):
        state[ENERGY] = energy[index - 1]
        wrong.append(predicted(state, table[index])[0] - energy[index])
    assert np.abs(table[1:, R_DT] - 0.1).max() < 1e-9
    assert np.abs(wrong).max() < tolerance_m
    # And over the whole drive, relative to the height gained and lost.
    assert abs(np.sum(wrong)) < 1e-5 * np.abs(np.diff(energy)).sum()


def test_unknown_force_opens_the_energy_height(rows: Array) -> None:
    noise = Noise()
    row = rows[rows[:, R_KNOWN] > 0.5][50].copy()
    assert process_variance(1.0 / 5200.0, row, noise) < 1.0
    row[R_KNOWN] = 0.0
    assert process_variance(1.0 / 5200.0, row, noise) == noise.open_variance_m2
    assert row[R_DX] > 0.0


def test_states_that_a_log_cannot_need_are_left_off() -> None:
    assert states_needed(False, False, False) == 12
    assert states_needed(True, False, False) == 13
    assert states_needed(True, True, False) == 14
    assert states_needed(False, False, True) == 16 == N_STATES == len(STATE_NAMES)


def test_the_prior_admits_overload_and_nothing_hitched(rig: Rig) -> None:
    prior = load_prior(rig)
    assert prior.weight.sum() == pytest.approx(1.0)
    gcm = rig.nominal_gcm_kg
    rng = np.random.default_rng(1)
    part = rng.choice(prior.weight.size, size=200_000, p=prior.weight)
    mass = prior.mass_kg[part] + prior.mass_sd_kg[part] * rng.standard_normal(part.size)
    assert np.mean(mass > gcm) > 0.05
    assert np.mean(mass > 1.4 * gcm) > 1e-4
    assert prior.weight[prior.solo == 1].sum() > 0.05
    hitched = prior.solo == 0
    mean = np.average(prior.mass_kg[hitched], weights=prior.weight[hitched])
    assert mean == pytest.approx(0.5 * (rig.vehicle.mass_kg + gcm), rel=0.06)


def test_a_given_belief_leaves_room_for_being_wrong(rig: Rig) -> None:
    prior = load_prior(rig, 9000.0, 300.0)
    near = np.abs(prior.mass_kg - 9000.0) < 1000.0
    assert 0.8 < prior.weight[near].sum() < 0.95


def test_modes_of_regeneration_belong_to_their_ground() -> None:
    modes = ground_modes(HANDBOOK_GROUNDS, with_regeneration=True)
    assert modes.initial.sum() == pytest.approx(1.0)
    for index in np.flatnonzero(modes.regeneration):
        other = modes.partner[index]
        assert modes.partner[other] == index and modes.regeneration[other] == 0
        assert modes.surface[other] == modes.surface[index]
    with pytest.raises(InputError, match="too many"):
        ground_modes(HANDBOOK_GROUNDS * 2)


@pytest.mark.parametrize(("scale_sd", "tilt_sd"), [(0.0, 0.01), (0.015, 0.01), (0.08, 0.04)])
def test_a_chain_hardly_known_on_the_whole_may_tilt_more(scale_sd: float, tilt_sd: float) -> None:
    rig = with_scale_sd(shipped_rig("utility_boat"), scale_sd)
    assert load_prior(rig).tilt_sd == pytest.approx(tilt_sd)
