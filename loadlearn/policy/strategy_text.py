"""The text of a strategy file, laid out so that a person finds a cell and sees what an edit did."""

from __future__ import annotations

import json
import math
import re
import textwrap
from collections.abc import Mapping
from typing import Any

from loadlearn.policy.strategy import AXES, SETTINGS, FloatArray, Strategy
from loadlearn.policy.strategy_words import CAUTION, MEANING, spoken, unit_of


def json_text(document: Mapping[str, Any], strategy: Strategy) -> str:
    """A strategy as JSON, a list of numbers per line.

    Parameters
    ----------
    document : mapping
        Plain keys and tables but for the settings; with the key ``table`` these stand elsewhere.
    strategy : Strategy
    """
    parts = {"caution": json.dumps(CAUTION)}
    parts |= {key: _json(value, "  ") for key, value in document.items()}
    if "table" not in document:
        settings = {
            name: _json_object(
                {"unit": json.dumps(unit), "values": _laid_out(strategy, name, "null", "      ")},
                "    ",
            )
            for name, unit in SETTINGS.items()
        }
        parts["settings"] = _json_object(settings, "  ")
    return _json_object(parts, "") + "\n"


def _json(value: Any, pad: str) -> str:
    if isinstance(value, Mapping):
        return _json_object({key: _json(one, pad + "  ") for key, one in value.items()}, pad)
    if isinstance(value, list):
        return "[" + ", ".join(_json(one, pad) for one in value) + "]"
    if isinstance(value, float) and not math.isfinite(value):
        return "null"
    return json.dumps(value, ensure_ascii=False)


def _json_object(parts: Mapping[str, str], pad: str) -> str:
    lines = [f"{pad}  {json.dumps(k, ensure_ascii=False)}: {v}" for k, v in parts.items()]
    return "{\n" + ",\n".join(lines) + f"\n{pad}}}"


def toml_text(document: Mapping[str, Any], strategy: Strategy) -> str:
    """A strategy as TOML: what it means at the top, a row of numbers per line, each with its place.

    Parameters
    ----------
    document, strategy
        As for :func:`json_text`.
    """
    lines = [
        "# A strategy: what the drive mode of an uprated engine asks for, over load and road.",
        *(f"# {line}" for line in textwrap.wrap(CAUTION, 96)),
        "#",
        *(f"# {name}: {MEANING[name]}" for name in (*SETTINGS, *AXES)),
        "# Between the points settings are interpolated, beyond them the nearest holds.",
        "# A blank cell (nan) is above a rating. After an edit: loadlearn check FILE",
        "",
    ]
    tables = {key: value for key, value in document.items() if isinstance(value, Mapping)}
    lines += [f"{_key(k)} = {_value(v)}" for k, v in document.items() if k not in tables]
    for key, table in tables.items():
        lines += _toml_table(key, table)
    if "table" not in document:
        over = [name for name in AXES if strategy.axes[name].size > 1][-1:]
        for name, unit in SETTINGS.items():
            lines += ["", f"[settings.{name}]", f'unit = "{unit}"']
            for last in over:
                points = ", ".join(f"{value:.9g}" for value in strategy.axes[last])
                lines += [f"# each row over {spoken(last)} {points} {unit_of(last)}".rstrip()]
            lines += [f"values = {_laid_out(strategy, name, 'nan', '', remarks=True)}"]
    return "\n".join(lines) + "\n"


def _toml_table(path: str, table: Mapping[str, Any]) -> list[str]:
    """A table's own keys, then the tables within it."""
    within = {key: value for key, value in table.items() if isinstance(value, Mapping)}
    own = [f"{_key(k)} = {_value(v)}" for k, v in table.items() if k not in within]
    lines = ["", f"[{path}]", *own] if own or not within else []
    for key, value in within.items():
        lines += _toml_table(f"{path}.{_key(key)}", value)
    return lines


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _text(name)


def _text(value: str) -> str:
    """A TOML basic string: JSON's escapes, and DEL, which JSON leaves as it is."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, Mapping):  # within a list
        return "{" + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    return repr(value)


def _laid_out(
    strategy: Strategy, setting: str, blank: str, pad: str, *, remarks: bool = False
) -> str:
    """Nested values, one innermost row per line."""
    names = [name for name in AXES if strategy.axes[name].size > 1]
    whole = strategy.settings[setting].reshape([strategy.axes[name].size for name in names])

    def number(value: float) -> str:
        return blank if value != value else repr(value)

    def row(values: FloatArray) -> str:
        return "[" + ", ".join(map(number, values.tolist())) + "]"

    def block(table: FloatArray, depth: int) -> list[str]:
        deep = pad + "  " * (depth + 1)
        lines = []
        for i, point in enumerate(strategy.axes[names[depth]]):
            comma = "," if i < table.shape[0] - 1 else ""
            remark = f"  # {spoken(names[depth], float(point))}" if remarks else ""
            if table.ndim == 2:
                lines.append(f"{deep}{row(table[i])}{comma}{remark}")
            else:
                lines += [f"{deep}[{remark}", *block(table[i], depth + 1), f"{deep}]{comma}"]
        return lines

    if whole.ndim == 0:
        return number(whole.item())
    if whole.ndim == 1:
        return row(whole)
    return "\n".join(["[", *block(whole, 0), f"{pad}]"])
