"""What does a fleet cost: per log and core, in memory, and a million half-hour logs in all?

Question
    How many logs per second and core does ``loadlearn fleet`` judge with one and with two workers
    and with more logs; what share of the processor's time goes to anything but reading, preparing
    and filtering; does the memory of the process that hands out and merges grow with their number;
    and what would a million half-hour logs cost?
Method
    Logs at 10 Hz are simulated afresh. After a warm-up that compiles and starts the workers, the
    same logs are judged in this process (its processor time split by what was called), then by one
    and by two worker processes, in turn, as often as there are repetitions; medians. A core's
    second is one of processor time, since the machine may have more to do; beside it stands the
    share of the workers' time in which they had a log. The handing out and merging alone is run on
    made-up results, and its peak of allocated memory taken (``tracemalloc``) with few and with many
    logs of vehicles with twenty drives each.
Expected answer
    Per core as much with two workers as with one, and both always busy; a few percent for anything
    else; the same memory, whatever the number of logs, but for names of vehicles.
Source
    None; processor time is the operating system's.
"""

from __future__ import annotations

import csv
import os
import statistics
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any
from unittest import mock

import harness
import pandas as pd
from threadpoolctl import threadpool_limits

from loadlearn import Rig, estimation, runner
from loadlearn.fleet import fleet_run, one_drive
from loadlearn.fleet.fleet_run import run_fleet
from loadlearn.log import readers
from loadlearn.simulation.drive import simulate
from loadlearn.simulation.road import random_road
from loadlearn.simulation.sensors import Logger

RIG = Path(__file__).resolve().parents[1] / "synthetic_data" / "rigs" / "utility_boat.toml"
DRIVES_PER_VEHICLE = 20
LOGS_IN_ALL, HALF_HOUR_S = 1e6, 1800.0


def manifest_of(path: Path, logs: list[str]) -> Path:
    """A manifest of these logs, some per vehicle."""
    with open(path, "w", newline="") as file:
        table = csv.writer(file)
        table.writerow(("log", "rig", "vehicle"))
        for number, log in enumerate(logs):
            table.writerow((log, RIG, f"vehicle {number // DRIVES_PER_VEHICLE}"))
    return path


