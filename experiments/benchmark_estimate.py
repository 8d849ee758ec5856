"""How long does the whole job take, against merely reading and writing the same tables?

Question
    What does ``loadlearn estimate --no-figure`` cost on a 30-minute log at 100 Hz, compared with
    ``pandas.read_csv`` of the log plus ``DataFrame.to_csv`` of the full-rate estimates?
Method
    One process, one warm-up call (it compiles), then repetitions that alternate between the two;
    the medians are compared. The parts of the job are timed in a run of their own.
Expected answer
    At most 0.3.
Source
    None; the yardstick is what every analyst pays in any case.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import harness
import pandas as pd

from loadlearn import Rig
from loadlearn.commands.estimate import run_estimate
from loadlearn.simulation.drive import simulate
from loadlearn.simulation.road import random_road
from loadlearn.simulation.sensors import Logger

RIG = Path(__file__).resolve().parents[1] / "synthetic_data" / "rigs" / "utility_boat.toml"


def timed(work: Callable[[], object]) -> float:
    """Wall-clock time of one call (s)."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> int:
    """Simulate a log, time both, print the ratio."""
    chosen = harness.options(__doc__, seeds=5, quick_seeds=1)
    duration_s = 300.0 if chosen.quick else 1800.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        drive = simulate(
            Rig.from_toml(RIG),
            random_road(9, 80_000.0),
            seed=9,
            combined_mass_kg=5200.0,
            duration_s=duration_s,
            logger=Logger.good_10hz(rate_hz=100.0),
        )
        log = folder / "drive.csv"
        drive.log.to_csv(log, index=False)
        stages: list[tuple[str, float]] = []

        def job() -> None:
            run_estimate(log, RIG, folder / "out", figure=False, force=True)

        def yardstick() -> None:
            pd.read_csv(log)
            estimates.to_csv(folder / "estimates.csv", index=False)

        job()
        estimates = pd.read_parquet(folder / "out" / "estimates.parquet")
        ours, theirs = [], []
        for _ in range(chosen.seeds):
            ours.append(timed(job))
            theirs.append(timed(yardstick))
        run_estimate(
            log,
            RIG,
            folder / "out",
            figure=False,
            force=True,
            on_stage=lambda stage: stages.append((stage, time.perf_counter())),
        )
        stages.append(("end", time.perf_counter()))
    rows = [
        {"what": "estimate --no-figure", "seconds": statistics.median(ours)},
        {"what": "read_csv + to_csv", "seconds": statistics.median(theirs)},
        {"what": "ratio", "seconds": statistics.median(ours) / statistics.median(theirs)},
    ]
    rows += [
        {"what": f"of which {stage}", "seconds": after - start}
        for (stage, start), (_, after) in zip(stages, stages[1:], strict=False)
    ]
    harness.write(chosen, "benchmark_estimate", pd.DataFrame(rows))
    return 0


if __name__ == "__main__":
    sys.exit(main())
