"""Stretches of a drive in which nothing was learnt of the mass, and why.

Mass shows in the force that hills and changes of speed ask for. Where the force varies by hardly
more than what is unseen does (gusts, slopes that are not in the log), what it does is an answer to
that, and tells nothing: see :mod:`loadlearn.estimation.considered`.
"""

from __future__ import annotations

from typing import TypedDict

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import Record, Records

FloatArray = NDArray[np.float64]

STRETCH_S = 60.0
BIN_S = 5.0
LONGEST_GAP_S = 600.0
"""What varies faster than this is answered by nobody and told by no height."""
LEAST_KNOWN_S = 12.0
"""A stretch with less driving of known force tells nothing."""
LEAST_EXCITED = 3.0
"""The force of a stretch, as a slope, differs from the drive's mean by so many sds of what is
unseen, or it is no more than an answer: with the answer in full, the mass would be a ninth off."""
SHORTEST_S = 120.0
"""A shorter stretch is not worth a word."""
STEADY = "steady: the force did no more than answer what is not seen"
UNKNOWN = "the force was hardly known: standing, braking, changing gear"
WHY = ("", STEADY, UNKNOWN)


def why_not_learnt(rows: Records, learnt: Record, unseen_sd: float) -> NDArray[np.int64]:
    """Why nothing was learnt in each row, by its stretch: an index into ``WHY``.

    Parameters
    ----------
    rows : record array of ``ROW``, shape (k,)
    learnt : record of ``OUTPUT``
        What was learnt in the end.
    unseen_sd : float
        Standard deviation of the force that is not seen, as a slope.

    Returns
    -------
    ndarray of int, shape (k,)
    """
    why = np.zeros(len(rows), dtype=np.int64)
    moving = (rows["known"] > 0.5) & (rows["distance_m"] > 0.0)
    if not moving.any():
        return why + WHY.index(UNKNOWN)
    # A clock that leapt by years must not make bins of years.
    time_s = np.cumsum(
        np.minimum(np.diff(rows["time_s"], prepend=rows["time_s"][0]), LONGEST_GAP_S)
    )
    distance = np.where(moving, rows["distance_m"], 0.0)
    asked = np.where(
        moving,
        rows["work_kg_m"] / learnt["mass_given_scale_kg"]
        - learnt["drag_area_m2"] / learnt["mass_kg"] * rows["drag2"],
        0.0,
    )
    bins = np.floor(time_s / BIN_S).astype(np.int64)
    way, pull = np.bincount(bins, distance), np.bincount(bins, asked)
    driven = way > 0.0
    slope = np.divide(pull, way, out=np.zeros_like(pull), where=driven)
    mean = float(pull.sum() / way.sum())
    of_bin = np.arange(way.size) * BIN_S // STRETCH_S
    stretch_of_bin = of_bin.astype(np.int64)
    square = np.bincount(stretch_of_bin, driven * (slope - mean) ** 2)
    count = np.bincount(stretch_of_bin, driven)
    excited = np.sqrt(square / np.maximum(count, 1)) >= LEAST_EXCITED * unseen_sd
    stretch = stretch_of_bin[bins]
    known_s = np.bincount(stretch, np.where(moving, rows["dt_s"], 0.0), minlength=count.size)
    of_stretch = np.where(
        known_s < LEAST_KNOWN_S, WHY.index(UNKNOWN), np.where(excited, 0, WHY.index(STEADY))
    )
    return np.asarray(of_stretch[stretch], dtype=np.int64)


class NotLearnt(TypedDict):
    """A stretch of the drive in which nothing was learnt of the mass."""

    start_s: float
    """Its first sample."""
    end_s: float
    """Its last sample."""
    because: str
    """Why nothing was learnt."""


def not_learnt_stretches(time_s: FloatArray, why: NDArray[np.int64]) -> list[NotLearnt]:
    """Stretches in which nothing was learnt, as ``summary.json`` shows them.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    why : ndarray of int, shape (n,)
        Indices into ``WHY``.

    Returns
    -------
    list of NotLearnt
    """
    edges = np.flatnonzero(np.diff(why)) + 1
    starts, ends = np.concatenate([[0], edges]), np.concatenate([edges, [why.size]])
    return [
        {
            "start_s": float(time_s[start]),
            "end_s": float(time_s[end - 1]),
            "because": WHY[why[start]],
        }
        for start, end in zip(starts, ends, strict=True)
        if why[start] > 0 and time_s[end - 1] - time_s[start] >= SHORTEST_S
    ]
