"""Wheel-dyno runs read from CSV, in any known unit.

A file holds one run, or several told apart by the column ``run``; several files are joined with
commas, as in ``first.csv,second.csv``. What is the same throughout (tyre pressure, gear, ...) may
be a column or a line of the conditions file.
"""

from __future__ import annotations

import gzip
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from loadlearn.dyno.cleaning import DynoRun, clean_run
from loadlearn.dyno.dyno_settings import RunSettings
from loadlearn.errors import InputError
from loadlearn.log.channels import Unit, unit_key, units_of

# quantity -> (its kind of unit, canonical suffix, lowest and highest possible canonical value)
QUANTITIES: dict[str, tuple[str, str, float, float]] = {
    "time": ("time", "s", -1e12, 1e12),
    "engine_speed": ("engine speed", "rpm", 0.0, 10_000.0),
    "roller_speed": ("engine speed", "rpm", 0.0, 20_000.0),
    "speed": ("speed", "m_s", -0.5, 100.0),
    "tractive_force": ("force", "n", -60_000.0, 60_000.0),
    "tractive_power": ("power", "kw", -1500.0, 1500.0),
    "axle_torque": ("torque", "n_m", -30_000.0, 30_000.0),
    "roller_torque": ("torque", "n_m", -30_000.0, 30_000.0),
    "engine_referred_torque": ("torque", "n_m", -5000.0, 5000.0),
    "engine_torque": ("torque", "n_m", -5000.0, 5000.0),
    "ambient_temp": ("temperature", "degc", -60.0, 80.0),
    "inlet_air_temp": ("temperature", "degc", -60.0, 120.0),
    "ambient_pressure": ("pressure", "kpa", 30.0, 120.0),
    "relative_humidity": ("percent", "percent", 0.0, 100.0),
    "vapour_pressure": ("pressure", "kpa", 0.0, 12.0),
    "boost": ("pressure", "kpa", -110.0, 500.0),
    "manifold_pressure": ("pressure", "kpa", 0.0, 600.0),
    "fuel_rate": ("mass flow", "g_s", 0.0, 200.0),
    "fuel_volume_rate": ("volume flow", "l_h", 0.0, 1000.0),
    "fuel_per_stroke": ("mass per stroke", "mg", 0.0, 1000.0),
    "accelerator": ("percent", "percent", -5.0, 110.0),
    "gear": ("count", "", 0.0, 24.0),
    "overall_ratio": ("count", "", 0.1, 200.0),
    "converter_locked": ("flag", "", 0.0, 1.0),
    "tyre_pressure": ("pressure", "kpa", 0.0, 1200.0),
    "tyre_radius": ("length", "m", 0.1, 1.5),
    "tyre_slip": ("percent", "percent", 0.0, 100.0),
    "roller_radius": ("length", "m", 0.05, 3.0),
    "roller_inertia": ("inertia", "kg_m2", 0.0, 5000.0),
    "roller_inertia_counted": ("flag", "", 0.0, 1.0),
    "coolant_temp": ("temperature", "degc", -60.0, 200.0),
    "transmission_oil_temp": ("temperature", "degc", -60.0, 250.0),
    "engine_oil_temp": ("temperature", "degc", -60.0, 250.0),
    "tyre_temp": ("temperature", "degc", -60.0, 250.0),
}

# Names of drive logs and of printed sheets that hold the same.
_ALIASES = {
    "fuel_rate_l_h": "fuel_volume_rate_l_h",
    "fuel_rate_l_min": "fuel_volume_rate_l_min",
    "fuel_mg_per_stroke": "fuel_per_stroke_mg_per_stroke",
    "wheel_power": "tractive_power",
    "roller_power": "tractive_power",
    "wheel_force": "tractive_force",
    "roller_force": "tractive_force",
    "wheel_torque": "axle_torque",
    "ambient_temperature": "ambient_temp",
    "barometric_pressure": "ambient_pressure",
    "baro_": "ambient_pressure_",
    "humidity": "relative_humidity",
}
# On the sheet of a wheel dyno: common practice, no source. Told in the notes of the run.
_UNPLACED = {
    "power": ("tractive_power", "the power at the wheels"),
    "force": ("tractive_force", "the force at the tread"),
    "torque": ("engine_referred_torque", "the torque at the wheels over the overall ratio"),
}


def split_paths(names: str | Path) -> list[Path]:
    """The files of one side of the comparison: one name, or several joined with commas."""
    if isinstance(names, Path) or Path(names).exists():
        return [Path(names)]
    return [Path(part.strip()) for part in str(names).split(",") if part.strip()]


