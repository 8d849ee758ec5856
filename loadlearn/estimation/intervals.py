"""Samples → rows: integrals over each interval and the measured energy height at its end.

One compiled pass with an explicit memory, so that a whole log and a stream of single samples give
the same rows. Samples closer together than a tenth of a second are integrated into one row.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import Record, Records, jit
from loadlearn.estimation.model import ROW
from loadlearn.log.units import WHOLE_KMH_M_S, WHOLE_MPH_M_S
from loadlearn.vehicle.engine_force import RigArrays
from loadlearn.vehicle.gating import NEVER, REASON, beyond_tyres, retarded, traction_memory
from loadlearn.vehicle.roadload import (
    CORNERING_STIFFNESS_1_RAD,
    GRAVITY_M_S2,
    cornering_resistance,
    drag_force,
    rolling_coefficient,
)
from loadlearn.vehicle.samples import (
    HEIGHT_FROM_ACCELEROMETER,
    HEIGHT_FROM_GRADE,
    SAMPLE,
    SOURCE_FUEL,
    SOURCE_TORQUE,
    SOURCE_TRACTIVE,
    Samples,
)
from loadlearn.vehicle.traction import FORCE, traction_sample

FloatArray = NDArray[np.float64]

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
_NOT_HELD = ("time_s", "speed_m_s", "altitude_m", "force_channel_mean", "speed_half_width_m_s")
MAY_BE_HELD = np.array([name not in _NOT_HELD for name in SAMPLE.names or ()])
USUAL_DENSITY_KG_M3 = 1.2
STILL_M_S, MOVING_M_S = 0.3, 1.0
ENGINE_OFF_GAP_S, HIDDEN_STOP_S = 20.0, 60.0
"""A gap that begins a standstill belongs to it; a longer one in a log that goes on moving hides
one (common practice, no source)."""
REVERSED_BEFORE_S = 180.0
"""Reversing so long before moving off belongs to the standstill (common practice, no source)."""
ALTITUDE_AGAIN_S = 0.95
"""An altitude that stays the same is a new measurement after so long, and else held."""
TRACKING_TIME_S = 0.3

INTERVAL_MEMORY = np.dtype(
    [
        ("started", np.int64),
        ("time_s", np.float64),
        ("speed_m_s", np.float64),
        ("slope_sin", np.float64),
        ("density_kg_m3", np.float64),
        ("accel_m_s2", np.float64),
        ("curvature_squared_1_m2", np.float64),
        ("channel", np.float64),  # what the force is taken from
        ("reason", np.int64),
        ("row_s", np.float64),
        ("height_m", np.float64),
        ("still_since_s", np.float64),
        ("typical_dt_s", np.float64),
        ("whole_unit_m_s", np.float64),  # the speed's step so far, 0 undecided, NaN none
        ("moving_samples", np.float64),
        ("altitude_m", np.float64),
        ("altitude_s", np.float64),
        ("reversed_s", np.float64),
        ("tracked_speed_m_s", np.float64),
        ("tracked_accel_m_s2", np.float64),
        ("pull_n", np.float64),  # force at the tread, lagged
        ("tread_force_n", np.float64),
        ("impossible", np.int64),  # 1 while speeds are set aside that tyres cannot follow
    ]
)
"""What is remembered from sample to sample: last values, times of events, trackers."""


class IntervalState(NamedTuple):
    """Everything :func:`rows_of` remembers; one record each but for ``held_s``."""

    traction: Records
    memory: Records
    forces: Records
    """At this sample and at the one before."""
    held: Records
    """The sample at hand, absent channels held."""
    held_s: FloatArray
    """When each channel was last seen."""
    row: Records
    """The row being integrated."""


def interval_state() -> IntervalState:
    """What is remembered before the first sample."""
    memory = np.zeros(1, INTERVAL_MEMORY)
    for name in ("altitude_s", "reversed_s"):
        memory[name] = NEVER
    for name in ("still_since_s", "altitude_m", "typical_dt_s"):
        memory[name] = math.nan
    return IntervalState(
        traction_memory(),
        memory,
        np.zeros(2, FORCE),
        np.full(1, np.nan, SAMPLE),
        np.full(len(MAY_BE_HELD), NEVER),
        np.zeros(1, ROW),
    )


@jit
def _hold_absent(
    values: FloatArray,
    index: int,
    held: FloatArray,
    held_s: FloatArray,
    may_be_held: NDArray[np.bool_],
) -> None:
    """Hold what is absent for a short while, in place: channels are polled in turn."""
    time_s = values[index, 0]  # the first of a sample's fields
    for column in range(held.size):
        if not math.isnan(values[index, column]):
            held[column] = values[index, column]
            held_s[column] = time_s
        elif not (may_be_held[column] and time_s - held_s[column] <= HOLD_S):
            held[column] = math.nan


@jit
def _half_width(memory: Record, speed_m_s: float) -> float:
    """Half the speed's step when all moving samples so far were whole km/h or mph, else 0."""
    step = memory.whole_unit_m_s
    if speed_m_s > 1.0 and not math.isnan(step):
        is_kmh = abs(speed_m_s / WHOLE_KMH_M_S - round(speed_m_s / WHOLE_KMH_M_S)) < 1e-3
        is_mph = abs(speed_m_s / WHOLE_MPH_M_S - round(speed_m_s / WHOLE_MPH_M_S)) < 1e-3
        if step == 0.0:
            if is_kmh and not is_mph:
                memory.whole_unit_m_s = WHOLE_KMH_M_S
            elif is_mph and not is_kmh:
                memory.whole_unit_m_s = WHOLE_MPH_M_S
            elif not is_kmh and not is_mph:
                memory.whole_unit_m_s = math.nan
        elif not (is_kmh if step == WHOLE_KMH_M_S else is_mph):
            memory.whole_unit_m_s = math.nan
        memory.moving_samples += 1.0
    step = memory.whole_unit_m_s
    return 0.5 * step if memory.moving_samples >= 5.0 and step > 0.0 else 0.0


