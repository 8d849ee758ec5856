"""How an estimate is judged in the experiments: checkpoints, errors, honesty, bootstrap intervals.

Judged *given the scale* means against what the computed force implies: the true tractive scale s
(true force over computed force) is taken out, ``error = 100 (mass_given_scale s - m) / m`` and
``z = (mass_given_scale s - m) / (sd_given_scale)``. A checkpoint is judged from the log up to it
only, preparation included.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn import LoadEstimator, prepare
from loadlearn.simulation.scenarios import Scenario, scenario
from loadlearn.vehicle.rig import Rig

Array = NDArray[np.float64]
Learner = Callable[[pd.DataFrame, Rig], pd.DataFrame]
"""From a prepared trace and a rig to a history of estimates."""

NORMAL_95 = 1.959963984540054
QUANTITIES = ("mass", "trailer", "rolling", "drag")


def ours(prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """``LoadEstimator`` as it comes."""
    return LoadEstimator(rig).run(prepared)


def stratified(name: str, index: int, count: int, first_seed: int = 0, **changes: Any) -> Scenario:
    """Drive ``index`` of ``count`` of a scenario, tractive scales spread evenly over their law.

    Parameters
    ----------
    name : str
        Of the scenario.
    index, count : int
        Which drive of how many.
    first_seed : int
        Seed of drive 0.
    **changes
        Further arguments of ``scenario``.
    """
    return scenario(name, first_seed + index, scale_quantile=(index + 0.5) / count, **changes)


def judged(history: pd.DataFrame, made: Scenario, at: int | None = None) -> dict[str, float]:
    """Errors and z of one estimate.

    Parameters
    ----------
    history : DataFrame
        What a learner returned.
    made : Scenario
        With the truth.
    at : int, optional
        Row of the history that is judged; the last when absent.

    Returns
    -------
    dict
        Per quantity ``error_percent``, ``z``, ``inside95`` in all, and ``given_error_percent``,
        ``given_z``, ``given_inside95``; the trailer's error is in per cent of the combined mass.
    """
    last = history.iloc[-1 if at is None else at]
    truth = made.drive.truth
    row = truth.iloc[int(np.searchsorted(truth["time_s"], last["time_s"], side="right")) - 1]
    meta, vehicle = made.drive.meta, made.rig.vehicle
    scale = float(row["tractive_scale"])
    mass, tow = float(row["mass_kg"]), float(meta["tow_mass_kg"])
    assert vehicle.mass_sd_kg is not None
    found: dict[str, float] = {
        "true_mass_kg": mass,
        "true_scale": scale,
        "estimated_kg": float(last["mass_kg"]),
        "sd_kg": float(last["mass_sd_kg"]),
        "sd_given_scale_kg": float(last["mass_sd_given_scale_kg"]),
    }

    def note(name: str, value: float, sd: float, true: float, unit: float, stem: str = "") -> None:
        found[f"{name}_{stem}error_percent"] = 100.0 * (value - true) / unit
        found[f"{name}_{stem}z"] = (value - true) / sd
        found[f"{name}_{stem}inside95"] = float(abs(value - true) <= NORMAL_95 * sd)

    note("mass", float(last["mass_kg"]), float(last["mass_sd_kg"]), mass, mass)
    if "mass_low95_kg" in last:
        found["mass_inside95"] = float(last["mass_low95_kg"] <= mass <= last["mass_high95_kg"])
    implied = float(last["mass_given_scale_kg"]) * scale
    given_sd = float(last["mass_sd_given_scale_kg"])
    note("mass", implied, given_sd, mass, mass, "given_")
    if "mass_given_scale_low95_kg" in last:
        low, high = last["mass_given_scale_low95_kg"], last["mass_given_scale_high95_kg"]
        found["mass_given_inside95"] = float(low * scale <= mass <= high * scale)
    # The trailer is what is beyond the tow vehicle, whose mass the rig states with an sd.
    trailer, trailer_sd = _trailer(history, last, at, made.rig)
    note("trailer", trailer, trailer_sd, mass - tow, mass)
    note(
        "trailer",
        implied - vehicle.mass_kg,
        float(np.hypot(given_sd, vehicle.mass_sd_kg)),
        mass - tow,
        mass,
        "given_",
    )
    rolling = stretch_rolling_resistance(truth, float(last["time_s"]))
    for stem in ("", "given_"):  # rolling resistance does not depend on the scale
        note(
            "rolling",
            float(last["rolling_resistance"]),
            float(last["rolling_resistance_sd"]),
            rolling,
            rolling,
            stem,
        )
    if "rolling_resistance_low95" in last:
        low, high = last["rolling_resistance_low95"], last["rolling_resistance_high95"]
        found["rolling_inside95"] = float(low <= rolling <= high)
        found["rolling_given_inside95"] = found["rolling_inside95"]
    area = float(row["drag_area_m2"])
    note("drag", float(last["drag_area_m2"]), float(last["drag_area_sd_m2"]), area, area)
    per_scale = float(last["mass_given_scale_kg"]) / float(last["mass_kg"])
    sd_given = float(last.get("drag_area_sd_given_scale_m2", last["drag_area_sd_m2"]))
    note("drag", float(last["drag_area_m2"]) * per_scale * scale, sd_given, area, area, "given_")
    found["right_ground"] = float(str(last["surface"]) == str(row["surface"]))
    return found


STRETCH_S = 60.0
"""Rolling resistance is judged as that of the stretch: a mean over this long. What the ground
varies by over tens of metres is in the estimator's disturbance, not in the coefficient."""


