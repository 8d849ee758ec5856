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
from typing import Annotated, Any, NotRequired, TypedDict

import numpy as np
import pandas as pd

from loadlearn.described import Named, Unit
from loadlearn.errors import InputError
from loadlearn.estimation import prepare
from loadlearn.log.manifest import log_and_rig, manifest_lines, number_cell
from loadlearn.log.places import at_hand
from loadlearn.runner import Lost, run_tasks
from loadlearn.study.baselines import BASELINES, baseline
from loadlearn.study.one_call import estimate
from loadlearn.vehicle.rig import Rig


class _Needed(TypedDict):
    """Columns that a manifest has."""

    log: str
    """Drive log; a path relative to the manifest."""
    rig: str
    """Rig file, likewise."""
    mass_kg: float
    """Combined mass, weighed."""


class ManifestLine(_Needed, total=False):
    """Columns that it may have; others are ignored."""

    group: str
    """Rows of one group are also judged together."""
    vehicle: str
    """Rows of one vehicle are not independent; without it, those of one rig file."""
    at_s: float
    """Instant of judgement, on the log's clock; empty for the end."""
    tractive_scale: float
    """True force over the force computed from the log, known in simulation only."""


NEEDED = tuple(_Needed.__annotations__)
OURS = "loadlearn"
"""Name of this package's estimator among the baselines."""
RESAMPLES = 4000
"""Of the bootstrap; the ends of a 95 % interval then move by a twentieth of its half-width."""
INTERVALS = (
    "95 % intervals resample vehicles, each with all its rows (percentile bootstrap of clusters, "
    f"{RESAMPLES} resamples, fixed seed); rows without a vehicle count by their rig file. From "
    "fewer than about ten vehicles such intervals are too narrow (Cameron, Gelbach & Miller, "
    "Review of Economics and Statistics 90, 2008; from memory)."
)
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
    vehicle : str
        Rows of one are not independent. Empty where the manifest has none: the rig stands for it.
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
    vehicle: str
    at_s: float | None
    tractive_scale: float | None


class ValidationRow(TypedDict):
    """Columns of ``validation.csv``, one row for each of the manifest, in its order."""

    log: str
    """As the manifest spells it."""
    group: str
    """As the manifest says; empty without."""
    vehicle: str
    """Only where the manifest has it."""
    at_s: float
    """Instant of judgement, on the log's clock; empty for the end."""
    mass_kg: float
    """Combined mass, weighed."""
    estimated_kg: float
    """Combined mass, estimated from samples up to that instant."""
    sd_kg: float
    """Its standard deviation, in all."""
    sd_given_scale_kg: float
    """Its standard deviation were the tractive scale known."""
    low95_kg: float
    """Lower end of its 95 % interval."""
    high95_kg: float
    """Upper end of its 95 % interval."""
    error_percent: float
    """Estimated less weighed, in per cent of weighed."""
    z: float
    """Estimated less weighed, over the standard deviation."""
    inside95: int
    """1 where the interval, its ends included, holds the weighed mass."""
    error_given_scale_percent: float
    """As ``error_percent``, of the mass that the force implies; only with a tractive scale."""
    z_given_scale: float
    """As ``z``, likewise."""
    inside95_given_scale: int
    """As ``inside95``, likewise."""
    error: str
    """Why the row could not be judged; empty where it could."""


