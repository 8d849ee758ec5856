"""Which column of a log is which channel, and in which unit.

The plan needs only the columns' names, so that readers can plan before they parse.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from loadlearn.errors import InputError
from loadlearn.log.channels import (
    BY_NAME,
    Reading,
    Unit,
    accepted_spellings,
    find_reading,
    mapped_reading,
    unit_key,
    units_of,
    unknown_unit,
)
from loadlearn.log.trace import GROUPS, group_name

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
        except (ValueError, RecursionError) as error:
            raise InputError(f"{where}: not valid TOML: {error}; mend that line") from None
        if "channels" not in table:
            raise InputError(f"{where}: no table [channels]; put the entries under that heading")
    if not isinstance(table, Mapping):
        raise InputError(f"{where}: expected a path or a mapping of channels to columns")
    table = table.get("channels", table)
    if not isinstance(table, Mapping):
        raise InputError(f"{where}: 'channels' is no table; write its heading as [channels]")
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
    whole: bool = True,
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
    whole : bool
        Whether a needed channel that is missing is an error.

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
    drop_idle_ingredients(plan)
    used = {column for column, _ in plan.columns.values()}
    plan.extras = [name for name in names if name not in used]
    if whole:
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


def drop_idle_ingredients(plan: Plan) -> None:
    """Leave aside what nothing is computed from: its canonical channel is there already.

    Parameters
    ----------
    plan : Plan
        Changed in place.
    """
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
