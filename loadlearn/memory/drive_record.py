"""What is kept of a drive: a few numbers that stand for its likelihood, never its log."""

from __future__ import annotations

import datetime
import hashlib
import math
from typing import Annotated, Any

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field

from loadlearn.condition.assessment import DrivePoints, condense
from loadlearn.estimation.calibration import (
    ImpliedMass,
    learn_implied_mass,
    slight_load_changes,
)
from loadlearn.estimation.learner import Sources
from loadlearn.log.channels import CHANNELS
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS
from loadlearn.vehicle.samples import FORCE_CHANNELS, HEIGHT_CHANNELS

SOLO = "solo"
"""The name of the load that is none."""
SURELY_SOLO = 0.95
"""From this probability on a drive is taken to have had nothing hitched."""

UNDATED = -1
"""The day of a drive without a date: before every change."""

Finite = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]


class Record(BaseModel):
    """A table of the vehicle file: unknown keys are refused, and nothing changes once read."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Told(Record):
    """A number and how sure a drive was of it (1 sd)."""

    mean: Finite
    sd: Positive


class Shown(Record):
    """One measure of the engine's condition, as :class:`loadlearn.condition.evidence.Measure`."""

    value: Finite
    sd: Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
    samples: int


class SteadyRoadLoad(Record):
    """What resists at steady speed, as :class:`loadlearn.condition.measures.RoadLoad`."""

    rolling_resistance: Finite
    drag_area_m2: Finite
    variances: tuple[Finite, Finite, Finite]
    """Of the coefficient, of the two together, of the area."""
    exchange_per_m2: Finite
    samples: int


class DriveRecord(Record):
    """One remembered drive."""

    hash: Annotated[str, Field(pattern="^[0-9a-f]{16}$")]
    """Of the content of the log: the same drive counts once, whatever its file is called."""
    log: str
    date: datetime.date | None = None
    learnt_s: Positive
    log_implied_mass: Told
    """Natural logarithm of the mass (kg) that the computed force implies, at the drive's end."""
    nothing_hitched: Annotated[float, Field(ge=0.0, le=1.0)]
    """Probability, at the end."""
    load_changed: bool = False
    known_mass_kg: Positive | None = None
    known_mass_sd_kg: Positive | None = None
    load: str | None = None
    """Drives of one name carry the same load; ``solo`` is nothing hitched."""
    rolling_resistance: Told | None = None
    """On sealed ground, what is believed beforehand taken out; None: hardly told."""
    drag_area_m2: Told | None = None
    """At tractive scale 1 and given it; what is believed beforehand taken out."""
    force_channel: str
    height_channel: str
    delays_s: dict[str, Finite]
    delays_sd_s: dict[str, Finite]
    noise: dict[str, Finite]
    weather: tuple[float, float] | None = None
    """Mean ambient temperature (degC) and pressure (kPa)."""
    healthy: dict[str, Shown] = Field(default_factory=dict)
    """Measures of the engine's condition, by check, ..."""
    road_load: SteadyRoadLoad | None = None
    regenerations: tuple[int, float] = (0, 0.0)
    """... starts of regenerations, and the fuel burnt (kg)."""
    doubts: tuple[str, ...] = ()
    """Why the drive may mislead; such a drive is kept and not counted."""

    @property
    def day(self) -> int:
        """Of its date, counted from the year 1."""
        return UNDATED if self.date is None else self.date.toordinal()

    @property
    def load_name(self) -> str | None:
        """The load as stated, or told by the drive itself to be none."""
        if self.load is None and self.nothing_hitched >= SURELY_SOLO:
            return SOLO
        return self.load


def content_hash(trace: pd.DataFrame) -> str:
    """Hash of a trace's times and channels (hexadecimal, 16 characters).

    Parameters
    ----------
    trace : DataFrame
        Canonical columns. The order of columns, other attributes and the file do not count.
    """
    digest = hashlib.sha256()
    for name in sorted(set(trace.columns) & {channel.name for channel in CHANNELS}):
        # Adding zero makes one zero of both; one pattern of bits is every missing value.
        values = trace[name].to_numpy(dtype=np.float64) + 0.0
        values[np.isnan(values)] = np.nan
        digest.update(name.encode() + b"\0" + values.tobytes())
    return digest.hexdigest()[:16]


