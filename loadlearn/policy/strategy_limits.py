"""Whose limit holds where a strategy and the rig differ; what of a rig a strategy depends on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import ValidationError

from loadlearn.errors import InputError
from loadlearn.policy.state import policy_config
from loadlearn.policy.strategy import Strategy
from loadlearn.vehicle.rig import Limits, Rig

HIGHER, LOWER, OFF, NO_SENSOR = "higher", "lower", "off", "none"
STRICTER = {
    "exhaust_gas_temp_sensor": NO_SENSOR,  # without one there is no extra torque
    "exhaust_gas_temp_degc": LOWER,
    "exhaust_gas_temp_after_turbine_degc": LOWER,
    "coolant_start_degc": HIGHER,
    "coolant_full_degc": HIGHER,
    "coolant_reduce_degc": LOWER,
    "coolant_zero_degc": LOWER,
    "transmission_oil_reduce_degc": LOWER,
    "transmission_oil_zero_degc": LOWER,
    "engine_oil_reduce_degc": LOWER,
    "engine_oil_zero_degc": LOWER,
    "intake_reduce_degc": LOWER,
    "intake_zero_degc": LOWER,
    "air_fuel_lambda_min": HIGHER,
    "boost_over_target_kpa": LOWER,
    "rail_pressure_shortfall_share": LOWER,
    "turbo_pressure_ratio_max": LOWER,
    "axle_torque_max_n_m": LOWER,
    "cruise_extra_torque": OFF,
}
"""Which way each of a rig's ``[limits]`` is stricter."""
TABLES_THAT_MATTER = ("vehicle", "engine", "driveline")
"""Tables of a rig on which a strategy depends: not what is believed of the log, nor the limits."""


def is_weaker(key: str, strategy: Any, rig: Any) -> bool:
    """Whether a strategy's protection allows what the rig's forbids.

    Parameters
    ----------
    key : str
        Of :data:`STRICTER`.
    strategy, rig : value
        Of that key.
    """
    way = STRICTER[key]
    if way == NO_SENSOR:
        return bool(strategy not in (NO_SENSOR, rig))
    if way == HIGHER:
        return bool(strategy < rig)
    return bool(strategy > rig)  # true, that is on, is greater than false


def rig_limits(rig: Rig) -> dict[str, Any]:
    """A rig's limits by key, the axle torque that stands in where it is silent too.

    Raises
    ------
    InputError
        The rig has no full-load curve to tell the axle torque from.
    """
    axle = policy_config(rig).axle_torque_max_n_m
    return {**rig.limits.model_dump(), "axle_torque_max_n_m": axle}


def stricter_limits(rig: Rig, strategy: Strategy) -> tuple[Limits, list[str]]:
    """Limits to drive by: key by key the stricter of the rig's and the strategy's.

    Parameters
    ----------
    rig : Rig
    strategy : Strategy

    Returns
    -------
    limits : Limits
    weakened : list of str
        One sentence per protection that the strategy would have weakened.

    Raises
    ------
    InputError
        The strategy has an unknown protection or an impossible value, or the two together leave a
        ramp no room.
    """
    merged = rig.limits.model_dump()
    told = rig_limits(rig)
    weakened = []
    for key, value in strategy.protections.items():
        if key not in STRICTER:
            raise InputError(
                f"strategy '{strategy.name}': unknown protection '{key}'; use one of "
                f"{', '.join(STRICTER)}"
            )
        if isinstance(value, float) and math.isnan(value):
            raise InputError(f"strategy '{strategy.name}': {key} is no number; give one")
        try:
            weaker = is_weaker(key, value, told[key])
        except TypeError:
            raise InputError(
                f"strategy '{strategy.name}': {key} is {value!r}; give a value like {told[key]!r}"
            ) from None
        if weaker:
            weakened.append(
                f"{key} = {value!r} of the strategy is weaker than {told[key]!r} of the rig, which "
                "holds"
            )
        else:
            merged[key] = value
    try:
        return Limits.model_validate(merged), weakened
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))
        what = first["msg"].removeprefix("Value error, ")
        raise InputError(
            f"strategy '{strategy.name}': its protections and those of the rig '{rig.name}' do not "
            f"go together ({where + ': ' if where else ''}{what}); mend [protections]"
        ) from None


def above_ratings(rig: Rig, mass_kg: ArrayLike) -> NDArray[np.bool_]:
    """Whether a combined mass is above a rating: the combination's, or that of what is towed.

    Parameters
    ----------
    rig : Rig
    mass_kg : array_like

    Returns
    -------
    ndarray of bool, same shape
        False where the rig tells no ratings.
    """
    return np.asarray(mass_kg, dtype=np.float64) > rated_mass_kg(rig) * (1.0 + 1e-9)


def rated_mass_kg(rig: Rig) -> float:
    """The most that GCM and towing rating allow together (kg); infinite where neither is told."""
    vehicle = rig.vehicle
    most = math.inf if vehicle.rated_gcm_kg is None else vehicle.rated_gcm_kg
    if vehicle.rated_towing_kg is not None:
        most = min(most, vehicle.mass_kg + vehicle.rated_towing_kg)
    return most


def flat(table: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    """Nested keys as one level of dotted ones; lists are values.

    Parameters
    ----------
    table : mapping
    prefix : str
        Put before every key.
    """
    found: dict[str, Any] = {}
    for key, value in table.items():
        if isinstance(value, Mapping):
            found |= flat(value, f"{prefix}{key}.")
        else:
            found[f"{prefix}{key}"] = value
    return found


def rig_mismatch(strategy_rig: Mapping[str, Any], rig: Rig) -> list[tuple[str, Any, Any]]:
    """Keys that matter in which a rig differs from the one that a strategy is for.

    Parameters
    ----------
    strategy_rig : mapping
        As ``Strategy.rig``; nothing = for any rig. What it leaves out has a rig file's default.
    rig : Rig

    Returns
    -------
    list of (str, value, value)
        Dotted key, the strategy's value, the rig's; None = not given.
    """
    if not strategy_rig:
        return []
    try:
        told = Rig.from_dict(dict(strategy_rig)).model_dump(exclude_none=True)
    except InputError:  # compared as it stands
        told = dict(strategy_rig)
    present = rig.model_dump(exclude_none=True)
    mine = flat({key: told[key] for key in TABLES_THAT_MATTER if key in told})
    other = flat({key: present[key] for key in TABLES_THAT_MATTER})
    return [
        (key, mine.get(key), other.get(key))
        for key in dict.fromkeys([*other, *mine])
        if mine.get(key) != other.get(key)
    ]
