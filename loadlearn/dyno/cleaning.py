"""One pull on the rollers, cut down to what counts: no spikes, rising engine speed, full load."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.dyno.dyno_settings import RunSettings
from loadlearn.errors import InputError

Array = NDArray[np.float64]

_LOADS = (
    "tractive_power_kw",
    "tractive_force_n",
    "axle_torque_n_m",
    "roller_torque_n_m",
    "engine_referred_torque_n_m",
    "engine_torque_n_m",
)
# What is stated once for a run, not sampled.
STATED = (
    "gear",
    "overall_ratio",
    "converter_locked",
    "tyre_pressure_kpa",
    "tyre_radius_m",
    "tyre_slip_percent",
    "roller_radius_m",
    "roller_inertia_kg_m2",
    "roller_inertia_counted",
)


FEWEST_SAMPLES, FEWEST_POINTS = 20, 8
"""Fewest samples of a logged pull, and fewest points of a printed sheet."""
MOST_POINTS = 60
"""A table without time and with more rows than this is a log."""


@dataclass
class DynoRun:
    """One pull on the rollers, in SI units.

    Attributes
    ----------
    name : str
        File name and run label.
    table : DataFrame
        Cleaned samples: ``engine_speed_rpm``, ``torque_n_m`` (at the wheels referred to engine
        speed, or at the crankshaft when ``at_engine``) and the channels that came along.
    stated : dict
        What was stated once for the run (:data:`STATED`).
    at_engine : bool
        Whether the torque is the engine's own rather than that at the wheels.
    removed : dict
        Number of samples set aside, by reason.
    power_torque_ratio : float or None
        Median of the logged power over the power that the logged torque or force makes at its
        speed, where a file holds both; 1 when they agree.
    started : pandas.Timestamp or None
        When the run began.
    notes : list of str
        What was assumed in reading it.
    """

    name: str
    table: pd.DataFrame
    stated: dict[str, float]
    at_engine: bool = False
    removed: dict[str, int] = field(default_factory=dict)
    power_torque_ratio: float | None = None
    started: pd.Timestamp | None = None
    notes: list[str] = field(default_factory=list)


def clean_run(table: pd.DataFrame, name: str, settings: RunSettings | None = None) -> DynoRun:
    """Cut one run down to its pull: no spikes, rising engine speed, full load.

    Parameters
    ----------
    table : DataFrame
        Canonical columns (:func:`to_canonical`).
    name : str
        Named in errors and results.
    settings : RunSettings, optional

    Raises
    ------
    InputError
        No engine speed and no way to it, no load channel, time running backwards, or fewer samples
        left than :data:`FEWEST_SAMPLES` of a log or :data:`FEWEST_POINTS` of a printed sheet.
    """
    settings = settings or RunSettings()
    table = table.reset_index(drop=True)
    stated = _stated(table)
    notes: list[str] = []
    table = _with_speeds(table, stated, name, notes)
    torque, at_engine, ratio = _torque(table, stated, name)
    low, high = np.nanquantile(torque, [0.01, 0.99]) if np.isfinite(torque).any() else (0.0, 0.0)
    # Overrun drags with a small part of what a pull gives; noise about zero is none.
    if high <= 0.3 * -low:
        raise InputError(
            f"{name}: the load is zero or negative, so nothing was pulled; check the load column's "
            "sign and unit"
        )
    table = table.assign(torque_n_m=torque)
    if "time_s" in table:
        step = np.diff(table["time_s"].dropna().to_numpy())
        if (step < 0).any():
            row = int(np.argmax(step < 0)) + 1
            raise InputError(
                f"{name}: time runs backwards at sample {row + 1}; sort the file, or mark repeats "
                "with a column 'run'"
            )
    sheet = _as_sheet(table)
    removed: dict[str, int] = {}
    if sheet is not None:
        table, keep = sheet, np.ones(len(sheet), dtype=bool)
        notes.append(
            "read as a printed sheet, a curve over engine speed; where its values are corrected "
            "to a standard atmosphere already, leave the ambient columns out"
        )
    else:
        keep, removed = _pull(table, settings)
    left, fewest = int(keep.sum()), FEWEST_POINTS if sheet is not None else FEWEST_SAMPLES
    if left < fewest:
        mend = "log faster, or pull more slowly"
        if sheet is not None:
            mend = "take more points from the sheet"
        elif "time_s" not in table:
            mend = "where the rows are not in the order of time, sort them by engine speed"
        raise InputError(
            f"{name}: {left} sample{'s' if left != 1 else ''} of a rising pull at full load "
            f"{'are' if left != 1 else 'is'} left, and at least {fewest} are needed: {mend}"
        )
    started = _started(table)
    used = ("run", "timestamp", *STATED)
    cleaned = table.loc[keep].drop(columns=[c for c in used if c in table]).reset_index(drop=True)
    return DynoRun(name, cleaned, stated, at_engine, removed, ratio, started, notes)


def _as_sheet(table: pd.DataFrame) -> pd.DataFrame | None:
    """The table in rising engine speed, where it is a printed curve rather than a log.

    Told by the absence of time and by rows that are few and in order, rising or falling.
    """
    if "time_s" in table or len(table) > MOST_POINTS:
        return None
    known = table[table["engine_speed_rpm"].notna() & table["torque_n_m"].notna()]
    steps = np.diff(known["engine_speed_rpm"].to_numpy())
    if len(known) < 2 or not ((steps > 0.0).all() or (steps < 0.0).all()):
        return None
    return known.sort_values("engine_speed_rpm").reset_index(drop=True)


def _stated(table: pd.DataFrame) -> dict[str, float]:
    stated = {}
    for key in STATED:
        if key in table and table[key].notna().any():
            stated[key] = float(table[key].median())
    return stated


def _started(table: pd.DataFrame) -> pd.Timestamp | None:
    if "timestamp" not in table or table["timestamp"].isna().all():
        return None
    try:
        return pd.to_datetime(table["timestamp"].dropna().iloc[0], utc=True)
    except (ValueError, TypeError):
        return None


def _with_speeds(
    table: pd.DataFrame, stated: dict[str, float], name: str, notes: list[str]
) -> pd.DataFrame:
    """Road speed from the roller, engine speed from the road speed, where not logged."""
    if (
        "speed_m_s" not in table
        and {"roller_speed_rpm"} <= set(table)
        and "roller_radius_m" in stated
    ):
        speed = table["roller_speed_rpm"] * np.pi / 30.0 * stated["roller_radius_m"]
        table = table.assign(speed_m_s=speed)
    if "engine_speed_rpm" in table and table["engine_speed_rpm"].notna().any():
        return table
    needed = {"overall_ratio", "tyre_radius_m"}
    if "speed_m_s" in table and needed <= set(stated):
        turns = table["speed_m_s"] / stated["tyre_radius_m"] * stated["overall_ratio"]
        notes.append(
            "engine speed was computed from roller speed, overall ratio and tyre radius: slip and "
            "tyre growth shift it"
        )
        return table.assign(engine_speed_rpm=turns * 30.0 / np.pi)
    raise InputError(
        f"{name}: no engine speed; give engine_speed_rpm, or a roller speed (speed_kmh, or "
        "roller_speed_rpm with roller_radius_m) with overall_ratio and tyre_radius_m"
    )


def _torque(
    table: pd.DataFrame, stated: dict[str, float], name: str
) -> tuple[Array, bool, float | None]:
    """Torque referred to engine speed, by the first load channel that can be used."""
    engine = table["engine_speed_rpm"].to_numpy() * np.pi / 30.0
    powers: dict[str, Array] = {}
    for load in _LOADS:
        if load not in table or table[load].isna().all():
            continue
        values = table[load].to_numpy()
        if load == "tractive_power_kw":
            powers[load] = 1e3 * values
        elif load == "tractive_force_n" and "speed_m_s" in table:
            powers[load] = values * table["speed_m_s"].to_numpy()
        elif load == "axle_torque_n_m" and "speed_m_s" in table and "tyre_radius_m" in stated:
            powers[load] = values * table["speed_m_s"].to_numpy() / stated["tyre_radius_m"]
        elif load == "axle_torque_n_m" and "overall_ratio" in stated:
            powers[load] = values * engine / stated["overall_ratio"]
        elif load == "roller_torque_n_m" and "roller_speed_rpm" in table:
            powers[load] = values * table["roller_speed_rpm"].to_numpy() * np.pi / 30.0
        elif load in ("engine_referred_torque_n_m", "engine_torque_n_m"):
            powers[load] = values * engine
    if not powers:
        raise InputError(
            f"{name}: no usable load channel; give tractive_force_n with a road or roller speed, "
            "tractive_power_kw, axle_torque_n_m with overall_ratio, or engine_referred_torque_n_m "
            "(torque at the wheels divided by the overall ratio)"
        )
    wheel = {k: v for k, v in powers.items() if k != "engine_torque_n_m"}
    chosen = next(iter(wheel or powers))
    with np.errstate(divide="ignore", invalid="ignore"):
        torque = powers[chosen] / engine
        torque[~np.isfinite(torque)] = np.nan
        ratio = None
        if len(wheel) > 1:
            first, second = list(wheel.values())[:2]
            both = np.abs(second) > 0.3 * np.nanmax(np.abs(second))
            ratio = float(np.nanmedian(first[both] / second[both]))
    return torque, not wheel, ratio


def _pull(table: pd.DataFrame, settings: RunSettings) -> tuple[NDArray[np.bool_], dict[str, int]]:
    speed = table["engine_speed_rpm"].to_numpy(dtype=np.float64)
    torque = table["torque_n_m"].to_numpy(dtype=np.float64)
    removed: dict[str, int] = {}
    keep = np.isfinite(speed) & np.isfinite(torque)
    removed["missing"] = int((~keep).sum())

    spike = keep & (_spikes(speed, settings.spike_sigmas) | _spikes(torque, settings.spike_sigmas))
    removed["spike"] = int(spike.sum())
    keep &= ~spike
    if keep.sum() < 5:
        return keep, removed

    start, stop = _rising_stretch(speed, keep)
    outside = keep.copy()
    outside[start : stop + 1] = False
    keep &= ~outside
    removed["outside_the_pull"] = int(outside.sum())

    low_load = keep & ~_full_load(table, torque, keep, settings)
    removed["not_full_load"] = int(low_load.sum())
    keep &= ~low_load

    # Noise of the speed channel may step back a little; what falls further back is no ramp.
    index = np.flatnonzero(keep)
    if index.size:
        highest = np.maximum.accumulate(speed[index])
        back = speed[index] < highest - max(0.01 * np.ptp(speed[index]), 5.0)
        keep[index[back]] = False
        removed["speed_not_rising"] = int(back.sum())
    return keep, removed


def _spikes(values: Array, sigmas: float, window: int = 11) -> NDArray[np.bool_]:
    series = pd.Series(values)
    median = series.rolling(window, center=True, min_periods=3).median()
    residual = (series - median).abs()
    finite = values[np.isfinite(values)]
    scale = max(
        1.4826 * float(residual.median()), 0.003 * float(np.ptp(finite)) if finite.size else 0
    )
    # Noise is not the same everywhere in a run: the local scale may raise the bar, not lower it.
    local = 1.4826 * residual.rolling(51, center=True, min_periods=10).median()
    bar = sigmas * np.maximum(local.fillna(0.0).to_numpy(), scale)
    return np.asarray(residual.to_numpy() > bar) & np.isfinite(values)


def _rising_stretch(speed: Array, keep: NDArray[np.bool_]) -> tuple[int, int]:
    """First and last sample of the rise that leads to the highest engine speed."""
    index = np.flatnonzero(keep)
    smooth = pd.Series(speed[index]).rolling(9, center=True, min_periods=1).mean().to_numpy()
    top = int(np.argmax(smooth))
    slack = 0.03 * float(np.ptp(smooth))
    lowest, start = smooth[top], top
    for i in range(top, -1, -1):
        if smooth[i] < lowest:
            lowest, start = smooth[i], i
        elif smooth[i] > lowest + slack:
            break
    return int(index[start]), int(index[top])


def _full_load(
    table: pd.DataFrame, torque: Array, keep: NDArray[np.bool_], settings: RunSettings
) -> NDArray[np.bool_]:
    full = np.zeros(len(table), dtype=bool)
    index = np.flatnonzero(keep)
    if "accelerator_percent" in table and table["accelerator_percent"].notna().any():
        pressed = table["accelerator_percent"].to_numpy() >= settings.full_accelerator_percent
        index = index[pressed[index]]
    if index.size == 0:
        return full
    floor = settings.load_floor_share * float(np.quantile(torque[index], 0.95))
    above = index[torque[index] >= floor]
    if above.size == 0:
        return full
    first, last = int(above[0]), int(above[-1])
    if "time_s" in table:
        time = table["time_s"].to_numpy()
        later = index[time[index] >= time[first] + settings.tip_in_s]
        first = int(later[0]) if later.size else first
    pull = index[(index >= first) & (index <= last)]
    before = pd.Series(torque[pull]).rolling(15, min_periods=5).median().shift(3).to_numpy()
    end = pull.size
    while end > 15 and torque[pull[end - 1]] < settings.lift_off_share * before[end - 1]:
        end -= 1
    full[pull[:end]] = True
    return full
