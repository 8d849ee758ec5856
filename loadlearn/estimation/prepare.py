"""``prepare``: what a whole log tells about itself before the load is learnt from it.

Delays between channels and the levels and correlation times of what is not modelled are found by
maximum likelihood of the filter's own innovations over the log, with weak priors (the prediction
error decomposition; Harvey, *Forecasting, Structural Time Series Models and the Kalman Filter*,
1989, from memory). Nothing here is tuned to a simulator.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.estimation.between_samples import Bend, bent_means, find_bend
from loadlearn.estimation.delays import Delays, interval_means, shifted
from loadlearn.estimation.find_delays import Found, find_delays, first_guess, speed_delay
from loadlearn.estimation.find_gain import Gain, find_gain
from loadlearn.estimation.find_smoothing import filtered, filtered_force
from loadlearn.estimation.learner import (
    Sources,
    default_noise,
    history_of,
    initial_state,
    learn,
    setup_for,
)
from loadlearn.estimation.likelihood import Likelihood, on_common_rows
from loadlearn.estimation.model import Noise
from loadlearn.estimation.overrun import exhaust_brake_unused
from loadlearn.estimation.smoothing import smoothed
from loadlearn.estimation.summary import load_changes, surface_segments
from loadlearn.log.bends import curvature_squared
from loadlearn.log.fine_speed import fine_speed
from loadlearn.log.grade import road_grade
from loadlearn.log.sample_gate import checked_trace
from loadlearn.log.two_heights import corrected_slope, difference_of_heights
from loadlearn.vehicle.gating import impossible_speeds
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS
from loadlearn.vehicle.samples import (
    FORCE_CHANNELS,
    HEIGHT_CHANNELS,
    HEIGHT_FROM_GRADE,
    SOURCE_TRACTIVE,
    samples_of,
    without_attrs,
)

FloatArray = NDArray[np.float64]

LONGEST_FILL_S = 2.5
"""Gaps of a channel no longer than this are bridged in a straight line."""
LEAST_ROWS = 60
"""Fewer rows with known force tell nothing of noise and delays."""
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
    "height_walk_m_s05": 0.8,
    "force_error_share": 0.8,
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


ALTIMETER_SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
SURE_ALTIMETER = 3.0
"""An altimeter corrects a grade channel only where the log prefers it by this log-likelihood."""


def _with_altimeter(
    likelihood: Likelihood, noise: Noise, trace: pd.DataFrame
) -> tuple[FloatArray | None, float]:
    """The slope with its height corrected by an altimeter, and the share of the correction.

    Parameters
    ----------
    likelihood : Likelihood
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
    on_common_rows(tables)
    found = np.array([likelihood(noise, table) for table in tables])
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
        delays (and the speed where it is the late one), sharpened or smoothed where a logger's
        filter left one smoother than the other, a road speed in whole units made finer where it can
        be (``speed_half_width_m_s``: half the step that is left), the mean of a late force channel
        over each interval (``force_channel_mean``), the square of the road's curvature where the
        position is logged (``curvature_squared_1_m2``), a grade channel corrected by an altimeter
        where the log has both and prefers it, ``exhaust_brake_active`` zero where the rig may have
        one and the log shows that it was not used, and the columns ``road_grade_percent`` and
        ``road_grade_sd_percent``; ``attrs`` hold what was found: ``noise``; ``delays_s`` and
        ``delays_sd_s``; ``force_filter`` and ``grade_filter`` (see
        :mod:`loadlearn.estimation.find_smoothing`); ``force_bend`` and ``grade_gain``;
        ``delay_spread``, what not knowing these leaves in the mass, relative; ``delay_doubts``, why
        they are not to be trusted, in sentences; and ``altimeter_share``, how much of the
        difference of the two heights is taken for the grade's error.

    Raises
    ------
    InputError
        The trace has no force or no grade channel, or breaks a rule of
        :func:`~loadlearn.log.trace.validate_trace`.
    """
    trace = checked_trace(trace)
    prepared, bridging = _bridged(trace)
    time_s = prepared["time_s"].to_numpy(dtype=np.float64)
    sources = Sources.of(prepared)
    speed_s, told = speed_delay(prepared, rig) if delays is None else (delays.speed, {})
    # Before anything is made of it: engine and road speed belong together.
    prepared["speed_m_s"] = shifted(time_s, prepared["speed_m_s"].to_numpy(), speed_s)
    prepared = _finer(prepared, rig)
    likelihood = Likelihood(prepared, rig)
    noise, altimeter_share, gain = default_noise(sources, rig), 0.0, Gain()
    bend = Bend()
    guess = first_guess(likelihood, told, speed_s) if delays is None else delays
    found = Found(guess)
    if any(guess):
        likelihood.table = likelihood.delayed(guess._replace(speed=0.0))
    if np.count_nonzero(likelihood.table["known"] > 0.5) > LEAST_ROWS:
        likelihood.leave_out_unseen_grounds(noise)
        noise, _ = _search_noise(likelihood, noise, 50)
        if delays is None:
            found = find_delays(likelihood, noise, guess, told)
        if found.delays != guess or found.notes:
            likelihood.table = likelihood.delayed(found.delays._replace(speed=0.0))
            noise, _ = _search_noise(likelihood, noise, 25)
    force, height = FORCE_CHANNELS[sources.force], HEIGHT_CHANNELS[sources.height]
    moved = found.delays
    values = filtered_force(
        time_s,
        prepared[force].to_numpy(dtype=np.float64),
        prepared["speed_m_s"].to_numpy(dtype=np.float64),
        found.force_filter,
        moved.force,
    )
    if found.grade_filter.over_s != 0.0:
        prepared[height] = filtered(time_s, prepared[height].to_numpy(), found.grade_filter)
    if moved.force != 0.0:
        prepared["force_channel_mean"] = interval_means(time_s, values, moved.force)
    prepared[force] = shifted(time_s, values, moved.force)
    prepared[height] = shifted(time_s, prepared[height].to_numpy(dtype=np.float64), moved.height)
    if np.count_nonzero(likelihood.table["known"] > 0.5) > LEAST_ROWS:
        slope, altimeter_share = _with_altimeter(likelihood, noise, prepared)
        if slope is not None:
            prepared["grade_percent"] = 100.0 * slope / np.sqrt(1.0 - slope * slope)
            noise, _ = _search_noise(likelihood, noise, 25)
        aligned = np.ascontiguousarray(samples_of(prepared)[:: likelihood.stride])
        bend = find_bend(likelihood, noise, aligned)
        if bend.share > 0.0:
            means = bent_means(aligned[force], aligned["force_channel_mean"], bend.share)
            aligned["force_channel_mean"] = prepared["force_channel_mean"] = means
        gain = find_gain(likelihood, noise, aligned)
        if gain.factor != 1.0:
            prepared["grade_percent"] *= gain.factor
            likelihood.table = likelihood.rows(samples_of(prepared)[:: likelihood.stride])
            noise, _ = _search_noise(likelihood, noise, 25)
    grade = road_grade(prepared)
    prepared["road_grade_percent"] = grade["grade_percent"].to_numpy()
    prepared["road_grade_sd_percent"] = grade["grade_sd_percent"].to_numpy()
    prepared.attrs = copy.deepcopy(trace.attrs)
    prepared.attrs["noise"] = dict(noise._asdict())
    prepared.attrs["delays_s"] = dict(moved._asdict())
    prepared.attrs["delays_sd_s"] = dict(found.sds._asdict())
    prepared.attrs["force_filter"] = dict(found.force_filter._asdict())
    prepared.attrs["grade_filter"] = dict(found.grade_filter._asdict())
    prepared.attrs["force_bend"] = bend.share
    prepared.attrs["grade_gain"] = gain.factor
    prepared.attrs["delay_spread"] = math.hypot(
        found.log_mass_sd, gain.log_mass_sd, bend.log_mass_sd
    )
    prepared.attrs["delay_doubts"] = list(found.doubts)
    prepared.attrs["warnings"] = [
        *prepared.attrs.get("warnings", []),
        *bridging,
        *found.notes,
    ]
    prepared.attrs["altimeter_share"] = altimeter_share
    if (
        rig.engine.exhaust_brake
        and "exhaust_brake_active" not in prepared.columns
        and likelihood.sources.force != SOURCE_TRACTIVE
        and exhaust_brake_unused(prepared, rig, _learnt_in_all(prepared, rig, noise))
    ):
        prepared["exhaust_brake_active"] = 0.0
    return prepared


def _bridged(trace: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """A copy with short absences bridged, without ``attrs``, and what is to be said of it.

    Where a speed is impossible, no force is known.
    """
    prepared = without_attrs(trace)
    notes: list[str] = []
    time_s = prepared["time_s"].to_numpy(dtype=np.float64)
    impossible = np.empty(time_s.size, dtype=np.bool_)
    speed = prepared["speed_m_s"].to_numpy(dtype=np.float64)
    if impossible_speeds(np.ascontiguousarray(time_s), np.ascontiguousarray(speed), impossible):
        prepared["speed_m_s"] = np.where(impossible, np.nan, speed)
        notes.append(
            f"{impossible.sum()} sample(s) set aside, the first at {time_s[impossible][0]:.1f} s: "
            "the speed changes by more than tyres can do"
        )
    for name in _FILLED:
        if name in prepared.columns:
            values = prepared[name].to_numpy(dtype=np.float64)
            prepared[name] = bridged(time_s, values, LONGEST_FILL_S)
            if name in FORCE_CHANNELS and impossible.any():
                prepared[name] = np.where(impossible, np.nan, prepared[name])
    return prepared, notes


def _finer(prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """Bends from the position, and a coarse speed made finer."""
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
