"""A manifest: a CSV file with a log in each row, read row by row, however many there are."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Sequence
from pathlib import Path

from loadlearn.errors import InputError
from loadlearn.log.places import placed


def manifest_lines(path: Path, needed: Sequence[str]) -> Iterator[tuple[int, dict[str, str]]]:
    """Rows of a manifest, with their line.

    Parameters
    ----------
    path : Path
        CSV with a header; blank lines are skipped.
    needed : sequence of str
        Columns that must be there.

    Yields
    ------
    line, cells
        Line of the file, the header being line 1, and text by column, stripped.

    Raises
    ------
    InputError
        The file cannot be read, has no rows, lacks a column or has one twice, or a row has more or
        fewer fields than the header; the message names the line and the mend.
    """
    names: list[str] | None = None
    rows = 0
    try:
        with open(path, newline="", encoding="utf-8-sig") as file:
            reader = csv.reader(file, strict=True)
            for row in reader:
                if not any(cell.strip() for cell in row):
                    continue
                if names is None:
                    names = _header(path, row, needed)
                    continue
                rows += 1
                if len(row) != len(names):
                    raise InputError(
                        f"{path}, line {reader.line_num}: has {len(row)} fields where the header "
                        f"has {len(names)}"
                    )
                cells = {name: cell.strip() for name, cell in zip(names, row, strict=True)}
                yield reader.line_num, cells
    except FileNotFoundError:
        raise InputError(f"{path}: no such manifest; check the path") from None
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{path}: the manifest is not a readable CSV file ({error})") from None
    if names is None:
        raise InputError(f"{path}: the manifest is empty; give a CSV with {', '.join(needed)}")
    if not rows:
        raise InputError(f"{path}: the manifest has a header but no rows; add one per log")


def _header(path: Path, row: list[str], needed: Sequence[str]) -> list[str]:
    names = [cell.strip() for cell in row]
    for name in needed:
        if name not in names:
            raise InputError(
                f"{path}: the manifest has no column '{name}' (found: {', '.join(names)}); add it"
            )
    for name in names:
        if name and names.count(name) > 1:
            raise InputError(f"{path}: the manifest has two columns '{name}'; remove one")
    return names


def log_and_rig(manifest: Path, where: str, cells: dict[str, str]) -> tuple[str, str]:
    """Places of a row's log and rig.

    Parameters
    ----------
    manifest : Path
        Whose folder paths are relative to.
    where : str
        Names the row in messages.
    cells : dict
        Text by column.

    Returns
    -------
    log, rig : str
        Paths, resolved against the manifest's folder, or addresses.

    Raises
    ------
    InputError
        One of the cells is empty.
    """
    for name in ("log", "rig"):
        if not cells[name]:
            raise InputError(
                f"{where}: '{name}' is empty; give a path relative to the manifest, or an address"
            )
    return placed(manifest.parent, cells["log"]), placed(manifest.parent, cells["rig"])


def number_cell(where: str, cells: dict[str, str], name: str, *, positive: bool) -> float | None:
    """A cell as a number; None where it is empty or the column is not there.

    Parameters
    ----------
    where : str
        Names the row in messages.
    cells : dict
        Text by column.
    name : str
        Column.
    positive : bool
        Whether it must be above 0.

    Raises
    ------
    InputError
        It is no number, or not positive.
    """
    text = cells.get(name, "")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or (positive and value <= 0.0):
        kind = "a positive number" if positive else "a number"
        raise InputError(f"{where}: '{name}' is '{text}'; give {kind}")
    return value
