"""The rig of the policy tests."""

from __future__ import annotations

import pytest
from policy_bench import make_rig

from loadlearn.vehicle.rig import Rig


@pytest.fixture(scope="session")
def rig() -> Rig:
    return make_rig()
