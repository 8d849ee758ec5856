"""Rigs for the policy tests: one of their own, and the shipped ones."""

from __future__ import annotations

import copy
from pathlib import Path

from loadlearn.vehicle.rig import Rig

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
RIG_FOLDER = Path(__file__).parents[2] / "synthetic_data" / "rigs"
RIGS = ["test rig", *sorted(path.stem for path in RIG_FOLDER.glob("*.toml"))]


def make_rig(**limits: object) -> Rig:
    """The test rig with some limits changed."""
    table = copy.deepcopy(RIG_TABLE)
    table["limits"] = limits
    return Rig.from_dict(table)


def petrol_rig(aspiration: str, torque_share: float = 1.0, **limits: object) -> Rig:
    """The test rig with a petrol engine whose curves are scaled."""
    table = copy.deepcopy(RIG_TABLE)
    table["limits"] = limits
    engine = table["engine"]
    engine |= {"fuel": "petrol", "aspiration": aspiration}
    for curve in (engine, engine["uprated"]):
        curve["full_load_torque_n_m"] = [torque_share * v for v in curve["full_load_torque_n_m"]]
    return Rig.from_dict(table)


def with_sensor(name: str, place: str) -> Rig:
    """The test rig or a shipped one, its exhaust sensor before or after the turbine."""
    if name == "test rig":
        return make_rig(exhaust_gas_temp_sensor=place)
    table = Rig.from_toml(RIG_FOLDER / f"{name}.toml").model_dump()
    table["limits"]["exhaust_gas_temp_sensor"] = place
    return Rig.from_dict(table)
