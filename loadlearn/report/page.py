"""The page itself: our template, filled; nothing in it is fetched from anywhere."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from loadlearn.figures.style import ground_colours
from loadlearn.report.comparison_section import comparison_section
from loadlearn.report.contents import MOST_ROWS, Contents, Section, read_contents
from loadlearn.report.report_words import CAUTIONS, plain_summary

_HERE = Path(__file__).resolve().parent

# Columns that the replay tells at each instant: name, label, factor, decimals, unit.
_READOUTS = (
    ("speed_m_s", "speed", 3.6, 0, "km/h"),
    ("grade_percent", "grade", 1.0, 1, "%"),
    ("mass_kg", "combined mass", 1e-3, 2, "t"),
    ("mass_sd_kg", "± one sd", 1e-3, 2, "t"),
    ("rolling_resistance", "rolling resistance", 1.0, 4, ""),
    ("drag_area_m2", "drag area", 1.0, 2, "m²"),
    ("power_retention", "power retention", 1.0, 2, ""),
    ("full_share_time_s", "full-share time", 1.0, 0, "s"),
    ("economy", "economy", 1.0, 2, ""),
    ("extra_torque", "extra torque allowed", 1.0, 2, ""),
)

_QUANTITIES = (
    ("Combined mass", "mass_kg", "kg", 0),
    ("Trailer mass (combined − tow vehicle)", "trailer_mass_kg", "kg", 0),
    ("Rolling resistance at 20 m/s", "rolling_resistance", "", 4),
    ("Drag area", "drag_area_m2", "m²", 2),
)

# Of a section's values, what a reader wants first; the rest is folded away.
_FOREMOST = {
    *("findings", "warnings", "together", "peaks", "gain", "overall", "groups"),
    *("at_end", "seconds_limited", "setting_changes", "strategies", "differences", "caution"),
}


def build_page(folder: Path) -> str:
    """Make the page of an output folder.

    Parameters
    ----------
    folder : Path
        Where commands wrote.

    Returns
    -------
    str
        HTML that needs no network and no other file.

    Raises
    ------
    InputError
        The folder holds nothing to report, or a file in it cannot be read.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    contents = read_contents(folder)
    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    # The plots' description refers to what stands before: its order must stay.
    environment.policies["json.dumps_kwargs"] = {"sort_keys": False}
    plots: dict[str, Any] | None = None
    scripts: list[str] = []
    drive = None
    history = _with_advice(contents)
    if history is not None:
        from bokeh.resources import Resources

        from loadlearn.report.plots import linked_plots

        plots = linked_plots(history)
        scripts = Resources(mode="inline", components=["bokeh"]).js_raw
        drive = replay_data(history)
    return environment.get_template("page.html.j2").render(
        contents=contents,
        said=plain_summary(contents.summary, history)
        if contents.summary is not None and history is not None
        else [],
        quantities=_quantities(contents.summary),
        grounds=(contents.summary or {}).get("surfaces", []),
        sections=[_section(section) for section in contents.sections],
        columns_of=_columns_of,
        cautions=CAUTIONS,
        plots=plots,
        drive=drive,
        # Our own files and the plotting library's: the only markup that is not escaped.
        style=Markup((_HERE / "page.css").read_text(encoding="utf-8")),
        replay=Markup((_HERE / "replay.js").read_text(encoding="utf-8")),
        library=[Markup(script) for script in scripts],
    )


def _with_advice(contents: Contents) -> pd.DataFrame | None:
    """Estimates with the advised settings beside them, when both are there."""
    history = contents.history
    if history is None:
        return None
    for section in contents.sections:
        advice = section.table
        if section.name == "advice" and advice is not None and "time_s" in advice:
            new = [name for name in advice.columns if name not in history or name == "time_s"]
            numbers = advice[new].astype({"time_s": float})
            history = pd.merge_asof(history, numbers.sort_values("time_s"), on="time_s")
    return history


