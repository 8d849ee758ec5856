"""How wrong is the mass, row by row of what the estimator must show, and is it honest about it?

Question
    On drives of a simulator richer than the filter's model: what is the rms error of the mass
    *given the scale* after 10 minutes and at the end, per situation; are bias, z and coverage as
    they should be for mass, trailer, rolling resistance and drag area; what does a plain
    augmented-state EKF get from the same logs?
Method
    30-minute drives of ``loadlearn.simulation.scenarios``, true tractive scale stratified over the
    law that the rig states (sd 1.5 %, in one row 5 %), initial belief half-way from solo mass to
    GCM. Each checkpoint is judged from the log up to it only, preparation included; both estimators
    get the same prepared log. Intervals are percentile bootstrap over drives. A target is missed
    when it lies below the interval of the result.
Expected answer
    The targets in the table; rms z 0.8-1.25 and coverage 92-98 % everywhere; bias below a third of
    the rms. The plain EKF is several times too sure, and fails on sand, after unhitching and in a
    regeneration.
Source
    The targets are the project's own; published results are quoted in the README.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import harness
import judging
import numpy as np
import pandas as pd

from loadlearn.study.peer_ekf import PlainEkf

# Row: (scenario, target at 10 min, target at the end), per cent.
ROWS: dict[str, tuple[str, float, float]] = {
    "10 Hz utility": ("utility_10hz", 0.8, 0.6),
    "10 Hz truck": ("truck_10hz", 0.8, 0.6),
    "10 Hz wagon": ("wagon_10hz", 0.8, 0.6),
    "10 Hz solo": ("solo_10hz", 0.8, 0.6),
    "wind 4 m/s": ("steady_wind", 1.1, 0.8),
    "scale sd 5 %": ("wide_scale", 0.9, 0.8),
    "1 Hz altitude": ("obd_1hz_altitude", 2.6, 1.3),
    "1 Hz grade": ("obd_1hz_grade", 2.6, 1.3),
    "sand 60-100 km/h": ("sealed_to_sand_fast", 1.0, 1.3),
    "sand 20-30 km/h": ("sealed_to_sand_slow", 1.0, 1.3),
    "gravel": ("sealed_to_gravel", 1.1, 1.1),
    "trailer left": ("trailer_left", 0.8, 1.3),
    "regeneration": ("unflagged_regeneration", 2.0, 2.0),
    "unreported extra": ("unreported_extra", 2.0, 2.0),
}
POOLED_10HZ = ("10 Hz utility", "10 Hz truck", "10 Hz wagon", "10 Hz solo")


def plain_ekf(prepared: pd.DataFrame, rig: Any) -> pd.DataFrame:
    """The plain EKF at its defaults."""
    return PlainEkf(rig).run(prepared)


def one_drive(row: str, index: int, count: int, first_seed: int) -> list[dict[str, Any]]:
    """Judge one drive of one row at both checkpoints, by both estimators."""
    made = judging.stratified(ROWS[row][0], index, count, first_seed)
    found = judging.at_checkpoints(made, {"loadlearn": judging.ours, "plain EKF": plain_ekf})
    return [{"row": row, **one} for one in found]


def summarise(rows: pd.DataFrame) -> pd.DataFrame:
    """Rms error given the scale with its interval, target and verdict, both estimators."""
    table = []
    groups = {row: ((row,), early, late) for row, (_, early, late) in ROWS.items()}
    _, early, late = ROWS[POOLED_10HZ[0]]
    groups["10 Hz, all four"] = (POOLED_10HZ, early, late)
    for row, (members, early, late) in groups.items():
        for checkpoint, target in (("10 min", early), ("end", late)):
            here = rows[rows["row"].isin(members) & (rows["checkpoint"] == checkpoint)]
            mine = here[here["estimator"] == "loadlearn"]
            peer = here[here["estimator"] == "plain EKF"]
            if mine.empty:
                continue
            error = mine["mass_given_error_percent"]
            low, high = judging.bootstrap(error)
            bias = float(error.mean())
            table.append(
                {
                    "drives": row,
                    "n": len(mine),
                    "at": checkpoint,
                    "rms_percent": judging.rms(error),
                    "low95": low,
                    "high95": high,
                    "target": target,
                    "verdict": "met"
                    if judging.rms(error) <= target
                    else "not shown missed"
                    if low <= target
                    else "missed",
                    "worst_percent": float(np.abs(error).max()),
                    "bias_percent": bias,
                    "bias_over_rms": abs(bias) / judging.rms(error),
                    "EKF_rms_percent": judging.rms(peer["mass_given_error_percent"]),
                    "EKF_rms_z_given": judging.rms(peer["mass_given_z"]),
                    "EKF_rms_z": judging.rms(peer["mass_z"]),
                }
            )
    return pd.DataFrame(table)


def honesty_table(rows: pd.DataFrame) -> pd.DataFrame:
    """Rms z and 95 % coverage of each quantity, in all and given the scale, per row and pooled."""
    mine = rows[rows["estimator"] == "loadlearn"]
    groups = {row: mine[mine["row"] == row] for row in ROWS if (mine["row"] == row).any()}
    groups["pooled"] = mine
    table = []
    for row, group in groups.items():
        for checkpoint in ("10 min", "end"):
            here = group[group["checkpoint"] == checkpoint]
            line: dict[str, Any] = {"drives": row, "n": len(here), "at": checkpoint}
            for quantity in judging.QUANTITIES:
                for given in (False, True):
                    if quantity == "rolling" and given:
                        continue
                    found = judging.honesty(here, quantity, given)
                    stem = f"{quantity} given" if given else quantity
                    line[f"{stem} z"] = round(found["rms_z"], 2)
                    line[f"{stem} 95"] = round(found["coverage95"])
            table.append(line)
    return pd.DataFrame(table)


def draw(table: pd.DataFrame) -> Any:
    """Rms errors with intervals against targets, both checkpoints, logarithmic."""
    from matplotlib.ticker import LogLocator, NullFormatter, StrMethodFormatter

    picture, axes = harness.figure(1, 2, width=11.0, height=5.0)
    for axis, checkpoint in zip(axes[0], ("10 min", "end"), strict=True):
        here = table[table["at"] == checkpoint]
        place = np.arange(len(here))[::-1]
        axis.errorbar(
            here["rms_percent"],
            place,
            xerr=[here["rms_percent"] - here["low95"], here["high95"] - here["rms_percent"]],
            fmt="o",
            label="loadlearn, 95 % interval",
        )
        axis.plot(here["target"], place, "k|", ms=14, label="target")
        axis.plot(here["EKF_rms_percent"], place, "x", color=harness.COLOURS[1], label="plain EKF")
        axis.set(xscale="log", xlabel="rms mass error given the scale (%)", title=checkpoint)
        axis.set_yticks(place, here["drives"])
        axis.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axis.xaxis.set_major_formatter(StrMethodFormatter("{x:g}"))
        axis.xaxis.set_minor_formatter(NullFormatter())
    axes[0, 0].legend(fontsize="small")
    return picture


def main() -> int:
    """Run, print and draw."""
    made = harness.parser(__doc__, seeds=100, quick_seeds=1)
    made.add_argument("--rows", nargs="+", choices=list(ROWS), default=list(ROWS), metavar="ROW")
    made.add_argument("--first-seed", type=int, default=20_000, help="seed of the first drive")
    chosen = harness.parse(made)
    kept = chosen.rows[::5] if chosen.quick else chosen.rows
    number = {row: place for place, row in enumerate(ROWS)}
    tasks = [
        (row, index, chosen.seeds, chosen.first_seed + 1000 * number[row])
        for row in kept
        for index in range(chosen.seeds)
    ]
    rows = pd.DataFrame(harness.run(one_drive, tasks, chosen, label="drives"))
    table, honest = summarise(rows), honesty_table(rows)
    harness.write(chosen, "target_table", table, draw(table), details=rows, digits=3)
    print()
    honest.to_csv(Path(chosen.out) / "target_honesty.csv", index=False)
    text = harness.markdown(honest)
    (Path(chosen.out) / "target_honesty.md").write_text(text + "\n", encoding="utf-8")
    print(text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
