"""What was advised over a drive."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import pandas as pd

from loadlearn.figures.style import (
    BLACK,
    BLUE,
    BLUISH_GREEN,
    GREY,
    ORANGE,
    REDDISH_PURPLE,
    SKY_BLUE,
    VERMILION,
    ground_colours,
    new_figure,
    small_legend,
    tidy,
)
from loadlearn.policy.advice_summary import limit_bars
from loadlearn.vehicle.rig import Rig

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


MOST_POINTS = 4000


def draw_advice(trace: pd.DataFrame, advice: pd.DataFrame, rig: Rig) -> Figure:
    """Draw a drive, the load learnt, the settings, the extra torque and the protections.

    Parameters
    ----------
    trace : DataFrame
        The drive in canonical columns.
    advice : DataFrame
        As :func:`loadlearn.policy.advise_log` returns it, one row per sample of the trace.
    rig : Rig
        Its exhaust limit is drawn.
    """
    bars = limit_bars(advice)
    rows = max(len(bars), 1)
    figure = new_figure(10.5, 10.2 + 0.22 * rows)
    heights = [1.0, 1.0, 1.2, 1.2, 1.0, 0.25 + 0.2 * rows]
    panels = figure.subplots(6, 1, sharex=True, gridspec_kw={"height_ratios": heights})
    step = max(1, len(advice) // MOST_POINTS)
    thin, drive = advice.iloc[::step], trace.iloc[::step]
    whole = advice["time_s"].iloc[-1] - advice["time_s"].iloc[0]
    scale, unit = (1.0, "s") if whole < 300.0 else (1.0 / 60.0, "min")
    time = thin["time_s"].to_numpy() * scale

    _draw_road(panels[0], time, drive, thin)
    _draw_load(panels[1], time, thin)
    _draw_settings(panels[2], time, thin)
    _draw_extra(panels[3], time, thin)
    _draw_gas(panels[4], time, drive, thin, rig)
    _draw_limits(panels[5], bars, scale)
    panels[5].set_xlabel(f"time ({unit})", fontsize=9)
    panels[0].set_xlim(time[0], time[-1])
    figure.align_ylabels(panels)
    last = "at the end: " + str(advice["reason"].iloc[-1])
    lines = [
        *textwrap.wrap(f"Advice over the drive, {rig.name}", 130, max_lines=1),
        *textwrap.wrap(last, 130, max_lines=3),
    ]
    figure.suptitle("\n".join(lines), fontsize=10, x=0.01, ha="left")
    return figure


def _draw_road(axes: Axes, time: Any, drive: pd.DataFrame, advice: pd.DataFrame) -> None:
    axes.plot(time, 3.6 * drive["speed_m_s"], color=BLUE, linewidth=1.0, label="speed")
    axes.plot(
        time,
        3.6 * advice["reference_speed_m_s"],
        color=SKY_BLUE,
        linewidth=0.9,
        linestyle="--",
        label="reference speed v*",
    )
    tidy(axes, "speed (km/h)")
    grade = axes.twinx()
    grade.plot(time, advice["present_grade_percent"], color=GREY, linewidth=0.9, label="grade")
    grade.axhline(0.0, color="#CCCCCC", linewidth=0.6)
    grade.set_ylabel("grade, 200 m (%)", fontsize=9)
    grade.tick_params(labelsize=8)
    lines = [*axes.get_lines(), grade.get_lines()[0]]
    small_legend(axes, handles=lines, loc="lower right", ncols=3)


def _draw_load(axes: Axes, time: Any, advice: pd.DataFrame) -> None:
    mass, sd = advice["mass_kg"] / 1000.0, advice["mass_sd_kg"] / 1000.0
    axes.fill_between(time, mass - 1.96 * sd, mass + 1.96 * sd, color=BLUE, alpha=0.2, linewidth=0)
    axes.plot(time, mass, color=BLUE, linewidth=1.2)
    settled = advice["load_known"].to_numpy() > 0.5
    if settled.any():
        low = float((mass - 2.5 * sd)[settled].min())
        high = float((mass + 2.5 * sd)[settled].max())
        axes.set_ylim(low - 0.05 * (high - low), high + 0.25 * (high - low))
    tidy(axes, "combined mass (t)\nand ground")
    surfaces = advice["surface"].astype(str).to_numpy()
    colours = ground_colours(list(dict.fromkeys(surfaces)))
    from matplotlib.patches import Patch

    top = axes.get_xaxis_transform()
    for name, colour in colours.items():
        axes.fill_between(
            time, 0.93, 1.0, where=surfaces == name, color=colour, transform=top, linewidth=0
        )
    patches = [Patch(color=colour, label=name) for name, colour in colours.items() if name != "nan"]
    small_legend(axes, handles=patches, loc="lower right", ncols=5)


def _draw_settings(axes: Axes, time: Any, advice: pd.DataFrame) -> None:
    axes.plot(
        time, advice["retention_asked"], color=GREY, linewidth=0.7, label="retention, heat aside"
    )
    axes.plot(
        time, advice["sustainable_share"], color=ORANGE, linewidth=0.7, label="sustainable share"
    )
    axes.plot(time, advice["power_retention"], color=BLUE, linewidth=1.6, label="power retention")
    axes.plot(time, advice["economy"], color=BLUISH_GREEN, linewidth=1.3, label="economy")
    axes.set_ylim(-0.04, 1.3)
    axes.set_yticks([0.0, 0.5, 1.0])
    tidy(axes, "settings (–)")
    credit = axes.twinx()
    credit.plot(
        time,
        advice["full_share_time_s"],
        color=REDDISH_PURPLE,
        linewidth=0.9,
        linestyle=":",
        label="full-share time",
    )
    credit.set_ylim(-2.4, 78.0)
    credit.set_yticks([0, 30, 60])
    credit.set_ylabel("full-share time (s)", fontsize=9)
    credit.tick_params(labelsize=8)
    small_legend(
        axes, handles=[*axes.get_lines(), *credit.get_lines()], loc="upper center", ncols=5
    )


def _draw_extra(axes: Axes, time: Any, advice: pd.DataFrame) -> None:
    axes.plot(time, advice["torque_factor"], color=ORANGE, linewidth=0.7, label="torque factor")
    axes.fill_between(
        time, 0.0, advice["extra_torque"], color=BLUE, alpha=0.45, linewidth=0, label="allowed"
    )
    # Last, for all of it wanted lies on the factor's line.
    axes.plot(time, advice["wanted_share"], color=BLACK, linewidth=1.0, label="wanted")
    axes.set_ylim(-0.04, 1.3)
    axes.set_yticks([0.0, 0.5, 1.0])
    tidy(axes, "extra torque (–)")
    small_legend(axes, loc="upper center", ncols=3)


def _draw_gas(axes: Axes, time: Any, drive: pd.DataFrame, advice: pd.DataFrame, rig: Rig) -> None:
    place = rig.limits.exhaust_gas_temp_sensor
    after = place == "after_turbine"
    limits = rig.limits
    limit = limits.exhaust_gas_temp_after_turbine_degc if after else limits.exhaust_gas_temp_degc
    name = "exhaust_gas_temp_after_turbine_degc" if after else "exhaust_gas_temp_degc"
    axes.plot(
        time,
        advice["exhaust_gas_estimate_degc"],
        color=VERMILION,
        linewidth=0.9,
        label="gas before the turbine, estimated",
    )
    if name in drive and place != "none":
        label = "sensor, after the turbine" if after else "sensor"
        axes.plot(time, drive[name], color=BLACK, linewidth=0.8, label=label)
        axes.axhline(limit, color=GREY, linestyle="--", linewidth=0.8, label="limit at the sensor")
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.3 * (high - low))
    tidy(axes, "exhaust gas (°C)")
    small_legend(axes, loc="upper center", ncols=3)


def _draw_limits(axes: Axes, bars: dict[str, list[tuple[float, float]]], scale: float) -> None:
    names = list(bars)
    for row, name in enumerate(names):
        spans = [(start * scale, max(length * scale, 1e-9)) for start, length in bars[name]]
        axes.broken_barh(spans, (row - 0.38, 0.76), color=VERMILION, linewidth=0.4)
    axes.set_ylim(max(len(names), 1) - 0.5, -0.5)
    axes.set_yticks(range(len(names)), [name.replace("_", " ") for name in names])
    tidy(axes, "acting")
    axes.tick_params(axis="y", labelsize=7)
    axes.grid(False, axis="y")
