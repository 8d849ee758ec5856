"""Read a road from a file: sections in TOML, or points in CSV.

TOML, for a road written by hand::

    name = "depot to ramp"
    start_altitude_m = 12.0
    seed = 4                    # of the hills, bends and everything else that is drawn

    [[section]]
    length_m = 9000.0
    relief = "rolling"          # level, flat, rolling, highway, mountain: hills about the mean
    grade_percent = 0.5         # mean grade
    ground = "sealed"
    rolling_resistance = 0.012  # optional, at 20 m/s; else drawn
    speed_limit_km_h = 80.0     # or several to choose from
    wind_m_s = 4.0              # optional, with wind_from_deg
    temperature_degc = 31.0     # optional

    [[stop]]
    distance_m = 2400.0         # and the other attributes of ``Stop``

CSV, for a surveyed road: columns ``distance_m`` and ``grade_percent`` or ``altitude_m``, optional
``ground``, ``rolling_resistance``, ``speed_limit_km_h`` or ``speed_limit_m_s``, ``curvature_1_m``,
``heading_deg``, ``wind_m_s``, ``wind_from_deg``, ``temperature_degc``; rows in order of distance,
with commas, or with semicolons and decimal commas. An empty cell of an optional column takes the
value above it. A grade computed from altitude is the mean over about 100 m, so that an altitude in
whole metres does not make a staircase of the road.
"""

from __future__ import annotations

import tomllib
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.simulation.road import (
    GRID_M,
    RELIEFS,
    Road,
    Segment,
    Stop,
    altitude_from_grade,
    bends,
    ground_index,
    hills,
    random_road,
)

FloatArray = NDArray[np.float64]

GRADE_MAX_PERCENT = 60.0
_SECTION_KEYS = frozenset(
    {
        "length_m",
        "relief",
        "grade_percent",
        "ground",
        "rolling_resistance",
        "speed_limit_km_h",
        "wind_m_s",
        "wind_from_deg",
        "temperature_degc",
    }
)
_TOP_KEYS = frozenset({"name", "start_altitude_m", "seed", "section", "stop"})
_TRANSITION_M = 150.0
_LONGEST_M = 2e6
_CURVATURE_MAX_1_M = 0.2  # a radius of 5 m, tighter than any vehicle turns
_ALTITUDE_SMOOTH_M = 205.0  # whole width of the window; its half width is what smooths


def read_road(path: str | Path) -> Road:
    """Read a road file.

    Parameters
    ----------
    path : str or Path
        ``.toml`` or ``.csv`` (``.csv.gz`` too).

    Raises
    ------
    InputError
        The file cannot be read, a key or column is unknown or missing, or a value is impossible.
    """
    name = str(path)
    if name.endswith(".toml"):
        return _from_toml(Path(path))
    if name.endswith((".csv", ".csv.gz")):
        return _from_csv(Path(path))
    raise InputError(f"{name}: a road file ends in .toml or .csv; rename or convert it")


