"""Rigs, roads and loads on which strategies are judged: shipped ones, and ones drawn afresh."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from loadlearn.simulation.road import Road, altitude_from_grade, random_road
from loadlearn.simulation.roadfile import read_road
from loadlearn.simulation.situation import Situation, situation, without_cruise
from loadlearn.vehicle.rig import Rig

DATA = Path(__file__).resolve().parents[1] / "synthetic_data"
STRATEGIES = ("base", "fixed_share", "learnt_load", "known_load")

# A turbo petrol of two litres and a half; invented.
PETROL: dict[str, Any] = {
    "name": "turbo petrol with van trailer",
    "vehicle": {
        "mass_kg": 2150.0,
        "mass_sd_kg": 90.0,
        "rated_gvm_kg": 2700.0,
        "rated_gcm_kg": 5000.0,
        "rated_towing_kg": 2800.0,
        "tyre_radius_m": 0.365,
        "wheel_inertia_kg_m2": 6.5,
        "drag_area_m2": 2.0,
        "drag_area_sd_m2": 0.5,
    },
    "engine": {
        "fuel": "petrol",
        "displacement_l": 2.5,
        "cylinders": 4,
        "indicated_efficiency": 0.37,
        "inertia_kg_m2": 0.2,
        "idle_rpm": 750,
        "full_load_rpm": [1000, 1500, 2000, 3000, 4000, 5000, 5800],
        "full_load_torque_n_m": [190, 300, 350, 360, 355, 330, 285],
        "uprated": {"full_load_torque_n_m": [200, 330, 410, 430, 420, 385, 330]},
    },
    "driveline": {
        "gear_ratios": [4.6, 2.75, 1.85, 1.38, 1.0, 0.82, 0.69],
        "final_drive": 3.7,
        "efficiency": 0.91,
        "converter_stall_torque_ratio": 1.8,
    },
    "uncertainty": {"tractive_scale_sd": 0.03},
}


@dataclass(frozen=True)
class Case:
    """A rig, a road and what drives them.

    Attributes
    ----------
    rig : str
        File in ``synthetic_data/rigs``, or ``petrol``.
    road : str
        File in ``synthetic_data/roads``, or ``kind:...`` for one drawn here.
    load : float
        Combined mass over the rated one.
    about : {"climb", "passing", "flat", "mixed"}
        Which claims it answers.
    cruise : bool
        Whether the driver uses cruise control now and then.
    scale_sd : float, optional
        What is believed of the tractive scale, where not what the rig says.
    pedal_adaptation_s : float
        How fast the foot gets used to a flattened pedal.
    """

    rig: str
    road: str
    load: float
    about: str
    cruise: bool = False
    scale_sd: float | None = None
    pedal_adaptation_s: float = 10.0


CASES: dict[str, Case] = {
    "utility, 10.5 % climb, 95 % of GCM": Case("utility_boat", "steep:10.5", 0.95, "climb"),
    "the same, scale known to 1 %": Case(
        "utility_boat", "steep:10.5", 0.95, "climb", scale_sd=0.01
    ),
    "utility, 8 % climb, 90 % of GCM": Case("utility_boat", "steep:8", 0.9, "climb"),
    "utility, long hot climb": Case("utility_boat", "long_climb", 0.9, "climb"),
    "utility, range, gravel, sand": Case("utility_boat", "depot_to_ramp", 0.9, "mixed"),
    "wagon, 10.5 % climb, 90 % of GCM": Case("wagon_survey_trailer", "steep:10.5", 0.9, "climb"),
    "wagon, long hot climb": Case("wagon_survey_trailer", "long_climb", 0.9, "climb"),
    "petrol, 8 % climb, 90 % of GCM": Case("petrol", "steep:8", 0.9, "climb"),
    "petrol, fresh mountain road": Case("petrol", "mountain:5151", 0.85, "mixed"),
    "truck, 6 % climb, 90 % of GCM": Case("heavy_truck", "steep:6", 0.9, "climb"),
    "truck, fresh rolling road": Case("heavy_truck", "rolling:5252", 0.9, "mixed"),
    "wagon, fresh mountain road": Case("wagon_survey_trailer", "mountain:5353", 0.85, "mixed"),
    "utility, passing": Case("utility_boat", "overtaking", 0.9, "passing"),
    "wagon, passing": Case("wagon_survey_trailer", "overtaking", 0.8, "passing"),
    "petrol, passing": Case("petrol", "overtaking", 0.85, "passing"),
    "utility, passing half-way up a climb": Case("utility_boat", "pass_on_climb", 0.8, "passing"),
    "utility, flat day": Case("utility_boat", "flat_touring_day", 0.9, "flat", cruise=True),
    "utility, flat day, light": Case("utility_boat", "flat_touring_day", 0.53, "flat", cruise=True),
    "utility, flat day, foot never used to it": Case(
        "utility_boat", "flat_touring_day", 0.9, "flat", True, None, math.inf
    ),
    "petrol, fresh flat road": Case("petrol", "flat:5454", 0.85, "flat", cruise=True),
    "truck, fresh flat road": Case("heavy_truck", "flat:5555", 0.9, "flat", cruise=True),
}


def _climb(name: str, grade_percent: float, limits_km_h: tuple[float, ...], lane: bool) -> Road:
    """Seven kilometres at one grade, with vertical curves of 200 m at foot and crest (invented)."""
    road = random_road(61, 12_500.0, "level", stops=[], limits_km_h=limits_km_h)
    at = road.distance_m
    ramp = np.clip((at - 4000.0) / 200.0, 0.0, 1.0) * np.clip((11_000.0 - at) / 200.0, 0.0, 1.0)
    grade = grade_percent * ramp
    limit = road.speed_limit_m_s
    if lane:
        # A second lane two thirds up: the slower vehicle ahead can be passed.
        limit = np.where((at > 8000.0) & (at < 10_000.0), limit + 20.0 / 3.6, limit)
    return replace(
        road,
        name=name,
        grade_percent=grade,
        altitude_m=altitude_from_grade(grade, 100.0),
        speed_limit_m_s=limit,
    )


@functools.cache
def road_of(name: str) -> Road:
    """A road by its name in :data:`CASES`."""
    kind, _, rest = name.partition(":")
    if kind == "steep":
        return _climb(f"climb of {rest} %", float(rest), (80.0,), lane=False)
    if kind == "pass_on_climb":
        return _climb("climb of 5 % with a second lane", 5.0, (70.0,), lane=True)
    if rest:
        return random_road(int(rest), 24_000.0, kind)  # type: ignore[arg-type]
    return read_road(DATA / "roads" / f"{name}.toml")


@functools.cache
def laid_out(name: str) -> Situation:
    """A case ready to drive, under :data:`STRATEGIES`."""
    case = CASES[name]
    if case.rig == "petrol":
        rig = Rig.from_dict(PETROL, "petrol")
    else:
        rig = Rig.from_toml(DATA / "rigs" / f"{case.rig}.toml")
    if case.scale_sd is not None:
        belief = rig.uncertainty.model_copy(update={"tractive_scale_sd": case.scale_sd})
        rig = rig.model_copy(update={"uncertainty": belief})
    what = situation(rig, road_of(case.road), case.load * rig.nominal_gcm_kg)
    if not case.cruise:
        what = without_cruise(what)
    driver = replace(what.variation, pedal_adaptation_s=case.pedal_adaptation_s)
    kept = tuple(one for one in what.compared if one.name in STRATEGIES)
    return replace(what, variation=driver, compared=kept)
