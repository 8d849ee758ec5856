"""One rig and a short drive, as fixtures, for the tests of log and study."""

from __future__ import annotations

import pytest

from loadlearn._compile import Records
from loadlearn.estimation.grounds import Grounds, ground_modes
from loadlearn.estimation.intervals import SHORTEST_ROW_S, interval_state, rows_of
from loadlearn.estimation.learner import Setup, Sources, setup_for
from loadlearn.estimation.model import Noise, Prior
from loadlearn.simulation.drive import Drive, PlantVariation, simulate
from loadlearn.simulation.road import random_road
from loadlearn.simulation.scenarios import shipped_rig
from loadlearn.simulation.sensors import Logger
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.samples import samples_of

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
def setup(drive: Drive, rig: Rig) -> Setup:
    """What the drive's channels call for."""
    return setup_for(rig, Sources.of(drive.log))


@pytest.fixture(scope="session")
def grounds() -> Grounds:
    """The handbook's grounds, without regeneration."""
    return ground_modes()


@pytest.fixture(scope="session")
def prior(setup: Setup) -> Prior:
    return setup.prior


@pytest.fixture(scope="session")
def noise(setup: Setup) -> Noise:
    return setup.noise


@pytest.fixture(scope="session")
def rows(drive: Drive, setup: Setup) -> Records:
    samples = samples_of(drive.log)
    return rows_of(setup.rig, *setup.sources, SHORTEST_ROW_S, interval_state(), samples).rows
