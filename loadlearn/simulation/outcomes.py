"""What a drive under a strategy came to: the quantities compared, and the limits it exceeded."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Annotated, Any, TypedDict

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.described import Unit
from loadlearn.errors import InputError
from loadlearn.log.exceedances import exceedances
from loadlearn.policy.columns import LIMIT_NAMES, SAMPLE_COLUMNS
from loadlearn.simulation.situation import Situation
from loadlearn.simulation.strategies import StrategyRun
from loadlearn.vehicle.rig import Rig

FloatArray = NDArray[np.float64]

PASSING_GAIN_M, PASSING_LONGEST_S = 70.0, 60.0
"""To pass: 70 m gained on the slower vehicle: gaps before and after, and both lengths (our own)."""
REDUCED_AFTER_S = 0.2
"""Torque needs this long to follow the reduction when a gear change begins."""
OVER_K = 10.0
FEWEST_M = 20.0
"""Driven less than this, quantities per distance mean nothing."""

QUANTITIES: dict[str, str] = {
    "climb_power_kw": "mean power at the tread on climbs (kW)",
    "climb_time_s": "time on climbs (s)",
    "climb_extra_torque_share": "mean share of the extra torque in use on climbs",
    "crest_speed_m_s": "mean speed at the crests (m/s)",
    "passing_time_s": "mean time to pass a slower vehicle (s)",
    "trip_time_s": "time for the road (s)",
    "fuel_l_per_100km": "fuel (l/100 km)",
    "peak_gas_degc": "peak gas temperature at the sensor's place (degC)",
    "seconds_over_gas_limit": "time of the gas above its limit (s)",
    "longest_10k_over_gas_limit_s": "longest time of the gas more than 10 K above its limit (s)",
    "gear_change_torque_n_m": "largest engine torque within a gear change (N m)",
    "setting_changes": "changes of a setting",
}
DRIVE_FACTS: dict[str, str] = {
    "fuel_l": "fuel burnt",
    "distance_m": "driven",
    "gear_changes": "changes of gear",
    "driven_to_the_end": "1 where the end of the road was reached",
    "ratings_held_back": "share of the time on climbs in which the extra torque was held back "
    "because the load is probably above a rating",
    "load_known_after_s": "time until the settings followed the load; empty where none is learnt",
    "mass_error_percent": "mass learnt less true mass, at the end; empty where none is learnt",
}
"""What describes a drive beside the quantities compared."""


def measure(run: StrategyRun, what: Situation) -> dict[str, Any]:
    """The quantities of one drive.

    Returns
    -------
    dict of str to float
        :data:`QUANTITIES`, then :data:`DRIVE_FACTS`. A quantity that the road does not call for is
        NaN.

    Raises
    ------
    InputError
        The vehicle did not get away.
    """
    time, distance = run.plant("time_s"), run.plant("distance_m")
    speed = run.plant("speed_m_s")
    step_s = float(time[1] - time[0])
    nan = math.nan

    climbing = np.zeros(time.size, dtype=bool)
    crests = []
    for climb in what.climbs:
        if distance[-1] < climb.end_m:
            continue
        first, last = np.searchsorted(distance, (climb.start_m, climb.end_m))
        climbing[first:last] = True
        crests.append(float(speed[last]))
    climb_time = step_s * float(np.count_nonzero(climbing))
    power = run.plant("tractive_force_n")[climbing] * speed[climbing]
    share = run.plant("extra_torque_share")[climbing]

    passed = [_passing_time(time, distance, place, slower) for place, slower in what.passing_places]
    gas, limit = gas_and_limit(run, what.rig)
    changing = run.plant("shifting") > 0.5
    lag = round(REDUCED_AFTER_S / step_s)
    torques = [
        float(run.plant("engine_torque_n_m")[first + lag : after].max())
        for first, after in _stretches(changing)
        if first + lag < after
    ]
    density = what.rig.engine.fuel_density_kg_m3
    assert density is not None
    fuel_l = run.fuel_burnt_g / density
    driven = float(distance[-1] - distance[0])
    if driven < min(FEWEST_M, 0.5 * what.road.length_m):
        raise InputError(
            f"under {run.strategy.name} the vehicle got {driven:.0f} m far on '{what.road.name}': "
            f"too steep or too soft at the start for {what.combined_mass_kg:,.0f} kg; change the "
            "road or the mass"
        )
    values = {
        "climb_power_kw": float(power.mean()) / 1e3 if climb_time else nan,
        "climb_time_s": climb_time if climb_time else nan,
        "climb_extra_torque_share": float(share.mean()) if climb_time else nan,
        "crest_speed_m_s": float(np.mean(crests)) if crests else nan,
        "passing_time_s": float(np.mean(passed)) if passed else nan,
        "trip_time_s": float(time[-1]),
        "fuel_l_per_100km": fuel_l / driven * 1e5,
        "peak_gas_degc": float(gas.max()),
        "seconds_over_gas_limit": step_s * float(np.count_nonzero(gas > limit)),
        "longest_10k_over_gas_limit_s": step_s
        * max((after - first for first, after in _stretches(gas > limit + OVER_K)), default=0),
        "gear_change_torque_n_m": max(torques, default=nan),
        "setting_changes": _setting_changes(run),
    }
    assert list(values) == list(QUANTITIES)
    described = {
        "fuel_l": fuel_l,
        "distance_m": driven,
        "gear_changes": float(len(torques)),
        "driven_to_the_end": float(distance[-1] > what.road.length_m - 30.0),
        "ratings_held_back": _held_back(run, climbing, "ratings"),
        "load_known_after_s": nan,
        "mass_error_percent": nan,
    }
    if run.strategy.knows == "learnt":
        known = run.advised("load_known") > 0.5
        described["load_known_after_s"] = (
            float(run.logged("time_s")[np.argmax(known)]) if known.any() else nan
        )
        described["mass_error_percent"] = 100.0 * float(
            run.learnt[-1, 1] / run.plant("mass_kg")[-1] - 1.0
        )
    assert list(described) == list(DRIVE_FACTS)
    return values | described


def _held_back(run: StrategyRun, when: NDArray[np.bool_], limit: str) -> float:
    """Share of the rows that fall into ``when`` (plant steps) in which a limit acted."""
    if not when.any():
        return math.nan
    bits = run.advised("limit_bits").astype(np.int64)
    steps = np.searchsorted(run.plant("time_s"), run.logged("time_s") - 1e-6)
    acted = (bits >> LIMIT_NAMES.index(limit)) & 1
    return float(acted[when[np.minimum(steps, when.size - 1)]].mean())


def _setting_changes(run: StrategyRun) -> float:
    """Changes after a strategy of fixed settings has taken them up."""
    if not run.strategy.uprated or run.strategy.knows == "nothing":
        return 0.0
    return float(run.advised("setting_changes")[-1])


def _stretches(true: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], true, [False])).astype(np.int8)))
    return zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _passing_time(time: FloatArray, distance: FloatArray, place_m: float, slower: float) -> float:
    """Time from ``place_m`` until enough is gained on a vehicle that keeps its speed (s).

    One that is not passed counts with the longest time.
    """
    if distance[-1] < place_m:
        return math.nan
    first = int(np.searchsorted(distance, place_m))
    since = time[first:] - time[first]
    gained = distance[first:] - distance[first] - slower * since
    enough = (gained >= PASSING_GAIN_M) & (since <= PASSING_LONGEST_S)
    return float(since[np.argmax(enough)]) if enough.any() else PASSING_LONGEST_S


def gas_and_limit(run: StrategyRun, rig: Rig) -> tuple[FloatArray, float]:
    """Gas where it is limited: the true gas before the turbine, else what the sensor after shows.

    The plant records the gas after the turbine through its sensor only.

    Returns
    -------
    gas_degc : ndarray, shape (steps,)
    limit_degc : float
    """
    limits = rig.limits
    if limits.exhaust_gas_temp_sensor == "after_turbine":
        after = run.plant("exhaust_gas_temp_after_turbine_degc")
        return after, limits.exhaust_gas_temp_after_turbine_degc
    return run.plant("true_exhaust_gas_temp_degc"), limits.exhaust_gas_temp_degc


class RecordedLimit(TypedDict):
    """A recorded limit that was exceeded for more than 2 s."""

    channel: str
    """Canonical column."""
    limit: Annotated[float, Unit("of the channel")]
    """The rig's limit."""
    peak: Annotated[float, Unit("of the channel")]
    """Highest value."""
    longest_s: float
    """Longest stretch above it."""
    times: int
    """Stretches above it."""


def limits_exceeded(run: StrategyRun, what: Situation) -> list[RecordedLimit]:
    """Recorded limits that were exceeded for more than 2 s: worst stretch by channel.

    Returns
    -------
    list of RecordedLimit
    """
    log = pd.DataFrame(run.rows, columns=list(SAMPLE_COLUMNS)).dropna(axis="columns", how="all")
    by_channel: dict[str, RecordedLimit] = {}
    for one in exceedances(log, what.rig):
        worst = by_channel.setdefault(
            one.channel,
            {
                "channel": one.channel,
                "limit": one.limit,
                "peak": one.peak,
                "longest_s": 0.0,
                "times": 0,
            },
        )
        worst["peak"] = max(worst["peak"], one.peak)
        worst["longest_s"] = max(worst["longest_s"], one.end_s - one.start_s)
        worst["times"] += 1
    return list(by_channel.values())
