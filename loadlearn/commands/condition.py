"""``loadlearn condition``: is this engine still what it was."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from loadlearn.commands.common import (
    DONE,
    DOUBTFUL,
    Channels,
    Force,
    Log,
    RigOrVehicle,
    Vehicle,
    console,
    new_table,
    progress,
    read_rig,
)

if TYPE_CHECKING:
    from loadlearn.condition import ConditionReport

OWN_FILES = ("condition.json",)

Baselines = Annotated[
    list[str] | None,
    typer.Option(
        "--baseline",
        metavar="LOG",
        help=(
            "Log of the same rig when it was well, in like weather and altitude; repeat the "
            "option, or join several with commas."
        ),
    ),
]
KnownMass = Annotated[
    float | None,
    typer.Option(
        "--known-mass",
        metavar="KG",
        min=100.0,
        max=200_000.0,
        help="Weighed combined mass in LOG (kg): then tractive efficiency is judged too.",
    ),
]
BaselineMass = Annotated[
    list[float] | None,
    typer.Option(
        "--baseline-mass",
        metavar="KG",
        min=100.0,
        max=200_000.0,
        help="Weighed combined mass in each baseline log (kg), in their order.",
    ),
]
Out = Annotated[
    Path,
    typer.Option("--out", metavar="DIR", help="Folder for condition.json; made if missing."),
]


def condition(
    log: Log,
    rig: RigOrVehicle = None,
    out: Out = Path("."),
    vehicle: Vehicle = None,
    baseline: Baselines = None,
    known_mass: KnownMass = None,
    baseline_mass: BaselineMass = None,
    channels: Channels = None,
    force: Force = False,
) -> int:
    """Tell whether engine, brakes and tyres are still what they were, and what to inspect.

    Compares a log with baseline logs of the same rig (five or more tell most), with remembered
    drives (--vehicle), or with both; without any, with what the rig file leads to expect. Boost,
    air flow, rail pressure and exhaust temperature are compared over the engine's operating map and
    need baseline logs. The channels come first: what leans on one that is missing or stands still
    is withheld. Prints findings, strongest evidence first, and the table of checks; writes
    condition.json. Exit status: 0 no finding, 1 findings. A finding advises an inspection by a
    licensed technician; it diagnoses nothing.

    Example: loadlearn condition today.csv --rig rig.toml --baseline may.csv --baseline june.csv
    """
    from loadlearn.condition import assess, learn_baseline
    from loadlearn.condition.assessment import condense
    from loadlearn.dyno.runs import split_paths
    from loadlearn.errors import InputError
    from loadlearn.log.readers import read_log
    from loadlearn.outputs import OutputFolder, provenance, write_json

    outputs = OutputFolder(out, own=OWN_FILES, mark="condition.json", force=force)
    outputs.check()
    logs = [path for one in baseline or [] for path in split_paths(one)]
    if any(path.resolve() == Path(log).resolve() for path in logs):
        raise InputError(
            f"{log}: the log to be judged is among its own baseline logs; give logs of other drives"
        )
    masses: list[float | None] = [*baseline_mass] if baseline_mass else [None] * len(logs)
    if len(masses) != len(logs):
        raise InputError(
            f"{len(logs)} baseline logs but {len(masses)} baseline masses; give --baseline-mass "
            "once per --baseline, or not at all"
        )
    with progress("reading the logs", total=len(logs) + 1) as shown:
        the_rig, memory = read_rig(rig, vehicle)
        drives = []
        for path, mass in zip([*logs, log], [*masses, known_mass], strict=True):
            trace = read_log(path, rig=the_rig, channels=channels)
            drives.append(condense(trace, the_rig, mass))
            shown.advance()
        remembered = []
        if memory is not None:
            from loadlearn.memory.drive_record import content_hash
            from loadlearn.memory.healthy_drives import healthy_drives

            remembered = healthy_drives(memory, leaving=content_hash(trace))
        shown.stage("comparing")
        report = assess(drives[-1], the_rig, learn_baseline([*remembered, *drives[:-1]], the_rig))
    inputs = {f"baseline_{number + 1}": path for number, path in enumerate(logs)}
    options = {"known_mass_kg": known_mass, "baseline_mass_kg": baseline_mass}
    result: dict[str, Any] = {**report.to_dict()}
    result["provenance"] = provenance(
        "condition",
        {"log": log, "rig": rig, "vehicle": vehicle, "channels": channels, **inputs},
        options,
    )
    with outputs:
        write_json(outputs.path("condition.json"), result)
    print_condition(report)
    console().print(f"written to {out / 'condition.json'}", markup=False)
    return DOUBTFUL if report.findings else DONE


_AGAIN = "look again on another drive, or with more baseline drives"
_SOON = (
    "that is unusual, so look again soon, on another drive and with more baseline drives, before "
    "anything is put down to chance"
)


def print_condition(report: ConditionReport) -> None:
    """Print findings and the table of checks.

    Parameters
    ----------
    report : ConditionReport
        A finished assessment.
    """
    from loadlearn.condition.assessment import ADVICE

    shown = console()
    for number, finding in enumerate(report.findings, start=1):
        shown.print(f"{number}. {finding.sentence}.", markup=False)
    judged = [row for row in report.checks if row["chance"] is not None]
    if not judged:
        shown.print("No check could be judged; nothing is said of this engine's condition.")
    elif not report.findings:
        shown.print(
            f"No finding: none of the {len(judged)} checks judged deviates further than a healthy "
            f"vehicle may; {len(report.checks) - len(judged)} could not be judged."
        )
    if report.outside95:
        chance = 100.0 * report.outside95_chance
        odds = f"about {chance:.0f} %" if chance >= 1.0 else "less than 1 %"
        shown.print(
            "Outside what 95 % of healthy drives show, though no finding: "
            f"{', '.join(report.outside95)}. By chance so much is outside in {odds} "
            "of healthy drives, were the checks independent: "
            f"{_AGAIN if chance >= 1.5 else _SOON}.",
            markup=False,
        )
    for sentence in report.together:
        shown.print(f"together: {sentence}")
    table = new_table("check", "deviation", "95 % of healthy drives", "judged against")
    for row in judged:
        digits = 4 if row["unit"] == "coefficient" else 1
        unit = "" if row["unit"] == "coefficient" else f" {row['unit']}"
        low, high = row["healthy_interval95"]
        against = row["expected_from"]
        if against == "baseline":
            against = f"{row['baseline_drives']} baseline drives"
        table.add_row(
            row["check"],
            f"{row['deviation']:+.{digits}f}{unit}",
            f"{low:+.{digits}f} to {high:+.{digits}f}{unit}",
            against,
        )
    if judged:
        shown.print(table)
    missing: dict[str, list[str]] = {}
    for row in report.checks:
        if row["chance"] is None:
            missing.setdefault(row["not_judged_because"], []).append(row["check"])
    for reason, names in missing.items():
        shown.print(f"not judged, {reason}: {', '.join(names)}", markup=False)
    for warning in report.warnings:
        shown.print(f"note: {warning}", markup=False)
    shown.print(ADVICE)
