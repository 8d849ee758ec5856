"""One rig and a few short drives, shared by the tests of the estimator."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from loadlearn.estimation.estimator import default_noise, prior_for
from loadlearn.estimation.model import Grounds, Noise, Prior, ground_modes
from loadlearn.simulation.drive import Drive, PlantVariation, simulate
from loadlearn.simulation.road import random_road
from loadlearn.simulation.scenarios import shipped_rig
from loadlearn.simulation.sensors import Logger
from loadlearn.study import problem
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS
from loadlearn.vehicle.samples import HEIGHT_FROM_GRADE, SOURCE_FUEL

TRUE_MASS_KG = 5200.0


@pytest.fixture(scope="session")
def rig() -> Rig:
    return shipped_rig("utility_boat")


@pytest.fixture(scope="session")
def drive(rig: Rig) -> Drive:
    """Ten minutes at 10 Hz with exact traction, from a standstill, stops and braking included."""
    return simulate(
        rig,
        random_road(4, 20_000.0, "rolling"),
        seed=4,
        combined_mass_kg=TRUE_MASS_KG,
        logger=Logger.good_10hz(),
        duration_s=600.0,
        variation=PlantVariation.none(),
    )


@pytest.fixture(scope="session")
def grounds() -> Grounds:
    """The handbook's grounds, without regeneration."""
    return ground_modes(HANDBOOK_GROUNDS, with_regeneration=False)


@pytest.fixture(scope="session")
def prior(rig: Rig) -> Prior:
    return prior_for(rig, SOURCE_FUEL, HEIGHT_FROM_GRADE)


@pytest.fixture(scope="session")
def noise(rig: Rig) -> Noise:
    return default_noise(HEIGHT_FROM_GRADE, rig)


@pytest.fixture(scope="session")
def rows(drive: Drive, rig: Rig) -> NDArray[np.float64]:
    return problem.drive_rows(drive.log, rig)
