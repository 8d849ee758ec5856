"""Linked, zoomable plots for the page: one time axis, one cursor that the replay moves."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from loadlearn.figures.bands import band_95, settled_range
from loadlearn.figures.style import BLACK, BLUE, BLUISH_GREEN, ORANGE, REDDISH_PURPLE, VERMILION

if TYPE_CHECKING:
    from bokeh.plotting import figure as Plot

CURSOR = "replay-cursor"

# Panels over time: column, label, colour, factor. A panel without its column is left out.
_PANELS = (
    ("speed_m_s", "speed (km/h)", BLACK, 3.6),
    ("grade_percent", "grade (%)", BLACK, 1.0),
    ("tractive_force_n", "force at the tread (kN)", BLACK, 1e-3),
    ("mass_kg", "combined mass (t)", BLUE, 1e-3),
    ("rolling_resistance", "rolling resistance at 20 m/s (–)", BLUISH_GREEN, 1.0),
    ("drag_area_m2", "drag area (m²)", ORANGE, 1.0),
    ("extra_torque", "extra torque allowed (0–1)", VERMILION, 1.0),
    ("power_retention", "power retention (0–1)", REDDISH_PURPLE, 1.0),
    ("full_share_time_s", "full-share time (s)", BLACK, 1.0),
    ("economy", "economy (0–1)", BLUISH_GREEN, 1.0),
)


def linked_plots(history: pd.DataFrame) -> dict[str, Any]:
    """Build the plots over time.

    Parameters
    ----------
    history : DataFrame
        ``time_s`` and any of the columns that have a panel; ``<name>_low95``/``_high95`` or
        ``<name>_sd`` give the band.

    Returns
    -------
    dict
        For ``Bokeh.embed.embed_item``.
    """
    from bokeh.embed import json_item
    from bokeh.layouts import column
    from bokeh.models import Range1d
    from bokeh.plotting import figure

    time = history["time_s"].to_numpy(dtype=float) / 60.0
    shared = Range1d(start=float(time[0]), end=float(max(time[-1], time[0] + 1e-3)))
    plots: list[Plot] = []
    for name, label, colour, factor in _PANELS:
        if name not in history or history[name].isna().all():
            continue
        plot = figure(
            height=170,
            sizing_mode="stretch_width",
            x_range=shared,
            title=label,
            tools="xpan,xwheel_zoom,xbox_zoom,reset",
            active_drag="xbox_zoom",
            active_scroll=None,
            output_backend="canvas",
        )
        _draw(plot, history, time, name, colour, factor)
        if (shown := settled_range(history, name)) is not None:
            plot.y_range = Range1d(start=shown[0] * factor, end=shown[1] * factor)
        plots.append(plot)
    _style(plots)
    return _renumbered(dict(json_item(column(*plots, sizing_mode="stretch_width"))))


def _renumbered(item: dict[str, Any]) -> dict[str, Any]:
    """The same description with its objects counted from one: the same input, the same page."""
    text = json.dumps(item)
    known: dict[str, str] = {}
    text = re.sub(r'"p\d+"', lambda found: known.setdefault(found[0], f'"p{len(known) + 1}"'), text)
    return dict(json.loads(text))


def _draw(
    plot: Plot, history: pd.DataFrame, time: Any, name: str, colour: str, factor: float
) -> None:
    from bokeh.models import ColumnDataSource, HoverTool, Span

    value = history[name].to_numpy(dtype=float) * factor
    data = {"time": time, "value": value}
    edges = band_95(history, name)
    if edges is not None:
        data["low"], data["high"] = edges[0] * factor, edges[1] * factor
    source = ColumnDataSource({key: np.asarray(item, np.float32) for key, item in data.items()})
    if edges is not None:
        plot.varea("time", "low", "high", source=source, fill_color=colour, fill_alpha=0.22)
    line = plot.line("time", "value", source=source, line_color=colour, line_width=1.6)
    tips = [("time", "@time{0.0} min"), ("value", "@value{0.0000}")]
    if edges is not None:
        tips.append(("95 %", "@low{0.0000} to @high{0.0000}"))
    plot.add_tools(HoverTool(renderers=[line], tooltips=tips, mode="vline"))
    plot.add_layout(
        Span(
            location=float(time[0]),
            dimension="height",
            line_color=VERMILION,
            line_width=1.5,
            name=CURSOR,
        )
    )


def _style(plots: list[Plot]) -> None:
    for plot in plots:
        plot.toolbar.logo = None
        plot.toolbar.autohide = True
        plot.title.text_font_size = "13px"
        plot.title.text_font_style = "normal"
        plot.xaxis.visible = plot is plots[-1]
        plot.xaxis.axis_label = "time (min)"
        plot.yaxis.major_label_text_font_size = "11px"
        plot.axis.minor_tick_line_color = None
        plot.min_border_left = 52
        plot.min_border_right = 8
