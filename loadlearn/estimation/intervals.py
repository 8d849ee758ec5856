"""Samples → rows: integrals over each interval and the measured energy height at its end.

One compiled pass with an explicit memory, so that a whole log and a stream of single samples give
the same rows. Samples closer together than a tenth of a second are integrated into one row.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.log.units import WHOLE_KMH_M_S, WHOLE_MPH_M_S
from loadlearn.vehicle.roadload import (
    CORNERING_STIFFNESS_1_RAD,
    GRAVITY_M_S2,
    air_density_kg_m3,
    cornering_resistance,
    drag_force,
    isa_altitude_m,
    rolling_coefficient,
)
from loadlearn.vehicle.traction import (
    BRAKE_SETTLING_S,
    GAP,
    GEAR_CHANGE,
    KNOWN,
    N_TRACTION_MEMORY,
    NO_GRADE,
    OVERRUN_RETARDED,
    RETARDER,
    SOURCE_FUEL,
    SOURCE_TRACTIVE,
    STANDSTILL,
    TRACTION_INPUTS,
    RigArrays,
    columns_as_array,
    traction_memory,
    traction_sample,
)

FloatArray = NDArray[np.float64]
(
    R_TIME,
    R_DT,
    R_DX,
    R_DXCOS,
    R_WORK,
    R_DRAG2,
    R_DRAG1,
    R_DRAG0,
    R_SLOPE,
    R_UNREPORTED,
    R_GROSS,
    R_FORCEVAR,
    R_ROTSTEP,
    R_KNOWN,
    R_Y,
    R_ROT,
    R_SPEED,
    R_HALF,
    R_EXTVAR,
    R_STILL,
    R_REVERSED,
    R_REGEN,
    R_RESTART,
    R_TILT,
    R_SLIP,
    R_SLIPFORCE,
    R_GRADEHEIGHT,
    R_KINETIC,
    R_LAG,
    R_BENDS,
) = range(30)
N_ROW = 30

HEIGHT_FROM_GRADE, HEIGHT_FROM_ALTITUDE, HEIGHT_FROM_ACCELEROMETER = 0, 1, 2
SHORTEST_ROW_S = 0.095
FORCE_ERROR_TIME_S = 3.0
"""Correlation time of the force error that a slipping converter or motoring leaves."""
WIND_UP_TIME_S = 0.25
"""Lag of the driven wheels' slip behind the force (relaxation of tyres, twist of the driveline)."""
LAG_WITHIN_S = 0.35
"""Between samples further apart than this a force is no straight line, and what is wrong with the
engine's line would pass for a lag of some hundredths of a second."""
CHANGE_WITHIN_S = 0.7
CHANGE_LOSS, CHANGE_LOSS_SD = 0.05, 0.2
"""Share of an interval's work lost in an automatic gearbox's change of gear, where samples are
further apart than a change lasts (torque is cut by a third for a third of a second or so: common
practice, no source)."""
HOLD_S = 1.6
"""A channel that is absent for longer than this is not known."""

ROW_INPUTS: tuple[str, ...] = (
    *TRACTION_INPUTS,
    "slope_sin",
    "altitude_m",
    "accel_long_m_s2",
    "air_density_kg_m3",
    "regeneration_active",
    "force_channel_mean",
    "speed_half_width_m_s",
    "exhaust_brake_active",
    "curvature_squared_1_m2",
)
(I_TIME, I_SPEED) = (0, 1)
(
    I_SLOPE,
    I_ALTITUDE,
    I_ACCEL,
    I_DENSITY,
    I_REGEN,
    I_MEAN,
    I_HALF,
    I_RETARDER,
    I_CURVATURE,
) = range(11, 20)
N_INPUT = 20
I_FORCE = 2
"""Column of the channel that the force is taken from, for the first of the sources."""

# Memory: traction's, then these. Held inputs follow, with the times they were last seen.
(
    M_STARTED,
    M_TIME,
    M_SPEED,
    M_FORCE,
    M_FORCE_SD,
    M_UNREPORTED,
    M_GROSS,
    M_ROTATING,
    M_SLOPE,
    M_DENSITY,
    M_ACCEL,
    M_REASON,
    M_LAST_ROW_S,
    M_HEIGHT,
    M_STILL_SINCE,
    M_TYPICAL_DT,
    M_WHOLE_UNIT,
    M_MOVING_SEEN,
    M_LAST_ALTITUDE,
    M_LAST_ALTITUDE_S,
    M_REVERSED_S,
    M_TILT,
    M_TRACK_SPEED,
    M_TRACK_ACCEL,
    M_PULL,
    M_TREAD_FORCE,
    M_CHANNEL,
    M_PER_UNIT,
    M_RETARDED_S,
    M_CURVATURE,
    M_ACCUMULATE,
) = range(N_TRACTION_MEMORY, N_TRACTION_MEMORY + 31)
M_HELD = M_ACCUMULATE + N_ROW
M_HELD_TIME = M_HELD + N_INPUT
N_MEMORY = M_HELD_TIME + N_INPUT


