"""What the remembered drives of a vehicle know together, and the rig that an estimate starts from.

The scale's own model is in :mod:`loadlearn.memory.scale_pool`.
"""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass, field, replace
from typing import TypedDict

import numpy as np

from loadlearn.errors import InputError
from loadlearn.estimation.calibration import PRIOR_LEFT_OUT, Belief
from loadlearn.estimation.estimator import LoadEstimator
from loadlearn.estimation.model import Noise
from loadlearn.estimation.summary import TractiveScale
from loadlearn.memory.drive_record import SOLO, UNDATED, DriveRecord, Told
from loadlearn.memory.pooling import (
    ANY_SD,
    Joined,
    change_of,
    join,
    left_out,
    of_each_drive,
)
from loadlearn.memory.scale_pool import LOAD_VARIES_KG, named, scale_pool
from loadlearn.memory.vehicle_file import Change, VehicleFile
from loadlearn.vehicle.rig import Rig

ROLLING_SPREAD = 0.10
"""Usual relative spread of a vehicle's rolling resistance between drives: 10 K are 6 %, and rain
(common practice, no source)."""
DRAG_SPREAD = 0.10
"""... of its drag area: what is loaded on top, and wind (common practice, no source)."""
DELAY_SPREAD_S, LEAST_DELAY_SD_S = 0.05, 0.02
"""... of a channel's delay, and how well one drive can tell one (common practice, no source)."""
SCALE_STEP_SD = {"tyres": 0.02, "engine": ANY_SD, "uprate": ANY_SD, "logger": ANY_SD}
"""By how much the scale may be another after a change (sd): new tyres are 1 to 3 % larger or
smaller (common practice, no source); after the others nothing is known of it any more."""
REOPENED = {
    "tyres": {"rolling_resistance", "condition"},
    "brakes": {"rolling_resistance", "condition"},
    "engine": {"condition"},
    "uprate": {"condition"},
    "body": {"drag_area", "tow_mass"},
    "logger": {"delays", "condition"},
}
"""What drives before a change no longer tell."""


class Remembered(TypedDict):
    """The memory of a vehicle that a result started from."""

    drives: int
    """Remembered drives that count."""
    without_this_drive: bool
    """Whether the drive itself is among them and was left aside."""
    tractive_scale: TractiveScale
    """What they tell of it."""
    findings: list[str]
    """Where they contradict one another, one sentence each."""
    notes: list[str]
    """What else is to be said of them."""


@dataclass(frozen=True)
class Known:
    """What is known of a vehicle.

    Attributes
    ----------
    scale : Joined
        Log tractive scale first, then log masses of the named loads.
    loads : tuple of str
        Their names, in that order.
    stated_sd : float
        What the rig file states of the scale's sd; infinite where the drives contradicted it.
    rolling_resistance, drag_area_m2 : Belief or None
        On sealed ground, in a drive yet to come; drag area with something hitched.
    delays_s : dict of str to Belief
    noise : dict of str to float
        Levels of the logger's noise, geometric means.
    counted : tuple of DriveRecord
        Drives that count.
    findings : tuple of str
        What was left out or is another from some day on, a sentence each.
    notes : tuple of str
        What else was done, a sentence each.
    """

    scale: Joined
    loads: tuple[str, ...]
    stated_sd: float
    rolling_resistance: Belief | None = None
    drag_area_m2: Belief | None = None
    delays_s: dict[str, Belief] = field(default_factory=dict)
    noise: dict[str, float] = field(default_factory=dict)
    counted: tuple[DriveRecord, ...] = ()
    findings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def log_scale(self) -> Belief:
        """Log tractive scale of a drive yet to come.

        No less certain than the rig file states, unless the drives themselves scatter by more.
        """
        new = self.scale.of_a_new_drive(0)
        seen = math.hypot(math.sqrt(float(self.scale.covariance[0, 0])), self.scale.between_sd)
        return Belief(new.mean, max(seen, min(new.sd, self.stated_sd)))

    @property
    def tractive_scale(self) -> Belief:
        """Of a drive yet to come; the sd is relative."""
        return Belief(math.exp(self.log_scale.mean), self.log_scale.sd)

    def load_mass_kg(self, name: str) -> Belief | None:
        """Mass of a load by its name, as a drive yet to come will carry it."""
        if name not in self.loads:
            return None
        at = 1 + self.loads.index(name)
        mass = math.exp(float(self.scale.mean[at]))
        sd = mass * math.sqrt(float(self.scale.covariance[at, at]))
        return Belief(mass, math.hypot(sd, LOAD_VARIES_KG))


