"""Channels brought to one grid, and how late each is relative to the road speed.

Delays come from the force balance fitted to the log itself by linear least squares. They describe
the log; the estimator finds its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.log.channel_faults import Floats, distance_m, gap_threshold_s
from loadlearn.vehicle import roadload

Mask = NDArray[np.bool_]

GRADE_CHANNELS = ("grade_percent", "altitude_m", "accel_long_m_s2")
"""Sources of the road's grade, the first that is logged being the one examined."""
FORCE_CHANNELS = ("tractive_force_n", "engine_torque_n_m", "fuel_rate_g_s")
"""Sources of the force, the first that is logged being the one examined."""

_GRID_S = 0.2
_LONGEST_GAP_S = 60.0
"""A longer gap gets no more stamps of a grid than one of this length."""
_SMOOTHING_S = 1.0
_ALTITUDE_BASE_M = 120.0
_CHANGE_S = 2.0


def first_logged(trace: pd.DataFrame, names: tuple[str, ...]) -> str | None:
    """The first of some channels that is in a trace and holds values.

    Parameters
    ----------
    trace : pandas.DataFrame
    names : tuple of str
        Channels, the preferred one first.
    """
    for name in names:
        if name in trace and trace[name].notna().any():
            return name
    return None


@dataclass(frozen=True)
class Grid:
    """A drive on evenly spaced stamps, lightly smoothed without delay.

    Attributes
    ----------
    interval_s : float
    time_s, speed_m_s, acceleration_m_s2, sin_grade : ndarray
        ``sin_grade`` is 0 where the log tells nothing of the grade.
    ok : ndarray of bool
        Moving, in no gap, the service brake not known to be on.
    """

    interval_s: float
    time_s: Floats
    speed_m_s: Floats
    acceleration_m_s2: Floats
    sin_grade: Floats
    ok: Mask


def make_grid(trace: pd.DataFrame) -> Grid:
    """Bring a trace to evenly spaced stamps.

    Parameters
    ----------
    trace : pandas.DataFrame
        A valid trace.
    """
    time_s = trace["time_s"].to_numpy()
    interval = max(_GRID_S, float(np.median(np.diff(time_s))))
    grid = even_stamps(time_s, interval)
    speed = smooth(on_grid(trace, "speed_m_s", grid), interval)
    acceleration = np.gradient(speed, interval) if grid.size > 1 else np.zeros(grid.size)
    return Grid(
        interval,
        grid,
        speed,
        acceleration,
        sine_of_grade(trace, grid, speed, interval),
        _ok(trace, grid, speed, interval),
    )


def even_stamps(time_s: Floats, interval_s: float) -> Floats:
    """Evenly spaced stamps over a log, sparse where it has a long gap.

    A logger's clock that jumps by years must not make a grid of years.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Rising stamps (s).
    interval_s : float

    Returns
    -------
    ndarray, shape (k,)
    """
    steps = np.diff(time_s)
    if not steps.size or steps.max() <= _LONGEST_GAP_S:
        return np.arange(time_s[0], time_s[-1], interval_s)
    shortened = np.concatenate(([0.0], np.cumsum(np.minimum(steps, _LONGEST_GAP_S))))
    return np.interp(np.arange(0.0, shortened[-1], interval_s), shortened, time_s)


def on_grid(trace: pd.DataFrame, name: str, grid: Floats) -> Floats:
    """A channel by linear interpolation between its known values.

    Parameters
    ----------
    trace : pandas.DataFrame
    name : str
        A channel with at least one value.
    grid : ndarray, shape (n,)
        Stamps wanted (s).

    Returns
    -------
    ndarray, shape (n,)
    """
    time_s, values = trace["time_s"].to_numpy(), trace[name].to_numpy()
    known = ~np.isnan(values)
    return np.interp(grid, time_s[known], values[known])


