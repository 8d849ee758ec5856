"""What cannot be learnt from towing: the scale of the force chain, unreported torque, extra fuel.

Question
    How far off, and how honest, is the mass when the force chain is 5 % uncertain; what do a solo
    stretch in the same log and ``calibrate`` on a drive of known mass take away; what do extra
    torque that the log does not show and fuel that makes no torque do?
Method
    30-minute drives, true scale stratified over the rig's law (sd 5 %, in the last rows 1.5 %).
    *Total* is the error of the mass itself, *given* the error with the true scale taken out.
    ``towing``: towing all along. ``solo first``: 12-16 km alone, then hitched. ``calibrated``: the
    rig's scale learnt from another drive, solo, of weighed mass (``calibrate``), then towing.
    ``unreported``: 40 % of the extra torque missing from the fuelling channel, share logged or not,
    extra in use. ``regeneration``: +12 % fuelling for 12 minutes, flagged or not, judged as it ends
    and at the end.
Expected answer
    Total error as large as the scale's spread when towing, smaller after a solo stretch (the tow
    vehicle's own 4 % or so bounds it), about 1-2 % when calibrated; the given-the-scale error below
    2 % everywhere but for unreported extra without the share.
Source
    None; the law of the scale is the rig file's. Extra fuel of 5-25 % in a regeneration is common
    practice, no source.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import harness
import judging
import numpy as np
import pandas as pd
import real_logs
from load_change import TOW_KG, TRAILER_KG
from situations import LIGHT_TOWING, TOWING, lay_out

from loadlearn import LoadEstimator, prepare
from loadlearn.estimation.calibration import calibrate, observe_drive
from loadlearn.simulation.road import Stop
from loadlearn.simulation.scenarios import Scenario, scenario
from loadlearn.simulation.sensors import Channel, Logger
from loadlearn.study.baselines import BASELINES
from loadlearn.vehicle.rig import Rig

WIDE_SD = 0.05
REGENERATION = (600.0, 720.0, 0.12)


def towing(seed: int, quantile: float) -> Scenario:
    """Towing all along."""
    return lay_out(seed, quantile, LIGHT_TOWING, scale_sd=WIDE_SD)


def solo_first(seed: int, quantile: float) -> Scenario:
    """Alone for the first part, then hitched."""
    rng = np.random.default_rng([seed, 6500])
    rig = LIGHT_TOWING[int(rng.integers(len(LIGHT_TOWING)))]
    tow = float(TOW_KG[rig] + rng.normal(0.0, 80.0))
    stop = Stop(
        float(rng.uniform(12_000.0, 16_000.0)),
        300.0,
        event="pick_up",
        reverse_first=True,
        new_mass_kg=tow + float(rng.uniform(*TRAILER_KG)),
        new_drag_area_m2=float(rng.uniform(1.9, 2.5)),
    )
    return lay_out(
        seed,
        quantile,
        (rig,),
        stops=[stop],
        scale_sd=WIDE_SD,
        combined_mass_kg=tow,
        tow_mass_kg=tow,
        drag_area_m2=float(rng.uniform(1.1, 1.5)),
    )


def unreported(with_share: bool) -> Callable[[int, float], Scenario]:
    """Extra torque in use, 40 % of it missing from the fuelling channel."""

    def made(seed: int, quantile: float) -> Scenario:
        share = Channel(resolution=0.01) if with_share else None
        return scenario(
            "unreported_extra",
            seed,
            quantile,
            logger=Logger.good_10hz().with_channels(extra_torque_share=share),
        )

    return made


def regeneration(flagged: bool) -> Callable[[int, float], Scenario]:
    """Twelve minutes of 12 % more fuel."""

    def made(seed: int, quantile: float) -> Scenario:
        flag = Channel(resolution=1.0, delay_s=2.0) if flagged else None
        return lay_out(
            seed,
            quantile,
            TOWING,
            logger=Logger.good_10hz().with_channels(regeneration_active=flag),
            regenerations=(REGENERATION,),
        )

    return made


SITUATIONS: dict[str, Callable[[int, float], Scenario]] = {
    "towing": towing,
    "solo first": solo_first,
    "calibrated": towing,
    "unreported, share logged": unreported(True),
    "unreported, share not logged": unreported(False),
    "regeneration, flagged": regeneration(True),
    "regeneration, unflagged": regeneration(False),
}


def calibrated_rig(made: Scenario, seed: int) -> Rig:
    """The rig after ``calibrate`` on a solo drive of weighed mass, with the same true scale."""
    quantile_scale = float(made.drive.truth["tractive_scale"].iloc[0])
    tow = float(made.drive.meta["tow_mass_kg"])
    solo = lay_out(
        seed + 500_000,
        0.5,
        (made.drive.meta["rig_name"],),
        scale_sd=WIDE_SD,
        combined_mass_kg=0.0,
        tow_mass_kg=tow,
        tractive_scale=quantile_scale,
    )
    return real_logs.calibrated_rig(
        made.rig, calibrate([observe_drive(solo.drive.log, made.rig, tow)], made.rig)
    )


def one_drive(situation: str, index: int, count: int) -> list[dict[str, Any]]:
    """Judge one drive by both estimators."""
    seed = 95_000 + index
    made = SITUATIONS[situation](seed, (index + 0.5) / count)
    rig = calibrated_rig(made, seed) if situation == "calibrated" else made.rig
    prepared = prepare(made.drive.log, rig)
    time = made.drive.log["time_s"].to_numpy()
    as_it_ends = int(np.searchsorted(time, sum(REGENERATION[:2]) - 10.0))
    checkpoints: dict[str, int | None] = {"end": None}
    if situation.startswith("regeneration"):
        checkpoints = {"as it ends": as_it_ends, "end": None}
    rows = []
    for name, run in (("loadlearn", LoadEstimator), ("plain EKF", BASELINES["plain_ekf"])):
        history = run(rig).run(prepared)
        rows += [
            {
                "situation": situation,
                "at": checkpoint,
                "estimator": name,
                "seed": seed,
                **judging.judged(history, made, at),
            }
            for checkpoint, at in checkpoints.items()
        ]
    return rows


def summarise(rows: pd.DataFrame) -> pd.DataFrame:
    """One line per situation, checkpoint and estimator."""
    table = []
    for (situation, at, estimator), here in rows.groupby(
        ["situation", "at", "estimator"], sort=False
    ):
        total = judging.honesty(here, "mass", given=False)
        given = judging.honesty(here, "mass", given=True)
        low, high = judging.bootstrap(here["mass_given_error_percent"])
        table.append(
            {
                "situation": situation,
                "at": at,
                "estimator": estimator,
                "n": len(here),
                "total_rms_percent": total["rms_percent"],
                "total_sd_percent": float((100.0 * here["sd_kg"] / here["estimated_kg"]).mean()),
                "total_rms_z": total["rms_z"],
                "total_inside95": total["coverage95"],
                "given_rms_percent": given["rms_percent"],
                "low95": low,
                "high95": high,
                "given_bias_percent": given["bias_percent"],
                "given_rms_z": given["rms_z"],
                "given_inside95": given["coverage95"],
            }
        )
    return pd.DataFrame(table)


def draw(rows: pd.DataFrame) -> Any:
    """Total error with its 95 % interval against the true scale, where the scale is wide."""
    wide = [
        name for name in ("towing", "solo first", "calibrated") if name in set(rows["situation"])
    ]
    picture, axes = harness.figure(1, max(len(wide), 1), width=11.0, height=3.6)
    for axis, name in zip(axes[0], wide, strict=False):
        most = 1.0
        for estimator, here in rows[rows["situation"] == name].groupby("estimator", sort=False):
            scale = 100.0 * (here["true_scale"] - 1.0) + (0.0 if estimator == "loadlearn" else 0.15)
            half = 100.0 * judging.NORMAL_95 * here["sd_kg"] / here["true_mass_kg"]
            most = max(most, float((here["mass_error_percent"].abs() + half).max()))
            mark = "o" if estimator == "loadlearn" else "s"
            axis.errorbar(
                scale, here["mass_error_percent"], half, fmt=mark, ms=3.5, lw=0.7, label=estimator
            )
        axis.axhline(0.0, color="black", lw=0.6)
        axis.set(xlabel="true scale − 1 (%)", ylabel="mass error in all (%)", title=name)
        harness.signed_log(axis, 10.0, most)
    axes[0, 0].legend(fontsize="small", title="with 95 % intervals", title_fontsize="small")
    return picture


def main() -> int:
    """Run, print and draw."""
    chosen = harness.options(__doc__, seeds=40, quick_seeds=3)
    kept = ["towing", "calibrated", "regeneration, unflagged"] if chosen.quick else list(SITUATIONS)
    tasks = [(one, index, chosen.seeds) for one in kept for index in range(chosen.seeds)]
    rows = pd.DataFrame(harness.run(one_drive, tasks, chosen, label="drives"))
    harness.write(chosen, "tractive_scale", summarise(rows), draw(rows), details=rows, digits=3)
    return 0


if __name__ == "__main__":
    sys.exit(main())
