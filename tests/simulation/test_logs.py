"""Simulated logs are drive logs: they pass the readers, and their truth explains them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from loadlearn import read_log
from loadlearn.simulation.drive import Drive, PlantVariation, simulate
from loadlearn.simulation.road import random_road
from loadlearn.simulation.scenarios import scenario
from loadlearn.simulation.sensors import Logger
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import GRAVITY_M_S2

DATA = Path(__file__).parents[2] / "synthetic_data"


def test_shipped_demo_reads() -> None:
    rig = Rig.from_toml(DATA / "demo" / "rig.toml")
    trace = read_log(DATA / "demo" / "drive.csv.gz", rig=rig)
    assert len(trace) > 18_000
    assert trace["speed_m_s"].notna().all()
    for column in ("coolant_temp_degc", "exhaust_gas_temp_degc", "transmission_oil_temp_degc"):
        assert trace[column].notna().all()


@pytest.mark.parametrize("name", ["good_10hz", "obd_1hz_altitude", "trailer_left"])
def test_simulated_logs_read(name: str, tmp_path: Path) -> None:
    built = scenario(name, 5, duration_s=300.0)
    path = tmp_path / "drive.csv"
    built.drive.log.to_csv(path, index=False)
    trace = read_log(path, rig=built.rig)
    assert len(trace) == len(built.drive.log)
    np.testing.assert_allclose(trace["speed_m_s"], built.drive.log["speed_m_s"], atol=1e-9)


def test_tractive_scale_is_kept_over_a_drive_with_varying_efficiency(utility: Rig) -> None:
    drive = simulate(
        utility,
        random_road(8, 60_000.0, "rolling"),
        seed=8,
        combined_mass_kg=5200.0,
        tractive_scale=0.97,
        duration_s=1200.0,
    )
    assert drive.meta["tractive_scale_over_drive"] == pytest.approx(0.97, rel=5e-4)
    truth = drive.truth
    pulling = (truth["converter_locked"] == 1.0) & (truth["engine_torque_n_m"] > 100.0)
    ratio = truth["driving_force_n"][pulling] / truth["computed_force_n"][pulling]
    assert 0.0005 < ratio.std() < 0.02
    assert ratio.mean() == pytest.approx(0.97, rel=0.005)


def test_mass_lies_in_the_exact_log(exact_drive: Drive, utility: Rig) -> None:
    """Least squares of the force balance on a noise-free log finds mass, coefficient and drag.

    The oracle shares the balance with the plant: it tests the log's consistency, not the physics.
    """
    fine = exact_drive.fine
    free = (fine["locked"] == 1.0) & (fine["brake_force_n"] == 0.0) & (fine["speed_m_s"] > 4.0)
    sine = fine["grade_tangent"] / np.sqrt(1.0 + fine["grade_tangent"] ** 2)
    cosine = np.sqrt(1.0 - sine**2)
    speed = fine["speed_m_s"]
    wheels = utility.vehicle.wheel_inertia_kg_m2 / utility.vehicle.tyre_radius_m**2
    force = fine["tractive_force_n"] - wheels * fine["accel_m_s2"]
    slope = 0.001 * ((speed / 20.0) ** 2 - 1.0)
    design = np.column_stack(
        [
            fine["accel_m_s2"] + GRAVITY_M_S2 * (sine + slope * cosine),
            GRAVITY_M_S2 * cosine,
            0.5 * fine["air_density_kg_m3"] * speed**2,
        ]
    )
    mass, product, drag_area = np.linalg.lstsq(design[free], force[free], rcond=None)[0]
    assert mass == pytest.approx(5200.0, rel=1e-3)
    assert product / mass == pytest.approx(0.0105, rel=0.01)
    assert drag_area == pytest.approx(2.1, rel=0.01)


def test_quiet_plant_is_exact(utility: Rig) -> None:
    drive = simulate(
        utility,
        random_road(8, 9000.0, "rolling"),
        seed=8,
        combined_mass_kg=5200.0,
        variation=PlantVariation.none(),
        logger=Logger.exact(),
    )
    truth = drive.truth
    believed = (truth["converter_locked"] == 1.0) & (truth["fuel_rate_g_s"] > 0.0)
    np.testing.assert_allclose(
        truth["computed_force_n"][believed], truth["driving_force_n"][believed], rtol=1e-9, atol=0.1
    )
    assert (truth["headwind_m_s"] == 0.0).all()
    np.testing.assert_allclose(truth["rolling_resistance"], 0.0105)
