"""Canonical channels computed from others, and a planned log made a trace."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, NoReturn

import numpy as np
import pandas as pd

from loadlearn.errors import InputError
from loadlearn.log.channel_faults import Floats
from loadlearn.log.channels import BY_NAME, CANONICAL
from loadlearn.log.column_plan import Plan
from loadlearn.log.trace import Origin, build_trace, check_limits, check_stamps
from loadlearn.vehicle import roadload
from loadlearn.vehicle.rig import Rig

LEAST_SPEED_FOR_POWER_M_S = 2.0
"""Below it a force is not computed from a power."""


def fuel_from_volume(litres_per_hour: Any, rig: Rig) -> Any:
    """Fuel mass flow (g/s) from volume flow (l/h) and the rig's density."""
    density = rig.engine.fuel_density_kg_m3
    assert density is not None
    return litres_per_hour * (density / 3600.0)


def fuel_from_stroke(mg_per_stroke: Any, engine_speed_rpm: Any, rig: Rig) -> Any:
    """Fuel mass flow (g/s) from mg per cylinder and injection cycle.

    ``mg x cylinders x rpm / (30 000 x strokes_per_cycle)``: a cylinder is injected once in
    strokes_per_cycle / 2 turns.

    Returns
    -------
    float or ndarray
        g/s.
    """
    per_rpm = rig.engine.cylinders / (30_000.0 * rig.engine.strokes_per_cycle)
    return mg_per_stroke * engine_speed_rpm * per_rpm


def friction_torque_n_m(engine_speed_rpm: Any, rig: Rig) -> Any:
    """Friction torque of the rig's engine (N m): mean effective pressure times V / (strokes pi)."""
    engine = rig.engine
    omega = engine_speed_rpm * (math.pi / 30.0)
    mep_kpa = engine.friction_mep_kpa + engine.friction_mep_slope_kpa_s_per_rad * omega
    return mep_kpa * 1e3 * engine.displacement_m3 / (engine.strokes_per_cycle * math.pi)


def force_from_power(power_kw: Any, speed_m_s: Any) -> Any:
    """Force (N) from power at the tread; NaN below 2 m/s, where it would blow up."""
    return 1e3 * power_kw / np.where(speed_m_s < LEAST_SPEED_FOR_POWER_M_S, np.nan, speed_m_s)


def force_sd_from_power(force_n: Any, speed_m_s: Any, power_sd_kw: Any, speed_sd_m_s: Any) -> Any:
    """Standard deviation of :func:`force_from_power` (N), from sd(P)/v and F sd(v)/v."""
    return np.hypot(1e3 * power_sd_kw, force_n * speed_sd_m_s) / speed_m_s


def noise_sd(values: Floats) -> float:
    """White noise of a sampled channel, from its third differences and its resolution.

    A smooth signal vanishes in third differences, whose variance is 20 times that of white noise;
    the median holds off steps. Rounding adds step^2 / 12, which a slowly changing channel shows
    only now and then.

    Parameters
    ----------
    values : ndarray
        Regularly sampled; NaN is skipped.
    """
    known = values[~np.isnan(values)]
    if known.size < 8:
        return 0.0
    white = 1.4826 * float(np.median(np.abs(np.diff(known, 3)))) / math.sqrt(20.0)
    steps = np.abs(np.diff(known))
    steps = steps[steps > 1e-9]
    rounding = float(np.quantile(steps, 0.01)) / math.sqrt(12.0) if steps.size else 0.0
    return max(white, rounding)


def to_trace(
    plan: Plan,
    columns: Mapping[str, Floats],
    extras: Mapping[str, Any],
    row_label: Callable[[int], str],
    rig: Rig | None,
) -> pd.DataFrame:
    """Convert, derive and validate.

    Parameters
    ----------
    plan : Plan
        From :func:`make_plan`.
    columns : mapping of str to ndarray
        Channel (canonical or ingredient) to its values in the unit the plan names.
    extras : mapping of str to array
        Columns that are kept and ignored.
    row_label : callable
        Row number (from 0) to words.
    rig : Rig or None
        For columns that need it.

    Returns
    -------
    pandas.DataFrame
        A valid trace.

    Raises
    ------
    InputError
        See :func:`loadlearn.log.readers.read_log`.
    """
    origin = Origin(plan.source, row_label, plan.columns)
    values: dict[str, Floats] = {}
    for name, raw in columns.items():
        values[name] = plan.columns[name][1].to_canonical(raw)
        check_limits(values[name], BY_NAME[name], origin)
    check_stamps(values["time_s"], origin)
    hold_mixed_rates(values, plan)
    notes: dict[str, str] = {}
    kept = dict(extras)
    derive(values, kept, plan, notes, rig)
    canonical = {name: column for name, column in values.items() if name in CANONICAL}
    renamed = {(f"logged_{n}" if n in canonical else n): column for n, column in kept.items()}
    trace = build_trace(canonical, renamed, origin, plan.warnings)
    for name, note in notes.items():
        if name in trace.attrs["columns"]:
            trace.attrs["columns"][name].update(_note(note, plan))
    return trace


