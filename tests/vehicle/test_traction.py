"""Force at the tread over a trace: measured, and read back from the simulated vehicle."""

from __future__ import annotations

import numpy as np
import pytest
from traction_bench import steady

from loadlearn.simulation.drive import PlantVariation, simulate
from loadlearn.simulation.road import random_road
from loadlearn.simulation.scenarios import shipped_rig
from loadlearn.simulation.sensors import Logger
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.traction import traction


def test_measured_tread_force_is_taken_as_it_is(rig: Rig) -> None:
    trace = steady(rig, tractive_force_n=1234.0, tractive_force_sd_n=20.0)
    found = traction(trace, rig).iloc[-1]
    assert (found["force_n"], found["force_sd_n"]) == (1234.0, 20.0)
    wheels = rig.vehicle.wheel_inertia_kg_m2 / rig.vehicle.tyre_radius_m**2
    assert found["rotating_mass_kg"] == pytest.approx(wheels)


def test_the_simulated_vehicle_is_read_back() -> None:
    """Noise-free log, converter locked: the plant's force but for its accessories, to a per mille.

    The log cannot show what the accessories take; the rig says their mean. What spins the engine up
    is off the force on either side.
    """
    rig = shipped_rig("utility_boat")
    made = simulate(
        rig,
        random_road(4, 10_000.0, "rolling"),
        seed=4,
        combined_mass_kg=5200.0,
        logger=Logger.exact(10.0),
        duration_s=200.0,
        variation=PlantVariation.none(),
    )
    found = traction(made.log.drop(columns="engine_torque_n_m", errors="ignore"), rig)
    truth = made.truth["computed_force_n"].to_numpy(copy=True)
    pulling = (found["set_aside_because"].astype(str) == "").to_numpy(copy=True)
    pulling &= np.isfinite(truth) & (truth > 500.0)
    assert pulling.sum() > 300
    speed = made.truth["speed_m_s"].to_numpy()
    taken = made.truth["accessory_power_kw"].to_numpy() - rig.engine.accessory_power_kw
    truth += 1e3 * rig.driveline.efficiency * taken / np.maximum(speed, 1.0)
    truth += (made.truth["tractive_force_n"] - made.truth["driving_force_n"]).to_numpy()
    ratio = found["force_n"].to_numpy()[pulling] / truth[pulling]
    assert np.median(ratio) == pytest.approx(1.0, abs=1e-3)
    assert np.quantile(np.abs(ratio - 1.0), 0.95) < 0.02
