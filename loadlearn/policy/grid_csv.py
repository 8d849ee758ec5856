"""A strategy's grid as a CSV table in long form: written exactly, read as spreadsheets leave it."""

from __future__ import annotations

import csv
import difflib
import io
import math
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from loadlearn.errors import InputError
from loadlearn.policy.strategy import AXES, NEUTRAL, SETTINGS, FloatArray, Strategy
from loadlearn.policy.strategy_words import place, spoken


def told_axes(strategy: Strategy) -> list[str]:
    """Axes that the grid depends on, and single points that are not the usual ones.

    Parameters
    ----------
    strategy : Strategy
    """
    return [name for name in AXES if strategy.axes[name].tolist() != [NEUTRAL[name]]]


def grid_text(strategy: Strategy) -> str:
    """The grid as CSV text, one row per point.

    Parameters
    ----------
    strategy : Strategy
    """
    told = told_axes(strategy)
    mesh = np.meshgrid(*(strategy.axes[name] for name in AXES), indexing="ij")
    columns = [one.ravel().tolist() for name, one in zip(AXES, mesh, strict=True) if name in told]
    columns += [strategy.settings[name].ravel().tolist() for name in SETTINGS]
    lines = [",".join([*told, *SETTINGS])]
    lines += [
        ",".join("" if x != x else repr(x) for x in row) for row in zip(*columns, strict=True)
    ]
    return "\n".join(lines) + "\n"


def read_grid(path: Path) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
    """Axes and settings from a table.

    Parameters
    ----------
    path : Path
        CSV with commas, or with semicolons or tabs and decimal commas; rows and columns in any
        order, with or without quotes and a byte order mark.

    Returns
    -------
    axes : dict of str to ndarray
        Rising; one point for an axis that has no column.
    settings : dict of str to ndarray, shape (mass, rolling resistance, grade, speed)

    Raises
    ------
    InputError
        The table cannot be read, a column is unknown or missing, a cell is no number, or a point
        of the grid is missing or there twice; the row (line of the file) is named.
    """
    rows = _cells(path)
    heading_line, headings = rows[0]
    while headings and not headings[-1]:
        headings = headings[:-1]
    for heading in headings:
        if heading not in AXES and heading not in SETTINGS:
            near = difflib.get_close_matches(heading, [*AXES, *SETTINGS], n=1)
            hint = f"did you mean '{near[0]}'?" if near else f"known: {', '.join(_columns())}"
            raise InputError(
                f"{path}: unknown column '{heading}'; remove it or correct its name ({hint})"
            )
        if headings.count(heading) > 1:
            raise InputError(f"{path}: two columns are named '{heading}'; remove one of them")
    missing = [name for name in SETTINGS if name not in headings]
    if missing:
        raise InputError(
            f"{path}: no column {missing[0]}; add it (line {heading_line} should name "
            f"{', '.join(_columns())})"
        )
    if len(rows) == 1:
        raise InputError(f"{path}: no row below the names of the columns; add the grid's points")
    given = [name for name in AXES if name in headings]
    columns: dict[str, list[float]] = {name: [] for name in headings}
    for line, cells in rows[1:]:
        if any(cells[len(headings) :]) or len(cells) < len(headings):
            raise InputError(
                f"{path}: row {line} has {len(cells)} cells and the table {len(headings)} columns; "
                "mend that row"
            )
        for name, text in zip(headings, cells, strict=False):
            columns[name].append(_cell_number(text, name in SETTINGS, path, line, name))
    lines = np.array([line for line, _ in rows[1:]])
    return _to_grid(path, given, {name: np.array(c) for name, c in columns.items()}, lines)


def _columns() -> list[str]:
    return [*AXES, *SETTINGS]


