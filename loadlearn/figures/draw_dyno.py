"""Two sides of a dyno comparison: torque and power above, the gain with its interval below."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loadlearn.figures.style import BLUE, VERMILION, new_figure, small_legend, tidy

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from loadlearn.dyno import DynoComparison

_COLOURS = {"before": BLUE, "after": VERMILION}


def draw_dyno(comparison: DynoComparison) -> Figure:
    """Draw corrected torque, power and gain over engine speed.

    Parameters
    ----------
    comparison : DynoComparison
        Result of :func:`loadlearn.dyno.compare`.
    """
    curves = comparison.curves
    rpm = curves["engine_speed_rpm"].to_numpy()
    figure = new_figure(8.0, 9.0)
    torque, power, gain = figure.subplots(3, 1, sharex=True)
    grid = comparison.run_curves["grid"]
    for axes, quantity, unit in ((torque, "torque", "n_m"), (power, "power", "kw")):
        for side, colour in _COLOURS.items():
            for number, run in enumerate(comparison.run_curves[side]):
                value = run if quantity == "torque" else run * grid * np.pi / 30e3
                label = f"{side}, single runs" if number == 0 else None
                axes.plot(grid, value, color=colour, linewidth=0.7, alpha=0.5, label=label)
            mean = curves[f"{quantity}_{side}_{unit}"].to_numpy()
            peak = comparison.peaks[quantity][side]
            count = len(comparison.run_curves[side])
            axes.plot(rpm, mean, color=colour, linewidth=1.8, label=f"{side}, mean of {count}")
            axes.plot(
                peak["engine_speed_rpm"], peak[f"value_{unit}"], "o", color=colour, markersize=5
            )
            ending = "N·m" if quantity == "torque" else "kW"
            axes.annotate(
                f"{peak[f'value_{unit}']:.0f} {ending}",
                (peak["engine_speed_rpm"], peak[f"value_{unit}"]),
                xytext=(0, 6),
                textcoords="offset points",
                ha="center",
                fontsize=8,
                color=colour,
            )
        axes.margins(y=0.12)
    tidy(torque, "torque at the wheels\nper engine turn (N·m)")
    tidy(power, "power at the wheels (kW)")
    small_legend(torque, loc="lower center", ncols=2)
    if comparison.settings["torque_measured_at"] == "engine":
        torque.set_ylabel("engine torque (N·m)", fontsize=9)
        power.set_ylabel("engine power (kW)", fontsize=9)

    low, high = curves["gain_low95_percent"], curves["gain_high95_percent"]
    gain.fill_between(
        rpm, low, high, color="#DDDDDD", linewidth=0, label="95 %, as things were stated"
    )
    gain.fill_between(
        rpm,
        curves["gain_low95_if_unstated_equal_percent"],
        curves["gain_high95_if_unstated_equal_percent"],
        color="#AAAAAA",
        linewidth=0,
        label="95 %, were all that is not stated alike",
    )
    gain.plot(rpm, curves["gain_percent"], color="black", linewidth=1.6, label="gain")
    gain.axhline(0.0, color="black", linewidth=0.8)
    gain.margins(y=0.1)
    tidy(gain, "gain in torque and power (%)", "engine speed (rpm)")
    small_legend(gain, loc="best", ncols=3)
    applied = comparison.correction["applied"]
    sides = comparison.correction["sides"]
    note = (
        f"corrected to 99 kPa dry and 298 K: factor {sides['before']['factor_mean']:.3f} before, "
        f"{sides['after']['factor_mean']:.3f} after"
        if applied
        else "NOT corrected for the atmosphere"
    )
    figure.suptitle(f"Dyno comparison, {note}", fontsize=10)
    return figure
