"""A simulated drive as it is kept: a log of all that the vehicle's network shows, and its truth."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from loadlearn.simulation.drive import Drive, PlantVariation
from loadlearn.simulation.drive import simulate as drive_over
from loadlearn.simulation.road import Road
from loadlearn.simulation.roadfile import read_road
from loadlearn.simulation.sensors import Channel, Logger
from loadlearn.vehicle.rig import Rig

TRUTH_COLUMNS = (
    "time_s",
    "distance_m",
    "speed_m_s",
    "mass_kg",
    "rolling_resistance",
    "warm_rolling_resistance",
    "drag_area_m2",
    "surface",
    "grade_percent",
    "altitude_m",
    "headwind_m_s",
    "tractive_force_n",
    "gear",
    "standstill",
    "regeneration",
    "load_event",
)
TRUTH_EVERY = 10
"""Of so many samples one is kept: 1 Hz of a 10 Hz log is enough to draw and to judge by."""


def network_logger(rig: Rig) -> Logger:
    """A 10 Hz logger at the resolutions of a vehicle network, with what this rig has.

    Parameters
    ----------
    rig : Rig
    """
    logger = Logger.good_10hz()
    extra: dict[str, Channel | None] = {}
    if rig.engine.uprated is not None:
        extra["extra_torque_share"] = Channel(resolution=0.01)
    if rig.driveline.transfer_low_ratio is not None:
        extra["transfer_range"] = Channel(resolution=1.0)
    extra["regeneration_active"] = Channel(resolution=1.0)
    return logger.with_channels(**extra)


def simulate(
    rig: Rig | Path | str,
    road: Road | Path | str,
    seed: int = 0,
    mass_kg: float | None = None,
    tractive_scale: float = 1.0,
    duration_s: float | None = None,
    extra_torque_share: float = 0.0,
    logger: Logger | None = None,
    variation: PlantVariation | None = None,
) -> Drive:
    """Drive a rig over a road in closed loop, and log it.

    What a rig file leaves open (wind, tyres, accessories, driver, sensor noise) is drawn from the
    seed; vehicle, driver and logger know nothing of the estimator.

    Parameters
    ----------
    rig : Rig or path
        What is driven; needs a full-load curve.
    road : Road or path
        What it drives on: a road file, TOML or CSV.
    seed : int
        The same arguments and seed give the same drive.
    mass_kg : float, optional
        True combined mass at the start (kg); the tow vehicle alone when absent.
    tractive_scale : float
        True force at the tread over the force that the log gives through the rig.
    duration_s : float, optional
        Longest duration (s); to the end of the road when absent.
    extra_torque_share : float
        Most of the uprated engine's extra torque that may be used (0...1).
    logger : Logger, optional
        Sensors; those of a vehicle network at 10 Hz when absent.
    variation : PlantVariation, optional
        What is drawn.

    Returns
    -------
    Drive
        ``log`` in canonical columns, for ``prepare`` and ``LoadEstimator``; ``truth`` at the log's
        stamps; ``meta``, everything that was drawn.

    Raises
    ------
    InputError
        A file cannot be used, the rig has no full-load curve, or an argument is impossible.
    """
    the_rig = rig if isinstance(rig, Rig) else Rig.from_toml(rig)
    the_road = road if isinstance(road, Road) else read_road(road)
    return drive_over(
        the_rig,
        the_road,
        seed=seed,
        combined_mass_kg=mass_kg,
        tractive_scale=tractive_scale,
        logger=logger or network_logger(the_rig),
        duration_s=duration_s,
        variation=variation,
        extra_torque_share=extra_torque_share,
    )


def kept_truth(drive: Drive) -> pd.DataFrame:
    """What is written of a drive's truth: ``TRUTH_COLUMNS`` once a second, all events.

    Parameters
    ----------
    drive : Drive
        Logged at 10 Hz.
    """
    keep = drive.truth.index % TRUTH_EVERY == 0
    keep |= drive.truth["load_event"].to_numpy() > 0.0
    return drive.truth.loc[keep, list(TRUTH_COLUMNS)]


def kept_draws(drive: Drive, rig_file: str) -> dict[str, Any]:
    """What was drawn for a drive, rounded so that another machine's last bits do not show.

    Parameters
    ----------
    drive : Drive
    rig_file : str
        Name of the rig's file.
    """
    return {key: _rounded(value) for key, value in drive.meta.items()} | {"rig_file": rig_file}


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.9g}")
    if isinstance(value, list | tuple):
        return [_rounded(item) for item in value]
    return value