def what_is_known(vehicle: VehicleFile, leaving: str | None = None) -> Known:
    """Join the drives of a vehicle.

    Parameters
    ----------
    vehicle : VehicleFile
    leaving : str, optional
        Hash of a drive that is left aside: the one that is about to be estimated.

    Raises
    ------
    InputError
        The rig claims to know its scale exactly.
    """
    rig = vehicle.own_rig
    if rig.uncertainty.tractive_scale_sd == 0.0:
        raise InputError(
            "the rig's tractive_scale_sd is 0: it claims to know the scale exactly, so nothing can "
            "be learnt; give its spread under [uncertainty] (0.03 by default)"
        )
    drives = [one for one in vehicle.drives if one.hash != leaving]
    findings = [
        f"{named(one)}: left out, the drive is not to be trusted ({one.doubts[0]})"
        for one in drives
        if one.doubts
    ]
    drives = [one for one in drives if not one.doubts]
    notes = []
    undated = [one for one in drives if one.date is None]
    if undated and vehicle.changes:
        notes.append(f"{len(undated)} drives have no date, and count as made before every change")
    scale, loads, contradicted, said = _scale(drives, vehicle.changes, rig)
    findings += said
    rolling, said = _over_drives(
        drives, vehicle.changes, "rolling_resistance", ROLLING_SPREAD, "rolling resistance"
    )
    findings += said
    area, said = _over_drives(drives, vehicle.changes, "drag_area", DRAG_SPREAD, None)
    findings += said
    if area is not None:
        area = Belief(area.mean * math.exp(float(scale.mean[0])), area.sd)
    if contradicted:
        notes.append(
            f"the drives put the tractive scale at {math.exp(float(scale.mean[0])):.3f}, more than "
            f"{PRIOR_LEFT_OUT:g} sd from the rig's own: that belief was left out"
        )
    delays, noise = _channels(drives, vehicle.changes)
    return Known(
        scale=scale,
        loads=loads,
        stated_sd=math.inf if contradicted else rig.uncertainty.tractive_scale_sd,
        rolling_resistance=_relative_to_absolute(rolling),
        drag_area_m2=_relative_to_absolute(area),
        delays_s=delays,
        noise=noise,
        counted=tuple(drives),
        findings=tuple(findings),
        notes=tuple(notes),
    )


def remembered_rig(known: Known, rig: Rig) -> Rig:
    """The rig that an estimate starts from: its beliefs are what the drives know.

    Parameters
    ----------
    known : Known
    rig : Rig
        That the memory began from.

    Returns
    -------
    Rig
        With ``tractive_scale`` and its sd, and where drives tell them ``mass_kg`` and
        ``drag_area_m2`` with theirs, as for a drive yet to come.
    """
    scale = known.tractive_scale
    table = rig.model_dump(exclude_unset=True, exclude_none=True)
    table.setdefault("uncertainty", {}).update(
        tractive_scale=min(max(scale.mean, 0.5), 2.0), tractive_scale_sd=min(scale.sd, 0.5)
    )
    solo = known.load_mass_kg(SOLO)
    if solo is not None and solo.sd < (rig.vehicle.mass_sd_kg or 0.0):
        table["vehicle"] |= {"mass_kg": solo.mean, "mass_sd_kg": solo.sd}
    area = known.drag_area_m2
    if area is not None and area.sd < (rig.vehicle.drag_area_sd_m2 or 0.0):
        table["vehicle"] |= {"drag_area_m2": area.mean, "drag_area_sd_m2": area.sd}
    return Rig.from_dict(table, source="the rig as remembered")


def remembered_estimator(known: Known, rig: Rig) -> LoadEstimator:
    """An estimator for a drive sample by sample, with the logger's delays and noise besides.

    Parameters
    ----------
    known : Known
    rig : Rig
        That the memory began from.
    """
    delays = {name: one.mean for name, one in known.delays_s.items()}
    return LoadEstimator(
        remembered_rig(known, rig),
        noise=Noise(**known.noise) if known.noise else None,
        delays_s=delays or None,
    )


def reopened_on(changes: tuple[Change, ...], what: str) -> int:
    """The day of the last change that re-opened something (a key in ``REOPENED``)."""
    days = [one.date.toordinal() for one in changes if what in REOPENED[one.what]]
    return max(days, default=UNDATED)


