"""Is the load worth learning? What the strategy made for a rig gets, and what it costs.

Question
    Driven in closed loop over the same draws, does the learnt load (``learnt_load``)

    - pass a slower vehicle no later than the base calibration (``base``), and no later than a
      fixed half share of the extra torque (``fixed_share``);
    - on long climbs near the ratings take at most 5 % more time than the true load would
      (``known_load``), and less than the fixed half share;
    - on the flat burn no more fuel than base;
    - keep exhaust gas, coolant, oils, air-fuel ratio, charge pressure, turbocharger and axles
      within their limits in every draw?
Method
    Rigs, roads and loads of ``strategy_cases.py``, some of them drawn for this; many draws of
    vehicle, wind and sensor noise, the same for all strategies. Differences are paired, intervals
    95 % (Student's t). ``shown``: the interval lies wholly on the claim's side; ``refuted``: wholly
    on the other; ``open``: it holds both. Two equal quantities can never be shown to be "no more",
    so these claims name a margin: 0.2 s of passing, 0.5 % of fuel. Limits are judged on the plant's
    truth, draw by draw, as in the sheet of ``compare``; what base itself exceeds is told, and does
    not count against the others.
Expected answer
    All shown, but where heat leaves nothing to gain: there learnt load and fixed share are equal.
Source
    Own simulation. It shares the force balance with the estimator, not air, heat or driver with the
    policy.
"""

from __future__ import annotations

import math
import sys
from typing import Any

import harness
import numpy as np
import pandas as pd
import strategy_cases

from loadlearn.simulation.comparison import run_draw
from loadlearn.simulation.paired_differences import interval95, paired

QUICK = ("utility, 10.5 % climb, 95 % of GCM", "utility, passing")
PASSING_MARGIN_S, FUEL_MARGIN_PERCENT, NEAR_KNOWN_PERCENT = 0.2, 0.5, 5.0
FEWEST_HELD = 0.02
"""Below this share of the time on climbs nothing is said of the ratings holding back."""


def one_draw(name: str, draw: int, draws: int, first_seed: int) -> list[dict[str, Any]]:
    """All strategies over one draw of a case; the limits each broke beside its quantities."""
    done = run_draw(strategy_cases.laid_out(name), draw, draws, seed=first_seed)
    broken: dict[str, list[str]] = {row["strategy"]: [] for row in done.rows}
    for one in done.limits:
        if one["longest_s"] > 2.0:
            broken[one["strategy"]].append(one["quantity"])
    return [
        {"case": name} | row | {"broken": ";".join(broken[row["strategy"]])} for row in done.rows
    ]


