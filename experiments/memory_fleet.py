"""A simulated fleet: vehicles with what stays theirs, and twenty ordinary drives each.

What :mod:`vehicle_memory` judges. Drives are simulated, read and learnt from once; what is
remembered of each is kept in a folder, one file per vehicle, so that a study can be carried on.
"""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from situations import LIGHT_TOWING, lay_out

from loadlearn import read_log
from loadlearn.errors import InputError
from loadlearn.memory.drive_record import DriveRecord, Told, record_drive
from loadlearn.simulation.departures import Departures
from loadlearn.simulation.road import RoadKind
from loadlearn.simulation.scenarios import Scenario, scale_from_quantile, shipped_rig
from loadlearn.simulation.sensors import Logger

FIRST_SEED, DRAWN_SEED = 2_100_000, 2_900_000
SCALE_SD = 0.03
"""Of the true scale between vehicles, as the rig states it: its default."""
DRIVES, WEIGHED = 20, 3
DURATION_S = 600.0
KINDS: tuple[RoadKind, ...] = ("rolling", "highway", "mountain", "flat")
LOAD_VARIES_KG, WEIGHING_SD_KG = 40.0, 20.0
SOLO, BOAT = "solo", "boat"
START = datetime.date(2030, 1, 1)


@dataclass(frozen=True)
class Plan:
    """What is true of a vehicle and its drives; the last drive is the one to be judged.

    Attributes
    ----------
    seed : int
    rig : str
    off_the_model : bool
        Half of the fleet has things that the estimator does not model (``departures``).
    scale, between_sd : float
        True scale, and its spread between drives: half to double of what is believed usual.
    roll, roll_between_sd : float
        Of sealed ground; the spread is relative.
    tow_kg, hitched_m2, solo_m2 : float
    loads : tuple of (str, float)
        Name (empty where the driver has none for it) and mass in all, drive by drive (kg).
    weighed : tuple of int
        Drives that were weighed, the first of them first.
    weighings_kg : tuple of float
        What the weighbridge said.
    scales, rolls : tuple of float
        Drive by drive.
    """

    seed: int
    rig: str
    off_the_model: bool
    scale: float
    between_sd: float
    roll: float
    roll_between_sd: float
    tow_kg: float
    hitched_m2: float
    solo_m2: float
    loads: tuple[tuple[str, float], ...]
    weighed: tuple[int, ...]
    weighings_kg: tuple[float, ...]
    scales: tuple[float, ...]
    rolls: tuple[float, ...]


def plan(index: int, count: int, first_seed: int = FIRST_SEED) -> Plan:
    """Vehicle ``index`` of ``count``; true scales are spread evenly over their law."""
    seed = first_seed + 1000 * index
    rng = np.random.default_rng([seed, 1])
    name = LIGHT_TOWING[index % len(LIGHT_TOWING)]
    vehicle = shipped_rig(name).vehicle
    tow = float(rng.normal(vehicle.mass_kg, vehicle.mass_sd_kg or 0.0))
    most = float(vehicle.rated_gcm_kg or 2.0 * tow)
    boat = float(rng.uniform(tow + 900.0, most))
    # A third alone, a third with one trailer that is always loaded alike, the rest as it comes.
    kinds = rng.permutation([SOLO] * 6 + [BOAT] * 6 + [""] * (DRIVES - 12)).tolist() + [""]
    base = {SOLO: tow, BOAT: boat}
    loads = tuple(
        (kind, base[kind] + rng.normal(0.0, LOAD_VARIES_KG))
        if kind
        else ("", float(rng.uniform(tow + 700.0, 1.03 * most)))
        for kind in kinds
    )
    hauled = [at for at in range(DRIVES) if loads[at][0] != SOLO]
    weighed = tuple(sorted(rng.choice(hauled, WEIGHED, replace=False).tolist()))
    scale = scale_from_quantile(SCALE_SD, (index + 0.5) / count)
    between = 0.015 * float(2.0 ** rng.uniform(-1.0, 1.0))
    roll = float(rng.normal(0.0105, 0.0015))
    roll_between = float(rng.uniform(0.04, 0.12))
    hitched = float(rng.normal(vehicle.drag_area_m2, 0.5 * (vehicle.drag_area_sd_m2 or 0.0)))
    n = len(loads)
    return Plan(
        seed=seed,
        rig=name,
        off_the_model=index // 2 % 2 == 1,
        scale=scale,
        between_sd=between,
        roll=roll,
        roll_between_sd=roll_between,
        tow_kg=tow,
        hitched_m2=hitched,
        solo_m2=hitched * float(rng.uniform(0.55, 0.75)),
        loads=loads,
        weighed=weighed,
        weighings_kg=tuple(loads[at][1] + rng.normal(0.0, WEIGHING_SD_KG) for at in weighed),
        scales=tuple(scale * np.exp(between * rng.normal(size=n))),
        rolls=tuple(roll * np.exp(roll_between * rng.normal(size=n))),
    )


def in_turn(count: int) -> list[int]:
    """Vehicles in an order whose beginnings are fair samples of the fleet."""
    return [int(one) for one in np.random.default_rng(7).permutation(count)]


def departures(made: Plan, at: int) -> dict[str, Any]:
    """What a vehicle off the model has, sized as in ``off_the_model.py`` or below."""
    if not made.off_the_model:
        return {}
    own, here = np.random.default_rng([made.seed, 2]), np.random.default_rng([made.seed, 3, at])
    # The vehicle's own, the same in every drive ...
    sizes = {
        "gear_efficiency_step": 0.01 * float(own.choice([-1.0, 1.0])),
        "fan_power_kw": 4.0,
        "lockup_slip": float(own.uniform(0.0, 0.02)),
        "force_lag_s": float(own.uniform(0.0, 0.15)),
        "grade_slope_error": float(own.normal(0.0, 0.02)),
        # ... and the day's.
        "squall_sd_m_s": float(here.uniform(0.0, 2.5)),
        "feedforward_loss": 1.0,
        "alternator_step_kw": 1.5,
    }
    return {"departures": Departures(**sizes), "cruise_share": float(here.choice([0.0, 1.0]))}


