"""What a run says at its end: quantities, trust, surfaces, load changes, what to drive next."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, TypedDict

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import Records
from loadlearn.described import Named
from loadlearn.estimation.beliefs import contradicted_beliefs
from loadlearn.estimation.cross_checks import cross_checks
from loadlearn.estimation.next_drive import Present, what_to_drive_next
from loadlearn.estimation.normal import Z95
from loadlearn.estimation.not_learnt import STEADY, NotLearnt, not_learnt_stretches
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import GRAVITY_M_S2

FloatArray = NDArray[np.float64]

LEAST_LEARNT_S = 120.0
"""Less learning than this is not to be trusted."""
MOST_ROLLING = 0.5
"""Beyond this a wheel does not roll but sink (common practice, no source)."""
_ANSWERS = ("mass_", "rolling_resistance", "drag_area", "p_")
WIDEST_SD = 0.10
"""A mass less certain than this, relative to its mean, is not to be trusted."""
MOST_STEADY = 0.9
"""A drive that was steady for more of its time is not to be trusted."""
SHORTEST_SURFACE_S = 2.0
"""A stretch shorter than this is joined to the one before."""
LEAST_PULL, PULLED_SHARE, PULLED_S = 0.5, 0.5, 10.0
"""Another ground than the first is one that was driven on: the force at the tread was this share
of what the ground asks, for this share of the time learnt from, and for so long (s). Else brakes
that are not logged, a head wind or a height's error have passed for a ground."""
UNEXPLAINED = "unexplained"
"""The name of a stretch whose retardation no ground explains."""
NEARLY_BEST = 1.1
"""A ground's resistance is told by the last sample whose sd is nearly the least of the stretch."""


class Quantity(TypedDict):
    """A quantity that was estimated."""

    mean: float
    """Expected value."""
    sd: float
    """Standard deviation, in all."""
    sd_given_scale: float
    """Standard deviation were the scale between computed and true force exactly known."""
    interval95: list[float]
    """Ends of the central 95 % interval, in all."""


class TractiveScale(TypedDict):
    """True force over the force computed from the log."""

    mean: float
    """Expected value: the rig's, or what a stretch with nothing hitched taught."""
    sd: float
    """Its standard deviation; it limits the mass wherever a load is hitched."""


class Trust(TypedDict):
    """Whether to rely on the result."""

    ok: bool
    """False where there is a reason not to."""
    reasons: list[str]
    """Why not, one sentence each."""
    unchecked: list[str]
    """In what a wrong channel could hide, for no other channel knows; one sentence each."""


class Surface(TypedDict):
    """A stretch of one ground."""

    surface: str
    """Name of the ground, or ``unexplained``."""
    start_s: float
    """Its first sample."""
    end_s: float
    """Its last sample."""
    at_s: float
    """Sample at which its resistance was known best."""
    rolling_resistance: Quantity
    """Coefficient at 20 m/s, as known then."""


class LoadChange(TypedDict):
    """A change of load at a standstill."""

    time_s: float
    """End of the standstill."""
    before_kg: float
    """Combined mass before it."""
    after_kg: float
    """Combined mass after it."""
    probability: float
    """That the load did change there."""


class RunSummary(TypedDict):
    """What a run says at its end; the first keys of ``summary.json``."""

    mass_kg: Quantity
    """Combined mass of all that moves."""
    trailer_mass_kg: Quantity
    """Combined mass less the tow vehicle's: the trailer, or a rigid vehicle's payload; below zero
    where the vehicle is lighter than the rig says."""
    load_is: str
    """What that is: ``trailer``, or the ``payload`` of a rigid vehicle."""
    rolling_resistance: Quantity
    """Coefficient of the last ground at 20 m/s."""
    drag_area_m2: Quantity
    """Drag coefficient times frontal area."""
    tractive_scale: TractiveScale
    """True force over the force computed from the log."""
    probability_nothing_hitched: float
    """That the vehicle drives alone at the end."""
    trust: Trust
    """Whether to rely on it."""
    surfaces: list[Surface]
    """Grounds driven on, in order."""
    load_changes: list[LoadChange]
    """Changes of load that the drive speaks for."""
    learnt_s: float
    """Time of driving that was learnt from."""
    not_learnt: list[NotLearnt]
    """Stretches that told nothing of the mass."""
    delays_s: Annotated[dict[str, float], Named("<channel>")]
    """How late the force and the height channel were taken to be."""
    altimeter_share: float
    """Share by which a grade channel was corrected by the altitude."""
    warnings: list[str]
    """What was noticed, one sentence each."""
    what_to_drive_next: str
    """What would teach most."""


