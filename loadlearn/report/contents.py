"""What an output folder holds, read and checked."""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from loadlearn.errors import InputError

TRUTH_FILE = "truth.parquet"
"""Where 'estimate --truth' keeps what it was told."""

BESIDE_FILE = "beside.parquet"
"""Where 'estimate --beside' keeps what the baseline said."""

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
    history, trace : DataFrame or None
        Estimates, and the drive they are of, one row per sample.
    truth : DataFrame or None
        What was true of it, where the folder holds it.
    beside : DataFrame or None
        What a baseline would have said, where the folder holds it.
    provenance : dict
        ``provenance.json``, or empty.
    sections : list of Section
        What the other commands left.
    traces : DataFrame or None
        The simulated drives of a comparison.
    """

    folder: str
    summary: dict[str, Any] | None
    history: pd.DataFrame | None
    provenance: dict[str, Any] = field(default_factory=dict)
    sections: list[Section] = field(default_factory=list)
    trace: pd.DataFrame | None = None
    truth: pd.DataFrame | None = None
    beside: pd.DataFrame | None = None
    traces: pd.DataFrame | None = None


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
    provenance = _read_json(folder / "provenance.json") or {}
    known = summary is not None
    compared = any(section.name == "comparison" for section in sections)
    return Contents(
        folder=folder.resolve().name,
        summary=summary,
        history=history,
        provenance=provenance,
        sections=sections,
        trace=_read_if_there(folder / "trace.parquet") if known else None,
        truth=_read_truth(folder, provenance) if known else None,
        beside=_read_if_there(folder / BESIDE_FILE) if known else None,
        traces=_read_if_there(folder / "traces.parquet") if compared else None,
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
        return pd.read_csv(path, low_memory=False)
    except (OSError, ValueError) as error:
        raise InputError(
            f"{path}: cannot be read ({error}); run the command that wrote it again"
        ) from None


def _read_history(folder: Path) -> pd.DataFrame | None:
    """The estimates, by the best file there is."""
    for name in ("estimates.parquet", "estimates.csv"):
        if (folder / name).is_file():
            history = _read_table(folder / name)
            break
    else:
        raise InputError(
            f"{folder}: has summary.json but neither estimates.parquet nor estimates.csv; run "
            "'loadlearn estimate' again"
        )
    return _in_order(history, folder / name, "estimates")


def _read_if_there(path: Path) -> pd.DataFrame | None:
    if not path.is_file():
        return None
    return _in_order(_read_table(path), path, "drive")


def _in_order(table: pd.DataFrame, path: Path, what: str) -> pd.DataFrame:
    """A table over time in the order of its stamps."""
    if len(table) == 0 or "time_s" not in table:
        raise InputError(f"{path}: holds no {what}; run the command that wrote it again")
    time = pd.to_numeric(table["time_s"], errors="coerce").to_numpy(dtype=float)
    if not np.isfinite(time).all():
        raise InputError(f"{path}: column 'time_s' is not all numbers; run the command again")
    if (np.diff(time) < 0.0).any():
        return table.iloc[np.argsort(time, kind="stable")].reset_index(drop=True)
    return table


def _read_truth(folder: Path, provenance: dict[str, Any]) -> pd.DataFrame | None:
    """What was true of the drive: as 'estimate' was told it, or of the simulated log beside."""
    if (folder / TRUTH_FILE).is_file():
        return _read_if_there(folder / TRUTH_FILE)
    beside = folder / "truth.csv"
    log = provenance.get("inputs", {}).get("log", {})
    simulated = folder / str(log.get("file", ""))
    if not beside.is_file() or not simulated.is_file():
        return None
    same = hashlib.sha256(simulated.read_bytes()).hexdigest() == log.get("sha256")
    return _read_if_there(beside) if same else None


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
    if table is not None and name == "advice":
        table = _in_order(table, csv, "advice")
    return Section(name, title, values, table, pictures)