def _key(name: str) -> str:
    """A header as quantity and unit with one underscore between: ``Power [kW]``, ``power_kw``."""
    return re.sub(r"[\s\[\](){},_]+", "_", name.strip().lower()).strip("_")


def _assumptions(headers: list[str]) -> list[str]:
    """What is taken for granted of columns that do not say where they were measured."""
    return [
        f"column '{header}' does not say where it was measured; taken as {found[1]}"
        for header in headers
        if (found := _unplaced(_key(header)))
    ]


def _unplaced(key: str) -> tuple[str, str] | None:
    """A name that does not say where, as one that does, and that in words."""
    spelled, _, unit = key.partition("_")
    if spelled not in _UNPLACED:
        return None
    meant, where = _UNPLACED[spelled]
    if unit_key(unit) not in units_of(QUANTITIES[meant][0]):
        return None
    return f"{meant}_{unit}", where


def canonical_column(name: str) -> tuple[str, Unit] | None:
    """What a column header means.

    Parameters
    ----------
    name : str
        Quantity and unit, as in ``ambient_pressure_hpa`` or ``ambient_pressure [hPa]``.

    Returns
    -------
    tuple or None
        Canonical name and the unit it is given in; ``None`` for a column of another kind.

    Raises
    ------
    InputError
        A known quantity with an unknown unit, or without one.
    """
    key = _key(name)
    for spelled, meant in _ALIASES.items():
        key = meant + key[len(spelled) :] if key.startswith(spelled) else key
    key = (_unplaced(key) or (key, ""))[0]
    for quantity in sorted(QUANTITIES, key=len, reverse=True):
        kind, suffix, _, _ = QUANTITIES[quantity]
        if key != quantity and not key.startswith(quantity + "_"):
            continue
        canonical = f"{quantity}_{suffix}" if suffix else quantity
        spelled = key[len(quantity) :].strip("_")
        if kind == "inertia":
            known = {"kgm2": Unit("inertia", "kg m2")}
        else:
            known = units_of(kind)
        if not spelled and not suffix:
            return canonical, next(iter(known.values()))
        unit = known.get(unit_key(spelled)) if spelled else None
        if unit is None:
            accepted = ", ".join(dict.fromkeys(unit.symbol for unit in known.values()))
            raise InputError(
                f"column '{name}' has no known unit; name it {canonical}, or end it with one of "
                f"{accepted}"
            )
        return canonical, unit
    return None


def to_canonical(raw: pd.DataFrame, source: str) -> pd.DataFrame:
    """Convert a table's known columns to SI units and check what is possible.

    Parameters
    ----------
    raw : DataFrame
        As read.
    source : str
        Named in errors.

    Returns
    -------
    DataFrame
        float64 columns; ``run`` and ``timestamp`` as they are.

    Raises
    ------
    InputError
        Unknown unit, text among numbers, or an impossible value; names the first row.
    """
    out: dict[str, Any] = {}
    for name in raw.columns:
        if str(name) in ("run", "timestamp"):
            out[str(name)] = raw[name].to_numpy()
            continue
        try:
            meaning = canonical_column(str(name))
        except InputError as error:
            raise InputError(f"{source}: {error}") from None
        if meaning is None:
            continue
        canonical, unit = meaning
        if canonical in out:
            raise InputError(f"{source}: two columns give {canonical}; leave one of them out")
        values = pd.to_numeric(raw[name], errors="coerce").to_numpy(dtype=np.float64)
        text = np.isnan(values) & raw[name].notna().to_numpy()
        if text.any():
            row = int(np.argmax(text))
            raise InputError(
                f"{source}: column '{name}', row {row + 2}: '{raw[name].iloc[row]}' is not a "
                "number; write a decimal point, or leave the cell empty"
            )
        values = np.asarray(unit.to_canonical(values), dtype=np.float64)
        low, high = _limits(canonical)
        with np.errstate(invalid="ignore"):
            impossible = (values < low) | (values > high)
        if impossible.any():
            row = int(np.argmax(impossible))
            raise InputError(
                f"{source}: column '{name}', row {row + 2}: {values[row]:g} ({canonical}) is "
                f"impossible (limits {low:g} to {high:g}); check the unit in the column's name"
            )
        out[canonical] = values
    return pd.DataFrame(out)


def _limits(canonical: str) -> tuple[float, float]:
    for quantity, (_, suffix, low, high) in QUANTITIES.items():
        if canonical == (f"{quantity}_{suffix}" if suffix else quantity):
            return low, high
    raise KeyError(canonical)


