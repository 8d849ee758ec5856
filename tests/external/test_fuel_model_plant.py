"""The adapter to a second, independent fuel model (SUMO's PHEMlight 5) reads it correctly.

Nothing is estimated here: what the adapter claims of the model is held down by its own answers.
"""

from __future__ import annotations

import numpy as np
import pytest
from plants import emission_model as model

pytest.importorskip("sumo", reason="needs the extra external: eclipse-sumo 1.28 or later")


STATES = [(20.0, 0.0), (20.0, 2.0), (20.0, 4.0), (30.0, 0.0), (10.0, 6.0), (25.0, 1.0)]
"""Steady speeds (m/s) and grades (%)."""


def test_fuelling_rises_with_power_alone() -> None:
    # Fuelling is one curve of the engine power that the adapter computes from mass (loading
    # included), slope (as per cent of the weight), speed and air. Different masses, slopes and
    # speeds fall on that curve only if every one of these is read rightly.
    steady = [
        model.drive(np.full(3, speed), np.full(3, grade), mass_kg=mass).steps.iloc[-1]
        for mass in (1837.1, 2600.0, 3600.0)
        for speed, grade in STATES
    ]
    p = np.array([row["engine_power_w"] for row in steady])
    f = np.array([row["fuel_rate_g_s"] for row in steady])
    # The model's own map is linear between tenths of the rated power.
    rated = 1e3 * model.vehicle_file()["EngineData"]["ICEData"]["Prated"]
    knots = rated * np.arange(0.0, 1.01, 0.1)
    at_knots = np.linalg.lstsq(_hat(p, knots), f, rcond=None)[0]
    assert np.abs(_hat(p, knots) @ at_knots - f).max() < 2e-4
    used = _hat(p, knots).sum(axis=0) > 0.0
    assert np.all(np.diff(at_knots[used]) > 0.0)
    assert used.sum() <= 8 < len(p)


def _hat(x: np.ndarray, knots: np.ndarray) -> np.ndarray:
    """Piecewise-linear basis functions on knots."""
    return np.column_stack([np.interp(x, knots, row) for row in np.eye(len(knots))])


def test_acceleration_costs_the_rotating_parts_too() -> None:
    # One step up by 0.4 m/s at 20 m/s against a steady 20.2 m/s.
    speed = np.array([20.0, 20.0, 20.4, 20.4])
    steps = model.drive(speed, np.zeros(4), mass_kg=2600.0).steps
    truth = model.drive(speed, np.zeros(4), mass_kg=2600.0).truth
    assert truth.mass_kg == 2600.0
    more = steps["engine_power_w"].iloc[1] - 0.5 * (
        steps["engine_power_w"].iloc[0] + steps["engine_power_w"].iloc[2]
    )
    plain = 2600.0 * 0.4 * 20.2 / 0.9
    assert 1.02 < more / plain < 1.12
    assert steps["fuel_rate_g_s"].iloc[1] > steps["fuel_rate_g_s"].iloc[2]


def test_engine_inertia_is_one_number_for_all_gears() -> None:
    run = model.drive(np.full(4, 20.0), np.zeros(4), mass_kg=1837.1)
    table = model.vehicle_file()["TransmissionData"]
    overall = np.array(table["Transm"]["GearRatio"]) * table["AxelRatio"]
    factor = 1.0 + run.engine_inertia_kg_m2 * overall**2 / (
        run.truth.tyre_radius_m**2 * (1837.1 - 292.2)
    )
    np.testing.assert_allclose(factor, table["Transm"]["RotMassF"], rtol=2e-3)


def test_the_logged_engine_takes_on_what_the_mass_factor_charges() -> None:
    # The file interpolates ratio and mass factor between gears; its own engine speed would hardly
    # rise. In the logged, stepped gearbox the kinetic energy that the engine's speed shows is the
    # energy that the model charged, on the whole and not second by second.
    speed = np.arange(3.0, 33.0, 0.15)
    run = model.drive(speed, np.zeros_like(speed), mass_kg=1837.1)
    steps = run.steps
    omega = steps["engine_speed_rpm"].to_numpy() * np.pi / 30.0
    within = np.diff(steps["gear"].to_numpy()) == 0.0
    shown = 0.5 * run.engine_inertia_kg_m2 * np.diff(omega**2)
    charged = steps["spinning_power_w"].to_numpy()
    between = 0.5 * (charged[1:] + charged[:-1])
    assert shown[within].sum() == pytest.approx(between[within].sum(), rel=0.07)
    assert set(steps["gear"]) == {1.0, 2.0, 3.0, 4.0, 5.0, 6.0}


def test_more_than_full_load_is_refused() -> None:
    with pytest.raises(RuntimeError, match="more than full load"):
        model.drive(np.array([10.0, 14.0, 18.0]), np.zeros(3), mass_kg=4500.0)
