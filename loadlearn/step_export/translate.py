"""Kernels of the package as C: the same statements, in the same order, for sizes that are known.

The kernels (:func:`loadlearn._compile.jit`) are written in a small subset of Python: numbers,
arrays, records, loops over ranges. Each is read from its own source and written as a C99 function,
with the types of what it is called with; what it calls follows. Nothing of vehicles or filters is
known here, so there is no second physics that could differ. What lies outside the subset is refused
by name and line.
"""

from __future__ import annotations

import ast
import builtins
import inspect
import math
import re
import textwrap
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from loadlearn._compile import LazyKernel
from loadlearn.step_export.c_types import (
    BOOL,
    INT,
    REAL,
    Array,
    CType,
    Scalar,
    Struct,
    c_name,
    declared,
    literal,
    structs_in,
    tuple_of,
)

_MATH = {
    **{name: name for name in ("exp", "log", "sqrt", "erfc", "log1p")},
    "pow": "pow",
    "fabs": "fabs",
    "round": "rint",
}
_TESTS = ("isnan", "isfinite", "isinf")
_SYMBOL = {ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/", ast.Mod: "%", ast.BitAnd: "&"}
_LEVEL = {"*": 9, "/": 9, "%": 9, "+": 8, "-": 8, "<": 6, "==": 5, "&": 4, "&&": 3, "||": 2, "?": 1}
_COMPARE = {
    ast.Lt: "<",
    ast.LtE: "<=",
    ast.Gt: ">",
    ast.GtE: ">=",
    ast.Eq: "==",
    ast.NotEq: "!=",
}
_RESERVED = {"double", "int", "short", "long", "const", "default", "register", "signed", "index"}
ATOM = 20


@dataclass
class Expression:
    """An expression in C."""

    code: str
    kind: CType
    level: int = ATOM
    """How tightly its outermost operator binds."""
    static: Any = None
    """Its value where that is known beforehand."""
    operations: Counter[str] = field(default_factory=Counter)
    """Floating-point operations: add, multiply, divide, compare, function."""
    sizes: tuple[str, ...] = ()
    """Of an array whose size is not known beforehand."""

    def within(self, level: int) -> str:
        """Code to stand as an operand of an operator."""
        return self.code if self.level >= level else f"({self.code})"


class NotInSubsetError(ValueError):
    """A kernel holds what is not translated."""


@dataclass
class Function:
    """A kernel as a C function."""

    name: str
    parameters: list[tuple[str, CType]]
    result: CType | None
    text: str
    own_items: int = 0
    """Numbers in the arrays that it keeps while it runs ..."""
    most_items: int = 0
    """... and with those of what it calls, at the deepest."""


class Translation:
    """Kernels translated so far, with the constants and types that they use.

    Parameters
    ----------
    counting : bool
        Whether each statement counts its floating-point operations as it runs (``COUNT``); for
        measurements, not for use.
    """

    def __init__(self, counting: bool = False) -> None:
        self.counting = counting
        self.constants: dict[str, Any] = {}
        self.functions: dict[Any, Function] = {}
        self.structs: dict[str, Struct] = {}
        self._names: set[str] = set()

    def note(self, kind: CType) -> None:
        """Remember the structs of a type, to be defined."""
        for one in structs_in(kind):
            known = self.structs.setdefault(one.name, one)
            if known.fields != one.fields:
                raise NotInSubsetError(f"two structs are called {one.name}")

    def constant(self, name: str, value: Any) -> str:
        """Remember a named constant, to be defined; return what it is called."""
        known = self.constants.setdefault(name, value)
        if known != value:
            return literal(value)
        return name

    def function(self, kernel: Any, arguments: tuple[CType, ...]) -> Function:
        """Translate a kernel for arguments of some types, and all that it calls.

        Parameters
        ----------
        kernel : LazyKernel or function
        arguments : tuple of types

        Raises
        ------
        NotInSubsetError
            Something in it is not translated.
        """
        plain = kernel.py_func if isinstance(kernel, LazyKernel) else kernel
        key = (plain, arguments)
        if key not in self.functions:
            base = plain.__name__.strip("_")
            name, number = base, 1
            while name in self._names:
                number += 1
                name = f"{base}_{number}"
            self._names.add(name)
            distinct = isinstance(kernel, LazyKernel) and kernel.distinct
            self.functions[key] = _Body(self, plain, arguments, name, distinct).translated()
        return self.functions[key]

    def text(self) -> str:
        """All functions, in an order in which each is known before it is called."""
        return "\n\n".join(one.text for one in self.functions.values())


def _unified(one: CType | None, other: CType) -> CType:
    """The type of a name that holds now one, now the other."""
    if one is None or one == other:
        return other
    if isinstance(one, Scalar) and isinstance(other, Scalar):
        return REAL if REAL in (one, other) else INT
    if isinstance(one, Struct) and isinstance(other, Struct) and one.name == other.name:
        return one
    if isinstance(one, Array) and isinstance(other, Array) and one.item == other.item:
        return one
    raise NotInSubsetError(f"a name holds now {one}, now {other}")


class _Body:
    """One kernel on its way to C."""

    def __init__(
        self,
        into: Translation,
        function: Callable[..., Any],
        kinds: tuple[CType, ...],
        name: str,
        distinct: bool,
    ) -> None:
        self.into, self.python, self.name, self.distinct = into, function, name, distinct
        source = textwrap.dedent(inspect.getsource(function))
        tree = ast.parse(source).body[0]
        assert isinstance(tree, ast.FunctionDef)
        self.tree = tree
        self.scope = {**vars(builtins), **function.__globals__}
        arguments = [one.arg for one in tree.args.args]
        self.parameters = list(zip(arguments, kinds, strict=True))
        self.types: dict[str, CType] = dict(self.parameters)
        self.result: CType | None = None
        self.statics: dict[str, Any] = {}
        self.places = _Places(tree)
        self.lines: list[str] = []
        self.declared: set[str] = set()
        self.depth, self.temporaries = 1, 0
        self.arrays: dict[str, int] = {}
        self.deepest = 0

    # --- the whole -------------------------------------------------------------------------
    def translated(self) -> Function:
        """The function, once all types of its names are settled."""
        while True:
            before = (dict(self.types), self.result)
            self.lines, self.temporaries, self.statics = [], 0, {}
            self.declared = {name for name, _ in self.parameters}
            self.block(self.tree.body)
            if before == (self.types, self.result):
                break
        for kind in self.types.values():
            self.into.note(kind)
        if self.result is not None:
            self.into.note(self.result)
        parts, handed = [], []
        for name, kind in self.parameters:
            # As the kernel is told here: without it a step takes half as long again.
            alone = "restrict " if self.distinct and isinstance(kind, Array) else ""
            parts.append(declared(kind, f"{alone}{_safe(name)}"))
            handed.append(_safe(name))
            if isinstance(kind, Array) and None in kind.shape:
                parts.append(f"int {_safe(name)}_size")
                handed.append(f"{_safe(name)}_size")
        result = "void" if self.result is None else declared(self.result, "").strip()
        # A type and its name stay on one line.
        whole = ", ".join(one.replace(" ", "\0") for one in parts) or "void"
        head = f"static {result} {self.name}({whole})"
        body = [f"    {one}" for one in self._hoisted()] + self.lines[:]
        used = "\n".join(self.lines)
        # After the declarations, as some compilers want it.
        unused = [one for one in handed if not re.search(rf"\b{one}\b", used)]
        body += [f"    (void){one};" for one in unused]
        first = (ast.get_docstring(self.tree) or "").partition("\n")[0].replace("*/", "* /")
        about = f"/* {first}\n   ({self.python.__module__}: {self.python.__name__}) */"
        text = "\n".join([about, _wrapped(head), "{", *body, "}"])
        own = sum(self.arrays.values())
        return Function(self.name, self.parameters, self.result, text, own, own + self.deepest)

    def _hoisted(self) -> Iterator[str]:
        """Declarations of names whose first mention is not where all others can see it."""
        for name, kind in self.types.items():
            if name in self.declared or name not in self.places.hoisted:
                continue
            if isinstance(kind, Array) and name in self.places.empties:
                yield f"{_element(kind)} {_safe(name)}[{kind.size}];"
            else:
                zero = " = 0" if isinstance(kind, Scalar) or not _by_value(kind) else ""
                yield f"{declared(kind, _safe(name))}{zero};"

    def refuse(self, node: ast.AST, what: str) -> NotInSubsetError:
        line = getattr(node, "lineno", 0)
        return NotInSubsetError(
            f"{self.python.__module__}.{self.python.__name__}, its line {line}: {what} is not "
            "translated to C"
        )

    def emit(self, text: str, operations: Counter[str] | None = None) -> None:
        if self.into.counting and operations:
            self.lines.append("    " * self.depth + _count(operations))
        self.lines += textwrap.wrap(
            text,
            100,
            initial_indent="    " * self.depth,
            subsequent_indent="    " * (self.depth + 1),
            break_long_words=False,
            break_on_hyphens=False,
        )

    def block(self, statements: list[ast.stmt]) -> None:
        for one in statements:
            self.statement(one)

    def nested(self, statements: list[ast.stmt]) -> None:
        self.depth += 1
        kept = set(self.declared)
        self.block(statements)
        self.declared = kept
        self.depth -= 1

    # --- statements ------------------------------------------------------------------------
    def statement(self, node: ast.stmt) -> None:
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            return  # a docstring
        if isinstance(node, ast.Assert | ast.Pass):
            return
        method = getattr(self, f"on_{type(node).__name__.lower()}", None)
        if method is None:
            raise self.refuse(node, type(node).__name__)
        method(node)

    def on_expr(self, node: ast.Expr) -> None:
        called = self.expression(node.value)
        self.emit(f"{called.code};", called.operations)

    def on_continue(self, node: ast.Continue) -> None:
        self.emit("continue;")

    def on_break(self, node: ast.Break) -> None:
        self.emit("break;")

    def on_return(self, node: ast.Return) -> None:
        if node.value is None:
            self.emit("return;")
            return
        value = self.expression(node.value)
        kind = value.kind
        before = self.result
        if isinstance(kind, Struct) and kind.name[:6] == "tuple_" and before not in (None, kind):
            assert isinstance(self.result, Struct)
            pairs = zip(kind.fields, self.result.fields, strict=True)
            kind = tuple_of(tuple(_unified(a[1], b[1]) for a, b in pairs))
            self.result = kind
        self.result = _unified(self.result, kind)
        if isinstance(node.value, ast.Tuple):
            assert isinstance(self.result, Struct)
            value = self.built(self.result, [self.expression(one) for one in node.value.elts])
        value = _fitted(value, self.result)
        self.emit(f"return {value.code};", value.operations)

    def on_if(self, node: ast.If) -> None:
        test = self.expression(node.test)
        if test.static is not None:
            self.block(node.body if test.static else node.orelse)
            return
        self.emit(f"if ({test.code}) {{", test.operations)
        self.nested(node.body)
        rest = node.orelse
        while len(rest) == 1 and isinstance(rest[0], ast.If) and not self.into.counting:
            inner = self.expression(rest[0].test)
            if inner.static is not None:
                break
            self.emit(f"}} else if ({inner.code}) {{")
            self.nested(rest[0].body)
            rest = rest[0].orelse
        if rest:
            self.emit("} else {")
            self.nested(rest)
        self.emit("}")

    def on_while(self, node: ast.While) -> None:
        test = self.expression(node.test)
        self.emit(f"while ({test.code}) {{")
        if self.into.counting and test.operations:
            self.lines.append("    " * (self.depth + 1) + _count(test.operations))
        self.nested(node.body)
        self.emit("}")

    def on_for(self, node: ast.For) -> None:
        if isinstance(node.iter, ast.Call) and getattr(node.iter.func, "id", "") == "range":
            self._over_range(node)
        else:
            self._unrolled(node)

    def _over_range(self, node: ast.For) -> None:
        assert isinstance(node.iter, ast.Call)
        ends = [self.expression(one) for one in node.iter.args]
        low = ends[0].code if len(ends) > 1 else "0"
        high = ends[-1].within(7)
        if not isinstance(node.target, ast.Name):
            raise self.refuse(node, "a loop over several names")
        name = node.target.id
        if name == "_":
            self.temporaries += 1
            name = f"turn{self.temporaries}"
        self.types.setdefault(name, INT)
        local = name not in self.places.hoisted
        at = _safe(name)
        self.emit(f"for ({'int ' if local else ''}{at} = {low}; {at} < {high}; {at}++) {{")
        if local:
            self.declared.add(name)
        self.nested(node.body)
        self.emit("}")

    def _unrolled(self, node: ast.For) -> None:
        static = self.known(node.iter)
        if isinstance(static, tuple):
            turns = [[Expression(literal(one), self.into_kind(one), ATOM, one)] for one in static]
            names = [node.target]
        elif isinstance(node.iter, ast.Tuple):
            names = node.target.elts if isinstance(node.target, ast.Tuple) else [node.target]
            turns = []
            for item in node.iter.elts:
                parts = item.elts if isinstance(node.target, ast.Tuple) else [item]  # type: ignore[attr-defined]
                turns.append([self.expression(one) for one in parts])
        else:
            raise self.refuse(node, "a loop over anything but a range or a tuple")
        if any(isinstance(one, ast.Break | ast.Continue) for one in ast.walk(node)):
            raise self.refuse(node, "leaving a loop over a tuple")
        for values in turns:
            self.emit("{")
            self.depth += 1
            kept = set(self.declared)
            for target, value in zip(names, values, strict=True):
                assert isinstance(target, ast.Name)
                self.types[target.id] = _unified(self.types.get(target.id), value.kind)
                self.declared.add(target.id)
                kind = declared(self.types[target.id], _safe(target.id))
                self.emit(f"const {kind} = {value.code};", value.operations)
            self.block(node.body)
            self.declared = kept
            self.depth -= 1
            self.emit("}")

    def on_augassign(self, node: ast.AugAssign) -> None:
        symbol = _SYMBOL[type(node.op)]
        target, value = self.expression(node.target), self.expression(node.value)
        value = _fitted(value, target.kind)
        operations = value.operations + target.operations
        if target.kind == REAL:
            operations[_operation(symbol)] += 1
        self.emit(f"{target.code} {symbol}= {value.code};", operations)

    def on_assign(self, node: ast.Assign) -> None:
        targets = node.targets
        if len(targets) > 1:
            value = self.expression(node.value)
            for one in reversed(targets):
                self.store(one, value)
            return
        target = targets[0]
        if isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple):
            self._together(target.elts, node.value.elts)
        elif isinstance(target, ast.Tuple):
            self._apart(target.elts, self.expression(node.value))
        else:
            self.store(target, self.expression(node.value), node.value)

    def _together(self, targets: list[ast.expr], values: list[ast.expr]) -> None:
        """``a, b = x, y``: all values are taken before any is stored."""
        made = [self.expression(one) for one in values]
        for place, value in enumerate(made):
            earlier = [self.place_code(one) for one in targets[:place]]
            if any(re.search(rf"(?<!\w){re.escape(one)}(?!\w)", value.code) for one in earlier):
                self.temporaries += 1
                name = f"kept{self.temporaries}"
                self.emit(f"{declared(value.kind, name)} = {value.code};", value.operations)
                made[place] = Expression(name, value.kind)
        for target, value, node in zip(targets, made, values, strict=True):
            self.store(target, value, node)

    def _apart(self, targets: list[ast.expr], value: Expression) -> None:
        """``a, b = f()``."""
        assert isinstance(value.kind, Struct)
        names = [name for name, _ in value.kind.fields]
        base = value.code
        if value.kind.value:
            self.temporaries += 1
            base = f"both{self.temporaries}"
            kind = declared(value.kind, base)
            self.emit(f"const {kind} = {value.code};", value.operations)
        for target, name in zip(targets, names, strict=True):
            if isinstance(target, ast.Name) and target.id == "_":
                continue
            self.store(target, self.member(Expression(base, value.kind), name))

    def place_code(self, target: ast.expr) -> str:
        if isinstance(target, ast.Name):
            return _safe(target.id)
        return self.expression(target).code

    def store(self, target: ast.expr, value: Expression, node: ast.expr | None = None) -> None:
        if not isinstance(target, ast.Name):
            place = self.expression(target)
            value = _fitted(value, place.kind)
            self.emit(f"{place.code} = {value.code};", place.operations + value.operations)
            return
        name = target.id
        self.types[name] = kind = _unified(self.types.get(name), value.kind)
        if type(value.static) is int and self.places.stores[name] == 1:
            self.statics[name] = value.static  # a size: written as the number it is
            return
        at, first = _safe(name), name not in self.declared and name not in self.places.hoisted
        if node is not None and _is_empty(node):
            assert isinstance(kind, Array)
            self.places.empties.add(name)
            self.arrays[name] = kind.size
            if first:
                self.declared.add(name)
                self.emit(f"{_element(kind)} {at}[{kind.size}];")
            return
        code = _fitted(value, kind).code
        if isinstance(kind, Struct) and not kind.value:
            code = _address(code)
        if first:
            self.declared.add(name)
            self.emit(f"{declared(kind, at)} = {code};", value.operations)
        else:
            self.emit(f"{at} = {code};", value.operations)

    # --- expressions -----------------------------------------------------------------------
    def known(self, node: ast.expr) -> Any:
        """Value of an expression of constants of the kernel's module, else None."""
        for one in ast.walk(node):
            if isinstance(one, ast.Call):
                return None
            if isinstance(one, ast.Name) and (
                one.id in self.types or callable(self.scope.get(one.id, len))
            ):
                return None
        try:
            value = eval(compile(ast.Expression(node), "constant", "eval"), self.scope)
        except Exception:
            return None
        return value if isinstance(value, int | float | tuple) else None

    def into_kind(self, value: Any) -> Scalar:
        return BOOL if isinstance(value, bool) else INT if isinstance(value, int) else REAL

    def expression(self, node: ast.expr) -> Expression:
        value = self.known(node)
        if isinstance(value, int | float) and not isinstance(value, tuple):
            return self.constant(node, value)
        method = getattr(self, f"of_{type(node).__name__.lower()}", None)
        if method is None:
            raise self.refuse(node, type(node).__name__)
        found: Expression = method(node)
        return found

    def constant(self, node: ast.expr, value: float) -> Expression:
        code, level = literal(value), ATOM
        if isinstance(node, ast.Name):
            code = self.into.constant(node.id.strip("_"), value)
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            if node.value.id != "math":
                code = self.into.constant(f"{node.value.id}_{node.attr}", value)
        elif code.startswith("-"):
            level = 10
        return Expression(code, self.into_kind(value), level, value)

    def of_name(self, node: ast.Name) -> Expression:
        name, at = node.id, _safe(node.id)
        if name not in self.types:
            raise self.refuse(node, f"the name {name}")
        kind = self.types[name]
        if isinstance(kind, Struct) and not kind.value:
            return Expression(f"(*{at})", kind)
        if name in self.statics:
            return Expression(str(self.statics[name]), kind, ATOM, self.statics[name])
        sizes = (f"{at}_size",) if isinstance(kind, Array) and None in kind.shape else ()
        return Expression(at, kind, sizes=sizes)

    def of_constant(self, node: ast.Constant) -> Expression:
        raise self.refuse(node, repr(node.value))

    def of_attribute(self, node: ast.Attribute) -> Expression:
        owner = self.expression(node.value)
        if isinstance(owner.kind, Array):
            if node.attr == "size" and len(owner.kind.shape) == 1:
                return _size(owner, 0)
            raise self.refuse(node, f".{node.attr}")
        return self.member(owner, node.attr)

    def member(self, owner: Expression, name: str) -> Expression:
        assert isinstance(owner.kind, Struct), owner
        code = owner.code
        if code.startswith("(*") and code.endswith(")") and code.count("(") == 1:
            code = f"{code[2:-1]}->{name}"
        else:
            code = f"{code}.{name}"
        return Expression(code, owner.kind.field(name), operations=owner.operations)

    def of_subscript(self, node: ast.Subscript) -> Expression:
        if isinstance(node.value, ast.Attribute) and node.value.attr == "shape":
            owner, at = self.expression(node.value.value), self.known(node.slice)
            return _size(owner, at)
        owner = self.expression(node.value)
        if isinstance(owner.kind, Struct):
            at = self.known(node.slice)
            if not isinstance(at, int):
                raise self.refuse(node, "a tuple's item of unknown place")
            return self.member(owner, owner.kind.fields[at][0])
        assert isinstance(owner.kind, Array)
        if isinstance(node.slice, ast.Slice):
            return self._head(node, owner, node.slice)
        indexes = node.slice.elts if isinstance(node.slice, ast.Tuple) else [node.slice]
        return self._element(owner, [self.expression(one) for one in indexes])

    def _head(self, node: ast.Subscript, owner: Expression, part: ast.Slice) -> Expression:
        """``a[:n]``."""
        assert isinstance(owner.kind, Array)
        if part.lower is not None or part.upper is None or len(owner.kind.shape) != 1:
            raise self.refuse(node, "a slice other than [:n] of a row")
        count = self.expression(part.upper)
        kind = Array(owner.kind.item, (None,), owner.kind.constant)
        return Expression(owner.code, kind, owner.level, sizes=(count.code,))

    def _element(self, owner: Expression, indexes: list[Expression]) -> Expression:
        """An item, or the part of an array that follows from its first indexes."""
        kind = owner.kind
        assert isinstance(kind, Array)
        inner = kind.shape[len(indexes) :]
        if None in kind.shape[1:]:
            raise NotInSubsetError("only a row may have an unknown size")
        code, total = "", Counter(owner.operations)
        for at, one in enumerate(indexes):
            total += one.operations
            following = math.prod(size or 0 for size in kind.shape[at + 1 :])
            if one.static == 0:
                continue
            step = one.within(9) + (f" * {following}" if following > 1 else "")
            code = f"{code} + {step}" if code else step
        if not inner:
            return Expression(f"{owner.code}[{code or '0'}]", kind.element(), operations=total)
        shown = f"{owner.code} + {code}" if code else owner.code
        left = Array(kind.item, inner, kind.constant)
        return Expression(shown, left, 8 if code else owner.level, operations=total)

    def of_unaryop(self, node: ast.UnaryOp) -> Expression:
        value = self.expression(node.operand)
        if isinstance(node.op, ast.Not):
            return Expression(f"!{value.within(10)}", BOOL, 10, operations=value.operations)
        if isinstance(node.op, ast.USub):
            return Expression(f"-{value.within(10)}", value.kind, 10, operations=value.operations)
        raise self.refuse(node, "this sign")

    def of_binop(self, node: ast.BinOp) -> Expression:
        left = self.expression(node.left)
        if isinstance(node.op, ast.Pow):
            return self._power(node, left)
        right = self.expression(node.right)
        symbol = _SYMBOL.get(type(node.op))
        if symbol is None:
            raise self.refuse(node, type(node.op).__name__)
        kind = _unified(left.kind, right.kind)
        if symbol == "/" and kind != REAL:
            left, kind = Expression(f"(real){left.within(10)}", REAL), REAL
        kind = INT if kind == BOOL else kind
        left, right = _fitted(left, kind), _fitted(right, kind)
        operations = left.operations + right.operations
        if kind == REAL:
            operations[_operation(symbol)] += 1
        static = None
        if isinstance(left.static, int) and isinstance(right.static, int):
            static = {"+": int.__add__, "*": int.__mul__, "-": int.__sub__}.get(symbol, _none)(
                left.static, right.static
            )
        level = _LEVEL[symbol]
        code = f"{left.within(level)} {symbol} {right.within(level + 1)}"
        return Expression(code, kind, level, static, operations)

    def _power(self, node: ast.BinOp, base: Expression) -> Expression:
        if self.known(node.right) == 2:
            operations = base.operations + base.operations + Counter(multiply=1)
            simple = re.fullmatch(r"[\w.>\-]+", base.code) is not None
            if simple:
                return Expression(f"{base.code} * {base.code}", REAL, 9, operations=operations)
            return Expression(f"square({base.code})", REAL, operations=operations)
        power = self.expression(node.right)
        operations = base.operations + power.operations + Counter(function=1)
        return Expression(f"R_pow({base.code}, {power.code})", REAL, operations=operations)

    def of_boolop(self, node: ast.BoolOp) -> Expression:
        parts = [self.expression(one) for one in node.values]
        symbol = "&&" if isinstance(node.op, ast.And) else "||"
        level, total = _LEVEL[symbol], Counter[str]()
        for one in parts:
            total += one.operations
        # Both binding and reading: && within || stands in brackets.
        code = f" {symbol} ".join(one.within(5 if symbol == "||" else level + 1) for one in parts)
        return Expression(code, BOOL, level, operations=total)

    def of_compare(self, node: ast.Compare) -> Expression:
        if isinstance(node.ops[0], ast.Is | ast.IsNot):
            return Expression("0", BOOL, ATOM, isinstance(node.ops[0], ast.IsNot))
        parts, left, total = [], self.expression(node.left), Counter[str]()
        total += left.operations
        for op, other in zip(node.ops, node.comparators, strict=True):
            if isinstance(op, ast.In):
                assert isinstance(other, ast.Tuple)
                either = [self.expression(one).within(6) for one in other.elts]
                code = " || ".join(f"{left.within(6)} == {one}" for one in either)
                return Expression(code, BOOL, _LEVEL["||"], operations=total)
            right = self.expression(other)
            total += right.operations
            if REAL in (left.kind, right.kind):
                total["compare"] += 1
            parts.append(f"{left.within(7)} {_COMPARE[type(op)]} {right.within(7)}")
            left = right
        level = _LEVEL["<"] if isinstance(node.ops[0], ast.Lt | ast.LtE | ast.Gt | ast.GtE) else 5
        return Expression(
            " && ".join(parts), BOOL, _LEVEL["&&"] if len(parts) > 1 else level, operations=total
        )

    def of_ifexp(self, node: ast.IfExp) -> Expression:
        test = self.expression(node.test)
        if test.static is not None:
            return self.expression(node.body if test.static else node.orelse)
        yes, no = self.expression(node.body), self.expression(node.orelse)
        kind = _unified(yes.kind, no.kind)
        operations = test.operations + yes.operations + no.operations
        code = f"{test.within(2)} ? {yes.within(2)} : {no.within(2)}"
        return Expression(code, kind, _LEVEL["?"], operations=operations)

    def of_tuple(self, node: ast.Tuple) -> Expression:
        parts = [self.expression(one) for one in node.elts]
        return self.built(tuple_of(tuple(one.kind for one in parts)), parts)

    def built(self, kind: Struct, parts: list[Expression]) -> Expression:
        total = Counter[str]()
        for one in parts:
            total += one.operations
        self.into.note(kind)
        pairs = zip(parts, kind.fields, strict=True)
        inside = ", ".join(_fitted(one, of).code for one, (_, of) in pairs)
        return Expression(f"(struct {kind.name}){{{inside}}}", kind, operations=total)

    # --- calls -----------------------------------------------------------------------------
    def of_call(self, node: ast.Call) -> Expression:
        if isinstance(node.func, ast.Attribute):
            return self._of_module(node, node.func)
        assert isinstance(node.func, ast.Name)
        called = self.scope.get(node.func.id)
        if called in (min, max, abs, int, float, round):
            return self._builtin(node, node.func.id, [self.expression(one) for one in node.args])
        if inspect.isclass(called) and hasattr(called, "_fields"):
            parts = [self.expression(one) for one in node.args]
            names = getattr(called, "_fields")  # noqa: B009
            kinds = [
                REAL if one.kind == INT and _is_float(called, name) else one.kind
                for name, one in zip(names, parts, strict=True)
            ]
            fields = tuple(zip(names, kinds, strict=True))
            return self.built(Struct(c_name(called.__name__), fields, value=True), parts)
        if isinstance(called, LazyKernel) or inspect.isfunction(called):
            return self._kernel(node, called)
        raise self.refuse(node, f"{node.func.id}()")

    def _kernel(self, node: ast.Call, called: Any) -> Expression:
        plain = called.py_func if isinstance(called, LazyKernel) else called
        signature = inspect.signature(plain)
        given: dict[str, Expression] = {}
        names = list(signature.parameters)
        for name, argument in zip(names, node.args, strict=False):
            given[name] = self.expression(argument)
        for word in node.keywords:
            given[str(word.arg)] = self.expression(word.value)
        for name, parameter in signature.parameters.items():
            if name not in given:
                default = parameter.default
                given[name] = Expression(literal(default), self.into_kind(default), ATOM, default)
        kinds, codes, total = [], [], Counter[str]()
        for name in names:
            one, kind = given[name], given[name].kind
            if signature.parameters[name].annotation in ("float", "Number", "ArrayLike"):
                kind = REAL if isinstance(kind, Scalar) else kind
            kinds.append(kind)
            total += one.operations
            by_pointer = isinstance(kind, Struct) and not kind.value
            codes.append(_address(one.code) if by_pointer else one.code)
            codes += one.sizes
        function = self.into.function(called, tuple(kinds))
        self.deepest = max(self.deepest, function.most_items)
        code = f"{function.name}({', '.join(codes)})"
        return Expression(code, function.result or INT, operations=total)

    def _builtin(self, node: ast.Call, name: str, parts: list[Expression]) -> Expression:
        total = Counter[str]()
        for one in parts:
            total += one.operations
        codes = [one.code for one in parts]
        if name in ("min", "max"):
            kind = parts[0].kind
            for one in parts[1:]:
                kind = _unified(kind, one.kind)
            prefix = "R_" if kind == REAL else "int_"
            total["compare"] += len(parts) - 1
            code = codes[0]
            for other in codes[1:]:
                code = f"{prefix}{name}({code}, {other})"
            return Expression(code, kind, operations=total)
        if name == "abs":
            if parts[0].kind != REAL:
                raise self.refuse(node, "abs of an int")
            return Expression(f"R_fabs({codes[0]})", REAL, operations=total)
        if name == "round":
            # To the nearest, halves to even, as C rounds by default.
            return Expression(f"(int)R_rint({codes[0]})", INT, 10, operations=total)
        kind = INT if name == "int" else REAL
        shown = f"({'int' if name == 'int' else 'real'}){parts[0].within(10)}"
        return Expression(shown, kind, 10, operations=total)

    def _of_module(self, node: ast.Call, function: ast.Attribute) -> Expression:
        name = function.attr
        if name == "empty":
            static = self._shape(node.args[0])
            return Expression("", Array(REAL, static))
        parts = [self.expression(one) for one in node.args]
        total = Counter[str]()
        for one in parts:
            total += one.operations
        codes = ", ".join(one.code for one in parts)
        if name == "asarray":
            return parts[0]
        if name in _TESTS:
            return Expression(f"{name}({codes})", BOOL, operations=total)
        if name in ("maximum", "minimum"):
            return self._builtin(node, name[:3], parts)
        if name == "where":
            code = f"{parts[0].within(2)} ? {parts[1].within(2)} : {parts[2].within(2)}"
            return Expression(code, REAL, _LEVEL["?"], operations=total)
        if name == "argmax":
            kind = parts[0].kind
            assert isinstance(kind, Array) and len(kind.shape) == 1
            return Expression(f"place_of_greatest({codes}, {kind.size})", INT, operations=total)
        if name in _MATH and isinstance(function.value, ast.Name):
            total["function"] += 1
            return Expression(f"R_{_MATH[name]}({codes})", REAL, operations=total)
        raise self.refuse(node, f"{ast.unparse(function)}()")

    def _shape(self, node: ast.expr) -> tuple[int, ...]:
        parts = node.elts if isinstance(node, ast.Tuple) else [node]
        sizes = []
        for one in parts:
            size = self.expression(one).static
            if not isinstance(size, int):
                raise self.refuse(node, "an array whose size is not known beforehand")
            sizes.append(size)
        return tuple(sizes)


