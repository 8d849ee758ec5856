"""What is replayed: the recorded drive with what was learnt of it, and simulated drives."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from loadlearn.figures.bands import band_95, band_95_given_scale
from loadlearn.figures.draw_estimates import MOST_BESIDE, grade_from_altitude
from loadlearn.figures.draw_policy import limit_bars
from loadlearn.figures.style import ground_colours, ground_hatches
from loadlearn.report.contents import Contents
from loadlearn.report.curve_packing import HELD_S, Bins
from loadlearn.report.replay_panels import BESIDE, PANELS, Panel, panel_data
from loadlearn.report.report_words import baseline_words
from loadlearn.report.told import plain

FloatArray = NDArray[np.float64]
Band = tuple[FloatArray, FloatArray]

MOST_BINS = 6000
"""Of a drive, with two points each: enough to look at a minute of an hour."""
MOST_SIMULATED_BYTES = 1_300_000
"""All simulated drives together take no more of the page."""
_BYTES_A_BIN = 140
COLUMNS = (*dict.fromkeys(c.column for panel in PANELS for c in panel.curves), "distance_m")
LEARNT = ("mass_kg", "rolling_resistance", "drag_area_m2")
GIVEN_SCALE = "_given_scale"
WANTED_FROM = 0.01
"""Extra torque is wanted from this share on."""
SAME_EVENT_S = 10.0
"""A protection that acts again so soon is no new event."""
SAME_MOMENT_S = 2.0
"""Protections that begin within it are one event."""

# Columns of a simulated drive under the names of a recorded one's.
_SIMULATED = {
    "mass_kg": "true_mass_kg",
    "rolling_resistance": "true_rolling_resistance",
    "learnt_mass_kg": "mass_kg",
    "learnt_mass_sd_kg": "mass_sd_kg",
    "true_exhaust_gas_temp_degc": "exhaust_gas_temp_degc",
    "advised_extra_torque": "extra_torque",
    "advised_power_retention": "power_retention",
    "advised_full_share_time_s": "full_share_time_s",
    "advised_economy": "economy",
    "altitude_m": "height_m",
}


@dataclass
class Run:
    """A drive to be replayed.

    Attributes
    ----------
    name, what : str
        What it is called; what it is.
    simulated : bool
    time_s : ndarray, shape (n,)
        Of its samples.
    signals : dict
        Time, value, low and high by column; low and high are empty without a band.
    strips : dict
        What is shown as bars over time: ``words``, and ``spans`` of start (s), end (s), number of
        the word, and whether it matters.
    events : list of dict
        ``time_s``, ``kind`` and ``words``, in order of time.
    notes : list of str
    baseline : str
        Name of the baseline whose estimates are among the signals.
    """

    name: str
    what: str
    simulated: bool
    time_s: FloatArray
    signals: dict[str, tuple[FloatArray, FloatArray, FloatArray, FloatArray]] = field(
        default_factory=dict
    )
    strips: dict[str, dict[str, Any]] = field(default_factory=dict)
    events: list[dict[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    baseline: str = ""

    def add(self, table: pd.DataFrame, columns: dict[str, str]) -> None:
        """Take signals from a table, by the names they have there."""
        time = table["time_s"].to_numpy(dtype=np.float64)
        for name, own in columns.items():
            value = _finite(table[name]) if name in table else np.empty(0)
            if not np.isfinite(value).any():
                continue
            band = band_95(table, name) if own in LEARNT else None
            if band is None:
                self.signals[own] = (time, value, np.empty(0), np.empty(0))
                continue
            low, high = _finite(band[0]), _finite(band[1])
            self.signals[own] = (time, value, low, high)
            inner = band_95_given_scale(table, name)
            # Where the scale has no part in it the inner band would only hide the other.
            if inner is not None and _narrower(inner, band):
                self.signals[own + GIVEN_SCALE] = (
                    time,
                    value,
                    _finite(inner[0]),
                    _finite(inner[1]),
                )


def _finite(values: ArrayLike) -> FloatArray:
    array = np.asarray(values, dtype=np.float64)
    return np.where(np.isfinite(array), array, np.nan)


def _narrower(band: Band, other: Band) -> bool:
    width, whole = band[1] - band[0], other[1] - other[0]
    known = np.isfinite(width) & (whole > 0.0) & np.isfinite(whole)
    return bool(known.any() and np.median(width[known] / whole[known]) < 0.95)


def replay_data(contents: Contents) -> dict[str, Any] | None:
    """What the replay's script needs.

    Parameters
    ----------
    contents : Contents
        Of an output folder.

    Returns
    -------
    dict or None
        ``runs``, ``panels`` and ``grounds``; None where there is nothing to replay.
    """
    runs = [run] if (run := _recorded(contents)) is not None else []
    simulated = _simulated(contents)
    share = MOST_SIMULATED_BYTES // (_BYTES_A_BIN * max(len(simulated), 1))
    most = [MOST_BINS] * len(runs) + [int(np.clip(share, 200, MOST_BINS))] * len(simulated)
    runs += simulated
    if not runs:
        return None
    names = dict.fromkeys(
        word
        for run in runs
        for strip in ("ground", "true_ground")
        for word in run.strips.get(strip, {}).get("words", ())
    )
    colours, hatches = ground_colours(list(names)), ground_hatches(list(names))
    panels = []
    for panel in PANELS:
        shown = {
            kind: _range_of(panel, [run for run in runs if run.simulated is simulated])
            for kind, simulated in (("recorded", False), ("simulated", True))
        }
        if any(shown.values()) or any(name in run.strips for run in runs for name in panel.strips):
            panels.append(panel_data(panel, shown))
    return {
        "runs": [_packed(run, n) for run, n in zip(runs, most, strict=True)],
        "panels": panels,
        "grounds": {name: {"colour": colours[name], "hatch": hatches[name]} for name in names},
    }


def _packed(run: Run, most: int) -> dict[str, Any]:
    bins = Bins(run.time_s, most)
    packed = {
        # A force that is not known is not the last one known.
        name: bins.packed(*one, held_s=0.0 if name == "tractive_force_n" else HELD_S)
        for name, one in run.signals.items()
    }
    return {
        "name": run.name,
        "what": run.what,
        "simulated": run.simulated,
        "start": float(run.time_s[0]),
        "end": bins.end_s,
        "binned": bins.samples > 1,
        "time": bins.packed_time(),
        "signals": {name: one for name, one in packed.items() if one is not None},
        "strips": run.strips,
        "events": run.events,
        "notes": run.notes,
        "baseline": run.baseline,
    }


def _range_of(panel: Panel, runs: list[Run]) -> tuple[float, float] | None:
    """Ends of a panel's axis: the same at every instant, and for all of the runs."""
    ends: list[float] = []
    for run in runs:
        for curve in panel.curves:
            if curve.column not in run.signals:
                continue
            _, value, low, high = run.signals[curve.column]
            if curve.column in LEARNT and len(low):
                # The wide start would flatten all that follows: it may leave the axis.
                known = np.isfinite(low) & np.isfinite(high) & np.isfinite(value)
                known[: len(low) // 20] = False
                if known.any():
                    value, low, high = value[known], low[known], high[known]
                    if panel.logarithmic:
                        low = np.maximum(low, 0.6 * value)
                    ends += [float(np.nanquantile(low, 0.002)), float(np.nanquantile(high, 0.998))]
            if curve.words == BESIDE:
                # One that runs away leaves the axis: what is ours is to be seen.
                value = value[len(value) // 20 :]
                value = value[value < MOST_BESIDE * max(ends, default=np.inf)]
                if panel.logarithmic:
                    value = value[value > min(ends, default=0.0) / MOST_BESIDE]
            if np.isfinite(value).any():
                ends += [float(np.nanmin(value)), float(np.nanmax(value))]
    if not ends:
        return None
    bottom, top = panel.factor * min(ends), panel.factor * max(ends)
    if panel.logarithmic:
        return max(bottom, 1e-3) / 1.1, 1.1 * max(top, 2e-3)
    margin = 0.06 * max(top - bottom, 0.02 * abs(top), 1e-6)
    if panel.from_zero and bottom >= 0.0:
        return 0.0, top + margin
    return bottom - margin, top + margin


def _recorded(contents: Contents) -> Run | None:
    """The drive in the folder, with what was learnt and advised."""
    history, summary = contents.history, contents.summary
    if history is None or summary is None:
        return None
    run = Run("recorded drive", "the drive of the log", False, history["time_s"].to_numpy(float))
    end_s = float(run.time_s[-1])
    known = history
    if "tractive_force_n" in history and "learning" in history:
        # Where a sample was set aside its force is not known.
        force = history["tractive_force_n"].where(history["learning"] > 0.5)
        known = history.assign(tractive_force_n=force)
    run.add(known, {name: name for name in (*LEARNT, "tractive_force_n")})
    trace = contents.trace
    if trace is not None:
        own = {name: name for name in COLUMNS if name not in run.signals}
        run.add(_with_road(trace, run), own)
    if contents.truth is not None:
        run.add(contents.truth, {name: f"true_{name}" for name in LEARNT})
        if "surface" in contents.truth:
            run.strips["true_ground"] = _stretches(contents.truth, "surface", end_s)
    if contents.beside is not None:
        run.add(contents.beside, {name: f"beside_{name}" for name in LEARNT})
        run.baseline = baseline_words(contents)
    if "surface" in history:
        run.strips["ground"] = _stretches(history, "surface", end_s)
    if "set_aside_because" in history:
        run.strips["aside"] = _stretches(history, "set_aside_because", end_s)
    spans = [[one["start_s"], one["end_s"], 0, 1] for one in summary.get("not_learnt", [])]
    if spans:
        run.notes.append("Hatched: nothing could be learnt of the mass there.")
    run.strips["not_learnt"] = {"words": ["nothing learnt of the mass here"], "spans": spans}
    run.events += _grounds_and_loads(summary)
    for section in contents.sections:
        if section.name == "advice" and section.table is not None and "time_s" in section.table:
            _add_advice(run, section.table)
    run.events.sort(key=lambda one: one["time_s"])
    return run


def _with_road(trace: pd.DataFrame, run: Run) -> pd.DataFrame:
    """The drive with distance, height and grade of its road."""
    drive = trace.assign(distance_m=_distance(trace))
    if "altitude_m" in drive and drive["altitude_m"].notna().any():
        drive["height_m"] = drive["altitude_m"]
        run.notes.append("Height of the road: the log's altitude.")
        if "grade_percent" not in drive:
            drive["grade_percent"] = grade_from_altitude(drive)
            run.notes.append("Grade: from the altitude, over 100 m.")
    elif "grade_percent" in drive and drive["grade_percent"].notna().any():
        grade = drive["grade_percent"].ffill().fillna(0.0).to_numpy() / 100.0
        steps = np.diff(drive["distance_m"]) * 0.5 * (grade[1:] + grade[:-1])
        drive["height_m"] = np.concatenate(([0.0], np.cumsum(steps)))
        run.notes.append("Height of the road: added up from its grade, from 0 at the start.")
    return drive


def _distance(trace: pd.DataFrame) -> FloatArray:
    speed = trace["speed_m_s"].ffill().fillna(0.0).to_numpy(dtype=np.float64)
    steps = np.diff(trace["time_s"].to_numpy()) * 0.5 * (speed[1:] + speed[:-1])
    return np.concatenate(([0.0], np.cumsum(steps)))


def _stretches(table: pd.DataFrame, column: str, end_s: float) -> dict[str, Any]:
    """Stretches of a column of words, the empty ones left out; the last holds to the end."""
    time = np.append(table["time_s"].to_numpy(dtype=np.float64), end_s)
    codes, words = pd.factorize(table[column].astype(object).fillna("").astype(str))
    edges = np.flatnonzero(np.diff(codes)) + 1
    starts, ends = np.concatenate(([0], edges)), np.concatenate((edges, [len(codes)]))
    spans = [
        [round(float(time[start]), 2), round(float(time[end]), 2), int(codes[start]), 1]
        for start, end in zip(starts, ends, strict=True)
        if words[codes[start]]
    ]
    return {"words": [str(one) for one in words], "spans": spans}


def _grounds_and_loads(summary: dict[str, Any]) -> list[dict[str, Any]]:
    """Changes of ground and of load, as events."""
    found = []
    before: dict[str, Any] | None = None
    for one in summary.get("surfaces", []):
        if before is not None and one["surface"] != before["surface"]:
            words = f"{plain(before['surface'])} → {plain(one['surface'])}"
            old, new = before.get("rolling_resistance"), one.get("rolling_resistance")
            if old and new:
                words += f", rolling resistance {old['mean']:.4f} → {new['mean']:.4f}"
            found.append({"time_s": one["start_s"], "kind": "ground", "words": words})
        before = one
    for one in summary.get("load_changes", []):
        words = (
            f"load {one['before_kg'] / 1e3:.2f} → {one['after_kg'] / 1e3:.2f} t "
            f"(probability {one['probability']:.2f})"
        )
        found.append({"time_s": one["time_s"], "kind": "load", "words": words})
    return found


def _add_advice(run: Run, advice: pd.DataFrame) -> None:
    """Settings, extra torque allowed and wanted, and the protections that act."""
    names = ("extra_torque", "wanted_share", "power_retention", "economy", "full_share_time_s")
    run.add(advice, {name: name for name in names})
    if "reason" in advice:
        # A sentence a second is more than anybody reads.
        end_s = float(run.time_s[-1])
        seconds = np.unique(np.floor(advice["time_s"].to_numpy()), return_index=True)[1]
        run.strips["reason"] = _stretches(advice.iloc[seconds], "reason", end_s)
    if "active_limits" not in advice or "wanted_share" not in advice:
        return
    limits = advice["active_limits"].astype(object)  # a column without a word reads as numbers
    wanted = advice["wanted_share"].fillna(0.0) > WANTED_FROM
    acting = limit_bars(advice.assign(active_limits=limits))
    taking = limit_bars(advice.assign(active_limits=limits.where(wanted)))
    words = list(acting)
    spans = [
        [round(start, 2), round(start + length, 2), words.index(name), strong]
        for strong, bars in enumerate((acting, taking))
        for name, of in bars.items()
        for start, length in of
    ]
    run.strips["protections"] = {"words": [plain(one) for one in words], "spans": spans}
    starts: list[tuple[float, str]] = []
    for name, of in taking.items():
        last = -np.inf
        for start, length in of:
            if start - last > SAME_EVENT_S:
                starts.append((float(start), name))
            last = start + length
    run.events += _protection_events(sorted(starts))


def _protection_events(starts: list[tuple[float, str]]) -> list[dict[str, Any]]:
    """Protections that begin to take torque that is wanted; those of one moment are one event."""
    found: list[tuple[float, list[str]]] = []
    for start, name in starts:
        if not found or start - found[-1][0] > SAME_MOMENT_S:
            found.append((start, []))
        found[-1][1].append(plain(name))
    return [
        {
            "time_s": start,
            "kind": "protection",
            "words": f"wanted extra torque is taken by: {', '.join(names)}",
        }
        for start, names in found
    ]


def _simulated(contents: Contents) -> list[Run]:
    """The median draw of every strategy of a comparison."""
    traces = contents.traces
    comparison = next((one.values for one in contents.sections if one.name == "comparison"), None)
    if traces is None or comparison is None or "drawn_in_figure" not in comparison:
        return []
    median = comparison["drawn_in_figure"]["median"]
    chosen = traces[traces["draw"] == median["draw"]]
    runs = []
    # The label of a strategy holds the rig's name where there are several.
    for label, table in chosen.groupby("strategy", sort=False, observed=True):
        what = comparison.get("strategies", {}).get(str(label), {}).get("what", "")
        run = Run(
            f"simulated: {plain(label)}", what, True, table["time_s"].to_numpy(dtype=np.float64)
        )
        renamed = table.rename(columns=_SIMULATED)
        run.add(renamed, {str(name): str(name) for name in renamed if name in COLUMNS})
        run.notes.append(f"Simulated, {str(median['words']).replace(chr(10), ' ')}.")
        distance = table["distance_m"].to_numpy(dtype=np.float64)
        for number, climb in enumerate(comparison.get("climbs", []), start=1):
            for edge, words in (("start_m", "begins"), ("end_m", "ends")):
                place = int(np.searchsorted(distance, climb[edge]))
                if place < len(table):
                    at = float(run.time_s[place])
                    event = {"time_s": at, "kind": "climb", "words": f"climb {number} {words}"}
                    run.events.append(event)
        run.events.sort(key=lambda one: one["time_s"])
        runs.append(run)
    return runs
