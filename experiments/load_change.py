"""The load changes at a standstill, or it does not: is that told apart, and how fast?

Question
    A trailer is left behind, hitched, filled, emptied or swapped; a tow vehicle drives on alone;
    or the halt is only a traffic light or a rest. How likely does the estimate think a change,
    after how many seconds of driving is the new mass within 3 %, how wrong is it at the end, and
    what does a plain EKF make of it?
Method
    Half-hour drives with one halt at 12-16 km. *Told* is the probability of a change one minute of
    driving after the halt (``p_load_changed``); *recovered* is the driving time from the halt
    until the mass given the scale stays within 3 % of the truth for good. The engine stays on or
    goes off with the logger (the log then has a gap), reversed or not, as drawn.
Expected answer
    Changes are told within a few minutes, lights are not taken for one; errors at the end as on
    drives without a halt. The plain EKF carries the old mass along.
Source
    None; the halts are invented.
"""

from __future__ import annotations

import sys
from typing import Any

import harness
import judging
import numpy as np
import pandas as pd
from situations import LIGHT_TOWING, lay_out

from loadlearn import LoadEstimator, load_change_roc, prepare
from loadlearn.simulation.road import Stop
from loadlearn.simulation.scenarios import Scenario
from loadlearn.study.baselines import BASELINES

# Kind of halt: (shares of the trailer's mass before and after, shortest and longest halt in s).
HALTS: dict[str, tuple[float, float, float, float]] = {
    "trailer left": (1.0, 0.0, 150.0, 420.0),
    "trailer hitched": (0.0, 1.0, 150.0, 420.0),
    "filled": (0.55, 1.0, 300.0, 900.0),
    "emptied": (1.0, 0.55, 300.0, 900.0),
    "light": (1.0, 1.0, 10.0, 60.0),
    "rest": (1.0, 1.0, 300.0, 900.0),
    "light, solo": (0.0, 0.0, 10.0, 60.0),
    "rest, solo": (0.0, 0.0, 300.0, 900.0),
}
TOW_KG = {"utility_boat": 2650.0, "wagon_survey_trailer": 2900.0}
TRAILER_KG = (2400.0, 3200.0)


def halted(halt: str, seed: int, quantile: float) -> Scenario:
    """A drive with one halt of a kind."""
    before, after, shortest, longest = HALTS[halt]
    rng = np.random.default_rng([seed, 6400])
    trailer = float(rng.uniform(*TRAILER_KG))
    rig = LIGHT_TOWING[int(rng.integers(len(LIGHT_TOWING)))]
    # The tow vehicle weighs what its owner wrote down, give or take.
    tow = float(TOW_KG[rig] + rng.normal(0.0, 100.0))
    parked = bool(rng.uniform() < 0.3) and halt not in ("light", "light, solo")
    area = float(rng.uniform(1.9, 2.6))
    stop = Stop(
        float(rng.uniform(12_000.0, 16_000.0)),
        float(rng.uniform(shortest, longest)),
        event="light" if halt.startswith("light") else "stop",
        engine_off=parked,
        logger_off=parked,
        reverse_first=before != after and bool(rng.uniform() < 0.5),
        new_mass_kg=None if before == after else tow + after * trailer,
        new_drag_area_m2=None if before == after else area * (0.6 if after == 0.0 else 1.0),
    )
    return lay_out(
        seed,
        quantile,
        (rig,),
        ("rolling", "highway", "flat"),
        stops=[stop],
        combined_mass_kg=tow + before * trailer,
        tow_mass_kg=tow,
        drag_area_m2=area * (0.6 if before == 0.0 else 1.0),
    )


def one_drive(halt: str, index: int, count: int) -> list[dict[str, Any]]:
    """Judge one drive by both estimators."""
    seed = 51_000 + index
    made = halted(halt, seed, (index + 0.5) / count)
    prepared = prepare(made.drive.log, made.rig)
    truth = made.drive.truth
    time, speed = truth["time_s"].to_numpy(), truth["speed_m_s"].to_numpy()
    standing = np.flatnonzero((speed < 0.1) & (truth["distance_m"].to_numpy() > 5000.0))
    halt_end = int(standing[-1]) + 1 if standing.size else len(time) - 1
    rows = []
    for name, run in (("loadlearn", LoadEstimator), ("plain EKF", BASELINES["plain_ekf"])):
        history = run(made.rig).run(prepared)
        driven = np.cumsum(np.diff(time, append=time[-1]) * (speed > 2.0))
        after = driven - driven[halt_end]
        minute = min(int(np.searchsorted(after, 60.0)), len(time) - 1)
        error = 100.0 * (
            history["mass_given_scale_kg"].to_numpy()
            * truth["tractive_scale"].to_numpy()
            / truth["mass_kg"].to_numpy()
            - 1.0
        )
        wrong = np.flatnonzero(np.abs(error) > 3.0)
        last_wrong = int(wrong[-1]) if wrong.size else 0
        column = history.get("p_load_changed")
        rows.append(
            {
                "halt": halt,
                "estimator": name,
                "seed": seed,
                "halt_end_s": float(time[halt_end]),
                "told_after_minute": float("nan") if column is None else float(column[minute]),
                "told_at_end": float("nan") if column is None else float(column.iloc[-1]),
                "recovered_s": max(0.0, float(after[last_wrong])),
                "not_recovered": float(last_wrong >= len(time) - 2),
                "before_error_percent": float(error[max(halt_end - 200, 0)]),
                **judging.judged(history, made),
            }
        )
    return rows


