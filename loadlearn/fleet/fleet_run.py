"""A fleet's run: hands out the drives, keeps what comes back, and merges it in the end.

This process alone writes. It reads the manifest row by row, holds a few tasks per worker, and notes
what is done on disk, so that its memory does not grow with the number of logs. Cut off at any
point and started again, it asks for no drive that is kept.
"""

from __future__ import annotations

import csv
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import Any

from loadlearn.errors import InputError
from loadlearn.fleet.columns_of_fleet import beside_weighing
from loadlearn.fleet.dataset import partition, write_partition
from loadlearn.fleet.fleet_manifest import FleetRow, fleet_rows
from loadlearn.fleet.fleet_page import fleet_page
from loadlearn.fleet.ledger import Entry, Ledger
from loadlearn.fleet.one_condition import ConditionTask, judge_condition
from loadlearn.fleet.one_drive import (
    THE_LOG,
    DriveOutcome,
    DriveTask,
    judge_drive,
    package_version,
    result_key,
    rig_sha256,
)
from loadlearn.fleet.overview import Overview, VehicleSeen
from loadlearn.fleet.store import Store, write_whole
from loadlearn.log.column_plan import load_channel_map
from loadlearn.log.places import at_hand
from loadlearn.outputs import OutputFolder, provenance, write_json
from loadlearn.runner import Lost, run_tasks
from loadlearn.vehicle.rig import Rig

OWN_FILES = ("dataset", "estimates", "left_out.csv", "fleet.html", "fleet.json")
WORK = "work"
"""Folder of what is kept for the next run, beside the outputs."""
DRIVES_AT_ONCE = 10
"""Drives of one vehicle compared with its baseline in one task."""


@dataclass(frozen=True)
class FleetResult:
    """A finished run.

    Attributes
    ----------
    overview : Overview
    judged, kept : int
        Drives worked on in this run, and those whose result was there before.
    """

    overview: Overview
    judged: int
    kept: int


