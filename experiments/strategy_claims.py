"""Is the load worth learning? What strategies get on climbs, what they cost on the flat.

Question
    Driven in closed loop, does a strategy that learns the load (``learnt_load``) get at least 95 %
    of what the true load would get (``known_load``), more average power on climbs than a short pull
    of all extra torque (``short_pull``), and on the flat no more fuel than the base calibration
    (``base``)? And does the gas keep to its limit?
Method
    Several roads, many draws of vehicle, wind and sensor noise each, the same for all strategies.
    Differences are paired; intervals are 95 % (Student's t; the ratio of gains by bootstrap).
    ``shown`` means that the interval lies wholly on the claim's side, ``refuted`` wholly on the
    other, ``open`` that it holds both.
Expected answer
    All four shown.
Source
    Own simulation. It shares the force balance with the estimator, not air, heat or driver with the
    policy.
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import harness
import numpy as np
import pandas as pd

from loadlearn.rig import Rig
from loadlearn.simulation.comparison import (
    gain_ratio,
    interval95,
    paired,
    run_draw,
    situation,
    without_cruise,
)
from loadlearn.simulation.road import Road, altitude_from_grade, random_road

DATA = Path(__file__).resolve().parents[1] / "synthetic_data"
# Rig, road, combined mass (kg), whether the driver ever uses cruise control.
CASES: dict[str, tuple[str, str, float, bool]] = {
    "steep climb": ("utility_boat", "steep", 5700.0, False),
    "long hot climb": ("utility_boat", "long_climb", 5400.0, False),
    "long hot climb, some cruise": ("utility_boat", "long_climb", 5400.0, True),
    "range, gravel, ramp": ("utility_boat", "depot_to_ramp", 5400.0, False),
    "passing": ("utility_boat", "overtaking", 5400.0, False),
    "flat day": ("utility_boat", "flat_touring_day", 5400.0, True),
    "flat day, light": ("utility_boat", "flat_touring_day", 3200.0, True),
}
QUICK = ("steep climb", "flat day")
TOLERATED_S, OVER_FUEL_SHARE = 2.0, 0.0


def steep_road() -> Road:
    """Seven kilometres at 10.5 %, on which the base engine loses speed (invented)."""
    road = random_road(61, 12_500.0, "level", stops=[], limits_km_h=(80.0,))
    at = road.distance_m
    # Vertical curves of 200 m at foot and crest.
    grade = 10.5 * np.clip((at - 4000.0) / 200.0, 0.0, 1.0) * np.clip((11_000.0 - at) / 200.0, 0, 1)
    return replace(
        road,
        name="steep climb",
        grade_percent=grade,
        altitude_m=altitude_from_grade(grade, 100.0),
    )


def one_draw(case: str, draw: int, draws: int) -> list[dict[str, Any]]:
    """All strategies over one draw of a case."""
    rig, road, mass, cruise = CASES[case]
    what = situation(
        Rig.from_toml(DATA / "rigs" / f"{rig}.toml"),
        steep_road() if road == "steep" else Road.from_file(DATA / "roads" / f"{road}.toml"),
        mass,
    )
    if not cruise:
        what = without_cruise(what)
    return [{"case": case} | row for row in run_draw(what, draw, draws, seed=500).rows]


def verdict(interval: list[float], at_least: float | None, at_most: float | None) -> str:
    """Whether an interval shows a claim, refutes it, or leaves it open."""
    low, high = interval
    if not (math.isfinite(low) and math.isfinite(high)):
        return "no answer"
    if at_least is not None:
        return "shown" if low >= at_least else "refuted" if high < at_least else "open"
    assert at_most is not None
    return "shown" if high <= at_most else "refuted" if low > at_most else "open"


def claims(case: str, rows: pd.DataFrame) -> list[dict[str, Any]]:
    """The claims that a case can answer."""

    def line(claim: str, found: dict[str, Any], unit: str, **bound: float) -> dict[str, Any]:
        low, high = found["interval95"]
        answer = verdict([low, high], bound.get("at_least"), bound.get("at_most"))
        return {
            "road": case,
            "claim": claim,
            "mean": found["mean"],
            "low95": low,
            "high95": high,
            "unit": unit,
            "answer": answer,
        }

    answers = []
    if rows["climb_power_kw"].notna().any():
        ratio = gain_ratio(rows, "climb_power_kw")
        answers.append(
            line("learnt gets 95 % of known's gain in climb power", ratio, "1", at_least=0.95)
        )
        part = rows.pivot(index="draw", columns="strategy", values="climb_power_kw")
        whole = interval95((part["learnt_load"] / part["known_load"]).to_numpy())
        answers.append(line("learnt gets 95 % of known's climb power", whole, "1", at_least=0.95))
        more = interval95(paired(rows, "climb_power_kw", "learnt_load", "short_pull"))
        answers.append(line("learnt has more climb power than short pull", more, "kW", at_least=0))
        known = interval95(paired(rows, "climb_power_kw", "known_load", "base"))
        answers.append(line("known has more climb power than base", known, "kW", at_least=0))
    if case.startswith("flat"):
        fuel = interval95(paired(rows, "fuel_l_per_100km", "learnt_load", "base"))
        answers.append(
            line("learnt burns no more than base", fuel, "l/100 km", at_most=OVER_FUEL_SHARE)
        )
        duration = interval95(paired(rows, "trip_time_s", "learnt_load", "base"))
        answers.append(line("learnt is no slower than base", duration, "s", at_most=0.0))
    for name in ("fixed_share", "short_pull", "learnt_load", "known_load"):
        longest = rows.loc[rows["strategy"] == name, "longest_10k_over_gas_limit_s"]
        answers.append(
            {
                "road": case,
                "claim": f"{name}: gas never 10 K over its limit for more than {TOLERATED_S:g} s",
                "mean": float(longest.max()),
                "low95": math.nan,
                "high95": math.nan,
                "unit": "s, longest",
                "answer": "shown" if longest.max() <= TOLERATED_S else "refuted",
            }
        )
    return answers


def plot(rows: pd.DataFrame) -> Any:
    """Fuel against climb time, or against time, each road a panel; differences from base."""
    cases = list(dict.fromkeys(rows["case"]))
    figure, axes = harness.figure(1, len(cases), width=3.2 * len(cases), height=3.2)
    for axis, case in zip(axes[0], cases, strict=True):
        here = rows[rows["case"] == case]
        timed = "climb_time_s" if here["climb_time_s"].notna().any() else "trip_time_s"
        for name in here["strategy"].unique():
            if name == "base":
                continue
            x = interval95(paired(here, timed, name, "base"))
            y = interval95(paired(here, "fuel_l_per_100km", name, "base"))
            axis.errorbar(
                [x["mean"]],
                [y["mean"]],
                xerr=[(x["interval95"][1] - x["interval95"][0]) / 2.0],
                yerr=[(y["interval95"][1] - y["interval95"][0]) / 2.0],
                fmt="o",
                capsize=2,
                label=name.replace("_", " "),
            )
        axis.axhline(0.0, color="#BBBBBB", linewidth=0.8)
        axis.axvline(0.0, color="#BBBBBB", linewidth=0.8)
        axis.set_title(case, fontsize=8)
        axis.set_xlabel(f"{timed} less base")
        axis.set_ylabel("fuel less base (l/100 km)")
    axes[0][0].legend(fontsize=7)
    return figure


def main() -> int:
    """Drive, judge, print."""
    chosen = harness.options(__doc__, seeds=24, quick_seeds=2)
    cases = QUICK if chosen.quick else tuple(CASES)
    tasks = [(case, draw, chosen.seeds) for case in cases for draw in range(chosen.seeds)]
    rows = pd.DataFrame(harness.run(one_draw, tasks, chosen, label="draws"))
    answers = [one for case in cases for one in claims(case, rows[rows["case"] == case])]
    harness.write(
        chosen, "strategy_claims", pd.DataFrame(answers), figure=plot(rows), details=rows, digits=3
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
