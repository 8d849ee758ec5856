"""What a drive asks for: the speed that demand began from, and the grades that its road has."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

DEMAND_THRESHOLD = 0.85
"""Torque over base full load from which the reference speed is no longer updated."""
DEMAND_RELEASE_S = 5.0
"""Demand must stay below the threshold for this long before the reference speed moves again (s)."""
ASKED_MEMORY_S = 45.0
"""Demand that returns within this time asks for no less speed than before (s)."""
SPEED_SLOT_S, SPEED_SLOTS = 0.5, 20
GRADE_SLOT_M, GRADE_SLOTS = 50.0, 200
"""Grades are kept as means over 50 m, for 10 km."""
PRESENT_SLOTS = 4
"""The present grade is the mean of the last 200 m."""
GRADE_QUANTILE = 0.8
"""Of the grades kept that are at or above the present one."""
SLOWEST_REFERENCE_M_S = 2.0


@dataclass(slots=True)
class DemandState:
    """Reference speed, whether demand has passed the threshold, and the speed memory."""

    reference_speed_m_s: float = 0.0
    demanding: float = 0.0
    quiet_s: float = 1e3
    """Time since demand was last above the threshold."""
    asked_m_s: float = 0.0
    """Speed asked for in the last demand."""
    slot_s: float = 0.0
    """Time into the present slot of the speed memory."""
    slots: float = 0.0
    """Speeds kept so far, at most ``SPEED_SLOTS``."""
    position: float = 0.0


def _sort(values: NDArray[np.float64]) -> None:
    """Sort in place, by Shell's method: the compiler's own sort takes half a second to compile."""
    for gap in (57, 23, 10, 4, 1):
        for i in range(gap, values.shape[0]):
            value = values[i]
            j = i
            while j >= gap and values[j - gap] > value:
                values[j] = values[j - gap]
                j -= gap
            values[j] = value


def follow_reference_speed(
    state: DemandState,
    speeds: NDArray[np.float64],
    speed_m_s: float,
    load: float,
    speed_limit_m_s: float,
    interval_s: float,
) -> None:
    """Reference speed v*: the median speed of the 10 s before demand passed 0.85 of base full load.

    While demand is below the threshold it is the running median, so that it is ready. On a long
    climb the speed asked for is the one at its foot, not the one that was left half-way up.

    Two things are added, for on a winding climb the plain median is the speed of the bend before:
    while demand lasts, a higher speed reached is a speed asked for; and demand that comes again
    within ``ASKED_MEMORY_S`` asks for no less than the last. Without them a driver who kept the
    pedal down for a minute at 25 m/s was believed to want the 20 m/s of the bend, for which nothing
    is kept.

    Parameters
    ----------
    state : DemandState
        Changed.
    speeds : ndarray, shape (SPEED_SLOTS,)
        Ring of speeds, one per half second; changed in place.
    speed_m_s : float
        Road speed (m/s).
    load : float
        Driving torque asked for over base full load.
    speed_limit_m_s : float
        Caps v*; NaN = unknown.
    interval_s : float
        Time since the last sample (s).
    """
    above = load >= DEMAND_THRESHOLD
    asked_lately = state.demanding < 0.5 and state.quiet_s < ASKED_MEMORY_S
    state.quiet_s = 0.0 if above else min(state.quiet_s + interval_s, 1e3)
    if not (above or (state.demanding > 0.5 and state.quiet_s < DEMAND_RELEASE_S)):
        state.demanding = 0.0
    else:
        state.demanding = 1.0
    state.slot_s += interval_s
    reference = state.reference_speed_m_s
    if state.slots < 0.5 or state.slot_s >= SPEED_SLOT_S:
        state.slot_s = 0.0
        if state.demanding < 0.5 or state.slots < 0.5:
            speeds[int(state.position)] = speed_m_s
            state.position = (state.position + 1.0) % SPEED_SLOTS
            state.slots = min(state.slots + 1.0, float(SPEED_SLOTS))
            count = int(state.slots)
            ordered = np.empty(count)
            for i in range(count):
                ordered[i] = speeds[i]
            _sort(ordered)
            reference = 0.5 * (ordered[(count - 1) // 2] + ordered[count // 2])
    if asked_lately:
        reference = max(reference, state.asked_m_s)
    if above:
        reference = max(reference, speed_m_s)
    if not math.isnan(speed_limit_m_s):
        reference = min(reference, speed_limit_m_s)
    state.reference_speed_m_s = max(reference, SLOWEST_REFERENCE_M_S)
    if state.demanding > 0.5:
        state.asked_m_s = state.reference_speed_m_s


@dataclass(slots=True)
class GradeState:
    """Grade being averaged over the present 50 m, and the ring of those before."""

    slot_m: float = 0.0
    slot_sum: float = 0.0
    """Sum of grade (tangent) times distance in the present slot."""
    slots: float = 0.0
    position: float = 0.0
    slot_altitude_m: float = math.nan
    """Altitude at which the present slot began; NaN unknown."""


def remember_grade(
    state: GradeState,
    grades: NDArray[np.float64],
    grade_percent: float,
    altitude_m: float,
    distance_m: float,
) -> None:
    """Keep the mean grade of each 50 m driven, for 10 km.

    Parameters
    ----------
    state : GradeState
        Changed.
    grades : ndarray, shape (GRADE_SLOTS,)
        Ring of grades (tangent); changed in place.
    grade_percent : float
        Grade now (100 tan); NaN = from altitude.
    altitude_m : float
        Altitude (m), used where the grade is unknown; NaN = none.
    distance_m : float
        Driven since the last sample (m).
    """
    if math.isnan(state.slot_altitude_m):
        state.slot_altitude_m = altitude_m
    if not math.isnan(grade_percent):
        state.slot_sum += grade_percent / 100.0 * distance_m
    state.slot_m += distance_m
    if state.slot_m < GRADE_SLOT_M:
        return
    mean = state.slot_sum / state.slot_m
    if math.isnan(grade_percent):
        climbed = altitude_m - state.slot_altitude_m
        mean = 0.0 if math.isnan(climbed) else min(max(climbed / state.slot_m, -0.6), 0.6)
        if state.slots > 0.5:
            # An altimeter's noise over 50 m is several percent: smooth over about four slots.
            last = grades[int(state.position - 1.0) % GRADE_SLOTS]
            mean = last + 0.3 * (mean - last)
    grades[int(state.position)] = mean
    state.slot_m = state.slot_sum = 0.0
    state.slots = min(state.slots + 1.0, float(GRADE_SLOTS))
    state.position = (state.position + 1.0) % GRADE_SLOTS
    state.slot_altitude_m = altitude_m


def grade_now(state: GradeState, grades: NDArray[np.float64]) -> float:
    """Mean grade (tangent) of the last 200 m; level before anything is known.

    Parameters
    ----------
    state : GradeState
    grades : ndarray, shape (GRADE_SLOTS,)
    """
    kept = min(int(state.slots), PRESENT_SLOTS)
    newest = int(state.position) - 1
    present = 0.0
    for i in range(kept):
        present += grades[(newest - i) % GRADE_SLOTS] / kept
    return present


def grade_asked(state: GradeState, grades: NDArray[np.float64]) -> float:
    """Grade that the road asks for: a high quantile of those kept at or above the present 200 m.

    Parameters
    ----------
    state : GradeState
    grades : ndarray, shape (GRADE_SLOTS,)

    Returns
    -------
    float
        Tangent; level road before anything is known.
    """
    present = grade_now(state, grades)
    steeper = np.empty(int(state.slots) + 1)
    steeper[0] = present
    count = 1
    for i in range(int(state.slots)):
        if grades[i] >= present:
            steeper[count] = grades[i]
            count += 1
    _sort(steeper[:count])
    place = GRADE_QUANTILE * (count - 1)
    below = int(place)
    above = min(below + 1, count - 1)
    return float(steeper[below] + (place - below) * (steeper[above] - steeper[below]))