class _Places:
    """Where the names of a function are mentioned, which decides where each is declared."""

    def __init__(self, tree: ast.FunctionDef) -> None:
        self.stores: Counter[str] = Counter()
        self.empties: set[str] = set()
        self._paths: dict[str, list[tuple[int, ...]]] = {}
        self._first_store: dict[str, bool] = {}
        self._loops: dict[str, list[tuple[int, ...]]] = {}
        self._plain: set[str] = set()
        self._walk(tree.body, ())
        self.hoisted = {name for name in self._paths if self.stores[name] and self._hoist(name)}

    def _hoist(self, name: str) -> bool:
        paths = self._paths[name]
        loops = self._loops.get(name)
        if loops is not None:
            inside = all(any(p[: len(one)] == one for one in loops) for p in paths)
            return name in self._plain or not inside
        common = paths[0]
        for one in paths:
            while one[: len(common)] != common:
                common = common[:-1]
        return not (paths[0] == common and self._first_store[name])

    def _walk(self, statements: list[ast.stmt], path: tuple[int, ...]) -> None:
        for node in statements:
            if isinstance(node, ast.For):
                self._mention(node.iter, path)
                inner = (*path, id(node))
                for one in ast.walk(node.target):
                    if isinstance(one, ast.Name):
                        self._loops.setdefault(one.id, []).append(inner)
                        self._note(one.id, inner, True)
                self._walk(node.body, inner)
            elif isinstance(node, ast.If | ast.While):
                self._mention(node.test, path)
                self._walk(node.body, (*path, id(node)))
                self._walk(node.orelse, (*path, id(node) + 1))
            elif isinstance(node, ast.Assign):
                self._mention(node.value, path)
                for target in node.targets:
                    self._target(target, path)
            elif isinstance(node, ast.AugAssign):
                self._mention(node.value, path)
                self._mention(node.target, path)
                if isinstance(node.target, ast.Name):
                    self._plain.add(node.target.id)
                    self.stores[node.target.id] += 1
            else:
                self._mention(node, path)

    def _target(self, target: ast.expr, path: tuple[int, ...]) -> None:
        if isinstance(target, ast.Tuple):
            for one in target.elts:
                self._target(one, path)
        elif isinstance(target, ast.Name):
            self._plain.add(target.id)
            self._note(target.id, path, True)
        else:
            self._mention(target, path)

    def _mention(self, node: ast.AST, path: tuple[int, ...]) -> None:
        for one in ast.walk(node):
            if isinstance(one, ast.Name):
                self._note(one.id, path, False)

    def _note(self, name: str, path: tuple[int, ...], stored: bool) -> None:
        if name not in self._paths:
            self._first_store[name] = stored
        self._paths.setdefault(name, []).append(path)
        self.stores[name] += stored


