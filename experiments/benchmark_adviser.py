"""How long does the law take a sample, over a whole log and step by step?

Question
    Microseconds a sample of ``advise_log`` and of ``DriveAdviser.advise`` (the law alone: the load
    is given), and how that compares with taking the same rows out of a table one by one.
Method
    One process, one 20-minute drive at 10 Hz. One run each beforehand (it compiles), then the
    median of repetitions. Peers in the same run: ``DataFrame.to_dict("records")`` of the log (the
    cheapest way to hand over single samples) and ``numpy.cumsum`` over as many numbers as the law
    reads.
Expected answer
    A whole log below 20 us a sample; a step below 200 us, the estimator's part included, so below
    130 us for the law.
Source
    None.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable

import harness
import pandas as pd

from loadlearn import LoadEstimator, prepare
from loadlearn.policy import DriveAdviser, advise_log
from loadlearn.simulation.scenarios import scenario


def median_s(work: Callable[[], object], repeats: int) -> float:
    """Median wall time of ``repeats`` calls (s), after one that is not counted."""
    work()
    took = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        took.append(time.perf_counter() - start)
    return statistics.median(took)


def main() -> int:
    """Time the law and its peers on one drive."""
    chosen = harness.options(__doc__, seeds=9, quick_seeds=2)
    made = scenario("utility_10hz", 640, duration_s=1200.0)
    trace = prepare(made.drive.log, made.rig)
    history = LoadEstimator(made.rig).run(trace)
    samples = trace.head(1000).to_dict("records")
    load = LoadEstimator(made.rig).step(samples[0])

    def steps() -> None:
        adviser = DriveAdviser(made.rig, estimator=object())
        for sample in samples:
            adviser.advise(sample, load)

    works: dict[str, tuple[Callable[[], object], int]] = {
        "law, whole log": (lambda: advise_log(trace, made.rig, history), len(trace)),
        "law, step by step": (steps, len(samples)),
        "rows of the log as dictionaries": (lambda: trace.to_dict("records"), len(trace)),
        "cumulative sums of the log": (
            lambda: trace.select_dtypes("number").to_numpy().cumsum(axis=0),
            len(trace),
        ),
    }
    rows = []
    for name, (work, count) in works.items():
        rows.append({"what": name, "us_per_sample": 1e6 * median_s(work, chosen.seeds) / count})
    table = pd.DataFrame(rows)
    table["over_dictionaries"] = table["us_per_sample"] / table["us_per_sample"].iloc[2]
    harness.write(chosen, "benchmark_adviser", table)
    return 0


if __name__ == "__main__":
    sys.exit(main())
