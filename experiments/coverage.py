"""Do the intervals hold the truth as often as they say, always, from whatever belief one starts?

Question
    Over many drives of several rigs: how often does the 95 % (and the 50 %) interval of combined
    mass, trailer mass, rolling resistance and drag area hold the truth, in all and given the scale,
    after 2, 5, 10, 20 minutes and at the end, from the default belief and from wrong ones?
Method
    30-minute drives of the good logger and of the cheap ones; the tractive scale is stratified over
    its law, everything else drawn. Each checkpoint is judged from the log up to it only,
    preparation included. Beliefs: the default; 40 % too low and 40 % too high, each with an sd of a
    quarter of itself; and confidently wrong (25 % off with an sd of 8 %). Intervals of a coverage
    are Wilson's.
Expected answer
    Rms z 0.8-1.25 and coverage 92-98 % in every row.
Source
    Consistency of filters: Bar-Shalom, Li & Kirubarajan, *Estimation with Applications to Tracking
    and Navigation*, 2001 (from memory); Wilson, *J. Am. Stat. Assoc.* 22, 1927.
"""

from __future__ import annotations

if __name__ == "coverage":
    # A script's folder comes first on the path: who imports the package of that name (numba does,
    # where it is installed) is to go on without it.
    raise ImportError("experiments/coverage.py is a script, not the package 'coverage'")

import sys
from typing import Any

import harness
import judging
import pandas as pd

from loadlearn import LoadEstimator, coverage, prepare
from loadlearn.figures.draw_validation import draw_coverage

CHECKPOINTS_S: tuple[float | None, ...] = (120.0, 300.0, 600.0, 1200.0, None)
SITUATIONS = ("good_10hz", "obd_1hz_altitude", "obd_1hz_grade", "wide_scale")
# Belief about the combined mass: share of the truth and its sd as a share of the belief.
BELIEFS: dict[str, tuple[float, float] | None] = {
    "default": None,
    "40 % too low": (0.6, 0.25),
    "40 % too high": (1.4, 0.25),
    "confidently 25 % too high": (1.25, 0.08),
    "confidently 25 % too low": (0.75, 0.08),
}
NORMAL_50 = 0.6744897501960817


def one_drive(situation: str, index: int, count: int, quick: bool) -> list[dict[str, Any]]:
    """Judge one drive at all checkpoints from all beliefs."""
    made = judging.stratified(situation, index, count, 71_000)
    log = made.drive.log
    start = float(log["time_s"].iloc[0])
    rows = []
    for checkpoint in CHECKPOINTS_S[1::3] if quick else CHECKPOINTS_S:
        seen = log if checkpoint is None else judging.up_to(log, start + checkpoint)
        prepared = prepare(seen, made.rig)
        for belief, wrong in BELIEFS.items():
            # The wrong beliefs are judged at two checkpoints only: they fade.
            if wrong is not None and checkpoint not in (300.0, None):
                continue
            estimator = LoadEstimator(made.rig)
            if wrong is not None:
                mass = wrong[0] * float(made.drive.truth["mass_kg"].iloc[0])
                estimator = LoadEstimator(made.rig, mass, wrong[1] * mass)
            rows.append(
                {
                    "situation": situation,
                    "belief": belief,
                    "checkpoint": "end" if checkpoint is None else f"{checkpoint / 60.0:g} min",
                    "seed": 71_000 + index,
                    "rig": made.drive.meta["rig_name"],
                    **judging.judged(estimator.run(prepared), made),
                }
            )
    return rows


def summarise(rows: pd.DataFrame) -> pd.DataFrame:
    """One line per belief, checkpoint, quantity and kind of interval, pooled over situations."""
    table = []
    for (belief, checkpoint), here in rows.groupby(["belief", "checkpoint"], sort=False):
        for quantity in judging.QUANTITIES:
            for given in (False, True):
                if given and quantity == "rolling":
                    continue
                found = judging.honesty(here, quantity, given)
                stem = f"{quantity}_given_" if given else f"{quantity}_"
                held = coverage(here[f"{stem}inside95"])
                z = here[f"{stem}z"].abs()
                table.append(
                    {
                        "belief": belief,
                        "at": checkpoint,
                        "quantity": quantity,
                        "interval": "given the scale" if given else "total",
                        "n": len(here),
                        "rms_percent": found["rms_percent"],
                        "bias_percent": found["bias_percent"],
                        "rms_z": found["rms_z"],
                        "inside95": found["coverage95"],
                        "low95": 100.0 * held.low95,
                        "high95": 100.0 * held.high95,
                        "inside50": 100.0 * float((z <= NORMAL_50).mean()),
                    }
                )
    return pd.DataFrame(table)


def draw(rows: pd.DataFrame) -> Any:
    """Share of drives whose interval holds the truth against the share it promises."""
    picture, axes = harness.figure(1, 2, width=10.0, height=4.5)
    default = rows[(rows["belief"] == "default") & (rows["checkpoint"] == "end")]
    for axis, stem, title in (
        (axes[0, 0], "", "in all"),
        (axes[0, 1], "given_", "given the scale"),
    ):
        z = {quantity: default[f"{quantity}_{stem}z"].to_numpy() for quantity in judging.QUANTITIES}
        draw_coverage(axis, z)
        axis.set_title(f"Default belief, at the end, {title}", fontsize=10, loc="left")
    return picture


def main() -> int:
    """Run, print and draw."""
    chosen = harness.options(__doc__, seeds=100, quick_seeds=6)
    kept = SITUATIONS[:1] if chosen.quick else SITUATIONS
    tasks = [
        (situation, index, chosen.seeds, chosen.quick)
        for situation in kept
        for index in range(chosen.seeds)
    ]
    rows = pd.DataFrame(harness.run(one_drive, tasks, chosen, label="drives"))
    harness.write(chosen, "coverage", summarise(rows), draw(rows), details=rows, digits=3)
    return 0


if __name__ == "__main__":
    sys.exit(main())