def replay_data(history: pd.DataFrame) -> dict[str, Any]:
    """What the replay's script needs, as plain lists.

    Parameters
    ----------
    history : DataFrame
        Estimates with the drive's columns beside them.

    Returns
    -------
    dict
        ``time`` (s), ``distance`` (km), ``height`` (m, from altitude, else from grade, else flat),
        ``ground`` with ``colours``, ``readouts`` and ``cursor``, the name of the plots' cursor.
    """
    from loadlearn.report.plots import CURSOR

    time = history["time_s"].to_numpy(dtype=float)
    if "distance_m" in history:
        distance = history["distance_m"].ffill().fillna(0.0).to_numpy()
    else:
        distance = (time - time[0]) * 1.0
    height, height_from = _height(history, distance)
    grounds = history["surface"].astype(str).tolist() if "surface" in history else []
    readouts = [
        {
            "label": label,
            "unit": unit,
            "decimals": decimals,
            "values": _numbers(history[name].to_numpy(dtype=float) * factor, decimals + 1),
        }
        for name, label, factor, decimals, unit in _READOUTS
        if name in history and not history[name].isna().all()
    ]
    return {
        "time": _numbers(time, 3),
        "distance": _numbers(distance / 1e3, 4),
        "height": _numbers(height, 1),
        "heightFrom": height_from,
        "ground": grounds,
        "colours": ground_colours(list(dict.fromkeys(grounds))),
        "readouts": readouts,
        "aside": history["set_aside_because"].fillna("").astype(str).tolist()
        if "set_aside_because" in history
        else [],
        "reason": history["reason"].fillna("").astype(str).tolist() if "reason" in history else [],
        "cursor": CURSOR,
    }


def _height(history: pd.DataFrame, distance: Any) -> tuple[Any, str]:
    if "altitude_m" in history and history["altitude_m"].notna().any():
        return history["altitude_m"].ffill().bfill().to_numpy(), "altitude"
    if "grade_percent" in history and history["grade_percent"].notna().any():
        grade = history["grade_percent"].fillna(0.0).to_numpy() / 100.0
        steps = np.diff(distance) * 0.5 * (grade[1:] + grade[:-1])
        return np.concatenate(([0.0], np.cumsum(steps))), "grade"
    return np.zeros(len(history)), "none"


def _numbers(values: Any, decimals: int) -> list[float | None]:
    return [
        round(float(value), decimals) if np.isfinite(value) else None
        for value in np.asarray(values)
    ]


def _quantities(summary: dict[str, Any] | None) -> list[dict[str, str]]:
    if summary is None:
        return []
    rows = []
    for label, key, unit, decimals in _QUANTITIES:
        value = summary[key]
        low, high = value["interval95"]
        rows.append(
            {
                "label": label,
                "mean": f"{value['mean']:,.{decimals}f} {unit}".rstrip(),
                "interval": f"{low:,.{decimals}f} to {high:,.{decimals}f}",
                "sd": f"{value['sd']:,.{decimals}f}",
                "given": f"{value['sd_given_scale']:,.{decimals}f}",
            }
        )
    return rows


def _section(section: Section) -> dict[str, Any]:
    """A section in the form the template prints."""
    table = None
    if section.table is not None:
        frame = section.table
        step = max(1, -(-len(frame) // MOST_ROWS))
        table = {
            "columns": [str(name).replace("_", " ") for name in frame.columns],
            "rows": [[_cell(value) for value in row] for row in frame.iloc[::step].to_numpy()],
            "shown": len(frame.iloc[::step]),
            "all": len(frame),
        }
    told = comparison_section(section.values) if section.name == "comparison" else None
    if told is not None:
        # In words; what else the files hold is beside the page.
        return {
            "title": section.title,
            "name": section.name,
            "told": told,
            "values": {},
            "more": {},
            "table": None,
            "pictures": section.pictures,
        }
    return {
        "title": section.title,
        "name": section.name,
        "told": None,
        "values": _tree({key: v for key, v in section.values.items() if key in _FOREMOST and v}),
        "more": _tree({key: v for key, v in section.values.items() if key not in _FOREMOST}),
        "table": table,
        "pictures": section.pictures,
    }


def _tree(value: Any) -> Any:
    """Nested values with printable leaves and names."""
    if isinstance(value, dict):
        return {str(key).replace("_", " "): _tree(item) for key, item in value.items()}
    if isinstance(value, list):
        numbers = [isinstance(item, int | float) and not isinstance(item, bool) for item in value]
        if value and all(numbers):
            return (" to " if len(value) == 2 else "; ").join(_cell(item) for item in value)
        return [_tree(item) for item in value]
    return _cell(value)


def _columns_of(rows: list[dict[str, Any]]) -> list[str]:
    """Names met in any row, in order of appearance."""
    return list(dict.fromkeys(name for row in rows for name in row))


def _cell(value: Any) -> str:
    if value is None or (isinstance(value, float) and not np.isfinite(value)):
        return "–"
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, float | np.floating):
        return f"{float(value):.5g}"
    return str(value)