class _Fleet:
    """What a run needs throughout."""

    def __init__(
        self,
        store: Store,
        ledger: Ledger,
        channels: dict[str, Any] | None,
        estimates: bool,
        condition: bool,
        run: Callable[..., Iterator[tuple[Any, Any]]],
    ) -> None:
        self.store, self.ledger, self.channels, self.run = store, ledger, channels, run
        self.estimates, self.condition = estimates, condition
        self.version = package_version()
        self.rig = lru_cache(maxsize=256)(_read_rig)
        self.judged = self.kept = 0

    # ------------------------------------------------------------------------------ the drives

    def judge(self, rows: Iterator[FleetRow], on_row: Callable[[], None]) -> None:
        """Every drive judged, or known to be."""
        for task, outcome in self.run(judge_drive, self._tasks(rows, on_row)):
            if isinstance(outcome, Lost):
                outcome = DriveOutcome(error=f"{THE_LOG}: {outcome.reason}")
            self._note(task, outcome)
            on_row()

    def _tasks(self, rows: Iterator[FleetRow], on_row: Callable[[], None]) -> Iterator[DriveTask]:
        for row in rows:
            rig, sha256, error = self.rig(row.rig)
            if rig is None:
                self._left_out(row, error)
                on_row()
                continue
            task = DriveTask(
                row,
                rig,
                sha256,
                self.channels,
                self.version,
                estimates=self.estimates,
                points=self.condition,
            )
            yield DriveTask(**{**vars(task), "judged": self._judged_state(task)})

    def _judged_state(self, task: DriveTask) -> str:
        """State of the log when its result was kept; empty where something is missing."""
        seen = self.store.kept("logs", task.row.log)
        if seen is None:
            return ""
        key = self._key(task, seen["sha256"])
        result = self.store.kept("results", key)
        wanted = [
            self.store.path("estimates", key, "parquet") if task.estimates else None,
            self.store.path("points", _of_points(key, task.row), "parquet")
            if task.points
            else None,
        ]
        there = result is not None and (
            "error" in result or all(path.exists() for path in wanted if path is not None)
        )
        return str(seen["state"]) if there else ""

    def _key(self, task: DriveTask, log_sha256: str) -> str:
        return result_key(log_sha256, task.rig_sha256, task.version, task.channels)

    def _note(self, task: DriveTask, outcome: DriveOutcome) -> None:
        """Keep what came, its parts before what tells that it is there."""
        if outcome.other_version:
            raise InputError(
                f"a worker has loadlearn {outcome.other_version}, this is {self.version}; install "
                "the same on every worker"
            )
        row, store = task.row, self.store
        if outcome.row is None and not outcome.error:
            self.kept += 1
            key = self._key(task, str((store.kept("logs", row.log) or {})["sha256"]))
            result = store.kept("results", key) or {}
        elif outcome.row is None and not outcome.lasting:
            self.judged += 1
            self._left_out(row, outcome.error)
            return
        else:
            self.judged += 1
            key = self._key(task, outcome.log_sha256)
            result = {"error": outcome.error} if outcome.row is None else outcome.row
            if outcome.estimates:
                write_whole(store.path("estimates", key, "parquet"), outcome.estimates)
            if outcome.points:
                write_whole(store.path("points", _of_points(key, row), "parquet"), outcome.points)
            about = {
                "key": key,
                "log_sha256": outcome.log_sha256,
                "rig_sha256": task.rig_sha256,
                "version": task.version,
            }
            store.keep("results", key, result | about)
            state = {"state": outcome.state, "sha256": outcome.log_sha256}
            # Lost with the power it costs one more reading; every result is worth more.
            store.keep("logs", row.log, state, to_disk=False)
        if "error" in result:
            self._left_out(row, result["error"])
        else:
            self.ledger.add(Entry(row, key, task.rig_sha256))

    def _left_out(self, row: FleetRow, error: str) -> None:
        self.ledger.add(Entry(row, error=error.replace(THE_LOG, row.log_name)))

    # --------------------------------------------------------------------------- the condition

    def compare(self, on_drives: Callable[[int], None]) -> None:
        """Every vehicle's drives compared with its baseline drives."""
        for task, found in self.run(judge_condition, self._condition_tasks(on_drives)):
            if isinstance(found, Lost):
                found = [{"error": found.reason}] * len(task.names)
            for name, one in zip(task.names, found, strict=True):
                self.store.keep("condition", name, one)
            on_drives(len(task.names))

    def _condition_tasks(self, on_drives: Callable[[int], None]) -> Iterator[ConditionTask]:
        for vehicle in self.ledger.vehicles:
            for entries in self._by_rig(vehicle).values():
                rig, _, _ = self.rig(entries[0].row.rig)
                assert rig is not None
                baseline = [self._points(one) for one in entries if one.row.baseline]
                todo = {
                    name: one
                    for one, name in _condition_names(entries).items()
                    if "findings" not in (self.store.kept("condition", name) or {})
                }
                on_drives(len(entries) - len(todo))
                left = iter(todo.items())
                while some := dict(islice(left, DRIVES_AT_ONCE)):
                    drives = tuple(self._points(one) for one in some.values())
                    yield ConditionTask(rig, tuple(baseline), tuple(some), drives)

    def _by_rig(self, vehicle: str) -> dict[str, list[Entry]]:
        """A vehicle's drives with one rig: what was modified is another vehicle."""
        grouped: dict[str, list[Entry]] = {}
        for entry, repeats in self.ledger.drives(vehicle):
            if repeats is None:
                grouped.setdefault(entry.rig_sha256, []).append(entry)
        return grouped

    def _points(self, entry: Entry) -> bytes:
        return self.store.path("points", _of_points(entry.key, entry.row), "parquet").read_bytes()

    # ------------------------------------------------------------------------------- the merge

    def merge(self, outputs: OutputFolder) -> Overview:
        """Data set, table of what was left out, and what is said of the whole."""
        overview = Overview()
        outputs.path("dataset").mkdir()
        with open(outputs.path("left_out.csv"), "w", encoding="utf-8", newline="") as file:
            table = csv.writer(file, lineterminator="\n")
            table.writerow(("line", "vehicle", "log", "what", "because"))
            for vehicle in self.ledger.vehicles:
                seen = VehicleSeen(vehicle)
                for entry in self.ledger.of(vehicle):
                    if not entry.key:
                        overview.add_failed(seen, entry.row.log_name, entry.error)
                        cells = (entry.row.log_name, "failed", entry.error)
                        table.writerow((entry.row.line, vehicle, *cells))
                for entry, repeats in self.ledger.drives(vehicle):
                    if repeats is not None:
                        overview.repeated += 1
                        cells = (
                            entry.row.log_name,
                            "repeated",
                            f"the same drive as line {repeats}",
                        )
                        table.writerow((entry.row.line, vehicle, *cells))
                rows = self._rows(vehicle, overview, seen)
                write_partition(outputs.path("dataset"), vehicle, rows)
                if self.estimates:
                    self._place_estimates(outputs.path("estimates"), vehicle)
                overview.add_vehicle(seen)
        return overview

    def _rows(
        self, vehicle: str, overview: Overview, seen: VehicleSeen
    ) -> Iterator[dict[str, Any]]:
        names: dict[Entry, str] = {}
        if self.condition:
            for entries in self._by_rig(vehicle).values():
                names |= _condition_names(entries)
        for entry, repeats in self.ledger.drives(vehicle):
            if repeats is not None:
                continue
            row = self.store.kept("results", entry.key)
            assert row is not None, f"a result went away while it was merged: {entry.key}"
            row |= {
                "vehicle_id": vehicle,
                "log": entry.row.log_name,
                "line": entry.row.line,
                "start": entry.row.start,
                "weighed_mass_kg": entry.row.mass_kg,
                "baseline": entry.row.baseline,
                **beside_weighing(row, entry.row.mass_kg),
            }
            if entry in names:
                found = self.store.kept("condition", names[entry]) or {}
                row["findings"] = found.get("findings")
                if "error" in found:
                    row["warnings"] = [*row["warnings"], f"condition: {found['error']}"]
            overview.add_drive(seen, row)
            yield row

    def _place_estimates(self, folder: Path, vehicle: str) -> None:
        place = folder / partition(vehicle)
        for entry, repeats in self.ledger.drives(vehicle):
            if repeats is None:
                place.mkdir(parents=True, exist_ok=True)
                kept = self.store.path("estimates", entry.key, "parquet")
                try:
                    os.link(kept, place / f"{entry.key}.parquet")
                except OSError:  # a file system without links
                    shutil.copyfile(kept, place / f"{entry.key}.parquet")


