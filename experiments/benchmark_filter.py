"""How fast is the compiled filter beside its readable twins, and do they agree?

Question
    Microseconds a sample, peak memory and disagreement of the compiled loop, a twin on filterpy's
    extended Kalman filter and a plain numpy loop over the same drive; and of the full estimator
    beside the same grounds on filterpy's interacting multiple models.
Method
    One simulated drive at 10 Hz, all in one process. Processor time after a warm-up call, the best
    of several runs for the compiled code; peak memory by `tracemalloc` in a run of its own, what is
    kept for the comparison included. Disagreement: largest difference over the whole trajectory,
    of the mean and of the covariance, relative to the sds of the twin. The peer of the full
    estimator carries the modes of *one* load (no other loads, no regeneration, no outputs): it does
    less, so the ratio is on the low side. The full estimator mixes pooled moments and leaves out
    negligible changes: there the difference (pooled mean of the inverse mass, one load) is one of
    method.
Expected answer
    Compiled at least 200 times faster than the filterpy twin, agreeing to 1e-9; full estimator at
    least 100 times faster than the peer and under 2 microseconds a sample.
Source
    Labbe, filterpy 2.0; Blom & Bar-Shalom, IEEE Trans. Automatic Control 33(8), 1988.
"""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import harness
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn import LoadEstimator, prepare
from loadlearn._compile import Records
from loadlearn.estimation.learner import Sources, initial_state, learn, setup_for
from loadlearn.estimation.model import STATE
from loadlearn.simulation.drive import PlantVariation, simulate
from loadlearn.simulation.road import random_road
from loadlearn.simulation.scenarios import shipped_rig
from loadlearn.simulation.sensors import Logger
from loadlearn.study import problem, reference
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS
from loadlearn.vehicle.samples import samples_of

FloatArray = NDArray[np.float64]


def processor_s(function: Callable[..., Any], *args: Any, repeats: int = 1) -> tuple[float, Any]:
    """Best processor time of several calls, and the last call's result."""
    best, result = np.inf, None
    for _ in range(repeats):
        begin = time.process_time()
        result = function(*args)
        best = min(best, time.process_time() - begin)
    return best, result


def peak_mb(function: Callable[..., Any], *args: Any) -> float:
    """Peak of memory allocated during a call (MB)."""
    tracemalloc.start()
    function(*args)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return peak / 1e6


def pooled(trajectory: reference.Trajectory, index: int) -> tuple[FloatArray, FloatArray]:
    """Mean and sd of one state over the modes, after every row."""
    weight, value = trajectory.weights, trajectory.states[..., index]
    mean = np.sum(weight * value, axis=1)
    second = np.sum(weight * (value**2 + trajectory.covariances[..., index, index]), axis=1)
    return mean, np.sqrt(second - mean**2)


def full_estimator(log: pd.DataFrame, rig: Rig) -> Records:
    """From samples to outputs, all hypotheses; what ``LoadEstimator.run`` does before its table."""
    setup = setup_for(rig, Sources.of(log))
    return learn(setup, initial_state(setup), samples_of(log)).outputs[1:]


