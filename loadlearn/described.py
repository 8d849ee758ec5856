"""What the keys and columns of files mean, read from where they are defined.

A file's keys are the fields of a class (dataclass, ``TypedDict``, pydantic model), each with its
meaning as a docstring below it or under *Attributes*. Units follow from the names' endings. So a
dictionary of the files has nothing of its own that could go stale.
"""

from __future__ import annotations

import ast
import inspect
import re
import sys
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, is_dataclass, replace
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

_ENDINGS = {
    "kg_m2": "kg m²",
    "kpa_s_per_rad": "kPa s/rad",
    "l_per_100km": "l/100 km",
    "per_mpa": "1/MPa",
    "mj_kg": "MJ/kg",
    "kg_m3": "kg/m³",
    "m_s2": "m/s²",
    "g_s": "g/s",
    "m_s": "m/s",
    "n_m": "N m",
    "degc": "°C",
    "percent": "%",
    "per_hour": "1/h",
    "rpm": "1/min",
    "hz": "Hz",
    "kpa": "kPa",
    "mpa": "MPa",
    "deg": "°",
    "kg": "kg",
    "m2": "m²",
    "kw": "kW",
    "k": "K",
    "l": "l",
    "n": "N",
    "m": "m",
    "s": "s",
}
"""Units by the ends of names, longer ones first."""


@dataclass(frozen=True)
class Unit:
    """Of a field whose name has none, as ``Annotated[float, Unit("of the channel")]``."""

    symbol: str


@dataclass(frozen=True)
class Named:
    """How a field's name is written in the file where a class cannot, as ``p_<ground>``.

    Of a mapping whose keys are names themselves it is the word for one: ``<protection>``.
    """

    pattern: str


@dataclass(frozen=True)
class Entry:
    """One key or column.

    Attributes
    ----------
    name : str
        With the keys above it, ``mass_kg.sd``; ``[]`` stands for each of a list.
    kind : str
        Type of its value.
    unit : str
        ``1`` for a number without; empty for what is none.
    meaning : str
    default : str
        What holds where it is left out; empty for what is needed or written by us.
    """

    name: str
    kind: str
    unit: str
    meaning: str
    default: str = ""


def unit_of(name: str) -> str:
    """Unit that a name ends with, as ``_kg``; empty where it has none.

    Parameters
    ----------
    name : str
        Of a key or column; what is said of a quantity after its unit, as ``_sd``, has none.

    Examples
    --------
    >>> unit_of("friction_mep_slope_kpa_s_per_rad"), unit_of("trust")
    ('kPa s/rad', '')
    """
    if name.startswith("seconds_"):
        return "s"
    return next((unit for end, unit in _ENDINGS.items() if name.endswith(f"_{end}")), "")


def meanings(kind: type) -> dict[str, str]:
    """What each field of a class means.

    Parameters
    ----------
    kind : type
        A class whose source can be read.

    Returns
    -------
    dict of str to str
        By field: the docstring below it, else what *Attributes* says; inherited ones first.
    """
    found: dict[str, str] = {}
    body = ast.parse(textwrap.dedent(inspect.getsource(kind))).body[0]
    assert isinstance(body, ast.ClassDef)
    # A TypedDict forgets its bases; its source does not.
    bases = [base.id for base in body.bases if isinstance(base, ast.Name)]
    for base in (getattr(sys.modules[kind.__module__], name) for name in bases):
        if getattr(base, "__module__", "").startswith("loadlearn"):
            found |= meanings(base)
    found |= _listed(inspect.getdoc(kind) or "")
    for field, below in zip(body.body, body.body[1:], strict=False):
        if (
            isinstance(field, ast.AnnAssign)
            and isinstance(field.target, ast.Name)
            and isinstance(below, ast.Expr)
            and isinstance(below.value, ast.Constant)
        ):
            found[field.target.id] = _plain(str(below.value.value))
    return found


def _listed(doc: str) -> dict[str, str]:
    """The *Attributes* of a numpydoc docstring; names that share a line share its text."""
    section = doc.partition("Attributes\n----------\n")[2].partition("\n\n")[0]
    found = {}
    for match in re.finditer(r"^(\S.*?) ?: ?(.*)\n((?:[ ]+.*\n?)*)|^(\S[^:]*)$", section, re.M):
        for name in re.split(r", ", match[1] or match[4]):
            found[name] = _plain(match[3] or "")
    return found


def _plain(text: str) -> str:
    """A docstring as words: one line, no mark-up."""
    text = re.sub(r":\w+:`~?(?:[\w.]*\.)?(\w+)`", r"\1", " ".join(text.split()))
    return text.replace("``", "").strip()


