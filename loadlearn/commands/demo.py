"""``loadlearn demo``: the whole job on the shipped synthetic drive."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from loadlearn.commands.advise import OWN_FILES as ADVICE_FILES
from loadlearn.commands.advise import run_advise
from loadlearn.commands.common import CAUTION_ADVICE, Force, NoFigure, console, progress
from loadlearn.commands.estimate import OWN_FILES as ESTIMATE_FILES
from loadlearn.commands.estimate import print_summary, run_estimate
from loadlearn.commands.report import OWN_FILES as REPORT_FILES
from loadlearn.commands.report import run_report
from loadlearn.commands.schedule import OWN_FILES as SCHEDULE_FILES
from loadlearn.commands.schedule import run_schedule

DemoFolder = Annotated[
    Path, typer.Option("--out", metavar="DIR", help="Folder for the outputs; made if missing.")
]


def demo(
    out: DemoFolder = Path("demo-out"), force: Force = False, no_figure: NoFigure = False
) -> int:
    """Do the whole job on a shipped synthetic drive.

    A survey crew hauls a boat trailer from its depot over a coastal range and along gravel to a
    sand ramp. All of it is invented; the truth is drawn dashed, and beside it what a plain extended
    Kalman filter would have said. Writes what 'estimate', 'advise' and 'schedule' write, and
    report.html.

    Example: loadlearn demo --out demo-out
    """
    from loadlearn.demo_drive import demo_files
    from loadlearn.outputs import OutputFolder

    files = demo_files()
    own = (*ESTIMATE_FILES, *ADVICE_FILES, *SCHEDULE_FILES, *REPORT_FILES)
    outputs = OutputFolder(out, own=own, mark=REPORT_FILES[0], force=force)
    outputs.check()
    figure = not no_figure
    # All of it or nothing: no interruption leaves half of an old demonstration with half of a new.
    with progress("reading the log") as shown, outputs:
        place = outputs.temporary
        run = run_estimate(
            files.log,
            files.rig,
            place,
            figure=figure,
            truth=files.truth,
            beside="plain_ekf",
            on_stage=shown.stage,
        )
        advice = run_advise(files.log, files.rig, place, figure=figure, on_stage=shown.stage)
        shown.stage("computing the table")
        run_schedule(files.rig, place, figure=figure)
        shown.stage("writing the report")
        run_report(place)
    run = replace(run, folder=out)
    print_summary(run)
    console().print(advice.summary["at_end"]["reason"])
    console().print(CAUTION_ADVICE)
    console().print(f"read {out / 'report.html'} in a browser, then try a log of your own")
    return max(run.status, advice.status)