def _note(note: str, plan: Plan) -> dict[str, str]:
    column, unit = plan.columns[note]
    return {"column": column, "unit": unit.symbol, "computed_from": note}


def derive(
    values: dict[str, Floats],
    extras: dict[str, Any],
    plan: Plan,
    notes: dict[str, str],
    rig: Rig | None,
) -> None:
    """Compute canonical channels from ingredients, in place.

    Parameters
    ----------
    values : dict of str to ndarray
        Channels in canonical units; gains those computed.
    extras : dict of str to array
        Other columns; gains the standard deviation of a force made of a power.
    plan : Plan
        Names columns in errors; gains warnings.
    notes : dict of str to str
        Gains what each channel was computed from.
    rig : Rig or None

    Raises
    ------
    InputError
        A column needs a rig, or a column that is not there.
    """
    if "fuel_rate_l_h" in values:
        if rig is None:
            _no_rig(plan, "fuel_rate_l_h", "fuel_density_kg_m3")
        values["fuel_rate_g_s"] = fuel_from_volume(values["fuel_rate_l_h"], rig)
        notes["fuel_rate_g_s"] = "fuel_rate_l_h"
    if "fuel_mg_per_stroke" in values:
        if rig is None:
            _no_rig(plan, "fuel_mg_per_stroke", "cylinders")
        rpm = _needs_engine_speed(values, plan, "fuel_mg_per_stroke")
        values["fuel_rate_g_s"] = fuel_from_stroke(values["fuel_mg_per_stroke"], rpm, rig)
        notes["fuel_rate_g_s"] = "fuel_mg_per_stroke"
    if "engine_percent_torque" in values:
        values["engine_torque_n_m"] = _net_torque(values, plan, rig)
        notes["engine_torque_n_m"] = "engine_percent_torque"
    if "tractive_power_kw" in values:
        speed = values["speed_m_s"]
        force = force_from_power(values["tractive_power_kw"], speed)
        values["tractive_force_n"] = force
        power_sd = extras.get("tractive_power_sd_kw", noise_sd(values["tractive_power_kw"]))
        speed_sd = extras.get("speed_sd_m_s", noise_sd(speed))
        extras["tractive_force_sd_n"] = force_sd_from_power(
            force, np.where(np.isnan(force), np.nan, speed), power_sd, speed_sd
        )
        notes["tractive_force_n"] = "tractive_power_kw"
    if "brake_pressure_kpa" in values:
        pressure = values["brake_pressure_kpa"]
        values["brake_active"] = np.where(np.isnan(pressure), np.nan, pressure > 0.0)
        notes["brake_active"] = "brake_pressure_kpa"
    if (
        "ambient_pressure_kpa" in values
        and "altitude_m" not in values
        and "grade_percent" not in values
    ):
        values["altitude_m"] = roadload.isa_altitude_m(values["ambient_pressure_kpa"])
        notes["altitude_m"] = "ambient_pressure_kpa"
    if "manifold_pressure_kpa" in values:
        values["boost_kpa"] = values["manifold_pressure_kpa"] - _ambient_kpa(values, plan)
        notes["boost_kpa"] = "manifold_pressure_kpa"


def _no_rig(plan: Plan, name: str, key: str) -> NoReturn:
    """Raise for a column that needs a key of the rig's table ``[engine]``."""
    column = plan.columns[name][0]
    raise InputError(
        f"{plan.source}: column '{column}' can only be converted with the rig's key "
        f"'engine.{key}'; give a rig file that has it"
    )


