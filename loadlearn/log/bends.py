"""How sharply the road bends, from the logged position: what bends cost is road load, not mass.

A tyre that holds a vehicle in a bend runs at a slip angle and costs force
(:func:`loadlearn.vehicle.roadload.cornering_resistance`). Bends are where drivers slow down and
pull away again, so that a cost left out does not average away: it makes masses lighter and drag
areas smaller.

Along the distance that the road speed gives, east and north are each smoothed with a curvature that
walks at random: a state of position, direction and curvature, white noise on the third derivative,
so that the smoothed track is the quintic spline (Wahba, J. R. Statist. Soc. B 40, 1978; Rauch, Tung
and Striebel, AIAA J. 3, 1965; both from memory). How noisy the position is and how the road winds
are found from the log by maximum likelihood.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn.log.channel_faults import distance_m

FloatArray = NDArray[np.float64]

EARTH_RADIUS_M = 6_371_000.0
LEAST_FIXES, LEAST_WAY_M = 40, 1000.0
FIX_EVERY_S = 0.45
"""Fixes closer together are thinned: a receiver's errors hang together."""
LONGEST_HOLE_M = 150.0
"""Between fixes further apart nothing is said of the curvature."""
SPLINE_LENGTHS_M = (10.0, 600.0)
"""Within these the length is sought over which the track is smoothed."""
LENGTHS_TRIED = 25
OUTLYING = 5.0
"""Fixes further than this from where the ones before them said, in standard deviations, go."""
WORST_FIX_M = 30.0
_DIFFUSE = (1e6, 1e6, 1e3)
"""Variances at the start, of position, direction and curvature over that of a fix: any road."""
_UNKNOWN = 3
"""So many fixes only make the state known: they surprise nobody."""


class _Filtered(NamedTuple):
    """Moments after each fix, for each density tried.

    Attributes
    ----------
    means, covariances : ndarray, shapes (n, densities, 3, 2) and (n, densities, 3, 3)
        Empty unless asked for.
    surprises : ndarray, shape (n, densities)
        The innovations' squares over their variance, both coordinates.
    likelihood : ndarray, shape (densities,)
        Twice the log-likelihood, the variance of a fix at its most likely value (concentrated out).
    """

    means: FloatArray
    covariances: FloatArray
    surprises: FloatArray
    likelihood: FloatArray


