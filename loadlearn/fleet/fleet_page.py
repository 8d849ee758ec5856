"""The page of a fleet: one file of HTML that asks for nothing."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

import loadlearn.report.report_words as words
from loadlearn.condition.assessment import ADVICE
from loadlearn.fleet.overview import Overview, VehicleSeen, most_told
from loadlearn.report.page_templates import page_templates

_HERE = Path(__file__).resolve().parent
_STYLE = _HERE.parent / "report" / "page.css"

WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 760, 170, 52, 12, 12, 30
"""Of a plot and its margins (px)."""


def fleet_page(overview: Overview, about: Mapping[str, Any]) -> str:
    """Make the page.

    Parameters
    ----------
    overview : Overview
    about : mapping
        Provenance.

    Returns
    -------
    str
        HTML that needs no network and no other file.
    """
    from markupsafe import Markup

    template = page_templates(_HERE).get_template("fleet_page.html.j2")
    return template.render(
        fleet=overview,
        about=about,
        reasons=most_told(overview.reasons),
        failures=most_told(overview.failures),
        plots=[(vehicle, mass_plot(vehicle)) for vehicle in overview.shown],
        cautions=words.CAUTIONS,
        advice=ADVICE,
        # Our own file: the only markup that is not escaped.
        style=Markup(_STYLE.read_text(encoding="utf-8")),
    )


def mass_plot(vehicle: VehicleSeen) -> dict[str, Any] | None:
    """Where the masses of a vehicle stand in its plot.

    Parameters
    ----------
    vehicle : VehicleSeen

    Returns
    -------
    dict or None
        ``points`` with places in px, ``heights`` and ``times``, the ticks of the axes, and
        ``when``, what the horizontal axis shows; None without drives.
    """
    drives = list(vehicle.shown)
    if not drives:
        return None
    if all(one.start for one in drives):
        stamps = [datetime.fromisoformat(one.start or "").timestamp() for one in drives]
        at, when = np.array(stamps), "date (UTC)"
    else:
        at, when = np.arange(len(drives), dtype=float), "drive, in the manifest's order"
    weighed = [one.weighed_kg for one in drives if one.weighed_kg is not None]
    # An interval that knows nothing would press all others flat: it runs off the plot.
    ends = np.array([[one.low95_kg, one.high95_kg] for one in drives])
    told = np.array([one.mass_kg for one in drives] + weighed)
    low = min(told.min(), np.quantile(ends[:, 0], 0.1, method="higher"))
    high = max(told.max(), np.quantile(ends[:, 1], 0.9, method="lower"))
    heights = nice_ticks(max(low, 0.0) / 1e3, high / 1e3)
    span_t = heights[-1] - heights[0]

    def across(value: float) -> float:
        extent = at[-1] - at[0]
        share = (value - at[0]) / extent if extent > 0.0 else 0.5
        return round(LEFT + 8 + share * (WIDTH - LEFT - RIGHT - 16), 1)

    def down(mass_kg: float) -> float:
        share = min(max((mass_kg / 1e3 - heights[0]) / span_t, 0.0), 1.0)
        return round(HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM), 1)

    points = [
        {
            "x": across(place),
            "y": down(one.mass_kg),
            "low": down(one.low95_kg),
            "high": down(one.high95_kg),
            "weighed": None if one.weighed_kg is None else down(one.weighed_kg),
            "trusted": one.trusted,
            "title": f"{one.log}{', ' + one.start[:10] if one.start else ''}: "
            f"{words.tonnes(one.mass_kg)} ({words.tonnes(one.low95_kg)} to "
            f"{words.tonnes(one.high95_kg)}){'' if one.trusted else ', not to be trusted'}"
            f"{'' if one.weighed_kg is None else ', weighed ' + words.tonnes(one.weighed_kg)}",
        }
        for place, one in zip(at, drives, strict=True)
    ]
    first, last = drives[0], drives[-1]
    ends_of_axis = (
        [(across(at[0]), (first.start or "")[:10]), (across(at[-1]), (last.start or "")[:10])]
        if when.startswith("date")
        else [(across(at[0]), "1"), (across(at[-1]), str(len(drives)))]
    )
    return {
        "points": points,
        "heights": [(down(1e3 * tick), f"{tick:g}") for tick in heights],
        "times": ends_of_axis if len(drives) > 1 else ends_of_axis[:1],
        "when": when,
        "weighed": bool(weighed),
        "size": (WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM),
    }


def nice_ticks(low: float, high: float) -> list[float]:
    """Three to six round numbers that enclose a range.

    Parameters
    ----------
    low, high : float
    """
    span = max(high - low, 0.05 * abs(high), 1e-9)
    decade = 10.0 ** np.floor(np.log10(span / 3.0))
    step = decade * next(one for one in (1.0, 2.0, 5.0, 10.0) if span / (one * decade) <= 4.0)
    first = np.floor(low / step + 1e-9)
    count = max(int(np.ceil(high / step - first - 1e-9)), 1)
    return [float(round((first + number) * step, 9)) for number in range(count + 1)]
