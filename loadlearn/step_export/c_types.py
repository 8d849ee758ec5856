"""Types of the generated C: what a value of the kernels is there, and how it is declared.

Sizes are part of an array's type: nothing is allocated, and every function is made for the sizes
that it is called with.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, TypeAlias

import numpy as np


@dataclass(frozen=True)
class Scalar:
    """A number: ``real``, ``int``, or ``bool`` (an int that is 0 or 1)."""

    kind: str


REAL, INT, BOOL = Scalar("real"), Scalar("int"), Scalar("bool")


@dataclass(frozen=True)
class Struct:
    """A record, a named tuple, or a tuple.

    Attributes
    ----------
    name : str
        Of the C struct.
    fields : tuple of (str, type)
    constant : bool
        Never written to.
    value : bool
        Handed on by value (results of several numbers), else by pointer.
    """

    name: str
    fields: tuple[tuple[str, CType], ...]
    constant: bool = False
    value: bool = False

    def field(self, name: str) -> CType:
        """Type of a field, as constant as the whole."""
        found = dict(self.fields)[name]
        if self.constant and not isinstance(found, Scalar):
            return replace(found, constant=True)
        return found


@dataclass(frozen=True)
class Array:
    """An array, row by row; a size of None is handed on beside it.

    Attributes
    ----------
    item : Scalar or Struct
    shape : tuple of int or None
    constant : bool
        Never written to.
    """

    item: Scalar | Struct
    shape: tuple[int | None, ...]
    constant: bool = False

    @property
    def size(self) -> int:
        """Number of items."""
        return math.prod(one or 0 for one in self.shape)

    def element(self) -> CType:
        """Type of an item, as constant as the whole."""
        if isinstance(self.item, Struct):
            return replace(self.item, constant=self.constant)
        return self.item


CType: TypeAlias = Scalar | Struct | Array


def c_name(name: str) -> str:
    """A Python name as C name of a struct: words in lower case."""
    return re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", name).lower().strip("_")


class Records:
    """Names of the structured types, which have none of their own.

    Parameters
    ----------
    names : mapping of dtype to str
    """

    def __init__(self, names: dict[np.dtype[Any], str]) -> None:
        self._names = names

    def struct(self, kind: np.dtype[Any]) -> Struct:
        """The struct of a structured type."""
        assert kind.names is not None and kind.fields is not None
        fields = tuple((name, self._of_dtype(kind.fields[name][0])) for name in kind.names)
        return Struct(self._names[kind], fields)

    def _of_dtype(self, kind: np.dtype[Any]) -> CType:
        if kind.subdtype is not None:
            item, shape = kind.subdtype
            inner = self._of_dtype(item)
            assert not isinstance(inner, Array)
            return Array(inner, shape)
        if kind.names is not None:
            return self.struct(kind)
        return {"f": REAL, "i": INT, "b": BOOL}[kind.kind]

    def type_of(self, value: Any) -> CType:
        """Type of a value that the kernels are called with.

        Parameters
        ----------
        value : number, ndarray, or named tuple of such
        """
        if isinstance(value, bool | np.bool_):
            return BOOL
        if isinstance(value, int | np.integer):
            return INT
        if isinstance(value, float | np.floating):
            return REAL
        if isinstance(value, np.ndarray):
            item = self._of_dtype(value.dtype)
            assert not isinstance(item, Array)
            return Array(item, value.shape)
        fields = tuple((name, self.type_of(getattr(value, name))) for name in value._fields)
        return Struct(c_name(type(value).__name__), fields)


def tuple_of(items: tuple[CType, ...]) -> Struct:
    """The struct of a tuple of scalars."""
    letters = ""
    for one in items:
        assert isinstance(one, Scalar)
        letters += one.kind[0]
    named = tuple((f"at{i}", one) for i, one in enumerate(items))
    return Struct(f"tuple_{letters}", named, value=True)


def base_name(kind: CType) -> str:
    """What a type is called before the name and the sizes in a declaration."""
    if isinstance(kind, Array):
        kind = kind.item
    if isinstance(kind, Struct):
        return f"struct {kind.name}"
    return "real" if kind is REAL or kind.kind == "real" else "int"


def declared(kind: CType, name: str) -> str:
    """Declaration of a parameter or local name: arrays and records are pointers."""
    if isinstance(kind, Scalar) or (isinstance(kind, Struct) and kind.value):
        return f"{base_name(kind)} {name}"
    return f"{'const ' if kind.constant else ''}{base_name(kind)} *{name}"


def stored(kind: CType, name: str) -> str:
    """Declaration of a member that holds the thing itself."""
    sizes = f"[{kind.size}]" if isinstance(kind, Array) else ""
    return f"{base_name(kind)} {name}{sizes}"


def structs_in(kind: CType) -> Iterator[Struct]:
    """A type's structs, the inner ones first."""
    if isinstance(kind, Array):
        yield from structs_in(kind.item)
    elif isinstance(kind, Struct):
        for _, inner in kind.fields:
            yield from structs_in(inner)
        yield replace(kind, constant=False)


def numbers_in(kind: CType) -> int:
    """How many numbers a thing of some type holds."""
    if isinstance(kind, Array):
        return kind.size * numbers_in(kind.item)
    if isinstance(kind, Struct):
        return sum(numbers_in(inner) for _, inner in kind.fields)
    return 1


def struct_text(kind: Struct) -> str:
    """Definition of a struct."""
    lines = [f"    {stored(inner, name)};" for name, inner in kind.fields]
    return "\n".join([f"struct {kind.name} {{", *lines, "};"])


def literal(value: Any) -> str:
    """A number of Python as C writes it; ``R`` gives it the precision of ``real``."""
    if isinstance(value, bool | np.bool_):
        return "1" if value else "0"
    if isinstance(value, int | np.integer):
        return str(int(value))
    number = float(value)
    if math.isnan(number):
        return "NAN"
    if math.isinf(number):
        return "INFINITY" if number > 0.0 else "(-INFINITY)"
    size = abs(number)
    if size > 3e38 or 0.0 < size < 1.2e-38:
        text = f"R_OF({size!r}, {'3e38' if size > 1.0 else '1.2e-38'})"
    else:
        text = f"R({size!r})"
    return f"(-{text})" if number < 0.0 else text


def initialiser(value: Any, kind: CType, indent: str = "") -> str:
    """A constant's data as C initialises it.

    Parameters
    ----------
    value : number, ndarray, record, or named tuple of such
    kind : type
        Of the value.
    indent : str
        Before each line.
    """
    inner = indent + "    "
    if isinstance(kind, Scalar):
        return literal(value)
    if isinstance(kind, Array):
        flat = np.asarray(value).reshape(-1)
        parts = [initialiser(one, kind.item, inner) for one in flat]
        if isinstance(kind.item, Struct):
            return "{\n" + "".join(f"{inner}{one},\n" for one in parts) + indent + "}"
        rows = [", ".join(parts[i : i + 4]) for i in range(0, len(parts), 4)]
        return "{" + f",\n{inner}".join(rows) + "}"
    made = [
        f"{inner}{initialiser(_part(value, name), of, inner)}, /* {name} */\n"
        for name, of in kind.fields
    ]
    return "{\n" + "".join(made) + indent + "}"


def _part(value: Any, name: str) -> Any:
    return value[name] if isinstance(value, np.void | np.ndarray) else getattr(value, name)
