"""What a worker does with one drive. It reads the log where it is, and keeps nothing."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from loadlearn import __version__
from loadlearn._compile import sources_hash
from loadlearn.errors import InputError
from loadlearn.fleet.columns_of_fleet import drive_row
from loadlearn.fleet.fleet_manifest import FleetRow
from loadlearn.log.places import at_hand, state_of
from loadlearn.outputs import file_hash, plain, write_parquet
from loadlearn.vehicle.rig import Rig

THE_LOG = "{log}"
"""In an error: the same bytes may lie in another place."""


@cache
def package_version() -> str:
    """Version of the package with a hash of its sources: another one may judge otherwise."""
    return f"{__version__}+{sources_hash()}"


@dataclass(frozen=True)
class DriveTask:
    """One drive to be judged; all that a worker needs but the log.

    Attributes
    ----------
    row : FleetRow
    rig : Rig
    rig_sha256 : str
        See :func:`rig_sha256`.
    channels : mapping or None
        Channel map.
    version : str
        Of the package that asks.
    judged : str
        ``state_of`` the log when it was judged, where the result is kept; else empty.
    estimates, points : bool
        Whether the estimates over time, and what the condition checks look at, are wanted.
    """

    row: FleetRow
    rig: Rig
    rig_sha256: str
    channels: Mapping[str, Any] | None
    version: str
    judged: str = ""
    estimates: bool = False
    points: bool = False


@dataclass(frozen=True)
class DriveOutcome:
    """What became of a drive.

    Attributes
    ----------
    state : str
        Of the log, as :func:`~loadlearn.log.places.state_of` gives it.
    log_sha256 : str
        Of the log's bytes; empty where they were not read.
    row : dict or None
        Cells of the data set; None where there is an ``error``, or the log is as it was judged.
    error : str
        Why there is no result; :data:`THE_LOG` stands for the log's name.
    lasting : bool
        Whether the error is the log's own, so that trying again tells nothing.
    estimates, points : bytes
        Parquet files, where wanted.
    other_version : str
        Of the worker's package, where it is not the one that asks.
    """

    state: str = ""
    log_sha256: str = ""
    row: dict[str, Any] | None = None
    error: str = ""
    lasting: bool = False
    estimates: bytes = b""
    points: bytes = b""
    other_version: str = ""


def rig_sha256(rig: Rig) -> str:
    """Hash of every key of a rig, limits and ratings too (hexadecimal)."""
    return hashlib.sha256(rig.model_dump_json().encode()).hexdigest()


def result_key(
    log_sha256: str, rig_sha256: str, version: str, channels: Mapping[str, Any] | None
) -> str:
    """What names a result: hash of all that decides it (hexadecimal)."""
    parts = (log_sha256, rig_sha256, version, repr(sorted((channels or {}).items())))
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def judge_drive(task: DriveTask) -> DriveOutcome:
    """Learn the load of one drive; an error becomes the outcome's, so that no other drive falls.

    Parameters
    ----------
    task : DriveTask
    """
    if task.version != package_version():
        return DriveOutcome(other_version=package_version())
    state = sha256 = ""
    try:
        state = state_of(task.row.log)
        if state == task.judged:
            return DriveOutcome(state)
        with at_hand(task.row.log) as path:
            sha256 = file_hash(path)
            return _judged(task, path, state, sha256)
    except InputError as error:
        said = str(error).replace(task.row.log, THE_LOG)
        return DriveOutcome(state, sha256, error=said, lasting=bool(sha256))
    except OSError as error:
        return DriveOutcome(state, error=f"{THE_LOG}: cannot be read ({error.strerror})")
    except Exception as error:
        what = f"{type(error).__name__}: {' '.join(str(error).split())[:300]}"
        return DriveOutcome(state, sha256, error=f"{THE_LOG}: a fault of loadlearn itself ({what})")


def _judged(task: DriveTask, path: Path, state: str, sha256: str) -> DriveOutcome:
    from loadlearn.estimation import LoadEstimator, prepare
    from loadlearn.log.readers import read_log

    trace = read_log(path, rig=task.rig, channels=task.channels)
    history = LoadEstimator(task.rig).run(prepare(trace, task.rig))
    points = b""
    if task.points:
        from loadlearn.condition.assessment import condense
        from loadlearn.condition.packing import pack

        points = pack(condense(trace, task.rig, task.row.mass_kg))
    return DriveOutcome(
        state,
        sha256,
        row=plain(drive_row(trace, history, task.rig)),
        estimates=_parquet(history) if task.estimates else b"",
        points=points,
    )


def _parquet(history: Any) -> bytes:
    with tempfile.TemporaryDirectory(prefix="loadlearn-") as folder:
        path = Path(folder) / "estimates.parquet"
        write_parquet(path, history)
        return path.read_bytes()
