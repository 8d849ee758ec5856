"""From what demand on should extra torque be kept, and how long at least may all of it be pulled?

Question
    The maker of strategies keeps extra torque where the load asks for more than ``KEEP_FROM`` of
    the base engine's full-load force, all of it from ``KEEP_ALL`` on, and gives a pull of
    at least ``SHORTEST_PULL_S``. What do other values gain (climb time, speed at the crest, time to
    pass), and what do they cost (fuel, changes of a setting)?
Method
    Strategies that differ in nothing else, with the true load known, over the same draws; means
    of the differences from the base calibration, over climbs near the ratings and passing on
    several rigs. ``need`` keeps what is needed to hold the speed and no more: N of the base engine
    at its very limit is nothing.
Expected answer
    Keeping early costs next to nothing, for a driver who needs no more does not ask for it; keeping
    late loses climb time.
Source
    Own simulation.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from typing import Any

import harness
import numpy as np
import pandas as pd
import strategy_cases

from loadlearn.policy.make_strategy import KEEP_ALL, KEEP_FROM, make_strategy
from loadlearn.policy.strategy import Settings, constant
from loadlearn.simulation.comparison import run_draw
from loadlearn.simulation.paired_differences import interval95, paired
from loadlearn.simulation.strategies import Driven
from loadlearn.vehicle.rig import Rig

VARIANTS: dict[str, dict[str, float]] = {
    f"kept from {KEEP_FROM:g} to {KEEP_ALL:g} (as made)": {},
    "kept from 0.45 to 0.70": {"keep_from": 0.45, "keep_all": 0.70},
    "kept from 0.85 to 1.10": {"keep_from": 0.85, "keep_all": 1.10},
    "need only: kept from 1.0 to 1.3": {"keep_from": 1.0, "keep_all": 1.3},
    "pull of 0 s at least": {"shortest_pull_s": 0.0},
    "pull of 60 s at least": {"shortest_pull_s": 60.0},
}
KEPT_ALL = "all kept everywhere, no economy"
CASES = (
    "utility, 10.5 % climb, 95 % of GCM",
    "utility, 8 % climb, 90 % of GCM",
    "wagon, 10.5 % climb, 90 % of GCM",
    "petrol, 8 % climb, 90 % of GCM",
    "truck, 6 % climb, 90 % of GCM",
    "utility, range, gravel, sand",
    "utility, passing",
    "petrol, passing",
    "utility, flat day",
)
QUICK = CASES[:1]
SHOWN = {
    "climb_time_s": "climb time less base (s)",
    "crest_speed_m_s": "speed at crests less base (m/s)",
    "passing_time_s": "time to pass less base (s)",
    "fuel_l_per_100km": "fuel less base (l/100 km)",
    "setting_changes": "changes of a setting",
}


def variants(rig: Rig) -> tuple[Driven, ...]:
    """Base, and every variant driven with the true load."""
    made = [Driven("base", False, "nothing", None, "base")]
    for name, options in VARIANTS.items():
        made.append(Driven(name, True, "truth", make_strategy(rig, **options), name))  # type: ignore[arg-type]
    kept = constant(KEPT_ALL, Settings(1.0, 60.0, 0.0))
    made.append(Driven(KEPT_ALL, True, "truth", kept, KEPT_ALL))
    return tuple(made)


def one_draw(case: str, draw: int, draws: int, first_seed: int) -> list[dict[str, Any]]:
    """All variants over one draw of a case."""
    what = strategy_cases.laid_out(case)
    what = replace(what, compared=variants(what.rig))
    return [{"case": case} | row for row in run_draw(what, draw, draws, seed=first_seed).rows]


def main() -> int:
    """Drive and tabulate."""
    parser = harness.parser(__doc__, seeds=24, quick_seeds=2)
    parser.add_argument("--first-seed", type=int, default=7000, metavar="N")
    chosen = harness.parse(parser)
    cases = QUICK if chosen.quick else CASES
    tasks = [
        (case, draw, chosen.seeds, chosen.first_seed)
        for case in cases
        for draw in range(chosen.seeds)
    ]
    rows = pd.DataFrame(harness.run(one_draw, tasks, chosen, label="draws"))
    table = []
    for case in cases:
        here = rows[rows["case"] == case]
        for name in (*VARIANTS, KEPT_ALL):
            line: dict[str, Any] = {"drives": case, "variant": name}
            for quantity, heading in SHOWN.items():
                found = interval95(paired(here, quantity, name, "base"))
                low, high = found["interval95"]
                line[heading] = found["mean"]
                line[f"± {heading}"] = (high - low) / 2.0 if np.isfinite(high) else np.nan
            table.append(line)
    harness.write(chosen, "choose_retention", pd.DataFrame(table), details=rows, digits=3)
    return 0


if __name__ == "__main__":
    sys.exit(main())