def drive(made: Plan, at: int) -> Scenario:
    """Simulate drive ``at`` of a vehicle."""
    kind, mass = made.loads[at]
    # The logger is the vehicle's.
    slow = made.off_the_model and made.seed // 1000 % 8 >= 6
    return lay_out(
        made.seed + at,
        0.5,
        (made.rig,),
        KINDS,
        scale_sd=SCALE_SD,
        logger=Logger.obd_1hz("grade") if slow else Logger.good_10hz(),
        duration_s=2.0 * DURATION_S if slow else DURATION_S,
        combined_mass_kg=mass,
        tractive_scale=made.scales[at],
        tow_mass_kg=mass if kind == SOLO else made.tow_kg,
        drag_area_m2=made.solo_m2 if kind == SOLO else made.hitched_m2,
        rolling_resistance={"sealed": made.rolls[at]},
        **departures(made, at),
    )


def records(made: Plan, folder: Path) -> list[DriveRecord | None]:
    """What is remembered of each drive (None: it told too little), from the folder if there.

    No load and no weighing is stated in them: a study states what it is about.
    """
    place = folder / f"{made.seed}.json"
    if place.is_file():
        kept = json.loads(place.read_text(encoding="utf-8"))
        return [None if one is None else DriveRecord.model_validate(one) for one in kept["drives"]]
    found: list[DriveRecord | None] = []
    for at in range(DRIVES):
        simulated = drive(made, at)
        trace = read_log(simulated.drive.log, rig=simulated.rig)
        date = START + datetime.timedelta(days=3 * at)
        try:
            found.append(
                record_drive(trace, simulated.rig, f"{at:02d}", date, with_condition=False)
            )
        except InputError:
            found.append(None)
    folder.mkdir(parents=True, exist_ok=True)
    kept = [None if one is None else one.model_dump(mode="json") for one in found]
    partial = place.with_suffix(".partial")
    partial.write_text(json.dumps({"plan": asdict(made), "drives": kept}), encoding="utf-8")
    partial.replace(place)
    return found


Errors = dict[tuple[bool, bool], list[tuple[float, DriveRecord | None, float]]]
"""Per kind of vehicle (off the model or not) and load (solo or not): relative error of the implied
mass, the record, and how far its rolling resistance is off."""


def errors_of(fleet: Sequence[Plan], folder: Path) -> Errors:
    """What simulated drives got wrong, to be drawn from."""
    pool: Errors = {}
    for made in fleet:
        for at, one in enumerate(records(made, folder)):
            key = (made.off_the_model, made.loads[at][0] == SOLO)
            roll = None if one is None else one.rolling_resistance
            off = 0.0 if roll is None else roll.mean - made.rolls[at]
            error = 0.0 if one is None else implied_error(made, at, one)
            pool.setdefault(key, []).append((error, one, off))
    return pool


def drawn_records(made: Plan, pool: Errors) -> list[DriveRecord | None]:
    """Drives of a vehicle whose estimates have the errors and sds of simulated ones."""
    rng = np.random.default_rng([made.seed, 4])
    off = made.off_the_model and any(key[0] for key in pool)
    found: list[DriveRecord | None] = []
    for at in range(DRIVES):
        solo = made.loads[at][0] == SOLO
        of_kind = pool[off or (False, solo) not in pool, solo]
        error, like, roll_off = of_kind[int(rng.integers(len(of_kind)))]
        if like is None:
            found.append(None)
            continue
        told, roll = like.log_implied_mass, like.rolling_resistance
        mean = math.log(made.loads[at][1] / made.scales[at]) + error
        changes: dict[str, Any] = {
            "hash": f"{made.seed + at:016x}",
            "log": f"{at:02d}",
            "date": START + datetime.timedelta(days=3 * at),
            "log_implied_mass": Told(mean=mean, sd=told.sd),
            "rolling_resistance": None
            if roll is None or made.rolls[at] + roll_off <= 0.0
            else Told(mean=made.rolls[at] + roll_off, sd=roll.sd),
        }
        found.append(like.model_copy(update=changes))
    return found


def stated(
    made: Plan,
    found: Sequence[DriveRecord | None],
    names: bool,
    weighed: int = WEIGHED,
    wrong: float = 0.0,
) -> list[DriveRecord]:
    """The drives with what their driver states of them.

    Parameters
    ----------
    made : Plan
    found : sequence of DriveRecord or None
    names : bool
        Whether loads that repeat are named, and nothing hitched is said.
    weighed : int
        How many of the weighings are stated.
    wrong : float
        Relative error of the last of them.
    """
    said = dict(zip(made.weighed[:weighed], made.weighings_kg[:weighed], strict=True))
    told = []
    for at, one in enumerate(found):
        if one is None:
            continue
        changes: dict[str, Any] = {"load": (made.loads[at][0] or None) if names else None}
        if at in said:
            off = 1.0 + (wrong if at == made.weighed[weighed - 1] else 0.0)
            changes |= {"known_mass_kg": said[at] * off, "known_mass_sd_kg": WEIGHING_SD_KG}
        told.append(one.model_copy(update=changes))
    return told


def implied_error(made: Plan, at: int, one: DriveRecord) -> float:
    """Relative error of a drive's implied mass, its true scale taken out."""
    return one.log_implied_mass.mean + math.log(made.scales[at] / made.loads[at][1])
