"""The one gate between the world and what learns: samples online, and whole traces.

Behind it kernels may assume: canonical names and units, float64 that is finite or NaN and within
the channels' limits, a clock that rises. Accelerations beyond what tyres can do are the kernels'
own matter (:func:`loadlearn.vehicle.gating.beyond_tyres`), for that needs what they remember.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Literal, NamedTuple

import numpy as np
import pandas as pd

from loadlearn.errors import InputError
from loadlearn.log.cell_words import number_from_word
from loadlearn.log.channels import BY_NAME, CANONICAL, UNSIGNED, Channel
from loadlearn.log.column_plan import Plan, make_plan
from loadlearn.log.conversions import derive
from loadlearn.log.trace import (
    GROUPS,
    Origin,
    check_limits,
    group_name,
    row_of_frame,
    validate_trace,
)
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.samples import SAMPLE

Refuse = Literal["raise", "count"]

LONGEST_LEAP_S = 60.0
"""A stamp further ahead than this waits for the next one to say whether the clock leapt (s)."""
RESTART_S, RESTART_INTERVALS = 10.0, 4.0
"""What a clock that went back is taken to have stood still for: a gap, and no standstill (s)."""

# What else the kernels read, beside the channels: (least, most) that is possible.
_INNER: dict[str, tuple[float, float]] = {
    "slope_sin": (-1.0, 1.0),
    "air_density_kg_m3": (0.05, 5.0),
    "tractive_force_sd_n": (0.0, 2e6),
    "force_channel_mean": (-2e6, 2e6),
    "speed_half_width_m_s": (0.0, 10.0),
    "curvature_squared_1_m2": (0.0, 1.0),
    "speed_limit_m_s": (0.0, 200.0),
}
_MOST_PLANS = 64


class Passed(NamedTuple):
    """What the gate made of a sample.

    Attributes
    ----------
    samples : list of dict
        To be learnt from, in order, on a clock that rises: none where the sample was refused or
        waits, two where the one that waited is confirmed.
    restarted : bool
        Whether the clock went back before the first of them.
    why : str
        Why there is none; "" where there is.
    """

    samples: list[dict[str, float]]
    restarted: bool
    why: str


class SampleGate:
    """Samples of a stream, checked and brought to canonical names, units and a rising clock.

    Parameters
    ----------
    rig : Rig
        For columns that convert through it.
    refuse : {"raise", "count"}
        What is done with a sample that is wrong: an error and nothing is changed, or it is counted
        in ``refused``. Counting, a wrong value alone is taken for absent and the others are used.

    Attributes
    ----------
    refused : Counter of str
        How often what was refused, or set aside for its stamp.

    Raises
    ------
    InputError
        ``refuse`` is another word.
    """

    def __init__(self, rig: Rig, refuse: Refuse = "raise") -> None:
        if refuse not in ("raise", "count"):
            raise InputError(f"refuse is {refuse!r}; give 'raise' or 'count'")
        self.refuse = refuse
        self.refused: Counter[str] = Counter()
        self._rig = rig
        self._plans: dict[tuple[str, ...], _SamplePlan] = {}
        self._begun = self._by_pressure = False
        self._clock_s: float | None = None
        self._epoch_s: float | None = None
        self._interval_s = self._offset_s = 0.0
        self._waiting: dict[str, float] | None = None

    # --- what is kept in a saved state -------------------------------------------------------
    def kept(self) -> dict[str, Any]:
        """What :meth:`restore` needs, in plain types."""
        return {
            "begun": self._begun,
            "by_pressure": self._by_pressure,
            "clock_s": self._clock_s,
            "epoch_s": self._epoch_s,
            "interval_s": self._interval_s,
            "offset_s": self._offset_s,
            "waiting": self._waiting,
            "refused": dict(self.refused),
        }

    def restore(self, kept: Mapping[str, Any]) -> None:
        """Carry on from what :meth:`kept` gave.

        Parameters
        ----------
        kept : mapping

        Raises
        ------
        ValueError, TypeError, KeyError, AttributeError
            It is nothing that :meth:`kept` gives.
        """
        self._begun, self._by_pressure = bool(kept["begun"]), bool(kept["by_pressure"])
        self._clock_s, self._epoch_s = _seconds(kept["clock_s"]), _seconds(kept["epoch_s"])
        self._interval_s = _seconds(kept["interval_s"]) or 0.0
        self._offset_s = _seconds(kept["offset_s"]) or 0.0
        waiting = kept["waiting"]
        if waiting is not None:
            waiting = {str(name): float(value) for name, value in waiting.items()}
            for name, value in waiting.items():
                low, high = _limits(name)
                if not (math.isnan(value) or low <= value <= high):
                    raise ValueError(f"{name} is {value:g}")
            _seconds(waiting["time_s"])
        self._waiting = waiting
        self.refused = Counter({str(name): int(n) for name, n in kept["refused"].items()})

    # --- samples -----------------------------------------------------------------------------
    def stamp(self, clock_s: float) -> float:
        """The stamp that the stream gave to an instant of the rising clock (s).

        Parameters
        ----------
        clock_s : float
        """
        return clock_s - self._offset_s

    def take(self, sample: Mapping[str, Any]) -> Passed:
        """Check one sample.

        Parameters
        ----------
        sample : mapping
            Names to values; absent, None or NaN where not measured. Names and units as a log's
            columns may have them.

        Returns
        -------
        Passed

        Raises
        ------
        InputError
            With ``refuse="raise"``: the sample is no mapping, its stamp is missing or no number, a
            value is no number or impossible. Always: the first sample names no time, speed, force
            or height.
        """
        try:
            plan = self._plan(sample)
            read = self._read(plan, sample)
        except _Refused as fault:
            self._refuse(fault)
            return Passed([], False, f"refused: {fault.short}")
        return self._in_time(read)

    def _refuse(self, fault: _Refused) -> None:
        if self.refuse == "raise":
            raise InputError(f"sample refused: {fault}") from None
        self.refused[fault.short] += 1

    def _plan(self, sample: Mapping[str, Any]) -> _SamplePlan:
        try:
            names = tuple(sample.keys())
        except (AttributeError, TypeError):
            kind = type(sample).__name__
            raise _Refused("no mapping", f"it is a {kind}; give names with values") from None
        found = self._plans.get(names)
        if found is None:
            found = _SamplePlan.of(names)
            if not self._begun:
                self._by_pressure = _needed(found.plan)
            if len(self._plans) >= _MOST_PLANS:
                self._plans.clear()
            self._plans[names] = found
        self._begun = True
        return found

    def _read(self, plan: _SamplePlan, sample: Mapping[str, Any]) -> dict[str, float]:
        read: dict[str, float] = {}
        for channel, name, scaled, low, high in plan.entries:
            value = sample[name]
            try:
                if channel == "timestamp":
                    value = self._stamp_s(value)
                elif type(value) is not float:
                    value = _number(value, channel)
                if scaled is not None and abs(value) < 1e300:
                    value = float(scaled(value))
                if not low <= value <= high and value == value:
                    raise _impossible(channel, name, value)
            except _Refused as fault:
                if channel in ("time_s", "timestamp"):
                    raise
                self._refuse(fault)
                value = math.nan
            read[channel] = value
        for channel in UNSIGNED:
            if read.get(channel, 0.0) < 0.0:
                read[channel] = 0.0
        if "timestamp" in read:
            read["time_s"] = read.pop("timestamp")
        time_s = read.get("time_s", math.nan)
        if math.isnan(time_s):
            raise _Refused("time_s missing", "time_s is missing; give seconds that rise")
        if plan.derives or self._by_pressure:
            return plan.derived(read, self._rig, self._by_pressure)
        return read

    def _stamp_s(self, value: Any) -> float:
        """Seconds since the first stamp of a date and time."""
        try:
            when = value if isinstance(value, datetime) else datetime.fromisoformat(str(value))
            seconds = (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()
        except (ValueError, OverflowError):
            raise _Refused(
                "timestamp no date",
                f"timestamp is {str(value)[:40]!r}; give it as 2030-01-31T08:30:00.5Z",
            ) from None
        if self._epoch_s is None:
            self._epoch_s = seconds
        return seconds - self._epoch_s

    def _in_time(self, read: dict[str, float]) -> Passed:
        """Hold the sample to a rising clock.

        A stamp that is not after the last, or far ahead of it, waits for the next one: if that goes
        on from the last, the stamp was wrong; if it goes on from the waiting one, the clock leapt.
        """
        stamp_s, waiting = read["time_s"], self._waiting
        if self._clock_s is None:
            return self._accept([read], False)
        last_s = self._clock_s - self._offset_s
        ahead_s = stamp_s - last_s
        if 0.0 < ahead_s <= LONGEST_LEAP_S:
            if waiting is not None:
                self._waiting = None
                self.refused["time_s out of line"] += 1
            return self._accept([read], False)
        if ahead_s == 0.0:
            self.refused["time_s repeated"] += 1
            return Passed([], False, "stamp repeated")
        if waiting is None or not 0.0 < stamp_s - waiting["time_s"] <= LONGEST_LEAP_S:
            if waiting is not None:
                self.refused["time_s out of line"] += 1
            self._waiting = read
            return Passed([], False, "stamp out of line")
        self._waiting = None
        back = waiting["time_s"] < last_s
        if back:
            self.refused["time_s went back"] += 1
            gap_s = RESTART_S + RESTART_INTERVALS * self._interval_s
            self._offset_s = self._clock_s + gap_s - waiting["time_s"]
        return self._accept([waiting, read], back)

    def _accept(self, samples: list[dict[str, float]], restarted: bool) -> Passed:
        for read in samples:
            clock_s = read["time_s"] + self._offset_s
            before_s = clock_s if self._clock_s is None else self._clock_s
            self._interval_s = min(clock_s - before_s, LONGEST_LEAP_S)
            read["time_s"] = self._clock_s = clock_s
        return Passed(samples, restarted, "")


# ------------------------------------------------------------------------- names and numbers


class _Refused(Exception):
    """A sample that is wrong: what to count it under, and what to say."""

    def __init__(self, short: str, sentence: str) -> None:
        super().__init__(sentence)
        self.short = short


class _SamplePlan(NamedTuple):
    """How the values of a sample with certain names are read.

    Attributes
    ----------
    entries : list of (channel, name, conversion or None, least, most)
    derives : bool
        Whether canonical channels are computed from others.
    plan : Plan
    """

    entries: list[tuple[str, str, Any, float, float]]
    derives: bool
    plan: Plan

    @classmethod
    def of(cls, names: tuple[Any, ...]) -> _SamplePlan:
        columns = [name for name in names if isinstance(name, str) and name not in _INNER]
        plan = make_plan(columns, "sample", whole=False)
        entries: list[tuple[str, str, Any, float, float]] = []
        for channel, (name, unit) in plan.columns.items():
            same = unit == BY_NAME[channel].unit
            entries.append((channel, name, None if same else unit.to_canonical, *_limits(channel)))
        entries += [(name, name, None, *_limits(name)) for name in _INNER if name in names]
        derives = any(BY_NAME[one].feeds not in ("", "time_s") for one in plan.columns)
        return cls(entries, derives, plan)

    def derived(self, read: dict[str, float], rig: Rig, by_pressure: bool) -> dict[str, float]:
        """The canonical channels, those computed from others among them."""
        values = {name: np.array([value]) for name, value in read.items() if name in BY_NAME}
        extras = {name: np.array([value]) for name, value in read.items() if name in _INNER}
        if not by_pressure and "altitude_m" not in values and "grade_percent" not in values:
            values["altitude_m"] = np.array([math.nan])
        try:
            derive(values, extras, self.plan, {}, rig)
        except InputError as error:
            raise _Refused("not convertible", str(error)) from None
        self.plan.warnings.clear()
        found = {name: float(np.asarray(value)[0]) for name, value in (values | extras).items()}
        for name in list(found):
            if name in BY_NAME and name not in CANONICAL:
                del found[name]
            else:
                low, high = _limits(name)
                if not (math.isnan(found[name]) or low <= found[name] <= high):
                    raise _impossible(name, name, found[name])
        return found


def _needed(plan: Plan) -> bool:
    """Whether height comes from air pressure alone; an error where a needed channel is missing."""
    there = {BY_NAME[name].group for name in plan.columns}
    by_pressure = "grade" not in there and "ambient_pressure_kpa" in plan.columns
    for group in GROUPS:
        if group not in there and not (group == "grade" and by_pressure):
            raise InputError(f"no {group} channel: a sample needs {group_name(group)}")
    return by_pressure


def _limits(name: str) -> tuple[float, float]:
    """Inclusive limits of a channel or of what else the kernels read."""
    if name in _INNER:
        return _INNER[name]
    channel = BY_NAME[name]
    # A unit's conversion may round a value that sits on the limit.
    slack = 1e-9 * max(abs(channel.lower), abs(channel.upper))
    return channel.lower - slack, channel.upper + slack


def _number(value: Any, name: str) -> float:
    """A value of a sample as a float; NaN for one that is absent."""
    if isinstance(value, np.ndarray) and value.ndim == 0:
        value = value.item()
    if isinstance(value, float | int | np.floating | np.integer | np.bool_):
        try:
            return float(value)
        except OverflowError:
            raise _Refused(f"{name} impossible", f"'{name}' has hundreds of digits") from None
    if value is None or value is pd.NA or value is pd.NaT:
        return math.nan
    if isinstance(value, str):
        read = number_from_word(value, BY_NAME.get(name) or BY_NAME["speed_m_s"])
        if read is not None:
            return read
    raise _Refused(
        f"{name} no number",
        f"'{name}' is {str(value)[:40]!r}, which is no number; leave it out where it is not "
        "measured",
    )


def _impossible(channel: str, name: str, value: float) -> _Refused:
    low, high = _limits(channel)
    known: Channel | None = BY_NAME.get(channel)
    what = f"{known.description} in {known.unit.symbol}" if known is not None else name
    return _Refused(
        f"{channel} impossible",
        f"'{name}' is {value:g}, impossible for {what} ({low:g} to {high:g}); leave it out where "
        "it is not measured",
    )


def _seconds(value: Any) -> float | None:
    """A finite number of seconds, or None; an error for anything else."""
    if value is None:
        return None
    low, high = _limits("time_s")
    if not 2.0 * low <= float(value) <= 2.0 * high:
        raise ValueError(f"{value} is no time")
    return float(value)


# ------------------------------------------------------------------------------ whole traces


def checked_trace(trace: Any) -> pd.DataFrame:
    """A trace that kernels may take: as it is where nothing is wrong with it.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns; prepared or not.

    Returns
    -------
    DataFrame
        The same, or what :func:`~loadlearn.log.trace.validate_trace` makes of it.

    Raises
    ------
    InputError
        As :func:`~loadlearn.log.trace.validate_trace`; a value that is not finite in a column that
        ``prepare`` adds.
    """
    if not _plain(trace):
        trace = validate_trace(trace)
    origin = Origin(str(trace.attrs.get("source", "trace")), row_of_frame)
    # What was prepared may lie a little beyond a limit: its grade has a gain.
    prepared = "delays_s" in trace.attrs
    for name in trace.columns:
        if name in CANONICAL and not prepared:
            check_limits(trace[name].to_numpy(), CANONICAL[name], origin)
        elif name in CANONICAL or name in (SAMPLE.names or ()):
            values = trace[name].to_numpy(dtype=np.float64, na_value=np.nan)
            if np.isinf(values).any():
                row = int(np.argmax(np.isinf(values)))
                raise InputError(
                    f"{origin.source}: column '{name}', {row_of_frame(row)}: is infinite; correct "
                    "or empty that cell"
                )
    return trace


def _plain(trace: Any) -> bool:
    """Whether a trace has float columns, two rows at least, and a clock that rises."""
    if not isinstance(trace, pd.DataFrame) or len(trace) < 2 or "time_s" not in trace.columns:
        return False
    if not trace.columns.is_unique or "speed_m_s" not in trace.columns:
        return False
    if any(trace[name].dtype != np.float64 for name in trace.columns if name in CANONICAL):
        return False
    return bool((np.diff(trace["time_s"].to_numpy()) > 0.0).all())
