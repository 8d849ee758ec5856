"""How often does a sustained climb keep the gas in its limit, and use what the limit allows?

Question
    On a climb at full throttle, with a plant that is not the policy's model and whose parameters
    are up to a tenth off: is the true gas ever more than 10 K above its limit for more than 2 s, is
    at least 90 % of the sustainable extra torque used, and does the share stand still?
Method
    Any shipped rig or the tests' own, sensor before or after the turbine, ambient -10 to 45 degC,
    altitude 0 to 2500 m, all drawn evenly; the plant and the judgement of ``tests/policy``. What is
    sustainable is found by bisection on the plant itself, its gas 0.4 % below the limit: so much a
    class 1 thermocouple may show too little.
Expected answer
    No failure.
Source
    None.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import harness
import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "policy"))
from climb_bench import SWING, USED, draw_climb, flat, judge_climb


def one_climb(seed: int) -> dict[str, Any]:
    """Draw a climb, drive it, and judge it."""
    climb = draw_climb(np.random.default_rng(seed))
    verdict = judge_climb(climb)
    faults = "; ".join(verdict.faults())
    return {"draw": seed, **flat(climb, verdict), "faults": faults}


def plot(table: pd.DataFrame) -> Any:
    """Share used over share sustainable, and the longest time over the limit."""
    from loadlearn.figures.style import BLUE, GREY, VERMILION, new_figure, tidy

    figure = new_figure(9.0, 4.2)
    left, right = figure.subplots(1, 2)
    due = table[["possible", "kept"]].min(axis=1)
    failed = table["faults"] != ""
    for chosen, colour in ((~failed, BLUE), (failed, VERMILION)):
        left.plot(due[chosen], table["used"][chosen], "o", color=colour, markersize=3)
        right.plot(table["peak_over_k"][chosen], table["swing"][chosen], "o", color=colour, ms=3)
    left.plot([0, 1], [0, 1], color=GREY, linewidth=0.8)
    left.plot([0, 1], [0, USED], color=GREY, linewidth=0.8, linestyle="--")
    left.set_xlabel("sustainable share that is asked for (–)", fontsize=9)
    tidy(left, "share used (–)")
    right.axhline(SWING, color=GREY, linestyle="--", linewidth=0.8)
    right.set_xlabel("hottest gas over its limit (K)", fontsize=9)
    tidy(right, "swing of the share (–)")
    return figure


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """One line per rig and one for all."""
    lines = []
    for name, group in [*rows.groupby("rig"), ("all", rows)]:
        # As the judgement: where next to nothing is sustainable or kept, nothing is due.
        share = group[["possible", "kept"]].min(axis=1)
        ratio = (group["used"] / share)[share > 0.1]
        lines.append(
            {
                "rig": name,
                "climbs": len(group),
                "failed": int((group["faults"] != "").sum()),
                "least_used_of_due": ratio.min(),
                "mean_used_of_due": ratio.mean(),
                "longest_10k_over_limit_s": group["over_s"].max(),
                "largest_swing": group["swing"].max(),
            }
        )
    return pd.DataFrame(lines)


def main() -> int:
    """Draw, drive, judge, and write the table."""
    made = harness.parser(__doc__, seeds=300, quick_seeds=4)
    made.add_argument("--first", type=int, default=0, metavar="N", help="first draw")
    chosen = harness.parse(made)
    draws = range(chosen.first, chosen.first + chosen.seeds)
    rows = pd.DataFrame(harness.run(one_climb, draws, chosen, label="climbs"))
    harness.write(chosen, "climb_claims", summary(rows), figure=plot(rows), details=rows)
    for _, row in rows[rows["faults"] != ""].iterrows():
        print(
            f"draw {row['draw']}: {row['rig']}, sensor {row['place']} the turbine, "
            f"{row['ambient_degc']:.0f} degC, {row['altitude_m']:.0f} m: {row['faults']}"
        )
    return int((rows["faults"] != "").any())


if __name__ == "__main__":
    raise SystemExit(main())