def main() -> None:
    """Time, weigh and compare."""
    made = harness.parser(__doc__, seeds=1, quick_seeds=1)
    made.add_argument("--minutes", type=float, default=None, help="length of the drive")
    chosen = harness.parse(made)
    minutes = chosen.minutes or (5.0 if chosen.quick else 30.0)
    rig = shipped_rig("utility_boat")
    drive = simulate(
        rig,
        random_road(4, 1500.0 * minutes, "rolling"),
        seed=4,
        combined_mass_kg=5200.0,
        logger=Logger.good_10hz(),
        duration_s=60.0 * minutes,
        variation=PlantVariation.none(),
    )
    log = drive.log
    samples = len(log)
    lines = []

    def line(what: str, hypotheses: str, seconds: float, of: int, memory: float) -> dict[str, Any]:
        entry = {
            "filter": what,
            "hypotheses": hypotheses,
            "us_per_sample": 1e6 * seconds / of,
            "peak_mb": memory,
        }
        lines.append(entry)
        return entry

    # --- one hypothesis ------------------------------------------------------------------------
    one = problem.problem_of(log, rig, HANDBOOK_GROUNDS[:1])
    reference.run_compiled(one, False)
    compiled_s, _ = processor_s(reference.run_compiled, one, False, repeats=9)
    compiled = reference.run_compiled(one)
    ours = line("compiled", "1", compiled_s, samples, peak_mb(reference.run_compiled, one, False))
    twins = (("numpy", reference.run_numpy), ("filterpy EKF", reference.run_filterpy))
    start = one._replace(rows=one.rows[:20])
    for name, function in twins:
        function(start)
        seconds, trajectory = processor_s(function, one)
        entry = line(name, "1", seconds, samples, peak_mb(function, one))
        entry["ratio"] = entry["us_per_sample"] / ours["us_per_sample"]
        entry["mean_difference_sd"], entry["covariance_difference"] = reference.differences(
            compiled, trajectory
        )

    # --- the full estimator, and its grounds on filterpy ----------------------------------------
    full_estimator(log, rig)
    full_s, outputs = processor_s(full_estimator, log, rig, repeats=5)
    full = line(
        "compiled, full estimator",
        "loads x 8 modes",
        full_s,
        samples,
        peak_mb(full_estimator, log, rig),
    )
    estimator = LoadEstimator(rig)
    prepared = prepare(log, rig)
    whole_s, _ = processor_s(estimator.run, prepared, repeats=3)
    line(
        "the same with table and summary",
        "loads x 8 modes",
        whole_s,
        samples,
        peak_mb(estimator.run, prepared),
    )
    fast = simulate(
        rig,
        random_road(5, 3000.0, "rolling"),
        seed=5,
        combined_mass_kg=5200.0,
        logger=replace(Logger.good_10hz(), rate_hz=100.0),
        duration_s=120.0,
        variation=PlantVariation.none(),
    ).log
    fast_s, _ = processor_s(full_estimator, fast, rig, repeats=5)
    line(
        "compiled, full estimator, 100 Hz",
        "loads x 8 modes",
        fast_s,
        len(fast),
        peak_mb(full_estimator, fast, rig),
    )
    few = log.iloc[: min(samples, 3000)].reset_index(drop=True)
    several = problem.problem_of(few, rig, HANDBOOK_GROUNDS)
    mixed = reference.run_compiled(several)
    whole = problem.problem_of(log, rig, HANDBOOK_GROUNDS)
    grounds_s, _ = processor_s(reference.run_compiled, whole, False, repeats=5)
    same = line(
        "compiled",
        "1 load x 5 modes",
        grounds_s,
        samples,
        peak_mb(reference.run_compiled, whole, False),
    )
    reference.run_filterpy(several._replace(rows=several.rows[:20]))
    seconds, trajectory = processor_s(reference.run_filterpy, several)
    peer = line(
        "filterpy IMM",
        "1 load x 5 modes",
        seconds,
        len(few),
        peak_mb(reference.run_filterpy, several),
    )
    peer["ratio"] = peer["us_per_sample"] / same["us_per_sample"]
    mean, _ = pooled(mixed, STATE.inverse_mass_per_kg)
    other_mean, other_sd = pooled(trajectory, STATE.inverse_mass_per_kg)
    peer["mean_difference_sd"] = float(np.max(np.abs(mean - other_mean) / other_sd))
    table = pd.DataFrame(lines)
    harness.write(chosen, "benchmark_filter", table)
    loads = float(outputs["loads"].mean())
    print(
        f"\n{samples} samples; on average {loads:.1f} loads were carried by the full estimator, "
        f"which is {peer['us_per_sample'] / full['us_per_sample']:.0f} times faster than one load "
        "on filterpy"
    )


if __name__ == "__main__":
    main()