def rows_memory() -> FloatArray:
    """A fresh memory for :func:`samples_to_rows`."""
    memory = np.zeros(N_MEMORY)
    memory[:N_TRACTION_MEMORY] = traction_memory()
    memory[M_STILL_SINCE] = math.nan
    memory[M_LAST_ALTITUDE] = math.nan
    memory[M_LAST_ALTITUDE_S] = -1e9
    memory[M_REVERSED_S] = -1e9
    memory[M_RETARDED_S] = -1e9
    memory[M_HELD:M_HELD_TIME] = math.nan
    memory[M_HELD_TIME:] = -1e9
    return memory


@jit(inline="always")
def _whole_unit_half_width(memory: FloatArray, speed_m_s: float) -> float:
    """Half the speed's step when all moving samples so far were whole km/h or mph, else 0.

    The code held in memory is 0 while undecided, 1 for km/h, 2 for mph, -1 for neither.
    """
    if speed_m_s > 1.0 and memory[M_WHOLE_UNIT] >= 0.0:
        kmh = speed_m_s / WHOLE_KMH_M_S
        mph = speed_m_s / WHOLE_MPH_M_S
        is_kmh = abs(kmh - round(kmh)) < 1e-3
        is_mph = abs(mph - round(mph)) < 1e-3
        code = memory[M_WHOLE_UNIT]
        if code == 0.0:
            if is_kmh and not is_mph:
                memory[M_WHOLE_UNIT] = 1.0
            elif is_mph and not is_kmh:
                memory[M_WHOLE_UNIT] = 2.0
            elif not is_kmh and not is_mph:
                memory[M_WHOLE_UNIT] = -1.0
        elif (code == 1.0 and not is_kmh) or (code == 2.0 and not is_mph):
            memory[M_WHOLE_UNIT] = -1.0
        memory[M_MOVING_SEEN] += 1.0
    if memory[M_MOVING_SEEN] >= 5.0:
        if memory[M_WHOLE_UNIT] == 1.0:
            return 0.5 * WHOLE_KMH_M_S
        if memory[M_WHOLE_UNIT] == 2.0:
            return 0.5 * WHOLE_MPH_M_S
    return 0.0


@jit(inline="always")
def _retarded(
    memory: FloatArray, rig: RigArrays, time_s: float, force_n: float, retarder: float
) -> int:
    """Whether an exhaust brake or retarder is or may be at work: its drag is in no channel.

    Parameters
    ----------
    memory : ndarray, shape (N_MEMORY,)
        Remembers when an unlogged one may last have been at work.
    rig : RigArrays
    time_s, force_n : float
        Of the sample; the computed force at the tread (N) is negative in overrun.
    retarder : float
        The flag, NaN where it is not logged.

    Returns
    -------
    int
        A reason of :mod:`loadlearn.vehicle.traction`, or ``KNOWN``.
    """
    if retarder > 0.5:
        return RETARDER
    if not (rig.exhaust_brake and math.isnan(retarder)):
        return KNOWN
    if force_n < 0.0:
        memory[M_RETARDED_S] = time_s
    if time_s - memory[M_RETARDED_S] < BRAKE_SETTLING_S:
        return OVERRUN_RETARDED
    return KNOWN


TRACKING_TIME_S = 0.3


@jit(inline="always")
def _track_speed(memory: FloatArray, expected_m_s: float, speed_m_s: float, dt_s: float) -> None:
    """Alpha-beta tracker of the speed (gains of Kalata, IEEE Trans. AES 20(2), 1984; memory)."""
    if dt_s <= 0.0:
        return
    if dt_s > 2.5:
        memory[M_TRACK_SPEED] = speed_m_s
        memory[M_TRACK_ACCEL] = 0.0
        return
    alpha = 1.0 - math.exp(-dt_s / TRACKING_TIME_S)
    beta = alpha * alpha / (2.0 - alpha)
    difference = speed_m_s - expected_m_s
    memory[M_TRACK_SPEED] = expected_m_s + alpha * difference
    memory[M_TRACK_ACCEL] += beta * difference / dt_s


