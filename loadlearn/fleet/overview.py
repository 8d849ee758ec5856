"""What is said of a fleet as a whole, gathered drive by drive; it does not grow with the drives."""

from __future__ import annotations

import heapq
import math
import re
from collections import deque
from dataclasses import dataclass, field
from typing import Any

MOST_VEHICLES = 60
"""Vehicles shown one by one: those with most to look at."""
MOST_DRIVES = 200
"""Drives of a vehicle shown one by one: the last."""
MOST_SAID = 100
"""Findings, reasons and failed logs listed; the data set and the table have all."""

_NUMBER = re.compile(r"\d+(?:[.,]\d+)*")


@dataclass(frozen=True)
class DriveShown:
    """A drive on the page.

    Attributes
    ----------
    log : str
    start : str or None
        ISO 8601, UTC.
    mass_kg, low95_kg, high95_kg : float
    trusted : bool
    weighed_kg : float or None
    """

    log: str
    start: str | None
    mass_kg: float
    low95_kg: float
    high95_kg: float
    trusted: bool
    weighed_kg: float | None


@dataclass
class VehicleSeen:
    """A vehicle, and its last drives.

    Attributes
    ----------
    name : str
    drives, not_trusted, failed, over_gcm, findings : int
        How many; ``over_gcm`` those above that rating with a probability of more than a half,
        ``findings`` the drives with any.
    shown : deque of DriveShown
    """

    name: str
    drives: int = 0
    not_trusted: int = 0
    failed: int = 0
    over_gcm: int = 0
    findings: int = 0
    shown: deque[DriveShown] = field(default_factory=lambda: deque(maxlen=MOST_DRIVES))

    def add(self, row: dict[str, Any]) -> None:
        """Count one drive."""
        self.drives += 1
        self.not_trusted += not row["trusted"]
        self.over_gcm += (row["probability_over_gcm"] or 0.0) > 0.5
        self.findings += bool(row.get("findings"))
        self.shown.append(
            DriveShown(
                row["log"],
                row["start"],
                row["mass_kg"],
                row["mass_low95_kg"],
                row["mass_high95_kg"],
                row["trusted"],
                row["weighed_mass_kg"],
            )
        )

    @property
    def to_look_at(self) -> tuple[int, int, int]:
        """How much there is to look at, most first."""
        return self.over_gcm + self.findings, self.failed + self.not_trusted, self.drives


@dataclass
class Told:
    """A sentence that was said of drives, its numbers left out: how often, and once in full."""

    count: int
    vehicle: str
    log: str
    sentence: str


class Overview:
    """Counts over all drives, and what is shown one by one."""

    def __init__(self) -> None:
        self.vehicles = self.drives = self.trusted = self.failed = self.repeated = 0
        self.vehicles_with_findings = self.drives_with_findings = self.over_gcm = 0
        self.seconds = self.metres = 0.0
        self.reasons: dict[str, Told] = {}
        self.failures: dict[str, Told] = {}
        self.findings: list[tuple[str, str, str]] = []
        self._weighed = [0.0] * 4  # how many, sum of errors, of their squares, inside the interval
        self._heap: list[tuple[tuple[int, int, int], int, VehicleSeen]] = []

    def add_drive(self, vehicle: VehicleSeen, row: dict[str, Any]) -> None:
        """Count one drive with its result."""
        vehicle.add(row)
        self.drives += 1
        self.trusted += bool(row["trusted"])
        self.seconds += row["duration_s"]
        self.metres += row["distance_m"]
        for reason in row["not_trusted_because"]:
            _tell(self.reasons, reason, vehicle.name, row["log"])
        self.drives_with_findings += bool(row.get("findings"))
        for sentence in row.get("findings") or []:
            if len(self.findings) < MOST_SAID:
                self.findings.append((vehicle.name, row["log"], sentence))
        if row.get("error_percent") is not None:
            error = row["error_percent"]
            for place, value in enumerate((1.0, error, error**2, float(row["inside95"]))):
                self._weighed[place] += value

    def add_failed(self, vehicle: VehicleSeen, log: str, error: str) -> None:
        """Count one drive without a result."""
        vehicle.failed += 1
        self.failed += 1
        # Where the log's own name stands, every failure would be a kind of its own.
        _tell(self.failures, error, vehicle.name, log, error.rpartition(log)[2])

    def add_vehicle(self, vehicle: VehicleSeen) -> None:
        """Count a vehicle, all of whose drives have been added."""
        self.vehicles += 1
        self.vehicles_with_findings += bool(vehicle.findings)
        self.over_gcm += vehicle.over_gcm
        heapq.heappush(self._heap, (vehicle.to_look_at, -self.vehicles, vehicle))
        if len(self._heap) > MOST_VEHICLES:
            heapq.heappop(self._heap)

    @property
    def shown(self) -> list[VehicleSeen]:
        """Vehicles shown one by one, with most to look at first."""
        return [vehicle for _, _, vehicle in sorted(self._heap, reverse=True)]

    @property
    def weighed(self) -> dict[str, Any] | None:
        """Estimates against weighed masses; None without any."""
        n, error, square, inside = self._weighed
        if not n:
            return None
        return {
            "n": int(n),
            "rmse_percent": math.sqrt(square / n),
            "bias_percent": error / n,
            "coverage95": inside / n,
        }

    def to_dict(self) -> dict[str, Any]:
        """The content of ``fleet.json``, but for its provenance."""
        return {
            "vehicles": self.vehicles,
            "drives": self.drives,
            "trusted": self.trusted,
            "failed": self.failed,
            "repeated": self.repeated,
            "hours": self.seconds / 3600.0,
            "distance_km": self.metres / 1e3,
            "drives_over_gcm": self.over_gcm,
            "drives_with_findings": self.drives_with_findings,
            "weighed": self.weighed,
            "not_trusted_because": [vars(one) for one in most_told(self.reasons)],
            "failed_because": [vars(one) for one in most_told(self.failures)],
        }


def _tell(told: dict[str, Told], sentence: str, vehicle: str, log: str, kind: str = "") -> None:
    kind = _NUMBER.sub("#", kind or sentence)
    if kind in told:
        told[kind].count += 1
    elif len(told) < 10 * MOST_SAID:
        told[kind] = Told(1, vehicle, log, sentence)


def most_told(told: dict[str, Told]) -> list[Told]:
    """What was said most often, first."""
    return sorted(told.values(), key=lambda one: -one.count)[:MOST_SAID]
