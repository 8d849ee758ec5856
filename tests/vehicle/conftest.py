"""One rig, shared by these tests."""

from __future__ import annotations

import pytest
from drive_bench import small_rig

from loadlearn.vehicle.rig import Rig


@pytest.fixture(scope="session")
def rig() -> Rig:
    return small_rig()