@jit(inline="always")
def _lagged(before: float, from_n: float, to_n: float, dt_s: float) -> float:
    """First-order lag of a force that changes in a straight line over an interval (exactly)."""
    if dt_s <= 0.0:
        return before
    kept = math.exp(-dt_s / WIND_UP_TIME_S)
    share = (1.0 - kept) * WIND_UP_TIME_S / dt_s
    return kept * before + (share - kept) * from_n + (1.0 - share) * to_n


@jit
def samples_to_rows(
    memory: FloatArray,
    rig: RigArrays,
    source: int,
    height_source: int,
    shortest_row_s: float,
    inputs: FloatArray,
    rows: FloatArray,
    row_of_sample: NDArray[np.int64],
    reason_of_sample: NDArray[np.int64],
    detail: FloatArray,
) -> int:
    """Integrate samples into rows.

    Parameters
    ----------
    memory : ndarray, shape (N_MEMORY,)
        Carried from call to call; updated in place.
    rig : RigArrays
    source, height_source : int
        Which force channel and which height channel serve.
    shortest_row_s : float
        Samples closer together than this are integrated into one row.
    inputs : ndarray, shape (n, 20)
        In the order of ``ROW_INPUTS``; NaN where absent.
    rows : ndarray, shape (at least n, 30)
        Receives the rows.
    row_of_sample : ndarray of int, shape (n,)
        Receives the number of rows complete at each sample.
    reason_of_sample : ndarray of int, shape (n,)
        Receives why each sample is set aside (0: it is not).
    detail : ndarray, shape (n, 3)
        Receives force (N), its sd (N) and the equivalent mass of the rotating parts (kg).

    Returns
    -------
    int
        Rows written.
    """
    count = 0
    sample = np.empty(N_INPUT)
    gravity = GRAVITY_M_S2
    for index in range(inputs.shape[0]):
        time = inputs[index, I_TIME]
        # Hold what is absent for a short while: channels are polled in turn.
        for column in range(N_INPUT):
            value = inputs[index, column]
            if not math.isnan(value):
                memory[M_HELD + column] = value
                memory[M_HELD_TIME + column] = time
            elif (
                column != I_SPEED
                and column != I_ALTITUDE
                and column not in (I_MEAN, I_HALF)
                and time - memory[M_HELD_TIME + column] <= HOLD_S
            ):
                value = memory[M_HELD + column]
            sample[column] = value
        speed = sample[I_SPEED]
        (
            force,
            force_sd,
            unreported,
            gross,
            tilt,
            rotating,
            spin_up,
            per_unit,
            gear,
            reason,
        ) = traction_sample(
            memory,
            rig,
            source,
            time,
            speed,
            sample[2],
            sample[3],
            sample[4],
            sample[5],
            sample[6],
            sample[7],
            sample[8],
            sample[9],
            sample[10],
        )
        detail[index, 0] = force
        # What spun the engine up belongs to the interval that has just ended, wholly.
        force += spin_up
        detail[index, 1] = force_sd
        detail[index, 2] = rotating
        if reason in (KNOWN, GEAR_CHANGE) and source != SOURCE_TRACTIVE:
            retarded = _retarded(memory, rig, time, force, sample[I_RETARDER])
            if retarded != KNOWN:
                reason = retarded
        if gear < 0.0:
            memory[M_REVERSED_S] = time
        if math.isnan(speed):
            # Without a speed there is no interval; the next one reaches back to the last speed.
            reason_of_sample[index] = reason
            row_of_sample[index] = count
            continue
        half_width = _whole_unit_half_width(memory, speed)
        if not math.isnan(inputs[index, I_HALF]):
            half_width = inputs[index, I_HALF]
        channel = sample[I_FORCE + source]
        slope = sample[I_SLOPE]
        density = sample[I_DENSITY]
        if math.isnan(density):
            density = 1.2
        accel = sample[I_ACCEL]
        curvature = sample[I_CURVATURE]
        if math.isnan(curvature):
            curvature = 0.0
        if reason == KNOWN and (
            (height_source == HEIGHT_FROM_GRADE and math.isnan(slope))
            or (height_source == HEIGHT_FROM_ACCELEROMETER and math.isnan(accel))
        ):
            reason = NO_GRADE

        if memory[M_STARTED] == 0.0:
            memory[M_STARTED] = 1.0
            memory[M_TYPICAL_DT] = math.nan
            memory[M_TIME] = time
            memory[M_LAST_ROW_S] = time
            memory[M_HEIGHT] = 0.0
            if speed < 0.3:
                memory[M_STILL_SINCE] = time
            for column in range(N_ROW):
                memory[M_ACCUMULATE + column] = 0.0
            memory[M_ACCUMULATE + R_KNOWN] = 1.0
            memory[M_ACCUMULATE + R_RESTART] = 1.0
            memory[M_TRACK_SPEED] = speed
            first = True
        else:
            first = False
        dt = time - memory[M_TIME]
        # Where the kinetic energy is a *regressor* (rotating parts, slip) it must not carry the
        # noise of the very speed that is measured with it: that would pull the inverse mass down,
        # a little with each sample. The speed expected from the past serves instead.
        expected_speed = max(0.0, memory[M_TRACK_SPEED] + memory[M_TRACK_ACCEL] * min(dt, 2.0))
        accel_before = memory[M_TRACK_ACCEL]
        _track_speed(memory, expected_speed, speed, dt)
        # Tyres and driveline take time to wind up; what spins the engine up is not at the tread.
        pull_before = memory[M_PULL]
        memory[M_PULL] = _lagged(pull_before, memory[M_TREAD_FORCE], force - spin_up, dt)
        memory[M_TREAD_FORCE] = force - spin_up
        if not first:
            if math.isnan(memory[M_TYPICAL_DT]):
                memory[M_TYPICAL_DT] = min(dt, 2.0)
            typical = memory[M_TYPICAL_DT]
            gap = dt > max(2.5 if typical > 0.5 else 1.5, 3.5 * typical)
            if not gap:
                memory[M_TYPICAL_DT] += 0.02 * (dt - typical)
            last_reason = int(memory[M_REASON])
            # A gear change is over before the next sample of a slow log: its interval is not lost.
            changing = rig.has_converter and dt > CHANGE_WITHIN_S
            known = (
                not gap
                and (reason == KNOWN or (changing and reason == GEAR_CHANGE))
                and (last_reason == KNOWN or (changing and last_reason == GEAR_CHANGE))
            )
            if gap:
                reason_here = GAP
            elif known:
                reason_here = KNOWN
            elif reason != KNOWN:
                reason_here = reason
            else:
                reason_here = last_reason
            last_speed = memory[M_SPEED]
            middle = 0.5 * (speed + last_speed)
            dx = middle * dt if not gap else 0.0
            if not math.isnan(slope):
                last_slope = memory[M_SLOPE] if not math.isnan(memory[M_SLOPE]) else slope
                mean_slope = 0.5 * (slope + last_slope)
            else:
                mean_slope = 0.0
            cosine = math.sqrt(max(0.0, 1.0 - mean_slope * mean_slope))
            acc = M_ACCUMULATE
            memory[acc + R_DT] += dt
            memory[acc + R_DX] += dx
            memory[acc + R_DXCOS] += dx * cosine
            half_dt = 0.5 * dt
            if known:
                memory[acc + R_WORK] += (
                    half_dt * (force * speed + memory[M_FORCE] * last_speed) / gravity
                    - dt * spin_up * middle / gravity
                )
                memory[acc + R_UNREPORTED] += (
                    half_dt * (unreported * speed + memory[M_UNREPORTED] * last_speed) / gravity
                )
                memory[acc + R_GROSS] += (
                    half_dt * (gross * speed + memory[M_GROSS] * last_speed) / gravity
                )
                memory[acc + R_TILT] += (
                    half_dt * (tilt * speed + memory[M_TILT] * last_speed) / gravity
                )
                mean = sample[I_MEAN]
                if not math.isnan(mean):
                    # What the straight line between the two samples misses of the interval.
                    missed = mean - 0.5 * (channel + memory[M_CHANNEL])
                    missed *= (
                        half_dt * (per_unit * speed + memory[M_PER_UNIT] * last_speed) / gravity
                    )
                    memory[acc + R_WORK] += missed
                    if source == SOURCE_FUEL:
                        memory[acc + R_GROSS] += missed
                sd = 0.5 * (force_sd + memory[M_FORCE_SD])
                if reason == GEAR_CHANGE:
                    pulled = half_dt * (force * speed + memory[M_FORCE] * last_speed) / gravity
                    memory[acc + R_WORK] -= CHANGE_LOSS * pulled
                    memory[acc + R_FORCEVAR] += (CHANGE_LOSS_SD * pulled) ** 2
                # Where in the interval a change of force fell is not known.
                change = force - memory[M_FORCE]
                if dt <= LAG_WITHIN_S:
                    memory[acc + R_LAG] += change * middle / gravity
                memory[acc + R_FORCEVAR] += (
                    (2.0 * sd * sd * FORCE_ERROR_TIME_S + change * change * dt / 12.0)
                    * (middle * middle * dt)
                    / (gravity * gravity)
                )
                memory[acc + R_ROTSTEP] += (
                    (rotating - memory[M_ROTATING])
                    * expected_speed
                    * expected_speed
                    / (2.0 * gravity)
                )
            else:
                memory[acc + R_KNOWN] = 0.0
            # Unit drag area, no wind; then its first and second derivative with respect to wind.
            memory[acc + R_DRAG2] += (
                half_dt
                * (
                    drag_force(1.0, density, speed, 0.0) * speed
                    + drag_force(1.0, memory[M_DENSITY], last_speed, 0.0) * last_speed
                )
                / gravity
            )
            memory[acc + R_DRAG1] += density * middle * dx / gravity
            memory[acc + R_DRAG0] += 0.5 * density * dx / gravity
            memory[acc + R_SLOPE] += rolling_coefficient(0.0, 1.0, middle) * dx * cosine
            bent = 0.5 * (curvature + memory[M_CURVATURE])
            memory[acc + R_BENDS] += (
                cornering_resistance(middle, bent, CORNERING_STIFFNESS_1_RAD) * dx
            )
            if height_source == HEIGHT_FROM_GRADE:
                memory[M_HEIGHT] += mean_slope * dx
                memory[acc + R_GRADEHEIGHT] += mean_slope * dx
            elif height_source == HEIGHT_FROM_ACCELEROMETER and not math.isnan(accel):
                last_accel = memory[M_ACCEL] if not math.isnan(memory[M_ACCEL]) else accel
                memory[M_HEIGHT] += 0.5 * (accel + last_accel) * dx / gravity
                # From the past, too: the noise of two neighbouring speeds would be more than the
                # acceleration itself, and pull the squat to nothing.
                memory[acc + R_KINETIC] += 0.5 * (accel_before + memory[M_TRACK_ACCEL]) * dx
            if not math.isnan(sample[I_REGEN]):
                memory[acc + R_REGEN] = 1.0 if sample[I_REGEN] > 0.5 else -1.0
        else:
            known = False
            reason_here = reason if reason != KNOWN else STANDSTILL if speed < 2.0 else KNOWN

        # --- standstill ------------------------------------------------------------------------
        moved_off = 0.0
        if speed < 0.3:
            if math.isnan(memory[M_STILL_SINCE]):
                memory[M_STILL_SINCE] = time
                if not first and dt > 20.0:
                    # Engine off while standing: the gap belongs to the standstill.
                    memory[M_STILL_SINCE] = memory[M_TIME]
        elif speed > 1.0 and not math.isnan(memory[M_STILL_SINCE]):
            moved_off = max(time - memory[M_STILL_SINCE], 1e-3)
            memory[M_STILL_SINCE] = math.nan
        elif not first and dt > 60.0:
            # A log that stops on the move and goes on after a long gap hides a standstill.
            moved_off = dt
        if moved_off > 0.0:
            memory[M_ACCUMULATE + R_STILL] = max(moved_off, memory[M_ACCUMULATE + R_STILL])
            if time - memory[M_REVERSED_S] < 180.0 + moved_off:
                memory[M_ACCUMULATE + R_REVERSED] = 1.0

        row_of_sample[index] = count
        reason_of_sample[index] = reason_here
        if first or time - memory[M_LAST_ROW_S] >= shortest_row_s:
            for column in range(N_ROW):
                rows[count, column] = memory[M_ACCUMULATE + column]
                memory[M_ACCUMULATE + column] = 0.0
            memory[M_ACCUMULATE + R_KNOWN] = 1.0
            kinetic = speed * speed / (2.0 * gravity)
            measured = math.nan
            if height_source == HEIGHT_FROM_GRADE:
                measured = kinetic + memory[M_HEIGHT]
            elif height_source == HEIGHT_FROM_ACCELEROMETER:
                measured = memory[M_HEIGHT]
            else:
                altitude = sample[I_ALTITUDE]
                # A held altitude is no new measurement of height.
                if not math.isnan(altitude) and (
                    altitude != memory[M_LAST_ALTITUDE] or time - memory[M_LAST_ALTITUDE_S] >= 0.95
                ):
                    measured = kinetic + altitude
                    memory[M_LAST_ALTITUDE] = altitude
                    memory[M_LAST_ALTITUDE_S] = time
            rows[count, R_TIME] = time
            rows[count, R_Y] = measured
            expected = expected_speed * expected_speed / (2.0 * gravity)
            rows[count, R_ROT] = rotating * expected
            rows[count, R_SPEED] = speed
            rows[count, R_HALF] = half_width
            if height_source != HEIGHT_FROM_ACCELEROMETER:
                # Against a body accelerometer wheel slip cancels: both sides use the same way.
                rows[count, R_SLIP] = 2.0 * expected * memory[M_PULL]
                rows[count, R_SLIPFORCE] = 0.5 * (memory[M_PULL] + pull_before)
            memory[M_LAST_ROW_S] = time
            count += 1
            row_of_sample[index] = count
        memory[M_TIME] = time
        memory[M_SPEED] = speed
        memory[M_FORCE] = force
        memory[M_CHANNEL] = channel
        memory[M_PER_UNIT] = per_unit
        memory[M_FORCE_SD] = force_sd
        memory[M_UNREPORTED] = unreported
        memory[M_GROSS] = gross
        memory[M_ROTATING] = rotating
        memory[M_TILT] = tilt
        memory[M_SLOPE] = slope
        memory[M_DENSITY] = density
        memory[M_ACCEL] = accel
        memory[M_CURVATURE] = curvature
        memory[M_REASON] = reason
    return count


