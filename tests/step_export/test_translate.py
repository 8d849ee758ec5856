"""The translator: what a kernel says in Python it says in C, and what it cannot say is refused."""

from __future__ import annotations

import ctypes
import math
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from loadlearn.step_export.c_types import INT, REAL, Array, literal, struct_text
from loadlearn.step_export.step_source import helpers_of
from loadlearn.step_export.translate import NotInSubsetError, Translation

HEAD = """#include <math.h>
typedef double real;
#define R(number) number
#define R_OF(in_double, in_single) in_double
#define R_exp exp
#define R_log log
#define R_sqrt sqrt
#define R_pow pow
#define R_fabs fabs
#define R_rint rint
"""
SHARE = 0.25
BIG = 1e300


def in_c(kernel: Callable[..., Any], folder: Path, *kinds: Any) -> Any:
    """A kernel of numbers as a compiled function."""
    if shutil.which("cc") is None:
        pytest.skip("no C compiler here")
    into = Translation()
    made = into.function(kernel, kinds)
    constants = "".join(f"#define {k} {literal(v)}\n" for k, v in into.constants.items())
    structs = "".join(struct_text(one) + "\n" for one in into.structs.values())
    text = HEAD + constants + helpers_of(into.text()) + "\n" + structs + into.text()
    names = ", ".join(f"real {name}" for name, _ in made.parameters)
    given = ", ".join(name for name, _ in made.parameters)
    text += (
        f"\nreal entry({names});\nreal entry({names})\n{{\n    return {made.name}({given});\n}}\n"
    )
    source = folder / "kernel.c"
    source.write_text(text)
    flags = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-O1", "-shared", "-fPIC"]
    library = folder / "kernel.so"
    subprocess.run(["cc", *flags, "-o", str(library), str(source), "-lm"], check=True)
    entry = ctypes.CDLL(str(library)).entry
    entry.restype, entry.argtypes = ctypes.c_double, [ctypes.c_double] * len(made.parameters)
    return entry


def arithmetic(a: float, b: float) -> float:
    """Order of operations, signs and powers."""
    c = a - (b - a) - b * (a + 2.0) / (1.0 + b * b)
    c -= -(a**2) * SHARE
    return c - (a / b) ** 2 + abs(-b) ** 0.5


def choices(a: float, b: float) -> float:
    """Conditions, chains, and what holds now an int, now a float."""
    kept = 0
    if 0.0 < a < b and not (a > 2.0 or b > 8.0):
        kept = a
    elif math.isnan(a) or a == b:
        return BIG
    else:
        kept += 1
    return kept + (1 if a > b else 2) + max(a, b, 1.5) - min(a, b)


def loops(a: float, b: float) -> float:
    """Arrays, nested loops, several at once, leaving early, a loop over a tuple."""
    square, row = np.empty((3, 4)), np.empty(4)
    low, high = a, b
    low, high = high, low
    for i in range(3):
        for j in range(4):
            square[i, j] = i * low - j * high
    for j in range(row.size):
        row[j] = 0.0
        for i in range(square.shape[0]):
            if i == 2 and j == 1:
                continue
            row[j] += square[i, j]
    found, index = 0.0, 0
    while index < 4 and row[index] < 100.0:
        found += row[index]
        index += 1
    for at, weight in ((0, 0.5), (3, a)):
        found += weight * row[at]
    return found + round(a) + _both(a, b)[1]


def _both(a: float, b: float) -> tuple[float, float]:
    total, product = a + b, a * b
    return total, product


@pytest.mark.parametrize("kernel", [arithmetic, choices, loops])
def test_c_computes_what_python_does(kernel: Any, tmp_path: Path) -> None:
    entry = in_c(kernel, tmp_path, REAL, REAL)
    rng = np.random.default_rng(5)
    for a, b in [*rng.uniform(-3.0, 9.0, (300, 2)), (2.5, 2.5), (0.5, 1.0), (math.nan, 1.0)]:
        if kernel is loops and math.isnan(a):
            continue
        said = entry(a, b)
        assert said == pytest.approx(kernel(float(a), float(b)), rel=1e-14, nan_ok=True)


def makes_a_list(a: float) -> float:
    """Outside of the subset."""
    return sum([a, a])


def sized_by_a_number(n: int) -> float:
    """An array whose size is not known beforehand."""
    values = np.empty(n)
    return values[0]


def catches(a: float) -> float:
    """Outside of the subset."""
    try:
        return 1.0 / a
    except ZeroDivisionError:
        return 0.0


@pytest.mark.parametrize(
    ("kernel", "kind", "what"),
    [
        (makes_a_list, REAL, "sum"),
        (sized_by_a_number, INT, "size"),
        (catches, REAL, "Try"),
    ],
)
def test_what_is_not_in_the_subset_is_refused_by_name(kernel: Any, kind: Any, what: str) -> None:
    with pytest.raises(NotInSubsetError, match=f"{kernel.__name__}.*{what}"):
        Translation().function(kernel, (kind,))


def test_constant_data_stay_constant() -> None:
    def first(values: Any) -> float:
        """The first."""
        return float(values[0])

    made = Translation().function(first, (Array(REAL, (3,), constant=True),))
    assert "const real *values" in made.text


def test_literals() -> None:
    assert literal(True) == "1" and literal(3) == "3" and literal(math.nan) == "NAN"
    assert literal(0.1) == "R(0.1)" and literal(-2.0) == "(-R(2.0))"
    # What single precision cannot hold is written twice.
    assert literal(1e300) == "R_OF(1e+300, 3e38)"
