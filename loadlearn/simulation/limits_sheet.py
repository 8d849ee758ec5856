"""The sheet: every limit of a rig against the worst that a strategy did to it, pass or fail.

A row fails when its limit was passed for more than :data:`HELD_S` without a break in some draw.
That time is common practice, no source; there is no tolerance in the value. To be judged by one
number, a drive counts with the worst value that lasted so long, and the margin is the limit less
that.

What the simulated vehicle knows in truth is judged on the truth, not on what a sensor shows of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, TypedDict

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import as_record, jit
from loadlearn.described import Unit
from loadlearn.policy.state import policy_config
from loadlearn.policy.thermal_model import thermal_parameters
from loadlearn.simulation.plant import Plant
from loadlearn.simulation.powertrain import fuel_for_torque, interpolate
from loadlearn.simulation.preparation import PreparedDrive
from loadlearn.simulation.strategies import StrategyRun
from loadlearn.simulation.thermal import charge_target
from loadlearn.vehicle.rig import Rig

if TYPE_CHECKING:
    from loadlearn.simulation.comparison import Comparison

FloatArray = NDArray[np.float64]

HELD_S = 2.0
"""A limit passed for longer fails (common practice, no source)."""
CRITERION = (
    f"A row fails when its limit was passed for more than {HELD_S:g} s without a break in any draw "
    "(the time is common practice, no source; no tolerance in the value). The worst value is the "
    "worst that lasted so long, and the margin is what is left between it and the limit. Torque in "
    "gear changes has no limit in a rig file: it is held against the most that the base "
    "calibration shows in any of these draws, and flagged above that. Rail pressure, charge air "
    "leaks and the turbocharger's speed itself are not simulated; the pressure ratio stands for "
    "that speed."
)
BOOST_JUDGED_LOAD = 0.5
"""Charge pressure is held against its target from this fuelling over base full load on, as the
protection does: below, a pressure that has not yet fallen is no fault."""
ROUNDING = 1e-9
"""Relative; a value within this of its limit is at it."""
GEAR_CHANGE = "gear_change_torque"


@dataclass(frozen=True)
class Limit:
    """A limit of a rig.

    Attributes
    ----------
    quantity, words, unit : str
        What is limited: as a name with its unit (a column of the traces), and for people.
    limit : float
        In that unit.
    at_least : bool
        The value must not be below the limit, instead of not above.
    judged_on : {"truth", "sensor"}
        What the simulated vehicle knows, or what its sensor shows.
    decimals : int
        Worth showing.
    """

    quantity: str
    words: str
    unit: str
    limit: float
    at_least: bool = False
    judged_on: str = "truth"
    decimals: int = 0


def limits_of(rig: Rig) -> tuple[Limit, ...]:
    """The limits of a rig that the simulated vehicle can be held against.

    Parameters
    ----------
    rig : Rig
        With a full-load curve.
    """
    limits = rig.limits
    if limits.exhaust_gas_temp_sensor == "after_turbine":
        # The plant records the gas after the turbine through its sensor only.
        gas = Limit(
            "exhaust_gas_temp_after_turbine_degc",
            "exhaust gas after the turbine",
            "°C",
            limits.exhaust_gas_temp_after_turbine_degc,
            judged_on="sensor",
            decimals=1,
        )
    else:
        gas = Limit(
            "true_exhaust_gas_temp_degc",
            "exhaust gas before the turbine",
            "°C",
            limits.exhaust_gas_temp_degc,
            decimals=1,
        )
    return (
        gas,
        Limit("coolant_temp_degc", "coolant", "°C", limits.coolant_zero_degc, decimals=1),
        Limit(
            "transmission_oil_temp_degc",
            "gearbox oil",
            "°C",
            limits.transmission_oil_zero_degc,
            decimals=1,
        ),
        Limit("engine_oil_temp_degc", "engine oil", "°C", limits.engine_oil_zero_degc, decimals=1),
        Limit(
            "intake_temp_degc",
            "charge air after the cooler",
            "°C",
            limits.intake_zero_degc,
            decimals=1,
        ),
        Limit(
            "air_fuel_lambda",
            "air-fuel ratio λ",
            "",
            float(thermal_parameters(rig).lambda_min),
            at_least=True,
            decimals=3,
        ),
        Limit(
            "boost_over_target_kpa",
            "charge pressure above its target",
            "kPa",
            limits.boost_over_target_kpa,
            decimals=1,
        ),
        Limit(
            "turbo_pressure_ratio",
            "compressor pressure ratio (turbo speed)",
            "",
            limits.turbo_pressure_ratio_max,
            decimals=2,
        ),
        Limit(
            "axle_torque_n_m",
            "engine torque through the gears, at the axles",
            "N m",
            policy_config(rig).axle_torque_max_n_m,
        ),
    )


@jit
def _charge_targets(
    plants: NDArray[Any], curve: FloatArray, records: NDArray[Any], out: FloatArray
) -> None:
    """Charge pressure asked for (kPa), NaN below :data:`BOOST_JUDGED_LOAD`."""
    p = plants[0]
    for i in range(records.size):
        now = records[i]
        out[i] = math.nan
        speed = now.engine_speed_rad_s
        if speed < 1.0:
            continue
        torque = interpolate(speed, curve[0], curve[1])
        base = fuel_for_torque(torque, speed, 0.0, p.engine.efficiency, p.engine)
        fuel = now.fuel_rate_g_s / (1.0 + now.regeneration)
        if fuel >= BOOST_JUDGED_LOAD * base:
            most = p.thermal.pressure_ratio_max * now.ambient_pressure_kpa
            wanted = min(charge_target(fuel, base, speed, p.thermal), most)
            out[i] = max(wanted, now.ambient_pressure_kpa)


def limited_quantities(
    run: StrategyRun, rig: Rig, prepared: PreparedDrive
) -> dict[str, FloatArray]:
    """What is limited, over a drive.

    Parameters
    ----------
    run : StrategyRun
    rig : Rig
    prepared : PreparedDrive
        What was driven.

    Returns
    -------
    dict of str to ndarray, shape (steps,)
        By ``Limit.quantity``; NaN where a limit does not apply.
    """
    ambient, boost = run.plant("ambient_pressure_kpa"), run.plant("boost_kpa")
    target = np.empty(run.records.size)
    plant: Plant = prepared.plant
    _charge_targets(as_record(plant), prepared.curve, run.records, target)
    gears = np.asarray(rig.driveline.gear_ratios) * rig.driveline.final_drive
    gear = run.plant("gear").astype(int)
    ratio = np.where(gear >= 1, gears[np.clip(gear - 1, 0, gears.size - 1)], 0.0)
    if rig.limits.axle_torque_max_n_m is not None:
        # The default is the base engine in first gear of the range that is engaged.
        low = rig.driveline.transfer_low_ratio or 1.0
        ratio = ratio * np.where(run.plant("low_range") > 0.5, low, 1.0)
    derived = {
        "boost_over_target_kpa": ambient + boost - target,
        "turbo_pressure_ratio": 1.0 + boost / ambient,
        "axle_torque_n_m": np.maximum(run.plant("engine_torque_n_m"), 0.0) * ratio,
    }
    return {
        one.quantity: derived[one.quantity] if one.quantity in derived else run.plant(one.quantity)
        for one in limits_of(rig)
    }


def judge(value: FloatArray, limit: Limit, step_s: float) -> dict[str, float]:
    """One limit over one drive.

    Parameters
    ----------
    value : ndarray, shape (steps,)
        At even steps; NaN where the limit does not apply.
    limit : Limit
    step_s : float

    Returns
    -------
    dict
        ``peak``, ``worst`` (that lasted longer than :data:`HELD_S`), ``seconds_over``,
        ``longest_s`` and ``margin``; NaN where the limit never applied, ``worst`` also where it
        never applied for so long.
    """
    from scipy.ndimage import minimum_filter1d

    sign = -1.0 if limit.at_least else 1.0
    against = np.where(np.isfinite(value), sign * value, -np.inf)
    top = sign * limit.limit
    over = np.concatenate(([False], against > top + ROUNDING * abs(top), [False]))
    edges = np.flatnonzero(np.diff(over.astype(np.int8)))
    longest = int(np.max(edges[1::2] - edges[::2], initial=0))
    steps = math.floor(HELD_S / step_s + 1e-6) + 2  # first to last: longer than HELD_S
    worst = -math.inf
    if against.size >= steps:
        lowest = minimum_filter1d(against, steps, mode="constant", cval=-np.inf)
        worst = float(lowest.max())
    peak = float(np.max(against, initial=-np.inf))
    return {
        "peak": sign * peak if math.isfinite(peak) else math.nan,
        "worst": sign * worst if math.isfinite(worst) else math.nan,
        "margin": top - worst if math.isfinite(worst) else math.nan,
        "seconds_over": step_s * float(np.count_nonzero(over)),
        "longest_s": step_s * max(longest - 1, 0),
    }


class SheetRow(TypedDict):
    """One limit of one rig under one strategy, over all draws."""

    rig: str
    """Name of the rig."""
    strategy: str
    """Name of the strategy."""
    quantity: str
    """What is limited, as a column of ``traces.parquet``."""
    words: str
    """The same for people."""
    unit: str
    """Of limit, worst, peak and margin."""
    limit: Annotated[float, Unit("unit")]
    """The rig's limit."""
    at_least: bool
    """Whether the value must not be below the limit, instead of not above."""
    judged_on: str
    """``truth``, or ``sensor`` where the simulation knows no more."""
    decimals: int
    """Worth showing; not in ``sheet.csv``."""
    worst_draw: int | None
    """Draw with the smallest margin; null where the limit never applied."""
    worst: Annotated[float, Unit("unit")]
    """Worst value there that lasted for 2 s."""
    peak: Annotated[float, Unit("unit")]
    """Highest value there, however short."""
    margin: Annotated[float, Unit("unit")]
    """What is left between worst value and limit; below zero it is passed."""
    draws: int
    """Draws driven."""
    draws_over: int
    """Draws in which the limit was passed for more than 2 s without a break."""
    seconds_over_worst: float
    """Time over the limit in the draw with most of it."""
    seconds_over_total: float
    """Time over the limit in all draws together."""
    longest_s: float
    """Longest stretch over the limit."""
    verdict: str
    """``pass``, ``fail``, ``flag`` (torque in gear changes above the base calibration's), or
    ``not met`` where the limit never applied."""


