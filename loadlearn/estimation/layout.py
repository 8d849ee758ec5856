"""How the hypotheses lie in memory, and what is remembered beside them.

Shapes: states (loads, n, lanes), covariances (loads, n, n, lanes), log_weights (loads, lanes),
loads (loads, 21). A lane is a mode: a kind of ground, perhaps in regeneration. Lanes lie side by
side in memory so that one instruction serves several.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

LANES = 8
"""Modes at most; unused lanes have no weight. A single mode has a single lane (``lanes_for``)."""
MAX_LOADS = 12
NO_WEIGHT = -1e300


def lanes_for(modes: int) -> int:
    """How many lanes to lay out for a number of modes: one alone, or all.

    Parameters
    ----------
    modes : int

    Returns
    -------
    int
    """
    return 1 if modes == 1 else LANES


# What is remembered of a load hypothesis, beside its filters.
(
    L_ACTIVE,
    L_SOLO,
    L_CHANGED,
    L_LOG_SCALE,
    L_LOG_SCALE_VAR,
    L_PRIOR_LOG_MASS,
    L_PRIOR_LOG_MASS_VAR,
    L_PRIOR_LOG_IMPLIED,
    L_PRIOR_LOG_IMPLIED_VAR,
    L_SINCE_S,
    L_INFORMATION,
    L_LOOSE_INFORMATION,
    L_WIDEN,
    L_GROUND,
) = range(14)
N_LOAD = L_GROUND + LANES
"""From ``L_GROUND`` on: how probable each ground was when changes were last charged for."""

# The filter's own scalars.
(
    F_STARTED,
    F_SINCE_MIX_S,
    F_LOG_LIKELIHOOD,
    F_LEARNT_S,
    F_SINCE_TIDY_S,
    F_ENERGY_OPEN,
    F_LAST_STOP_S,
    F_BEFORE_KG,
    F_SURFACE,
    F_LAST_KG,
    F_SINCE_RELAX_S,
    F_LOOSE,
    F_LOG_MASS_LOW,
    F_LOG_MASS_HIGH,
    F_ROLL_LOW,
    F_ROLL_HIGH,
    F_SINCE_REGENERATION_S,
    F_SINCE_CHARGE_S,
) = range(18)
N_FILTER = 18

# Output columns of a row.
(
    O_MASS,
    O_MASS_SD,
    O_MASS_SD_GIVEN,
    O_MASS_LOW,
    O_MASS_HIGH,
    O_IMPLIED,
    O_ROLL,
    O_ROLL_SD,
    O_ROLL_LOW,
    O_ROLL_HIGH,
    O_DRAG,
    O_DRAG_SD,
    O_DRAG_SD_GIVEN,
    O_CHANGED,
    O_SOLO,
    O_REGENERATION,
    O_SURFACE,
    O_LOG_SCALE,
    O_LOG_SCALE_SD,
    O_NIS,
    O_LOADS,
    O_LOG_LIKELIHOOD,
    O_STOP,
    O_BEFORE,
) = range(24)
N_OUTPUT = 24


class FilterArrays(NamedTuple):
    """Everything that the compiled filter remembers."""

    memory: FloatArray
    states: FloatArray
    covariances: FloatArray
    log_weights: FloatArray
    loads: FloatArray


CACHE_LINE_BYTES = 64


def _aligned_zeros(*shape: int) -> FloatArray:
    """Zeros that begin on a cache line: eight lanes are one line, and one load of a vector."""
    size = math.prod(shape)
    spare = CACHE_LINE_BYTES // np.dtype(np.float64).itemsize
    flat = np.zeros(size + spare)
    begin = -flat.ctypes.data % CACHE_LINE_BYTES // flat.itemsize
    return flat[begin : begin + size].reshape(shape)


def filter_arrays(n_states: int, modes: int) -> FilterArrays:
    """What the compiled filter remembers before the first row.

    Parameters
    ----------
    n_states, modes : int

    Returns
    -------
    FilterArrays
    """
    lanes = lanes_for(modes)
    return FilterArrays(
        np.zeros(N_FILTER),
        _aligned_zeros(MAX_LOADS, n_states, lanes),
        _aligned_zeros(MAX_LOADS, n_states, n_states, lanes),
        np.zeros((MAX_LOADS, lanes)),
        np.zeros((MAX_LOADS, N_LOAD)),
    )
