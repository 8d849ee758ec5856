"""What the engine shows at an operating point, against the same point in the baseline drives."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.condition.evidence import Measure
from loadlearn.condition.robust import RobustFit, robust_fit, robust_mean
from loadlearn.vehicle.rig import Rig

Array = NDArray[np.float64]

FEWEST_POINTS = 40
FEWEST_BLOCKS = 6
# In 1000 rpm about 2000 rpm, and in 50 mg per litre and cycle about 50.
_RPM_KNOTS = (-1.2, -0.7, -0.35, 0.0, 0.7, 2.2)
_LOAD_KNOTS = (-0.8, -0.4, 0.0, 0.4, 0.8, 1.4)
FULL_FLOW_MG_L_RPM = 115.0 * 3600.0
"""Fuel per litre and cycle times engine speed at full power of a turbo diesel: a scale only."""


@dataclass(frozen=True)
class OperatingMap:
    """A quantity that depends on where the engine is driven.

    Attributes
    ----------
    name : str
        Of the check.
    columns : tuple of str
        Points need these.
    target : callable
        From points to the quantity, in the check's unit.
    slow_s : float
        Time constant with which load and engine speed are smoothed before they explain (s).
    """

    name: str
    columns: tuple[str, ...]
    target: Callable[[pd.DataFrame], pd.Series]
    slow_s: float = 0.0


def _log(values: pd.Series) -> pd.Series:
    return np.log(values.where(values > 0.0))


MAPS: tuple[OperatingMap, ...] = (
    # Some controls hold boost, some absolute pressure: half-way, altitude moves neither much.
    OperatingMap(
        "boost",
        ("boost_kpa",),
        lambda p: _log(p["boost_kpa"] + 0.5 * (p["ambient_pressure_kpa"] + 100.0)),
    ),
    # Speed-density: what the engine draws in for its speed, manifold pressure and temperature.
    OperatingMap(
        "air_flow",
        ("air_flow_g_s", "boost_kpa"),
        lambda p: _log(
            p["air_flow_g_s"]
            * (p["intake_temp_degc"].fillna(p["ambient_temp_degc"] + 20.0) + 273.15)
            / (p["engine_speed_rpm"] * p["manifold_kpa"])
        ),
    ),
    OperatingMap("rail_pressure", ("rail_pressure_mpa",), lambda p: _log(p["rail_pressure_mpa"])),
    OperatingMap(
        "exhaust_temperature",
        ("exhaust_gas_temp_degc",),
        lambda p: p["exhaust_gas_temp_degc"] - p["ambient_temp_degc"],
        slow_s=9.0,
    ),
)


@dataclass(frozen=True)
class Shape:
    """A map learnt from the baseline drives: how the quantity varies over operating points.

    Attributes
    ----------
    fit : RobustFit
        Coefficients of the features; what differs between drives is not in it.
    mean_features : ndarray
        Of the baseline points.
    low, high : ndarray, shape (2,)
        Range of load and engine speed that the baseline covers.
    """

    fit: RobustFit
    mean_features: Array
    low: Array
    high: Array


def map_points(points: pd.DataFrame, chart: OperatingMap, rig: Rig) -> pd.DataFrame | None:
    """The points of a drive that a map is judged on, with ``x_rpm``, ``x_load`` and ``y``.

    Parameters
    ----------
    points : DataFrame
        From :func:`loadlearn.condition.points.operating_points`.
    chart : OperatingMap
    rig : Rig

    Returns
    -------
    DataFrame or None
        None where the channels are missing or too few points are left.
    """
    if not all(points[c].notna().any() for c in (*chart.columns, "engine_speed_rpm", "load_mg_l")):
        return None
    rpm, load = points["engine_speed_rpm"], points["load_mg_l"]
    if chart.slow_s > 0.0:
        # Mean over the metal's memory: exponential, in bins.
        alpha = 1.0 - np.exp(-points["time_s"].diff().median() / chart.slow_s)
        rpm = rpm.ewm(alpha=alpha).mean()
        load = load.ewm(alpha=alpha).mean()
    table = points.assign(x_rpm=rpm / 1000.0 - 2.0, x_load=load / 50.0 - 1.0)
    # A response that lags is explained by how fast its cause moves.
    table["x_load_rate"] = table["x_load"].diff()
    table["x_rpm_rate"] = table["x_rpm"].diff()
    table["y"] = chart.target(points)
    good = (
        (points["warm"] > 0.5)
        & (points["regeneration"] < 0.5)
        & (points["idle"] < 0.5)
        & (rpm > 1.2 * rig.engine.idle_rpm)
        & (load > 12.0)
        & (points["load_mg_l"] > 12.0)
        & table[["y", "x_load_rate", "x_rpm_rate"]].notna().all(axis=1)
    )
    # After a regeneration the exhaust stays hot for minutes.
    recent = points["regeneration"].rolling(120, min_periods=1).max() > 0.5
    good &= ~recent
    table = pd.DataFrame(table[good])
    return None if _few(table) else table


def features(table: pd.DataFrame) -> Array:
    """Splines over load and over engine speed, their products and rates; shape (n, p).

    Quadratic B-splines bend where boost begins and where recirculation ends, which no low
    polynomial does. Weather is not among the features: it acts on a drive's level.
    """
    from sklearn.preprocessing import SplineTransformer

    r, q = table["x_rpm"].to_numpy(), table["x_load"].to_numpy()
    parts = []
    for values, knots in ((r, _RPM_KNOTS), (q, _LOAD_KNOTS)):
        spline = SplineTransformer(
            degree=2, knots=np.array(knots)[:, None], include_bias=False, extrapolation="linear"
        )
        parts.append(spline.fit_transform(values[:, None]))
    rates = table[["x_load_rate", "x_rpm_rate"]].to_numpy()
    return np.column_stack([*parts, r * q, r * r * q, r * q * q, rates])


def learn_shape(tables: list[pd.DataFrame]) -> Shape:
    """Fit one shape through several drives, each with a level of its own.

    Parameters
    ----------
    tables : list of DataFrame
        From :func:`map_points`.
    """
    joined = pd.concat(tables, ignore_index=True)
    drive = np.repeat(np.arange(len(tables)), [len(t) for t in tables])
    explained = features(joined)
    count = explained.shape[1]
    levels = (drive[:, None] == np.arange(len(tables))[None, :]).astype(float)
    y = joined["y"].to_numpy()
    block = drive * 1e6 + joined["block"].to_numpy()
    fit = robust_fit(np.column_stack([explained, levels]), y - np.median(y), block)
    shape = RobustFit(fit.coefficients[:count], fit.covariance[:count, :count], fit.scale)
    position = joined[["x_load", "x_rpm"]].to_numpy()
    low, high = np.quantile(position, [0.01, 0.99], axis=0)
    return Shape(shape, explained.mean(axis=0), low, high)


def _few(table: pd.DataFrame) -> bool:
    return len(table) < FEWEST_POINTS or table["block"].nunique() < FEWEST_BLOCKS


def _residuals(table: pd.DataFrame, shape: Shape) -> tuple[pd.DataFrame, Array, Array] | None:
    """The points that drive and baseline share, their features and what the shape leaves over."""
    position = table[["x_load", "x_rpm"]].to_numpy()
    # A shape is not to be believed beyond where it was learnt.
    inside = ((position >= shape.low) & (position <= shape.high)).all(axis=1)
    table = pd.DataFrame(table[inside])
    if _few(table):
        return None
    explained = features(table)
    return table, explained, table["y"].to_numpy() - explained @ shape.fit.coefficients


def level_measure(table: pd.DataFrame, shape: Shape) -> Measure | None:
    """How high a drive lies over the whole map.

    Parameters
    ----------
    table : DataFrame
        From :func:`map_points`.
    shape : Shape

    Returns
    -------
    Measure or None
        None where the drive and the baseline share too few operating points.
    """
    shared = _residuals(table, shape)
    if shared is None:
        return None
    table, explained, residual = shared
    value, error = robust_mean(residual, table["block"].to_numpy())
    away = explained.mean(axis=0) - shape.mean_features
    doubt = float(away @ shape.fit.covariance @ away)
    return Measure(value, float(np.sqrt(error**2 + max(doubt, 0.0))), len(table))


def flow_measure(table: pd.DataFrame, shape: Shape) -> Measure | None:
    """How much more a drive deviates at full fuel flow than at none.

    Parameters
    ----------
    table : DataFrame
        From :func:`map_points`.
    shape : Shape

    Returns
    -------
    Measure or None
        Coefficient of the residual on the squared share of full flow.
    """
    shared = _residuals(table, shape)
    if shared is None:
        return None
    table, _, residual = shared
    flow = (table["load_mg_l"] * table["engine_speed_rpm"] / FULL_FLOW_MG_L_RPM).to_numpy()
    flow = np.minimum(flow, 1.2) ** 2
    if np.quantile(flow, 0.95) < 0.1:
        return None
    columns = np.column_stack([np.ones(flow.size), flow])
    fit = robust_fit(columns, residual, table["block"].to_numpy())
    return Measure(float(fit.coefficients[1]), float(np.sqrt(fit.covariance[1, 1])), len(table))
