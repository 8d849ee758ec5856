"""Rigs and one exact drive, shared by the tests of the simulator."""

from __future__ import annotations

import pytest

from loadlearn.simulation.drive import Drive, PlantVariation, simulate
from loadlearn.simulation.road import random_road
from loadlearn.simulation.scenarios import shipped_rig
from loadlearn.simulation.sensors import Logger
from loadlearn.vehicle.rig import Rig


@pytest.fixture(scope="session")
def utility() -> Rig:
    return shipped_rig("utility_boat")


@pytest.fixture(scope="session")
def exact_drive(utility: Rig) -> Drive:
    """Ten minutes with exact traction, constant coefficients and noise-free sensors."""
    return simulate(
        utility,
        random_road(4, 30_000.0, "rolling"),
        seed=4,
        combined_mass_kg=5200.0,
        tractive_scale=1.04,
        logger=Logger.exact(50.0),
        duration_s=600.0,
        variation=PlantVariation.none(),
    )


@pytest.fixture(scope="session")
def rich_drive(utility: Rig) -> Drive:
    """Ten minutes with everything drawn."""
    return simulate(
        utility,
        random_road(5, 30_000.0, "mountain"),
        seed=5,
        combined_mass_kg=5200.0,
        duration_s=600.0,
        extra_torque_share=1.0,
    )
