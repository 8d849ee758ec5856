"""``loadlearn fleet``: many logs of many vehicles into one data set."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from loadlearn.commands.common import (
    CAUTION,
    DONE,
    DOUBTFUL,
    Channels,
    Force,
    Jobs,
    OutFolder,
    Scheduler,
    console,
    new_table,
    progress,
)

if TYPE_CHECKING:
    from loadlearn.fleet.fleet_run import FleetResult

Manifest = Annotated[
    Path,
    typer.Argument(
        metavar="MANIFEST",
        help="CSV: log, rig, vehicle; optionally mass_kg (weighed), start (ISO 8601), baseline "
        "(1 = the vehicle was well). Paths are relative to it; addresses such as s3://… are read "
        "where the worker is.",
    ),
]
Estimates = Annotated[
    bool, typer.Option("--estimates", help="Write the estimates over time too, a file per drive.")
]
Condition = Annotated[
    bool,
    typer.Option("--condition", help="Compare each drive with its vehicle's baseline drives."),
]


def fleet(
    manifest: Manifest,
    out: OutFolder,
    jobs: Jobs = 1,
    scheduler: Scheduler = None,
    channels: Channels = None,
    estimates: Estimates = False,
    condition: Condition = False,
    force: Force = False,
) -> int:
    """Learn the loads of many drives of many vehicles, on one machine or on a cluster.

    Writes dataset/, Parquet with one row per drive and a partition per vehicle, fleet.html,
    left_out.csv (logs that failed, and why) and fleet.json. Results are kept in work/ as they come:
    started again after whatever cut it off, it goes on where it was. With --force outputs are made
    anew from what is kept, and drives that are new in the manifest are added. Exit status 1 means
    written, but logs failed or there are findings.

    Example: loadlearn fleet drives.csv --out fleet-out --jobs 4
    """
    from loadlearn.fleet.fleet_run import run_fleet

    with progress("reading the manifest", total=0) as shown:

        def on_done(what: str, done: int, total: int) -> None:
            if done == 0:
                shown.stage(what)
            shown.at(done, total)

        try:
            result = run_fleet(
                manifest,
                out,
                jobs=jobs,
                scheduler=scheduler,
                channels=channels,
                estimates=estimates,
                condition=condition,
                force=force,
                on_done=on_done,
            )
        except KeyboardInterrupt:
            sys.stderr.write(f"loadlearn: what was done is kept in {out}; run again to go on\n")
            raise
    print_fleet(result)
    console().print(f"written to {out}")
    overview = result.overview
    return DOUBTFUL if overview.failed or overview.drives_with_findings else DONE


def print_fleet(result: FleetResult) -> None:
    """Print counts, and what was said most often.

    Parameters
    ----------
    result : FleetResult
        A finished run.
    """
    from loadlearn.fleet.overview import most_told

    out, overview = console(), result.overview
    table = new_table("vehicles", "drives", "to be trusted", "above GCM", "findings", "failed")
    table.add_row(
        *(
            str(number)
            for number in (
                overview.vehicles,
                overview.drives,
                overview.trusted,
                overview.over_gcm,
                overview.drives_with_findings,
                overview.failed,
            )
        )
    )
    out.print(table)
    out.print(f"{result.judged} logs worked on in this run, {result.kept} kept from earlier ones")
    if overview.repeated:
        out.print(f"{overview.repeated} rows repeat a drive and were counted once")
    if overview.weighed:
        judged = overview.weighed
        out.print(
            f"against {judged['n']} weighed masses: rms error {judged['rmse_percent']:.1f} %, "
            f"{100.0 * judged['coverage95']:.0f} % inside the 95 % interval"
        )
    for what, told in (("NOT TO BE TRUSTED", overview.reasons), ("FAILED", overview.failures)):
        for one in most_told(told)[:5]:
            out.print(f"{what}, {one.count} × as in {one.log}: {one.sentence}")
    out.print(CAUTION)
