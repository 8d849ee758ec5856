"""What does one log cost, from the file to the summary, against merely reading and writing it?

Question
    What does ``loadlearn estimate --no-figure`` cost for 30 minutes at 10 and at 100 Hz and for
    10 hours at 100 Hz, and where does it go: reading, preparing, filtering, the files?
Method
    Each log in a process of its own, after a warm-up on a short one (which compiles). Seconds are
    processor time of all threads, medians over ``--seeds`` repetitions that alternate between the
    job and the yardstick: ``pandas.read_csv`` of the log and ``DataFrame.to_csv`` of the estimates
    that the job writes as CSV. Memory is the peak above what the process held after the warm-up
    (``VmHWM``, Linux), over rows x columns x 8 bytes of the log. The 10 hours are the half hour
    twenty times, its clock going on.
Expected answer
    At most 0.25 times the yardstick of full-rate estimates; at most 3 times the log's own bytes;
    linear in the rows; preparing at most twice the filter.
Source
    None; the yardstick is what every analyst pays in any case.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import harness
import pandas as pd

from loadlearn import Rig
from loadlearn.commands.estimate import run_estimate
from loadlearn.simulation.drive import simulate
from loadlearn.simulation.road import random_road
from loadlearn.simulation.sensors import Logger

RIG = Path(__file__).resolve().parents[1] / "synthetic_data" / "rigs" / "utility_boat.toml"
HALF_HOUR_S = 1800.0


def processor_s(work: Callable[[], object]) -> float:
    """Processor time of one call, of all its threads (s)."""
    start = time.process_time()
    work()
    return time.process_time() - start


def held_kb(what: str) -> float:
    """Memory of this process (kB): ``VmRSS`` now or ``VmHWM`` at most; NaN where not told."""
    try:
        status = Path("/proc/self/status").read_text()
    except OSError:
        return float("nan")
    return float(next(line.split()[1] for line in status.splitlines() if line.startswith(what)))


def forget_peak() -> None:
    """Begin the peak anew, where the system lets one."""
    try:
        Path("/proc/self/clear_refs").write_text("5")
    except OSError:
        return


def written(folder: Path, rate_hz: float, copies: int, duration_s: float) -> Path:
    """A simulated log as CSV, ``copies`` times over with the clock going on."""
    drive = simulate(
        Rig.from_toml(RIG),
        random_road(9, 80_000.0),
        seed=9,
        combined_mass_kg=5200.0,
        duration_s=duration_s,
        logger=Logger.good_10hz(rate_hz=rate_hz),
    )
    log = folder / f"{rate_hz:.0f}hz_{copies}.csv"
    for copy in range(copies):
        later = drive.log.assign(time_s=drive.log["time_s"] + copy * (duration_s + 1.0))
        later.to_csv(log, index=False, header=copy == 0, mode="a")
    return log


def measured(log: Path, short: Path, repetitions: int) -> dict[str, float]:
    """The job's cost on one log, in this process."""
    with tempfile.TemporaryDirectory() as name:
        out = Path(name) / "out"
        run_estimate(short, RIG, out, figure=False, force=True)
        table = pd.read_csv(log)
        rows, columns = table.shape
        del table
        before_kb = held_kb("VmRSS")
        forget_peak()
        stages: list[tuple[str, float]] = []

        def job(force: bool = True) -> None:
            stages.clear()
            run_estimate(
                log,
                RIG,
                out,
                figure=False,
                force=force,
                on_stage=lambda stage: stages.append((stage, time.process_time())),
            )
            stages.append(("end", time.process_time()))

        ours, theirs, split = [], [], []
        ours.append(processor_s(job))
        peak_kb = held_kb("VmHWM")
        split.append(list(stages))
        estimates = pd.read_parquet(out / "estimates.parquet")
        thinned = pd.read_csv(out / "estimates.csv", low_memory=False)

        def yardstick(frame: pd.DataFrame) -> Callable[[], None]:
            def work() -> None:
                pd.read_csv(log)
                frame.to_csv(Path(name) / "estimates.csv", index=False)

            return work

        full = [processor_s(yardstick(estimates))]
        theirs.append(processor_s(yardstick(thinned)))
        for _ in range(repetitions - 1):
            ours.append(processor_s(job))
            split.append(list(stages))
            full.append(processor_s(yardstick(estimates)))
            theirs.append(processor_s(yardstick(thinned)))
        parts = {
            stage: statistics.median(one[place + 1][1] - one[place][1] for one in split)
            for place, (stage, _) in enumerate(split[0][:-1])
        }
    job_s = statistics.median(ours)
    return {
        "rows": rows,
        "job_s": job_s,
        "us_per_row": 1e6 * job_s / rows,
        "of_full_rate_csv": job_s / statistics.median(full),
        "of_thinned_csv": job_s / statistics.median(theirs),
        **{f"{stage.replace(' ', '_')}_s": seconds for stage, seconds in parts.items()},
        "prepare_over_filter": parts["preparing"] / parts["learning the load"],
        "peak_over_log": 1024.0 * (peak_kb - before_kb) / (8.0 * rows * columns),
    }


def elsewhere(log: Path, short: Path, repetitions: int) -> dict[str, Any]:
    """:func:`measured` in a process of its own."""
    call = [sys.executable, __file__, "--measure", str(log), str(short), str(repetitions)]
    done = subprocess.run(call, check=True, capture_output=True, text=True)
    return json.loads(done.stdout.splitlines()[-1])


def main() -> int:
    """Write the logs, measure each, print the table."""
    if sys.argv[1:2] == ["--measure"]:
        log, short, repetitions = sys.argv[2:]
        print(json.dumps(measured(Path(log), Path(short), int(repetitions))))
        return 0
    chosen = harness.options(__doc__, seeds=5, quick_seeds=1)
    long_s = 300.0 if chosen.quick else HALF_HOUR_S
    cases = [("10 Hz", 10.0, 1), ("100 Hz", 100.0, 1)]
    if not chosen.quick:
        cases.append(("100 Hz, 20 times", 100.0, 20))
    rows = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        short = written(folder, 50.0, 1, 120.0)
        for label, rate_hz, copies in cases:
            log = written(folder, rate_hz, copies, long_s)
            repetitions = chosen.seeds if copies == 1 else 1
            rows.append({"log": label, "minutes": copies * long_s / 60.0})
            rows[-1] |= elsewhere(log, short, repetitions)
            log.unlink()
    harness.write(chosen, "benchmark_pipeline", pd.DataFrame(rows).set_index("log").T.reset_index())
    return 0


if __name__ == "__main__":
    sys.exit(main())
