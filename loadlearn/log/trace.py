"""What a valid trace is, and the faults that are tolerated but counted.

A trace is a pandas DataFrame with one row per sample, float64 columns named as in
:mod:`loadlearn.log.channels`, rising ``time_s`` and a RangeIndex. Columns of other names are kept
and ignored. Flags are 0/1 with NaN for unknown; ``transfer_range`` is 0 for high and 1 for low.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.log.channel_faults import Floats, count_faults
from loadlearn.log.channels import BY_NAME, CANONICAL, CHANNELS, UNSIGNED, Channel, Unit

GROUPS = ("time", "speed", "force", "grade")
"""Of each group of channels a log needs one member."""

_GROUP_NAMES = {
    "time": "the time (time_s, time_ms or an ISO 8601 timestamp)",
    "speed": "the road speed (speed_m_s, speed_kmh or speed_mph)",
    "force": "fuelling, engine torque or tractive force (one of fuel_rate_g_s, fuel_rate_l_h, "
    "fuel_mg_per_stroke, engine_torque_n_m, engine_percent_torque, tractive_force_n, "
    "tractive_power_kw)",
    "grade": "the road's grade (one of grade_percent, grade_deg, altitude_m, altitude_ft, "
    "accel_long_m_s2, accel_long_g, ambient_pressure_kpa)",
}


def group_name(group: str) -> str:
    """What is needed of a group, for error messages.

    Parameters
    ----------
    group : str
        One of :data:`GROUPS`.
    """
    return _GROUP_NAMES[group]


@dataclass(frozen=True)
class Origin:
    """Where columns came from, so that messages can name file, column and row.

    Attributes
    ----------
    source : str
        File name, or what stands for it.
    row_label : callable
        Row number (from 0) to words, as ``"line 18 (the header is line 1)"``.
    columns : dict of str to (str, Unit)
        Channel to the column's name in the source and the unit it is in.
    """

    source: str
    row_label: Callable[[int], str]
    columns: Mapping[str, tuple[str, Unit]] = field(default_factory=dict)

    def column(self, name: str) -> str:
        """Name in the source of the column behind a channel."""
        return self.columns[name][0] if name in self.columns else name


def row_of_frame(row: int) -> str:
    """Words for a row of a table without lines.

    Parameters
    ----------
    row : int
        From 0.
    """
    return f"row {row} (the first row is 0)"


def check_limits(values: Floats, channel: Channel, origin: Origin) -> None:
    """Raise for the first value that is impossible.

    Parameters
    ----------
    values : ndarray
        In the channel's canonical unit; NaN passes.
    channel : Channel
        Gives the inclusive limits.
    origin : Origin
        Names the place in the error.

    Raises
    ------
    InputError
        A value lies beyond a limit or is infinite.
    """
    if values.size == 0:
        return
    # A unit's conversion may round a value that sits on the limit.
    slack = 1e-9 * max(abs(channel.lower), abs(channel.upper))
    with np.errstate(invalid="ignore"):
        low, high = np.fmin.reduce(values), np.fmax.reduce(values)
        if not (low < channel.lower - slack or high > channel.upper + slack):
            return
        bad = (values < channel.lower - slack) | (values > channel.upper + slack)
    row = int(np.argmax(bad))
    raise InputError(_impossible(float(values[row]), channel, origin, row))


def _impossible(value: float, channel: Channel, origin: Origin, row: int) -> str:
    column, unit = origin.columns.get(channel.name, (channel.name, channel.unit))
    canonical = channel.unit.symbol
    shown = f"{value:g} {canonical}".replace(" 0/1", "").replace(" number", "")
    if unit.symbol != canonical:
        shown += f" (read in {unit.symbol})"
    if value < channel.lower:
        limit = f"below the least possible, {channel.lower:g}"
    else:
        limit = f"above the most possible, {channel.upper:g}"
    return (
        f"{origin.source}: column '{column}', {origin.row_label(row)}: {shown} is impossible for "
        f"{channel.description} ({limit} {canonical}); correct or empty that cell, or name the "
        "column's true unit"
    )


def check_stamps(time_s: Floats, origin: Origin) -> NDArray[np.intp]:
    """Raise where time runs backwards.

    Parameters
    ----------
    time_s : ndarray
        Stamps; NaN for rows without one.
    origin : Origin
        Names the place in errors.

    Returns
    -------
    ndarray of int
        Rows that have a stamp.

    Raises
    ------
    InputError
        A stamp lies before the one above it, or fewer than two rows have one.
    """
    rows = np.flatnonzero(~np.isnan(time_s))
    if rows.size < 2:
        raise InputError(
            f"{origin.source}: column '{origin.column('time_s')}': only {rows.size} row(s) with a "
            "time stamp; a log needs at least two samples, so record a longer drive"
        )
    stamps = time_s[rows]
    backwards = np.diff(stamps) < 0.0
    if backwards.any():
        at = int(np.argmax(backwards)) + 1
        raise InputError(
            f"{origin.source}: column '{origin.column('time_s')}', "
            f"{origin.row_label(int(rows[at]))}: time runs backwards, from {stamps[at - 1]:.10g} s "
            f"to {stamps[at]:.10g} s; sort the rows by time, or split the log where its clock was "
            "reset"
        )
    return rows


def build_trace(
    columns: Mapping[str, Floats],
    extras: Mapping[str, Any],
    origin: Origin,
    warnings: list[str],
    counts: Mapping[str, Any] | None = None,
) -> pd.DataFrame:
    """Check canonical columns, drop repeated stamps and count what is tolerated.

    Parameters
    ----------
    columns : mapping of str to ndarray
        Canonical columns, float64, in canonical units.
    extras : mapping of str to array
        Columns of other names, kept as they are.
    origin : Origin
        Names places in errors.
    warnings : list of str
        Sentences so far; more are appended.
    counts : mapping, optional
        Counts of an earlier pass over the same log; those of rows dropped are added.

    Returns
    -------
    pandas.DataFrame
        With ``attrs``: ``source``, ``warnings``, ``counts`` and ``columns`` (channel to the name
        and unit it was read from).

    Raises
    ------
    InputError
        As the rules on bad input say; see :func:`validate_trace`.
    """
    columns = _without_empty(dict(columns), origin, warnings)
    for name, values in columns.items():
        check_limits(values, CANONICAL[name], origin)
    rows = check_stamps(columns["time_s"], origin)
    time_s = columns["time_s"][rows]
    last_of_stamp = np.append(np.diff(time_s) > 0.0, True)
    keep = rows[last_of_stamp]
    if keep.size < 2:
        raise InputError(
            f"{origin.source}: column '{origin.column('time_s')}': every row has the same time "
            "stamp; record time with a finer resolution"
        )
    every = columns["time_s"].size
    whole = keep.size == every
    data: dict[str, Any] = {}
    for channel in CHANNELS:
        if channel.name in columns:
            values = columns[channel.name]
            values = values if whole else values[keep]
            # A sensor's zero may be slightly negative; check_limits let no more than that through.
            data[channel.name] = np.maximum(values, 0.0) if channel.name in UNSIGNED else values
    for name, values in extras.items():
        data[name] = values if whole else values[keep]
    frame = pd.DataFrame(data, copy=False)
    tally = dict(counts or {})
    before = tally.get("rows_without_time", 0), tally.get("repeated_stamps", 0)
    tally.update(count_faults(frame))
    tally["rows_without_time"] = before[0] + every - int(rows.size)
    tally["repeated_stamps"] = before[1] + int(rows.size - keep.size)
    frame.attrs = {
        "source": origin.source,
        "columns": {
            name: {"column": origin.column(name), "unit": _unit_read(name, origin)}
            for name in data
            if name in CANONICAL
        },
        "warnings": list(dict.fromkeys([*warnings, *_fault_sentences(tally)])),
        "counts": tally,
    }
    return frame


def _unit_read(name: str, origin: Origin) -> str:
    return origin.columns[name][1].symbol if name in origin.columns else BY_NAME[name].unit.symbol


def _without_empty(
    columns: dict[str, Floats], origin: Origin, warnings: list[str]
) -> dict[str, Floats]:
    """Drop channels that hold no value at all; raise if nothing of their group is left."""
    for group in GROUPS:
        members = [c.name for c in CHANNELS if c.group == group and c.name in columns]
        if group == "grade" and "ambient_pressure_kpa" in columns:
            members.append("ambient_pressure_kpa")
        if not members:
            raise InputError(
                f"{origin.source}: a column is missing: needed is {group_name(group)}; add it, or "
                "name the column that holds it in a channel map"
            )
        empty = [name for name in members if np.isnan(columns[name]).all()]
        if len(empty) == len(members):
            names = " and ".join(f"'{origin.column(name)}'" for name in empty)
            raise InputError(
                f"{origin.source}: column {names} holds no number in any row, from "
                f"{origin.row_label(0)} on; log {group_name(group)}"
            )
    for name in [name for name, values in columns.items() if np.isnan(values).all()]:
        warnings.append(
            f"column '{origin.column(name)}' holds no number in any row and is left out"
        )
        del columns[name]
    return columns


def validate_trace(frame: pd.DataFrame, source: str = "trace") -> pd.DataFrame:
    """Hold a DataFrame in canonical columns to the rules that a log file is held to.

    Parameters
    ----------
    frame : pandas.DataFrame
        Canonical columns (``time_s``, ``speed_m_s`` …, in SI units); others are kept and ignored.
    source : str
        Named in errors; ``frame.attrs["source"]`` is kept when there is one.

    Returns
    -------
    pandas.DataFrame
        A new frame: float64, RangeIndex, rising time (of repeated stamps the last row), speeds of
        -0.5 to 0 m/s at 0, and counts and warnings in ``attrs``.

    Raises
    ------
    InputError
        A needed column is missing or holds no number, a value is impossible or not a number, time
        runs backwards, or there are fewer than two samples.
    """
    if not isinstance(frame, pd.DataFrame):
        raise InputError(
            f"{source}: expected a pandas DataFrame, got {type(frame).__name__}; read a file with "
            "read_log"
        )
    attrs = frame.attrs
    source = str(attrs.get("source", source))
    if not frame.columns.is_unique:
        twice = frame.columns[frame.columns.duplicated()][0]
        raise InputError(f"{source}: two columns are named '{twice}'; rename or delete one of them")
    origin = Origin(source, row_of_frame)
    columns: dict[str, Floats] = {}
    extras: dict[str, Any] = {}
    for name in frame.columns:
        if name in CANONICAL:
            columns[name] = _as_floats(frame[name], name, origin)
        else:
            extras[name] = frame[name].to_numpy()
    trace = build_trace(
        columns, extras, origin, list(attrs.get("warnings", [])), attrs.get("counts")
    )
    earlier = {n: how for n, how in attrs.get("columns", {}).items() if n in trace.columns}
    trace.attrs = {
        **attrs,
        **trace.attrs,
        "columns": {**trace.attrs["columns"], **earlier},
    }
    return trace


def _as_floats(series: pd.Series, name: str, origin: Origin) -> Floats:
    try:
        return series.to_numpy(dtype=np.float64, na_value=np.nan)
    except (TypeError, ValueError):
        pass
    from loadlearn.log.cell_words import numbers_from_words

    values, bad = numbers_from_words(series.to_numpy(dtype=object), CANONICAL[name])
    if bad is not None:
        raise InputError(
            f"{origin.source}: column '{name}', {origin.row_label(bad)}: "
            f"{series.iloc[bad]!r} is not a number; correct or empty that cell"
        )
    return values


def _fault_sentences(counts: Mapping[str, Any]) -> list[str]:
    sentences = []
    if counts["gaps"]:
        sentences.append(
            f"{counts['gaps']} gap(s) in the log, the longest of {counts['longest_gap_s']:.3g} s"
        )
    if counts["repeated_stamps"]:
        sentences.append(
            f"{counts['repeated_stamps']} row(s) repeated a time stamp; the last of each was kept"
        )
    if counts["rows_without_time"]:
        sentences.append(f"{counts['rows_without_time']} row(s) without a time stamp left out")
    for name, number in counts["frozen_stretches"].items():
        sentences.append(f"{name} stood still over {number} stretch(es) while the drive went on")
    for name, number in counts["dropout_rows"].items():
        if CANONICAL[name].group and number > 0.01 * counts["rows"]:
            share = 100.0 * number / counts["rows"]
            sentences.append(f"{name} has no value in {share:.3g} % of the rows")
    return sentences
