"""What an output folder holds: read, checked, and thinned to what a page can show."""

from __future__ import annotations

import base64
import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from loadlearn.errors import InputError

MOST_POINTS = 1500
"""Points a plot or the replay holds; more would only make the page heavy."""
MOST_ROWS = 60
"""Rows of a table printed in the page; the CSV beside it has all."""

SECTIONS = (
    ("advice", "Settings called for"),
    ("schedule", "The strategy as a table"),
    ("comparison", "The same road under several strategies"),
    ("dyno", "Wheel-dyno runs, before and after"),
    ("condition", "Condition of the engine"),
    ("validation", "Against weighed masses"),
)


@dataclass(frozen=True)
class Section:
    """What one command left: values, a table, pictures.

    Attributes
    ----------
    name, title : str
        Stem of its files; heading.
    values : dict
        Its JSON.
    table : DataFrame or None
        Its CSV.
    pictures : dict
        Data URI by file name.
    """

    name: str
    title: str
    values: dict[str, Any]
    table: pd.DataFrame | None
    pictures: dict[str, str]


@dataclass(frozen=True)
class Contents:
    """An output folder, read.

    Attributes
    ----------
    folder : str
        Its name.
    summary : dict or None
        ``summary.json``.
    history : DataFrame or None
        Estimates at no more than ``MOST_POINTS`` instants, with the drive's columns beside them.
    provenance : dict
        ``provenance.json``, or empty.
    sections : list of Section
        What the other commands left.
    """

    folder: str
    summary: dict[str, Any] | None
    history: pd.DataFrame | None
    provenance: dict[str, Any] = field(default_factory=dict)
    sections: list[Section] = field(default_factory=list)


def read_contents(folder: Path) -> Contents:
    """Read an output folder.

    Parameters
    ----------
    folder : Path
        Where commands wrote.

    Raises
    ------
    InputError
        There is no such folder, nothing in it can be reported, or a file in it cannot be read.
    """
    if not folder.is_dir():
        raise InputError(f"{folder}: no such folder; give one that 'loadlearn estimate' wrote to")
    summary = _read_json(folder / "summary.json")
    history = None
    if summary is not None:
        for key in ("mass_kg", "trailer_mass_kg", "rolling_resistance", "drag_area_m2", "trust"):
            if key not in summary:
                raise InputError(
                    f"{folder / 'summary.json'}: has no '{key}'; run 'loadlearn estimate' again"
                )
        history = _read_history(folder)
    sections = [
        section for name, title in SECTIONS if (section := _read_section(folder, name, title))
    ]
    if summary is None and not sections:
        raise InputError(
            f"{folder}: holds nothing to report; run 'loadlearn estimate' with --out {folder} first"
        )
    return Contents(
        folder=folder.resolve().name,
        summary=summary,
        history=history,
        provenance=_read_json(folder / "provenance.json") or {},
        sections=sections,
    )


def _read_json(path: Path) -> dict[str, Any] | None:
    try:
        value = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise InputError(
            f"{path}: cannot be read ({error}); run the command that wrote it again"
        ) from None
    if not isinstance(value, dict):
        raise InputError(f"{path}: is not what loadlearn writes; run the command again")
    return value


def _read_table(path: Path) -> pd.DataFrame:
    try:
        if path.suffix == ".parquet":
            return pd.read_parquet(path)
        return pd.read_csv(path)
    except (OSError, ValueError) as error:
        raise InputError(
            f"{path}: cannot be read ({error}); run the command that wrote it again"
        ) from None


def _read_history(folder: Path) -> pd.DataFrame | None:
    """Estimates and drive on one time axis, thinned."""
    for name in ("estimates.parquet", "estimates.csv"):
        if (folder / name).is_file():
            history = _read_table(folder / name)
            break
    else:
        raise InputError(
            f"{folder}: has summary.json but neither estimates.parquet nor estimates.csv; run "
            "'loadlearn estimate' again"
        )
    if len(history) == 0 or "time_s" not in history:
        raise InputError(f"{folder / name}: holds no estimates; run 'loadlearn estimate' again")
    history = _thin(history)
    if "tractive_force_n" in history and "learning" in history:
        # Where a sample was set aside its force is not known.
        history["tractive_force_n"] = history["tractive_force_n"].where(history["learning"] > 0.5)
    if (folder / "trace.parquet").is_file():
        trace = _read_table(folder / "trace.parquet").sort_values("time_s")
        trace = trace.assign(distance_m=_distance(trace))
        beside = [name for name in trace.columns if name not in history or name == "time_s"]
        history = pd.merge_asof(history, trace[beside], on="time_s")
    return history


def _distance(trace: pd.DataFrame) -> pd.Series:
    speed = trace["speed_m_s"].fillna(0.0).to_numpy()
    steps = np.diff(trace["time_s"].to_numpy()) * 0.5 * (speed[1:] + speed[:-1])
    return pd.Series(np.concatenate(([0.0], np.cumsum(steps))), index=trace.index)


def _thin(table: pd.DataFrame) -> pd.DataFrame:
    """At most ``MOST_POINTS`` rows, the last among them."""
    if len(table) <= MOST_POINTS:
        return table.reset_index(drop=True)
    rows = np.unique(np.linspace(0, len(table) - 1, MOST_POINTS).round().astype(int))
    return table.iloc[rows].reset_index(drop=True)


def _read_section(folder: Path, name: str, title: str) -> Section | None:
    """What a command left; None without the JSON that marks completion."""
    values = _read_json(folder / f"{name}.json")
    if values is None:
        return None
    csv = folder / f"{name}.csv"
    pictures = {
        path.name: "data:image/png;base64," + base64.b64encode(path.read_bytes()).decode()
        for path in sorted(folder.glob(f"{name}*.png"))
    }
    table = _read_table(csv) if csv.is_file() else None
    return Section(name, title, values, table, pictures)
