"""Many logs against weighed masses: how wrong the estimates are, and whether they say so honestly.

A manifest names logs, rigs and weighed masses. Each row is judged at an instant of its log, from
samples up to that instant only. Rows that share log and rig share the reading, rows that share the
instant too share everything.

What the scale of the tractive force decides cannot be learnt from a drive alone. Where the true
scale *s* (true force / force computed from the log) is known, as in simulation, the estimate is
judged a second time, *given the scale*: the estimator's mass given that its computed force is true
(``mass_given_scale_kg``, the mass that the computed force implies), times *s*, with
``mass_sd_given_scale_kg`` times *s* as its standard deviation.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from loadlearn.errors import InputError
from loadlearn.log.manifest import manifest_lines, number_cell
from loadlearn.log.places import at_hand, placed
from loadlearn.runner import Lost, run_tasks
from loadlearn.study.one_call import estimate
from loadlearn.vehicle.rig import Rig

NEEDED = ("log", "rig", "mass_kg")
OPTIONAL = ("group", "at_s", "tractive_scale")
UNGROUPED = "ungrouped"

_NORMAL_50 = 0.6744897501960817
_NORMAL_95 = 1.959963984540054
_TRAJECTORY_POINTS = 240

Learn = Callable[[pd.DataFrame, Rig], pd.DataFrame]
"""From a trace and a rig to estimates, one row per sample, with the columns of estimates."""


@dataclass(frozen=True)
class ManifestRow:
    """One weighed mass.

    Attributes
    ----------
    line : int
        Line of the manifest, the header being line 1.
    log_name : str
        As the manifest spells it.
    log, rig : str
        Paths, resolved against the manifest's folder, or addresses.
    mass_kg : float
        Weighed.
    group : str
        Empty where the manifest has none.
    at_s : float or None
        Instant of judgement on the log's clock (s); None is the end.
    tractive_scale : float or None
        True force / force computed from the log.
    """

    line: int
    log_name: str
    log: str
    rig: str
    mass_kg: float
    group: str
    at_s: float | None
    tractive_scale: float | None


@dataclass(frozen=True)
class Trajectory:
    """Relative error of one drive over time, for the figure.

    Attributes
    ----------
    group : str
    time_s : ndarray of shape (k,)
        Since the first sample (s).
    error_percent : ndarray of shape (k,)
        100 (estimated - weighed) / weighed.
    """

    group: str
    time_s: np.ndarray
    error_percent: np.ndarray


@dataclass(frozen=True)
class Validation:
    """The outcome.

    Attributes
    ----------
    table : DataFrame
        The columns of ``validation.csv``, one row per manifest row, in its order.
    summary : dict
        The content of ``validation.json``.
    trajectories : list of Trajectory
        One per log and rig whose rows all name the same mass.
    """

    table: pd.DataFrame
    summary: dict[str, Any]
    trajectories: list[Trajectory]


def read_manifest(path: Path | str) -> list[ManifestRow]:
    """Read and check a manifest.

    Parameters
    ----------
    path : path
        CSV with ``log``, ``rig`` and ``mass_kg``, optionally ``group``, ``at_s`` and
        ``tractive_scale``; other columns are ignored.

    Raises
    ------
    InputError
        The file cannot be read, has no rows, lacks a column or holds an impossible value; the
        message names the line and the mend.
    """
    path = Path(path)
    return [_manifest_row(path, line, cells) for line, cells in manifest_lines(path, NEEDED)]


def _manifest_row(path: Path, line: int, cells: dict[str, str]) -> ManifestRow:
    where = f"{path}, line {line}"
    for name in ("log", "rig"):
        if not cells[name]:
            raise InputError(f"{where}: '{name}' is empty; give a path relative to the manifest")
    mass = number_cell(where, cells, "mass_kg", positive=True)
    if mass is None:
        raise InputError(f"{where}: 'mass_kg' is empty; give the weighed mass in kilograms")
    return ManifestRow(
        line=line,
        log_name=cells["log"],
        log=placed(path.parent, cells["log"]),
        rig=placed(path.parent, cells["rig"]),
        mass_kg=mass,
        group=cells.get("group", ""),
        at_s=number_cell(where, cells, "at_s", positive=False),
        tractive_scale=number_cell(where, cells, "tractive_scale", positive=True),
    )


# --------------------------------------------------------------------------------- judging


@dataclass(frozen=True)
class _Task:
    """One log with one rig, and the instants it is judged at."""

    log: str
    rig: str
    instants: tuple[float | None, ...]


@dataclass(frozen=True)
class _Judgement:
    """What the estimator said at one instant, or why it could not."""

    error: str = ""
    values: dict[str, float] | None = None
    time_s: np.ndarray | None = None
    mass_kg: np.ndarray | None = None


def validate_manifest(
    manifest: Path | str,
    *,
    jobs: int = 1,
    scheduler: str | None = None,
    learn: Learn = estimate,
    on_done: Callable[[int, int], None] | None = None,
) -> Validation:
    """Judge every row of a manifest.

    Parameters
    ----------
    manifest : path
        See :func:`read_manifest`.
    jobs : int
        Worker processes; the result does not depend on it.
    scheduler : str, optional
        Address of a Dask scheduler, whose workers then do the work and read the logs.
    learn : callable
        From a trace and a rig to estimates, ours or another's.
    on_done : callable, optional
        Told how many of how many logs are done.

    Returns
    -------
    Validation
        The table row by row, statistics in all and by group, errors over time.

    Raises
    ------
    InputError
        The manifest or the scheduler cannot be used. A log or rig that cannot be used fails only
        its rows.
    """
    rows = read_manifest(manifest)
    tasks = _tasks(rows)
    if on_done is not None:
        on_done(0, len(tasks))
    judged: dict[tuple[str, str, float | None], _Judgement] = {}
    judge = partial(_judge, learn=learn)
    results = run_tasks(judge, tasks, jobs=min(jobs, len(tasks)), scheduler=scheduler)
    for done, (task, judgements) in enumerate(results, start=1):
        if isinstance(judgements, Lost):
            judgements = [_Judgement(error=judgements.reason)] * len(task.instants)
        for instant, judgement in zip(task.instants, judgements, strict=True):
            judged[task.log, task.rig, instant] = judgement
        if on_done is not None:
            on_done(done, len(tasks))
    outcome = [judged[row.log, row.rig, row.at_s] for row in rows]
    table, hidden = _table(rows, outcome)
    return Validation(table, _summary(table, hidden), _trajectories(rows, outcome))


def _tasks(rows: list[ManifestRow]) -> list[_Task]:
    instants: dict[tuple[str, str], list[float | None]] = {}
    for row in rows:
        known = instants.setdefault((row.log, row.rig), [])
        if row.at_s not in known:
            known.append(row.at_s)
    return [_Task(log, rig, tuple(known)) for (log, rig), known in instants.items()]


def _judge(task: _Task, learn: Learn) -> list[_Judgement]:
    """Judge one log at all its instants; an error becomes the row's, so that no other row falls."""
    from loadlearn.log.readers import read_log

    try:
        with at_hand(task.rig) as path:
            rig = Rig.from_toml(path)
        with at_hand(task.log) as path:
            trace = read_log(path, rig=rig)
    except InputError as error:
        return [_Judgement(error=str(error))] * len(task.instants)
    end = float(trace["time_s"].iloc[-1])
    shared: dict[float, _Judgement] = {}
    judgements = []
    for instant in task.instants:
        at = end if instant is None else instant
        if at not in shared:
            shared[at] = _judge_at(trace, rig, at, learn)
        judgements.append(shared[at])
    return judgements