def stretch_rolling_resistance(truth: pd.DataFrame, at_s: float) -> float:
    """True rolling resistance of the stretch of ground that ends at an instant.

    Parameters
    ----------
    truth : DataFrame
        Of a simulated drive.
    at_s : float

    Returns
    -------
    float
        Mean over the last minute of driving on the ground of that instant, cold tyres included.
    """
    before = truth[truth["time_s"] <= at_s]
    same = before["surface"].astype(str) == str(before["surface"].iloc[-1])
    left = np.flatnonzero(~same.to_numpy())
    stretch = before.iloc[left[-1] + 1 if left.size else 0 :]
    moving = stretch[stretch["speed_m_s"] > 1.0]
    moving = moving[moving["time_s"] > moving["time_s"].max() - STRETCH_S]
    return float((moving if len(moving) else stretch)["rolling_resistance"].mean())


def _trailer(
    history: pd.DataFrame, last: pd.Series, at: int | None, rig: Rig
) -> tuple[float, float]:
    """Trailer mass and sd: the estimator's own at the end, else the plain difference."""
    summary = history.attrs.get("summary")
    if at is None and summary is not None and "trailer_mass_kg" in summary:
        belief = summary["trailer_mass_kg"]
        return float(belief["mean"]), float(belief["sd"])
    assert rig.vehicle.mass_sd_kg is not None
    mean = float(last["mass_kg"]) - rig.vehicle.mass_kg
    return mean, float(np.hypot(last["mass_sd_kg"], rig.vehicle.mass_sd_kg))


def up_to(trace: pd.DataFrame, at_s: float) -> pd.DataFrame:
    """The part of a trace that had been logged by ``at_s`` on its own clock."""
    count = int(np.searchsorted(trace["time_s"].to_numpy(), at_s, side="right"))
    return trace.iloc[:count].copy()


def at_checkpoints(
    made: Scenario,
    learners: dict[str, Learner],
    checkpoints_s: Sequence[float | None] = (600.0, None),
) -> list[dict[str, Any]]:
    """Judge learners on one drive at several instants, each from the log up to that instant.

    Parameters
    ----------
    made : Scenario
    learners : dict
        By name; all are handed the same prepared trace (short absences bridged, delays removed).
    checkpoints_s : sequence of float or None
        Seconds from the log's start; None is its end.

    Returns
    -------
    list of dict
        One row per learner and checkpoint.
    """
    log = made.drive.log
    rows = []
    for checkpoint in checkpoints_s:
        seen = log if checkpoint is None else up_to(log, float(log["time_s"].iloc[0]) + checkpoint)
        prepared = prepare(seen, made.rig)
        for name, learner in learners.items():
            rows.append(
                {
                    "estimator": name,
                    "checkpoint": "end" if checkpoint is None else f"{checkpoint / 60.0:g} min",
                    "seed": made.drive.meta["seed"],
                    "rig": made.drive.meta["rig_name"],
                    **judged(learner(prepared, made.rig), made),
                }
            )
    return rows


def rms(values: Any) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(np.asarray(values, dtype=float)))))


def bootstrap(
    values: Any,
    statistic: Callable[[Array], float] = rms,
    draws: int = 2000,
    seed: int = 1,
) -> tuple[float, float]:
    """95 % interval of a statistic over drives (percentile bootstrap, Efron 1979).

    Parameters
    ----------
    values : array_like, shape (n,)
        One value per drive.
    statistic : callable
    draws, seed : int

    Returns
    -------
    low, high : float
    """
    data = np.asarray(values, dtype=float)
    if data.size < 2:
        return float("nan"), float("nan")
    rng = np.random.default_rng(seed)
    picked = rng.integers(data.size, size=(draws, data.size))
    if statistic is rms:
        found = np.sqrt(np.mean(np.square(data)[picked], axis=1))
    else:
        found = np.array([statistic(data[one]) for one in picked])
    low, high = np.quantile(found, [0.025, 0.975])
    return float(low), float(high)


def interval_text(values: Any, statistic: Callable[[Array], float] = rms) -> str:
    """A statistic with its bootstrap interval, as text."""
    low, high = bootstrap(values, statistic)
    return f"{statistic(np.asarray(values, dtype=float)):.2f} [{low:.2f}, {high:.2f}]"


def honesty(rows: pd.DataFrame, quantity: str, given: bool) -> dict[str, float]:
    """Bias, rms z and coverage of one quantity over drives.

    Parameters
    ----------
    rows : DataFrame
        From :func:`judged`.
    quantity : str
        One of ``QUANTITIES``.
    given : bool
        Given the scale, or in all.

    Returns
    -------
    dict
        ``rms_percent``, ``bias_percent``, ``rms_z``, ``coverage95``.
    """
    stem = f"{quantity}_given_" if given else f"{quantity}_"
    error = rows[f"{stem}error_percent"].to_numpy(dtype=float)
    return {
        "rms_percent": rms(error),
        "bias_percent": float(np.mean(error)),
        "rms_z": rms(rows[f"{stem}z"]),
        "coverage95": 100.0 * float(rows[f"{stem}inside95"].mean()),
    }
