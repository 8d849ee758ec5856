"""A strategy as a file: TOML or JSON, its grid within or as a CSV table beside it.

A strategy in TOML::

    format = 1
    name = "utility with boat"

    [axes]                            # an axis left out: nothing depends on it
    mass_kg = [2650.0, 6000.0]
    grade_percent = [0.0, 3.0, 6.0]

    [settings.power_retention]        # and full_share_time_s, economy
    unit = "1"
    values = [
      [0.0, 0.2, 0.5],                # 2650 kg, over the grades
      [0.1, 0.4, nan],                # nan: a blank cell, above a rating
    ]

    [share_limits.engine_speed_rpm]   # optional; or .gear
    engine_speed_rpm = [1000.0, 2000.0]
    share = [0.5, 1.0]

    [protections]                     # optional: keys of a rig's [limits], stricter ones count
    coolant_full_degc = 85.0

    [rig]                             # optional: the rig it is for, key by key as in its file

Values are nested in the order mass, rolling resistance, grade, speed; axes of a single point are
left out. JSON has the same keys, and null for a blank cell. ``table = "strategy.csv"`` stands in
for ``[axes]`` and ``[settings]``: one row per point of the grid, a column for each axis it depends
on, then the three settings; rows in any order, decimal commas with semicolons or tabs as
spreadsheets write them, a blank setting is a blank cell.
"""

from __future__ import annotations

import difflib
import json
import math
import os
import tempfile
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, NoReturn

import numpy as np

from loadlearn.errors import InputError
from loadlearn.policy.grid_csv import grid_text, read_grid, told_axes
from loadlearn.policy.own_rule import OwnRule, is_rule, load_rule
from loadlearn.policy.strategy import AXES, CURVES, NEUTRAL, SETTINGS, FloatArray, Strategy
from loadlearn.policy.strategy_check import require_usable
from loadlearn.policy.strategy_text import json_text, toml_text
from loadlearn.policy.strategy_words import place
from loadlearn.vehicle.rig import Limits

FORMAT = 1
_KEYS = (
    "format",
    "name",
    "made",
    "protections",
    "rig",
    "axes",
    "settings",
    "share_limits",
    "table",
    "caution",
)


def load_rule_or_strategy(spec: str | Path) -> Strategy | OwnRule:
    """A strategy file, or a rule of one's own in Python: whichever is named.

    Parameters
    ----------
    spec : str or Path
        ``strategy.toml``, ``strategy.json``, ``rules.py:function_name``, or ``rules.py`` when it
        holds a single function. **A Python file is executed**: name only one you trust. Nothing
        else is ever executed. See :mod:`loadlearn.policy.own_rule` for how to write one.

    Raises
    ------
    InputError
        There is no such file or function, or it is neither; one sentence with the mend.
    """
    return load_rule(str(spec)) if is_rule(str(spec)) else read_strategy(Path(spec))


# ------------------------------------------------------------------------------------ reading


def read_strategy(path: str | Path, *, usable: bool = True) -> Strategy:
    """Read a strategy file.

    Parameters
    ----------
    path : str or Path
        ``.toml`` or ``.json``.
    usable : bool
        Whether axes that do not rise and settings out of bounds are refused; else only what cannot
        be read is, and the rest is for :func:`~loadlearn.policy.strategy_check.check_strategy`.

    Returns
    -------
    Strategy

    Raises
    ------
    InputError
        The file or its table cannot be read, a key or column is unknown or missing, a value is no
        number, a point of the grid is missing or there twice, or it is not usable. One sentence
        names file, key or row, and mend.
    """
    path = Path(path)
    source = str(path)
    document = _document(path)
    _known(document, _KEYS, source)
    if document.get("format") != FORMAT:
        raise InputError(
            f"{source}: format is {document.get('format')!r}; this loadlearn reads strategy files "
            f"of format = {FORMAT}, as loadlearn schedule writes them"
        )
    name = document.get("name", "")
    if not isinstance(name, str) or not name:
        raise InputError(f"{source}: name is {name!r}; give the strategy a name")
    if "table" in document:
        inline = [key for key in ("axes", "settings") if key in document]
        if inline:
            raise InputError(
                f"{source}: holds both table and [{inline[0]}]; remove one of the two, the grid "
                "may be told only once"
            )
        axes, settings = read_grid(_beside(path, document["table"]))
    else:
        axes, settings = _read_inline(document, source)
    strategy = Strategy(
        name=name,
        axes=axes,
        settings=settings,
        share_limits=_read_share_limits(_table(document, "share_limits", source), source),
        protections=_read_protections(_table(document, "protections", source), source),
        rig=_table(document, "rig", source),
        made=_table(document, "made", source),
    )
    if usable:
        require_usable(strategy, source)
    return strategy


