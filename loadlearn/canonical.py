"""From columns of any known naming and unit to the canonical columns.

Planning (which column is which channel) needs only the names, so that readers can plan before they
parse. The formulas below turn ingredients into canonical channels; they serve whole columns and
single samples alike.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import pandas as pd

from loadlearn import roadload
from loadlearn.channels import (
    BY_NAME,
    CANONICAL,
    Reading,
    Unit,
    accepted_spellings,
    find_reading,
    mapped_reading,
    unit_key,
    units_of,
    unknown_unit,
)
from loadlearn.errors import InputError
from loadlearn.rig import Rig
from loadlearn.trace import GROUPS, Floats, Origin, build_trace, check_limits, group_name

LEAST_SPEED_FOR_POWER_M_S = 2.0
"""Below it a force is not computed from a power."""

ChannelMap = Mapping[str, Any]


@dataclass
class Plan:
    """Which column of a source is read as which channel, and in which unit.

    Attributes
    ----------
    source : str
        Named in errors.
    columns : dict of str to (str, Unit)
        Channel (canonical or ingredient) to column name and unit.
    extras : list of str
        Columns that are kept and ignored.
    warnings : list of str
    """

    source: str
    columns: dict[str, tuple[str, Unit]] = field(default_factory=dict)
    extras: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def load_channel_map(channels: str | Path | ChannelMap | None) -> tuple[dict[str, Any], str]:
    """Read a channel map.

    Parameters
    ----------
    channels : path, mapping or None
        A TOML file with a table ``[channels]``, or that table (or the whole) as a mapping. Each
        entry is ``channel = { column = "…", unit = "…" }`` or ``channel = "column"``.

    Returns
    -------
    entries : dict
    where : str
        Names the map in errors.

    Raises
    ------
    InputError
        The file cannot be read, is not TOML, or an entry has another form.
    """
    if channels is None:
        return {}, ""
    where = "channel map"
    table: Any = channels
    if isinstance(channels, str | Path):
        where = str(channels)
        try:
            with open(channels, "rb") as file:
                table = tomllib.load(file)
        except FileNotFoundError:
            raise InputError(f"{where}: no such channel map; check the path") from None
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(f"{where}: the channel map cannot be read ({error})") from None
        except tomllib.TOMLDecodeError as error:
            raise InputError(f"{where}: not valid TOML: {error}; mend that line") from None
        if "channels" not in table:
            raise InputError(f"{where}: no table [channels]; put the entries under that heading")
    if not isinstance(table, Mapping):
        raise InputError(f"{where}: expected a path or a mapping of channels to columns")
    table = table.get("channels", table)
    entries: dict[str, Any] = {}
    for key, entry in table.items():
        entry = {"column": entry} if isinstance(entry, str) else entry
        if (
            not isinstance(entry, Mapping)
            or not set(entry) <= {"column", "unit"}
            or not all(isinstance(value, str) for value in entry.values())
            or "column" not in entry
        ):
            raise InputError(
                f"{where}: entry '{key}' is not understood; write "
                f'{key} = {{ column = "name in the log", unit = "its unit" }}'
            )
        entries[key] = entry
    return entries, where


def make_plan(
    names: Sequence[str],
    source: str,
    channels: str | Path | ChannelMap | None = None,
    declared_units: Mapping[str, str] | None = None,
) -> Plan:
    """Decide which column is read as which channel.

    A channel map's entry wins over a name that is understood by itself, a canonical name over other
    spellings, and a canonical channel over the ingredients it could be computed from.

    Parameters
    ----------
    names : sequence of str
        Columns of the source.
    source : str
        Named in errors.
    channels : path, mapping or None
        Channel map.
    declared_units : mapping of str to str, optional
        Column to the unit that the file itself declares.

    Returns
    -------
    Plan

    Raises
    ------
    InputError
        A needed channel is missing, a unit is unknown or contradicts the column's name, or the
        channel map names a column that is not there.
    """
    plan = Plan(source)
    units = {name: unit for name, unit in (declared_units or {}).items() if unit.strip()}
    entries, where = load_channel_map(channels)
    by_map: set[str] = set()
    used: set[str] = set()
    for key, entry in entries.items():
        column = _find_column(entry["column"], names, key, where, source)
        reading = mapped_reading(key, entry.get("unit", units.get(column)), where)
        channel = reading.channel.name
        if channel in by_map:
            raise InputError(f"{where}: channel '{channel}' is given twice; keep one entry")
        plan.columns[channel] = (column, reading.unit)
        by_map.add(channel)
        used.add(column)
    for name in _canonical_first(names):
        if name in used:
            continue
        found = _reading_of(name, units.get(name), source)
        if found is None:
            continue
        channel = found.channel.name
        if channel in plan.columns:
            if channel not in by_map:
                plan.warnings.append(
                    f"column '{name}' also holds {found.channel.description}; "
                    f"'{plan.columns[channel][0]}' is used"
                )
            continue
        # An entry of the map for an ingredient wins over a canonical column beside it.
        if any(BY_NAME[mapped].feeds == channel for mapped in by_map):
            continue
        plan.columns[channel] = (name, found.unit)
        used.add(name)
    _drop_idle_ingredients(plan)
    used = {column for column, _ in plan.columns.values()}
    plan.extras = [name for name in names if name not in used]
    _check_groups(plan, names)
    return plan


def _find_column(wanted: str, names: Sequence[str], key: str, where: str, source: str) -> str:
    if wanted in names:
        return wanted
    folded = [name for name in names if name.strip().lower() == wanted.strip().lower()]
    if len(folded) == 1:
        return folded[0]
    close = difflib.get_close_matches(wanted, names, n=1)
    hint = f"did you mean '{close[0]}'?" if close else f"the columns are: {', '.join(names)}"
    raise InputError(f"{where}: {source} has no column '{wanted}' for channel '{key}'; {hint}")


def _canonical_first(names: Sequence[str]) -> list[str]:
    def rank(name: str) -> int:
        found = find_reading(name)
        if found is None:
            return 3
        return 0 if name == found.channel.name else 1 if found.unit == found.channel.unit else 2

    return sorted(names, key=rank)


def _reading_of(name: str, declared: str | None, source: str) -> Reading | None:
    found = find_reading(name)
    if declared is None:
        return found
    if found is None:
        return find_reading(f"{name} [{declared}]")
    unit = units_of(found.channel.quantity).get(unit_key(declared))
    if unit is not None and unit != found.unit and found.channel.quantity not in ("flag", "range"):
        raise InputError(
            f"{source}: channel '{name}' is declared in {declared}, which contradicts its name "
            f"({found.unit.symbol}); say which it is in a channel map: "
            f'{found.channel.name} = {{ column = "{name}", unit = "…" }}'
        )
    return found


def _drop_idle_ingredients(plan: Plan) -> None:
    """Leave aside what nothing is computed from: its canonical channel is there already."""
    have = set(plan.columns)
    volume_wins = "fuel_rate_l_h" in have
    for name in list(plan.columns):
        channel = BY_NAME[name]
        if channel.feeds and (
            channel.feeds in have or (name == "fuel_mg_per_stroke" and volume_wins)
        ):
            del plan.columns[name]
    if "engine_percent_torque" not in plan.columns:
        for name in ("engine_friction_percent_torque", "engine_reference_torque_n_m"):
            plan.columns.pop(name, None)


def _check_groups(plan: Plan, names: Sequence[str]) -> None:
    for group in GROUPS:
        members = [name for name in plan.columns if BY_NAME[name].group == group]
        if members or (group == "grade" and "ambient_pressure_kpa" in plan.columns):
            continue
        for name in plan.extras:
            channel = unknown_unit(name, group)
            if channel is not None:
                quantities = [c.quantity for c in BY_NAME.values() if c.stem == channel.stem]
                raise InputError(
                    f"{plan.source}: column '{name}' looks like {channel.description} in an "
                    f"unknown unit; name it {channel.name}, or end its name in, or map it to, one "
                    f"of: {accepted_spellings(*quantities)}"
                )
        shown = ", ".join(names[:30]) + (", …" if len(names) > 30 else "")
        raise InputError(
            f"{plan.source}: a column is missing: needed is {group_name(group)}; add it, or name "
            f"the column that holds it in a channel map; the columns are: {shown}"
        )
    for name in plan.extras:
        channel = unknown_unit(name, "")
        tail = name.strip().lower()[len(channel.stem) :].strip("_ []()") if channel else ""
        if channel is not None and channel.name not in plan.columns and "_" not in tail:
            plan.warnings.append(
                f"column '{name}' looks like {channel.description} but its unit is not known, so "
                f"it is not used; known: {accepted_spellings(channel.quantity)}"
            )


# ------------------------------------------------------------------------------- formulas


def fuel_from_volume(litres_per_hour: Any, rig: Rig) -> Any:
    """Fuel mass flow (g/s) from volume flow (l/h) and the rig's density."""
    density = rig.engine.fuel_density_kg_m3
    assert density is not None
    return litres_per_hour * (density / 3600.0)