def height_source(trace: pd.DataFrame) -> int:
    """Which channel the road's height is taken from: grade, else altitude, else accelerometer.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.

    Returns
    -------
    int
        ``HEIGHT_FROM_GRADE``, ``HEIGHT_FROM_ALTITUDE`` or ``HEIGHT_FROM_ACCELEROMETER``.

    Raises
    ------
    InputError
        None of the channels is there.
    """
    from loadlearn.errors import InputError

    for column, source in (
        ("grade_percent", HEIGHT_FROM_GRADE),
        ("altitude_m", HEIGHT_FROM_ALTITUDE),
        ("accel_long_m_s2", HEIGHT_FROM_ACCELEROMETER),
    ):
        if column in trace.columns and trace[column].notna().any():
            return source
    raise InputError(
        "no grade channel: the log needs one of grade_percent, altitude_m or accel_long_m_s2"
    )


def row_inputs(trace: pd.DataFrame) -> FloatArray:
    """The columns of a trace that the rows are made from, shape (n, 20).

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.

    Returns
    -------
    ndarray
        In the order of ``ROW_INPUTS``; the slope is the sine of the road's angle, the air density
        comes from ambient channels, else from the standard atmosphere at the altitude.
    """
    inputs = columns_as_array(trace, ROW_INPUTS)
    if "grade_percent" in trace.columns:
        tangent = trace["grade_percent"].to_numpy(dtype=np.float64) / 100.0
        inputs[:, I_SLOPE] = tangent / np.sqrt(1.0 + tangent * tangent)
    inputs[:, I_DENSITY] = density_of(trace)
    return inputs


def density_of(trace: pd.DataFrame) -> FloatArray:
    """Air density over a trace (kg/m^3), from what ambient channels there are."""

    def column(name: str) -> FloatArray | None:
        if name not in trace.columns or not trace[name].notna().any():
            return None
        return trace[name].to_numpy(dtype=np.float64)

    pressure = column("ambient_pressure_kpa")
    altitude = column("altitude_m")
    if altitude is None:
        altitude = np.zeros(len(trace)) if pressure is None else isa_altitude_m(pressure)
    return air_density_kg_m3(altitude, column("ambient_temp_degc"), pressure)


def density_of_sample(sample: Mapping[str, Any]) -> float:
    """Air density for one sample (kg/m^3); the same rule as :func:`density_of`."""

    def value(name: str) -> float | None:
        # NaN is a channel that did not report now: the density is held, as over a whole trace.
        found = sample.get(name)
        return None if found is None else float(found)

    pressure = value("ambient_pressure_kpa")
    altitude = value("altitude_m")
    if altitude is None:
        altitude = 0.0 if pressure is None else float(isa_altitude_m(pressure))
    return float(air_density_kg_m3(altitude, value("ambient_temp_degc"), pressure))