def strategy_files(path: str | Path) -> list[Path]:
    """The files that a strategy is read from: itself, and its table if it has one.

    Parameters
    ----------
    path : str or Path
        A strategy file, or a rule as :func:`load_rule_or_strategy` takes it.

    Raises
    ------
    InputError
        It cannot be read.
    """
    if is_rule(str(path)):
        return [load_rule(str(path)).path]
    path = Path(path)
    table = _document(path).get("table")
    return [path] if table is None else [path, _beside(path, table)]


def _document(path: Path) -> dict[str, Any]:
    kind = path.suffix.lower()
    if kind not in (".toml", ".json"):
        raise InputError(
            f"{path}: a strategy file ends in .toml or .json, and a rule of one's own is named as "
            "rules.py:function; rename it"
        )
    try:
        text = path.read_bytes().decode("utf-8-sig")
        if kind == ".json":
            document = json.loads(text, object_pairs_hook=_once, parse_constant=_no_constant)
        else:
            document = tomllib.loads(text)
    except FileNotFoundError:
        raise InputError(f"{path}: no such strategy file; check the path") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: the strategy file cannot be read ({error})") from None
    except (ValueError, RecursionError) as error:
        what = kind.removeprefix(".").upper()
        raise InputError(f"{path}: not valid {what}: {error}; mend that place") from None
    if not isinstance(document, dict):
        raise InputError(f"{path}: holds no keys; make a strategy with loadlearn schedule")
    return document


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """A JSON object; twice the same key would silently lose the first, which TOML forbids too."""
    found = dict(pairs)
    if len(found) < len(pairs):
        keys = [key for key, _ in pairs]
        raise ValueError(f"key '{next(key for key in keys if keys.count(key) > 1)}' twice")
    return found


def _no_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is no JSON (a blank cell is null)")


def _known(table: Mapping[str, Any], known: Iterable[str], where: str) -> None:
    known = list(known)
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            hint = f"did you mean '{near[0]}'?" if near else f"known here: {', '.join(known)}"
            raise InputError(f"{where}: unknown key '{key}'; remove it or correct it ({hint})")


def _table(document: Mapping[str, Any], key: str, where: str) -> dict[str, Any]:
    found = document.get(key, {})
    if not isinstance(found, dict):
        raise InputError(f"{where}: {key} is {found!r}; make it a table of keys and values")
    return found


def _number(value: Any, where: str) -> float:
    if isinstance(value, int | float) and not isinstance(value, bool):
        try:
            return float(value)
        except OverflowError:
            pass
    raise InputError(f"{where} is {value!r}; give a number")


def _list(value: Any, where: str) -> FloatArray:
    if not isinstance(value, list) or not value:
        raise InputError(f"{where} is {value!r}; give a list of numbers")
    return np.array([_number(one, f"{where}, value {i}") for i, one in enumerate(value, start=1)])


def _read_inline(
    document: Mapping[str, Any], source: str
) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
    given = _table(document, "axes", source)
    _known(given, AXES, f"{source}: [axes]")
    axes = {
        name: _list(given[name], f"{source}: axes.{name}")
        if name in given
        else np.array([NEUTRAL[name]])
        for name in AXES
    }
    whole = tuple(axis.size for axis in axes.values())
    nested = [name for name in AXES if axes[name].size > 1]
    tables = _table(document, "settings", source)
    _known(tables, SETTINGS, f"{source}: [settings]")
    settings = {}
    for name, unit in SETTINGS.items():
        where = f"{source}: settings.{name}"
        one = _table(tables, name, f"{source}: settings")
        _known(one, ("unit", "values"), where)
        if one.get("unit", unit) != unit:
            raise InputError(f"{where}.unit is {one['unit']!r}; convert the values to '{unit}'")
        if "values" not in one:
            raise InputError(f"{where}.values is missing; add the values over the axes")
        flat: list[float] = []
        _flatten(one["values"], axes, nested, f"{where}.values", flat)
        settings[name] = np.array(flat).reshape(whole)
    return axes, settings


