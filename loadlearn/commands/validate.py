"""``loadlearn validate``: many logs against weighed masses."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from loadlearn.commands.common import (
    CAUTION,
    DONE,
    DOUBTFUL,
    Force,
    Jobs,
    NoFigure,
    OutFolder,
    Scheduler,
    console,
    new_table,
    progress,
)

if TYPE_CHECKING:
    from loadlearn.study.validation import Validation

OWN_FILES = ("validation.csv", "validation.png", "validation.json")

Manifest = Annotated[
    Path,
    typer.Argument(
        metavar="MANIFEST",
        help="CSV: log, rig, mass_kg; optionally group, at_s, tractive_scale. Paths are relative "
        "to it.",
    ),
]


def run_validate(
    manifest: Path | str,
    out: Path | str,
    *,
    jobs: int = 1,
    scheduler: str | None = None,
    force: bool = False,
    figure: bool = True,
    on_done: Callable[[int, int], None] | None = None,
) -> Validation:
    """Judge a manifest's rows and write the outputs.

    Parameters
    ----------
    manifest : path
        The manifest.
    out : path
        Folder for the outputs.
    jobs : int
        Worker processes.
    scheduler : str, optional
        Address of a Dask scheduler, whose workers then do the work.
    force : bool
        Whether this command's own earlier outputs may be replaced.
    figure : bool
        Whether ``validation.png`` is drawn.
    on_done : callable, optional
        Told how many of how many logs are done.

    Raises
    ------
    InputError
        The manifest or the output place cannot be used; nothing has then been written.
    """
    from loadlearn.outputs import OutputFolder, write_csv, write_json
    from loadlearn.study.validation import validate_manifest

    outputs = OutputFolder(Path(out), own=OWN_FILES, mark="validation.json", force=force)
    outputs.check()
    result = validate_manifest(manifest, jobs=jobs, scheduler=scheduler, on_done=on_done)
    with outputs:
        write_csv(outputs.path("validation.csv"), result.table)
        if figure and result.summary["overall"]["n"] > 0:
            from loadlearn.figures import save
            from loadlearn.figures.draw_validation import draw_validation

            save(draw_validation(result), outputs.path("validation.png"))
        write_json(outputs.path("validation.json"), result.summary)
    return result


def validate(
    manifest: Manifest,
    out: OutFolder,
    jobs: Jobs = 1,
    scheduler: Scheduler = None,
    force: Force = False,
    no_figure: NoFigure = False,
) -> int:
    """Judge estimates against weighed masses, log by log.

    A row that fails stays in validation.csv with its reason in the last column, and the exit status
    is 1. Writes validation.csv, validation.json and validation.png.

    Example: loadlearn validate weighed.csv --out out --jobs 2
    """
    with progress("judging logs", total=0) as shown:
        result = run_validate(
            manifest,
            out,
            jobs=jobs,
            scheduler=scheduler,
            force=force,
            figure=not no_figure,
            on_done=shown.at,
        )
    print_validation(result)
    console().print(f"written to {out}")
    return DOUBTFUL if result.summary["failed"] else DONE


def print_validation(result: Validation) -> None:
    """Print the statistics, and the rows that failed.

    Parameters
    ----------
    result : Validation
        A finished validation.
    """
    out = console()
    overall = result.summary["overall"]
    names = list(overall)
    columns = {**result.summary["groups"], "overall": overall}
    table = new_table("statistic", *columns)
    for name in names:
        cells = [column.get(name) for column in columns.values()]
        table.add_row(
            name.replace("_", " "),
            *("–" if cell is None else f"{cell:.3g}" for cell in cells),
        )
    out.print(table)
    for _, row in result.table[result.table["error"] != ""].iterrows():
        out.print(f"FAILED {row['log']}: {row['error']}")
    out.print(CAUTION)