def quantity(
    mean: float,
    sd: float,
    sd_given_scale: float,
    low: float | None = None,
    high: float | None = None,
) -> Quantity:
    """One estimated quantity as ``summary.json`` shows it.

    Parameters
    ----------
    mean, sd, sd_given_scale : float
    low, high : float, optional
        Central 95 % interval; that of a normal when absent.

    Returns
    -------
    Quantity
    """
    return {
        "mean": float(mean),
        "sd": float(sd),
        "sd_given_scale": float(sd_given_scale),
        "interval95": [
            float(mean - Z95 * sd if low is None else low),
            float(mean + Z95 * sd if high is None else high),
        ],
    }


def _quantities(row: pd.Series, rig: Rig) -> dict[str, Any]:
    mass = quantity(
        row["mass_kg"],
        row["mass_sd_kg"],
        row["mass_sd_given_scale_kg"],
        row["mass_low95_kg"],
        row["mass_high95_kg"],
    )
    tow_sd = float(rig.vehicle.mass_sd_kg or 0.0)
    tow = rig.vehicle.mass_kg
    # The tow vehicle's own mass is uncertain too; a little of that widens the interval.
    widen = np.hypot(row["mass_sd_kg"], tow_sd) / max(row["mass_sd_kg"], 1e-9)
    trailer = quantity(
        row["mass_kg"] - tow,
        float(np.hypot(row["mass_sd_kg"], tow_sd)),
        float(np.hypot(row["mass_sd_given_scale_kg"], tow_sd)),
        row["mass_kg"] - tow - widen * (row["mass_kg"] - row["mass_low95_kg"]),
        row["mass_kg"] - tow + widen * (row["mass_high95_kg"] - row["mass_kg"]),
    )
    return {
        "mass_kg": mass,
        "trailer_mass_kg": trailer,
        "load_is": rig.load_name,
        "rolling_resistance": quantity(
            row["rolling_resistance"],
            row["rolling_resistance_sd"],
            row["rolling_resistance_sd"],
            row["rolling_resistance_low95"],
            row["rolling_resistance_high95"],
        ),
        "drag_area_m2": quantity(
            row["drag_area_m2"], row["drag_area_sd_m2"], row["drag_area_sd_given_scale_m2"]
        ),
    }


def _best_informed(history: pd.DataFrame, start: int, end: int) -> tuple[str, int]:
    """The likelier name of a stretch, and the sample that knows its resistance best.

    Towards its end a change to come makes the resistance uncertain before the name changes; at its
    beginning the new one is hardly known.
    """
    part = history.iloc[start:end]
    # The first ground is believed in until another is past doubt, and so it may be likelier.
    names = {history["surface"].cat.categories[0]: None, **dict.fromkeys(part["surface"])}
    name = max(names, key=lambda one: float(part[f"p_{one}"].mean()))
    named = (part["surface"] == name).to_numpy()
    named = named if named.any() else ~named
    learning = named & (part["learning"] == 1).to_numpy()
    inside = np.flatnonzero(learning if learning.any() else named)
    sd = np.nan_to_num(part["rolling_resistance_sd"].to_numpy()[inside], nan=np.inf)
    return str(name), start + int(inside[sd <= NEARLY_BEST * sd.min()][-1])


def _driven_on(part: pd.DataFrame) -> bool:
    """Whether a stretch's resistance was overcome by force for most of it, not by a loss of speed.

    Downhill weight does that too; but to hold back there is what brakes are for.
    """
    step_s = np.diff(part["time_s"].to_numpy(), append=part["time_s"].iloc[-1])
    learnt_s = np.where(part["learning"] == 1, np.minimum(step_s, SHORTEST_SURFACE_S), 0.0)
    asked_n = part["rolling_resistance"] * part["mass_kg"] * GRAVITY_M_S2
    pulled_s = learnt_s[part["tractive_force_n"] > LEAST_PULL * asked_n].sum()
    return bool(pulled_s >= max(PULLED_S, PULLED_SHARE * learnt_s.sum()))