def _judge_at(trace: pd.DataFrame, rig: Rig, at_s: float, learn: Learn) -> _Judgement:
    time = trace["time_s"].to_numpy()
    if not time[0] <= at_s <= time[-1]:
        return _Judgement(
            error=f"at_s is {at_s:g}, outside the log, which runs from {time[0]:g} to "
            f"{time[-1]:g} s"
        )
    count = int(np.searchsorted(time, at_s, side="right"))
    seen = trace if count == len(trace) else trace.iloc[:count].copy()
    try:
        history = learn(seen, rig)
        last = history.iloc[-1]
        values = _values(last)
    except InputError as error:
        return _Judgement(error=str(error))
    except Exception as error:  # one faulty log must not cost a long run its other rows
        return _Judgement(error=f"a fault of loadlearn itself ({type(error).__name__}: {error})")
    rows = np.unique(np.linspace(0, count - 1, min(count, _TRAJECTORY_POINTS)).round().astype(int))
    return _Judgement(
        values=values,
        time_s=history["time_s"].to_numpy()[rows] - time[0],
        mass_kg=history["mass_kg"].to_numpy()[rows],
    )


def _values(last: pd.Series) -> dict[str, float]:
    """The estimate at the instant, with normal intervals where the mixture's are not given."""
    mean, sd = float(last["mass_kg"]), float(last["mass_sd_kg"])
    given = float(last.get("mass_given_scale_kg", mean))
    given_sd = float(last["mass_sd_given_scale_kg"])
    values = {"mean": mean, "sd": sd, "given": given, "given_sd": given_sd}
    for name, centre, spread, stem in (
        ("", mean, sd, "mass"),
        ("given_", given, given_sd, "mass_given_scale"),
    ):
        for share, point in ((50, _NORMAL_50), (95, _NORMAL_95)):
            values[f"{name}low{share}"] = float(
                last.get(f"{stem}_low{share}_kg", centre - point * spread)
            )
            values[f"{name}high{share}"] = float(
                last.get(f"{stem}_high{share}_kg", centre + point * spread)
            )
    return values


# ------------------------------------------------------------------------------ statistics


