"""How much faster than real time does a drive run in closed loop, the learning included?

Question
    Log seconds per wall-clock second of one drive under each strategy.
Method
    One process. One warm-up run (it compiles), then repetitions; the median. Plant at 50 Hz,
    logger and law at 10 Hz, settings once a second; ``learnt_load`` also runs the estimator.
Expected answer
    At least 1000 for every strategy.
Source
    None.
"""

from __future__ import annotations

import statistics
import sys
import time
from pathlib import Path

import harness
import numpy as np
import pandas as pd

from loadlearn._compile import record_type
from loadlearn.simulation.comparison import prepare_draw
from loadlearn.simulation.plant_state import Record
from loadlearn.simulation.roadfile import read_road
from loadlearn.simulation.situation import situation
from loadlearn.simulation.strategies import run_strategy
from loadlearn.vehicle.rig import Rig

DATA = Path(__file__).resolve().parents[1] / "synthetic_data"


def main() -> int:
    """Time every strategy over the demo's road."""
    chosen = harness.options(__doc__, seeds=7, quick_seeds=2)
    what = situation(
        Rig.from_toml(DATA / "rigs" / "utility_boat.toml"),
        read_road(DATA / "roads" / "depot_to_ramp.toml"),
    )
    prepared, logger = prepare_draw(what, 0, 1, seed=500)
    scratch = np.empty(prepared.steps, dtype=record_type(Record))
    rows = []
    for strategy in what.compared:
        driven = run_strategy(what.rig, prepared, logger, strategy, scratch)
        driven_s = float(driven.plant("time_s")[-1])
        took = []
        for _ in range(chosen.seeds):
            start = time.perf_counter()
            run_strategy(what.rig, prepared, logger, strategy, scratch)
            took.append(time.perf_counter() - start)
        rows.append(
            {
                "strategy": strategy.name,
                "log_s": driven_s,
                "wall_s": statistics.median(took),
                "times_real_time": driven_s / statistics.median(took),
                "slowest": driven_s / max(took),
            }
        )
    harness.write(chosen, "benchmark_closed_loop", pd.DataFrame(rows))
    return 0


if __name__ == "__main__":
    sys.exit(main())
