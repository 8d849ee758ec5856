"""The rig of the policy tests; their plant is one of the experiments'."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from policy_bench import make_rig

from loadlearn.vehicle.rig import Rig

EXPERIMENTS = Path(__file__).resolve().parents[2] / "experiments"
if str(EXPERIMENTS) not in sys.path:
    sys.path.insert(0, str(EXPERIMENTS))


@pytest.fixture(scope="session")
def rig() -> Rig:
    return make_rig()