def _transitions(way_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Transitions to each fix, and the covariance that each adds at unit density; (n, 3, 3)."""
    step = np.diff(way_m, prepend=way_m[0])
    # Of white noise that a state's order integrates: step^(5-i-j) / ((5-i-j) (2-i)! (2-j)!).
    order = np.arange(3)
    power = 5 - order[:, None] - order
    scale = power * np.array([2.0, 1.0, 1.0])[:, None] * np.array([2.0, 1.0, 1.0])
    move = np.tile(np.eye(3), (step.size, 1, 1))
    move[:, 0, 1] = move[:, 1, 2] = step
    move[:, 0, 2] = 0.5 * step * step
    return move, step[:, None, None] ** power / scale


def _forward(
    way_m: FloatArray, place_m: FloatArray, density: FloatArray, keep: bool = False
) -> _Filtered:
    """Filter both coordinates, noise of unit variance, for several densities side by side.

    Parameters
    ----------
    way_m : ndarray, shape (n,)
    place_m : ndarray, shape (n, 2)
        East and north.
    density : ndarray, shape (densities,)
        Of the white third derivative, relative to the variance of a fix (1/m^5).
    keep : bool
        Whether moments are wanted.
    """
    n, tried = way_m.size, density.size
    moves, added = _transitions(way_m)
    turned = np.ascontiguousarray(moves.transpose(0, 2, 1))
    kept = n if keep else 0
    means, covariances = np.empty((kept, tried, 3, 2)), np.empty((kept, tried, 3, 3))
    innovations, variances = np.empty((n, tried, 2)), np.empty((n, tried))
    spread = density[:, None, None]
    mean = np.zeros((tried, 3, 2))
    mean[:, 0] = place_m[0]
    p = np.tile(np.diag(_DIFFUSE), (tried, 1, 1))
    for k in range(n):
        mean = moves[k] @ mean
        p = moves[k] @ p @ turned[k] + spread * added[k]
        variances[k] = p[:, 0, 0] + 1.0
        innovations[k] = place_m[k] - mean[:, 0]
        gain = p[:, :, :1] / variances[k][:, None, None]
        mean += gain * innovations[k][:, None, :]
        p -= gain * p[:, :1, :].copy()
        if keep:
            means[k], covariances[k] = mean, p
    surprises = np.sum(innovations**2, axis=2) / variances
    count = 2.0 * (n - _UNKNOWN)
    total, logs = surprises[_UNKNOWN:].sum(axis=0), 2.0 * np.log(variances[_UNKNOWN:]).sum(axis=0)
    return _Filtered(means, covariances, surprises, -count * np.log(total / count) - logs)


def _backward(
    way_m: FloatArray, density: float, means: FloatArray, covariances: FloatArray
) -> FloatArray:
    """Rauch, Tung and Striebel's pass over the means, shape (n, 3, 2)."""
    moves, added = _transitions(way_m)
    there, turned = moves[1:], moves[1:].transpose(0, 2, 1)
    ahead = there @ covariances[:-1] @ turned + density * added[1:]
    back, predicted = covariances[:-1] @ turned, there @ means[:-1]
    smoothed = means.copy()
    for k in range(way_m.size - 2, -1, -1):
        # The gain, applied by solving: its covariance is positive definite, never inverted.
        smoothed[k] += back[k] @ np.linalg.solve(ahead[k], smoothed[k + 1] - predicted[k])
    return smoothed


def smoothed_curvature(
    way_m: FloatArray, place_m: FloatArray
) -> tuple[FloatArray, FloatArray, float]:
    """Signed curvature along a track of noisy fixes.

    Parameters
    ----------
    way_m : ndarray, shape (n,)
        Distance travelled at each fix, not falling (m).
    place_m : ndarray, shape (n, 2)
        East and north of each fix (m).

    Returns
    -------
    curvature_1_m : ndarray, shape (n,)
        Positive to the left.
    surprise : ndarray, shape (n,)
        How far each fix lay from where the ones before it said, in its standard deviations.
    noise_sd_m : float
        Of one coordinate of a fix, as found.
    """
    place_m = place_m - place_m[0]
    # A length L stands for a density of L^-5: what is shorter than about that is smoothed away.
    densities = np.geomspace(*SPLINE_LENGTHS_M, LENGTHS_TRIED) ** -5.0
    best = densities[[np.argmax(_forward(way_m, place_m, densities).likelihood)]]
    filtered = _forward(way_m, place_m, best, keep=True)
    surprises = filtered.surprises[:, 0]
    variance = float(np.mean(surprises[_UNKNOWN:])) / 2.0
    surprise = np.sqrt(surprises / max(variance, 1e-12))
    surprise[:_UNKNOWN] = 0.0
    means = _backward(way_m, best[0], filtered.means[:, 0], filtered.covariances[:, 0])
    ahead = np.maximum(np.hypot(means[:, 1, 0], means[:, 1, 1]), 0.1)
    across = means[:, 1, 0] * means[:, 2, 1] - means[:, 1, 1] * means[:, 2, 0]
    return across / ahead, surprise, math.sqrt(variance)


def _fixes(
    time_s: FloatArray, latitude_deg: FloatArray, longitude_deg: FloatArray
) -> NDArray[np.int64]:
    """Where a position is new, not closer together than ``FIX_EVERY_S``."""
    present = np.flatnonzero(np.isfinite(latitude_deg) & np.isfinite(longitude_deg))
    moved = np.ones(present.size, dtype=bool)
    moved[1:] = (np.diff(latitude_deg[present]) != 0.0) | (np.diff(longitude_deg[present]) != 0.0)
    chosen: list[int] = []
    last = -math.inf
    for index in present[moved]:
        if time_s[index] - last >= FIX_EVERY_S:
            chosen.append(int(index))
            last = float(time_s[index])
    return np.array(chosen, dtype=np.int64)


def curvature_squared(
    time_s: FloatArray, speed_m_s: FloatArray, latitude_deg: FloatArray, longitude_deg: FloatArray
) -> FloatArray | None:
    """Square of the road's curvature at each sample of a log (1/m^2).

    Of the smoothed track, without the smoother's own variance: roads are straight for the most
    part, and on a straight that variance would pass for bends.

    Parameters
    ----------
    time_s, speed_m_s, latitude_deg, longitude_deg : ndarray, shape (n,)
        NaN where absent.

    Returns
    -------
    ndarray, shape (n,), or None
        0 where nothing is known; None where the positions do not make a track: too few, too short,
        or another way than the road speed gives.
    """
    fixes = _fixes(time_s, latitude_deg, longitude_deg)
    if fixes.size < LEAST_FIXES or np.isnan(speed_m_s).all():
        return None
    way = distance_m(time_s, speed_m_s)
    latitude = np.radians(latitude_deg[fixes])
    longitude = np.unwrap(np.radians(longitude_deg[fixes]))
    east = EARTH_RADIUS_M * np.cos(latitude[0]) * (longitude - longitude[0])
    place = np.column_stack([east, EARTH_RADIUS_M * (latitude - latitude[0])])
    way_of_fix = way[fixes]
    if way_of_fix[-1] - way_of_fix[0] < LEAST_WAY_M:
        return None
    curvature, surprise, noise_sd = smoothed_curvature(way_of_fix, place)
    kept = surprise < OUTLYING
    if not kept.all():
        if np.count_nonzero(kept) < LEAST_FIXES:
            return None
        way_of_fix, place = way_of_fix[kept], place[kept]
        curvature, _, noise_sd = smoothed_curvature(way_of_fix, place)
    if noise_sd > WORST_FIX_M or not _same_way(way_of_fix, place):
        return None
    found = np.interp(way, way_of_fix, curvature * curvature, left=0.0, right=0.0)
    # A hole in the track is no straight line.
    after = np.clip(np.searchsorted(way_of_fix, way), 1, way_of_fix.size - 1)
    found[way_of_fix[after] - way_of_fix[after - 1] > LONGEST_HOLE_M] = 0.0
    return found


def _same_way(way_m: FloatArray, place_m: FloatArray) -> bool:
    """Whether the fixes move on as the road speed says, over stretches of a hundred metres."""
    stretch = np.floor((way_m - way_m[0]) / 100.0)
    ends = np.append(0, np.flatnonzero(np.diff(stretch) > 0.0) + 1)
    chord = np.hypot(*np.diff(place_m[ends], axis=0).T)
    ratio = chord / np.diff(way_m[ends])
    return bool(0.8 < float(np.median(ratio)) < 1.25)