def _needs_engine_speed(values: Mapping[str, Floats], plan: Plan, name: str) -> Floats:
    """The engine speed that a column's conversion needs, or an error."""
    if "engine_speed_rpm" not in values:
        raise InputError(
            f"{plan.source}: column '{plan.columns[name][0]}' can only be converted with the "
            "engine's speed; log engine_speed_rpm too, or name its column in a channel map"
        )
    return values["engine_speed_rpm"]


def _net_torque(values: Mapping[str, Floats], plan: Plan, rig: Rig | None) -> Floats:
    """Brake torque (N m) from percent torque: less friction, times the reference torque."""
    reference: Any = rig.engine.reference_torque_n_m if rig is not None else None
    if reference is None:
        reference = values.get("engine_reference_torque_n_m")
    if reference is None:
        _no_rig(plan, "engine_percent_torque", "reference_torque_n_m")
    percent = values["engine_percent_torque"]
    friction = values.get("engine_friction_percent_torque")
    if friction is not None and not np.isnan(friction).all():
        return np.asarray((percent - friction) * 0.01 * reference)
    if rig is None:
        _no_rig(plan, "engine_percent_torque", "friction_mep_kpa")
    rpm = _needs_engine_speed(values, plan, "engine_percent_torque")
    plan.warnings.append(
        f"column '{plan.columns['engine_percent_torque'][0]}' is gross of friction and there is no "
        "engine_friction_percent_torque: the rig's friction line was subtracted"
    )
    return np.asarray(percent * 0.01 * reference - friction_torque_n_m(rpm, rig))


def _ambient_kpa(values: Mapping[str, Floats], plan: Plan) -> Floats | float:
    """Ambient pressure: logged, or that of the standard atmosphere at the altitude."""
    if "ambient_pressure_kpa" in values:
        return values["ambient_pressure_kpa"]
    if "altitude_m" in values:
        return roadload.isa_pressure_kpa(values["altitude_m"])
    plan.warnings.append(
        "boost was computed from manifold pressure with a sea-level ambient pressure of "
        "101.325 kPa, for neither ambient pressure nor altitude is logged"
    )
    return float(roadload.isa_pressure_kpa(0.0))


def hold(time_s: Floats, stamps: Floats, values: Floats) -> Floats:
    """A channel on other stamps: its last value, for as long as it may be held.

    Parameters
    ----------
    time_s : ndarray
        Stamps wanted, rising.
    stamps, values : ndarray
        The channel's own; NaN values hold nothing.

    Returns
    -------
    ndarray
        NaN before the first value, and where the last is older than 1 s and three of the channel's
        own intervals: a drop-out is not papered over.
    """
    if stamps.size == time_s.size and np.array_equal(stamps, time_s):
        return values
    known = ~np.isnan(values) & ~np.isnan(stamps)
    stamps, values = stamps[known], values[known]
    if stamps.size == 0:
        return np.full(time_s.size, np.nan)
    last = np.searchsorted(stamps, time_s, side="right") - 1
    interval = float(np.median(np.diff(stamps))) if stamps.size > 1 else 0.0
    held = values[np.maximum(last, 0)]
    age = time_s - stamps[np.maximum(last, 0)]
    return np.where((last < 0) | (age > max(1.0, 3.0 * interval)), np.nan, held)


def hold_mixed_rates(values: dict[str, Floats], plan: Plan) -> None:
    """Hold channels that have a value only in every second row or fewer, in place.

    Loggers that poll channels in turn write a row per answer and leave the other cells empty. A
    drop-out is another thing (its neighbours are full) and stays empty.

    Parameters
    ----------
    values : dict of str to ndarray
        Channels in canonical units, with ``time_s``.
    plan : Plan
        Gets a warning that names the columns.
    """
    time_s = values["time_s"]
    held = []
    for name, column in values.items():
        missing = np.isnan(column)
        if name == "time_s" or missing.mean() < 0.3:
            continue
        rows = np.flatnonzero(~missing)
        if rows.size < 3 or np.median(np.diff(rows)) < 2:
            continue
        values[name] = hold(time_s, time_s[rows], column[rows])
        held.append(plan.columns[name][0])
    if held:
        plan.warnings.append(
            f"column(s) {', '.join(held)} have a value only in some rows (mixed rates): each value "
            "is held until the next"
        )
