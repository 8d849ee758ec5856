"""Does the estimator hold on drives that no simulator made?

Question: on recorded trips of a small electric car and a bicycle ride with a power meter, is the
scatter between trips of one mass what the intervals claim, are payloads seen, does a tractive scale
calibrated on three trips carry to the others, and is a log that is spoilt (a channel late or early,
smoothed, thinned, no altitude) answered within its interval, or said to be not trusted?

Method: trips and ride as in ``plants/car_trips.py`` and ``plants/power_ride.py``, which name their
authors and licences. The car was not weighed, so all but the carried calibration is judged *given
the scale*: a trip's reference is the mean log scale of the *other* trips as logged, on the masses
published. ``error_percent`` = 100 (mass_given_scale s / m - 1), ``z`` its ratio to the sd given
the scale, the reference's own spread included. *Silently wrong*: trusted, and off by more than
4 % or 3 sd. ``calibrate`` runs on every choice of three of the trips without payload; what it
writes is carried to the other trips by running ``estimate`` with that rig (``--seeds`` choices).

Expected answer (stated beforehand): rms z given the scale at most 1.35; payloads within 2 sd;
carried over, rms z at most 1.3 and coverage at least 92 %; nothing silently wrong.
"""

from __future__ import annotations

import functools
import itertools
import math
import sys
from collections.abc import Callable
from typing import Any

import harness
import numpy as np
import pandas as pd
from plants import archive, car_trips, power_ride

from loadlearn import LoadEstimator, Rig, prepare, read_log
from loadlearn.errors import InputError
from loadlearn.estimation.calibration import Calibration, DriveObservation, calibrate, observe_drive
from loadlearn.estimation.summary import UNEXPLAINED

Change = Callable[[pd.DataFrame], pd.DataFrame]
FORCES = ("tractive_force_n", "tractive_power_kw")
MOST_PERCENT, MOST_Z = 4.0, 3.0
"""A trusted answer further off than either is silently wrong."""


# --- what is done to a log -----------------------------------------------------------------------
def as_logged(log: pd.DataFrame) -> pd.DataFrame:
    """The log itself."""
    return log


def late(columns: tuple[str, ...], by_s: float) -> Change:
    """Move some channels to later stamps (earlier where negative); the ends are held."""

    def change(log: pd.DataFrame) -> pd.DataFrame:
        time_s = log["time_s"].to_numpy(dtype=float)
        moved = {
            name: np.interp(time_s - by_s, time_s, log[name].to_numpy(dtype=float))
            for name in columns
            if name in log
        }
        return log.assign(**moved)

    return change


def smoothed(columns: tuple[str, ...], over_s: float) -> Change:
    """Centred moving mean over some seconds."""

    def change(log: pd.DataFrame) -> pd.DataFrame:
        rows = max(1, round(over_s / float(log["time_s"].diff().median())))
        rolled = {
            name: log[name].rolling(rows, center=True, min_periods=1).mean()
            for name in columns
            if name in log
        }
        return log.assign(**rolled)

    return change


def thinned(log: pd.DataFrame) -> pd.DataFrame:
    """Every sample that is the first of its second."""
    first = np.diff(np.floor(log["time_s"].to_numpy() + 1e-6), prepend=-1.0) > 0.0
    return log[first].reset_index(drop=True)


def without(column: str) -> Change:
    """A channel left out."""
    return lambda log: log.drop(columns=column, errors="ignore")


CHANGES: dict[str, Change] = {
    "as logged": as_logged,
    "accelerometer only": without("altitude_m"),
    **{f"force {by:+g} s": late(FORCES, by) for by in (-2.0, -1.0, 1.0, 2.0)},
    **{f"speed {by:+g} s": late(("speed_m_s",), by) for by in (-2.0, -1.0, 1.0, 2.0)},
    "force smoothed 3 s": smoothed(FORCES, 3.0),
    "speed smoothed 3 s": smoothed(("speed_m_s",), 3.0),
    "thinned to 1 Hz": thinned,
}
RIDE_CHANGES = [name for name in CHANGES if "only" not in name and "1 Hz" not in name]


