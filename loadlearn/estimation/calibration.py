"""The tractive scale learnt from drives of weighed mass, and a rig file that says so.

A drive tells the mass that its computed force implies, m' = m / s (s: true tread force over
computed force). When m was weighed, ``ln s = ln m - ln m'``. Drives differ in more than their
estimates' errors explain (fuel, oil temperature, tyres), so they are joined by a random-effects
model, and what is written is the uncertainty of s in a drive yet to come. One to three drives
hardly tell how much drives differ: their own spread is weighed against what is usual.
With the extra torque in use a drive also tells what share of it the log shows. The two errors go
together (a share taken too high makes the implied mass too low), so scale and share are joined as
one normal vector: drives without the extra torque then sharpen the share too.

The weighed mass is that at the start of the drive. The fuel burnt on the way is neglected: some
5 kg of 5000 in half an hour, far less than the estimate's own error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.estimation.estimator import LoadEstimator
from loadlearn.estimation.model import STATE
from loadlearn.estimation.next_drive import present_of
from loadlearn.estimation.normal import Z95
from loadlearn.estimation.prepare import prepare
from loadlearn.estimation.summary import LEAST_LEARNT_S
from loadlearn.vehicle.rig import Rig

FloatArray = NDArray[np.float64]

SCALE_SPREAD, SHARE_SPREAD = 0.015, 0.02
"""How much the scale (relative) and the reported share of the extra torque usually differ between
drives: 1 % each from heating value and oil temperature, half of that from tyres (common practice,
no source) ..."""
SPREAD_DRIVES = 3.0
"""... believed as if so many drives had shown it (``experiments/real_logs.py``)."""
WIDEST_IMPLIED_SD = 0.05
"""A drive whose implied mass is less certain than this (relative) tells too little, and one whose
load changed by more has no one mass."""
LEAST_SHARE, LEAST_SHARE_S = 0.05, 60.0
"""The reported share is learnt from drives with more than this share in use for so long (s)."""
LONGEST_SAMPLE_S = 2.5
"""Longer gaps do not count as time with the extra torque in use."""
PRIOR_LEFT_OUT, FAR_FROM_PRIOR = 2.0, 3.0
"""Standard deviations from the rig's own belief beyond which it is left out, and beyond which a
result is doubted."""
_ANY_SCALE_SD = 10.0
_FOR_CALIBRATION = ("the mass is known to", "the mass learnt", "a stretch alone")


@dataclass(frozen=True)
class Belief:
    """A mean and its standard deviation."""

    mean: float
    sd: float


@dataclass(frozen=True)
class DriveObservation:
    """What one drive of weighed mass says.

    Attributes
    ----------
    name : str
        The log, for people.
    log_scale : float
        Natural logarithm of the tractive scale.
    estimate_sd : float
        Standard deviation of ``log_scale`` from the estimate of the implied mass alone.
    weighing_sd : float
        ... and from the weighing alone: one weighing, so the same error in every drive.
    implied_mass_kg : float
        Mass that the computed force implies (kg).
    learnt_s : float
        Driving time learnt from (s).
    extra_torque_s : float
        Time with the extra torque in use (s).
    mean : ndarray, shape (1,) or (2,)
        Log scale and, where the drive tells it, reported share of the extra torque: by this
        drive alone, the rig's belief of the share taken out.
    covariance : ndarray, shape (1, 1) or (2, 2)
        Of ``mean``, the weighing left aside.
    doubts : tuple of str
        Why the drive may mislead, a sentence each.
    """

    name: str
    log_scale: float
    estimate_sd: float
    weighing_sd: float
    implied_mass_kg: float
    learnt_s: float
    extra_torque_s: float
    mean: FloatArray
    covariance: FloatArray
    doubts: tuple[str, ...]

    @property
    def reported_share(self) -> Belief | None:
        """Share of the extra torque that the log shows, by this drive alone; None: not told."""
        if self.mean.size < 2:
            return None
        return Belief(float(self.mean[1]), math.sqrt(self.covariance[1, 1]))

    @property
    def log_scale_sd(self) -> float:
        """Standard deviation of ``log_scale`` in all."""
        return math.hypot(self.estimate_sd, self.weighing_sd)


@dataclass(frozen=True)
class Combined:
    """Drives joined: what is common to all and how a drive yet to come may differ from it.

    Attributes
    ----------
    mean, common_sd : ndarray, shape (n,)
        Of the values common to all drives: log scale, reported share where it is learnt.
    between_sd : ndarray, shape (n,)
        Spread between drives.
    drives : Belief
        The common log scale by the drives alone, without its prior.
    """

    mean: FloatArray
    common_sd: FloatArray
    between_sd: FloatArray
    drives: Belief

    @property
    def new_drive_sd(self) -> FloatArray:
        """Standard deviation of each value in a drive yet to come."""
        return np.hypot(self.common_sd, self.between_sd)


@dataclass(frozen=True)
class Calibration:
    """What ``calibrate`` learnt.

    Attributes
    ----------
    drives : tuple of DriveObservation
    joined : Combined
        The tractive scale's natural logarithm, and the reported share where it is learnt.
    tractive_scale, tractive_scale_sd : float
        As written to the rig file; the sd is relative and holds for a new drive.
    reported_share, reported_share_sd : float or None
        Likewise, where drives were made with the extra torque in use.
    notes : tuple of str
        What was done with the rig's own belief, a sentence each.
    doubts : tuple of str
        Reasons not to trust the result as it stands, a sentence each.
    """

    drives: tuple[DriveObservation, ...]
    joined: Combined
    tractive_scale: float
    tractive_scale_sd: float
    reported_share: float | None
    reported_share_sd: float | None
    notes: tuple[str, ...]
    doubts: tuple[str, ...]


@dataclass(frozen=True)
class ImpliedMass:
    """What one drive says of the mass that its computed force implies.

    Attributes
    ----------
    log_mass, sd : float
        Natural logarithm of it (kg) at the drive's end, and its sd.
    mass_kg : float
        Its mean (kg).
    learnt_s : float
        Driving time learnt from (s).
    doubts : tuple of str
        Why the drive may mislead, a sentence each.
    estimator : LoadEstimator
        As it stands after the drive.
    prepared : DataFrame
        The trace as it was learnt from.
    summary : dict
        Of the run.
    last : Series
        The last row of the estimates.
    """

    log_mass: float
    sd: float
    mass_kg: float
    learnt_s: float
    doubts: tuple[str, ...]
    estimator: LoadEstimator
    prepared: pd.DataFrame
    summary: dict[str, Any]
    last: pd.Series


def learn_implied_mass(trace: pd.DataFrame, rig: Rig, name: str = "drive") -> ImpliedMass:
    """Learn from one drive the mass that its computed force implies.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.
    rig : Rig
    name : str
        Names the drive in messages.

    Raises
    ------
    InputError
        The drive tells too little.
    """
    estimator, prepared = LoadEstimator(rig), prepare(trace, rig)
    history = estimator.run(prepared)
    summary, last = history.attrs["summary"], history.iloc[-1]
    learnt_s = float(summary["learnt_s"])
    if learnt_s < LEAST_LEARNT_S:
        raise InputError(
            f"{name}: only {learnt_s:.0f} s of the drive could be learnt from; leave it out or "
            f"give one with at least {LEAST_LEARNT_S:.0f} s"
        )
    implied = float(last["mass_given_scale_kg"])
    # The sd given the scale is that of m' at the mean scale.
    relative = float(last["mass_sd_given_scale_kg"]) / (
        implied * float(summary["tractive_scale"]["mean"])
    )
    if not relative <= WIDEST_IMPLIED_SD:
        raise InputError(
            f"{name}: tells too little, the mass that its force implies is known to "
            f"{100 * relative:.0f} % only (at most {100 * WIDEST_IMPLIED_SD:.0f} %); give a longer "
            "drive with climbs and pulls, or leave it out"
        )
    return ImpliedMass(
        # Mean of a log-normal: E[m'] = exp(E[ln m'] + var / 2).
        log_mass=math.log(implied) - 0.5 * relative**2,
        sd=relative,
        mass_kg=implied,
        learnt_s=learnt_s,
        doubts=tuple(
            f"{name}: {reason}"
            for reason in summary["trust"]["reasons"]
            # A wide or wrong scale is what calibration is for.
            if not reason.startswith(_FOR_CALIBRATION)
        ),
        estimator=estimator,
        prepared=prepared,
        summary=summary,
        last=last,
    )


def slight_load_changes(told: ImpliedMass, name: str = "drive") -> tuple[str, ...]:
    """Doubts whether one known mass holds throughout a drive.

    Parameters
    ----------
    told : ImpliedMass
    name : str
        Names the drive in messages.

    Raises
    ------
    InputError
        It does not: the load changed by more than ``WIDEST_IMPLIED_SD``.
    """
    slight = []
    for change in told.summary["load_changes"]:
        before, after = change["before_kg"], change["after_kg"]
        what = f"{name}: the load changed at {change['time_s']:.0f} s"
        if abs(after / before - 1.0) > WIDEST_IMPLIED_SD:
            raise InputError(
                f"{what}, so one known mass does not hold throughout; leave the drive out or cut "
                "the log there"
            )
        slight.append(
            f"{what}, if only from {before:.0f} to {after:.0f} kg: leave the drive out if that may "
            "be so"
        )
    return tuple(slight)


def observe_drive(
    trace: pd.DataFrame,
    rig: Rig,
    known_mass_kg: float,
    known_mass_sd_kg: float = 0.0,
    name: str = "drive",
) -> DriveObservation:
    """Learn from one drive what the tractive scale was, its combined mass being known.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.
    rig : Rig
        As it was before calibration.
    known_mass_kg, known_mass_sd_kg : float
        Weighed combined mass at the start of the drive, and its standard deviation (kg).
    name : str
        Names the drive in messages.

    Raises
    ------
    InputError
        The masses are impossible, or the drive cannot serve: too little learnt, a load change, or
        an implied mass beyond anything a scale explains.
    """
    if not (math.isfinite(known_mass_kg) and known_mass_kg > 0.0):
        raise InputError(f"the known mass is {known_mass_kg:g} kg; give the weighed mass in kg")
    if not 0.0 <= known_mass_sd_kg <= 0.05 * known_mass_kg:
        raise InputError(
            f"the weighing's sd is {known_mass_sd_kg:g} kg for {known_mass_kg:g} kg; give 0 to 5 % "
            "of the mass (a mass known less well calibrates nothing)"
        )
    told = learn_implied_mass(trace, rig, name)
    slight = slight_load_changes(told, name)
    implied = told.mass_kg
    log_scale = math.log(known_mass_kg) - told.log_mass
    if not math.log(0.5) < log_scale < math.log(2.0):
        raise InputError(
            f"{name}: its force implies {implied:.0f} kg against {known_mass_kg:.0f} kg known, "
            "more than a factor of two; check the known mass, the rig file and the force channel"
        )
    doubts = told.doubts + slight
    extra_s = extra_torque_time_s(trace)
    mean, covariance = np.array([log_scale]), np.array([[told.sd**2]])
    if extra_s >= LEAST_SHARE_S:
        mean, covariance = _with_share(trace, rig, told.estimator, mean, covariance)
    return DriveObservation(
        name=name,
        log_scale=log_scale,
        estimate_sd=told.sd,
        weighing_sd=known_mass_sd_kg / known_mass_kg,
        implied_mass_kg=implied,
        learnt_s=told.learnt_s,
        extra_torque_s=extra_s,
        mean=mean,
        covariance=covariance,
        doubts=doubts,
    )


def extra_torque_time_s(trace: pd.DataFrame) -> float:
    """Time with the extra torque in use.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns; without ``extra_torque_share`` the answer is 0.

    Returns
    -------
    float
        Seconds with a share above ``LEAST_SHARE``.
    """
    if "extra_torque_share" not in trace.columns:
        return 0.0
    step_s = np.diff(trace["time_s"].to_numpy(dtype=np.float64), append=np.nan)
    used = trace["extra_torque_share"].to_numpy(dtype=np.float64) > LEAST_SHARE
    return float(np.nansum(np.minimum(step_s, LONGEST_SAMPLE_S)[used]))


def _with_share(
    trace: pd.DataFrame,
    rig: Rig,
    estimator: LoadEstimator,
    mean: FloatArray,
    covariance: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Log scale and reported share: the likeliest hypothesis less the share's prior."""
    setup, state = estimator.setup, estimator.state
    assert setup is not None and state is not None
    if setup.prior.unreported_sd == 0.0 or "extra_torque_share" not in trace.columns:
        return mean, covariance
    present = present_of(state.hypotheses, setup)
    mass, unreported = STATE.inverse_mass_per_kg, STATE.unreported_share
    share = 1.0 - float(present.state[unreported])
    share_sd = math.sqrt(present.covariance[unreported, unreported])
    # Less than a hundredth of the prior's information is rounding, not learning.
    if (setup.prior.unreported_sd / share_sd) ** 2 < 1.01:
        return mean, covariance
    # ln s = ln phi + ln m, share = 1 - unreported.
    correlation = -float(present.covariance[mass, unreported]) / (
        share_sd * math.sqrt(present.covariance[mass, mass])
    )
    cross = correlation * share_sd * math.sqrt(covariance[0, 0])
    precision = np.linalg.inv(np.array([[covariance[0, 0], cross], [cross, share_sd**2]]))
    information = precision @ np.array([mean[0], share])
    precision[1, 1] -= 1.0 / setup.prior.unreported_sd**2
    information[1] -= (1.0 - setup.prior.unreported) / setup.prior.unreported_sd**2
    own = np.linalg.inv(precision)
    return own @ information, 0.5 * (own + own.T)