def _same_ground(history: pd.DataFrame, stretches: list[list[int]]) -> list[list[int]]:
    """Stretches joined where the name changes on loose ground, and not what it resists."""
    codes = history["surface"].cat.codes.to_numpy()
    roll = history["rolling_resistance"].to_numpy()
    sd = history["rolling_resistance_sd"].to_numpy()
    joined: list[list[int]] = []
    for start, end in stretches:
        if joined and min(codes[start - 1], codes[start]) > 0:
            before = _best_informed(history, *joined[-1])[1]
            after = _best_informed(history, start, end)[1]
            if abs(roll[after] - roll[before]) < Z95 * np.hypot(sd[before], sd[after]):
                joined[-1][1] = end
                continue
        joined.append([start, end])
    return joined


def surface_segments(history: pd.DataFrame) -> list[Surface]:
    """Stretches of one ground, each with its own rolling resistance where it was known best.

    What only slowed the vehicle down, as brakes that are not logged do, is called ``unexplained``.

    Parameters
    ----------
    history : DataFrame
        What ``run`` returns.

    Returns
    -------
    list of Surface
    """
    codes = history["surface"].cat.codes.to_numpy()
    time_s = history["time_s"].to_numpy()
    if len(codes) == 0:
        return []
    starts = np.concatenate([[0], np.flatnonzero(np.diff(codes)) + 1])
    ends = np.concatenate([starts[1:], [len(codes)]])
    merged: list[list[int]] = []
    for start, end in zip(starts, ends, strict=True):
        short = time_s[end - 1] - time_s[start] < SHORTEST_SURFACE_S
        same = bool(merged) and codes[merged[-1][0]] == codes[start]
        if merged and (short or same):
            merged[-1][1] = int(end)
        else:
            merged.append([int(start), int(end)])
    segments: list[Surface] = []
    first = str(history["surface"].cat.categories[0])
    for start, end in _same_ground(history, merged):
        # One stretch may have had two names: that which was likelier all along is told.
        name, at = _best_informed(history, start, end)
        row = history.iloc[at]
        if name != first and not _driven_on(history.iloc[start:end]):
            name = UNEXPLAINED
        segments.append(
            {
                "surface": name,
                "start_s": float(time_s[start]),
                "end_s": float(time_s[end - 1]),
                "at_s": float(time_s[at]),
                "rolling_resistance": quantity(
                    row["rolling_resistance"],
                    row["rolling_resistance_sd"],
                    row["rolling_resistance_sd"],
                    row["rolling_resistance_low95"],
                    row["rolling_resistance_high95"],
                ),
            }
        )
    return segments


def load_changes(outputs: Records, row_times: FloatArray) -> list[LoadChange]:
    """Changes of load that the drive after a standstill speaks for (probability at least a half).

    Parameters
    ----------
    outputs : record array of ``OUTPUT``, shape (rows,)
    rows : record array of ``ROW``, shape (rows,)
        Time of each row (s).

    Returns
    -------
    list of LoadChange
    """
    stops, changed = outputs["last_stop_s"], outputs["p_load_changed"]
    changes: list[LoadChange] = []
    for stop in np.unique(stops[stops > 0.0]):
        first, last = np.flatnonzero(stops == stop)[[0, -1]]
        if changed[last] >= 0.5 and row_times[last] - stop > 10.0:
            changes.append(
                {
                    "time_s": float(stop),
                    "before_kg": float(outputs["mass_before_stop_kg"][first]),
                    "after_kg": float(outputs["mass_kg"][last]),
                    "probability": float(changed[last]),
                }
            )
    return changes


