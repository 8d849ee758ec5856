"""Drives laid out by an experiment itself: which rig, load, grounds, halts and sensors.

The scenarios of :mod:`loadlearn.simulation.scenarios` draw such things; here one of them is set and
varied while the rest is drawn from the seed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from loadlearn.simulation.drive import PlantVariation, simulate
from loadlearn.simulation.road import RoadKind, Segment, Stop, random_road
from loadlearn.simulation.scenarios import (
    Scenario,
    scale_from_quantile,
    shipped_rig,
    with_scale_sd,
)
from loadlearn.simulation.sensors import Logger

TOWING = ("utility_boat", "wagon_survey_trailer", "heavy_truck")
LIGHT_TOWING = ("utility_boat", "wagon_survey_trailer")
# Combined mass of a loaded drive and its spread between drives (kg).
_LOADED_KG = {
    "utility_boat": (5200.0, 350.0),
    "wagon_survey_trailer": (6100.0, 250.0),
    "heavy_truck": (36_000.0, 3000.0),
}


def lay_out(
    seed: int,
    quantile: float,
    rigs: Sequence[str] = TOWING,
    kinds: Sequence[RoadKind] = ("rolling", "highway", "flat"),
    segments: Sequence[Segment] | None = None,
    stops: Sequence[Stop] | None = None,
    scale_sd: float = 0.015,
    logger: Logger | None = None,
    duration_s: float = 1800.0,
    combined_mass_kg: float | None = None,
    extra_torque_share: float = 0.0,
    tractive_scale: float | None = None,
    road_length_m: float = 70_000.0,
    **changes: Any,
) -> Scenario:
    """Drive a rig over a road laid out to order.

    Parameters
    ----------
    seed : int
        Draws rig, kind of road, load, driver, weather and sensors.
    quantile : float
        Of the true tractive scale in its law.
    rigs, kinds : sequence of str
        What the seed chooses from.
    segments, stops : sequence, optional
        Grounds and halts along the road; sealed, and the lights of the kind of road, when absent.
    scale_sd : float
        Standard deviation of that law, which the rig states.
    logger : Logger, optional
    duration_s : float
    combined_mass_kg : float, optional
        At the start; drawn when absent, the tow vehicle alone when zero.
    extra_torque_share : float
    tractive_scale : float, optional
        The true scale itself instead of its quantile.
    road_length_m : float
    **changes
        Attributes of ``PlantVariation``.

    Returns
    -------
    Scenario
    """
    rng = np.random.default_rng([seed, 6200])
    rig_name = rigs[int(rng.integers(len(rigs)))]
    kind = kinds[int(rng.integers(len(kinds)))]
    load = float(np.clip(rng.normal(), -2.0, 2.0))
    if combined_mass_kg is None and rig_name in _LOADED_KG:
        typical, spread = _LOADED_KG[rig_name]
        combined_mass_kg = typical + spread * load
    elif combined_mass_kg == 0.0:
        combined_mass_kg = None
    rig = with_scale_sd(shipped_rig(rig_name), scale_sd)
    road = random_road(seed + 50_000, road_length_m, kind, segments, stops)
    settings = {"exhaust_brake": rig_name == "heavy_truck", **changes}
    drive = simulate(
        rig,
        road,
        seed=seed,
        combined_mass_kg=combined_mass_kg,
        tractive_scale=(
            scale_from_quantile(scale_sd, quantile) if tractive_scale is None else tractive_scale
        ),
        logger=logger,
        duration_s=duration_s,
        variation=replace(PlantVariation(), **settings),
        extra_torque_share=extra_torque_share,
    )
    drive.meta["scenario"] = "laid out"
    drive.meta["rig_name"] = rig_name
    return Scenario("laid out", rig, drive)