@jit
def _track_speed(memory: Record, speed_m_s: float, dt_s: float) -> float:
    """The speed expected from the past; then take the sample in (an alpha-beta tracker).

    Where the kinetic energy is a *regressor* (rotating parts, slip) it must not carry the noise of
    the very speed that is measured with it: that would pull the inverse mass down, a little with
    each sample. Gains of Kalata, IEEE Trans. AES 20(2), 1984; from memory.
    """
    expected = max(0.0, memory.tracked_speed_m_s + memory.tracked_accel_m_s2 * min(dt_s, 2.0))
    if dt_s > 2.5:
        memory.tracked_speed_m_s, memory.tracked_accel_m_s2 = speed_m_s, 0.0
    elif dt_s > 0.0:
        alpha = 1.0 - math.exp(-dt_s / TRACKING_TIME_S)
        difference = speed_m_s - expected
        memory.tracked_speed_m_s = expected + alpha * difference
        memory.tracked_accel_m_s2 += alpha * alpha / (2.0 - alpha) * difference / dt_s
    return expected


@jit
def _lagged(before: float, from_n: float, to_n: float, dt_s: float) -> float:
    """First-order lag of a force that changes in a straight line over an interval (exactly)."""
    if dt_s <= 0.0:
        return before
    kept = math.exp(-dt_s / WIND_UP_TIME_S)
    share = (1.0 - kept) * WIND_UP_TIME_S / dt_s
    return kept * before + (share - kept) * from_n + (1.0 - share) * to_n


@jit
def _is_gap(memory: Record, dt_s: float) -> bool:
    """Whether an interval is a gap in the log; the typical interval follows those that are not."""
    if math.isnan(memory.typical_dt_s):
        memory.typical_dt_s = min(dt_s, 2.0)
    typical = memory.typical_dt_s
    gap = dt_s > max(2.5 if typical > 0.5 else 1.5, 3.5 * typical)
    if not gap:
        memory.typical_dt_s += 0.02 * (dt_s - typical)
    return gap