def _to_grid(
    path: Path, given: list[str], columns: Mapping[str, FloatArray], lines: np.ndarray
) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
    """Rows in any order onto the grid that their axis values span."""
    axes = {name: np.array([NEUTRAL[name]]) for name in AXES}
    at = []
    for name in AXES:
        if name in given:
            axes[name], where = np.unique(columns[name], return_inverse=True)
        else:
            where = np.zeros(lines.size, dtype=np.int64)
        at.append(where)
    whole = tuple(axes[name].size for name in AXES)
    flat = np.ravel_multi_index(tuple(at), whole)
    count = np.bincount(flat, minlength=math.prod(whole))
    if count.max() > 1:
        twice = lines[flat == int(np.argmax(count > 1))]
        row = int(np.flatnonzero(lines == twice[1])[0])
        raise InputError(
            f"{path}: row {twice[1]} tells the point {_point(given, columns, row)} again, which "
            f"row {twice[0]} has told; remove one of them"
        )
    if not count.all():
        index = np.unravel_index(int(np.argmin(count)), whole)
        point = {n: float(axes[n][i]) for n, i in zip(AXES, index, strict=True) if n in given}
        raise InputError(
            f"{path}: no row for the point {place(point)} ({lines.size} rows for {count.size} "
            f"points{_rare_value(axes, given, columns, lines)}); add that row, or mend the axis "
            "value of another"
        )
    order = np.argsort(flat)
    return axes, {name: columns[name][order].reshape(whole) for name in SETTINGS}


def _rare_value(
    axes: Mapping[str, FloatArray],
    given: list[str],
    columns: Mapping[str, FloatArray],
    lines: np.ndarray,
) -> str:
    """A mistyped value makes a point of the axis of its own, which few rows have."""
    for name in given:
        for value in axes[name]:
            rows = lines[columns[name] == value]
            if rows.size * axes[name].size < 0.5 * lines.size:
                where = f"row {rows[0]}" if rows.size == 1 else f"{rows.size} rows, first {rows[0]}"
                return f"; {spoken(name, float(value))} stands only in {where}"
    return ""


def _point(given: list[str], columns: Mapping[str, FloatArray], row: int) -> str:
    return place({name: float(columns[name][row]) for name in given})


def _cells(path: Path) -> list[tuple[int, list[str]]]:
    """Rows with their line numbers; rows without anything in them are left out."""
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputError(f"{path}: no such table; check the key table") from None
    except OSError as error:
        raise InputError(f"{path}: the table cannot be read ({error})") from None
    wide = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    try:
        text = data.decode("utf-16" if wide else "utf-8-sig")
        first = next((line for line in text.splitlines() if line.strip()), "")
        delimiter = next((one for one in ";\t," if one in first), ",")
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        rows = []
        for cells in reader:
            cells = [one.strip() for one in cells]
            if any(cells):
                rows.append((reader.line_num, cells))
    except UnicodeDecodeError:
        raise InputError(f"{path}: not UTF-8 text; save the table as CSV UTF-8") from None
    except csv.Error as error:
        raise InputError(f"{path}: not a CSV table ({error}); save it again as CSV") from None
    if not rows:
        raise InputError(f"{path}: the table is empty; write the grid's points into it")
    _one_decimal_sign(path, rows)
    return rows


def _one_decimal_sign(path: Path, rows: list[tuple[int, list[str]]]) -> None:
    """Points for commas, where a spreadsheet wrote commas; both in one table are a guess."""
    comma = next((line for line, cells in rows[1:] if any("," in one for one in cells)), None)
    if comma is None:
        return
    for line, cells in rows[1:]:
        for i, one in enumerate(cells):
            if "." in one:
                raise InputError(
                    f"{path}: decimal commas (row {comma}) and points (row {line}, '{one}') in one "
                    "table; write all numbers alike and without a sign between thousands"
                )
            cells[i] = one.replace(",", ".")


def _cell_number(text: str, may_be_blank: bool, path: Path, line: int, name: str) -> float:
    if not text or text.lower() == "nan":
        if may_be_blank:
            return math.nan
        raise InputError(f"{path}: row {line}, column {name} is blank; give the axis value")
    try:
        if "_" in text:  # float() would take "1_000", which no table means
            raise ValueError
        number = float(text)
    except ValueError:
        raise InputError(
            f"{path}: row {line}, column {name} is '{text}'; give a number without a sign between "
            "thousands"
        ) from None
    if not may_be_blank and not math.isfinite(number):
        raise InputError(f"{path}: row {line}, column {name} is '{text}'; give a finite number")
    return number
