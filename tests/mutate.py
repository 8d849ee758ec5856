"""Whether the tests would notice: meaningful mutations of the numeric files, one at a time.

A mutation flips a sign, exchanges a factor for a divisor, doubles a constant, drops a term, swaps
two arguments or turns a comparison round. It counts as killed where a test fails: first those that
mirror the mutated file, then, with ``--room``, all of its room. Each runs in a copy of the tree;
the work tree is never touched. Run from the top of the tree::

    python tests/mutate.py --count 70 --seed 1
    python tests/mutate.py loadlearn/policy/caps.py --count 0      # 0: every one

After DeMillo, Lipton and Sayward, "Hints on test data selection", Computer 11(4), 1978 (memory).
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parent.parent
NUMERIC = (
    "condition/[!_]*.py",
    "dyno/[!_]*.py",
    "estimation/[!_]*.py",
    "policy/[!_]*.py",
    "vehicle/[!_]*.py",
)
NOT_NUMERIC = ("rig.py", "samples.py", "columns.py", "reason.py", "fragment.py", "stated.py")
"""Data models and words; what begins with ``strategy_`` or ends with ``_words`` is left out too."""
LONGEST_S = 600.0
"""A mutant whose tests take longer has hung them, which is noticed as well."""
GUARD = 1e-9
"""Smaller constants only keep a divisor from 0."""
OPPOSITE: dict[type[ast.AST], str] = {
    ast.Add: "-",
    ast.Sub: "+",
    ast.Mult: "/",
    ast.Div: "*",
    ast.Lt: ">=",
    ast.LtE: ">",
    ast.Gt: "<=",
    ast.GtE: "<",
}


class Mutant(NamedTuple):
    """One change of one file.

    Attributes
    ----------
    path : Path
        Relative to the top of the tree.
    line : int
    kind : str
    before, after : str
        Of the changed expression.
    start, end : int
        Where it stands in the file's bytes.
    """

    path: Path
    line: int
    kind: str
    before: str
    after: str
    start: int
    end: int

    def __str__(self) -> str:
        return f"{self.path}:{self.line} {self.kind}: {self.before}  ->  {self.after}"

    def apply(self, tree: Path) -> None:
        """Write the mutated file into a copy of the tree."""
        source = (ROOT / self.path).read_bytes()
        changed = source[: self.start] + self.after.encode() + source[self.end :]
        (tree / self.path).write_bytes(changed)


def _changes(node: ast.AST, of: Callable[[ast.AST], str]) -> Iterator[tuple[str, str]]:
    """Kind of each meaningful change of an expression, and what it becomes."""

    match node:
        case ast.BinOp(left=left, op=ast.Add() | ast.Sub() as op, right=right):
            if isinstance(left, ast.Constant | ast.JoinedStr) and not _number(left):
                return  # words
            yield "sign", f"({of(left)}) {OPPOSITE[type(op)]} ({of(right)})"
            yield "dropped", f"({of(left)})"
        case ast.BinOp(left=left, op=ast.Mult() | ast.Div() as op, right=right):
            yield "factor", f"({of(left)}) {OPPOSITE[type(op)]} ({of(right)})"
        case ast.UnaryOp(op=ast.USub(), operand=operand) if not isinstance(operand, ast.Constant):
            yield "sign", f"({of(operand)})"
        case ast.Compare(left=left, ops=[op], comparators=[right]) if type(op) in OPPOSITE:
            yield "comparison", f"({of(left)}) {OPPOSITE[type(op)]} ({of(right)})"
        case ast.Call(func=func, args=[first, second, *rest], keywords=keywords):
            told = [of(second), of(first), *map(of, rest), *map(of, keywords)]
            plain = not any(isinstance(one, ast.Starred) for one in (first, second))
            names = (
                "clip",
                "isinstance",
                "max",
                "min",
                "hypot",
                "zip",
                "getattr",
                "range",
                "maximum",
            )
            words = (first, second)
            if of(func).rpartition(".")[2] in (*names, "minimum", "logaddexp"):
                return  # symmetric, or no arithmetic
            if plain and not any(isinstance(one, ast.Constant) for one in words):
                yield "swapped", f"{of(func)}({', '.join(told)})"
        case ast.Constant() if _number(node) and not 0.0 < abs(node.value) < GUARD:
            yield "constant", repr(2 * node.value if node.value else 1)


def _number(node: ast.AST) -> bool:
    value = getattr(node, "value", None)
    return isinstance(node, ast.Constant) and type(value) in (int, float)


def _silent(node: ast.AST) -> bool:
    """Whether what stands below is no arithmetic: an index, an annotation, words, an error."""
    return isinstance(node, ast.Subscript | ast.Raise | ast.JoinedStr | ast.AnnAssign | ast.Assert)


def mutants(path: Path) -> list[Mutant]:
    """Every meaningful mutation of a file, in the order of its lines."""
    text = (ROOT / path).read_bytes()
    offsets = [0]
    for line in text.splitlines(keepends=True):
        offsets.append(offsets[-1] + len(line))
    found: list[Mutant] = []

    def place(node: ast.AST) -> tuple[int, int]:
        start = offsets[node.lineno - 1] + node.col_offset  # type: ignore[attr-defined]
        return start, offsets[node.end_lineno - 1] + node.end_col_offset  # type: ignore[attr-defined]

    def of(node: ast.AST) -> str:
        return text[slice(*place(node))].decode()

    def visit(node: ast.AST) -> None:
        for kind, after in _changes(node, of):
            if (before := of(node)).replace(" ", "") != after.replace(" ", ""):
                line = text.count(b"\n", 0, place(node)[0]) + 1
                found.append(Mutant(path, line, kind, before, after, *place(node)))
        for child in ast.iter_child_nodes(node):
            if isinstance(node, ast.AnnAssign):
                if child is node.value:
                    visit(child)
            elif not _silent(child) or isinstance(child, ast.AnnAssign):
                visit(child)

    visit(ast.parse(text))
    return sorted(set(found), key=lambda one: (one.start, one.end, one.kind))


def numeric_files() -> list[Path]:
    """The files whose arithmetic the tests should hold."""
    package = ROOT / "loadlearn"
    every = [path for pattern in NUMERIC for path in sorted(package.glob(pattern))]
    return [
        path.relative_to(ROOT)
        for path in every
        if path.name not in NOT_NUMERIC
        and not path.name.startswith("strategy_")
        and not path.name.endswith("_words.py")
    ]


def mirroring(path: Path) -> list[Path]:
    """The tests of a file: the file of the same name, or the whole room's where there is none."""
    room, name = path.parts[1], path.stem
    same = [one for one in (Path(f"tests/{room}/test_{name}.py"),) if (ROOT / one).exists()]
    return same or of_room(path)