@jit
def _integrate_force(
    row: Record,
    memory: Record,
    force: Record,
    before: Record,
    sample: Record,
    channel: float,
    source: int,
    dt_s: float,
    expected_m_s: float,
) -> None:
    """Add an interval of known force to the row, in place (work over gravity, kg m)."""
    speed, last = sample.speed_m_s, memory.speed_m_s
    half, middle = 0.5 * dt_s / GRAVITY_M_S2, 0.5 * (speed + last)
    # What spun the engine up belongs to the interval that has just ended, wholly.
    now_n, before_n = force.force_n + force.spin_up_n, before.force_n + before.spin_up_n
    pulled = half * (now_n * speed + before_n * last)
    row.work_kg_m += pulled - dt_s * force.spin_up_n * middle / GRAVITY_M_S2
    row.unreported_kg_m += half * (force.unreported_n * speed + before.unreported_n * last)
    row.gross_kg_m += half * (force.gross_n * speed + before.gross_n * last)
    row.tilt_kg_m += half * (force.tilt_n * speed + before.tilt_n * last)
    mean = sample.force_channel_mean
    if not math.isnan(mean):
        # What the straight line between the two samples misses of the interval.
        missed = mean - 0.5 * (channel + memory.channel)
        missed *= half * (force.per_unit_n * speed + before.per_unit_n * last)
        row.work_kg_m += missed
        if source == SOURCE_FUEL:
            row.gross_kg_m += missed
    if force.reason == REASON.gear_change:
        row.work_kg_m -= CHANGE_LOSS * pulled
        row.force_variance_kg2_m2 += (CHANGE_LOSS_SD * pulled) ** 2
    # Where in the interval a change of force fell is not known.
    change, sd = now_n - before_n, 0.5 * (force.force_sd_n + before.force_sd_n)
    if dt_s <= LAG_WITHIN_S:
        row.lag_kg_m_s += change * middle / GRAVITY_M_S2
    way2 = middle * middle * dt_s / (GRAVITY_M_S2 * GRAVITY_M_S2)
    row.force_variance_kg2_m2 += (
        2.0 * sd * sd * FORCE_ERROR_TIME_S + change * change * dt_s / 12.0
    ) * way2
    row.force_share_kg2_m2 += FORCE_ERROR_TIME_S * (now_n * now_n + before_n * before_n) * way2
    expected = expected_m_s * expected_m_s / (2.0 * GRAVITY_M_S2)
    row.rotating_step_kg_m += (force.rotating_kg - before.rotating_kg) * expected


@jit
def _integrate_road(
    row: Record,
    memory: Record,
    sample: Record,
    height_source: int,
    dt_s: float,
    distance_m: float,
    accel_before_m_s2: float,
) -> None:
    """Add an interval's way, slope, drag and bends to the row, in place."""
    speed, last = sample.speed_m_s, memory.speed_m_s
    middle, slope, density = 0.5 * (speed + last), sample.slope_sin, sample.air_density_kg_m3
    mean_slope = 0.0
    if not math.isnan(slope):
        mean_slope = 0.5 * (slope + (slope if math.isnan(memory.slope_sin) else memory.slope_sin))
    cosine = math.sqrt(max(0.0, 1.0 - mean_slope * mean_slope))
    row.dt_s += dt_s
    row.distance_m += distance_m
    row.distance_cos_m += distance_m * cosine
    # Unit drag area, no wind; then its first and second derivative with respect to wind.
    row.drag2 += (
        0.5
        * dt_s
        * (
            drag_force(1.0, density, speed, 0.0) * speed
            + drag_force(1.0, memory.density_kg_m3, last, 0.0) * last
        )
        / GRAVITY_M_S2
    )
    row.drag1 += density * middle * distance_m / GRAVITY_M_S2
    row.drag0 += 0.5 * density * distance_m / GRAVITY_M_S2
    row.slope_m += rolling_coefficient(0.0, 1.0, middle) * distance_m * cosine
    bent = 0.5 * (sample.curvature_squared_1_m2 + memory.curvature_squared_1_m2)
    row.bends_m += cornering_resistance(middle, bent, CORNERING_STIFFNESS_1_RAD) * distance_m
    if height_source == HEIGHT_FROM_GRADE:
        memory.height_m += mean_slope * distance_m
        row.grade_height_m += mean_slope * distance_m
    elif height_source == HEIGHT_FROM_ACCELEROMETER and not math.isnan(sample.accel_long_m_s2):
        accel = sample.accel_long_m_s2
        last_accel = accel if math.isnan(memory.accel_m_s2) else memory.accel_m_s2
        memory.height_m += 0.5 * (accel + last_accel) * distance_m / GRAVITY_M_S2
        # From the past, too: the noise of two neighbouring speeds would be more than the
        # acceleration itself, and pull the squat to nothing.
        row.kinetic_m2_s2 += 0.5 * (accel_before_m_s2 + memory.tracked_accel_m_s2) * distance_m
    if not math.isnan(sample.regeneration_active):
        row.regeneration_flag = 1.0 if sample.regeneration_active > 0.5 else -1.0


