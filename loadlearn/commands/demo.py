"""``loadlearn demo``: the whole job on the shipped synthetic drive."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from loadlearn.commands.common import Force, NoFigure, console, progress
from loadlearn.commands.estimate import print_summary, run_estimate
from loadlearn.commands.report import OWN_FILES as REPORT_FILES
from loadlearn.commands.report import run_report

DemoFolder = Annotated[
    Path, typer.Option("--out", metavar="DIR", help="Folder for the outputs; made if missing.")
]


def demo(
    out: DemoFolder = Path("demo-out"), force: Force = False, no_figure: NoFigure = False
) -> int:
    """Do the whole job on a shipped synthetic drive.

    A survey crew hauls a boat trailer from its depot over a coastal range and along gravel to a
    sand ramp. All of it is invented; the truth is drawn dashed. Writes what 'estimate' writes, and
    report.html.

    Example: loadlearn demo --out demo-out
    """
    from loadlearn.demo import demo_files
    from loadlearn.outputs import OutputFolder

    files = demo_files()
    OutputFolder(out, own=REPORT_FILES, mark=REPORT_FILES[0], force=force).check()
    with progress("reading the log") as shown:
        run = run_estimate(
            files.log,
            files.rig,
            out,
            force=force,
            figure=not no_figure,
            truth=files.truth,
            on_stage=shown.stage,
        )
        shown.stage("writing the report")
        run_report(out, force=force)
    print_summary(run)
    console().print(f"read {out / 'report.html'} in a browser, then try a log of your own")
    return run.status