def read_runs(
    names: str | Path | list[Path],
    conditions: dict[str, Any] | None = None,
    settings: RunSettings | None = None,
    columns: dict[str, str] | None = None,
) -> list[DynoRun]:
    """Read and clean every run of one side of the comparison.

    Parameters
    ----------
    names : str, Path or list of Path
        CSV files (comma or semicolon, ``.gz`` too); a string may join several with commas. A
        column ``run`` splits a file in runs.
    conditions : dict, optional
        Quantities stated for all runs of the side, keyed like columns; a list gives one per run.
    settings : RunSettings, optional
        How a run is cut down to the pull.
    columns : dict, optional
        Header in the file to column name here, for files with foreign headers.

    Returns
    -------
    list of DynoRun
        In the order of the files and of the labels' first appearance.

    Raises
    ------
    InputError
        The file cannot be read or lacks what is needed; one sentence with the mend.
    """
    paths = names if isinstance(names, list) else split_paths(names)
    pieces: list[tuple[str, pd.DataFrame, list[str]]] = []
    for path in paths:
        raw = _read_table(path, columns)
        assumed = _assumptions([str(header) for header in raw.columns])
        table = to_canonical(raw, str(path))
        if "run" in table:
            if table["run"].isna().all():
                raise InputError(
                    f"{path}: the column 'run' is empty; number the runs in it, or drop the column"
                )
            for label, part in table.groupby("run", sort=False, dropna=True):
                pieces.append((f"{path.name} run {label}", part.reset_index(drop=True), assumed))
        else:
            pieces.append((path.name, table, assumed))
    stated = _conditions_per_run(conditions or {}, len(pieces))
    runs = []
    for (name, table, assumed), extra in zip(pieces, stated, strict=True):
        table = table.assign(**{k: v for k, v in extra.items() if k not in table})
        run = clean_run(table, name, settings)
        runs.append(replace(run, notes=[*run.notes, *assumed]))
    return runs


def _read_table(path: Path, columns: dict[str, str] | None) -> pd.DataFrame:
    try:
        opener = gzip.open if path.suffix == ".gz" else open
        with opener(path, "rt", encoding="utf-8-sig") as file:
            text = file.read()
        head, _, rest = text.partition("\n")
        separator = ";" if head.count(";") > head.count(",") else ","
        last = rest.rpartition("\n")[2]
        if last.strip() and last.count(separator) < head.count(separator):
            raise InputError(
                f"{path}: the last row ends after {last.count(separator) + 1} of "
                f"{head.count(separator) + 1} columns; the file is truncated, so export it again"
            )
        table = pd.read_csv(
            path,
            sep=separator,
            encoding="utf-8-sig",
            skipinitialspace=True,
            decimal="," if separator == ";" and _decimal_comma(path) else ".",
        )
    except FileNotFoundError:
        raise InputError(f"{path}: no such file; check the path") from None
    except (OSError, UnicodeDecodeError, EOFError) as error:
        raise InputError(f"{path}: cannot be read ({error})") from None
    except (pd.errors.EmptyDataError, pd.errors.ParserError) as error:
        raise InputError(f"{path}: not a readable CSV table ({error})") from None
    table.columns = [str(c).strip() for c in table.columns]
    if columns:
        table = table.rename(columns=columns)
    if table.empty:
        raise InputError(f"{path}: the file has no rows below its header; record the run again")
    return table


def _decimal_comma(path: Path) -> bool:
    sample = pd.read_csv(path, sep=";", nrows=50, dtype=str, encoding="utf-8-sig")
    text = " ".join(sample.fillna("").astype(str).to_numpy().ravel())
    return "," in text and "." not in text


def _conditions_per_run(conditions: dict[str, Any], runs: int) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = [{} for _ in range(runs)]
    for key, value in conditions.items():
        canonical, unit = "timestamp", None
        if key != "timestamp":
            meaning = canonical_column(key)
            if meaning is None:
                raise InputError(
                    f"conditions: '{key}' is not a known quantity; use a column name such as "
                    "tyre_pressure_kpa"
                )
            canonical, unit = meaning
        values = value if isinstance(value, list) else [value] * runs
        if len(values) != runs:
            raise InputError(
                f"conditions: '{key}' has {len(values)} values for {runs} runs; give one per run "
                "or a single one"
            )
        for row, item in zip(rows, values, strict=True):
            if unit is None:
                row[canonical] = item
            elif isinstance(item, bool | int | float):
                row[canonical] = unit.to_canonical(float(item))
            else:
                raise InputError(f"conditions: '{key}' is '{item}', not a number")
    return rows