@jit
def _note_standstill(
    row: Record, memory: Record, speed_m_s: float, time_s: float, dt_s: float, first: bool
) -> None:
    """Note a standstill that has just ended in the row, in place."""
    moved_off = 0.0
    if speed_m_s < STILL_M_S:
        if math.isnan(memory.still_since_s):
            # Engine off while standing: the gap belongs to the standstill.
            off = not first and dt_s > ENGINE_OFF_GAP_S
            memory.still_since_s = memory.time_s if off else time_s
    elif speed_m_s > MOVING_M_S and not math.isnan(memory.still_since_s):
        moved_off = max(time_s - memory.still_since_s, 1e-3)
        memory.still_since_s = math.nan
    elif not first and dt_s > HIDDEN_STOP_S:
        moved_off = dt_s
    if moved_off > 0.0:
        row.still_s = max(moved_off, row.still_s)
        if time_s - memory.reversed_s < REVERSED_BEFORE_S + moved_off:
            row.reversed = 1.0


@jit
def _measured_height(memory: Record, sample: Record, height_source: int) -> float:
    """``v^2/2g + h`` at a sample (m), NaN where there is no new height."""
    kinetic = sample.speed_m_s * sample.speed_m_s / (2.0 * GRAVITY_M_S2)
    if height_source == HEIGHT_FROM_GRADE:
        return kinetic + memory.height_m
    if height_source == HEIGHT_FROM_ACCELEROMETER:
        return memory.height_m
    altitude, time_s = sample.altitude_m, sample.time_s
    # A held altitude is no new measurement of height.
    held = altitude == memory.altitude_m and time_s - memory.altitude_s < ALTITUDE_AGAIN_S
    if math.isnan(altitude) or held:
        return math.nan
    memory.altitude_m, memory.altitude_s = altitude, time_s
    return kinetic + altitude


@jit
def _start(memory: Record, sample: Record) -> None:
    """The first sample with a speed, in place."""
    memory.started = 1
    memory.time_s = memory.row_s = sample.time_s
    memory.tracked_speed_m_s = sample.speed_m_s
    if sample.speed_m_s < STILL_M_S:
        memory.still_since_s = sample.time_s


@jit
def _remember(memory: Record, sample: Record, channel: float, reason: int) -> None:
    """What the next interval needs of this sample, in place."""
    memory.time_s, memory.speed_m_s = sample.time_s, sample.speed_m_s
    memory.slope_sin, memory.density_kg_m3 = sample.slope_sin, sample.air_density_kg_m3
    memory.accel_m_s2 = sample.accel_long_m_s2
    memory.curvature_squared_1_m2 = sample.curvature_squared_1_m2
    memory.channel, memory.reason = channel, reason


