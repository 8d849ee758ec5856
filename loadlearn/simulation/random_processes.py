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


def correlated_over(
    rng: np.random.Generator, places: np.ndarray, sd: float, length: float
) -> np.ndarray:
    """Ornstein-Uhlenbeck error along rising, unevenly spaced places."""
    grid = max(length / 20.0, 1e-6)
    count = int((places.max() - places.min()) / grid) + 3
    normals = rng.standard_normal(count)
    path = ornstein_uhlenbeck(normals, float(sd), float(length), float(grid))
    return np.asarray(np.interp(places - places.min(), grid * np.arange(count), path))