# --- one estimate --------------------------------------------------------------------------------
def learn(trace: pd.DataFrame, rig: Rig) -> dict[str, Any]:
    """What ``estimate`` says at the end of a trace.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.
    rig : Rig

    Returns
    -------
    dict
        ``mass_kg, sd_kg, low95_kg, high95_kg`` in all; ``implied_kg`` (what the computed force
        implies) and ``implied_sd`` (relative); ``trusted``; ``reasons``; ``grounds`` named;
        ``loose_s``, time on one named other than sealed; ``load_changes``; ``learnt_s``.
    """
    history = LoadEstimator(rig).run(prepare(trace, rig))
    summary, last = history.attrs["summary"], history.iloc[-1]
    mean_scale = float(summary["tractive_scale"]["mean"])
    implied = float(last["mass_given_scale_kg"])
    return {
        "mass_kg": float(last["mass_kg"]),
        "sd_kg": float(last["mass_sd_kg"]),
        "low95_kg": float(last["mass_low95_kg"]),
        "high95_kg": float(last["mass_high95_kg"]),
        "implied_kg": implied,
        "implied_sd": float(last["mass_sd_given_scale_kg"]) / (implied * mean_scale),
        "trusted": bool(summary["trust"]["ok"]),
        "reasons": "; ".join(summary["trust"]["reasons"]),
        "grounds": " ".join(sorted({one["surface"] for one in summary["surfaces"]})),
        "loose_s": sum(
            one["end_s"] - one["start_s"]
            for one in summary["surfaces"]
            if one["surface"] not in ("sealed", UNEXPLAINED)
        ),
        "load_changes": len(summary["load_changes"]),
        "learnt_s": float(summary["learnt_s"]),
    }


def one_trip(name: str, change: str) -> dict[str, Any]:
    """A trip of the car with something done to its log."""
    found = learn(CHANGES[change](car_trips.read(name)), car_trips.rig())
    return {"trip": name, "change": change, "true_kg": car_trips.mass_kg(name), **found}


def judged_given_scale(rows: pd.DataFrame) -> pd.DataFrame:
    """Errors against the scale that the other trips, as logged, have.

    Parameters
    ----------
    rows : DataFrame
        From :func:`one_trip`, the trips as logged among them.

    Returns
    -------
    DataFrame
        With ``error_percent, z, inside95, silently_wrong`` besides.
    """
    plain = rows[rows["change"] == "as logged"].set_index("trip")
    log_scale = np.log(plain["true_kg"] / plain["implied_kg"])
    errors, sds = [], []
    for row in rows.itertuples():
        others = log_scale.drop(row.trip, errors="ignore")
        errors.append(math.log(row.implied_kg / row.true_kg) + float(others.mean()))
        # The reference is a mean of a few trips that scatter as this one does.
        own = row.implied_sd**2
        payload = car_trips.PAYLOAD_SD_KG / row.true_kg if row.trip in car_trips.PAYLOAD_KG else 0.0
        sds.append(math.sqrt(own + float(others.var()) / others.size + payload**2))
    return verdict(rows, np.array(errors), np.array(sds))


def verdict(rows: pd.DataFrame, error: Any, sd: Any) -> pd.DataFrame:
    """Rows with the error, its z, and whether it is silently wrong.

    Parameters
    ----------
    rows : DataFrame
        With ``trusted``.
    error, sd : array_like
        Relative error and its sd.
    """
    z = np.asarray(error) / np.asarray(sd)
    percent = 100.0 * np.asarray(error)
    wrong = rows["trusted"].to_numpy(dtype=bool) & (
        (np.abs(percent) > MOST_PERCENT) | (np.abs(z) > MOST_Z)
    )
    return rows.assign(error_percent=percent, z=z, inside95=np.abs(z) <= 1.96, silently_wrong=wrong)


