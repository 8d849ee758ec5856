"""How often do the settings change on a steady road?

Question
    On a road of one ground, one mean grade and one climate, driven for an hour with one load by a
    driver who holds a speed: do power retention and economy together change fewer than six times
    an hour?
Method
    Any shipped rig or the tests' own, sensor before or after the turbine, any load up to 97 % of
    GCM, sealed, gravel or sand, mean grade -2 to 6 %, ambient -10 to 45 degC, altitude 0 to
    2500 m, all drawn evenly; the plant of ``tests/policy``, its parameters up to a tenth off what
    the policy believes. The road undulates by up to 0.9 %, the foot is never still, meters are
    noisy, and what is believed of the load wanders by half its uncertainty every half minute. The
    first three minutes, in which the road gets known, do not count. The interval of the rate is
    exact (Clopper and Pearson).
Expected answer
    None at or over six.
Source
    The limit is this project's own.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import harness
import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "policy"))
from steady_bench import MOST_PER_HOUR, SETTLED_S, draw_steady_road, flat, judge_steady_road


def one_road(seed: int, seconds: float) -> dict[str, Any]:
    """Draw a road, drive it, count."""
    road = draw_steady_road(np.random.default_rng(seed))
    return {"draw": seed, **flat(road, judge_steady_road(road, SETTLED_S + seconds))}


def interval95(count: int, total: int) -> tuple[float, float]:
    """Exact 95 % interval of a rate."""
    from scipy.stats import binomtest

    found = binomtest(count, total).proportion_ci(0.95, "exact")
    return float(found.low), float(found.high)


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """One line per rig, one per ground, one for all."""
    lines = []
    groups = [*rows.groupby("rig"), *rows.groupby("ground"), ("all", rows)]
    for name, group in groups:
        often = int((group["per_hour"] >= MOST_PER_HOUR).sum())
        low, high = interval95(often, len(group))
        lines.append(
            {
                "roads": name,
                "drives": len(group),
                "six or more an hour": often,
                "rate": often / len(group),
                "low95": low,
                "high95": high,
                "most per hour": group["per_hour"].max(),
                "mean per hour": group["per_hour"].mean(),
                "of it retention": (group["retention_changes"] / group["hours"]).mean(),
                "of it economy": (group["economy_changes"] / group["hours"]).mean(),
            }
        )
    return pd.DataFrame(lines)


def plot(rows: pd.DataFrame) -> Any:
    """Changes an hour against grade and against ambient temperature."""
    from loadlearn.figures.style import BLUE, GREY, VERMILION, new_figure, tidy

    figure = new_figure(9.0, 3.6)
    axes = figure.subplots(1, 2, sharey=True)
    often = rows["per_hour"] >= MOST_PER_HOUR
    across = (
        (100.0 * rows["grade"], "mean grade (%)"),
        (rows["ambient_degc"], "ambient temperature (°C)"),
    )
    for axis, (values, label) in zip(axes, across, strict=True):
        for chosen, colour in ((~often, BLUE), (often, VERMILION)):
            axis.plot(values[chosen], rows["per_hour"][chosen], "o", color=colour, markersize=3)
        axis.axhline(MOST_PER_HOUR, color=GREY, linestyle="--", linewidth=0.8)
        axis.set_xlabel(label, fontsize=9)
        tidy(axis, "setting changes an hour" if axis is axes[0] else "")
    return figure


def main() -> int:
    """Draw, drive, count, and write the table."""
    made = harness.parser(__doc__, seeds=200, quick_seeds=3)
    made.add_argument("--first", type=int, default=0, metavar="N", help="first draw")
    chosen = harness.parse(made)
    seconds = 900.0 if chosen.quick else 3600.0
    draws = [(seed, seconds) for seed in range(chosen.first, chosen.first + chosen.seeds)]
    rows = pd.DataFrame(harness.run(one_road, draws, chosen, label="roads"))
    rows["hours"] = seconds / 3600.0
    harness.write(chosen, "steady_road", summary(rows), figure=plot(rows), details=rows)
    for _, row in rows[rows["per_hour"] >= MOST_PER_HOUR].iterrows():
        print(
            f"draw {row['draw']}: {row['rig']} at {row['load']:.2f} of its load, {row['ground']}, "
            f"{100 * row['grade']:.1f} %, {row['ambient_degc']:.0f} degC, "
            f"{row['altitude_m']:.0f} m: {row['changes']}"
        )
    return int((rows["per_hour"] >= MOST_PER_HOUR).any())


if __name__ == "__main__":
    raise SystemExit(main())
