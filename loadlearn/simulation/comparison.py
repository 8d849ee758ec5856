"""Strategies compared on one road: many draws, the same plant, wind and noise for every strategy.

A draw fixes everything that is not the strategy: vehicle, weather, gusts over time, the driver's
habits, the noise of every sensor. Differences between strategies are therefore taken draw by draw,
and their intervals are those of the paired differences (Student's t over the draws).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.exceedances import exceedances
from loadlearn.policy.columns import SAMPLE_COLUMNS
from loadlearn.rig import Rig
from loadlearn.simulation.live_logger import LiveLogger, live_logger
from loadlearn.simulation.plant_state import RECORD_COLUMNS
from loadlearn.simulation.preparation import PreparedDrive, prepare_drive
from loadlearn.simulation.road import GRID_M, Road
from loadlearn.simulation.sensors import Channel, Logger
from loadlearn.simulation.strategies import Strategy, StrategyRun, run_strategy, strategies
from loadlearn.simulation.variation import PlantVariation

FloatArray = NDArray[np.float64]

CLIMB_GRADE_PERCENT, CLIMB_SMOOTH_M, CLIMB_SHORTEST_M = 2.5, 200.0, 400.0
"""A climb: grade over 200 m at or above 2.5 % for at least 400 m (our own definition)."""
STOPPING_M = 300.0
"""Before the road's end, where the vehicle comes to rest, nothing counts as climb."""
PASSING_GAIN_M, PASSING_LONGEST_S = 70.0, 60.0
"""To pass: 70 m gained on the slower vehicle: gaps before and after, and both lengths (our own)."""
PASSING_RISE_M_S, PASSING_SLOWEST_M_S = 10.0 / 3.6, 50.0 / 3.6
"""Where the limit rises by 10 km/h or more from 50 km/h or more, the slower vehicle stays there."""
REDUCED_AFTER_S = 0.2
"""Torque needs this long to follow the reduction when a gear change begins."""
OVER_K = 10.0

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


@dataclass(frozen=True)
class Climb:
    """A climb of the road.

    Attributes
    ----------
    start_m, end_m : float
        Foot and crest (m).
    """

    start_m: float
    end_m: float


