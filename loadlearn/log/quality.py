"""What a log holds: rate, gaps, resolution, delays, contradictions, and what it could teach."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np
import pandas as pd

from loadlearn.described import Unit as DescribedUnit
from loadlearn.log.alignment import (
    FORCE_CHANNELS,
    GRADE_CHANNELS,
    Delay,
    Grid,
    channel_delays,
    first_logged,
    make_grid,
)
from loadlearn.log.channel_faults import Floats, distance_m, frozen_stretches, gaps
from loadlearn.log.channels import CANONICAL, Unit, unit_key, units_of
from loadlearn.log.contradictions import contradictions
from loadlearn.log.excitation import (
    METHOD,
    Excitation,
    excitation_of,
    fit_balance,
    force_for_excitation,
)
from loadlearn.log.resolution import polled_in_turn, resolution, speed_rounding, update_times
from loadlearn.log.trace import validate_trace
from loadlearn.outputs import plain
from loadlearn.vehicle import roadload
from loadlearn.vehicle.rig import Rig

MOST_LISTED = 20
"""Of gaps and stretches, no more than this many are listed."""


@dataclass(frozen=True)
class ChannelQuality:
    """One channel of a log.

    Attributes
    ----------
    channel : str
        Canonical name.
    column, unit : str
        The column it was read from, and that column's unit.
    missing_percent : float
        Share of rows without a value.
    frozen_stretches : int
        How often it stood still although the drive went on.
    step : float or None
        Resolution in the unit it was read in; None where the values follow no steps.
    rounding : str
        Of road speed: ``rounded``, ``truncated`` or ``""`` for not known.
    update_interval_s : float or None
        How often a new value comes, where values are held for longer than a sample.
    delay_s, delay_sd_s : float or None
        How much later than the road speed it is.
    """

    channel: str
    column: str
    unit: str
    missing_percent: float
    frozen_stretches: int
    step: Annotated[float | None, DescribedUnit("of the column")]
    rounding: str
    update_interval_s: float | None
    delay_s: float | None
    delay_sd_s: float | None


@dataclass(frozen=True)
class LogQuality:
    """What a log holds.

    Attributes
    ----------
    source : str
        Name of the log.
    rows : int
        Samples in it.
    duration_s, distance_m : float
        From the first sample to the last.
    sample_rate_hz : float
        One over the middle interval between samples.
    interval_jitter_s : float
        Scaled median deviation of the interval from its median.
    gaps : int
        Intervals so long that the drive went on unseen.
    longest_gap_s : float
        The longest of them.
    gap_stretches_s : list of [start, end]
        The first twenty.
    repeated_stamps, rows_without_time : int
        Rows that were left out for it.
    force_channel, grade_channel : str
        What force and grade are taken from.
    force_reason, grade_reason : str
        Why from that.
    polled_in_turn : list of str
        Channels that are renewed one after the other.
    cruise_stretches_s : list of [start, end]
        Where the speed was held by a controller; the first twenty.
    cruise_source : str
        ``logged``, or ``inferred`` from a steady speed.
    contradictions : list of str
        Channels that cannot both be right, one sentence each.
    can_learn : list of str
        Sentences on what the drive can and cannot tell.
    excitation_method : str
        How the standard errors below were found.
    warnings : list of str
        What was noticed, one sentence each.
    channels : tuple of ChannelQuality
        One for each channel.
    excitation : tuple of Excitation
        What the drive could teach; empty where no force is known.
    """

    source: str
    rows: int
    duration_s: float
    distance_m: float
    sample_rate_hz: float
    interval_jitter_s: float
    gaps: int
    longest_gap_s: float
    gap_stretches_s: list[list[float]]
    repeated_stamps: int
    rows_without_time: int
    force_channel: str
    force_reason: str
    grade_channel: str
    grade_reason: str
    polled_in_turn: list[str]
    cruise_stretches_s: list[list[float]]
    cruise_source: str
    contradictions: list[str]
    can_learn: list[str]
    excitation_method: str
    warnings: list[str]
    channels: tuple[ChannelQuality, ...]
    excitation: tuple[Excitation, ...]

    def to_dict(self) -> dict[str, Any]:
        """The same as nested dicts and lists of plain JSON types (NaN becomes None)."""
        found: dict[str, Any] = plain(self)
        return found


def log_quality(trace: pd.DataFrame, rig: Rig | None = None) -> LogQuality:
    """Judge a log.

    Parameters
    ----------
    trace : pandas.DataFrame
        From :func:`loadlearn.log.readers.read_log`, or canonical columns.
    rig : Rig, optional
        Adds what needs ratios, and the excitation of logs without a measured tread force.

    Raises
    ------
    InputError
        The trace breaks a rule; see :func:`loadlearn.log.trace.validate_trace`.
    """
    if "counts" not in trace.attrs:
        trace = validate_trace(trace)
    attrs = trace.attrs
    # Attributes are copied with every column that is taken out: leave them behind.
    trace = trace.copy(deep=False)
    trace.attrs = {}
    time_s, speed = trace["time_s"].to_numpy(), trace["speed_m_s"].to_numpy()
    counts = attrs["counts"]
    intervals = np.diff(time_s)
    median = float(np.median(intervals))
    grid = make_grid(trace)
    delays = channel_delays(trace, grid)
    updates = update_times(trace)
    force, force_reason = _force_choice(trace)
    grade, grade_reason = _grade_choice(trace)
    cruise, cruise_source = cruise_stretches(trace, grid)
    channels = tuple(
        _channel(trace, name, attrs["columns"].get(name, {}), rig, delays, updates)
        for name in trace.columns
        if name in CANONICAL and name != "time_s"
    )
    excitation, sentences = _excitation(trace, grid, rig, delays)
    return LogQuality(
        source=str(attrs.get("source", "trace")),
        rows=len(trace),
        duration_s=float(time_s[-1] - time_s[0]),
        distance_m=float(distance_m(time_s, speed)[-1]),
        sample_rate_hz=1.0 / median,
        interval_jitter_s=1.4826 * float(np.median(np.abs(intervals - median))),
        gaps=int(counts["gaps"]),
        longest_gap_s=float(counts["longest_gap_s"]),
        gap_stretches_s=[list(gap) for gap in gaps(time_s)[:MOST_LISTED]],
        repeated_stamps=int(counts["repeated_stamps"]),
        rows_without_time=int(counts["rows_without_time"]),
        force_channel=force,
        force_reason=force_reason,
        grade_channel=grade,
        grade_reason=grade_reason,
        polled_in_turn=polled_in_turn(trace, updates),
        cruise_stretches_s=[list(stretch) for stretch in cruise[:MOST_LISTED]],
        cruise_source=cruise_source,
        contradictions=contradictions(trace, grid, rig),
        can_learn=sentences,
        excitation_method=METHOD,
        warnings=list(attrs.get("warnings", [])),
        channels=channels,
        excitation=tuple(excitation),
    )


def _channel(
    trace: pd.DataFrame,
    name: str,
    read: dict[str, str],
    rig: Rig | None,
    delays: dict[str, Delay],
    updates: dict[str, tuple[float, Floats]],
) -> ChannelQuality:
    values = trace[name].to_numpy()
    unit = _unit_read(name, read)
    step = resolution(values, unit) if unit is not None else None
    delay = delays.get(name)
    update = updates.get(name)
    return ChannelQuality(
        channel=name,
        column=str(read.get("column", name)),
        unit=str(read.get("unit", CANONICAL[name].unit.symbol)),
        missing_percent=100.0 * float(np.isnan(values).mean()),
        frozen_stretches=len(frozen_stretches(trace, name)),
        step=step,
        rounding=speed_rounding(trace, step, unit, rig) if name == "speed_m_s" else "",
        update_interval_s=None if update is None else update[0],
        delay_s=None if delay is None else delay.delay_s,
        delay_sd_s=None if delay is None else delay.sd_s,
    )


def _unit_read(name: str, read: dict[str, str]) -> Unit | None:
    """The unit of the column, so that steps come out in it; None for a computed channel."""
    if "computed_from" in read:
        return None
    table = units_of(CANONICAL[name].quantity)
    return table.get(unit_key(read.get("unit", "")), CANONICAL[name].unit)


def cruise_stretches(trace: pd.DataFrame, grid: Grid) -> tuple[list[tuple[float, float]], str]:
    """Stretches under cruise control, as logged, or inferred from a steady speed.

    Returns
    -------
    stretches : list of (float, float)
        First and last stamp of stretches of 10 s (logged) or 30 s (inferred) and more.
    source : str
        ``logged`` or ``inferred``.
    """
    if first_logged(trace, ("cruise_active",)):
        time_s = trace["time_s"].to_numpy()
        return _stretches(time_s, trace["cruise_active"].to_numpy() > 0.5, 10.0), "logged"
    # A foot on the pedal wanders by more than 0.35 m/s over 20 s.
    window = max(2, round(20.0 / grid.interval_s))
    if grid.speed_m_s.size <= window:
        return [], "inferred"
    spread = _moving_range(grid.speed_m_s, window)
    steady = (spread < 0.7) & (grid.speed_m_s > 12.0)
    return _stretches(grid.time_s, steady, 30.0), "inferred"


def _moving_range(values: Floats, window: int) -> Floats:
    series = pd.Series(values)
    rolling = series.rolling(window, center=True, min_periods=window)
    return (rolling.max() - rolling.min()).fillna(np.inf).to_numpy()


def _stretches(time_s: Floats, mask: Any, least_s: float) -> list[tuple[float, float]]:
    edges = np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))
    starts, ends = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0) - 1
    return [
        (float(time_s[i]), float(time_s[k]))
        for i, k in zip(starts, ends, strict=True)
        if time_s[k] - time_s[i] >= least_s
    ]


def _force_choice(trace: pd.DataFrame) -> tuple[str, str]:
    reasons = {
        "tractive_force_n": "measured at the tread: no engine or driveline model stands between",
        "engine_torque_n_m": "no tread force is logged, and torque needs no model of combustion",
        "fuel_rate_g_s": "neither tread force nor torque is logged, so the rig's Willans line is "
        "used",
    }
    name = first_logged(trace, FORCE_CHANNELS) or ""
    return name, reasons.get(name, "no force channel holds values")


def _grade_choice(trace: pd.DataFrame) -> tuple[str, str]:
    reasons = {
        "grade_percent": "the log gives the grade itself",
        "altitude_m": "no grade is logged; the altitude's rise over the road gives it",
        "accel_long_m_s2": "neither grade nor altitude is logged; the body accelerometer less the "
        "change of speed gives it, with the body's pitch",
    }
    name = first_logged(trace, GRADE_CHANNELS) or ""
    return name, reasons.get(name, "no grade channel holds values")


def _excitation(
    trace: pd.DataFrame, grid: Grid, rig: Rig | None, delays: dict[str, Delay]
) -> tuple[list[Excitation], list[str]]:
    forced = force_for_excitation(trace, rig)
    if forced is None:
        return [], [
            "Without a rig the force is not known from this log: give one with --rig to see what "
            "could be learnt."
        ]
    force, rotating = forced
    time_s, speed = trace["time_s"].to_numpy(), trace["speed_m_s"].to_numpy()
    grade_delay = delays.get(first_logged(trace, GRADE_CHANNELS) or "")
    sine = np.interp(
        time_s + (grade_delay.delay_s if grade_delay else 0.0), grid.time_s, grid.sin_grade
    )
    force_delay = delays.get(first_logged(trace, FORCE_CHANNELS) or "")
    if force_delay is not None:
        force = np.interp(time_s + force_delay.delay_s, time_s, force)
    altitude = trace["altitude_m"].to_numpy() if "altitude_m" in trace else np.zeros(time_s.size)
    density = roadload.air_density_kg_m3(np.nan_to_num(altitude))
    prior = None
    if rig is not None and rig.vehicle.drag_area_sd_m2 is not None:
        prior = (rig.vehicle.drag_area_m2, rig.vehicle.drag_area_sd_m2)
    fit = fit_balance(time_s, force, rotating, speed, sine, density, prior)
    found = excitation_of(fit, None if rig is None else rig.vehicle.mass_kg)
    if not found or fit is None:
        return [], [
            "Too little of the drive has a known force (20 blocks of 2 s are the least): nothing "
            "could be learnt from it."
        ]
    sentences = [one.sentence for one in found]
    moving = force[np.isfinite(force)].size / max(1, force.size)
    sentences.append(f"The force is known in {100.0 * moving:.0f} % of the samples.")
    tied = fit.covariance[1, 2] / math.sqrt(fit.covariance[1, 1] * fit.covariance[2, 2])
    if abs(tied) > 0.9 and not (found[1].learnable and found[2].learnable):
        low, high = np.nanquantile(speed[np.isfinite(force)], [0.05, 0.95])
        sentences.append(
            "Rolling resistance and drag area can hardly be told apart: the speed stayed between "
            f"{3.6 * low:.0f} and {3.6 * high:.0f} km/h."
        )
    if not found[0].learnable:
        sentences.append(
            "For the mass, drive hills or vary the speed: grade and acceleration are what show it."
        )
    return found, sentences