def of_room(path: Path) -> list[Path]:
    """All tests of a file's room."""
    room = path.parts[1]
    folder = [Path(f"tests/{room}")] if (ROOT / "tests" / room).is_dir() else []
    return folder + [one.relative_to(ROOT) for one in sorted(ROOT.glob(f"tests/test_{room}*.py"))]


def survives(tree: Path, tests: list[Path]) -> bool:
    """Whether every test passes in a copy of the tree."""
    environment = {**os.environ, "PYTHONPATH": str(tree), "XDG_CACHE_HOME": str(tree / ".cache")}
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-n", "0", "-p", "no:cacheprovider"]
    try:
        run = subprocess.run(
            [*command, *map(str, tests)],
            cwd=tree,
            env=environment,
            timeout=LONGEST_S,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
    except subprocess.TimeoutExpired:
        return False
    finally:
        shutil.rmtree(tree / ".cache", ignore_errors=True)
    return run.returncode == 0


def main() -> int:
    """Draw mutants, try them, say which survive; status 1 where one does."""
    parser = argparse.ArgumentParser(description="Whether the tests would notice a mutation.")
    parser.add_argument("files", nargs="*", type=Path, help="default: the numeric files")
    parser.add_argument("--count", type=int, default=70, help="how many, drawn evenly; 0: all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--room", action="store_true", help="survivors meet the room's tests too")
    parser.add_argument("--list", action="store_true", help="say them, try none")
    told = parser.parse_args()
    files = told.files or numeric_files()
    every = [mutant for path in files for mutant in mutants(path)]
    drawn = every
    if told.count:
        drawn = random.Random(told.seed).sample(every, min(told.count, len(every)))
    print(f"{len(drawn)} of {len(every)} mutants of {len(files)} files", flush=True)
    if told.list:
        print(*drawn, sep="\n")
        return 0
    survivors: list[Mutant] = []
    with tempfile.TemporaryDirectory(prefix="mutants-") as scratch:
        tree = Path(scratch) / "tree"
        ignored = shutil.ignore_patterns(".*", "__pycache__", "results")
        shutil.copytree(ROOT, tree, ignore=ignored)
        for number, mutant in enumerate(drawn, 1):
            mutant.apply(tree)
            alive = survives(tree, mirroring(mutant.path))
            if alive and told.room:
                alive = survives(tree, of_room(mutant.path))
            shutil.copy(ROOT / mutant.path, tree / mutant.path)
            survivors += [mutant] * alive
            print(f"{number:4d} {'SURVIVES' if alive else 'killed  '} {mutant}", flush=True)
    killed = len(drawn) - len(survivors)
    print(f"\n{killed} of {len(drawn)} killed ({100.0 * killed / max(len(drawn), 1):.0f} %)")
    print(*(f"  {kind}: {count}" for kind, count in Counter(m.kind for m in survivors).items()))
    return int(bool(survivors))


if __name__ == "__main__":
    sys.exit(main())