def record_drive(
    trace: pd.DataFrame,
    rig: Rig,
    log: str = "drive",
    date: datetime.date | None = None,
    known_mass_kg: float | None = None,
    known_mass_sd_kg: float | None = None,
    load: str | None = None,
    with_condition: bool = True,
) -> DriveRecord:
    """Learn from a drive what is kept of it.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.
    rig : Rig
        As its owner describes it, nothing remembered in it: else one drive would count in another.
    log : str
        Names the drive.
    date : date, optional
    known_mass_kg, known_mass_sd_kg : float, optional
        Weighed combined mass at the end of the drive and its sd (kg).
    load : str, optional
        Name of the load.
    with_condition : bool
        Whether the engine's condition is measured too.

    Raises
    ------
    InputError
        The drive tells too little, or its load changed though one known mass is stated.
    """
    told = learn_implied_mass(trace, rig, log)
    slight = slight_load_changes(told, log) if known_mass_kg is not None else ()
    sources = Sources.of(told.prepared)
    shown = condense(trace, rig, known_mass_kg, known_mass_sd_kg) if with_condition else None
    attrs = told.prepared.attrs
    return DriveRecord(
        hash=content_hash(trace),
        log=log,
        date=date,
        learnt_s=told.learnt_s,
        log_implied_mass=Told(mean=told.log_mass, sd=told.sd),
        nothing_hitched=min(max(told.summary["probability_nothing_hitched"], 0.0), 1.0),
        load_changed=bool(told.summary["load_changes"]),
        known_mass_kg=known_mass_kg,
        known_mass_sd_kg=known_mass_sd_kg,
        load=load,
        rolling_resistance=_rolling_resistance(told),
        drag_area_m2=_drag_area(told, rig),
        force_channel=FORCE_CHANNELS[sources.force],
        height_channel=HEIGHT_CHANNELS[sources.height],
        delays_s=attrs["delays_s"],
        delays_sd_s=attrs["delays_sd_s"],
        noise=attrs["noise"],
        doubts=told.doubts + slight,
        **({} if shown is None else _healthy(shown)),
    )


def _own(mean: float, sd: float, prior_mean: float, prior_sd: float) -> Told | None:
    """What a drive says by itself: the belief from before is divided out (normal laws)."""
    if not 0.0 < sd < _TOLD_SHARE * prior_sd:
        return None
    precision = sd**-2 - prior_sd**-2
    own = (mean * sd**-2 - prior_mean * prior_sd**-2) / precision
    return Told(mean=own, sd=precision**-0.5) if own > 0.0 else None


_TOLD_SHARE = 0.8
"""A belief that has not shrunk to this share of what it was is hardly told by the drive."""


def _rolling_resistance(told: ImpliedMass) -> Told | None:
    """Where sealed ground was known best; the handbook's belief divided out."""
    sealed = HANDBOOK_GROUNDS[0]
    found = [
        one["rolling_resistance"]
        for one in told.summary["surfaces"]
        if one["surface"] == sealed.name
    ]
    if not found:
        return None
    best = min(found, key=lambda one: float(one["sd"]))
    return _own(
        best["mean"],
        best["sd"],
        sealed.rolling_resistance,
        sealed.rolling_resistance_sd,
    )


def _drag_area(told: ImpliedMass, rig: Rig) -> Told | None:
    """Drag area over the tractive scale, with something hitched."""
    if told.summary["probability_nothing_hitched"] > 0.5:
        return None
    area, vehicle = told.summary["drag_area_m2"], rig.vehicle
    own = _own(
        area["mean"], area["sd_given_scale"], vehicle.drag_area_m2, vehicle.drag_area_sd_m2 or 0.0
    )
    scale = float(told.summary["tractive_scale"]["mean"])
    return None if own is None else Told(mean=own.mean / scale, sd=own.sd / scale)


def _weather(shown: DrivePoints) -> tuple[float, float] | None:
    temperature, pressure = (float(one) for one in shown.conditions)
    return (temperature, pressure) if math.isfinite(temperature + pressure) else None


def _healthy(shown: DrivePoints) -> dict[str, Any]:
    """What the checks of the condition need of a drive, its operating maps left out."""
    load = shown.road_load
    return {
        "weather": _weather(shown),
        "healthy": {
            name: Shown(value=one.value, sd=one.sd, samples=one.samples)
            for name, one in sorted(shown.scalars.items())
            if math.isfinite(one.value) and math.isfinite(one.sd)
        },
        "regenerations": shown.regenerations,
        "road_load": None
        if load is None
        else SteadyRoadLoad(
            rolling_resistance=load.rolling_resistance,
            drag_area_m2=load.drag_area_m2,
            variances=(load.covariance[0, 0], load.covariance[0, 1], load.covariance[1, 1]),
            exchange_per_m2=load.exchange_per_m2,
            samples=load.samples,
        ),
    }