def combine(
    observations: Sequence[tuple[FloatArray, FloatArray]],
    prior: Sequence[Belief],
    shared_sd: float = 0.0,
    spread: Sequence[float] = (SCALE_SPREAD, SHARE_SPREAD),
    spread_drives: float = SPREAD_DRIVES,
) -> Combined:
    """Join observations of values that vary a little from drive to drive.

    Random effects: what drive i observes is the common values plus a normal deviation (variances
    tau^2, one per value) plus its own error. tau^2 is the moment estimate of DerSimonian and
    Laird, joined with the usual spread as a scaled inverse chi-squared prior would be;
    generalised least squares then joins observations and prior.

    Parameters
    ----------
    observations : sequence of (mean, covariance)
        Each of the first value (shapes (1,), (1, 1)) or of the first two; errors independent
        between observations.
    prior : sequence of Belief, length n
        Of the common values.
    shared_sd : float
        Standard deviation of an error of the first value that is the same in every observation.
    spread : sequence of float, length >= n
        Usual standard deviation between drives of each value ...
    spread_drives : float
        ... and its weight, in drives; 0 for the moment estimate alone.

    Raises
    ------
    InputError
        There is no observation, or a standard deviation is not positive.

    References
    ----------
    DerSimonian & Laird, Controlled Clinical Trials 7, 1986, 177-188; Gelman et al., Bayesian Data
    Analysis, 2013, section 2.6 (both from memory).
    """
    if not observations:
        raise InputError("no drive to calibrate from; give at least one log")
    if not (
        all(np.all(np.diag(covariance) > 0.0) for _, covariance in observations)
        and all(belief.sd > 0.0 for belief in prior)
    ):
        raise InputError("standard deviations must be positive to be joined")
    n = len(prior)
    between = np.zeros(n)
    for index in range(n):
        told = [one for one in observations if one[0].size > index]
        value = np.array([mean[index] for mean, _ in told])
        variance = np.array([covariance[index, index] for _, covariance in told])
        between[index] = usual_and_seen([(value, variance)], spread[index], spread_drives)
    # The shared error is one more unknown, with mean 0, seen together with the first value.
    precision = np.diag([*(belief.sd**-2 for belief in prior), max(shared_sd, 1e-9) ** -2])
    information = precision @ np.array([*(belief.mean for belief in prior), 0.0])
    first_prior = (precision[0, 0], information[0])
    for mean, covariance in observations:
        size = mean.size
        seen = np.eye(size, n + 1)
        seen[0, n] = 1.0
        weight = np.linalg.inv(covariance + np.diag(between[:size]))
        precision += seen.T @ weight @ seen
        information += seen.T @ weight @ mean
    joined = np.linalg.inv(precision)
    common = joined @ information
    precision[0, 0] -= first_prior[0]
    information[0] -= first_prior[1]
    alone = np.linalg.inv(precision)
    return Combined(
        mean=common[:n],
        common_sd=np.sqrt(np.diag(joined)[:n]),
        between_sd=np.sqrt(between),
        drives=Belief(float((alone @ information)[0]), math.sqrt(alone[0, 0])),
    )


