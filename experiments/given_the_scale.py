"""What does *given the scale* mean?

Question
    Every interval is given twice, in all and given the scale. What is the difference, on the
    shipped demonstration?
Method
    The estimator learns from the whole drive, then once more with the force in the log multiplied
    by what the true scale is (the simulation knows it), and told that the scale is exact.
Expected answer
    The mass that the force implies is known to well under 1 % and goes in proportion with the
    scale. In all it is known no better than the scale is. Told the true scale, the estimator ends
    nearer to the truth.
Source
    The force balance is homogeneous: force, mass and drag area scale together
    (``loadlearn/vehicle/roadload.py``). A parameter that is considered and not estimated: Schmidt,
    *Advances in Control Systems* 3, 1966 (from memory).

The picture in the README is drawn anew by ``--picture synthetic_data/figures/given_the_scale.png``.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import harness
import numpy as np
import pandas as pd

from loadlearn import LoadEstimator, Rig, prepare, shipped_drive
from loadlearn.figures.style import BLACK, BLUE, VERMILION, new_figure, save


def learn(rig: Rig, log: pd.DataFrame) -> pd.Series:
    """What is known at the end of the drive."""
    return LoadEstimator(rig).run(prepare(log, rig)).iloc[-1]


def told_the_scale(rig: Rig, scale: float) -> Rig:
    """The rig of somebody who knows the scale exactly."""
    known = rig.uncertainty.model_copy(update={"tractive_scale": scale, "tractive_scale_sd": 0.0})
    return rig.model_copy(update={"uncertainty": known})


def rows_of(last: pd.Series, known: pd.Series, truth: dict[str, Any]) -> pd.DataFrame:
    """Three answers to one drive."""
    weighed = truth["mass_kg"]

    def row(words: str, mass: float, sd: float) -> dict[str, Any]:
        error = 100.0 * (mass - weighed) / weighed
        return {
            "answer": words,
            "mass (kg)": mass,
            "95 % (± kg)": 1.96 * sd,
            "error (%)": error,
        }

    return pd.DataFrame(
        [
            row("in all", last["mass_kg"], last["mass_sd_kg"]),
            row("given the scale", last["mass_given_scale_kg"], last["mass_sd_given_scale_kg"]),
            row("told the true scale", known["mass_kg"], known["mass_sd_kg"]),
        ]
    )


def draw(rig: Rig, last: pd.Series, truth: dict[str, Any]) -> Any:
    """Mass against scale: a ridge, and what is seen of it from either side."""
    figure = new_figure(9.0, 4.2)
    axes, margin = figure.subplots(1, 2, sharey=True, width_ratios=(2.2, 1.0))
    scale_sd = 100.0 * rig.uncertainty.tractive_scale_sd
    percent = np.linspace(-2.6 * scale_sd, 2.6 * scale_sd, 101)
    implied, implied_sd = last["mass_given_scale_kg"], last["mass_sd_given_scale_kg"]
    factor = 1.0 + percent / 100.0
    low, high = factor * (implied - 1.96 * implied_sd), factor * (implied + 1.96 * implied_sd)
    axes.fill_between(percent, low, high, color=BLUE, alpha=0.75, linewidth=0.0)
    axes.axvspan(-1.96 * scale_sd, 1.96 * scale_sd, color=BLACK, alpha=0.07, linewidth=0.0)
    axes.axvline(0.0, color=BLACK, linewidth=0.9)
    mass, true_percent = truth["mass_kg"], 100.0 * (truth["tractive_scale"] - 1.0)
    marker = {"marker": "*", "markersize": 13, "color": VERMILION, "markeredgecolor": BLACK}
    axes.plot([true_percent], [mass], linestyle="none", zorder=5, **marker)
    axes.annotate(
        "truth",
        (true_percent, mass),
        (-4, 44),
        textcoords="offset points",
        fontsize=9,
        arrowprops={"arrowstyle": "-", "linewidth": 0.8, "shrinkB": 6},
    )
    axes.annotate(
        "given the scale:\nalong one upright line",
        (0.0, implied - 1.96 * implied_sd),
        (10, -62),
        textcoords="offset points",
        fontsize=9,
        arrowprops={"arrowstyle": "->", "linewidth": 0.8},
    )
    axes.set_xlabel("true force over force computed from the log (% above 1)", fontsize=9)
    axes.set_ylabel("combined mass (kg)", fontsize=9)
    axes.set_title("The drive alone leaves a ridge: more force, more mass", fontsize=10, loc="left")
    axes.set_xlim(percent[0], percent[-1])
    axes.text(
        -1.9 * scale_sd,
        high[-1],
        f"grey: the rig knows the force to ± {1.96 * scale_sd:.0f} % (95 %)",
        fontsize=8.5,
        va="top",
    )
    bars = (
        (0, last["mass_kg"], last["mass_sd_kg"], 0.35, "in all"),
        (1, implied, implied_sd, 0.75, "given the\nscale"),
    )
    for place, middle, sd, alpha, _ in bars:
        margin.bar(place, 3.92 * sd, 0.5, middle - 1.96 * sd, color=BLUE, alpha=alpha)
        below = middle - 1.96 * sd - 15.0
        margin.text(place, below, f"± {1.96 * sd:.0f} kg", va="top", ha="center", fontsize=9)
    margin.axhline(mass, color=VERMILION, linestyle="--", linewidth=1.0)
    margin.set_xticks([0, 1], [one[4] for one in bars], fontsize=9)
    margin.set_xlim(-0.5, 1.9)
    margin.set_title("95 % intervals", fontsize=10, loc="left")
    margin.text(1.88, mass, "truth", fontsize=8.5, ha="right", va="bottom")
    for one in (axes, margin):
        one.tick_params(labelsize=8)
        one.spines[["top", "right"]].set_visible(False)
    return figure


def main() -> int:
    """Learn twice, and draw."""
    made = harness.parser(__doc__, seeds=1, quick_seeds=1)
    made.add_argument("--picture", type=Path, metavar="FILE", help="also write the picture here")
    chosen = harness.parse(made)
    shipped = shipped_drive()
    at_end = shipped.truth.iloc[-1]
    truth = {"mass_kg": float(at_end["mass_kg"]), **shipped.drawn}
    last = learn(shipped.rig, shipped.log)
    known = learn(told_the_scale(shipped.rig, truth["tractive_scale"]), shipped.log)
    figure = draw(shipped.rig, last, truth)
    if chosen.picture is not None:
        save(figure, chosen.picture)
    harness.write(chosen, "given_the_scale", rows_of(last, known, truth), figure, digits=4)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
