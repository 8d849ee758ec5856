"""The adapter to a vehicle energy simulator (fastsim 3) reads that plant correctly.

Nothing is estimated here. These tests hold down what the adapter claims of the plant: its timing,
its air, its weight and what it silently does, so that a later release that differs is noticed.
"""

from __future__ import annotations

import numpy as np
import pytest
from plants import cycles
from plants import vehicle_energy as plant

from loadlearn.vehicle.roadload import (
    air_density_kg_m3,
    grade_angle,
    longitudinal_acceleration,
    rotating_mass,
)

pytest.importorskip("fastsim", reason="needs the extra external: fastsim 3.1 or later")

MASS, ROLLING, DRAG_AREA, POWER_W = 5200.0, 0.0105, 2.2, 150e3


@pytest.fixture(scope="module")
def run() -> plant.PlantRun:
    speed, grade = cycles.within_power(
        cycles.speed_trace("udds"), MASS, ROLLING, DRAG_AREA, POWER_W, 2.0, seed=1
    )
    return plant.drive(
        speed,
        grade,
        mass_kg=MASS,
        rolling_resistance=ROLLING,
        drag_area_m2=DRAG_AREA,
        rated_power_w=2.0 * POWER_W,
    )


def test_every_step_satisfies_the_force_balance(run: plant.PlantRun) -> None:
    # Our balance at the mid-step samples gives the plant's acceleration: the force it reports
    # belongs to the middle of the step that ends at its time stamp.
    truth, trace = run.truth, run.trace("wheel_force")
    moving = trace["speed_m_s"] > 1.0
    sine, cosine = grade_angle(trace["grade_percent"])
    wheels = rotating_mass(0.0, truth.wheel_inertia_kg_m2, 0.0, truth.tyre_radius_m)
    acceleration = longitudinal_acceleration(
        trace["tractive_force_n"],
        truth.mass_kg,
        wheels,
        truth.rolling_resistance,
        truth.drag_area_m2,
        truth.air_density_kg_m3,
        trace["speed_m_s"],
        0.0,
        sine,
        cosine,
    )
    steps = run.steps
    plant_acceleration = steps["acceleration_w"] / (truth.mass_kg * steps["speed_m_s"])
    difference = (acceleration - plant_acceleration)[moving]
    assert np.abs(difference).max() < 2e-5


def test_trapezoid_between_mid_steps_is_exact(run: plant.PlantRun) -> None:
    # Least squares on trapezoids of neighbouring samples gives back what the plant was told; a
    # force held from the start or the end of the interval does not (it moves rolling resistance).
    truth, trace = run.truth, run.trace("wheel_force")
    speed = trace["speed_m_s"].to_numpy()
    sine, cosine = grade_angle(trace["grade_percent"])
    standard = 9.80665
    columns = np.column_stack(
        [standard * sine, standard * cosine, 0.5 * truth.air_density_kg_m3 * speed**2]
    )
    wheels = rotating_mass(0.0, truth.wheel_inertia_kg_m2, 0.0, truth.tyre_radius_m)
    force = trace["tractive_force_n"].to_numpy()

    def recover(weight_after: float) -> np.ndarray:
        def between(values: np.ndarray) -> np.ndarray:
            return weight_after * values[1:] + (1.0 - weight_after) * values[:-1]

        change = np.diff(speed)
        used = (speed[1:] > 1.0) & (speed[:-1] > 1.0)
        design = between(columns)
        design[:, 0] += change
        wanted = between(force) - wheels * change
        mass, rolling, area = np.linalg.lstsq(design[used], wanted[used], rcond=None)[0]
        return np.array([mass, rolling / mass, area])

    expected = [truth.mass_kg, truth.rolling_resistance, truth.drag_area_m2]
    np.testing.assert_allclose(recover(0.5), expected, rtol=1e-6)
    for held in (0.0, 1.0):
        assert np.abs(recover(held) / expected - 1.0).max() > 0.02


def test_its_air_and_the_ambient_channels_agree(run: plant.PlantRun) -> None:
    trace = run.trace("wheel_force")
    logged = air_density_kg_m3(
        0.0, trace["ambient_temp_degc"].iloc[0], trace["ambient_pressure_kpa"].iloc[0]
    )
    assert run.truth.air_density_kg_m3 == pytest.approx(1.1728, abs=1e-4)
    assert logged == pytest.approx(run.truth.air_density_kg_m3, rel=1e-9)


def test_powers_from_fuel_to_wheel(run: plant.PlantRun) -> None:
    steps, truth = run.steps, run.truth
    driving = steps["wheel_power_w"] > 1000.0
    # Wheel power through the driveline plus accessories is the engine's power.
    expected = steps["wheel_power_w"] / truth.driveline_efficiency + truth.accessory_power_w
    np.testing.assert_allclose(steps["engine_power_w"][driving], expected[driving], rtol=1e-9)
    efficiency = steps["engine_power_w"] / steps["fuel_power_w"]
    assert efficiency[driving].max() < 0.40
    torque = run.trace("engine_torque")
    power = torque["engine_torque_n_m"] * torque["engine_speed_rpm"] * np.pi / 30.0
    np.testing.assert_allclose(power, steps["engine_power_w"], rtol=1e-12)


def test_a_missed_trace_is_refused() -> None:
    speed = cycles.speed_trace("udds")[:200]
    with pytest.raises(RuntimeError, match="missed its speed trace"):
        plant.drive(
            speed,
            np.zeros_like(speed),
            mass_kg=7000.0,
            rolling_resistance=0.01,
            drag_area_m2=3.0,
            rated_power_w=40e3,
        )


def test_a_change_of_ground_is_spliced_where_asked(run: plant.PlantRun) -> None:
    speed, grade = cycles.within_power(
        cycles.speed_trace("udds"), MASS, ROLLING, DRAG_AREA, POWER_W, 2.0, seed=1
    )
    sand = plant.drive(
        speed,
        grade,
        mass_kg=MASS,
        rolling_resistance=0.12,
        drag_area_m2=DRAG_AREA,
        rated_power_w=6.0 * POWER_W,
    )
    both = plant.splice(run, sand, 700.0)
    weight = MASS * 9.80665 * both.steps["speed_m_s"]
    apparent = (both.steps["rolling_w"] / weight)[both.steps["speed_m_s"] > 1.0]
    time = both.steps["time_s"][apparent.index]
    assert apparent[time < 700.0].to_numpy() == pytest.approx(ROLLING, rel=0.01)
    assert apparent[time > 700.0].to_numpy() == pytest.approx(0.12, rel=0.01)
