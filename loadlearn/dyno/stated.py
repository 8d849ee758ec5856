"""What is stated about the runs rather than logged in them: conditions file and column names."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from loadlearn.errors import InputError


def _toml(path: Path, what: str) -> dict[str, Any]:
    try:
        with open(path, "rb") as file:
            return tomllib.load(file)
    except FileNotFoundError:
        raise InputError(f"{path}: no such {what}; check the path") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: the {what} cannot be read ({error})") from None
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: not valid TOML: {error}; mend that line") from None


def read_conditions(path: str | Path) -> tuple[dict[str, Any], dict[str, Any]]:
    """Read what is the same throughout a run.

    Parameters
    ----------
    path : str or Path
        TOML with the tables ``[both]``, ``[before]`` and ``[after]``; keys are column names such as
        ``tyre_pressure_kpa``, values are numbers, or lists with one number per run.

    Returns
    -------
    before, after : dict
        For :func:`loadlearn.dyno.read_runs`.

    Raises
    ------
    InputError
        Not readable, or a table of another name.
    """
    table = _toml(Path(path), "conditions file")
    for name, value in table.items():
        if name not in ("both", "before", "after") or not isinstance(value, dict):
            raise InputError(
                f"{path}: '{name}' stands outside the known tables; put it under [both], [before] "
                "or [after]"
            )
    both = table.get("both", {})
    return {**both, **table.get("before", {})}, {**both, **table.get("after", {})}


def read_column_names(path: str | Path) -> dict[str, str]:
    """Read a channel map for dyno files with foreign headers.

    Parameters
    ----------
    path : str or Path
        TOML such as ``[channels] tractive_force_n = { column = "Force", unit = "kN" }``.

    Returns
    -------
    dict
        Header in the file to column name of :func:`loadlearn.dyno.read_runs`.

    Raises
    ------
    InputError
        Not readable, an unknown quantity or unit, or no ``column``.
    """
    from loadlearn.dyno.runs import QUANTITIES, canonical_column

    channels = _toml(Path(path), "channel map").get("channels")
    if not isinstance(channels, dict):
        raise InputError(f"{path}: the channel map has no table [channels]; add it")
    names = {}
    for key, entry in channels.items():
        quantity = next(
            (q for q in sorted(QUANTITIES, key=len, reverse=True) if key.startswith(q)), None
        )
        column = entry.get("column") if isinstance(entry, dict) else entry
        if quantity is None and key not in ("run", "timestamp"):
            raise InputError(f"{path}: '{key}' is not a quantity of a dyno run; check its spelling")
        if not isinstance(column, str):
            raise InputError(f"{path}: '{key}' needs the header it stands for: column = \"...\"")
        name = key
        if isinstance(entry, dict) and entry.get("unit"):
            name = f"{quantity} [{entry['unit']}]"
        try:
            canonical_column(name)
        except InputError as error:
            raise InputError(f"{path}: '{key}': {error}") from None
        names[column] = name
    return names