def _fitted(value: Expression, kind: CType) -> Expression:
    """A value for a place of some type: whole numbers become real by a word."""
    if kind != REAL or value.kind == REAL or value.static is not None:
        return value
    code = f"(real){value.within(10)}"
    return Expression(code, REAL, 10, operations=value.operations)


def _size(owner: Expression, at: int) -> Expression:
    assert isinstance(owner.kind, Array)
    size = owner.kind.shape[at]
    if size is None:
        return Expression(owner.sizes[0], INT)
    return Expression(str(size), INT, ATOM, size)


def _address(code: str) -> str:
    """Pointer to a record."""
    if code.startswith("(*") and code.endswith(")") and code.count("(") == 1:
        return code[2:-1]
    return f"&{code}"


def _safe(name: str) -> str:
    return f"{name}_" if name in _RESERVED else name


def _by_value(kind: CType) -> bool:
    return isinstance(kind, Struct) and kind.value


def _element(kind: Array) -> str:
    return "real" if kind.item == REAL else "int"


def _operation(symbol: str) -> str:
    return {"*": "multiply", "/": "divide"}.get(symbol, "add")


def _is_empty(node: ast.expr) -> bool:
    function = getattr(node, "func", None)
    return isinstance(function, ast.Attribute) and function.attr == "empty"


def _is_float(named: Any, name: str) -> bool:
    return bool(named.__annotations__.get(name) == "float")


def _none(*_: Any) -> None:
    return None


def _count(operations: Counter[str]) -> str:
    kinds = ("add", "multiply", "divide", "compare", "function")
    return f"COUNT({', '.join(str(operations[one]) for one in kinds)});"


def _wrapped(head: str) -> str:
    return "\n    ".join(textwrap.wrap(head, 96)).replace("\0", " ")
