"""``loadlearn remember``: what many drives of one vehicle know together, kept in a small file."""

from __future__ import annotations

import datetime
import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from loadlearn.commands.common import (
    CAUTION,
    DONE,
    DOUBTFUL,
    Channels,
    RigOrVehicle,
    console,
    new_table,
    progress,
)
from loadlearn.errors import InputError

if TYPE_CHECKING:
    from loadlearn.memory.drive_record import DriveRecord
    from loadlearn.memory.vehicle_file import VehicleFile
    from loadlearn.memory.vehicle_memory import Known
    from loadlearn.vehicle.rig import Rig

Logs = Annotated[
    list[Path] | None,
    typer.Argument(metavar="LOG...", help="Drive logs of one vehicle: .csv, .parquet, .mf4."),
]
Memory = Annotated[
    Path,
    typer.Option("--vehicle", metavar="FILE", help="The vehicle file; made where there is none."),
]
KnownMass = Annotated[
    float | None,
    typer.Option(
        "--known-mass",
        metavar="KG",
        min=1.0,
        help="Weighed combined mass in these drives, people and fuel included (kg).",
    ),
]
KnownMassSd = Annotated[
    float | None,
    typer.Option(
        "--known-mass-sd",
        metavar="KG",
        min=0.1,
        help="How sure the weighing is, one sd (kg); default 20.",
    ),
]
LoadName = Annotated[
    str | None,
    typer.Option(
        "--load",
        metavar="NAME",
        help="Name of the load in these drives: drives of one name carry the same; solo is none.",
    ),
]
Dates = Annotated[
    list[str] | None,
    typer.Option(
        "--date",
        metavar="DATE",
        help="When the drives were made, as 2030-01-31: once for all logs, or once per log.",
    ),
]
ChangeOf = Annotated[
    str | None,
    typer.Option(
        "--change",
        metavar="WHAT",
        help="Something is another from --date on: tyres, brakes, engine, uprate, body or logger.",
    ),
]
Forget = Annotated[
    list[str] | None,
    typer.Option(
        "--forget", metavar="HASH", help="Forget a drive, as if it had never been remembered."
    ),
]


def remember(
    logs: Logs = None,
    *,
    vehicle: Memory,
    rig: RigOrVehicle = None,
    known_mass: KnownMass = None,
    known_mass_sd: KnownMassSd = None,
    load: LoadName = None,
    date: Dates = None,
    change: ChangeOf = None,
    forget: Forget = None,
    channels: Channels = None,
) -> int:
    """Remember drives of one vehicle; estimate, condition and advise then start from them.

    Keeps a few numbers of each drive in a vehicle file, never the log; the file begins from a rig
    file (--rig, the first time) and holds it. The order of drives does not matter, and a drive
    remembered twice counts once; what is said of it anew (--known-mass, --load, --date) is taken
    over. Drives of weighed mass, solo, or with a load that repeats tell the tractive scale. A
    weighing, a load or a drive that the others contradict is left out, a change is found and told,
    not averaged in; date it with --change. Without logs, prints what is known. Exit status 1:
    written, but something was left out or found.

    Example: loadlearn remember monday.csv --vehicle ute.toml --rig rig.toml --known-mass 5210
    """
    from loadlearn.memory.vehicle_file import Change
    from loadlearn.memory.vehicle_memory import what_is_known
    from loadlearn.outputs import OutputFolder

    logs = logs or []
    dates = _dates(date, len(logs))
    _check(logs, vehicle, known_mass, known_mass_sd, load, change, dates)
    outputs = OutputFolder(vehicle.parent, own=[vehicle.name], mark=vehicle.name, force=True)
    outputs.check()
    the_rig, memory = _begin(vehicle, rig)
    before = memory
    skipped: list[str] = []
    if forget:
        memory = memory.without(forget)
    if change is not None:
        assert dates[0] is not None
        memory = memory.with_change(Change.model_validate({"date": dates[0], "what": change}))
    with progress("reading the logs", total=len(logs)) as shown:
        told = []
        for log, day in zip(logs, dates, strict=False):
            shown.stage(f"learning from {log.name}")
            one = _record(log, the_rig, day, known_mass, known_mass_sd, load, channels)
            told.append(one) if not isinstance(one, str) else skipped.append(one)
            shown.advance()
        memory = memory.with_drives(told)
        known = what_is_known(memory)
        if memory != before or not vehicle.exists():
            with outputs:
                outputs.path(vehicle.name).write_text(memory.text(), encoding="utf-8")
    print_memory(memory, known, skipped)
    console().print(f"written to {vehicle}", soft_wrap=True)
    return DOUBTFUL if known.findings or skipped else DONE


def _begin(vehicle: Path, rig: Path | None) -> tuple[Rig, VehicleFile]:
    from loadlearn.commands.common import read_rig
    from loadlearn.memory.vehicle_file import VehicleFile

    if vehicle.exists():
        the_rig, memory = read_rig(rig, vehicle)
        assert memory is not None
        return the_rig, memory
    if rig is None:
        raise InputError(f"{vehicle}: no such vehicle file yet; give the rig file with --rig")
    the_rig, _ = read_rig(rig, None)
    return the_rig, VehicleFile.begin(the_rig)


