"""``loadlearn validate``: many logs against weighed masses."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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
from loadlearn.errors import InputError

if TYPE_CHECKING:
    from rich.console import Console

    from loadlearn.study.validation import Validation

FORMATS = ("png", "svg", "pdf")
OWN_FILES = ("validation.csv", *(f"validation.{ending}" for ending in FORMATS), "validation.json")

Manifest = Annotated[
    Path,
    typer.Argument(
        metavar="MANIFEST",
        help="CSV: log, rig, mass_kg; optionally group, vehicle, at_s, tractive_scale. Paths are "
        "relative to it.",
    ),
]
Estimator = Annotated[
    str,
    typer.Option(
        "--estimator",
        metavar="NAME",
        help="What is judged: loadlearn, or a common method: plain_ekf, rls_one_factor, "
        "rls_several_factors, huber_window, ridge_window, total_least_squares.",
    ),
]
Format = Annotated[
    str, typer.Option("--format", metavar="FORMAT", help="Of the figure: png, svg or pdf.")
]


def run_validate(
    manifest: Path | str,
    out: Path | str,
    *,
    estimator: str = "loadlearn",
    jobs: int = 1,
    scheduler: str | None = None,
    force: bool = False,
    figure: bool = True,
    picture_format: str = "png",
    on_done: Callable[[int, int], None] | None = None,
) -> Validation:
    """Judge a manifest's rows and write the outputs.

    Parameters
    ----------
    manifest : path
        The manifest.
    out : path
        Folder for the outputs.
    estimator : str
        ``loadlearn`` or one of ``loadlearn.BASELINES``.
    jobs : int
        Worker processes.
    scheduler : str, optional
        Address of a Dask scheduler, whose workers then do the work.
    force : bool
        Whether this command's own earlier outputs may be replaced.
    figure : bool
        Whether the figure is drawn.
    picture_format : str
        ``png``, ``svg`` or ``pdf``.
    on_done : callable, optional
        Told how many of how many logs are done.

    Raises
    ------
    InputError
        The manifest or the output place cannot be used; nothing has then been written.
    """
    from loadlearn.outputs import OutputFolder, provenance, write_csv, write_json
    from loadlearn.study.validation import validate_manifest

    if picture_format not in FORMATS:
        raise InputError(f"--format is '{picture_format}'; use one of {', '.join(FORMATS)}")
    outputs = OutputFolder(Path(out), own=OWN_FILES, mark="validation.json", force=force)
    outputs.check()
    result = validate_manifest(
        manifest, jobs=jobs, scheduler=scheduler, learn=estimator, on_done=on_done
    )
    options = {"estimator": estimator, "figure": figure}
    made = provenance("validate", {"manifest": Path(manifest)}, options)
    with outputs:
        write_csv(outputs.path("validation.csv"), result.table)
        if figure and result.summary["overall"]["n"] > 0:
            from loadlearn.figures import save
            from loadlearn.figures.draw_validation import draw_validation

            save(draw_validation(result), outputs.path(f"validation.{picture_format}"))
        write_json(outputs.path("validation.json"), {**result.summary, "provenance": made})
    return result


def validate(
    manifest: Manifest,
    out: OutFolder,
    estimator: Estimator = "loadlearn",
    jobs: Jobs = 1,
    scheduler: Scheduler = None,
    force: Force = False,
    no_figure: NoFigure = False,
    format: Format = "png",
) -> int:
    """Judge estimates against weighed masses, log by log.

    Drives of one vehicle are not independent: the column 'vehicle' says which belong together
    (without it, those of one rig file), and intervals resample vehicles. A row that fails stays in
    validation.csv with its reason in the last column, and the exit status is 1. Writes
    validation.csv, validation.json and validation.png.

    Example: loadlearn validate weighed.csv --out out --jobs 2
    """
    with progress("judging logs", total=0) as shown:
        result = run_validate(
            manifest,
            out,
            estimator=estimator,
            jobs=jobs,
            scheduler=scheduler,
            force=force,
            figure=not no_figure,
            picture_format=format,
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
    out, summary = console(), result.summary
    scopes = {**summary["groups"], "all rows": summary["overall"]}
    _print_scopes(out, scopes, f"{summary['estimator']} against weighed masses", "")
    if summary["overall"].get("n_given_scale"):
        _print_scopes(out, scopes, "the same given the scale of the force", "_given_scale")
    out.print(summary["intervals"])
    for _, row in result.table[result.table["error"] != ""].iterrows():
        out.print(f"FAILED {row['log']}: {row['error']}", markup=False)
    out.print(CAUTION)


def _print_scopes(out: Console, scopes: dict[str, Any], title: str, suffix: str) -> None:
    """One group a row; under its errors their 95 % intervals, where there is room for them."""
    stem = "given_scale_" if suffix else ""
    shown = [
        (f"rmse_{stem}percent", "rms error\n%", 1.0, 2),
        (f"bias_{stem}percent", "mean error\n%", 1.0, 2),
        (f"rms_z{suffix}", "rms\nz", 1.0, 2),
        (f"coverage95{suffix}", "95 %\nholds %", 100.0, 0),
        (f"coverage50{suffix}", "50 %\nholds %", 100.0, 0),
    ]
    limits = [] if suffix else ["agreement\n%"]
    table = new_table("", "rows of\nvehicles", *(one[1] for one in shown), *limits, title=title)
    table.columns[0].min_width = 10
    for column in table.columns[1:]:
        column.no_wrap = True
    for name, of in scopes.items():
        cells = [
            "–" if of.get(key) is None else f"{factor * of[key]:.{decimals}f}"
            for key, _, factor, decimals in shown
        ]
        if not suffix:
            low, high = (of[f"difference_{end}95_percent"] for end in ("low", "high"))
            known = low is not None and low == low
            cells.append(f"{low:.1f} to {high:.1f}" if known else "–")
        table.add_row(name, f"{of[f'n{suffix}']} of {of['vehicles']}", *cells)
        ends = [of["interval95"].get(key) for key, *_ in shown[:2]]
        if out.width >= 96 and all(ends):
            table.add_row("", "", *(f"{low:.2f} to {high:.2f}" for low, high in ends if ends))
    out.print(table)
