"""Random sequences that several parts of the simulator draw."""

from __future__ import annotations

import numpy as np

from loadlearn._compile import jit


@jit
def ornstein_uhlenbeck(normals: np.ndarray, sd: float, time: float, step: float) -> np.ndarray:
    """Stationary Ornstein-Uhlenbeck sequence from standard normal draws (exact transition)."""
    keep = np.exp(-step / time)
    fresh = sd * np.sqrt(1.0 - keep * keep)
    values = np.empty(normals.size)
    value = sd * normals[0]
    values[0] = value
    for place in range(1, normals.size):
        value = keep * value + fresh * normals[place]
        values[place] = value
    return values