def smooth(values: Floats, interval_s: float, over_s: float = _SMOOTHING_S) -> Floats:
    """Centred triangular average, which delays nothing; twice a moving mean of ``over_s / 2``.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Evenly spaced.
    interval_s : float
        Between samples.
    over_s : float
        Full width of the triangle at half its height.

    Returns
    -------
    ndarray, shape (n,)
    """
    half = round(over_s / (4.0 * interval_s))
    if half < 1 or values.size < 4 * half + 2:
        return values
    for _ in range(2):
        padded = np.pad(values, half + 1, mode="edge")
        total = np.cumsum(padded)
        values = (total[2 * half + 1 : -1] - total[: -2 * half - 2]) / (2 * half + 1)
    return values


def sine_of_grade(
    trace: pd.DataFrame, grid: Floats, speed_m_s: Floats, interval_s: float
) -> Floats:
    """Sine of the road's angle on a grid, from the first grade channel that is logged.

    Altitude is differenced over 120 m of road; the body accelerometer gives it less dv/dt.

    Parameters
    ----------
    trace : pandas.DataFrame
    grid : ndarray, shape (n,)
        Evenly spaced stamps (s).
    speed_m_s : ndarray, shape (n,)
        Road speed on the grid.
    interval_s : float
        Between stamps.

    Returns
    -------
    ndarray, shape (n,)
        Zeros where no grade channel is logged.
    """
    name = first_logged(trace, GRADE_CHANNELS)
    if name is None or grid.size < 3:
        return np.zeros(grid.size)
    values = on_grid(trace, name, grid)
    if name == "grade_percent":
        return smooth(roadload.grade_angle(values)[0], interval_s)
    if name == "accel_long_m_s2":
        slope = smooth(values, interval_s) - np.gradient(speed_m_s, interval_s)
        return np.clip(slope / roadload.GRAVITY_M_S2, -0.6, 0.6)
    distance = distance_m(grid, speed_m_s)
    # Distance must rise for the interpolation; a standing vehicle adds a hair's breadth.
    distance = distance + 1e-6 * np.arange(distance.size)
    half = 0.5 * _ALTITUDE_BASE_M
    rise = np.interp(distance + half, distance, values) - np.interp(
        distance - half, distance, values
    )
    run = np.minimum(distance + half, distance[-1]) - np.maximum(distance - half, distance[0])
    return np.clip(rise / np.maximum(run, 1.0), -0.6, 0.6)


def _ok(trace: pd.DataFrame, grid: Floats, speed: Floats, interval_s: float) -> Mask:
    ok = speed > 3.0
    time_s = trace["time_s"].to_numpy()
    known = ~np.isnan(trace["speed_m_s"].to_numpy())
    if first_logged(trace, ("brake_active",)):
        ok &= on_grid(trace, "brake_active", grid) < 0.01
    stamps = time_s[known]
    after = np.clip(np.searchsorted(stamps, grid, side="right"), 1, stamps.size - 1)
    ok &= stamps[after] - stamps[after - 1] <= max(gap_threshold_s(time_s), 3.0 * interval_s)
    return ok