def _number(value: Any, where: str, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise InputError(f"{where} is {value!r}; give a number from {low:g} to {high:g}")
    return float(value)


def _from_toml(path: Path) -> Road:
    try:
        with open(path, "rb") as file:
            table = tomllib.load(file)
    except FileNotFoundError:
        raise InputError(f"{path}: no such road file; check the path") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: the road file cannot be read ({error})") from None
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: not valid TOML: {error}; mend that line") from None
    _known(table, _TOP_KEYS, str(path))
    sections = _tables(table, "section", path)
    if not sections:
        raise InputError(f"{path}: no [[section]]; add at least one with length_m")
    seed = int(_number(table.get("seed", 0), f"{path}: seed", 0, 2**31))
    segments, parts = [], []
    for number, section in enumerate(sections, start=1):
        where = f"{path}: section {number}"
        _known(section, _SECTION_KEYS, where)
        if "length_m" not in section:
            raise InputError(f"{where} has no length_m; add it")
        length = _number(section["length_m"], f"{where}: length_m", GRID_M, _LONGEST_M)
        relief = section.get("relief", "level")
        if not isinstance(relief, str) or relief not in RELIEFS:
            raise InputError(f"{where}: relief '{relief}' is unknown; use {', '.join(RELIEFS)}")
        ground = section.get("ground", "sealed")
        ground_index(ground, where)
        limits = section.get("speed_limit_km_h", list(RELIEFS[relief].limits_km_h))
        limits = limits if isinstance(limits, list) else [limits]
        if not limits:
            raise InputError(f"{where}: speed_limit_km_h is empty; give a number, or leave it out")
        speeds = tuple(
            _number(limit, f"{where}: speed_limit_km_h", 2.0, 200.0) / 3.6 for limit in limits
        )
        given = section.get("rolling_resistance")
        if given is not None:
            given = _number(given, f"{where}: rolling_resistance", 0.001, 1.0)
        segments.append(Segment(ground, length, given, speeds))
        parts.append((length, relief, section, where))
    total = sum(part[0] for part in parts)
    if total > _LONGEST_M:
        raise InputError(
            f"{path}: the road is {total / 1e3:,.0f} km long, and at most {_LONGEST_M / 1e3:,.0f} "
            "are driven; cut it in parts"
        )
    road = random_road(seed, total, "level", segments, stops=_read_stops(table, path, total))
    grade, curvature, heading = _relief(parts, road.distance_m, seed)
    weather = {
        key: _piecewise(parts, road.distance_m, key, low, high)
        for key, low, high in (
            ("wind_m_s", 0.0, 60.0),
            ("wind_from_deg", -360.0, 360.0),
            ("temperature_degc", -60.0, 60.0),
        )
    }
    start = _number(table.get("start_altitude_m", 0.0), f"{path}: start_altitude_m", -500.0, 6000.0)
    altitude = _on_earth(altitude_from_grade(grade, start), path)
    return Road(
        name=str(table.get("name", path.stem)),
        distance_m=road.distance_m,
        grade_percent=grade,
        altitude_m=altitude,
        ground=road.ground,
        segment=road.segment,
        rolling_resistance=road.rolling_resistance,
        speed_limit_m_s=road.speed_limit_m_s,
        curvature_1_m=curvature,
        heading_deg=heading,
        stops=road.stops,
        **weather,
    )


def _known(table: dict[str, Any], keys: frozenset[str], where: str) -> None:
    for key in table:
        if key not in keys:
            raise InputError(f"{where}: unknown key '{key}'; known here: {', '.join(sorted(keys))}")


def _on_earth(altitude_m: FloatArray, path: Path) -> FloatArray:
    low, high = float(altitude_m.min()), float(altitude_m.max())
    if low < -1000.0 or high > 9000.0:
        raise InputError(
            f"{path}: the grades lead from {low:,.0f} to {high:,.0f} m of altitude; check "
            "grade_percent (rise over run) and the start's altitude"
        )
    return altitude_m


def _tables(table: dict[str, Any], key: str, path: Path) -> list[dict[str, Any]]:
    """Entries of an array of tables; absent is empty."""
    entries = table.get(key, [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise InputError(f"{path}: write each {key} under a heading [[{key}]] of its own")
    return entries


# What numbers of a stop may be, and which of its keys are true or false.
_STOP_NUMBERS = {
    "duration_s": (1.0, 1e5),
    "new_mass_kg": (100.0, 200_000.0),
    "new_drag_area_m2": (0.1, 50.0),
    "tyre_factor": (0.1, 10.0),
}
_STOP_FLAGS = ("engine_off", "logger_off", "reverse_first")


def _read_stops(table: dict[str, Any], path: Path, total: float) -> list[Stop]:
    names = {item.name for item in fields(Stop)}
    stops = []
    for number, entry in enumerate(_tables(table, "stop", path), start=1):
        where = f"{path}: stop {number}"
        _known(entry, frozenset(names), where)
        if "distance_m" not in entry:
            raise InputError(f"{where} has no distance_m; add it")
        _number(entry["distance_m"], f"{where}: distance_m", 0.0, total)
        for key, (low, high) in _STOP_NUMBERS.items():
            if key in entry:
                _number(entry[key], f"{where}: {key}", low, high)
        for key in _STOP_FLAGS:
            if not isinstance(entry.get(key, False), bool):
                raise InputError(f"{where}: {key} is {entry[key]!r}; write true or false")
        if not isinstance(entry.get("event", ""), str):
            raise InputError(f"{where}: event is {entry['event']!r}; give a word in quotes")
        if entry.get("transfer_range", "high") not in ("high", "low"):
            raise InputError(f"{where}: transfer_range must be 'high' or 'low'")
        stops.append(Stop(**entry))
    return stops


def _relief(
    parts: list[tuple[float, str, dict[str, Any], str]], distance: FloatArray, seed: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    grade = np.zeros(distance.size)
    curvature = np.zeros(distance.size)
    begin = 0.0
    for number, (length, name, section, where) in enumerate(parts):
        rng = np.random.default_rng([seed, 7200, number])
        relief = RELIEFS[name]
        inside = np.flatnonzero((distance >= begin) & (distance < begin + length))
        begin += length
        if inside.size == 0:
            continue
        mean = section.get("grade_percent", 0.0)
        mean = _number(mean, f"{where}: grade_percent", -GRADE_MAX_PERCENT, GRADE_MAX_PERCENT)
        spread = hills(
            rng,
            inside.size,
            relief.grade_sd_percent,
            max(relief.grade_max_percent, 1e-9),
            relief.longest_wave_m,
        )
        # The mean grade of the section is what the file says, whatever the hills happen to be.
        grade[inside] = mean + spread - spread.mean()
        curved, _ = bends(rng, distance[inside], relief.bends_per_km, relief.bend_radius_m)
        curvature[inside] = curved
    window = np.hanning(int(_TRANSITION_M / GRID_M) | 1)
    window /= window.sum()
    half = window.size // 2
    padded = np.pad(grade, half, mode="edge")
    smooth = np.convolve(padded, window, mode="valid")
    rng = np.random.default_rng([seed, 7300])
    turns = np.where(rng.uniform(size=distance.size // 200 + 1) < 0.5, -1.0, 1.0)
    signed = curvature * turns[np.arange(distance.size) // 200]
    heading = np.degrees(np.cumsum(signed) * GRID_M) + rng.uniform(0.0, 360.0)
    return np.asarray(smooth), curvature, np.asarray(heading % 360.0)


def _piecewise(
    parts: list[tuple[float, str, dict[str, Any], str]],
    distance: FloatArray,
    key: str,
    low: float,
    high: float,
) -> FloatArray:
    values = np.full(distance.size, np.nan)
    begin = 0.0
    for length, _, section, where in parts:
        if key in section:
            inside = (distance >= begin) & (distance <= begin + length)
            values[inside] = _number(section[key], f"{where}: {key}", low, high)
        begin += length
    return values


def _from_csv(path: Path) -> Road:
    table = _read_csv(path)
    for column, bounds in _COLUMNS.items():
        if column in table:
            table[column] = _checked_column(path, table, column, *bounds)
    if "distance_m" not in table:
        raise InputError(f"{path}: no column distance_m; add the distance along the road")
    if "grade_percent" not in table and "altitude_m" not in table:
        raise InputError(f"{path}: no column grade_percent or altitude_m; add one of them")
    place = table["distance_m"].to_numpy(dtype=float)
    if place.size < 2:
        raise InputError(f"{path}: fewer than two rows; a road needs at least two points")
    backwards = np.flatnonzero(np.diff(place) <= 0.0)
    if backwards.size:
        raise InputError(
            f"{path}: distance_m does not rise at row {backwards[0] + 3}; sort the rows by distance"
        )
    if not GRID_M <= place[-1] - place[0] <= _LONGEST_M:
        raise InputError(
            f"{path}: distance_m runs over {place[-1] - place[0]:,.0f} m; give from {GRID_M:g} to "
            f"{_LONGEST_M:,.0f} m"
        )
    distance = GRID_M * np.arange(int((place[-1] - place[0]) / GRID_M) + 1, dtype=np.float64)
    at = distance + place[0]

    def along(column: str, default: float = np.nan, factor: float = 1.0) -> FloatArray:
        if column not in table:
            return np.full(distance.size, default)
        values = table[column].to_numpy(dtype=float) * factor
        return np.asarray(np.interp(at, place, values))

    row = np.clip(np.searchsorted(place, at, side="right") - 1, 0, place.size - 1)
    ground = np.zeros(place.size, dtype=np.int64)
    if "ground" in table:
        names = table["ground"].astype("string").ffill().fillna("sealed").str.strip()
        ground = np.array(
            [ground_index(name, f"{path}: row {at + 2}") for at, name in enumerate(names)],
            dtype=np.int64,
        )
    coefficient = (
        table["rolling_resistance"].to_numpy(dtype=float)[row]
        if "rolling_resistance" in table
        else np.full(distance.size, np.nan)
    )
    if "altitude_m" in table and "grade_percent" not in table:
        altitude = _smoothed(along("altitude_m"))
        sine = np.clip(np.gradient(altitude, GRID_M), -0.5, 0.5)
        grade = 100.0 * sine / np.sqrt(1.0 - sine**2)
    else:
        grade = along("grade_percent")
        start = float(along("altitude_m", 0.0)[0])
        altitude = _on_earth(altitude_from_grade(grade, start), path)
    limit = np.full(distance.size, 80.0 / 3.6)
    for column, factor in (("speed_limit_m_s", 1.0), ("speed_limit_km_h", 1.0 / 3.6)):
        if column in table:
            limit = table[column].to_numpy(dtype=float)[row] * factor
    changes = np.diff(ground[row], prepend=ground[row[0]]) != 0
    if "rolling_resistance" in table:
        before = np.concatenate([[coefficient[0]], coefficient[:-1]])
        changes |= ~((coefficient == before) | (np.isnan(coefficient) & np.isnan(before)))
    return Road(
        name=path.name.removesuffix(".gz").removesuffix(".csv"),
        distance_m=distance,
        grade_percent=grade,
        altitude_m=altitude,
        ground=ground[row],
        segment=np.cumsum(changes).astype(np.int64),
        rolling_resistance=coefficient,
        speed_limit_m_s=limit,
        curvature_1_m=np.abs(along("curvature_1_m", 0.0)),
        heading_deg=along("heading_deg", 0.0),
        wind_m_s=along("wind_m_s"),
        wind_from_deg=along("wind_from_deg"),
        temperature_degc=along("temperature_degc"),
    )


# Numeric columns, their limits, and what stands for empty cells with none above.
_COLUMNS: dict[str, tuple[float, float, float | None]] = {
    "distance_m": (-1e9, 1e9, None),
    "grade_percent": (-GRADE_MAX_PERCENT, GRADE_MAX_PERCENT, None),
    "altitude_m": (-500.0, 9000.0, None),
    "rolling_resistance": (0.001, 1.0, np.nan),
    "speed_limit_km_h": (2.0, 200.0, 80.0),
    "speed_limit_m_s": (0.5, 60.0, 80.0 / 3.6),
    "curvature_1_m": (-_CURVATURE_MAX_1_M, _CURVATURE_MAX_1_M, 0.0),
    "heading_deg": (-360.0, 360.0, 0.0),
    "temperature_degc": (-60.0, 60.0, np.nan),
    "wind_m_s": (0.0, 60.0, np.nan),
    "wind_from_deg": (-360.0, 360.0, np.nan),
}


def _read_csv(path: Path) -> pd.DataFrame:
    try:
        head = pd.read_csv(path, sep="\0", nrows=0, encoding="utf-8-sig", engine="python")
        semicolons = ";" in str(head.columns[0])
        table = pd.read_csv(
            path,
            sep=";" if semicolons else ",",
            decimal="," if semicolons else ".",
            skipinitialspace=True,
            encoding="utf-8-sig",
        )
    except FileNotFoundError:
        raise InputError(f"{path}: no such road file; check the path") from None
    except pd.errors.EmptyDataError:
        raise InputError(f"{path}: the road file is empty; export the road again") from None
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: the road file cannot be read ({error})") from None
    if not isinstance(table.index, pd.RangeIndex):
        raise InputError(
            f"{path}: the rows have more fields than the header; mend the header, or export again"
        )
    table.columns = [str(name).strip() for name in table.columns]
    return table


def _smoothed(altitude_m: FloatArray) -> FloatArray:
    """Altitude on the grid, weighted over a window that keeps the ends where they are."""
    window = np.hanning(int(_ALTITUDE_SMOOTH_M / GRID_M) | 1)
    window /= window.sum()
    half = window.size // 2
    # Reflected through the end points: a straight slope stays straight up to the end.
    padded = np.pad(altitude_m, half, mode="reflect", reflect_type="odd")
    return np.asarray(np.convolve(padded, window, mode="valid"))


def _checked_column(
    path: Path, table: pd.DataFrame, column: str, low: float, high: float, empty: float | None
) -> pd.Series:
    """A column as numbers within limits, empty cells filled from above where that is allowed."""
    values = pd.to_numeric(table[column], errors="coerce").astype(float)
    text = np.flatnonzero(values.isna() & table[column].notna())
    if text.size:
        row = int(text[0])
        raise InputError(
            f"{path}: {column} at row {row + 2} is not a number ({table[column][row]!r}); "
            "correct it"
        )
    if empty is None and values.isna().any():
        row = int(np.flatnonzero(values.isna())[0])
        raise InputError(f"{path}: {column} at row {row + 2} is empty; fill it in, or drop the row")
    bad = np.flatnonzero(~values.between(low, high) & values.notna())
    if bad.size:
        row = int(bad[0])
        raise InputError(
            f"{path}: {column} at row {row + 2} is {values[row]:g}; "
            f"give values from {low:g} to {high:g}"
        )
    return values if empty is None else values.ffill().fillna(empty)