def usual_and_seen(
    groups: Sequence[tuple[FloatArray, FloatArray]], usual_sd: float, usual_drives: float
) -> float:
    """Variance between drives: the usual one and the one seen, by the drives behind each.

    Parameters
    ----------
    groups : sequence of (ndarray, ndarray)
        As :func:`between_variance` takes them.
    usual_sd, usual_drives : float
        What is usual, and how many drives that counts for.
    """
    seen = sum(max(value.size - 1, 0) for value, _ in groups)
    spread = usual_drives * usual_sd**2 + seen * between_variance(groups)
    return spread / max(usual_drives + seen, 1e-9)


def between_variance(groups: Sequence[tuple[FloatArray, FloatArray]]) -> float:
    """Moment estimate of the variance between observations (DerSimonian & Laird, 1986).

    Parameters
    ----------
    groups : sequence of (ndarray, ndarray), each of shape (k,)
        Observations and the variances of their own errors, in groups that each have a mean of
        their own: squares and their expectations add up.

    Returns
    -------
    float
        0 without two observations in one group, and where they differ no more than their errors
        explain.
    """
    excess = expected = 0.0
    for value, variance in groups:
        if value.size > 1:
            weight = 1.0 / variance
            mean = np.sum(weight * value) / np.sum(weight)
            excess += float(np.sum(weight * (value - mean) ** 2)) - (value.size - 1)
            expected += float(np.sum(weight) - np.sum(weight**2) / np.sum(weight))
    return max(0.0, excess / expected) if expected > 0.0 else 0.0


