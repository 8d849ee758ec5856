"""Which samples may be believed, and why not: set aside with a reason, never guessed."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import Record, jit


class Reasons(NamedTuple):
    """Why a sample is set aside; the number is what the kernels carry."""

    known: int
    standstill: int
    brake: int
    gear_change: int
    no_force: int
    reverse: int
    gap: int
    neutral: int
    overrun: int
    no_grade: int
    low_power: int
    retarder: int
    overrun_retarded: int
    impossible_speed: int


REASON = Reasons(*range(len(Reasons._fields)))
REASONS: tuple[str, ...] = (
    "",
    "standstill or crawling",
    "service brake",
    "gear change",
    "no force channel",
    "reverse",
    "gap in the log",
    "neutral or clutch",
    "overrun without a brake switch",
    "no grade",
    "low tractive power resolution",
    "exhaust brake or retarder",
    "overrun without an exhaust-brake channel",
    "change of speed beyond what tyres can do",
)

CRAWL_SPEED_M_S = 2.0
"""Below this speed the force is not learnt from: creep, clutch and converter dominate."""
SETTLING_S = 0.59
"""After a gear change the force is not believed for this long (and no whole number of tenths of a
second, so that the last digit of a time stamp does not decide)."""
BRAKE_SETTLING_S = 0.29
"""Nor after the service brake is let go."""
CLUTCH_CLOSED_WITHIN = 0.01
CLUTCH_CLOSES_S = 1.99
"""After a gear change without a converter the clutch slips until engine and wheels turn as one to
within this, and for no longer than that."""
OVERRUN_LOAD = 0.06
"""Below this share of the reference torque an unlogged brake may be on (common practice, no
source)."""

MOST_ACCELERATION_M_S2 = 11.8
"""Tyres on a dry road have a friction coefficient of about one; nothing driven or braked by them
changes its speed by more than 1.2 g (common practice, no source)."""
SPEED_SLACK_M_S = 1.0
"""What two whole miles an hour, one at either end, may add to a change of speed."""

TRACTION_MEMORY = np.dtype(
    [
        ("time_s", np.float64),
        ("gear", np.float64),
        ("change_s", np.float64),
        ("contradiction_s", np.float64),
        ("brake_s", np.float64),
        ("brake_logged", np.float64),
        ("engine_rad_s", np.float64),
        ("retarded_s", np.float64),
    ]
)
"""What is remembered from sample to sample of gear, brakes and engine: last values and times."""
NEVER = -1e9


def traction_memory() -> np.ndarray:
    """A fresh memory, one record of ``TRACTION_MEMORY``."""
    memory = np.zeros(1, TRACTION_MEMORY)
    for name in ("time_s", "change_s", "brake_s", "retarded_s"):
        memory[name] = NEVER
    memory["engine_rad_s"], memory["gear"] = math.nan, -99.0
    return memory


@jit
def beyond_tyres(change_m_s: float, elapsed_s: float) -> bool:
    """Whether a change of speed is beyond what tyres can do: the speed is wrong, then or now."""
    return abs(change_m_s) > MOST_ACCELERATION_M_S2 * max(elapsed_s, 0.0) + SPEED_SLACK_M_S


@jit
def impossible_speeds(
    time_s: NDArray[np.float64], speed_m_s: NDArray[np.float64], impossible: NDArray[np.bool_]
) -> int:
    """Mark the samples whose speed cannot follow from the last possible one, in place.

    Parameters
    ----------
    time_s, speed_m_s : ndarray, shape (n,)
    impossible : ndarray of bool, shape (n,)
        Written.

    Returns
    -------
    int
        How many there are.
    """
    last, count = -1, 0
    for index in range(time_s.size):
        impossible[index] = False
        if math.isnan(speed_m_s[index]):
            continue
        if last >= 0 and beyond_tyres(
            speed_m_s[index] - speed_m_s[last], time_s[index] - time_s[last]
        ):
            impossible[index] = True
            count += 1
        else:
            last = index
    return count


@jit
def braked(memory: Record, time_s: float, brake_active: float) -> bool:
    """Whether the service brake is on, or was a moment ago."""
    if not math.isnan(brake_active):
        memory.brake_logged = 1.0
        if brake_active > 0.5:
            memory.brake_s = time_s
    return time_s - memory.brake_s < BRAKE_SETTLING_S


@jit
def changing_gear(memory: Record, time_s: float, slip: float, within: float, clutch: bool) -> bool:
    """Whether a gear change is under way or has just ended.

    Parameters
    ----------
    memory : record of ``TRACTION_MEMORY``
    time_s : float
    slip : float
        Log of engine speed over what the gear's ratio asks for.
    within : float
        What the speed's resolution alone makes of it.
    clutch : bool
        Whether there is a clutch and no converter.
    """
    since_s = time_s - memory.change_s
    slips = abs(slip) > CLUTCH_CLOSED_WITHIN + within
    return since_s < SETTLING_S or (clutch and slips and since_s < CLUTCH_CLOSES_S)


@jit
def retarded(
    memory: Record, exhaust_brake: bool, time_s: float, force_n: float, retarder: float
) -> int:
    """Whether an exhaust brake or retarder is or may be at work: its drag is in no channel.

    Parameters
    ----------
    memory : record of ``TRACTION_MEMORY``
        Remembers when an unlogged one may last have been at work.
    exhaust_brake : bool
        Whether there may be one.
    time_s, force_n : float
        Of the sample; the computed force at the tread (N) is negative in overrun.
    retarder : float
        The flag, NaN where it is not logged.

    Returns
    -------
    int
        A reason.
    """
    if retarder > 0.5:
        return REASON.retarder
    if not (exhaust_brake and math.isnan(retarder)):
        return REASON.known
    if force_n < 0.0:
        memory.retarded_s = time_s
    if time_s - memory.retarded_s < BRAKE_SETTLING_S:
        return REASON.overrun_retarded
    return REASON.known