def fuel_from_stroke(mg_per_stroke: Any, engine_speed_rpm: Any, rig: Rig) -> Any:
    """Fuel mass flow (g/s) from mg per cylinder and injection cycle.

    ``mg x cylinders x rpm / (30 000 x strokes_per_cycle)``: a cylinder is injected once in
    strokes_per_cycle / 2 turns.
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
    slow = speed_m_s < LEAST_SPEED_FOR_POWER_M_S
    if isinstance(slow, bool):
        return math.nan if slow or speed_m_s != speed_m_s else 1e3 * power_kw / speed_m_s
    safe = np.where(slow, np.nan, speed_m_s)
    return 1e3 * power_kw / safe


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

    Returns
    -------
    float
    """
    known = values[~np.isnan(values)]
    if known.size < 8:
        return 0.0
    white = 1.4826 * float(np.median(np.abs(np.diff(known, 3)))) / math.sqrt(20.0)
    steps = np.abs(np.diff(known))
    steps = steps[steps > 1e-9]
    rounding = float(np.quantile(steps, 0.01)) / math.sqrt(12.0) if steps.size else 0.0
    return max(white, rounding)


# ------------------------------------------------------------------------------- whole logs


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
        See :func:`loadlearn.readers.read_log`.
    """
    origin = Origin(plan.source, row_label, plan.columns)
    values: dict[str, Floats] = {}
    for name, raw in columns.items():
        values[name] = plan.columns[name][1].to_canonical(raw)
        check_limits(values[name], BY_NAME[name], origin)
    notes: dict[str, str] = {}
    kept = dict(extras)
    _derive(values, kept, plan, notes, rig)
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


def _derive(
    values: dict[str, Floats],
    extras: dict[str, Any],
    plan: Plan,
    notes: dict[str, str],
    rig: Rig | None,
) -> None:
    """Compute canonical channels from ingredients, in place."""
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
    column = plan.columns[name][0]
    raise InputError(
        f"{plan.source}: column '{column}' can only be converted with the rig's key "
        f"'engine.{key}'; give a rig file that has it"
    )


def _needs_engine_speed(values: Mapping[str, Floats], plan: Plan, name: str) -> Floats:
    if "engine_speed_rpm" not in values:
        raise InputError(
            f"{plan.source}: column '{plan.columns[name][0]}' can only be converted with the "
            "engine's speed; log engine_speed_rpm too, or name its column in a channel map"
        )
    return values["engine_speed_rpm"]


def _net_torque(values: Mapping[str, Floats], plan: Plan, rig: Rig | None) -> Floats:
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
    if "ambient_pressure_kpa" in values:
        return values["ambient_pressure_kpa"]
    if "altitude_m" in values:
        return roadload.isa_pressure_kpa(values["altitude_m"])
    plan.warnings.append(
        "boost was computed from manifold pressure with a sea-level ambient pressure of "
        "101.325 kPa, for neither ambient pressure nor altitude is logged"
    )
    return float(roadload.isa_pressure_kpa(0.0))


# ------------------------------------------------------------------------------- one sample

_Entry = tuple[str, float, float, bool, float, float, bool]
_entries: dict[str, _Entry | None] = {}
_SAMPLE = "sample"


def _entry(key: str) -> _Entry | None:
    found = find_reading(key) if isinstance(key, str) else None
    entry: _Entry | None = None
    if found is not None:
        channel, unit = found.channel, found.unit
        slack = 1e-9 * max(abs(channel.lower), abs(channel.upper))
        entry = (
            channel.name,
            unit.scale,
            unit.offset,
            unit.tangent,
            channel.lower - slack,
            channel.upper + slack,
            channel.name == key,
        )
    if len(_entries) < 4096:
        _entries[key] = entry
    return entry


def canonical_sample(mapping: Mapping[str, Any], rig: Rig | None = None) -> dict[str, float]:
    """One sample, as it comes from a vehicle, in canonical columns.

    Parameters
    ----------
    mapping : mapping
        Any mapping (dict, Series, row) with canonical names or the same names in another unit
        (``speed_kmh``). None or NaN is unknown; keys of other names are ignored. ``timestamp`` is
        read as seconds since 1970, UTC.
    rig : Rig, optional
        For keys that need it (``fuel_rate_l_h`` …).

    Returns
    -------
    dict of str to float
        Canonical channels only, in canonical units.

    Raises
    ------
    InputError
        ``time_s`` is missing or unknown, ``speed_m_s`` is missing, a value is impossible or not a
        number, or a key needs a rig and none was given.
    """
    sample: dict[str, float] = {}
    ingredients = False
    for key, value in mapping.items():
        try:
            entry = _entries[key]
        except KeyError:
            entry = _entry(key)
        if entry is None:
            continue
        name, scale, offset, tangent, lower, upper, exact = entry
        if name in sample and not exact:
            continue
        if isinstance(value, float | int):
            number = float(value)
        else:
            number = _number(key, name, value)
        number = 100.0 * math.tan(number * scale) if tangent else number * scale + offset
        if not lower <= number <= upper and number == number:
            channel = BY_NAME[name]
            raise InputError(
                f"{_SAMPLE}: {key} = {value!r} is impossible for {channel.description} (from "
                f"{channel.lower:g} to {channel.upper:g} {channel.unit.symbol}); correct it, or "
                "pass None for an unknown value"
            )
        sample[name] = number
        ingredients = ingredients or name not in CANONICAL
    if ingredients:
        sample = _derive_sample(sample, rig)
    time_s = sample.get("time_s")
    if time_s is None or time_s != time_s:
        raise InputError(f"{_SAMPLE}: time_s is missing; give the time of the sample in seconds")
    speed = sample.get("speed_m_s")
    if speed is None:
        raise InputError(
            f"{_SAMPLE}: speed_m_s is missing; give the road speed, or None where it is unknown"
        )
    if speed < 0.0:
        sample["speed_m_s"] = 0.0
    return sample


def _number(key: str, name: str, value: Any) -> float:
    from loadlearn.words import number_from_word

    number: float | None
    if name == "timestamp":
        try:
            stamp = pd.Timestamp(value)
            stamp = stamp.tz_localize("UTC") if stamp.tzinfo is None else stamp
            number = stamp.timestamp()
        except (TypeError, ValueError):
            number = None
    else:
        number = number_from_word(value, BY_NAME[name])
    if number is None:
        raise InputError(
            f"{_SAMPLE}: {key} = {value!r} is not a number; pass a number, or None where unknown"
        )
    return number


def _derive_sample(sample: dict[str, float], rig: Rig | None) -> dict[str, float]:
    have = set(sample)
    plan = Plan(_SAMPLE, {name: (name, BY_NAME[name].unit) for name in sample})
    _drop_idle_ingredients(plan)
    if "timestamp" in sample and "time_s" not in sample:
        sample["time_s"] = sample["timestamp"]
    values: dict[str, Any] = {n: sample[n] for n in sample if n in plan.columns}
    if "fuel_rate_l_h" in values:
        if rig is None:
            _no_rig(plan, "fuel_rate_l_h", "fuel_density_kg_m3")
        sample["fuel_rate_g_s"] = fuel_from_volume(values["fuel_rate_l_h"], rig)
    if "fuel_mg_per_stroke" in values:
        if rig is None:
            _no_rig(plan, "fuel_mg_per_stroke", "cylinders")
        rpm = _needs_engine_speed(values, plan, "fuel_mg_per_stroke")
        sample["fuel_rate_g_s"] = fuel_from_stroke(values["fuel_mg_per_stroke"], rpm, rig)
    if "engine_percent_torque" in values:
        sample["engine_torque_n_m"] = float(_net_torque(values, plan, rig))
    if "tractive_power_kw" in values and "speed_m_s" in values:
        sample["tractive_force_n"] = force_from_power(
            values["tractive_power_kw"], values["speed_m_s"]
        )
    if "brake_pressure_kpa" in values:
        pressure = values["brake_pressure_kpa"]
        sample["brake_active"] = pressure if math.isnan(pressure) else float(pressure > 0.0)
    if "manifold_pressure_kpa" in values:
        sample["boost_kpa"] = float(values["manifold_pressure_kpa"] - _ambient_kpa(values, plan))
    if "ambient_pressure_kpa" in have and not {"altitude_m", "grade_percent"} & have:
        sample["altitude_m"] = float(roadload.isa_altitude_m(sample["ambient_pressure_kpa"]))
    return {name: value for name, value in sample.items() if name in CANONICAL}
