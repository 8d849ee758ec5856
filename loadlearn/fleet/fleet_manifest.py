"""The manifest of a fleet: which logs, of which vehicles, described by which rigs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from loadlearn.errors import InputError
from loadlearn.log.manifest import log_and_rig, manifest_lines, number_cell

NEEDED = ("log", "rig", "vehicle")


@dataclass(frozen=True)
class FleetRow:
    """One drive of one vehicle.

    Attributes
    ----------
    line : int
        Line of the manifest, the header being line 1.
    log_name : str
        As the manifest spells it.
    log, rig : str
        Paths, resolved against the manifest's folder, or addresses.
    vehicle : str
    mass_kg : float or None
        Weighed combined mass (kg).
    start : str or None
        When the drive began: ISO 8601, UTC.
    baseline : bool
        Whether the vehicle is known to have been well: what its other drives are compared with.
    """

    line: int
    log_name: str
    log: str
    rig: str
    vehicle: str
    mass_kg: float | None = None
    start: str | None = None
    baseline: bool = False


def fleet_rows(manifest: Path) -> Iterator[FleetRow]:
    """Read a manifest row by row.

    Parameters
    ----------
    manifest : Path
        CSV with ``log``, ``rig`` and ``vehicle``, optionally ``mass_kg``, ``start`` (ISO 8601;
        without a zone it is UTC) and ``baseline`` (0/1); other columns are ignored.

    Yields
    ------
    FleetRow

    Raises
    ------
    InputError
        As for :func:`~loadlearn.log.manifest.manifest_lines`, or a cell has an impossible value.
    """
    for line, cells in manifest_lines(manifest, NEEDED):
        where = f"{manifest}, line {line}"
        log, rig = log_and_rig(manifest, where, cells)
        if not cells["vehicle"]:
            raise InputError(f"{where}: 'vehicle' is empty; name the vehicle")
        if cells.get("baseline", "") not in ("", "0", "1"):
            raise InputError(f"{where}: 'baseline' is '{cells['baseline']}'; give 0 or 1")
        yield FleetRow(
            line=line,
            log_name=cells["log"],
            log=log,
            rig=rig,
            vehicle=cells["vehicle"],
            mass_kg=number_cell(where, cells, "mass_kg", positive=True),
            start=_start(where, cells.get("start", "")),
            baseline=cells.get("baseline") == "1",
        )


def _start(where: str, text: str) -> str | None:
    if not text:
        return None
    try:
        start = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(
            f"{where}: 'start' is '{text}'; give an ISO 8601 date or time, as 2030-01-31T08:30:00Z"
        ) from None
    return (start if start.tzinfo else start.replace(tzinfo=UTC)).astimezone(UTC).isoformat()