class Split:
    """Processor time by what was called; a call within a call counts once, for the inner."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._within: list[float] = []

    def timed(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """The function, its time noted under a name."""

        def call(*args: Any, **options: Any) -> Any:
            start = time.process_time()
            self._within.append(0.0)
            try:
                return function(*args, **options)
            finally:
                took = time.process_time() - start
                own = took - self._within.pop()
                self.seconds[name] = self.seconds.get(name, 0.0) + own
                if self._within:
                    self._within[-1] += took

        return call


def split_of(manifest: Path, out: Path) -> dict[str, float]:
    """Processor seconds of a run in this process, by what they went to."""
    split = Split()
    parts = (
        ("reading the log", readers, "read_log"),
        ("preparing (delays, noise, grade)", estimation, "prepare"),
        ("filtering", estimation.LoadEstimator, "run"),
        ("hashing the log", one_drive, "file_hash"),
        ("summary's row", one_drive, "drive_row"),
    )
    patches = [
        mock.patch.object(home, name, split.timed(what, getattr(home, name)))
        for what, home, name in parts
    ]
    start = time.process_time()
    for patch in patches:
        patch.start()
    try:
        with threadpool_limits(1):  # as workers have it
            run_fleet(manifest, out)
    finally:
        for patch in patches:
            patch.stop()
    total = time.process_time() - start
    rest = total - sum(split.seconds.values())
    return {**split.seconds, "handing out, keeping, merging": rest, "all": total}


def handing_out(folder: Path, row: dict[str, Any], count: int) -> tuple[float, float]:
    """Wall-clock time per log (s), and peak of allocated memory (MB), of all but the judging."""

    def judged(task: one_drive.DriveTask) -> one_drive.DriveOutcome:
        return one_drive.DriveOutcome("as it was", task.row.log_name, row=dict(row))

    manifest = manifest_of(folder / f"{count}.csv", [f"{number}.csv" for number in range(count)])
    with mock.patch.object(fleet_run, "judge_drive", judged):
        start = time.perf_counter()
        run_fleet(manifest, folder / f"timed-{count}")
        took = time.perf_counter() - start
        tracemalloc.start()
        with mock.patch("os.fsync", lambda number: None):
            run_fleet(manifest, folder / f"traced-{count}")
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    return took / count, peak / 1e6


def measured(notes: Path, task: one_drive.DriveTask) -> one_drive.DriveOutcome:
    """A drive judged, and what it took noted: process, wall-clock and processor seconds."""
    start, spent = time.perf_counter(), time.process_time()
    outcome = one_drive.judge_drive(task)
    took = (os.getpid(), time.perf_counter() - start, time.process_time() - spent)
    with open(notes, "a") as file:
        file.write(" ".join(map(str, took)) + "\n")
    return outcome


def in_workers(manifest: Path, out: Path, jobs: int) -> tuple[float, float, int]:
    """A run whose logs are judged by worker processes, be it one.

    Returns logs per second and core, the share of their time in which workers had a log, and how
    many workers took part.
    """
    notes = out.with_suffix(".txt")

    def run(function: Any, tasks: Any, **options: Any) -> Any:
        return runner._on_this_machine(function, tasks, jobs)

    with (
        mock.patch.object(fleet_run, "run_tasks", run),
        mock.patch.object(fleet_run, "judge_drive", partial(measured, notes)),
    ):
        start = time.perf_counter()
        run_fleet(manifest, out)
        elapsed = time.perf_counter() - start
    took = pd.read_csv(notes, sep=" ", names=["process", "wall_s", "processor_s"])
    busy = took["wall_s"].sum() / (jobs * elapsed)
    return len(took) / took["processor_s"].sum(), busy, took["process"].nunique()


def main() -> int:
    """Simulate logs, judge them each way, print what it costs."""
    chosen = harness.options(__doc__, seeds=3, quick_seeds=1)
    duration_s = 300.0 if chosen.quick else HALF_HOUR_S
    counts = (4, 8) if chosen.quick else (12, 24)
    few, many = (50, 250) if chosen.quick else (1500, 6000)
    table: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for number in range(counts[1] + 4):
            drive = simulate(
                Rig.from_toml(RIG),
                random_road(number, 80_000.0),
                seed=number,
                combined_mass_kg=4800.0 + 50.0 * number,
                duration_s=duration_s,
                logger=Logger.good_10hz(),
            )
            drive.log.to_csv(folder / f"{number}.csv", index=False)
        warm = manifest_of(
            folder / "warm.csv", [f"{counts[1] + number}.csv" for number in range(4)]
        )
        run_fleet(warm, folder / "warm-0")
        logs = [f"{number}.csv" for number in range(counts[1])]
        manifests = {n: manifest_of(folder / f"first-{n}.csv", logs[:n]) for n in counts}

        splits = [
            split_of(manifests[counts[1]], folder / f"split-{again}")
            for again in range(chosen.seeds)
        ]
        processor_s = statistics.median(one["all"] for one in splits) / counts[1]
        for what in splits[0]:
            share = statistics.median(100.0 * one[what] / one["all"] for one in splits)
            table.append({"what": f"processor time: {what}", "value": share, "unit": "%"})
        told = ("reading the log", "preparing (delays, noise, grade)", "filtering", "all")
        lost = statistics.median(
            100.0 * sum(spent for what, spent in one.items() if what not in told) / one["all"]
            for one in splits
        )
        table.append({"what": "lost to anything else", "value": lost, "unit": "%"})

        for jobs in (1, 2):
            for count in counts:
                runs = []
                for again in range(chosen.seeds):
                    out = folder / f"run-{jobs}-{count}-{again}"
                    for attempt in range(6):  # until all workers are there and have what they need
                        warmed = in_workers(warm, folder / f"{out.name}-warm-{attempt}", jobs)
                        if warmed[2] == jobs:
                            break
                    runs.append(in_workers(manifests[count], out, jobs))
                what = f"{jobs} worker{'s' if jobs > 1 else ''}, {count} logs"
                for place, name, unit in ((0, "", "logs/(s core)"), (1, ": busy", "")):
                    value = statistics.median(one[place] for one in runs)
                    table.append({"what": what + name, "value": value, "unit": unit})
        row = pd.read_parquet(folder / "warm-0" / "dataset").iloc[0].to_dict()
        made = {key: one_drive.plain(value) for key, value in row.items() if key != "start"}
        handing_out(folder, made, 10)
        for count in (few, many):
            took, peak = handing_out(folder, made, count)
            table.append(
                {"what": f"handing out alone, {count} logs", "value": 1e3 * took, "unit": "ms/log"}
            )
            table.append({"what": f"its memory, {count} logs", "value": peak, "unit": "MB"})
    hours = LOGS_IN_ALL * processor_s / 3600.0 * (HALF_HOUR_S / duration_s)
    table += [
        {
            "what": f"processor time per log of {duration_s:.0f} s",
            "value": processor_s,
            "unit": "s",
        },
        {"what": "a million half-hour logs at 10 Hz", "value": hours, "unit": "core-hours"},
        {"what": "load of the machine meanwhile", "value": os.getloadavg()[1], "unit": ""},
    ]
    harness.write(chosen, "benchmark_fleet", pd.DataFrame(table)[["what", "value", "unit"]])
    return 0


if __name__ == "__main__":
    sys.exit(main())
