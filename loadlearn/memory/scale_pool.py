"""What drives observe of the tractive scale, and of the masses of loads that repeat.

A drive tells the mass that its computed force implies, m' = m / s. So with M the log mass of what
was hauled and L the log tractive scale common to all drives::

    weighed:           ln m_weighed - ln m'  =  L + d + errors of the drive and the weighing
    a load of a name:  ln m'                 =  M_load - L - d + errors of the drive + people, fuel
    both:              ln m_weighed          =  M_load + errors of the weighing + people, fuel

d is the drive's own (fuel, temperature, tyres). Nothing hitched is a load whose mass the rig file
states. A drive of unknown load tells nothing of the scale.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn.estimation.calibration import SCALE_SPREAD, Belief
from loadlearn.memory.drive_record import SOLO, UNDATED, DriveRecord
from loadlearn.memory.pooling import ANY_SD, Pool
from loadlearn.vehicle.rig import Rig

LOAD_VARIES_KG = 40.0
"""What is the same load differs by this from drive to drive: people, fuel, ice and bait (common
practice, no source)."""
WEIGHING_SD_KG = 20.0
"""Of a weighing whose sd is not stated; as in ``calibrate``."""
SOLO_BEFORE = "solo, before"
"""Nothing hitched, before the tow vehicle weighed what it weighs now."""


@dataclass(frozen=True)
class ScalePool:
    """What drives observe of the scale.

    Attributes
    ----------
    pool : Pool
        Log scale first, then the log masses of loads.
    loads : tuple of str
        Their names.
    day : ndarray of int, shape (k,)
        Of each observation.
    claims : tuple of str
        Each claim in words.
    """

    pool: Pool
    loads: tuple[str, ...]
    day: NDArray[np.int64]
    claims: tuple[str, ...]


class _Line(NamedTuple):
    """One observation."""

    y: float
    of_scale: float
    load: str | None
    own_variance: float
    drive: int
    claim: str
    group: tuple[str, int] | None
    day: int
    weighing: float | None


def named(drive: DriveRecord) -> str:
    """A drive in words."""
    when = f" of {drive.date.isoformat()}" if drive.date else ""
    return f"{drive.log}{when} ({drive.hash[:8]})"


def _lines(at: int, drive: DriveRecord, load: str | None, epoch: int) -> list[_Line]:
    """What one drive observes."""
    told, weighed = drive.log_implied_mass, drive.known_mass_kg
    varies, own = (LOAD_VARIES_KG / math.exp(told.mean)) ** 2, told.sd**2
    if weighed is None:
        if load is None:
            return []
        claim = f"drive {named(drive)} as one of load '{load}'"
        group = (load, epoch)
        return [_Line(told.mean, -1.0, load, own + varies, at, claim, group, drive.day, None)]
    claim = f"the weighing of {weighed:,.0f} kg, drive {named(drive)}"
    y = math.log(weighed)
    lines = [_Line(y - told.mean, 1.0, None, own, at, claim, ("", epoch), drive.day, weighed)]
    if load is not None:
        lines.append(_Line(y, 0.0, load, varies, at, claim, None, drive.day, weighed))
    return lines


def scale_pool(
    drives: Sequence[DriveRecord],
    steps: Sequence[tuple[int, float]],
    rig: Rig,
    body_since: int = UNDATED,
) -> ScalePool:
    """What drives observe of the scale.

    Parameters
    ----------
    drives : sequence of DriveRecord
    steps : sequence of (int, float)
        Days from which on the scale may be another, and the sd of by how much.
    rig : Rig
        Its scale and its own mass are what is believed beforehand.
    body_since : int
        The day since when the tow vehicle weighs what it weighs.
    """
    lines: list[_Line] = []
    for at, drive in enumerate(drives):
        load = drive.load_name
        load = SOLO_BEFORE if load == SOLO and drive.day < body_since else load
        lines += _lines(at, drive, load, sum(drive.day >= since for since, _ in steps))
    loads = tuple(sorted({one.load for one in lines if one.load is not None}))
    # One weighing may serve several drives, and is one claim; two of one reading pass for one.
    of_reading = {one.weighing: one.claim for one in reversed(lines) if one.weighing is not None}
    claim_words = [one.claim if one.weighing is None else of_reading[one.weighing] for one in lines]
    claims = tuple(dict.fromkeys(claim_words))
    groups = list(dict.fromkeys(one.group for one in lines if one.group is not None))
    design = np.array(
        [[one.of_scale, *(float(one.load == name) for name in loads)] for one in lines]
    ).reshape(len(lines), 1 + len(loads))
    day = np.array([one.day for one in lines], dtype=np.int64)
    shared = np.zeros((len(lines), len(lines)))
    sds = {one.known_mass_kg: one.known_mass_sd_kg or WEIGHING_SD_KG for one in drives}
    for reading in of_reading:
        inside = np.array([one.weighing == reading for one in lines])
        shared += (sds[reading] / reading) ** 2 * np.outer(inside, inside)
    for since, sd in steps:
        before = np.where(day < since, design[:, 0], 0.0)
        shared += sd**2 * np.outer(before, before)
    # What the rig file states is of any drive: so much of it is common to all, the rest between.
    stated = rig.uncertainty
    between = min(SCALE_SPREAD, stated.tractive_scale_sd * math.sqrt(0.5))
    common = math.sqrt(stated.tractive_scale_sd**2 - between**2)
    tow_sd = (rig.vehicle.mass_sd_kg or 0.0) / rig.vehicle.mass_kg
    tow = Belief(math.log(rig.vehicle.mass_kg), tow_sd)
    any_load = Belief(tow.mean, ANY_SD)
    pool = Pool(
        y=np.array([one.y for one in lines]),
        design=design,
        own_variance=np.array([one.own_variance for one in lines]),
        shared=shared,
        drive=np.array([one.drive for one in lines], dtype=np.int64),
        claim=np.array([claims.index(one) for one in claim_words], dtype=np.int64),
        group=np.array(
            [-1 if one.group is None else groups.index(one.group) for one in lines], dtype=np.int64
        ),
        prior=(
            Belief(math.log(stated.tractive_scale), common),
            *(tow if name in (SOLO, SOLO_BEFORE) else any_load for name in loads),
        ),
        usual_sd=between,
    )
    return ScalePool(pool, loads, day, claims)
