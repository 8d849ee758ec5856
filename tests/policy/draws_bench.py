"""Strategies whose draws are the same wherever they are made.

A general search for examples also tries the numbers that occur in the source of whatever modules
are imported, so that what it draws changes with any edit, and with what else runs in the same
process. The strategies here are built from single bits, which have no such numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from hypothesis import strategies as st
from hypothesis.strategies import SearchStrategy


def whole(below: int) -> SearchStrategy[int]:
    """Whole numbers from 0, evenly; ``below`` is at most 4096."""
    bits = st.tuples(*[st.booleans()] * 24)
    return bits.map(lambda given: sum(bit << i for i, bit in enumerate(given)) % below)


def evenly(low: float, high: float) -> SearchStrategy[float]:
    """Numbers between two ends, both included, evenly; each end about once in forty times."""
    return whole(4096).map(
        lambda n: low + (high - low) * min(max((n / 4095.0 - 0.025) / 0.95, 0.0), 1.0)
    )


def one_of(values: Sequence[Any]) -> SearchStrategy[Any]:
    """One of the values, evenly."""
    return whole(len(values)).map(lambda n: values[n])