def summarise(rows: pd.DataFrame) -> pd.DataFrame:
    """One line per kind of halt and estimator."""
    table = []
    for (halt, estimator), here in rows.groupby(["halt", "estimator"], sort=False):
        honest = judging.honesty(here, "mass", given=True)
        low, high = judging.bootstrap(here["mass_given_error_percent"])
        table.append(
            {
                "halt": halt,
                "estimator": estimator,
                "n": len(here),
                "told_after_minute": here["told_after_minute"].mean(),
                "told_at_end": here["told_at_end"].mean(),
                "wrongly_told": float(
                    ((here["told_at_end"] > 0.5) != (HALTS[str(halt)][0] != HALTS[str(halt)][1]))
                    .where(here["told_at_end"].notna())
                    .mean()
                ),
                "recovered_median_s": here["recovered_s"].median(),
                "not_recovered": here["not_recovered"].mean(),
                "end_rms_percent": honest["rms_percent"],
                "low95": low,
                "high95": high,
                "end_rms_z": honest["rms_z"],
                "end_inside95": honest["coverage95"],
                "trailer_rms_z": judging.rms(here["trailer_z"]),
            }
        )
    return pd.DataFrame(table)


def draw(rows: pd.DataFrame) -> Any:
    """Errors at the end, each drive a dot; how well changes are told from mere halts."""
    picture, axes = harness.figure(1, 2, width=13.0, height=4.4)
    axis, kinds = axes[0, 0], [one for one in HALTS if one in set(rows["halt"])]
    for shift, (estimator, here) in zip(
        (-0.15, 0.15), rows.groupby("estimator", sort=False), strict=True
    ):
        place = np.array([kinds.index(one) for one in here["halt"]]) + shift
        axis.plot(place, here["mass_given_error_percent"], "o", ms=3, alpha=0.5, label=estimator)
    axis.set_xticks(range(len(kinds)), kinds, rotation=20, ha="right")
    axis.set_xlim(-0.6, len(kinds) - 0.4)
    harness.signed_log(axis, 2.0, float(rows["mass_given_error_percent"].abs().max()))
    axis.axhline(0.0, color="black", lw=0.6)
    axis.set(ylabel="mass error at the end, given the scale (%)")
    axis.legend()
    ours = rows[rows["estimator"] == "loadlearn"]
    changed = [HALTS[one][0] != HALTS[one][1] for one in ours["halt"]]
    for column, words, look in (
        ("told_after_minute", "after a minute", "-"),
        ("told_at_end", "at the end", "--"),
    ):
        curve = load_change_roc(changed, ours[column])
        axes[0, 1].plot(
            100.0 * curve.false_alarms,
            100.0 * curve.detected,
            look,
            marker=".",
            label=f"{words}, area {curve.area:.3f}",
        )
    axes[0, 1].plot([0, 100], [0, 100], "k--", lw=0.7)
    axes[0, 1].set(xlabel="halts told as a change (%)", ylabel="changes told (%)")
    axes[0, 1].legend(loc="lower right", title=f"{len(ours)} halts")
    return picture


def main() -> int:
    """Run, print and draw."""
    chosen = harness.options(__doc__, seeds=40, quick_seeds=3)
    kept = list(HALTS)[::4] if chosen.quick else list(HALTS)
    tasks = [(halt, index, chosen.seeds) for halt in kept for index in range(chosen.seeds)]
    rows = pd.DataFrame(harness.run(one_drive, tasks, chosen, label="drives"))
    harness.write(chosen, "load_change", summarise(rows), draw(rows), details=rows, digits=3)
    return 0


if __name__ == "__main__":
    sys.exit(main())