def told(rows: pd.DataFrame) -> dict[str, Any]:
    """One line about judged rows: all errors, then honesty among the trusted."""
    trusted = rows[rows["trusted"]]
    return {
        "n": len(rows),
        "trusted": len(trusted),
        "rms_percent": _rms(rows["error_percent"]),
        "worst_percent": float(rows["error_percent"].abs().max()),
        "trusted_rms_z": _rms(trusted["z"]),
        "trusted_inside95": 100.0 * float(trusted["inside95"].mean()),
        "trusted_sd_percent": 100.0
        * float((trusted["error_percent"] / 100.0 / trusted["z"]).median()),
        "silently_wrong": int(rows["silently_wrong"].sum()),
    }


def _rms(values: Any) -> float:
    return (
        float(np.sqrt(np.mean(np.square(np.asarray(values, dtype=float)))))
        if len(values)
        else (math.nan)
    )


# --- calibration carried over --------------------------------------------------------------------
@functools.cache
def observed(name: str) -> DriveObservation:
    """What ``calibrate`` takes from one trip."""
    return observe_drive(car_trips.read(name), car_trips.rig(), car_trips.mass_kg(name), 0.0, name)


def calibrated_rig(rig: Rig, found: Calibration) -> Rig:
    """A rig with the tractive scale that was found."""
    table = rig.model_dump(exclude_none=True)
    table["uncertainty"] |= {
        "tractive_scale": found.tractive_scale,
        "tractive_scale_sd": found.tractive_scale_sd,
    }
    return Rig.from_dict(table)


def carried(choice: tuple[str, ...], names: list[str]) -> list[dict[str, Any]]:
    """A scale calibrated on some trips, and what ``estimate`` then says of the others.

    The known mass is the published one; it is in error by the same share in calibration and
    judgement, so its own sd is left out of both.
    """
    rig = car_trips.rig()
    found = calibrate([observed(one) for one in choice], rig)
    rows = []
    for name in names:
        if name in choice:
            continue
        rows.append(
            {
                "calibrated_on": " ".join(choice),
                "scale": found.tractive_scale,
                "scale_sd": found.tractive_scale_sd,
                "doubts": "; ".join(found.doubts),
                "trip": name,
                "true_kg": car_trips.mass_kg(name),
                **learn(car_trips.read(name), calibrated_rig(rig, found)),
            }
        )
    return rows


def judged_in_all(rows: pd.DataFrame) -> pd.DataFrame:
    """Errors of the mass in all, against the published mass."""
    payload = np.where(rows["trip"].isin(list(car_trips.PAYLOAD_KG)), car_trips.PAYLOAD_SD_KG, 0.0)
    error = rows["mass_kg"] / rows["true_kg"] - 1.0
    return verdict(rows, error, np.hypot(rows["sd_kg"], payload) / rows["true_kg"])


def choices_of_three(names: list[str], count: int) -> list[tuple[str, ...]]:
    """Some choices of three of the trips without payload, evenly spread over all of them."""
    plain = [name for name in names if name not in car_trips.PAYLOAD_KG]
    every = list(itertools.combinations(plain, 3))
    picked = np.unique(np.linspace(0, len(every) - 1, min(count, len(every))).round().astype(int))
    return [every[index] for index in picked]


# --- the ride ------------------------------------------------------------------------------------
def one_ride(change: str) -> dict[str, Any]:
    """The bicycle ride with something done to it, judged in all against its mass of 92.5 kg."""
    rig = power_ride.rig()
    found = learn(read_log(CHANGES[change](power_ride.read()), rig=rig), rig)
    true, sd = power_ride.MASS_KG, power_ride.MASS_SD_KG
    row = pd.DataFrame([{"change": change, "true_kg": true, **found}])
    judged = verdict(row, [found["mass_kg"] / true - 1.0], [math.hypot(found["sd_kg"], sd) / true])
    return dict(judged.iloc[0])