@jit
def _take_sample(
    traction: Record,
    memory: Record,
    force: Record,
    before: Record,
    sample: Record,
    row: Record,
    rig: RigArrays,
    source: int,
    height_source: int,
    shortest_row_s: float,
) -> tuple[int, bool]:
    """Integrate the sample at hand into the row, in place.

    Returns
    -------
    reason : int
        Why the sample is set aside.
    complete : bool
        Whether the row is.
    """
    time_s, speed = sample.time_s, sample.speed_m_s
    traction_sample(traction, rig, source, sample, force)
    if force.reason in (REASON.known, REASON.gear_change) and source != SOURCE_TRACTIVE:
        pull_n, may_be = force.force_n + force.spin_up_n, rig.constants[0].exhaust_brake == 1
        unknown = retarded(traction, may_be, time_s, pull_n, sample.exhaust_brake_active)
        if unknown != REASON.known:
            force.reason = unknown
    if force.gear < 0.0:
        memory.reversed_s = time_s
    if math.isnan(speed):
        # Without a speed there is no interval; the next one reaches back to the last speed.
        return force.reason, False
    if memory.started == 1 and beyond_tyres(speed - memory.speed_m_s, time_s - memory.time_s):
        memory.impossible = 1
        return REASON.impossible_speed, False
    broken = memory.impossible == 1
    memory.impossible = 0
    half_width_m_s = _half_width(memory, speed)
    if not math.isnan(sample.speed_half_width_m_s):
        half_width_m_s = sample.speed_half_width_m_s
    if math.isnan(sample.air_density_kg_m3):
        sample.air_density_kg_m3 = USUAL_DENSITY_KG_M3
    if math.isnan(sample.curvature_squared_1_m2):
        sample.curvature_squared_1_m2 = 0.0
    channel = sample.tractive_force_n
    if source == SOURCE_FUEL:
        channel = sample.fuel_rate_g_s
    elif source == SOURCE_TORQUE:
        channel = sample.engine_torque_n_m
    if force.reason == REASON.known and (
        (height_source == HEIGHT_FROM_GRADE and math.isnan(sample.slope_sin))
        or (height_source == HEIGHT_FROM_ACCELEROMETER and math.isnan(sample.accel_long_m_s2))
    ):
        force.reason = REASON.no_grade
    first = memory.started == 0
    if first:
        _start(memory, sample)
        row.known = 1.0
    dt_s, accel_before = time_s - memory.time_s, memory.tracked_accel_m_s2
    expected_m_s = _track_speed(memory, speed, dt_s)
    # Tyres and driveline take time to wind up; what spins the engine up is not at the tread.
    pull_before = memory.pull_n
    memory.pull_n = _lagged(pull_before, memory.tread_force_n, force.force_n, dt_s)
    memory.tread_force_n = force.force_n
    reason = force.reason
    if first:
        if reason == REASON.known and speed < 2.0:
            reason = REASON.standstill
    else:
        # A gear change is over before the next sample of a slow log: its interval is not lost.
        slow = rig.constants[0].has_converter == 1 and dt_s > CHANGE_WITHIN_S
        now_ok = reason == REASON.known or (slow and reason == REASON.gear_change)
        was_ok = memory.reason == REASON.known or (slow and memory.reason == REASON.gear_change)
        gap = _is_gap(memory, dt_s)
        if not gap and not broken and now_ok and was_ok:
            reason = REASON.known
            _integrate_force(
                row, memory, force, before, sample, channel, source, dt_s, expected_m_s
            )
        else:
            row.known = 0.0
            if gap:
                reason = REASON.gap
            elif broken:
                reason = REASON.impossible_speed
            elif reason == REASON.known:
                reason = memory.reason
        distance_m = 0.0 if gap else 0.5 * (speed + memory.speed_m_s) * dt_s
        _integrate_road(row, memory, sample, height_source, dt_s, distance_m, accel_before)
    _note_standstill(row, memory, speed, time_s, dt_s, first)
    complete = first or time_s - memory.row_s >= shortest_row_s
    if complete:
        expected = expected_m_s * expected_m_s / (2.0 * GRAVITY_M_S2)
        row.time_s, row.speed_m_s, row.half_width_m_s = time_s, speed, half_width_m_s
        row.measured_m = _measured_height(memory, sample, height_source)
        row.rotating_kg_m = force.rotating_kg * expected
        if height_source != HEIGHT_FROM_ACCELEROMETER:
            # Against a body accelerometer wheel slip cancels: both sides use the same way.
            row.slip_m_n = 2.0 * expected * memory.pull_n
            row.slipping_force_n = 0.5 * (memory.pull_n + pull_before)
        memory.row_s = time_s
    _remember(memory, sample, channel, force.reason)
    return reason, complete