def calibrate(drives: Sequence[DriveObservation], rig: Rig) -> Calibration:
    """Join drives of weighed mass with what the rig file believes.

    Parameters
    ----------
    drives : sequence of DriveObservation
        All made by this rig and weighed once, together.
    rig : Rig
        Its ``tractive_scale`` and ``tractive_scale_sd`` are the prior of the common scale.

    Raises
    ------
    InputError
        No drive, a rig that claims to know its scale exactly, or a scale no rig file may hold.
    """
    uncertainty = rig.uncertainty
    if uncertainty.tractive_scale_sd == 0.0:
        raise InputError(
            "the rig's tractive_scale_sd is 0: it claims to know the scale exactly, so nothing can "
            "be learnt; give its spread under [uncertainty] (0.03 by default)"
        )
    prior = [Belief(math.log(uncertainty.tractive_scale), uncertainty.tractive_scale_sd)]
    uprated = rig.engine.uprated
    if uprated is not None and any(drive.mean.size > 1 for drive in drives):
        prior.append(Belief(uprated.reported_share, uprated.reported_share_sd))
    seen = [(drive.mean, drive.covariance) for drive in drives]
    weighing_sd = max((drive.weighing_sd for drive in drives), default=0.0)
    joined = combine(seen, prior, weighing_sd)
    apart = abs(joined.drives.mean - prior[0].mean)
    notes = []
    if apart > PRIOR_LEFT_OUT * prior[0].sd:
        # A belief that the drives contradict draws the scale towards it the more, the fewer drives.
        joined = combine(seen, [Belief(joined.drives.mean, _ANY_SCALE_SD), *prior[1:]], weighing_sd)
        notes.append(
            f"the drives put the tractive scale {apart / prior[0].sd:.1f} sd from the rig's own "
            f"{uncertainty.tractive_scale:.3f} +- {prior[0].sd:.3f}: that belief was left out"
        )
    scale, scale_sd = math.exp(joined.mean[0]), float(joined.new_drive_sd[0])
    if not (0.5 <= scale <= 2.0 and scale_sd <= 0.5):
        raise InputError(
            f"the drives give a tractive scale of {scale:.2f} +- {scale_sd:.2f}, beyond what a rig "
            "may have; check the known mass, the rig file and the force channel"
        )
    doubts = [doubt for drive in drives for doubt in drive.doubts]
    if apart > FAR_FROM_PRIOR * math.hypot(prior[0].sd, joined.drives.sd):
        doubts.append(
            f"the drives give a tractive scale of {math.exp(joined.drives.mean):.3f}, far from "
            f"the rig's own {uncertainty.tractive_scale:.3f} +- {prior[0].sd:.3f}: check the known "
            "mass and the rig file, or widen tractive_scale_sd"
        )
    with_share = len(prior) > 1
    return Calibration(
        drives=tuple(drives),
        joined=joined,
        tractive_scale=scale,
        tractive_scale_sd=scale_sd,
        reported_share=min(max(float(joined.mean[1]), 0.0), 1.5) if with_share else None,
        reported_share_sd=float(joined.new_drive_sd[1]) if with_share else None,
        notes=tuple(notes),
        doubts=tuple(doubts),
    )