def verdict(low: float, high: float, at_most: float) -> str:
    """Whether an interval shows a claim, refutes it, or leaves it open."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "no answer"
    return "shown" if high <= at_most else "refuted" if low > at_most else "open"


def percent(rows: pd.DataFrame, quantity: str, of: str, over: str) -> np.ndarray:
    """By how many per cent one strategy's quantity exceeds another's, draw by draw."""
    wide = rows.pivot(index="draw", columns="strategy", values=quantity)
    return np.asarray(100.0 * (wide[of] / wide[over] - 1.0), dtype=float)


def claims(name: str, rows: pd.DataFrame) -> list[dict[str, Any]]:
    """The claims that a case can answer."""
    about = strategy_cases.CASES[name].about
    answers: list[dict[str, Any]] = []

    def ask(claim: str, values: Any, unit: str, at_most: float) -> None:
        found = interval95(values)
        low, high = found["interval95"]
        answers.append(
            {
                "drives": name,
                "claim": claim,
                "mean": found["mean"],
                "low95": low,
                "high95": high,
                "unit": unit,
                "answer": verdict(low, high, at_most),
            }
        )

    if rows["passing_time_s"].notna().any() and about in ("passing", "flat"):
        for other in ("base", "fixed_share"):
            later = paired(rows, "passing_time_s", "learnt_load", other)
            ask(
                f"passes at most {PASSING_MARGIN_S:g} s later than {other}",
                later,
                "s",
                PASSING_MARGIN_S,
            )
    if rows["climb_time_s"].notna().any() and about in ("climb", "mixed"):
        slower = percent(rows, "climb_time_s", "learnt_load", "known_load")
        claim = f"climbs at most {NEAR_KNOWN_PERCENT:g} % slower than with the true load"
        ask(claim, slower, "%", NEAR_KNOWN_PERCENT)
    if about == "climb":
        ahead = paired(rows, "climb_time_s", "learnt_load", "fixed_share")
        ask("climbs faster than fixed_share", ahead, "s", 0.0)
        ask(
            "climbs faster than base", paired(rows, "climb_time_s", "learnt_load", "base"), "s", 0.0
        )
        held = rows.loc[rows["strategy"] == "learnt_load", "ratings_held_back"].mean()
        if held > FEWEST_HELD:
            answers[-2]["claim"] += f" (ratings held back {100 * held:.0f} % of the time)"
    if about == "flat":
        excess = percent(rows, "fuel_l_per_100km", "learnt_load", "base")
        claim = f"burns at most {FUEL_MARGIN_PERCENT:g} % more than base"
        ask(claim, excess, "%", FUEL_MARGIN_PERCENT)
    base = set(";".join(rows.loc[rows["strategy"] == "base", "broken"]).split(";")) - {""}
    told = f" (but what base exceeds: {', '.join(sorted(base))})" if base else ""
    for strategy in ("learnt_load", "fixed_share", "known_load"):
        texts = rows.loc[rows["strategy"] == strategy, "broken"]
        kept = [set(text.split(";")) - base - {""} for text in texts]
        over = sum(bool(one) for one in kept)
        if not over and strategy != "learnt_load":
            continue
        which = ", ".join(sorted(set().union(*kept)))
        answers.append(
            {
                "drives": name,
                "claim": f"{strategy}: every limit kept in every draw{told}",
                "mean": float(over),
                "low95": math.nan,
                "high95": math.nan,
                "unit": f"draws over{': ' + which if which else ''}",
                "answer": "refuted" if over else "shown",
            }
        )
    return answers


def plot(rows: pd.DataFrame) -> Any:
    """Differences from base, each case a row: climb time, passing time, fuel."""
    from loadlearn.figures.draw_comparison import COLOURS, MARKERS
    from loadlearn.figures.style import new_figure

    cases = list(dict.fromkeys(rows["case"]))
    figure = new_figure(12.5, 1.9 + 0.42 * len(cases))
    panels = figure.subplots(1, 3, sharey=True)
    shown = (
        ("climb_time_s", "time on climbs less base (%)"),
        ("passing_time_s", "time to pass less base (%)"),
        ("fuel_l_per_100km", "fuel less base (%)"),
    )
    names = ("fixed_share", "learnt_load", "known_load")
    for axes, (quantity, label) in zip(panels, shown, strict=True):
        for place, case in enumerate(cases):
            here = rows[rows["case"] == case]
            if not here[quantity].notna().any():
                continue
            for step, name in enumerate(names):
                found = interval95(percent(here, quantity, name, "base"))
                low, high = found["interval95"]
                half = 0.5 * (high - low)
                axes.errorbar(
                    [found["mean"]],
                    [place + 0.22 * (step - 1)],
                    xerr=[half] if np.isfinite(half) else None,
                    fmt=MARKERS[name],
                    color=COLOURS[name],
                    markersize=4,
                    capsize=2,
                    label=name.replace("_", " ") if place == 0 else None,
                )
        axes.axvline(0.0, color="#888888", linewidth=0.8)
        axes.set_xlabel(label)
        axes.set_yticks(range(len(cases)), cases, fontsize=8)
        axes.set_ylim(len(cases) - 0.5, -0.5)
    panels[0].figure.legend(
        *panels[0].get_legend_handles_labels(), fontsize=8, loc="outside upper right", ncols=3
    )
    return figure


def main() -> int:
    """Drive, judge, print."""
    parser = harness.parser(__doc__, seeds=100, quick_seeds=2)
    parser.add_argument(
        "--first-seed", type=int, default=500, metavar="N", help="seed of the first draw"
    )
    parser.add_argument("--cases", nargs="*", metavar="NAME", help="only cases that hold this text")
    chosen = harness.parse(parser)
    cases = QUICK if chosen.quick else tuple(strategy_cases.CASES)
    if chosen.cases:
        cases = tuple(one for one in cases if any(text in one for text in chosen.cases))
    tasks = [
        (case, draw, chosen.seeds, chosen.first_seed)
        for case in cases
        for draw in range(chosen.seeds)
    ]
    rows = pd.DataFrame(harness.run(one_draw, tasks, chosen, label="draws"))
    answers = [one for case in cases for one in claims(case, rows[rows["case"] == case])]
    harness.write(
        chosen, "strategy_claims", pd.DataFrame(answers), figure=plot(rows), details=rows, digits=3
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
