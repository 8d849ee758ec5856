"""What became of each row of a manifest, by vehicle; on disk, so that memory does not grow."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from loadlearn.fleet.fleet_manifest import FleetRow


@dataclass(frozen=True)
class Entry:
    """One row, done.

    Attributes
    ----------
    row : FleetRow
    key : str
        Of its result; empty where there is none.
    rig_sha256 : str
    error : str
        Why there is none.
    """

    row: FleetRow
    key: str = ""
    rig_sha256: str = ""
    error: str = ""


class Ledger:
    """A file per vehicle, to which rows are added as they are done.

    Parameters
    ----------
    folder : Path
        Empty.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._files: dict[str, Path] = {}

    def add(self, entry: Entry) -> None:
        """Note what became of a row."""
        name = hashlib.sha256(entry.row.vehicle.encode()).hexdigest()
        path = self._files.setdefault(entry.row.vehicle, self._folder / name)
        values = {**vars(entry), "row": vars(entry.row)}
        with open(path, "a", encoding="utf-8") as file:
            file.write(json.dumps(values) + "\n")

    @property
    def vehicles(self) -> list[str]:
        """Their names, sorted."""
        return sorted(self._files)

    def of(self, vehicle: str) -> list[Entry]:
        """A vehicle's rows, as the drives began, else as the manifest has them."""
        with open(self._files[vehicle], encoding="utf-8") as file:
            entries = [_entry(json.loads(line)) for line in file]
        return sorted(entries, key=lambda one: (one.row.start or "", one.row.line))

    def drives(self, vehicle: str) -> Iterator[tuple[Entry, int | None]]:
        """A vehicle's drives that have a result, each with the line that it repeats, or None."""
        entries = [one for one in self.of(vehicle) if one.key]
        first: dict[str, int] = {}
        for one in sorted(entries, key=lambda one: one.row.line):
            first.setdefault(one.key, one.row.line)
        for one in entries:
            yield one, None if first[one.key] == one.row.line else first[one.key]


def _entry(values: dict[str, object]) -> Entry:
    row = FleetRow(**values.pop("row"))  # type: ignore[arg-type]
    return Entry(row, **values)  # type: ignore[arg-type]