def limits_sheet(result: Comparison) -> list[dict[str, Any]]:
    """One row per rig, limit and strategy: the worst of all draws, and whether it passes.

    Parameters
    ----------
    result : Comparison

    Returns
    -------
    list of dict
        The keys of :class:`SheetRow`.
    """
    rows: list[dict[str, Any]] = []
    for what in result.whats:
        runs = [one for one in result.runs if one.what is what]
        judged = result.limits[result.limits["rig"] == what.rig_name]
        for limit in limits_of(what.rig):
            for run in runs:
                here = judged[
                    (judged["strategy"] == run.label) & (judged["quantity"] == limit.quantity)
                ]
                rows.append(_row(limit, what.rig_name, run.label, here))
        rows += _gear_changes(result, what.rig_name, [run.label for run in runs])
    return rows


def _row(limit: Limit, rig: str, label: str, judged: pd.DataFrame) -> dict[str, Any]:
    about = {
        "rig": rig,
        "strategy": label,
        "quantity": limit.quantity,
        "words": limit.words,
        "unit": limit.unit,
        "limit": limit.limit,
        "at_least": limit.at_least,
        "judged_on": limit.judged_on,
        "decimals": limit.decimals,
    }
    over = int(np.count_nonzero(_beyond(judged["margin"].to_numpy(), limit.limit)))
    row = {
        "worst_draw": None,
        "worst": math.nan,
        "peak": math.nan,
        "margin": math.nan,
        "draws": int(len(judged)),
        "draws_over": over,
        "seconds_over_worst": float(judged["seconds_over"].max()),
        "seconds_over_total": float(judged["seconds_over"].sum()),
        "longest_s": float(judged["longest_s"].max()),
        "verdict": "not met",
    }
    if judged["margin"].notna().any():
        worst = judged.iloc[int(np.nanargmin(judged["margin"].to_numpy()))]
        row |= {name: float(worst[name]) for name in ("worst", "peak", "margin")}
        row |= {"worst_draw": int(worst["draw"]), "verdict": "fail" if over else "pass"}
    return about | row


