"""How fast is the compiled filter beside its readable twins, and do they agree?

Question
    Microseconds a sample, peak memory and disagreement of what users run, from samples to outputs
    with all hypotheses, and of the same compiled filter with one load on several grounds and on
    one; beside filterpy's interacting multiple models, its extended Kalman filter and plain numpy.
Method
    One simulated drive at 10 Hz, all in one process. Processor time after a warm-up call, the best
    of several runs for the compiled code; peak memory by `tracemalloc` in a run of its own, what is
    kept for the comparison included. `learn` makes rows of samples, filters them and gives outputs;
    `filter_rows` starts from the rows and gives outputs, too. `over_filter_rows` is a peer's time
    over that of the same hypotheses compiled, `over_learn` its time over that of all hypotheses:
    the peer carries *one* load, no regeneration and gives no outputs, so both are on the low side.
    Disagreement: largest difference over the whole trajectory, of the mean and of the covariance,
    relative to the sds of the twin. The compiled filter mixes pooled moments and leaves out
    negligible changes: on several grounds the difference (pooled mean of the inverse mass) is one
    of method.
Expected answer
    Twins agree to 1e-9, the filterpy twin at least 200 times slower than one hypothesis; `learn`
    at least 100 times faster than the interacting models of one load, and under 2 microseconds a
    sample.
Found
    Agreement to 1e-12. Half an hour at 10 Hz, one of two shared cores: `learn` 168 and 184 times
    faster than the interacting models in two runs, but at 3.0 microseconds a sample (0.8 at 100 Hz,
    where ten samples make a row). The filterpy twin 73 times slower: one hypothesis takes 0.74
    microseconds a sample, of which the outputs take 0.34.
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

    def line(
        what: str,
        hypotheses: str,
        of: int,
        function: Callable[..., Any],
        *args: Any,
        repeats: int = 1,
    ) -> tuple[dict[str, Any], Any]:
        seconds, result = processor_s(function, *args, repeats=repeats)
        entry = {
            "filter": what,
            "hypotheses": hypotheses,
            "us_per_sample": 1e6 * seconds / of,
            "peak_mb": peak_mb(function, *args),
        }
        lines.append(entry)
        return entry, result

    # --- all hypotheses ------------------------------------------------------------------------
    every = "loads x 8 modes"
    full_estimator(log, rig)
    full, outputs = line("learn", every, samples, full_estimator, log, rig, repeats=5)
    estimator, prepared = LoadEstimator(rig), prepare(log, rig)
    line("run: table and summary too", every, samples, estimator.run, prepared, repeats=3)
    fast = simulate(
        rig,
        random_road(5, 3000.0, "rolling"),
        seed=5,
        combined_mass_kg=5200.0,
        logger=replace(Logger.good_10hz(), rate_hz=100.0),
        duration_s=120.0,
        variation=PlantVariation.none(),
    ).log
    line("learn, 100 Hz", every, len(fast), full_estimator, fast, rig, repeats=5)

    # --- one load on several grounds, and on one -------------------------------------------------
    few = log.iloc[: min(samples, 3000)].reset_index(drop=True)
    for grounds, peers, seen in (
        (HANDBOOK_GROUNDS, {"filterpy IMM": reference.run_filterpy}, few),
        (
            HANDBOOK_GROUNDS[:1],
            {"numpy": reference.run_numpy, "filterpy EKF": reference.run_filterpy},
            log,
        ),
    ):
        modes = f"1 load x {len(grounds)}"
        whole, part = (problem.problem_of(one, rig, grounds) for one in (log, seen))
        run = (whole.rows, whole.grounds, whole.prior, whole.noise)
        problem.filter_outputs(*run)
        ours, _ = line("filter_rows", modes, samples, problem.filter_outputs, *run, repeats=9)
        compiled = reference.run_compiled(part)
        for name, function in peers.items():
            function(part._replace(rows=part.rows[:20]))
            entry, theirs = line(name, modes, len(seen), function, part)
            entry["over_filter_rows"] = entry["us_per_sample"] / ours["us_per_sample"]
            entry["over_learn"] = entry["us_per_sample"] / full["us_per_sample"]
            if len(grounds) == 1:
                found = reference.differences(compiled, theirs)
                entry["mean_difference_sd"], entry["covariance_difference"] = found
            else:
                mean, _ = pooled(compiled, STATE.inverse_mass_per_kg)
                other_mean, other_sd = pooled(theirs, STATE.inverse_mass_per_kg)
                entry["mean_difference_sd"] = float(np.max(np.abs(mean - other_mean) / other_sd))
    harness.write(chosen, "benchmark_filter", pd.DataFrame(lines))
    loads = float(outputs["loads"].mean())
    print(f"\n{samples} samples; on average {loads:.1f} loads were carried by learn")


if __name__ == "__main__":
    main()
