"""The gear that gives most force at a speed, with the engine derated for the air."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn.policy.thermal_model import (
    RAD_S_PER_RPM,
    Surroundings,
    ThermalParameters,
    attainable_torque_n_m,
)


class BestGear(NamedTuple):
    """Force at the tread of the gear that gives most, and the engine speed there."""

    force_n: float
    rpm: float


def best_gear(
    p: ThermalParameters,
    curve: NDArray[np.float64],
    ratios: NDArray[np.float64],
    tyre_radius_m: float,
    efficiency: float,
    axle_max_n_m: float,
    speed_m_s: float,
    share: float,
    air: Surroundings,
) -> BestGear:
    """Density-derated full-load force of the best gear at a speed.

    Extra torque counts only as far as the axles may bear it, so that first gear is not taken for a
    gear in which it helps.

    Parameters
    ----------
    p : ThermalParameters
    curve : ndarray, shape (3, n)
        Full-load curves.
    ratios : ndarray, shape (k,)
        Engine turns per wheel turn of each gear, first gear first.
    tyre_radius_m, efficiency : float
    axle_max_n_m : float
        Most torque at the axles that extra torque may raise (N m).
    speed_m_s : float
    share : float
        Share u of the extra torque.
    air : Surroundings

    Returns
    -------
    BestGear
        Where every gear turns too fast, the highest gear's; where too slowly, first gear's.
    """
    last = curve.shape[1] - 1
    best_force, best_rpm = -1.0, curve[0, 0]
    for i in range(ratios.shape[0]):
        rpm = speed_m_s / tyre_radius_m * ratios[i] / RAD_S_PER_RPM
        slips = i == 0 and rpm < curve[0, 0]
        fastest = i == ratios.shape[0] - 1 and best_force < 0.0
        if (rpm < curve[0, 0] or rpm > curve[0, last]) and not slips and not fastest:
            continue
        rpm = min(max(rpm, curve[0, 0]), curve[0, last])
        torque = attainable_torque_n_m(p, curve, rpm, share, air)
        if share > 0.0:
            bare = attainable_torque_n_m(p, curve, rpm, 0.0, air)
            torque = max(min(torque, axle_max_n_m / ratios[i]), bare)
        force = torque * ratios[i] * efficiency / tyre_radius_m
        if force > best_force:
            best_force, best_rpm = force, rpm
    return BestGear(max(best_force, 0.0), best_rpm)
