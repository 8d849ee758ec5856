"""Cells that are words: flags, transfer range, gear letters, and numbers written as text."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from loadlearn.log.channels import Channel

EMPTY = frozenset(
    {"", "nan", "na", "n/a", "#n/a", "null", "none", "-", "--", "---", "<na>", "nat", "no data"}
)
"""Cells, in lower case, that mean that there is no value."""

_FLAGS = {
    "true": 1.0,
    "on": 1.0,
    "yes": 1.0,
    "active": 1.0,
    "false": 0.0,
    "off": 0.0,
    "no": 0.0,
    "inactive": 0.0,
}
_RANGES = {"high": 0.0, "low": 1.0, "h": 0.0, "l": 1.0}
_GEARS = {"r": -1.0, "n": 0.0, "p": 0.0}
_WORDS: dict[str, dict[str, float]] = {"flag": _FLAGS, "range": _RANGES, "count": _GEARS}


def number_from_word(cell: Any, channel: Channel, decimal_comma: bool = False) -> float | None:
    """The number that one cell stands for.

    Parameters
    ----------
    cell : object
        Text, number, bool or None.
    channel : Channel
        Decides which words are known: ``on`` for a flag, ``low`` for the transfer range.
    decimal_comma : bool
        Whether ``12,5`` is twelve and a half.

    Returns
    -------
    float or None
        NaN for an empty cell; None when it is no number.
    """
    if cell is None:
        return np.nan
    if isinstance(cell, str):
        text = cell.strip().lower()
        if text in EMPTY:
            return np.nan
        word = _WORDS.get(channel.quantity, {}).get(text)
        if word is not None:
            return word
        # float() would take "1_000", which no logger writes for a number.
        if "_" in text:
            return None
        cell = text.replace(",", ".") if decimal_comma else text
    try:
        return float(cell)
    except (TypeError, ValueError):
        return None


def numbers_from_words(
    cells: NDArray[Any], channel: Channel, decimal_comma: bool = False
) -> tuple[NDArray[np.float64], int | None]:
    """The numbers that a column of cells stands for.

    Parameters
    ----------
    cells : ndarray of object
        One column.
    channel : Channel
        As in :func:`number_from_word`.
    decimal_comma : bool
        As in :func:`number_from_word`.

    Returns
    -------
    values : ndarray of float64
    first_bad : int or None
        Row of the first cell that is no number.
    """
    known: dict[Any, float | None] = {}
    values = np.empty(len(cells))
    for row, cell in enumerate(cells):
        try:
            number = known[cell]
        except KeyError:
            number = known[cell] = number_from_word(cell, channel, decimal_comma)
        except TypeError:  # a cell that cannot be hashed is a list or the like
            number = None
        if number is None:
            return values, row
        values[row] = number
    return values, None