def shrink(mask: Mask, steps: int) -> Mask:
    """True where all neighbours within some steps are true.

    Parameters
    ----------
    mask : ndarray of bool, shape (n,)
    steps : int
        Neighbours looked at on either side.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    if steps < 1 or mask.size == 0:
        return mask
    bad = np.concatenate(([0], np.cumsum(~mask)))
    index = np.arange(mask.size)
    low, high = np.maximum(index - steps, 0), np.minimum(index + steps + 1, mask.size)
    return np.asarray(bad[high] == bad[low])


# ----------------------------------------------------------------------------------- delays


@dataclass(frozen=True)
class Delay:
    """How much later a channel is than the road speed.

    Attributes
    ----------
    delay_s : float
        Positive when the channel lags.
    sd_s : float
        Standard deviation.
    """

    delay_s: float
    sd_s: float


def _best_lag(lags: Floats, residuals: Floats, samples: float) -> Delay | None:
    """Least-squares lag by a parabola through the least residual; None when not well told.

    Parameters
    ----------
    lags : ndarray, shape (k,)
    residuals : ndarray, shape (k, p)
        Sums of squares of each part of the log.
    samples : float
        How many independent ones there are.
    """
    residual = residuals.sum(axis=1)
    best = int(np.argmin(residual))
    if best in (0, lags.size - 1) or samples < 50:
        return None
    before, at, after = residual[best - 1 : best + 2]
    step = lags[1] - lags[0]
    curvature = (before - 2.0 * at + after) / step**2
    if curvature <= 0.0:
        return None
    # Noise alone gives some lag, too: it must explain far more than the typical other lag does.
    if (np.median(residual) - at) * samples < 30.0 * at:
        return None
    lag = lags[best] + 0.5 * (before - after) / (before - 2.0 * at + after) * step
    # The slope's sum over the curvature is the lag's error, and the slope is seen to differ from
    # part to part (the sandwich of Huber, 1967, and White, Econometrica 50(1), 1982; from memory).
    slopes = (residuals[best + 1] - residuals[best - 1]) / (2.0 * step)
    sd = float(np.sqrt(slopes.size * np.var(slopes, ddof=1)) / curvature)
    # A parabola finds a fifth of a step at best.
    return Delay(float(lag), float(np.hypot(sd, 0.2 * step)))


_PARTS = 20


def _in_parts(squares: Floats) -> Floats:
    """Sums over parts of equal length."""
    edges = np.linspace(0, squares.size, _PARTS + 1).astype(np.intp)[:-1]
    return np.asarray(np.add.reduceat(squares, edges))


def _basis(rows: Floats) -> Floats:
    """Orthonormal columns that span some regressors, by way of their small Gram matrix."""
    rows = rows / np.maximum(np.sqrt(np.mean(rows**2, axis=0)), 1e-12)
    # Not ``rows.T @ rows``: for a few columns threads cost more than they save.
    values, vectors = np.linalg.eigh(np.einsum("ij,ik->jk", rows, rows))
    good = values > 1e-10 * values[-1]
    return np.asarray(np.einsum("ij,jk->ik", rows, vectors[:, good] / np.sqrt(values[good])))


def _beyond(basis: Floats, values: Floats) -> Floats:
    """What orthonormal columns leave over of some values."""
    return np.asarray(values - np.einsum("ij,j->i", basis, np.einsum("ij,i->j", basis, values)))


def lag_of_response(
    response: Floats, regressors: Floats, ok: Mask, interval_s: float, most_s: float = 3.0
) -> Delay | None:
    """Delay of a channel behind the linear combination of others that explains it best.

    Parameters
    ----------
    response : ndarray, shape (n,)
    regressors : ndarray, shape (n, k)
    ok : ndarray of bool, shape (n,)
        Samples that may be used.
    interval_s : float
        Between samples.
    most_s : float
        Largest delay or lead tried.

    Returns
    -------
    Delay or None
        None when the residual hardly depends on the delay.
    """
    steps = max(1, round(most_s / interval_s))
    use = np.flatnonzero(shrink(ok, steps))
    use = use[(use >= steps) & (use < response.size - steps)]
    if use.size < 20 * regressors.shape[1]:
        return None
    rows = regressors[use]
    basis = _basis(rows)
    shifts = np.arange(-steps, steps + 1)
    residual = np.empty((shifts.size, _PARTS))
    for i, shift in enumerate(shifts):
        shifted = response[use + shift]
        residual[i] = _in_parts(_beyond(basis, shifted) ** 2)
    return _best_lag(
        interval_s * shifts.astype(np.float64), residual, use.size * interval_s / _SMOOTHING_S
    )


def lag_of_regressor(
    response: Floats,
    regressor: Floats,
    weight: Floats,
    others: Floats,
    ok: Mask,
    interval_s: float,
    most_s: float,
) -> Delay | None:
    """Delay of one regressor (grade, say) behind the response it helps to explain.

    Parameters
    ----------
    response, regressor, weight : ndarray, shape (n,)
        The column fitted is the shifted regressor times ``weight``.
    others : ndarray, shape (n, k)
    ok, interval_s, most_s
        As in :func:`lag_of_response`.
    """
    steps = max(1, round(most_s / interval_s))
    use = np.flatnonzero(shrink(ok, steps))
    use = use[(use >= steps) & (use < response.size - steps)]
    if use.size < 20 * (others.shape[1] + 1):
        return None
    rows = others[use]
    basis = _basis(rows)
    left = _beyond(basis, response[use])
    stride = max(1, round(0.2 / interval_s))
    shifts = np.arange(-steps, steps + 1, stride)
    residual = np.empty((shifts.size, _PARTS))
    for i, shift in enumerate(shifts):
        column = _beyond(basis, regressor[use + shift] * weight[use])
        taken = np.einsum("i,i", column, left) / max(np.einsum("i,i", column, column), 1e-30)
        residual[i] = _in_parts((left - taken * column) ** 2)
    return _best_lag(
        interval_s * shifts.astype(np.float64), residual, use.size * interval_s / _SMOOTHING_S
    )


def channel_delays(trace: pd.DataFrame, grid: Grid) -> dict[str, Delay]:
    """Delay of force, grade, altitude, accelerometer, engine and ground speed.

    Changes of the motion, climbing included, are explained by those of the force channel (of a
    power where it is fuelling, or torque beside an engine speed) and of the speed, and not the
    other way round: a driver or a cruise control answers what moves the vehicle a second or two
    later, so that the force fits best a motion that it did not cause (identification in closed
    loop; Söderström & Stoica, *System Identification*, 1989, from memory). Changes, since steady
    driving tells nothing of a delay. The grade is compared with what the force leaves over, engine
    and ground speed with road speed, stretch by stretch, the accelerometer with
    dv/dt + g sin(grade). Each is relative to the road speed: the lag of least residual within 3 s
    (grade and altitude: 6 s).

    Returns
    -------
    dict of str to Delay
        Only channels whose delay is known to better than 0.5 s.
    """
    found = _force_and_grade_delays(trace, grid)
    for name in ("engine_speed_rpm", "ground_speed_m_s"):
        if first_logged(trace, (name,)):
            values = smooth(on_grid(trace, name, grid.time_s), grid.interval_s)
            found[name] = _lag_of_ratio(values, grid.speed_m_s, grid.ok, grid.interval_s)
    if first_logged(trace, ("accel_long_m_s2",)):
        found["accel_long_m_s2"] = _accelerometer_delay(trace, grid)
    return {name: delay for name, delay in found.items() if delay and delay.sd_s < 0.5}


def _force_and_grade_delays(trace: pd.DataFrame, grid: Grid) -> dict[str, Delay | None]:
    name = first_logged(trace, FORCE_CHANNELS)
    if name is None:
        return {}
    dt, v = grid.interval_s, grid.speed_m_s
    slope = roadload.GRAVITY_M_S2 * grid.sin_grade
    response = on_grid(trace, name, grid.time_s)
    # Overrun follows other laws (fuel cut, friction).
    ok = grid.ok & (response > 0.02 * float(np.quantile(response, 0.99)))
    weight, others = np.ones_like(v), []
    if name != "tractive_force_n":
        # Fuelling, and torque times engine speed, follow power rather than force.
        weight = v
        others.append(np.ones_like(v))
        if first_logged(trace, ("engine_speed_rpm",)):
            rpm = smooth(on_grid(trace, "engine_speed_rpm", grid.time_s), dt)
            if name == "engine_torque_n_m":
                response = response * rpm
            else:
                others += [rpm, rpm**2]
    ok = shrink(ok, round(0.5 * _CHANGE_S / dt))
    force = _changes(smooth(response, dt), dt)
    motion, road = (_changes(weight * one, dt) for one in (grid.acceleration_m_s2, slope))
    basis = np.stack([_changes(one, dt) for one in (*others, weight, weight * v**2)], axis=1)
    whole = np.ones_like(v)
    force_delay: Delay | None = None
    grade_delay: Delay | None = None
    aligned, usable = force, ok
    for _ in range(2):  # each delay is sought with the other one taken out
        moved = road
        if grade_delay is not None:
            moved = np.roll(road, -round(grade_delay.delay_s / dt))
        force_delay = lag_of_regressor(motion + moved, force, whole, basis, ok, dt, 3.0)
        shift = 0 if force_delay is None else round(force_delay.delay_s / dt)
        aligned, usable = np.roll(force, -shift), shrink(ok, abs(shift))
        beside = np.column_stack([aligned, basis])
        if not slope.any():
            break
        grade_delay = lag_of_regressor(motion, road, whole, beside, usable, dt, 6.0)
    found: dict[str, Delay | None] = {name: force_delay}
    for source in ("grade_percent", "altitude_m"):
        if first_logged(trace, (source,)):
            alone = trace[["time_s", "speed_m_s", source]]
            road = roadload.GRAVITY_M_S2 * sine_of_grade(alone, grid.time_s, v, dt)
            if road.any():
                road = _changes(weight * road, dt)
                found[source] = lag_of_regressor(motion, road, whole, beside, usable, dt, 6.0)
    return found


def _changes(values: Floats, interval_s: float) -> Floats:
    """Differences over ``_CHANGE_S``, centred."""
    half = max(1, round(0.5 * _CHANGE_S / interval_s))
    found = np.zeros_like(values)
    found[half:-half] = values[2 * half :] - values[: -2 * half]
    return found


def _accelerometer_delay(trace: pd.DataFrame, grid: Grid) -> Delay | None:
    """Delay of the body accelerometer behind dv/dt + g sin(grade)."""
    measured = on_grid(trace, "accel_long_m_s2", grid.time_s)
    columns = [np.ones_like(grid.speed_m_s), grid.acceleration_m_s2]
    if first_logged(trace, GRADE_CHANNELS) != "accel_long_m_s2":
        columns.append(roadload.GRAVITY_M_S2 * grid.sin_grade)
    return lag_of_response(
        smooth(measured, grid.interval_s), np.stack(columns, axis=1), grid.ok, grid.interval_s
    )


def _lag_of_ratio(values: Floats, speed: Floats, ok: Mask, interval_s: float) -> Delay | None:
    """Delay of a channel that is proportional to speed within stretches (gears)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        log_ratio = np.log(np.maximum(values, 1e-3) / np.maximum(speed, 1e-3))
    steps = max(1, round(3.2 / interval_s))
    window = max(2, round(1.0 / interval_s))
    drift = np.abs(log_ratio[window:] - log_ratio[:-window])
    drift = np.concatenate((np.full(min(window, log_ratio.size), np.inf), drift))
    locked = shrink(ok & (drift < 0.08) & (values > 1.0), steps)
    use = np.flatnonzero(locked)
    use = use[(use >= steps) & (use < speed.size - steps)]
    if use.size < 200:
        return None
    stretch = np.cumsum(np.append(True, np.diff(use) > 1)) - 1
    size = np.bincount(stretch).astype(float)
    log_speed = np.log(np.maximum(speed, 1e-3))[use]
    log_values = np.log(np.maximum(values, 1e-3))
    shifts = np.arange(-steps, steps + 1)
    residual = np.empty((shifts.size, _PARTS))
    for i, shift in enumerate(shifts):
        ratio = log_values[use + shift] - log_speed
        mean = np.bincount(stretch, ratio) / size
        residual[i] = _in_parts((ratio - mean[stretch]) ** 2)
    return _best_lag(
        interval_s * shifts.astype(np.float64), residual, use.size * interval_s / _SMOOTHING_S
    )