class Statistics(TypedDict):
    """How wrong, and how honest, over some rows; null without any."""

    n: int
    """Rows judged."""
    vehicles: int
    """Vehicles among them."""
    rmse_percent: float | None
    """Root mean square of the errors."""
    bias_percent: float | None
    """Mean error."""
    difference_low95_percent: float | None
    """Lower limit of agreement: mean less 1.96 sd of the differences in per cent of the mean of
    estimated and weighed (Bland & Altman 1986)."""
    difference_high95_percent: float | None
    """Upper limit of agreement."""
    rms_z: float | None
    """Root mean square of error over sd: 1 where the sds are right, above where they are too
    small."""
    coverage95: float | None
    """Share of rows whose 95 % interval holds the weighed mass."""
    coverage50: float | None
    """Share of rows whose 50 % interval does."""
    n_given_scale: NotRequired[int]
    """Rows whose tractive scale is known; this and the next only where the manifest has one."""
    rmse_given_scale_percent: NotRequired[float | None]
    """Of those, given the scale: as above."""
    bias_given_scale_percent: NotRequired[float | None]
    """As above."""
    rms_z_given_scale: NotRequired[float | None]
    """As above."""
    coverage95_given_scale: NotRequired[float | None]
    """As above."""
    coverage50_given_scale: NotRequired[float | None]
    """As above."""
    interval95: Annotated[dict[str, list[float]], Named("<statistic>"), Unit("of the statistic")]
    """95 % interval of each, by resampling vehicles; none of fewer than two vehicles."""