# --- the scale -----------------------------------------------------------------------------------
def _scale(
    drives: list[DriveRecord], changes: tuple[Change, ...], rig: Rig
) -> tuple[Joined, tuple[str, ...], bool, list[str]]:
    """Scale and masses of loads, whether they contradict the rig file, and what was found."""
    findings = []
    steps = [
        (one.date.toordinal(), SCALE_STEP_SD[one.what])
        for one in changes
        if one.what in SCALE_STEP_SD
    ]
    while True:
        seen = scale_pool(drives, steps, rig, reopened_on(changes, "tow_mass"))
        found = change_of(seen.pool, seen.day)
        # A change that is dated already, or found, is as open as can be: it is not found again.
        if found is None or found[0] in {at for at, sd in steps if sd == ANY_SD}:
            break
        steps.append((found[0], ANY_SD))
        findings.append(
            f"since {datetime.date.fromordinal(found[0]).isoformat()} the tractive scale is "
            f"{100 * math.expm1(found[1].mean):+.1f} % (sd {100 * found[1].sd:.1f}) another: what "
            "drives before tell of it no longer counts; date the change that was made then "
            "(tyres, engine, uprate, logger), or mend the weighings on either side"
        )
    pool, loads = seen.pool, seen.loads
    out, undecided = left_out(pool)
    for claim, away in out:
        findings.append(
            f"{seen.claims[claim]}: left out, {abs(away):.1f} sd from what the other drives say; "
            "check what was weighed, and whether it was that load"
        )
        pool = pool.only(pool.claim != claim)
    if undecided is not None:
        one, other = (seen.claims[claim] for claim in undecided)
        findings.append(
            f"{one}, and {other}, contradict each other, and nothing tells which is wrong: both "
            "count, and widen what is believed of the scale; weigh once more"
        )
    prior = pool.prior[0]
    alone = replace(pool, prior=(Belief(prior.mean, ANY_SD), *pool.prior[1:]))
    by_drives = join(alone)
    told = math.sqrt(by_drives.covariance[0, 0]) < prior.sd
    if told and abs(by_drives.mean[0] - prior.mean) > PRIOR_LEFT_OUT * prior.sd:
        return by_drives, loads, True, findings
    return join(pool), loads, False, findings


# --- numbers that each drive tells for itself ----------------------------------------------------
def _over_drives(
    drives: list[DriveRecord],
    changes: tuple[Change, ...],
    reopened: str,
    usual_sd: float,
    words: str | None,
) -> tuple[Belief | None, list[str]]:
    """A number in a drive yet to come (mean, and relative sd), and what was found.

    Where ``words`` name it, a change of it is looked for; another trailer is none.
    """
    attribute = {"drag_area": "drag_area_m2"}.get(reopened, reopened)
    since = reopened_on(changes, reopened)
    told: list[tuple[DriveRecord, Told]] = [
        (one, value)
        for one in drives
        if one.day >= since
        and (value := getattr(one, attribute)) is not None
        # As logarithms: one that may be nothing has none.
        and value.sd < 0.5 * value.mean
    ]
    if not told:
        return None, []
    pool = of_each_drive(
        [math.log(value.mean) for _, value in told],
        [value.sd / value.mean for _, value in told],
        usual_sd,
    )
    day = np.array([one.day for one, _ in told], dtype=np.int64)
    findings = []
    while words is not None:
        found = change_of(pool, day)
        if found is None:
            break
        findings.append(
            f"since {datetime.date.fromordinal(found[0]).isoformat()} the {words} is "
            f"{100 * math.expm1(found[1].mean):+.0f} % (sd {100 * found[1].sd:.0f}) another: what "
            "drives before tell of it no longer counts; if that is new tyres or brakes, date the "
            "change, else look at tyre pressures and brakes"
        )
        pool, day = pool.only(day >= found[0]), day[day >= found[0]]
    for claim, away in left_out(pool)[0]:
        if words is not None:
            findings.append(
                f"{named(told[claim][0])}: its {words} is left out, {abs(away):.1f} sd from what "
                "the other drives say"
            )
        keep = pool.claim != claim
        pool = pool.only(keep)
    new = join(pool).of_a_new_drive(0)
    return Belief(math.exp(new.mean), new.sd), findings


def _relative_to_absolute(found: Belief | None) -> Belief | None:
    return None if found is None else Belief(found.mean, found.mean * found.sd)


def _channels(
    drives: list[DriveRecord], changes: tuple[Change, ...]
) -> tuple[dict[str, Belief], dict[str, float]]:
    """Delays and noise of the channels that the latest drive had."""
    drives = [one for one in drives if one.day >= reopened_on(changes, "delays")]
    if not drives:
        return {}, {}
    last = max(drives, key=lambda one: (one.day, one.hash))
    channels = (last.force_channel, last.height_channel)
    alike = [one for one in drives if (one.force_channel, one.height_channel) == channels]
    delays = {}
    for name in sorted(last.delays_s):
        pool = of_each_drive(
            [one.delays_s[name] for one in alike],
            [max(one.delays_sd_s[name], LEAST_DELAY_SD_S) for one in alike],
            DELAY_SPREAD_S,
        )
        delays[name] = join(pool).of_a_new_drive(0)
    noise = {}
    for name in sorted(last.noise):
        values = np.array([one.noise[name] for one in alike])
        noise[name] = float(np.exp(np.mean(np.log(values)))) if np.all(values > 0.0) else 0.0
    return delays, noise