def _record(
    log: Path,
    rig: Rig,
    date: datetime.date | None,
    known_mass: float | None,
    known_mass_sd: float | None,
    load: str | None,
    channels: Path | None,
) -> DriveRecord | str:
    """What is kept of a drive, or why it tells too little."""
    from loadlearn.log.readers import read_log
    from loadlearn.memory.drive_record import record_drive

    trace = read_log(log, rig=rig, channels=channels)
    try:
        return record_drive(trace, rig, log.name, date, known_mass, known_mass_sd, load)
    except InputError as error:
        return str(error)


def _dates(given: list[str] | None, logs: int) -> list[datetime.date | None]:
    try:
        days: list[datetime.date | None] = [datetime.date.fromisoformat(one) for one in given or []]
    except ValueError as error:
        raise InputError(f"--date: {error}; write it as 2030-01-31") from None
    if len(days) not in (0, 1, logs):
        raise InputError(f"{len(days)} dates for {logs} logs; give --date once, or once per log")
    return days if len(days) == logs and logs else (days or [None]) * max(logs, 1)


def _check(
    logs: list[Path],
    vehicle: Path,
    known_mass: float | None,
    known_mass_sd: float | None,
    load: str | None,
    change: str | None,
    dates: list[datetime.date | None],
) -> None:
    from loadlearn.memory.vehicle_file import WHATS

    twice = {log for log in logs if sum(log.resolve() == other.resolve() for other in logs) > 1}
    if twice:
        raise InputError(f"{min(twice)}: given more than once; name each log once")
    if vehicle.resolve() in {log.resolve() for log in logs}:
        raise InputError(f"{vehicle}: --vehicle is one of the logs; give the vehicle file's name")
    if vehicle.is_dir():
        raise InputError(f"{vehicle}: a folder; give the name of the vehicle file")
    if (known_mass, known_mass_sd, load) != (None, None, None) and not logs:
        raise InputError("--known-mass and --load are said of drives: give their logs")
    if known_mass is None and known_mass_sd is not None:
        raise InputError("--known-mass-sd needs --known-mass")
    if known_mass is not None and (known_mass_sd or 0.0) > 0.05 * known_mass:
        raise InputError(
            f"the weighing's sd is {known_mass_sd:g} kg for {known_mass:g} kg; give at most 5 % of "
            "the mass (a mass known less well tells no scale)"
        )
    if change is not None and (change not in WHATS or dates[0] is None or len(set(dates)) > 1):
        raise InputError(
            f"--change is one of {', '.join(WHATS)}, with the day from which on as --date"
        )


def print_memory(memory: VehicleFile, known: Known, skipped: list[str]) -> None:
    """Print what is remembered and what is known of the vehicle.

    Parameters
    ----------
    memory : VehicleFile
    known : Known
    skipped : list of str
        Why logs were not remembered.
    """
    out = console()
    scale = known.tractive_scale
    table = new_table("drive", "date", "hash", "load", "weighed, kg", "mass now told, kg")
    for drive in memory.drives:
        told = drive.log_implied_mass
        mass = math.exp(told.mean) * scale.mean
        table.add_row(
            drive.log,
            "" if drive.date is None else drive.date.isoformat(),
            drive.hash[:8],
            drive.load_name or "",
            "" if drive.known_mass_kg is None else f"{drive.known_mass_kg:,.0f}",
            f"{mass:,.0f} ± {mass * math.hypot(told.sd, scale.sd):,.0f}",
        )
    if memory.drives:
        out.print(table)
    prior = memory.own_rig.uncertainty
    common = math.sqrt(float(known.scale.covariance[0, 0]))
    lines = [
        f"tractive scale {scale.mean:.4f}, sd {scale.sd:.4f} in a drive yet to come (common to all "
        f"drives {common:.4f}, between drives {known.scale.between_sd:.4f}); by the rig file "
        f"{prior.tractive_scale:.4f}, sd {prior.tractive_scale_sd:.4f}"
    ]
    for name in known.loads:
        of_load = known.load_mass_kg(name)
        if of_load is not None:
            lines.append(f"load '{name}': {of_load.mean:,.0f} ± {of_load.sd:,.0f} kg in all")
    if known.rolling_resistance is not None:
        roll = known.rolling_resistance
        lines.append(f"rolling resistance on sealed ground {roll.mean:.4f} ± {roll.sd:.4f}")
    if known.drag_area_m2 is not None:
        area = known.drag_area_m2
        lines.append(f"drag area with something hitched {area.mean:.2f} ± {area.sd:.2f} m²")
    late = {name: one for name, one in known.delays_s.items() if abs(one.mean) >= 0.05}
    for name, delay in late.items():
        lines.append(f"the {name} channel is {delay.mean:+.2f} ± {delay.sd:.2f} s late")
    lines += [f"since {one.date.isoformat()}: {one.what} changed" for one in memory.changes]
    lines += [f"note: {one}" for one in known.notes]
    lines += [f"not remembered: {one}" for one in skipped]
    lines += [f"FOUND: {one}" for one in known.findings]
    for line in [*lines, CAUTION]:
        out.print(line)