def calibrated_text(text: str, calibration: Calibration) -> str:
    """A rig file's text with the calibration written into it; comments and order are kept.

    Parameters
    ----------
    text : str
        Content of the rig file (TOML), valid.
    calibration : Calibration
    """
    import tomlkit

    document: Any = tomlkit.parse(text)
    if "uncertainty" not in document:
        document["uncertainty"] = tomlkit.table()
    _set(
        document,
        "uncertainty",
        {
            "tractive_scale": round(calibration.tractive_scale, 5),
            "tractive_scale_sd": round(calibration.tractive_scale_sd, 5),
        },
    )
    if calibration.reported_share is not None and calibration.reported_share_sd is not None:
        _set(
            document["engine"],
            "uprated",
            {
                "reported_share": round(calibration.reported_share, 4),
                "reported_share_sd": round(calibration.reported_share_sd, 4),
            },
        )
    return str(tomlkit.dumps(document))


def _set(parent: Any, name: str, values: dict[str, float]) -> None:
    """Set keys of a table; new ones after its last key, before blank lines and comments."""
    from tomlkit.items import Table

    table = parent[name]
    new = {key: value for key, value in values.items() if key not in table}
    for key in values.keys() - new.keys():
        table[key] = values[key]
    if not new:
        return
    # What follows the last key belongs to the next table. Keys in dotted form or of a table in
    # pieces are set plainly.
    plain = type(table) is Table and not any(isinstance(item, Table) for item in table.values())
    tail: list[Any] = []
    if plain:
        body = table.value.body
        while body and body[-1][0] is None:
            tail.insert(0, body.pop()[1])
    for key, value in new.items():
        table[key] = value
    for item in tail:
        table.add(item)


def interval95(calibration: Calibration) -> tuple[float, float]:
    """Central 95 % interval of the tractive scale in a drive yet to come."""
    half = Z95 * calibration.tractive_scale_sd
    return calibration.tractive_scale * math.exp(-half), calibration.tractive_scale * math.exp(half)