def _trust(
    history: pd.DataFrame,
    outputs: Records,
    rows: Records,
    learnt_s: float,
    rig: Rig,
    trace: pd.DataFrame,
) -> Trust:
    """Whether to rely on the result: it must have earned every point, and NaN earns none."""
    last = history.iloc[-1]
    reasons = list(trace.attrs.get("delay_doubts", []))
    answer = last[[name for name in history.columns if name.startswith(_ANSWERS)]]
    if not np.isfinite(answer.to_numpy(dtype=np.float64)).all():
        reasons.append("the answer is not a finite number: check the rig file and the channels")
        return {"ok": False, "reasons": reasons, "unchecked": []}
    steady = (history["not_learnt_because"] == STEADY).mean()
    if not steady <= MOST_STEADY:
        reasons.append(
            f"the drive was steady for {100 * steady:.0f} % of its time, and the force did no more "
            "than answer gusts and slopes that are not seen: hills or changes of speed tell a mass"
        )
    if not learnt_s >= LEAST_LEARNT_S:
        reasons.append(
            f"only {learnt_s:.0f} s of the drive could be learnt from "
            f"(at least {LEAST_LEARNT_S:.0f} s are needed)"
        )
    if not 0.0 < last["mass_sd_kg"] <= WIDEST_SD * last["mass_kg"]:
        reasons.append(
            f"the mass is known to {100 * last['mass_sd_kg'] / last['mass_kg']:.0f} % only "
            f"(1 sd; at most {100 * WIDEST_SD:.0f} % to be trusted)"
        )
    changed = float(last["p_load_changed"])
    if 0.05 < changed < 0.95 and last["mass_sd_given_scale_kg"] > 0.03 * last["mass_kg"]:
        reasons.append(
            "whether the load changed at the last stop is undecided "
            f"(probability {changed:.2f}); drive on"
        )
    reasons += contradicted_beliefs(rig, trace, last, float(np.exp(outputs["log_scale"][-1])))
    if not last["mass_low95_kg"] <= 1.5 * rig.nominal_gcm_kg:
        reasons.append(
            f"the mass learnt ({last['mass_kg']:.0f} kg) is beyond one and a half times GCM: "
            "check the rig file or the force channel"
        )
    if not 0.0 < last["rolling_resistance"] <= MOST_ROLLING:
        reasons.append(
            f"the rolling resistance learnt ({last['rolling_resistance']:.3f}) is none of any "
            "ground: check the rig file or the force channel"
        )
    nis = outputs["normalised_innovation"] ** 2
    nis = nis[np.isfinite(nis)]
    if nis.size > 200 and not np.mean(nis) <= 3.0:
        reasons.append(
            f"the log fits the model badly (mean normalised innovation squared {np.mean(nis):.1f}, "
            "about 1 when all is well): check channels, delays and the rig"
        )
    checked = cross_checks(rig, trace, rows, float(last["mass_given_scale_kg"]))
    reasons += checked.contradictions
    return {"ok": not reasons, "reasons": reasons, "unchecked": checked.unchecked}


def summary_of(
    rig: Rig,
    trace: pd.DataFrame,
    history: pd.DataFrame,
    outputs: Records,
    rows: Records,
    learnt_s: float,
    delays: Mapping[str, float],
    present: Present,
) -> dict[str, Any]:
    """The summary of a run, as ``summary.json`` shows it (without the log's quality).

    Parameters
    ----------
    rig : Rig
    trace : DataFrame
        What was run.
    history : DataFrame
        What ``run`` returns.
    outputs : record array of ``OUTPUT``, shape (rows,)
    rows : record array of ``ROW``, shape (rows,)
    learnt_s : float
        Driving time learnt from (s).
    delays : mapping
        How late the force and the height channel were taken to be (s).
    present : Present
        Passed on to :func:`what_to_drive_next`.
    """
    last = history.iloc[-1]
    summary = _quantities(last, rig)
    warnings = [str(text) for text in trace.attrs.get("warnings", [])]
    for name, delay in delays.items():
        if abs(delay) >= 0.3:
            word = "late" if delay > 0.0 else "early"
            warnings.append(f"the {name} channel is {abs(delay):.1f} s {word}; it was moved")
    altimeter_share = float(trace.attrs.get("altimeter_share", 0.0))
    if altimeter_share > 0.0:
        warnings.append(
            "the grade channel was corrected by the altitude, which fits the drive better"
        )
    if last["p_regeneration"] > 0.5:
        warnings.append("fuel that makes no torque: a regeneration is likely at the end of the log")
    log_scale, log_scale_sd = outputs["log_scale"][-1], outputs["log_scale_sd"][-1]
    summary |= {
        "tractive_scale": {
            "mean": float(np.exp(log_scale)),
            "sd": float(np.exp(log_scale) * log_scale_sd),
        },
        "probability_nothing_hitched": float(last["p_nothing_hitched"]),
        "trust": _trust(history, outputs, rows, learnt_s, rig, trace),
        "surfaces": surface_segments(history),
        "load_changes": load_changes(outputs, rows["time_s"]),
        "learnt_s": float(learnt_s),
        "not_learnt": not_learnt_stretches(
            history["time_s"].to_numpy(),
            np.asarray(history["not_learnt_because"].cat.codes, dtype=np.int64),
        ),
        "delays_s": {name: float(delay) for name, delay in delays.items()},
        "altimeter_share": altimeter_share,
        "warnings": warnings,
        "what_to_drive_next": what_to_drive_next(rig, last, present),
    }
    return summary
