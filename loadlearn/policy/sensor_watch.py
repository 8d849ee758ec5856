"""Whether a temperature sensor can be trusted: missing, impossible, frozen.

Missing and impossible readings show themselves. A frozen one must be told from a steady one, and
from one that the logger polls slowly or rounds. Two independent signs, either of which suffices:

- *repetition*: how often this sensor repeats its last value is learnt; a run of repeats whose
  chance is below one in a thousand (and nearly a second long) is suspect: no extra
  torque until the value changes. Below one in ten million it is not chance: the sensor is not
  trusted;
- *no answer*: the model's sensor should have moved by ``MOVE_K`` since the reading last changed,
  and the reading is overdue against the intervals at which it usually changes.

A sensor that stands still while nothing happens is not detectable by anybody, and does no harm; it
is found as soon as the temperature should move.

Repetition needs readings. From ten a second a freeze is found within a second; with fewer it takes
up to ten readings, for a single equal reading is chance once in five times.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

REPEAT_CHANCE = 1e-7
SUSPECT_CHANCE = 1e-3
SHORTEST_FREEZE_S = 0.82
"""Chance repeats for less than this; longer, the torque could not be gone within a second (s)."""
FEWEST_REPEATS = 7.0
"""A sensor rounded to whole kelvins repeats itself once in five: this often once in 100 000."""
MOVE_K = 8.0
DROP_OUT_S = 0.3
"""Missing or impossible readings are forgiven for this long (s)."""
TRUST_AFTER_S = 5.0
"""A sensor that was not trusted must be good for this long (s)."""
# The habits of steady driving count, not those of the liveliest minute: up faster than down. By the
# reading, and where readings are fewer than ten a second by the time: else habits that take half a
# minute to learn at 10 Hz took five at 1 Hz, and a freeze passed for a habit meanwhile.
_SHARE_MEMORY_UP, _SHARE_MEMORY_DOWN = 0.01, 0.003
_PACE_S, _LONGEST_PACE = 0.1, 10.0


@dataclass(slots=True)
class SensorState:
    """What is known of one sensor's habits, and whether it is trusted; at first as soon as a good
    reading comes.
    """

    reading_degc: float = math.nan
    unchanged_s: float = 0.0
    repeats: float = 0.0
    repeat_share: float = 0.9999
    """Learnt share of samples that repeat the last value."""
    usual_hold_s: float = 0.3
    """Learnt interval between changes while the temperature moves."""
    expected_move_k: float = 0.0
    """Movement that the model expected since the reading last changed."""
    bad_s: float = 0.0
    """For how long readings have been missing or impossible."""
    good_s: float = TRUST_AFTER_S
    """For how long it has been good; trusted from ``TRUST_AFTER_S``."""


def watch_sensor(
    state: SensorState,
    reading_degc: float,
    low_degc: float,
    high_degc: float,
    expected_degc: float,
    tolerance_k: float,
    expected_move_k: float,
    interval_s: float,
    lively: float,
) -> tuple[bool, bool]:
    """Judge one reading.

    Parameters
    ----------
    state : SensorState
    reading_degc : float
        NaN = missing.
    low_degc, high_degc : float
        Beyond these the reading is impossible.
    expected_degc, tolerance_k : float
        What the model expects the sensor to show, and the distance from it that is impossible; NaN
        where there is no expectation.
    expected_move_k : float
        Movement that the model expects over this interval (K).
    interval_s : float
        Time since the last sample (s).
    lively : float
        1 where repetition may tell: the exhaust never stands still, but a coolant may for an hour.

    Returns
    -------
    trusted : bool
    usable : bool
        Whether an observer may learn from this reading.
    """
    possible = low_degc <= reading_degc <= high_degc  # a missing one (NaN) is not
    if not math.isnan(expected_degc) and abs(reading_degc - expected_degc) > tolerance_k:
        possible = False
    if not possible:
        # One wild or absent value is a drop-out; lasting ones are a fault.
        state.bad_s += interval_s
        if state.bad_s > DROP_OUT_S:
            state.good_s = 0.0
        state.unchanged_s += interval_s
        state.expected_move_k += expected_move_k
        return state.good_s >= TRUST_AFTER_S, False

    state.bad_s = 0.0
    if reading_degc == state.reading_degc:
        state.unchanged_s += interval_s
        state.repeats += 1.0
        state.expected_move_k += expected_move_k
    else:
        _learn_habits(state, expected_move_k, interval_s)
        state.unchanged_s = state.repeats = state.expected_move_k = 0.0
    state.reading_degc = reading_degc

    chance = state.repeats * math.log(min(max(state.repeat_share, 0.01), 0.9999))
    unchanged, move = state.unchanged_s, abs(state.expected_move_k)
    overdue = lively > 0.5 and unchanged >= SHORTEST_FREEZE_S and state.repeats >= FEWEST_REPEATS
    by_repetition = overdue and chance <= math.log(REPEAT_CHANCE)
    suspect = overdue and chance <= math.log(SUSPECT_CHANCE)
    by_no_answer = move > MOVE_K and unchanged > max(0.3, 2.2 * state.usual_hold_s)
    state.good_s = min(state.good_s + interval_s, 1e3)
    if by_repetition or by_no_answer:
        state.good_s = 0.0
    # A run of repeats that may turn out to be a freeze must not teach the observer anything.
    fresh = unchanged <= max(SHORTEST_FREEZE_S, 1.5 * state.usual_hold_s) or move < 0.3 * MOVE_K
    return state.good_s >= TRUST_AFTER_S and not suspect, fresh


def _learn_habits(state: SensorState, expected_move_k: float, interval_s: float) -> None:
    """Learn, at a reading that differs from the last, how often and how long it repeats itself."""
    if math.isnan(state.reading_degc):
        return
    length = state.repeats + 1.0
    now = state.repeats / length
    memory = _SHARE_MEMORY_UP if now > state.repeat_share else _SHARE_MEMORY_DOWN
    memory *= min(max(interval_s / _PACE_S, 1.0), _LONGEST_PACE)
    weight = 1.0 - (1.0 - memory) ** length
    state.repeat_share += weight * (now - state.repeat_share)
    moved = abs(state.expected_move_k + expected_move_k)
    if moved > 1.0 and state.unchanged_s < 30.0:
        state.usual_hold_s += 0.1 * (state.unchanged_s + interval_s - state.usual_hold_s)