@jit
def samples_to_rows(
    state: IntervalState,
    held: FloatArray,
    row: FloatArray,
    may_be_held: NDArray[np.bool_],
    rig: RigArrays,
    source: int,
    height_source: int,
    shortest_row_s: float,
    values: FloatArray,
    rows: FloatArray,
    row_of_sample: NDArray[np.int64],
    reason_of_sample: NDArray[np.int64],
    force_n: FloatArray,
) -> int:
    """The pass of :func:`rows_of`; ``held``, ``row``, ``values`` and ``rows`` are floats.

    Returns
    -------
    int
        Rows written.
    """
    count, held_s = 0, state.held_s
    traction, memory, sample = state.traction[0], state.memory[0], state.held[0]
    force, before, so_far = state.forces[0], state.forces[1], state.row[0]
    for index in range(values.shape[0]):
        _hold_absent(values, index, held, held_s, may_be_held)
        reason, complete = _take_sample(
            traction,
            memory,
            force,
            before,
            sample,
            so_far,
            rig,
            source,
            height_source,
            shortest_row_s,
        )
        reason_of_sample[index], force_n[index] = reason, force.force_n
        if not math.isnan(sample.speed_m_s) and memory.impossible == 0:
            state.forces[1] = force
        if complete:
            for column in range(row.size):
                rows[count, column] = row[column]
                row[column] = 0.0
            so_far.known = 1.0
            count += 1
        row_of_sample[index] = count
    return count


class Intervals(NamedTuple):
    """What samples came to.

    Attributes
    ----------
    rows : record array of ``ROW``, shape (k,)
    row_of_sample : ndarray of int, shape (n,)
        Number of rows complete at each sample.
    reason : ndarray of int, shape (n,)
        Why each sample is set aside (0: it is not).
    force_n : ndarray, shape (n,)
        At the tread.
    """

    rows: Records
    row_of_sample: NDArray[np.int64]
    reason: NDArray[np.int64]
    force_n: FloatArray


def rows_of(
    rig: RigArrays,
    source: int,
    height_source: int,
    shortest_row_s: float,
    state: IntervalState,
    samples: Samples,
) -> Intervals:
    """Integrate samples into rows.

    Parameters
    ----------
    rig : RigArrays
    source, height_source : int
        Which force channel and which height channel serve.
    shortest_row_s : float
        Samples closer together than this are integrated into one row.
    state : IntervalState
        Carried from call to call; updated in place.
    samples : record array of ``SAMPLE``, shape (n,)
        NaN where absent.
    """
    count = len(samples)
    rows, force_n = np.empty(count, ROW), np.empty(count)
    row_of_sample, reason = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.int64)
    made = samples_to_rows(
        state,
        state.held.view(np.float64),
        state.row.view(np.float64),
        MAY_BE_HELD,
        rig,
        source,
        height_source,
        shortest_row_s,
        np.ascontiguousarray(samples).view(np.float64).reshape(count, -1),
        rows.view(np.float64).reshape(count, -1),
        row_of_sample,
        reason,
        force_n,
    )
    return Intervals(rows[:made], row_of_sample, reason, force_n)
