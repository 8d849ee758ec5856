"""Rigs and a driver's seat for the policy tests."""

from __future__ import annotations

import copy

import pytest

from loadlearn.rig import Rig

RIG_TABLE = {
    "name": "test utility with trailer",
    "vehicle": {
        "mass_kg": 2700.0,
        "mass_sd_kg": 100.0,
        "rated_gvm_kg": 3300.0,
        "rated_gcm_kg": 6000.0,
        "rated_towing_kg": 3300.0,
        "tyre_radius_m": 0.38,
        "drag_area_m2": 2.4,
    },
    "engine": {
        "displacement_l": 3.0,
        "full_load_rpm": [1000, 1500, 2000, 2500, 3000, 3500, 4000],
        "full_load_torque_n_m": [250, 400, 450, 450, 430, 390, 320],
        "uprated": {"full_load_torque_n_m": [260, 470, 570, 580, 555, 495, 400]},
    },
    "driveline": {
        "gear_ratios": [3.8, 2.3, 1.5, 1.15, 0.85, 0.67],
        "final_drive": 3.7,
        "transfer_low_ratio": 2.5,
    },
}


def make_rig(**limits: object) -> Rig:
    """The test rig with some limits changed."""
    table = copy.deepcopy(RIG_TABLE)
    table["limits"] = limits
    return Rig.from_dict(table)


@pytest.fixture(scope="session")
def rig() -> Rig:
    return make_rig()