def _table(rows: list[ManifestRow], outcome: list[_Judgement]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The table of ``validation.csv``, and beside it what only the statistics need."""
    with_scale = any(row.tractive_scale is not None for row in rows)
    shown, hidden = [], []
    for row, judgement in zip(rows, outcome, strict=True):
        values = judgement.values
        cells: dict[str, Any] = {
            "log": row.log_name,
            "group": row.group or None,
            "at_s": row.at_s,
            "mass_kg": row.mass_kg,
        }
        more: dict[str, Any] = {}
        if values is not None:
            cells |= {
                "estimated_kg": values["mean"],
                "sd_kg": values["sd"],
                "sd_given_scale_kg": values["given_sd"],
                "low95_kg": values["low95"],
                "high95_kg": values["high95"],
                "error_percent": 100.0 * (values["mean"] - row.mass_kg) / row.mass_kg,
                "z": _z(values["mean"] - row.mass_kg, values["sd"]),
                "inside95": _inside(row.mass_kg, values["low95"], values["high95"]),
            }
            more["inside50"] = _inside(row.mass_kg, values["low50"], values["high50"])
            scale = row.tractive_scale
            if scale is not None:
                implied = row.mass_kg / scale
                cells |= {
                    "error_given_scale_percent": 100.0 * (values["given"] - implied) / implied,
                    "z_given_scale": _z(values["given"] - implied, values["given_sd"]),
                    "inside95_given_scale": _inside(
                        implied, values["given_low95"], values["given_high95"]
                    ),
                }
                more["inside50_given_scale"] = _inside(
                    implied, values["given_low50"], values["given_high50"]
                )
        cells["error"] = judgement.error
        shown.append(cells)
        hidden.append(more)
    columns = [
        *("log", "group", "at_s", "mass_kg", "estimated_kg", "sd_kg", "sd_given_scale_kg"),
        *("low95_kg", "high95_kg", "error_percent", "z", "inside95"),
    ]
    if with_scale:
        columns += ["error_given_scale_percent", "z_given_scale", "inside95_given_scale"]
    table = pd.DataFrame(shown, columns=[*columns, "error"])
    for name in ("inside95", "inside95_given_scale"):
        if name in table:
            table[name] = table[name].astype("Int64")
    numbers = [name for name in columns[2:] if not name.startswith("inside95")]
    table[numbers] = table[numbers].astype(float)
    return table, pd.DataFrame(hidden, columns=["inside50", "inside50_given_scale"], dtype=float)


def _z(difference: float, sd: float) -> float:
    return difference / sd if sd > 0.0 else math.nan


def _inside(value: float, low: float, high: float) -> int:
    return int(low <= value <= high)


def _summary(table: pd.DataFrame, hidden: pd.DataFrame) -> dict[str, Any]:
    good = table["error"] == ""
    names = table["group"].fillna(UNGROUPED)
    groups = {}
    if table["group"].notna().any():
        for name in dict.fromkeys(names):
            rows = (names == name) & good
            groups[str(name)] = _statistics(table[rows], hidden[rows])
    return {
        "overall": _statistics(table[good], hidden[good]),
        "groups": groups,
        "rows": len(table),
        "failed": int((~good).sum()),
    }


def _statistics(table: pd.DataFrame, hidden: pd.DataFrame) -> dict[str, Any]:
    """Count, error and honesty of some rows; a statistic without rows is None."""
    found: dict[str, Any] = {"n": len(table)}
    for suffix, error in (("", "error_percent"), ("_given_scale", "error_given_scale_percent")):
        if error not in table:
            continue
        known = table[error].notna()
        if suffix:
            found["n_given_scale"] = int(known.sum())
        percent = table.loc[known, error].to_numpy(dtype=float)
        z = table.loc[known, f"z{suffix}"].to_numpy(dtype=float)
        inside = table.loc[known, f"inside95{suffix}"].to_numpy(dtype=float)
        half = hidden.loc[known, f"inside50{suffix}"].to_numpy(dtype=float)
        stem = "given_scale_" if suffix else ""
        found |= {
            f"rmse_{stem}percent": _mean(percent**2, root=True),
            f"bias_{stem}percent": _mean(percent),
            f"rms_z{suffix}": _mean(z**2, root=True),
            f"coverage95{suffix}": _mean(inside),
            f"coverage50{suffix}": _mean(half),
        }
    return found


def _mean(values: np.ndarray, *, root: bool = False) -> float | None:
    if not len(values):
        return None
    mean = float(np.mean(values))
    return math.sqrt(mean) if root else mean


def _trajectories(rows: list[ManifestRow], outcome: list[_Judgement]) -> list[Trajectory]:
    """The longest run of each log and rig, where all its rows name one mass."""
    longest: dict[tuple[str, str], tuple[ManifestRow, _Judgement]] = {}
    masses: dict[tuple[str, str], set[float]] = {}
    for row, judgement in zip(rows, outcome, strict=True):
        if judgement.time_s is None:
            continue
        key = (row.log, row.rig)
        masses.setdefault(key, set()).add(row.mass_kg)
        best = longest.get(key)
        if best is None or judgement.time_s[-1] > best[1].time_s[-1]:  # type: ignore[index]
            longest[key] = (row, judgement)
    found = []
    for key, (row, judgement) in longest.items():
        if len(masses[key]) == 1:
            assert judgement.time_s is not None and judgement.mass_kg is not None
            error = 100.0 * (judgement.mass_kg - row.mass_kg) / row.mass_kg
            found.append(Trajectory(row.group, judgement.time_s, error))
    return found