def _of_points(key: str, row: FleetRow) -> str:
    return f"{key} {row.mass_kg}"


def _condition_names(entries: list[Entry]) -> dict[Entry, str]:
    """What decides the findings of each drive that is no baseline: its points, and the baseline's.

    The key of the points holds the rig and the version.
    """
    baseline = sorted(_of_points(one.key, one.row) for one in entries if one.row.baseline)
    return {
        one: "\n".join([_of_points(one.key, one.row), *baseline])
        for one in entries
        if not one.row.baseline
    }


def _read_rig(place: str) -> tuple[Rig | None, str, str]:
    """A rig with its hash, or why there is none."""
    try:
        with at_hand(place) as path:
            rig = Rig.from_toml(path)
    except InputError as error:
        return None, "", str(error)
    return rig, rig_sha256(rig), ""


def run_fleet(
    manifest: Path | str,
    out: Path | str,
    *,
    jobs: int = 1,
    scheduler: str | None = None,
    channels: Path | str | None = None,
    estimates: bool = False,
    condition: bool = False,
    force: bool = False,
    on_done: Callable[[str, int, int], None] | None = None,
) -> FleetResult:
    """Judge every drive of a manifest, and merge the results into one data set.

    Parameters
    ----------
    manifest : path
        See :func:`~loadlearn.fleet.fleet_manifest.fleet_rows`.
    out : path
        Folder for the outputs and, in ``work``, for what is kept for the next run.
    jobs : int
        Worker processes on this machine.
    scheduler : str, optional
        Address of a Dask scheduler, whose workers then do the work and read the logs.
    channels : path, optional
        Channel map of all logs.
    estimates : bool
        Whether the estimates over time are written too, a file per drive.
    condition : bool
        Whether each drive is compared with the vehicle's baseline drives.
    force : bool
        Whether earlier outputs may be replaced; results kept are used again.
    on_done : callable, optional
        Told what is being done, and how many of how many drives are.

    Raises
    ------
    InputError
        The manifest, the scheduler or the output place cannot be used. A log or a rig that cannot
        be used leaves out its drive only.
    """
    manifest, out = Path(manifest), Path(out)
    mapped = None if channels is None else load_channel_map(channels)[0]
    outputs = OutputFolder(out, own=OWN_FILES, mark="fleet.json", force=force)
    outputs.check()
    total = sum(1 for _ in fleet_rows(manifest))
    done = 0

    def counting(what: str) -> Callable[[int], None]:
        nonlocal done
        done = 0

        def count(drives: int) -> None:
            nonlocal done
            done += drives
            if on_done is not None:
                on_done(what, done, total)

        count(0)
        return count

    def run(function: Any, tasks: Any) -> Iterator[tuple[Any, Any]]:
        return run_tasks(function, tasks, jobs=jobs, scheduler=scheduler)

    with tempfile.TemporaryDirectory(prefix="loadlearn-fleet-") as folder:
        ledger = Ledger(Path(folder))
        fleet = _Fleet(Store(out / WORK), ledger, mapped, estimates, condition, run)
        count = counting("learning loads")
        fleet.judge(fleet_rows(manifest), lambda: count(1))
        if condition:
            fleet.compare(counting("comparing with baselines"))
        with outputs:
            overview = fleet.merge(outputs)
            options = {"estimates": estimates, "condition": condition}
            files = {
                "manifest": manifest,
                "channels": None if channels is None else Path(channels),
            }
            about = provenance("fleet", files, options)
            page = fleet_page(overview, about)
            outputs.path("fleet.html").write_text(page, encoding="utf-8", newline="\n")
            write_json(outputs.path("fleet.json"), overview.to_dict() | {"provenance": about})
            # The mark goes first; a folder does not replace a folder.
            (out / "fleet.json").unlink(missing_ok=True)
            for name in ("dataset", "estimates"):
                shutil.rmtree(out / name, ignore_errors=True)
    return FleetResult(overview, fleet.judged, fleet.kept)