def climbs(road: Road) -> tuple[Climb, ...]:
    """Climbs of a road.

    Parameters
    ----------
    road : Road

    Returns
    -------
    tuple of Climb
        In the order of distance.
    """
    width = int(CLIMB_SMOOTH_M / GRID_M)
    padded = np.pad(road.grade_percent, (width // 2, width - width // 2 - 1), mode="edge")
    smooth = np.convolve(padded, np.full(width, 1.0 / width), mode="valid")
    steep = np.concatenate(([False], smooth >= CLIMB_GRADE_PERCENT, [False]))
    edges = np.flatnonzero(np.diff(steep.astype(int)))
    found: list[Climb] = []
    for first, after in zip(edges[::2], edges[1::2], strict=True):
        start = float(road.distance_m[first])
        end = min(float(road.distance_m[after - 1]), road.length_m - STOPPING_M)
        if found and start - found[-1].end_m < CLIMB_SMOOTH_M:
            start = found.pop().start_m
        found.append(Climb(start, end))
    return tuple(one for one in found if one.end_m - one.start_m >= CLIMB_SHORTEST_M)


def passing_places(road: Road) -> tuple[tuple[float, float], ...]:
    """Where a slower vehicle could be passed.

    Parameters
    ----------
    road : Road

    Returns
    -------
    tuple of (float, float)
        Distance (m) and speed of the slower vehicle (m/s).
    """
    limit = road.speed_limit_m_s
    rises = np.flatnonzero(
        (np.diff(limit) >= PASSING_RISE_M_S - 1e-9) & (limit[:-1] >= PASSING_SLOWEST_M_S - 1e-9)
    )
    return tuple((float(road.distance_m[place + 1]), float(limit[place])) for place in rises)


@dataclass(frozen=True)
class Situation:
    """What is compared on what.

    Attributes
    ----------
    rig : Rig
        As estimator and law are told it.
    road : Road
    combined_mass_kg : float
        True mass.
    compared : tuple of Strategy
    variation : PlantVariation
        What is drawn.
    logger : Logger
    climbs, passing_places
        Of the road.
    """

    rig: Rig
    road: Road
    combined_mass_kg: float
    compared: tuple[Strategy, ...]
    variation: PlantVariation
    logger: Logger
    climbs: tuple[Climb, ...]
    passing_places: tuple[tuple[float, float], ...]


def situation(
    rig: Rig,
    road: Road,
    combined_mass_kg: float | None = None,
    retention: float | None = None,
    variation: PlantVariation | None = None,
    logger: Logger | None = None,
) -> Situation:
    """Lay out a comparison.

    Parameters
    ----------
    rig : Rig
        With a full-load curve and ``[engine.uprated]``.
    road : Road
    combined_mass_kg : float, optional
        True mass (kg); nine tenths of GCM when absent.
    retention : float, optional
        Power retention of ``fixed_share``.
    variation : PlantVariation, optional
        What is drawn.
    logger : Logger, optional
        A good 10 Hz logger with the channels that a power module has of its own when absent.

    Returns
    -------
    Situation

    Raises
    ------
    InputError
        The rig has no uprated engine, or a value is impossible.
    """
    if rig.engine.uprated is None:
        raise InputError(
            "the rig has no [engine.uprated], so there are no strategies to compare: "
            "add its full_load_torque_n_m"
        )
    if combined_mass_kg is None:
        combined_mass_kg = 0.9 * rig.nominal_gcm_kg
    if not (math.isfinite(combined_mass_kg) and combined_mass_kg > 0.0):
        raise InputError(f"the combined mass is {combined_mass_kg:g} kg; give a positive mass")
    return Situation(
        rig=rig,
        road=road,
        combined_mass_kg=float(combined_mass_kg),
        compared=strategies() if retention is None else strategies(retention),
        variation=variation or PlantVariation(),
        logger=logger or module_logger(),
        climbs=climbs(road),
        passing_places=passing_places(road),
    )


def module_logger() -> Logger:
    """A good 10 Hz logger that also knows what share of the extra torque it lets be used.

    Returns
    -------
    Logger
    """
    return Logger.good_10hz().with_channels(
        extra_torque_share=Channel(resolution=0.01),
        driver_aid_active=Channel(resolution=1.0),
        regeneration_active=Channel(resolution=1.0),
        exhaust_brake_active=Channel(resolution=1.0),
    )


@dataclass(frozen=True)
class DrawResult:
    """All strategies over one draw.

    Attributes
    ----------
    rows : list of dict
        One per strategy: ``draw``, ``strategy``, then the quantities and what describes the drive.
    exceeded : list of dict
        Recorded limits that were exceeded for more than 2 s.
    traces : dict of str to DataFrame
        By strategy, about once a second; empty unless asked for.
    """

    rows: list[dict[str, Any]]
    exceeded: list[dict[str, Any]]
    traces: dict[str, pd.DataFrame] = field(default_factory=dict)


def prepare_draw(
    what: Situation, draw: int, draws: int, seed: int
) -> tuple[PreparedDrive, LiveLogger]:
    """Everything that one draw fixes for all strategies.

    Parameters
    ----------
    what : Situation
    draw, draws : int
        Number of this draw, and of all: the tractive scale is stratified over them.
    seed : int
        Of the first draw.

    Returns
    -------
    prepared : PreparedDrive
    logger : LiveLogger
    """
    from loadlearn.simulation.scenarios import scale_from_quantile

    order = np.random.default_rng([seed, 9300]).permutation(draws)
    scale = scale_from_quantile(
        what.rig.uncertainty.tractive_scale_sd or 0.0, (order[draw] + 0.5) / draws
    )
    prepared = prepare_drive(
        what.rig,
        what.road,
        seed=seed + draw,
        combined_mass_kg=what.combined_mass_kg,
        tractive_scale=scale,
        variation=what.variation,
    )
    logger = live_logger(
        what.logger,
        what.rig,
        seed + draw,
        prepared.steps,
        prepared.step_s,
        what.road.length_m,
    )
    return prepared, logger


def run_draw(
    what: Situation, draw: int, draws: int, seed: int = 0, keep_traces: bool = False
) -> DrawResult:
    """Drive one draw under every strategy.

    Parameters
    ----------
    what : Situation
    draw, draws, seed
        As for :func:`prepare_draw`.
    keep_traces : bool
        Whether traces for the figure are kept.

    Returns
    -------
    DrawResult
    """
    prepared, logger = prepare_draw(what, draw, draws, seed)
    scratch = np.empty((prepared.steps, RECORD_COLUMNS))
    rows: list[dict[str, Any]] = []
    exceeded: list[dict[str, Any]] = []
    traces: dict[str, pd.DataFrame] = {}
    for strategy in what.compared:
        run = run_strategy(what.rig, prepared, logger, strategy, scratch)
        about = {"draw": draw, "seed": seed + draw, "strategy": strategy.name}
        about["tractive_scale"] = float(prepared.drawn["tractive_scale"])
        rows.append(about | measure(run, what))
        exceeded += [
            {"draw": draw, "strategy": strategy.name} | one for one in limits_exceeded(run, what)
        ]
        if keep_traces:
            traces[strategy.name] = _trace(run)
    return DrawResult(rows, exceeded, traces)


def measure(run: StrategyRun, what: Situation) -> dict[str, Any]:
    """The quantities of one drive.

    Parameters
    ----------
    run : StrategyRun
    what : Situation

    Returns
    -------
    dict of str to float
        :data:`QUANTITIES`, then what describes the drive: ``fuel_l``, ``distance_m``,
        ``gear_changes``, ``driven_to_the_end``, ``load_known_after_s`` and
        ``mass_error_percent`` (NaN where nothing is learnt). A quantity that the road does not
        call for is NaN.
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
    gas, limit = _gas_and_limit(run, what.rig)
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
    return values | described


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


def _gas_and_limit(run: StrategyRun, rig: Rig) -> tuple[FloatArray, float]:
    """Gas where it is limited: the true gas before the turbine, else what the sensor after shows.

    The plant records the gas after the turbine through its sensor only.
    """
    limits = rig.limits
    if limits.exhaust_gas_temp_sensor == "after_turbine":
        after = run.plant("exhaust_gas_temp_after_turbine_degc")
        return after, limits.exhaust_gas_temp_after_turbine_degc
    return run.plant("true_exhaust_gas_temp_degc"), limits.exhaust_gas_temp_degc


def limits_exceeded(run: StrategyRun, what: Situation) -> list[dict[str, Any]]:
    """Recorded limits that were exceeded for more than 2 s: worst stretch by channel.

    Parameters
    ----------
    run : StrategyRun
    what : Situation

    Returns
    -------
    list of dict
        ``channel``, ``limit``, ``peak``, ``longest_s``, ``times``.
    """
    log = pd.DataFrame(run.rows, columns=list(SAMPLE_COLUMNS)).dropna(axis="columns", how="all")
    by_channel: dict[str, dict[str, Any]] = {}
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


def _trace(run: StrategyRun, every_s: float = 1.0) -> pd.DataFrame:
    step_s = float(run.plant("time_s")[1])
    keep = slice(None, None, max(round(every_s / step_s), 1))
    names = {
        "time_s": "time_s",
        "distance_m": "distance_m",
        "altitude_m": "altitude_m",
        "speed_m_s": "speed_m_s",
        "extra_torque_share": "extra_torque_share",
        "true_exhaust_gas_temp_degc": "gas_degc",
    }
    return pd.DataFrame({new: run.plant(old)[keep].copy() for old, new in names.items()})


@dataclass(frozen=True)
class Comparison:
    """Strategies compared on one road.

    Attributes
    ----------
    what : Situation
    table : DataFrame
        One row per draw and strategy.
    exceeded : list of dict
        Recorded limits exceeded for more than 2 s, by draw, strategy and channel.
    traces : dict of str to DataFrame
        Of the first draw, by strategy.
    """

    what: Situation
    table: pd.DataFrame
    exceeded: list[dict[str, Any]]
    traces: dict[str, pd.DataFrame]


def compare_strategies(
    what: Situation,
    draws: int = 12,
    seed: int = 0,
    jobs: int = 1,
    on_draw: Callable[[], None] | None = None,
) -> Comparison:
    """Drive every draw under every strategy.

    Parameters
    ----------
    what : Situation
    draws : int
        Draws of vehicle, wind and sensor noise.
    seed : int
        Of the first; the next ones follow.
    jobs : int
        Worker processes.
    on_draw : callable, optional
        Called after each draw.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        No draws.
    """
    if draws < 1:
        raise InputError(f"{draws} draws were asked for; give at least 1")
    from joblib import Parallel, delayed

    results: list[DrawResult] = []
    produced = Parallel(n_jobs=min(jobs, draws), return_as="generator")(
        delayed(run_draw)(what, draw, draws, seed, draw == 0) for draw in range(draws)
    )
    for result in produced:
        results.append(result)
        if on_draw is not None:
            on_draw()
    return Comparison(
        what=what,
        table=pd.DataFrame([row for result in results for row in result.rows]),
        exceeded=[one for result in results for one in result.exceeded],
        traces=results[0].traces,
    )


def interval95(values: Sequence[float] | FloatArray) -> dict[str, Any]:
    """Mean and its 95 % interval (Student's t); NaN values are left out.

    Parameters
    ----------
    values : sequence of float

    Returns
    -------
    dict
        ``mean``, ``interval95`` (two NaN below two values) and ``n``.
    """
    kept = np.asarray(values, dtype=float)
    kept = kept[np.isfinite(kept)]
    n = int(kept.size)
    if n == 0:
        return {"mean": math.nan, "interval95": [math.nan, math.nan], "n": 0}
    mean = float(kept.mean())
    if n == 1:
        return {"mean": mean, "interval95": [math.nan, math.nan], "n": 1}
    from scipy.stats import t

    half = float(t.ppf(0.975, n - 1) * kept.std(ddof=1) / math.sqrt(n))
    return {"mean": mean, "interval95": [mean - half, mean + half], "n": n}


def paired(table: pd.DataFrame, quantity: str, of: str, minus: str) -> FloatArray:
    """Differences between two strategies, draw by draw.

    Parameters
    ----------
    table : DataFrame
        As in :class:`Comparison`.
    quantity : str
        A column.
    of, minus : str
        Strategies.

    Returns
    -------
    ndarray, shape (draws,)
    """
    wide = table.pivot(index="draw", columns="strategy", values=quantity)
    return np.asarray(wide[of] - wide[minus], dtype=float)


def gain_ratio(
    table: pd.DataFrame,
    quantity: str,
    of: str = "learnt_load",
    over: str = "known_load",
    base: str = "base",
    seed: int = 0,
) -> dict[str, Any]:
    """What part of one strategy's gain over ``base`` another gets: a ratio of mean gains.

    Parameters
    ----------
    table : DataFrame
    quantity : str
    of, over, base : str
        Strategies.
    seed : int
        Of the bootstrap over draws (percentile interval, 4000 resamples).

    Returns
    -------
    dict
        ``mean`` (the ratio), ``interval95``, ``n``; NaN where the gain of ``over`` is not clear of
        zero, for then the ratio means nothing.
    """
    ours, theirs = paired(table, quantity, of, base), paired(table, quantity, over, base)
    usable = np.isfinite(ours) & np.isfinite(theirs)
    ours, theirs = ours[usable], theirs[usable]
    n = int(ours.size)
    low, high = interval95(theirs)["interval95"]
    if n < 2 or not (low > 0.0 or high < 0.0):
        return {"mean": math.nan, "interval95": [math.nan, math.nan], "n": n}
    picks = np.random.default_rng([seed, 9400]).integers(0, n, (4000, n))
    below = theirs[picks].mean(axis=1)
    ratios = ours[picks].mean(axis=1) / np.where(np.abs(below) > 1e-12, below, np.nan)
    lower, upper = np.nanquantile(ratios, [0.025, 0.975])
    return {
        "mean": float(ours.mean() / theirs.mean()),
        "interval95": [float(lower), float(upper)],
        "n": n,
    }


PAIRS: tuple[tuple[str, str], ...] = (
    ("fixed_share", "base"),
    ("short_pull", "base"),
    ("learnt_load", "base"),
    ("known_load", "base"),
    ("learnt_load", "fixed_share"),
    ("learnt_load", "short_pull"),
    ("learnt_load", "known_load"),
)


def summarise(result: Comparison) -> dict[str, Any]:
    """Means, paired differences and limits of a comparison.

    Parameters
    ----------
    result : Comparison

    Returns
    -------
    dict
        ``strategies`` (by name: what it is, and each quantity with mean and interval),
        ``paired_differences`` (list of ``of``, ``minus``, ``quantity``, ``mean``, ``interval95``,
        ``n``), ``share_of_known_gain``, ``limits_exceeded`` and what describes the comparison.
    """
    table, what = result.table, result.what
    by_name: dict[str, Any] = {}
    for strategy in what.compared:
        rows = table[table["strategy"] == strategy.name]
        entry: dict[str, Any] = {"what": strategy.in_words}
        for quantity in (*QUANTITIES, "load_known_after_s", "mass_error_percent"):
            entry[quantity] = interval95(rows[quantity].to_numpy())
        by_name[strategy.name] = entry
    differences = [
        {"of": of, "minus": minus, "quantity": quantity}
        | interval95(paired(table, quantity, of, minus))
        for of, minus in PAIRS
        for quantity in QUANTITIES
    ]
    return {
        "rig": what.rig.name,
        "road": what.road.name,
        "road_length_m": what.road.length_m,
        "climbs": [{"start_m": one.start_m, "end_m": one.end_m} for one in what.climbs],
        "combined_mass_kg": what.combined_mass_kg,
        "draws": int(table["draw"].nunique()),
        "quantities": dict(QUANTITIES),
        "strategies": by_name,
        "paired_differences": differences,
        "share_of_known_gain": {
            quantity: gain_ratio(table, quantity)
            for quantity in ("climb_power_kw", "climb_time_s", "crest_speed_m_s")
        },
        "limits_exceeded": result.exceeded,
    }


def without_cruise(what: Situation) -> Situation:
    """The same with a driver who never uses cruise control.

    Parameters
    ----------
    what : Situation

    Returns
    -------
    Situation
    """
    return replace(what, variation=replace(what.variation, cruise_share=0.0))