def _beyond(margin: FloatArray, limit: float) -> NDArray[np.bool_]:
    return np.asarray(margin < -ROUNDING * abs(limit))


def _gear_changes(result: Comparison, rig: str, labels: Sequence[str]) -> list[dict[str, Any]]:
    """Largest torque within a gear change, held against what the base calibration shows."""
    table = result.table[result.table["rig"] == rig]
    base = [run.label for run in result.runs if run.label in labels and run.strategy.name == "base"]
    most = table.loc[table["strategy"].isin(base), "gear_change_torque_n_m"].max()
    limit = Limit(
        GEAR_CHANGE,
        "engine torque within gear changes (stock: base)",
        "N m",
        float(most),
        decimals=1,
    )
    rows = []
    for label in labels:
        here = table[table["strategy"] == label]
        peak = here["gear_change_torque_n_m"]
        judged = pd.DataFrame(
            {
                "draw": here["draw"],
                "worst": peak,
                "peak": peak,
                "margin": limit.limit - peak,
                "seconds_over": math.nan,
                "longest_s": math.nan,
            }
        )
        row = _row(limit, rig, label, judged)
        row["seconds_over_total"] = math.nan
        if row["verdict"] == "fail":
            row["verdict"] = "flag"
        rows.append(row)
    return rows


def worst_row(sheet: Sequence[dict[str, Any]]) -> dict[str, Any] | None:
    """The row of a limit with the smallest margin, relative to its limit; None without any."""
    judged = [
        one
        for one in sheet
        if one["quantity"] != GEAR_CHANGE and math.isfinite(one["margin"]) and one["limit"]
    ]
    return min(judged, key=lambda one: one["margin"] / abs(one["limit"]), default=None)