# --- the answer ----------------------------------------------------------------------------------
def main() -> int:
    """Run and print."""
    chosen = harness.options(__doc__, seeds=12, quick_seeds=1)
    ran = False
    try:
        judge_trips(chosen)
        ran = True
    except car_trips.TripsMissing as missing:
        print(f"skipped: {missing}", file=sys.stderr)
    try:
        judge_ride(chosen)
        ran = True
    except (archive.ArchiveMissing, InputError) as missing:
        print(f"skipped: {missing}", file=sys.stderr)
    return 0 if ran or chosen.quick else 2


def judge_trips(chosen: Any) -> None:
    """Tables of the car's trips."""
    names = car_trips.names()
    if chosen.quick:
        names = names[:4]
    changes = ["as logged", "force +1 s"] if chosen.quick else list(CHANGES)
    tasks = [(name, change) for change in changes for name in names]
    rows = judged_given_scale(pd.DataFrame(harness.run(one_trip, tasks, chosen, "trips")))
    plain = rows[rows["change"] == "as logged"]
    print(f"\n{car_trips.CITATION}\n\nTrips as logged, given the scale of the others:\n")
    print(
        harness.markdown(
            plain[
                ["trip", "true_kg", "implied_kg", "implied_sd", "error_percent", "z", "trusted"]
                + ["loose_s", "load_changes"]
            ]
        )
    )
    base = plain[~plain["trip"].isin(list(car_trips.PAYLOAD_KG))]
    ratio = base["true_kg"] / base["implied_kg"]
    print("\nPayload above the trips without one, on their mean scale:\n")
    print(harness.markdown(payload_steps(plain, float(ratio.mean()))))
    print("\nThe same trips with something done to the log, given the scale:\n")
    summary = pd.DataFrame(
        [{"log": change, **told(part)} for change, part in rows.groupby("change", sort=False)]
    )
    harness.write(chosen, "real_trips", summary, details=rows)
    tasks = [(choice, names) for choice in choices_of_three(names, chosen.seeds)]
    if tasks:
        over = judged_in_all(pd.DataFrame(harness.run(carried, tasks, chosen, "calibrations")))
        print("\nA scale calibrated on three trips, carried to the others, in all:\n")
        line = {"choices": len(tasks), "claimed_scale_sd": float(over["scale_sd"].mean())}
        harness.write(chosen, "carried_over", pd.DataFrame([line | told(over)]), details=over)


def payload_steps(plain: pd.DataFrame, scale: float) -> pd.DataFrame:
    """Payload found in the trips that had one.

    Parameters
    ----------
    plain : DataFrame
        Trips as logged.
    scale : float
        Of the trips without payload.
    """
    loaded = plain[plain["trip"].isin(list(car_trips.PAYLOAD_KG))]
    return pd.DataFrame(
        {
            "trip": loaded["trip"],
            "noted_kg": loaded["true_kg"] - car_trips.MASS_KG,
            "found_kg": loaded["implied_kg"] * scale - car_trips.MASS_KG,
            "sd_kg": loaded["implied_sd"] * loaded["implied_kg"] * scale,
        }
    )


def judge_ride(chosen: Any) -> None:
    """The table of the ride."""
    power_ride.read()
    changes = RIDE_CHANGES[:2] if chosen.quick else RIDE_CHANGES
    rows = pd.DataFrame(harness.run(one_ride, changes, chosen, "rides"))
    print("\nBicycle ride (carried by the wheel of sweat 0.25.0, MIT), in all:\n")
    shown = ["change", "true_kg", "mass_kg", "sd_kg", "error_percent", "z", "trusted"]
    harness.write(chosen, "power_ride", rows[[*shown, "silently_wrong"]], details=rows)


if __name__ == "__main__":
    sys.exit(main())
