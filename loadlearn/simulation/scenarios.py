"""Named situations in which an estimator is judged: a rig, a road, a drive with its truth.

Every scenario draws what real drives differ in (rig, load, road, driver, wind, tyres, sensors) from
the seed; only what names it is fixed. The rig's ``tractive_scale_sd`` states the law from which the
true tractive scale is drawn, by a quantile of that law so that sets of drives can be stratified.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from loadlearn.errors import InputError
from loadlearn.simulation.drive import Drive, PlantVariation, simulate
from loadlearn.simulation.road import RoadKind, Segment, Stop, random_road
from loadlearn.simulation.sensors import AltitudeSensor, Channel, Logger
from loadlearn.vehicle.rig import Rig

# In the wheel, else (an editable install) in the working copy.
_RIG_FOLDERS = (
    Path(__file__).resolve().parents[1] / "shipped_rigs",
    Path(__file__).resolve().parents[2] / "synthetic_data" / "rigs",
)
RIG_NAMES = ("utility_boat", "utility_solo", "wagon_survey_trailer", "heavy_truck")
# Typical combined mass and its spread between drives; the solo rig weighs what it weighs.
_MASS_KG = {
    "utility_boat": (5200.0, 350.0),
    "utility_solo": (None, 0.0),
    "wagon_survey_trailer": (6100.0, 250.0),
    "heavy_truck": (36000.0, 3000.0),
}


@dataclass(frozen=True)
class Scenario:
    """A drive in a named situation.

    Attributes
    ----------
    name : str
    rig : Rig
        As the estimator is told it.
    drive : Drive
    """

    name: str
    rig: Rig
    drive: Drive


@cache
def shipped_rig(name: str) -> Rig:
    """A rig of our own invention, by the name of its file.

    Parameters
    ----------
    name : str
        One of :data:`RIG_NAMES`.

    Raises
    ------
    InputError
        There is no such rig.
    """
    for folder in _RIG_FOLDERS:
        path = folder / f"{name}.toml"
        if path.is_file():
            return Rig.from_toml(path)
    raise InputError(f"rig '{name}': no such shipped rig; use one of {', '.join(RIG_NAMES)}")


def with_scale_sd(rig: Rig, tractive_scale_sd: float) -> Rig:
    """The same rig with another belief about its tractive scale."""
    uncertainty = rig.uncertainty.model_copy(update={"tractive_scale_sd": tractive_scale_sd})
    return rig.model_copy(update={"uncertainty": uncertainty})


def scale_from_quantile(scale_sd: float, quantile: float) -> float:
    """Tractive scale at a quantile of its normal law about 1.

    Parameters
    ----------
    scale_sd : float
    quantile : float
        Between 0 and 1; ``(i + 0.5) / n`` stratifies n drives.
    """
    from statistics import NormalDist

    return 1.0 + scale_sd * NormalDist().inv_cdf(min(max(quantile, 1e-6), 1.0 - 1e-6))


@dataclass(frozen=True)
class _Plan:
    """What a scenario fixes; the rest is drawn."""

    rigs: tuple[str, ...] = RIG_NAMES
    kinds: tuple[RoadKind, ...] = ("rolling", "highway", "mountain", "flat")
    scale_sd: float = 0.015
    logger: Callable[[np.random.Generator], Logger] = lambda rng: Logger.good_10hz()
    variation: Callable[[np.random.Generator], dict[str, Any]] = lambda rng: {}
    segments: Callable[[np.random.Generator], list[Segment] | None] = lambda rng: None
    stops: Callable[[np.random.Generator, str], list[Stop]] = lambda rng, rig: []
    extra_torque_share: float = 0.0


def _wind(rng: np.random.Generator) -> dict[str, Any]:
    return {"headwind_m_s": float(rng.choice([-4.0, 4.0])), "gust_sd_m_s": 1.2}


def _sand(fast: bool) -> Callable[[np.random.Generator], list[Segment]]:
    def lay(rng: np.random.Generator) -> list[Segment]:
        limits = (60.0, 80.0, 100.0) if fast else (20.0, 25.0, 30.0)
        speeds = tuple(limit / 3.6 for limit in limits)
        before = float(rng.uniform(14_000.0, 19_000.0))
        return [Segment("sealed", before), Segment("sand", 60_000.0, 0.12, speeds)]

    return lay


def _gravel(rng: np.random.Generator) -> list[Segment]:
    before = float(rng.uniform(14_000.0, 19_000.0))
    return [Segment("sealed", before), Segment("gravel", 60_000.0, 0.024)]


def _unhitch(rng: np.random.Generator, rig: str) -> list[Stop]:
    where = float(rng.uniform(14_000.0, 19_000.0))
    return [Stop(where, 240.0, event="drop_trailer", reverse_first=bool(rng.uniform() < 0.5))]


def _regeneration(rng: np.random.Generator) -> dict[str, Any]:
    return {"regenerations": ((float(rng.uniform(500.0, 800.0)), 720.0, 0.12),)}


def _share_logged(rng: np.random.Generator) -> Logger:
    return Logger.good_10hz().with_channels(extra_torque_share=Channel(resolution=0.01))


def _obd(grade: Any) -> Callable[[np.random.Generator], Logger]:
    return lambda rng: Logger.obd_1hz(grade)


def _late_altitude(rng: np.random.Generator) -> Logger:
    late = AltitudeSensor(0.4, 1.5, lag_m=float(rng.uniform(20.0, 60.0)))
    return replace(Logger.good_10hz("altitude"), altitude=late)


_TOWING = ("utility_boat", "wagon_survey_trailer", "heavy_truck")
PLANS: dict[str, _Plan] = {
    "good_10hz": _Plan(),
    "utility_10hz": _Plan(rigs=("utility_boat",)),
    "wagon_10hz": _Plan(rigs=("wagon_survey_trailer",)),
    "truck_10hz": _Plan(rigs=("heavy_truck",)),
    "solo_10hz": _Plan(rigs=("utility_solo",)),
    "steady_wind": _Plan(variation=_wind),
    "wide_scale": _Plan(scale_sd=0.05),
    "obd_1hz_altitude": _Plan(logger=_obd("altitude")),
    "obd_1hz_grade": _Plan(logger=_obd("grade")),
    "sealed_to_sand_fast": _Plan(
        rigs=("utility_boat", "utility_solo", "wagon_survey_trailer"),
        kinds=("rolling", "flat"),
        segments=_sand(True),
    ),
    "sealed_to_sand_slow": _Plan(
        rigs=("utility_boat", "utility_solo", "wagon_survey_trailer"),
        kinds=("rolling", "flat"),
        segments=_sand(False),
    ),
    "sealed_to_gravel": _Plan(segments=_gravel),
    "trailer_left": _Plan(rigs=("utility_boat", "wagon_survey_trailer"), stops=_unhitch),
    "unflagged_regeneration": _Plan(variation=_regeneration),
    "unreported_extra": _Plan(
        rigs=_TOWING,
        logger=_share_logged,
        variation=lambda rng: {"reported_share": 0.6},
        extra_torque_share=1.0,
    ),
    "exhaust_brake": _Plan(rigs=("heavy_truck",), variation=lambda rng: {"exhaust_brake": True}),
    "late_altitude": _Plan(logger=_late_altitude, kinds=("rolling", "mountain")),
    "hills_and_gusts": _Plan(
        variation=lambda rng: {"gust_sd_m_s": 1.5, "slipstreams_per_hour": 12.0}
    ),
}
SCENARIO_NAMES = tuple(PLANS)


def scenario(
    name: str,
    seed: int,
    scale_quantile: float | None = None,
    duration_s: float = 1800.0,
    rig_name: str | None = None,
    logger: Logger | None = None,
    **changes: Any,
) -> Scenario:
    """Build one drive of a named situation.

    Parameters
    ----------
    name : str
        One of :data:`SCENARIO_NAMES`.
    seed : int
        Drives with different seeds differ in rig, load, road, driver and sensors.
    scale_quantile : float, optional
        Quantile of the true tractive scale; drawn from the seed when absent.
    duration_s : float
        Length of the drive (s).
    rig_name : str, optional
        A rig by name instead of the one drawn.
    logger : Logger, optional
        Another logger.
    **changes : Any
        Attributes of :class:`PlantVariation` to set instead.

    Raises
    ------
    InputError
        The name is unknown.
    """
    if name not in PLANS:
        raise InputError(f"scenario '{name}' is unknown; use one of {', '.join(SCENARIO_NAMES)}")
    plan = PLANS[name]
    rng = np.random.default_rng([seed, 6100])
    chosen = rig_name or plan.rigs[int(rng.integers(len(plan.rigs)))]
    kind = plan.kinds[int(rng.integers(len(plan.kinds)))]
    load = rng.normal()
    quantile = float(rng.uniform()) if scale_quantile is None else scale_quantile
    rig = with_scale_sd(shipped_rig(chosen), plan.scale_sd)
    typical, spread = _MASS_KG[chosen]
    mass = None if typical is None else float(typical + spread * np.clip(load, -2.0, 2.0))
    road = random_road(seed + 50_000, 70_000.0, kind, plan.segments(rng))
    stops = plan.stops(rng, chosen)
    if stops:
        road = road.with_stops(*stops)
    settings = {**plan.variation(rng), **changes}
    drive = simulate(
        rig,
        road,
        seed=seed,
        combined_mass_kg=mass,
        tractive_scale=scale_from_quantile(plan.scale_sd, quantile),
        logger=logger or plan.logger(rng),
        duration_s=duration_s,
        variation=replace(PlantVariation(), **settings),
        extra_torque_share=plan.extra_torque_share,
    )
    drive.meta["scenario"] = name
    drive.meta["rig_name"] = chosen
    return Scenario(name, rig, drive)
