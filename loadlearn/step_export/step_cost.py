"""What a step costs: bytes that it remembers, floating-point operations per sample."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from loadlearn.step_export.native_step import COUNTED, NativeStep
from loadlearn.step_export.step_source import StepSource

QUICK = ("-O0",)
"""Sizes and counts do not hang on the compiler's optimisation, and its time does."""


@dataclass(frozen=True)
class Cost:
    """What a step costs.

    Attributes
    ----------
    state_bytes, state_bytes_single : int
        Remembered between samples, in double and in single precision.
    stack_bytes, stack_bytes_single : int
        In arrays on the stack while a sample is taken.
    mean, most : dict of str to float
        Floating-point operations per sample, by kind and ``all``, in the mean and of the sample
        that took the most.
    look_up : dict of str to float
        Of one look-up of the strategy; empty without one, or where the drive leaves the mass
        unknown.
    samples : int
        That were counted.
    """

    state_bytes: int
    state_bytes_single: int
    stack_bytes: int
    stack_bytes_single: int
    mean: dict[str, float]
    most: dict[str, float]
    look_up: dict[str, float]
    samples: int


def cost_of(made: StepSource, counting: StepSource, log: pd.DataFrame) -> Cost:
    """Measure what a step costs, by compiling it and running it over a drive.

    Every branch of an expression counts as taken (``a if b else c`` as both), so that the counts
    are a little high.

    Parameters
    ----------
    made, counting : StepSource
        The same step, the second with ``counting``.
    log : DataFrame
        Canonical columns.

    Raises
    ------
    InputError
        There is no compiler.
    """
    double, single = NativeStep(made, options=QUICK), NativeStep(made, True, options=QUICK)
    counted = NativeStep(counting, counting=True, options=QUICK)
    operations = counted.run(log).operations
    look_up: dict[str, float] = {}
    if made.has_look_up:
        found = counted.look_up(3.0, 20.0)
        if found.load_known:  # else nothing was looked up
            look_up = _by_kind(np.array(found.operations, dtype=np.float64))
    return Cost(
        double.state_bytes,
        single.state_bytes,
        8 * made.stack_items,
        4 * made.stack_items,
        _by_kind(operations.mean(axis=0)),
        _by_kind(operations[operations.sum(axis=1).argmax()]),
        look_up,
        len(operations),
    )


def _by_kind(operations: Any) -> dict[str, float]:
    return {
        "all": float(operations.sum()),
        **dict(zip(COUNTED, map(float, operations), strict=True)),
    }