def _flatten(
    value: Any, axes: Mapping[str, FloatArray], nested: list[str], where: str, flat: list[float]
) -> None:
    """Append nested values in order; every level is as long as its axis."""
    if not nested:
        flat.append(math.nan if value is None else _number(value, where))
        return
    name, *inner = nested
    size = axes[name].size
    if not isinstance(value, list):
        raise InputError(f"{where} is {value!r}; give {size} values, one per point of {name}")
    if len(value) != size:
        raise InputError(
            f"{where} has {len(value)} values and the axis {name} {size} points; give one value "
            "per point"
        )
    for point, one in zip(axes[name], value, strict=True):
        _flatten(one, axes, inner, f"{where}, {place({name: point})}", flat)


def _read_share_limits(
    tables: Mapping[str, Any], source: str
) -> dict[str, tuple[FloatArray, FloatArray]]:
    _known(tables, CURVES, f"{source}: [share_limits]")
    found = {}
    for name in tables:
        where = f"{source}: share_limits.{name}"
        one = _table(tables, name, f"{source}: share_limits")
        _known(one, (name, "share"), where)
        for key in (name, "share"):
            if key not in one:
                raise InputError(f"{where}.{key} is missing; give a list of numbers")
        points, share = (_list(one[key], f"{where}.{key}") for key in (name, "share"))
        if points.size != share.size:
            raise InputError(
                f"{where} has {points.size} points and {share.size} shares; give one share per "
                "point"
            )
        found[name] = (points, share)
    return found


def _read_protections(table: Mapping[str, Any], source: str) -> dict[str, Any]:
    _known(table, Limits.model_fields, f"{source}: [protections]")
    usual = Limits()
    for key, value in table.items():
        where = f"{source}: protections.{key}"
        kind = type(getattr(usual, key))
        if kind in (bool, str):
            if not isinstance(value, kind):
                told = "true or false" if kind is bool else "a text"
                raise InputError(f"{where} is {value!r}; give {told}")
        elif not math.isfinite(_number(value, where)):
            raise InputError(f"{where} is {value!r}; give a number")
    return dict(table)


def _beside(path: Path, table: Any) -> Path:
    if not isinstance(table, str) or not table.lower().endswith(".csv"):
        raise InputError(
            f"{path}: table is {table!r}; name a .csv file, its path told from this file's folder"
        )
    return path.parent / table


# ------------------------------------------------------------------------------------ writing


def write_strategy(strategy: Strategy, path: str | Path, *, table_csv: bool = False) -> list[Path]:
    """Write a strategy file; reading it back gives the same strategy, bit by bit.

    Parameters
    ----------
    strategy : Strategy
    path : str or Path
        ``.toml`` or ``.json``; a folder gets ``strategy.toml``.
    table_csv : bool
        Whether the grid goes into a CSV table of the same name beside it.

    Returns
    -------
    list of Path
        The files written; each is replaced whole. Keys of ``made``, ``rig`` and ``protections``
        that are None are left out; what there is no finite number is null in JSON.

    Raises
    ------
    InputError
        The file cannot be written there.
    """
    path = Path(path)
    if path.suffix.lower() not in (".toml", ".json"):
        path = path / "strategy.toml"
    document: dict[str, Any] = {
        "format": FORMAT,
        "name": strategy.name,
        "made": _plain(strategy.made),
        "protections": _plain(strategy.protections),
        "share_limits": {
            name: {name: points.tolist(), "share": share.tolist()}
            for name, (points, share) in strategy.share_limits.items()
        },
        "rig": _plain(strategy.rig),
    }
    document = {key: value for key, value in document.items() if value != {}}
    files = {}
    if table_csv:
        table = path.with_suffix(".csv")
        files[table] = grid_text(strategy)
        document["table"] = table.name
    else:
        document["axes"] = {name: strategy.axes[name].tolist() for name in told_axes(strategy)}
    files[path] = (toml_text if path.suffix.lower() == ".toml" else json_text)(document, strategy)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        for file, text in files.items():
            _replace(file, text)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise InputError(f"{path}: cannot be written ({reason}); choose another place") from None
    return list(files)


def _replace(path: Path, text: str) -> None:
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(text)
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(name, 0o666 & ~mask)
        os.replace(name, path)
    except BaseException:
        os.unlink(name)
        raise


def _plain(value: Any) -> Any:
    """Plain tables, lists, texts and numbers. Neither format has a None in a table."""
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items() if one is not None}
    if value is None:  # within a list
        return math.nan
    if isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        return float(value)
    if isinstance(value, Path):
        return value.as_posix()
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    return [_plain(one) for one in value]
