"""``prepare``: what a whole log tells about itself before the load is learnt from it.

Delays between channels and the levels and correlation times of what is not modelled are found by
maximum likelihood of the filter's own innovations over the log, with weak priors (the prediction
error decomposition; Harvey, *Forecasting, Structural Time Series Models and the Kalman Filter*,
1989, from memory). Nothing here is tuned to a simulator.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import Records
from loadlearn.estimation.delays import Delays, align, interval_means, shifted
from loadlearn.estimation.filter import MEMORY, filter_rows
from loadlearn.estimation.grounds import ground_modes
from loadlearn.estimation.intervals import interval_state, rows_of
from loadlearn.estimation.learner import (
    Setup,
    Sources,
    default_noise,
    history_of,
    initial_state,
    learn,
    setup_for,
)
from loadlearn.estimation.loads import no_hypotheses
from loadlearn.estimation.mixture import OUTPUT
from loadlearn.estimation.model import Noise, pooled_prior
from loadlearn.estimation.overrun import exhaust_brake_unused
from loadlearn.estimation.smoothing import smoothed
from loadlearn.estimation.summary import load_changes, surface_segments
from loadlearn.log.bends import curvature_squared
from loadlearn.log.fine_speed import fine_speed
from loadlearn.log.grade import road_grade
from loadlearn.log.two_heights import corrected_slope, difference_of_heights
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS
from loadlearn.vehicle.samples import (
    FORCE_CHANNELS,
    HEIGHT_CHANNELS,
    HEIGHT_FROM_ALTITUDE,
    HEIGHT_FROM_GRADE,
    SOURCE_TRACTIVE,
    Samples,
    samples_of,
)

FloatArray = NDArray[np.float64]

LONGEST_FILL_S = 2.5
"""Gaps of a channel no longer than this are bridged in a straight line."""
LEAST_ROWS = 60
"""Fewer rows with known force tell nothing of noise and delays."""
LIKELIHOOD_ROW_S = 0.45
"""Rows for the likelihood are at least this long: it is searched often."""
LEAST_SPEED_SD_M_S = 0.02
"""No road-speed channel is better than this: 0.07 km/h, tyre slip and wheel pitch alone. On a log
that is smoother still (a quasi-static plant's) the likelihood would otherwise take the speed as
exact and explain every misfit of the force by changes of ground and regenerations."""
_FILLED = (
    "speed_m_s",
    "fuel_rate_g_s",
    "engine_torque_n_m",
    "tractive_force_n",
    "engine_speed_rpm",
    "grade_percent",
    "accel_long_m_s2",
    "extra_torque_share",
)


class _Likelihood:
    """Log-likelihood of a log under the switching model, for noise levels and delays."""

    def __init__(self, trace: pd.DataFrame, rig: Rig) -> None:
        self.sources = Sources.of(trace)
        setup = setup_for(rig, self.sources)
        # One broad load and no regeneration: enough to compare noise levels and delays with.
        self.setup: Setup = setup._replace(prior=pooled_prior(setup.prior), grounds=ground_modes())
        self.samples = samples_of(trace)
        time_s = self.samples["time_s"]
        step = float(np.median(np.diff(time_s))) if len(time_s) > 1 else 1.0
        # Ten samples a second are plenty to search with.
        self.stride = max(1, int(0.1 / max(step, 1e-3)))
        self.samples = np.ascontiguousarray(self.samples[:: self.stride])
        self.table = self.rows(self.samples)

    def rows(self, samples: Samples) -> Records:
        state = interval_state()
        return rows_of(self.setup.rig, *self.sources, LIKELIHOOD_ROW_S, state, samples).rows

    def delayed(self, delays: Delays) -> Records:
        return self.rows(align(self.samples, *self.sources, delays))

    def __call__(self, noise: Noise, table: Records | None = None) -> float:
        memory = np.zeros(1, MEMORY)
        filter_rows(
            self.table if table is None else table,
            memory,
            no_hypotheses(self.setup.grounds.size),
            self.setup.grounds,
            self.setup.prior,
            noise._replace(mix_every_s=2.0),
            self.setup.evidence,
            np.empty(0, OUTPUT),
            np.empty((0, 1)),
            False,
        )
        return float(memory["log_likelihood"][0])


def bridged(time_s: FloatArray, values: FloatArray, longest_s: float) -> FloatArray:
    """A channel with its short absences bridged by straight lines.

    Parameters
    ----------
    time_s, values : ndarray, shape (n,)
    longest_s : float
        Longest absence that is bridged (s).

    Returns
    -------
    ndarray, shape (n,)
    """
    present = np.flatnonzero(np.isfinite(values))
    if present.size == 0 or present.size == values.size:
        return values
    filled = np.interp(time_s, time_s[present], values[present], left=np.nan, right=np.nan)
    place = np.searchsorted(present, np.arange(values.size), side="right")
    before = present[np.clip(place - 1, 0, present.size - 1)]
    after = present[np.clip(place, 0, present.size - 1)]
    too_long = time_s[after] - time_s[before] > longest_s
    filled[too_long & ~np.isfinite(values)] = np.nan
    return filled


# What the likelihood is searched over: name, weak prior sd of its logarithm.
_SEARCHED = {
    "disturbance_sd": 0.6,
    "disturbance_time_s": 0.5,
    "white": 0.7,
    "speed_sd_m_s": 0.8,
    "height_sd_m": 0.8,
    "roll_walk_per_s05": 0.7,
}


def _search_noise(
    likelihood: Callable[[Noise], float], start: Noise, evaluations: int
) -> tuple[Noise, float]:
    """Maximum a posteriori noise levels by the simplex method (Nelder & Mead, 1965)."""
    from scipy.optimize import minimize

    names = [name for name in _SEARCHED if getattr(start, name) > 0.0]
    centre = np.log([getattr(start, name) for name in names])
    spread = np.array([_SEARCHED[name] for name in names])

    def noise_at(point: FloatArray) -> Noise:
        values = np.exp(centre + spread * np.clip(point, -4.0, 4.0))
        levels = {n: float(v) for n, v in zip(names, values, strict=True)}
        if "speed_sd_m_s" in levels:
            levels["speed_sd_m_s"] = max(levels["speed_sd_m_s"], LEAST_SPEED_SD_M_S)
        return start._replace(**levels)

    def cost(point: FloatArray) -> float:
        value = likelihood(noise_at(point))
        return 1e12 if not math.isfinite(value) else -value + 0.5 * float(point @ point)

    dimension = len(names)
    simplex = np.vstack([np.zeros(dimension), 0.8 * np.eye(dimension)])
    result = minimize(
        cost,
        np.zeros(dimension),
        method="Nelder-Mead",
        options={
            "initial_simplex": simplex,
            "maxfev": evaluations,
            "xatol": 0.05,
            "fatol": 0.2,
            "adaptive": True,
        },
    )
    return noise_at(result.x), -float(result.fun)


def _compared(likelihood: _Likelihood, noise: Noise, tables: Sequence[Records]) -> FloatArray:
    """Log-likelihood of each candidate's rows, over those that all of them can use.

    Which samples are set aside hangs on the force, and so on the delay: without a common set the
    candidates would be judged on different data.
    """
    known = np.min([table["known"] for table in tables], axis=0)
    for table in tables:
        table["known"] = known
    return np.array([likelihood(noise, table) for table in tables])


SURE_FORCE_DELAY, SURE_HEIGHT_DELAY = 3.0, 15.0
"""A channel is moved only when the log prefers it by this much in log-likelihood. Errors of a grade
channel hang together over a distance, which the likelihood does not know: more is asked there."""


def _search_delay(
    likelihood: _Likelihood,
    noise: Noise,
    candidates: Sequence[Delays],
    values: FloatArray,
    sure: float,
) -> float:
    """Delay of greatest likelihood, or none where the log hardly prefers it.

    Parameters
    ----------
    likelihood : _Likelihood
    noise : Noise
    candidates : sequence of Delays
        One for each of ``values``; one of them is 0.
    values : ndarray, shape (k,)
        Evenly spaced delays (s).
    sure : float
        Log-likelihood that a delay must gain over none.

    Returns
    -------
    float
        From a parabola through the best three.
    """
    costs = _compared(likelihood, noise, [likelihood.delayed(one) for one in candidates])
    best = int(np.argmax(costs))
    if costs[best] - costs[int(np.argmin(np.abs(values)))] <= sure:
        return 0.0
    if not 0 < best < len(values) - 1:
        return float(values[best])
    left, middle, right = costs[best - 1 : best + 2]
    curvature = left - 2.0 * middle + right
    offset = 0.0 if curvature >= 0.0 else 0.5 * (left - right) / curvature
    return float(values[best] + np.clip(offset, -0.5, 0.5) * (values[1] - values[0]))


def _find_delays(likelihood: _Likelihood, noise: Noise) -> Delays:
    """Delays of the force and of the height channel, one after the other, and once more."""
    step = float(np.median(np.diff(likelihood.samples["time_s"])))
    # Fuelling or torque cannot lead the force it makes.
    forces = np.arange(0.0, 1.3, 0.25) if step > 0.3 else np.arange(0.0, 1.05, 0.2)
    # Between two samples a height's noise would be averaged, and any such delay liked: whole ones.
    stride = max(1, round(0.5 / step)) * step
    first, last = -math.floor(1.0 / stride + 1e-9), math.floor(3.0 / stride + 1e-9)
    heights = np.arange(first, last + 1, dtype=np.float64) * stride
    whole = likelihood.sources.height == HEIGHT_FROM_ALTITUDE
    found = Delays()
    for _ in range(2):
        before = found
        tried = [found._replace(force=float(delay)) for delay in forces]
        found = found._replace(
            force=_search_delay(likelihood, noise, tried, forces, SURE_FORCE_DELAY)
        )
        tried = [found._replace(height=float(delay)) for delay in heights]
        height = _search_delay(likelihood, noise, tried, heights, SURE_HEIGHT_DELAY)
        found = found._replace(height=round(height / step) * step if whole else height)
        if abs(found.force - before.force) < 0.1 and found.height == before.height:
            break
    # A fraction of a sample is not worth a move.
    return Delays(*(delay if abs(delay) >= 0.1 else 0.0 for delay in found))


ALTIMETER_SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
SURE_ALTIMETER = 3.0
"""An altimeter corrects a grade channel only where the log prefers it by this log-likelihood."""


def _with_altimeter(
    likelihood: _Likelihood, noise: Noise, trace: pd.DataFrame
) -> tuple[FloatArray | None, float]:
    """The slope with its height corrected by an altimeter, and the share of the correction.

    Parameters
    ----------
    likelihood : _Likelihood
        Goes on with the corrected rows.
    noise : Noise
    trace : DataFrame
        With its channels aligned.

    Returns
    -------
    slope_sin : ndarray, shape (n,), or None
    share : float
        0 where there is no altimeter or the log does not prefer it.
    """
    if likelihood.sources.height != HEIGHT_FROM_GRADE or "altitude_m" not in trace.columns:
        return None, 0.0
    samples = samples_of(trace)
    slope = samples["slope_sin"].copy()
    apart = difference_of_heights(
        *(samples[name].copy() for name in ("time_s", "speed_m_s", "slope_sin", "altitude_m"))
    )
    if apart is None:
        return None, 0.0
    slopes = [corrected_slope(slope, apart, share) for share in ALTIMETER_SHARES]
    tables = []
    for bent in slopes:
        samples["slope_sin"] = bent
        tables.append(likelihood.rows(np.ascontiguousarray(samples[:: likelihood.stride])))
    found = _compared(likelihood, noise, tables)
    best = int(np.argmax(found))
    if found[best] - found[0] <= SURE_ALTIMETER:
        return None, 0.0
    likelihood.table = tables[best]
    return slopes[best], ALTIMETER_SHARES[best]


def prepare(trace: pd.DataFrame, rig: Rig, delays: Delays | None = None) -> pd.DataFrame:
    """Find a whole log's delays and noise levels; align its channels.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns, as ``read_log`` returns them.
    rig : Rig
    delays : Delays, optional
        Where they are known; searched for when absent.

    Returns
    -------
    DataFrame
        The trace with short absences bridged, the force and the height channel moved by their
        delays, a road speed in whole units made finer where it can be
        (``speed_half_width_m_s``: half the step that is left), the mean of a late force channel
        over each interval (``force_channel_mean``), the square of the road's curvature where the
        position is logged (``curvature_squared_1_m2``), a grade channel corrected by an altimeter
        where the log has both and prefers it, ``exhaust_brake_active`` zero where the rig may have
        one and the log shows that it was not used, and the columns ``road_grade_percent`` and
        ``road_grade_sd_percent``;
        ``attrs["noise"]``, ``attrs["delays_s"]`` and ``attrs["altimeter_share"]`` (how much of the
        difference of the two heights is taken for the grade's error) hold what was found.

    Raises
    ------
    InputError
        The trace has no force or no grade channel.
    """
    prepared = _finer(trace, rig)
    time_s = prepared["time_s"].to_numpy(dtype=np.float64)
    likelihood = _Likelihood(prepared, rig)
    noise, altimeter_share = default_noise(likelihood.sources, rig), 0.0
    found = delays or Delays()
    if np.count_nonzero(likelihood.table["known"] > 0.5) > LEAST_ROWS:
        noise, _ = _search_noise(likelihood, noise, 50)
        found = delays or _find_delays(likelihood, noise)
        if any(found):
            likelihood.table = likelihood.delayed(found)
            noise, _ = _search_noise(likelihood, noise, 25)
    force = FORCE_CHANNELS[likelihood.sources.force]
    height = HEIGHT_CHANNELS[likelihood.sources.height]
    values = prepared[force].to_numpy(dtype=np.float64)
    if found.force != 0.0:
        prepared["force_channel_mean"] = interval_means(time_s, values, found.force)
    prepared[force] = shifted(time_s, values, found.force)
    prepared[height] = shifted(time_s, prepared[height].to_numpy(dtype=np.float64), found.height)
    if np.count_nonzero(likelihood.table["known"] > 0.5) > LEAST_ROWS:
        slope, altimeter_share = _with_altimeter(likelihood, noise, prepared)
        if slope is not None:
            prepared["grade_percent"] = 100.0 * slope / np.sqrt(1.0 - slope * slope)
            noise, _ = _search_noise(likelihood, noise, 25)
    grade = road_grade(prepared)
    prepared["road_grade_percent"] = grade["grade_percent"].to_numpy()
    prepared["road_grade_sd_percent"] = grade["grade_sd_percent"].to_numpy()
    prepared.attrs["noise"] = dict(noise._asdict())
    prepared.attrs["delays_s"] = dict(found._asdict())
    prepared.attrs["altimeter_share"] = altimeter_share
    if (
        rig.engine.exhaust_brake
        and "exhaust_brake_active" not in prepared.columns
        and likelihood.sources.force != SOURCE_TRACTIVE
        and exhaust_brake_unused(prepared, rig, _learnt_in_all(prepared, rig, noise))
    ):
        prepared["exhaust_brake_active"] = 0.0
    return prepared


def _finer(trace: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """A copy with absences bridged, bends from the position, and a coarse speed made finer."""
    prepared = trace.copy()
    time_s = prepared["time_s"].to_numpy(dtype=np.float64)
    for name in _FILLED:
        if name in prepared.columns:
            values = prepared[name].to_numpy(dtype=np.float64)
            prepared[name] = bridged(time_s, values, LONGEST_FILL_S)
    if {"latitude_deg", "longitude_deg"} <= set(prepared.columns):
        names = ("time_s", "speed_m_s", "latitude_deg", "longitude_deg")
        bends = curvature_squared(*(prepared[name].to_numpy(dtype=np.float64) for name in names))
        if bends is not None:
            prepared["curvature_squared_1_m2"] = bends
    finer = fine_speed(prepared, rig)
    if finer is not None:
        prepared["speed_m_s"], prepared["speed_half_width_m_s"] = finer
    return prepared


def _learnt_in_all(prepared: pd.DataFrame, rig: Rig, noise: Noise) -> pd.DataFrame:
    """The load learnt from a prepared trace, given all of it."""
    setup = setup_for(rig, Sources.of(prepared), noise)
    learnt = learn(setup, initial_state(setup), samples_of(prepared))
    history = history_of(prepared["time_s"].to_numpy(), learnt, setup.names)
    found = {
        "load_changes": load_changes(learnt.outputs[1:], learnt.rows["time_s"]),
        "surfaces": surface_segments(history),
    }
    return smoothed(history, found, HANDBOOK_GROUNDS, noise)