def entries(kind: Any, *, above: str = "", unit: str = "") -> list[Entry]:
    """The keys of a file, or the columns of a table, with all that lies below them.

    Parameters
    ----------
    kind : type
        Class of the file's content.
    above : str
        What stands before each name.
    unit : str
        Of the numbers whose names say none.

    Returns
    -------
    list of Entry
        In the order in which they are defined.
    """
    found: list[Entry] = []
    said = meanings(kind)
    fields = getattr(kind, "model_fields", {})
    for name, hint in get_type_hints(kind, include_extras=True).items():
        if name.startswith("_") or name == "model_config":
            continue
        default = _default(fields[name]) if name in fields else ""
        found += _of(name, hint, said.get(name, ""), above, unit, default)
        if name in fields and (bounds := _bounds(hint)):
            found[-1] = replace(found[-1], kind=f"{found[-1].kind} {bounds}")
    return found


def _of(name: str, hint: Any, meaning: str, above: str, unit: str, default: str) -> list[Entry]:
    marks: dict[type, Any] = {}
    hint = _bare(hint, marks)
    inherited = unit if _number_like(hint) else ""
    own = marks[Unit].symbol if Unit in marks else unit_of(name) or inherited
    pattern = marks[Named].pattern if Named in marks else name
    optional = ""
    if get_origin(hint) in (Union, UnionType):
        options = [one for one in get_args(hint) if one is not NoneType]
        optional = " or null" if len(options) < len(get_args(hint)) and not default else ""
        hint = _bare(options[0], marks)
    path = f"{above}{pattern}"
    if get_origin(hint) in (dict, Mapping):
        inside = _bare(get_args(hint)[1], marks)
        word = pattern if Named in marks else "<name>"
        path = f"{above}{name}"
        if _has_fields(inside):
            head = Entry(path, f"mapping{optional}", "", meaning)
            return [head, *entries(inside, above=f"{path}.{word}.", unit=own)]
        kind, own = _scalar(inside, own)
        return [Entry(f"{path}.{word}", kind + optional, own, meaning, default)]
    if get_origin(hint) in (list, tuple, Sequence) and _has_fields(_bare(get_args(hint)[0], marks)):
        head = Entry(path, f"list{optional}", "", meaning)
        return [head, *entries(_bare(get_args(hint)[0], marks), above=f"{path}[].", unit=own)]
    if _has_fields(hint):
        head = Entry(path, f"table{optional}", "", meaning or _first_line(hint))
        return [head, *entries(hint, above=f"{path}.", unit=own)]
    kind, own = _scalar(hint, own)
    return [Entry(path, kind + optional, own, meaning, default)]


def _bounds(hint: Any) -> str:
    """Limits that pydantic holds a number to, in words; they are annotated to its type."""
    words = {"gt": "above", "ge": "from", "lt": "below", "le": "to"}
    metadata = [one for part in get_args(hint) for one in (part, *get_args(part))]
    rules = [rule for one in metadata for rule in getattr(one, "metadata", [])]
    said = [
        f"{word} {getattr(rule, name):g}"
        for name, word in words.items()
        for rule in rules
        if isinstance(getattr(rule, name, None), int | float)
    ]
    return " ".join(said)


def _bare(hint: Any, marks: dict[type, Any]) -> Any:
    """A type without what is annotated to it, which goes to ``marks`` by its class."""
    while get_origin(hint) is Annotated:
        hint, *extras = get_args(hint)
        marks |= {type(one): one for one in extras}
    return hint


def _number_like(hint: Any) -> bool:
    """Whether values of this type share the unit of what they stand in: no counts, no words."""
    if get_origin(hint) in (Union, UnionType, list, tuple):
        return any(_number_like(one) for one in get_args(hint))
    return hint is float


def _has_fields(hint: Any) -> bool:
    return isinstance(hint, type) and (
        is_dataclass(hint) or hasattr(hint, "model_fields") or hasattr(hint, "__total__")
    )


def _first_line(kind: type) -> str:
    return _plain((inspect.getdoc(kind) or "").partition("\n")[0])


def _scalar(hint: Any, unit: str) -> tuple[str, str]:
    """Words for a type of one value or of a list of them, and its unit."""
    if get_origin(hint) in (list, tuple, Sequence):
        inside, own = _scalar(_bare(get_args(hint)[0], {}), unit)
        count = len([one for one in get_args(hint) if one is not ...])
        many = inside if inside in ("any", "text") else f"{inside}s"
        return (f"two {many}" if count == 2 else f"list of {many}"), own
    if get_origin(hint) is Literal:
        return " or ".join(str(one) for one in get_args(hint)), ""
    words = {float: "number", int: "whole number", bool: "true or false", str: "text"}
    if hint not in words:
        return "any", ""
    return words[hint], (unit or "1") if hint in (float, int) else ""


def _default(field: Any) -> str:
    """Default of a pydantic field, in words; empty for one that is needed."""
    if field.is_required():
        return "needed"
    value = field.get_default(call_default_factory=True)
    if value is None or value == [] or hasattr(type(value), "model_fields"):
        return "optional"
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g}" if isinstance(value, float) else str(value)
