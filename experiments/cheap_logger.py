"""What does a cheap logger cost? One property of the log taken away at a time, then all together.

Question
    How do rate, quantisation of speed, a late fuelling channel, polling, missing gear and brake
    switch, and the source of the grade change the error of the mass and the honesty of its
    interval? Does the bias that noise in a regressor brings (least squares: minus several per
    cent) stay away?
Method
    The same 30-minute drives (rig, load, road, weather and driver by the seed) logged in different
    ways: a good 10 Hz logger, the same with one property spoilt, and whole cheap loggers. Judged
    at the end, given the scale; recursive least squares on 1-s intervals beside it shows the bias.
Expected answer
    Rate and quantisation cost little by themselves; grade from noisy altitude costs most; the
    all-cheap log is within 1.3 % rms at the end; z near one and no bias anywhere.
Source
    The cheap logger follows common OBD practice (once a second, whole km/h, channels in turn): no
    source.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import harness
import judging
import pandas as pd

from loadlearn import LoadEstimator, prepare
from loadlearn.simulation.scenarios import scenario
from loadlearn.simulation.sensors import AltitudeSensor, Channel, GradeSensor, Logger
from loadlearn.study.baselines import BASELINES


def _good(**changes: Any) -> Logger:
    return replace(Logger.good_10hz(), **changes)


def _channel(**channels: Channel | None) -> Logger:
    return Logger.good_10hz().with_channels(**channels)


WHOLE_KMH = Channel(resolution=1.0 / 3.6, rounding="truncate")
FUEL = Logger.good_10hz().channels["fuel_rate_g_s"]
LOGGERS: dict[str, Callable[[], Logger]] = {
    "good, 10 Hz": Logger.good_10hz,
    "50 Hz": lambda: Logger.good_10hz(rate_hz=50.0),
    "2 Hz": lambda: Logger.good_10hz(rate_hz=2.0),
    "1 Hz": lambda: Logger.good_10hz(rate_hz=1.0),
    "whole km/h, truncated": lambda: _channel(speed_m_s=WHOLE_KMH),
    "whole km/h, rounded": lambda: _channel(speed_m_s=replace(WHOLE_KMH, rounding="round")),
    "fuelling 0.5 s late": lambda: _channel(fuel_rate_g_s=replace(FUEL, delay_s=0.5)),
    "fuelling 0.2 s late": lambda: _channel(fuel_rate_g_s=replace(FUEL, delay_s=0.2)),
    "no gear": lambda: _channel(gear=None),
    "no engine speed, no gear": lambda: _channel(gear=None, engine_speed_rpm=None),
    "no brake switch": lambda: _channel(brake_active=None),
    "jitter 30 ms, drop-outs 2 %": lambda: _good(jitter_s=0.03, row_dropout_probability=0.02),
    "grade, sd 0.4 %": lambda: _good(grade=GradeSensor(0.4, 60.0)),
    "grade 40 m late": lambda: _good(grade=GradeSensor(0.15, 80.0, lag_m=40.0)),
    "altitude": lambda: Logger.good_10hz("altitude"),
    "altitude 40 m late": lambda: replace(
        Logger.good_10hz("altitude"), altitude=AltitudeSensor(0.4, 1.5, lag_m=40.0)
    ),
    "accelerometer": lambda: Logger.good_10hz("accelerometer"),
    "cheap, grade": lambda: Logger.obd_1hz("grade"),
    "cheap, altitude": lambda: Logger.obd_1hz("altitude"),
    "cheap, altitude, polled": lambda: Logger.obd_1hz("altitude", polled=True),
    "cheap, altitude, rounded": lambda: Logger.obd_1hz("altitude", rounding="round"),
}
QUICK = ("good, 10 Hz", "1 Hz", "cheap, altitude")


def one_drive(logger: str, index: int, count: int) -> list[dict[str, Any]]:
    """Judge one logger on one drive."""
    seed = 61_000 + index
    made = scenario("good_10hz", seed, (index + 0.5) / count, logger=LOGGERS[logger]())
    prepared = prepare(made.drive.log, made.rig)
    least = BASELINES["rls_one_factor"](made.rig, interval_s=1.0, memory_s=1e9)
    delays = prepared.attrs.get("delays_s", {})
    return [
        {
            "logger": logger,
            "estimator": name,
            "seed": seed,
            "rig": made.drive.meta["rig_name"],
            "force_delay_s": float(delays.get("force", float("nan"))),
            "height_delay_s": float(delays.get("height", float("nan"))),
            **judging.judged(history, made),
        }
        for name, history in (
            ("loadlearn", LoadEstimator(made.rig).run(prepared)),
            ("least squares", least.run(prepared)),
        )
    ]


def summarise(rows: pd.DataFrame) -> pd.DataFrame:
    """One line per logger."""
    table = []
    for logger, here in rows.groupby("logger", sort=False):
        mine = here[here["estimator"] == "loadlearn"]
        peer = here[here["estimator"] == "least squares"]
        low, high = judging.bootstrap(mine["mass_given_error_percent"])
        given = judging.honesty(mine, "mass", given=True)
        total = judging.honesty(mine, "mass", given=False)
        table.append(
            {
                "logger": logger,
                "n": len(mine),
                "rms_percent": given["rms_percent"],
                "low95": low,
                "high95": high,
                "bias_percent": given["bias_percent"],
                "rms_z_given": given["rms_z"],
                "inside95_given": given["coverage95"],
                "rms_z": total["rms_z"],
                "rolling_z": judging.rms(mine["rolling_z"]),
                "drag_z": judging.rms(mine["drag_z"]),
                "force_delay_s": mine["force_delay_s"].mean(),
                "least_squares_rms_percent": judging.rms(peer["mass_given_error_percent"]),
                "least_squares_bias_percent": peer["mass_given_error_percent"].mean(),
            }
        )
    return pd.DataFrame(table)


def draw(table: pd.DataFrame) -> Any:
    """Rms error and bias per logger."""
    picture, axes = harness.figure(1, 1, height=5.0)
    axis = axes[0, 0]
    place = range(len(table))[::-1]
    spread = [table["rms_percent"] - table["low95"], table["high95"] - table["rms_percent"]]
    axis.errorbar(table["rms_percent"], place, xerr=spread, fmt="o", label="rms, 95 % interval")
    axis.plot(table["bias_percent"], place, "k|", ms=10, label="bias")
    axis.plot(
        table["least_squares_bias_percent"],
        place,
        "x",
        color=harness.COLOURS[1],
        label="bias, least squares",
    )
    axis.axvline(0.0, color="black", lw=0.6)
    axis.set_yticks(list(place), table["logger"])
    axis.set(xlabel="mass error at the end, given the scale (%)")
    axis.grid(axis="x", alpha=0.3)
    axis.legend(fontsize="small")
    return picture


def main() -> int:
    """Run, print and draw."""
    chosen = harness.options(__doc__, seeds=30, quick_seeds=1)
    kept = QUICK if chosen.quick else tuple(LOGGERS)
    tasks = [(logger, index, chosen.seeds) for logger in kept for index in range(chosen.seeds)]
    rows = pd.DataFrame(harness.run(one_drive, tasks, chosen, label="drives"))
    table = summarise(rows)
    harness.write(chosen, "cheap_logger", table, draw(table), details=rows, digits=3)
    return 0


if __name__ == "__main__":
    sys.exit(main())
