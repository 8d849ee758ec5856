"""From what is wanted and what is allowed to what is given: ramps that surprise nobody.

Extra torque rises only while the pedal asks for it, by at most 0.25 a second, and not under cruise
control unless the rig enables it. It is taken away as each protection's kind says. The settings
themselves change the wanted share slowly (:mod:`loadlearn.policy.law_settings`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loadlearn.policy.protections import AT_ONCE, GRADUAL, HEAT, PROTECTIONS, SENSOR

RISE_PER_S = 0.25
WANT_FALL_PER_S = 0.5
"""Fall towards what the settings want when they want less."""
FALL_PER_S = {SENSOR: 8.0, HEAT: 1.25, GRADUAL: 0.1}

REMOVAL_OF_CAP: NDArray[np.float64] = np.array([one.removal for one in PROTECTIONS], dtype=float)
"""Kind of removal for each place in the array of caps."""
_FALL_SENSOR, _FALL_HEAT, _FALL_GRADUAL = (FALL_PER_S[k] for k in (SENSOR, HEAT, GRADUAL))
_KIND_AT_ONCE, _KIND_SENSOR, _KIND_HEAT = float(AT_ONCE), float(SENSOR), float(HEAT)


def fall_rate_per_s(kind: float) -> float:
    """How fast a kind of protection takes extra torque away (1/s)."""
    if kind == _KIND_SENSOR:
        return _FALL_SENSOR
    if kind == _KIND_HEAT:
        return _FALL_HEAT
    return _FALL_GRADUAL


def arbitrate(
    share: float,
    wanted: float,
    caps: NDArray[np.float64],
    removal: NDArray[np.float64],
    may_rise: bool,
    interval_s: float,
) -> float:
    """Extra-torque share to give now.

    Parameters
    ----------
    share : float
        Share given at the last sample.
    wanted : float
        What the settings want.
    caps : ndarray, shape (p,)
        What each protection allows.
    removal : ndarray, shape (p,)
        Kind of each (:data:`REMOVAL_OF_CAP`).
    may_rise : bool
        Whether the pedal asks and nothing forbids a rise.
    interval_s : float
        Time since the last sample (s).

    Returns
    -------
    float
        0 to 1.
    """
    target = wanted
    given = share
    for i in range(caps.shape[0]):
        target = min(target, caps[i])
        if caps[i] < share:
            if removal[i] == _KIND_AT_ONCE:
                given = min(given, caps[i])
            else:
                given = min(given, max(caps[i], share - fall_rate_per_s(removal[i]) * interval_s))
    if target > share:
        if may_rise:
            given = min(target, share + RISE_PER_S * min(interval_s, 1.0))
    elif wanted < share:
        given = min(given, max(wanted, share - WANT_FALL_PER_S * interval_s))
    return min(max(given, 0.0), 1.0)