class ValidationSummary(TypedDict):
    """What a validation found."""

    estimator: str
    """What was judged."""
    overall: Statistics
    """Over all rows."""
    groups: Annotated[dict[str, Statistics], Named("<group>")]
    """Over the rows of each group."""
    intervals: str
    """How the intervals were made."""
    rows: int
    """Rows of the manifest."""
    failed: int
    """Rows that could not be judged."""


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
        CSV with ``log``, ``rig`` and ``mass_kg``, optionally ``group``, ``vehicle``, ``at_s`` and
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
    log, rig = log_and_rig(path, where, cells)
    mass = number_cell(where, cells, "mass_kg", positive=True)
    if mass is None:
        raise InputError(f"{where}: 'mass_kg' is empty; give the weighed mass in kilograms")
    return ManifestRow(
        line=line,
        log_name=cells["log"],
        log=log,
        rig=rig,
        mass_kg=mass,
        group=cells.get("group", ""),
        vehicle=cells.get("vehicle", ""),
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
    learn: Learn | str = OURS,
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
    learn : str or callable
        ``loadlearn``, the name of a baseline, or from a trace and a rig to estimates.
    on_done : callable, optional
        Told how many of how many logs are done.

    Returns
    -------
    Validation
        The table row by row, statistics in all and by group, errors over time.

    Raises
    ------
    InputError
        The manifest or the scheduler cannot be used, or there is no estimator of that name. A log
        or rig that cannot be used fails only its rows.
    """
    name = learn if isinstance(learn, str) else getattr(learn, "__name__", "a function")
    learn = _learner(learn) if isinstance(learn, str) else learn
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
    summary = {"estimator": name, **_summary(table, hidden)}
    return Validation(table, summary, _trajectories(rows, outcome))


def _learner(name: str) -> Learn:
    if name == OURS:
        return estimate
    if name not in BASELINES:
        raise InputError(
            f"estimator '{name}' is unknown; use one of {', '.join((OURS, *BASELINES))}"
        )
    return partial(_learn_by, name)


def _learn_by(name: str, trace: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """What a baseline says of a log that is prepared as ours is."""
    return baseline(name, rig).run(prepare(trace, rig))


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
    except Exception as error:
        return [_Judgement(error=_our_fault(error))] * len(task.instants)
    end = float(trace["time_s"].iloc[-1])
    shared: dict[float, _Judgement] = {}
    judgements = []
    for instant in task.instants:
        at = end if instant is None else instant
        if at not in shared:
            shared[at] = _judge_at(trace, rig, at, learn)
        judgements.append(shared[at])
    return judgements


def _our_fault(error: Exception) -> str:
    return f"a fault of loadlearn itself ({type(error).__name__}: {error})"


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
        return _Judgement(error=_our_fault(error))
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
    with_vehicle = any(row.vehicle for row in rows)
    shown, hidden = [], []
    for row, judgement in zip(rows, outcome, strict=True):
        values = judgement.values
        cells: dict[str, Any] = {
            "log": row.log_name,
            "group": row.group or None,
            "vehicle": row.vehicle or None,
            "at_s": row.at_s,
            "mass_kg": row.mass_kg,
        }
        more: dict[str, Any] = {"cluster": row.vehicle or str(row.rig)}
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
        name
        for name in ValidationRow.__annotations__
        if (with_scale or "given_scale" not in name or name == "sd_given_scale_kg")
        and (with_vehicle or name != "vehicle")
    ]
    table = pd.DataFrame(shown, columns=columns)
    for name in ("inside95", "inside95_given_scale"):
        if name in table:
            table[name] = table[name].astype("Int64")
    words = ("log", "group", "vehicle", "error")
    numbers = [name for name in columns if name not in words and not name.startswith("inside95")]
    table[numbers] = table[numbers].astype(float)
    return table, pd.DataFrame(hidden, columns=["cluster", "inside50", "inside50_given_scale"])


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
        "intervals": INTERVALS,
        "rows": len(table),
        "failed": int((~good).sum()),
    }


def _statistics(table: pd.DataFrame, hidden: pd.DataFrame) -> dict[str, Any]:
    """Count, error and honesty of some rows; a statistic without rows is None."""
    found: dict[str, Any] = {"n": len(table), "vehicles": hidden["cluster"].nunique()}
    intervals: dict[str, list[float]] = {}
    for suffix in ("", "_given_scale"):
        if f"z{suffix}" not in table:
            continue
        known = table[f"z{suffix}"].notna()
        if suffix:
            found["n_given_scale"] = int(known.sum())
        error = table.loc[known, f"error{suffix}_percent"].to_numpy(dtype=float)
        columns = {
            "n": np.ones_like(error),
            "error": error,
            "square": error**2,
            "difference": error / (1.0 + error / 200.0),  # of the mean of both
            "z": table.loc[known, f"z{suffix}"].to_numpy(dtype=float) ** 2,
            "inside95": table.loc[known, f"inside95{suffix}"].to_numpy(dtype=float),
            "inside50": hidden.loc[known, f"inside50{suffix}"].to_numpy(dtype=float),
        }
        columns["spread"] = columns["difference"] ** 2
        sums = pd.DataFrame(columns).groupby(hidden.loc[known, "cluster"].to_numpy()).sum()
        whole = _from_sums(sums.sum(), suffix)
        names = [name for name in whole if not suffix or "difference" not in name]
        found |= {name: float(whole[name]) if len(error) else None for name in names}
        if len(sums) > 1:
            again = _from_sums(_resampled(sums), suffix)
            ends = {name: np.nanquantile(again[name], [0.025, 0.975]).tolist() for name in names}
            intervals |= ends
    return found | {"interval95": intervals}


def _from_sums(of: Any, suffix: str) -> dict[str, Any]:
    """Statistics from sums over rows: of all, or of many resamples at once.

    Parameters
    ----------
    of : mapping of str to float or ndarray
        Sums of the columns that :func:`_statistics` makes.
    suffix : str
        Of the statistics' names.
    """
    stem = "given_scale_" if suffix else ""
    with np.errstate(invalid="ignore", divide="ignore"):
        n, middle = of["n"], of["difference"] / of["n"]
        spread = np.sqrt(np.maximum(of["spread"] - n * middle**2, 0.0) / (n - 1.0))
        return {
            f"rmse_{stem}percent": np.sqrt(of["square"] / n),
            f"bias_{stem}percent": of["error"] / n,
            "difference_low95_percent": middle - _NORMAL_95 * spread,
            "difference_high95_percent": middle + _NORMAL_95 * spread,
            f"rms_z{suffix}": np.sqrt(of["z"] / n),
            f"coverage95{suffix}": of["inside95"] / n,
            f"coverage50{suffix}": of["inside50"] / n,
        }


def _resampled(sums: pd.DataFrame) -> dict[str, np.ndarray]:
    """Sums over as many clusters, drawn with replacement, ``RESAMPLES`` times."""
    count = len(sums)
    rng = np.random.default_rng(count)
    times = rng.multinomial(count, np.full(count, 1.0 / count), RESAMPLES)
    return dict(zip(sums.columns, (times @ sums.to_numpy()).T, strict=True))


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
