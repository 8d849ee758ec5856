"""``loadlearn estimate``: learn the load from one log, and write what was learnt."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from loadlearn.commands.common import (
    CAUTION,
    DONE,
    DOUBTFUL,
    Channels,
    Every,
    Force,
    Log,
    NoFigure,
    OutFolder,
    RigOrVehicle,
    Vehicle,
    console,
    exceeded_lines,
    new_table,
    plus_minus,
    progress,
    read_rig,
    remembered_lines,
    start_from,
)
from loadlearn.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

    from loadlearn.vehicle.rig import Rig

Truth = Annotated[
    Path | None,
    typer.Option("--truth", metavar="FILE", help="CSV of what was true over time_s; drawn dashed."),
]
Beside = Annotated[
    str | None,
    typer.Option(
        "--beside",
        metavar="BASELINE",
        help="Draw what a common method would have said: plain_ekf, rls_one_factor, "
        "rls_several_factors, huber_window, ridge_window or total_least_squares.",
    ),
]

FORMATS = ("png", "svg", "pdf")
Wide = Annotated[bool, typer.Option("--wide", help="A figure for a slide, 16:9.")]
Format = Annotated[
    str, typer.Option("--format", metavar="FORMAT", help="Of the figure: png, svg or pdf.")
]

OWN_FILES = (
    "estimates.csv",
    "estimates.parquet",
    "trace.parquet",
    "estimates.png",
    "provenance.json",
    "summary.json",
)
_ANY_FILES = (
    *OWN_FILES,
    "truth.parquet",
    "beside.parquet",
    *(f"estimates.{ending}" for ending in FORMATS[1:]),
)


@dataclass(frozen=True)
class EstimateRun:
    """What :func:`run_estimate` read, learnt and wrote.

    Attributes
    ----------
    folder : Path
        Where the files lie.
    rig : Rig
        The rig as read.
    trace, prepared, history : DataFrame
        The log in canonical columns; with whole-log quantities; the estimates, one row per sample.
    summary : dict
        The content of ``summary.json``.
    status : int
        0, or 1 when the result is doubtful or a limit or rating was passed.
    """

    folder: Path
    rig: Rig
    trace: pd.DataFrame
    prepared: pd.DataFrame
    history: pd.DataFrame
    summary: dict[str, Any]
    status: int


def run_estimate(
    log: Path | str,
    rig: Path | str | None,
    out: Path | str,
    *,
    vehicle: Path | str | None = None,
    channels: Path | str | None = None,
    force: bool = False,
    figure: bool = True,
    every_s: float = 0.1,
    truth: Path | str | None = None,
    beside: str | None = None,
    wide: bool = False,
    picture_format: str = "png",
    on_stage: Callable[[str], None] | None = None,
) -> EstimateRun:
    """Learn the load from one log and write the outputs.

    Parameters
    ----------
    log, rig : path
        Drive log and rig file; no rig file is needed with a vehicle file.
    out : path
        Folder for the outputs.
    vehicle : path, optional
        Vehicle file, whose memory is started from.
    channels : path, optional
        Channel map.
    force : bool
        Whether this command's own earlier outputs may be replaced.
    figure : bool
        Whether ``estimates.png`` is drawn.
    every_s : float
        Interval of the rows of ``estimates.csv`` (s); 0 keeps every sample.
    truth : path, optional
        CSV with what was true over ``time_s``: any of ``mass_kg``, ``rolling_resistance``,
        ``drag_area_m2`` and ``surface``; it is drawn and kept beside, and learns nothing.
    beside : str, optional
        A baseline, one of ``loadlearn.BASELINES``: what it would have said is drawn and kept
        beside.
    wide : bool
        Whether the figure is laid out for a slide, 16:9.
    picture_format : str
        ``png``, ``svg`` or ``pdf``: the ending of ``estimates.*``.
    on_stage : callable, optional
        Told what is being done.

    Raises
    ------
    InputError
        An input or the output place cannot be used; nothing has then been written.
    """
    from loadlearn.estimation import LoadEstimator, prepare
    from loadlearn.estimation.ratings import ratings_and_limits
    from loadlearn.log.quality import log_quality
    from loadlearn.log.readers import read_log
    from loadlearn.outputs import (
        OutputFolder,
        provenance,
        thin,
        write_csv,
        write_json,
        write_parquet,
    )

    if not 0.0 <= every_s < math.inf:
        raise InputError(f"--every is {every_s:g}; give seconds, 0 for every sample")
    if picture_format not in FORMATS:
        raise InputError(f"--format is '{picture_format}'; use one of {', '.join(FORMATS)}")
    known = None
    if truth is not None:
        from loadlearn.figures import read_truth

        known = read_truth(Path(truth))
    say = on_stage or (lambda stage: None)
    log = Path(log)
    channels = None if channels is None else Path(channels)
    outputs = OutputFolder(Path(out), own=_ANY_FILES, mark="summary.json", force=force)
    outputs.check()

    say("reading the log")
    the_rig, memory = read_rig(rig, vehicle)
    other = None
    if beside is not None:
        from loadlearn.study.baselines import baseline

        other = baseline(beside, the_rig)
    trace = read_log(log, rig=the_rig, channels=channels)
    the_rig, remembered = start_from(the_rig, memory, trace)
    say("preparing")
    prepared = prepare(trace, the_rig)
    say("learning the load")
    history = LoadEstimator(the_rig).run(prepared)
    summary = dict(history.attrs["summary"])
    # The folder of the log is not part of the result: elsewhere the same log gives the same.
    summary["log_quality"] = log_quality(trace, the_rig).to_dict() | {"source": log.name}
    summary |= ratings_and_limits(trace, the_rig, summary)
    if remembered is not None:
        summary["remembered"] = remembered

    with outputs:
        say("writing")
        kept = thin(history["time_s"], every_s)
        write_csv(outputs.path("estimates.csv"), history[kept])
        write_parquet(outputs.path("estimates.parquet"), history)
        write_parquet(outputs.path("trace.parquet"), trace)
        if known is not None:
            write_parquet(outputs.path("truth.parquet"), known)
        also = None if other is None or beside is None else (beside, other.run(prepared))
        if also is not None:
            write_parquet(outputs.path("beside.parquet"), also[1])
        options: dict[str, Any] = {"every_s": every_s, "figure": figure}
        if beside is not None:
            options["beside"] = beside
        inputs = {
            "log": log,
            "rig": None if rig is None else Path(rig),
            "vehicle": None if vehicle is None else Path(vehicle),
            "channels": channels,
            "truth": None if truth is None else Path(truth),
        }
        write_json(outputs.path("provenance.json"), provenance("estimate", inputs, options))
        if figure:
            say("drawing")
            from loadlearn.figures import draw_estimates, save

            picture = draw_estimates(prepared, history, summary, known, also, wide)
            save(picture, outputs.path(f"estimates.{picture_format}"))
        write_json(outputs.path("summary.json"), summary)

    doubtful = (
        not summary["trust"]["ok"]
        or summary["limits_exceeded"]
        or (summary["probability_over_gcm"] or 0.0) > 0.5
    )
    status = DOUBTFUL if doubtful else DONE
    return EstimateRun(Path(out), the_rig, trace, prepared, history, summary, status)


_LOADS = {
    "trailer": "trailer mass (combined − tow vehicle)",
    "payload": "payload (combined − vehicle)",
}


def print_summary(run: EstimateRun) -> None:
    """Print what was learnt as a compact table, with its reservations.

    Parameters
    ----------
    run : EstimateRun
        A finished run.
    """
    summary, out = run.summary, console()
    table = new_table(
        "learnt by the end of the drive", "mean (95 % interval)", "sd given the scale*"
    )
    rows = [
        ("combined mass", "mass_kg", 0, "kg"),
        (_LOADS[summary["load_is"]], "trailer_mass_kg", 0, "kg"),
        ("rolling resistance at 20 m/s", "rolling_resistance", 4, ""),
        ("drag area", "drag_area_m2", 2, "m²"),
    ]
    for label, key, decimals, unit in rows:
        value = summary[key]
        given = f"± {value['sd_given_scale']:,.{decimals}f} {unit}".rstrip()
        table.add_row(label, plus_minus(value, decimals, unit), given)
    out.print(table)
    scale = 100.0 * run.rig.uncertainty.tractive_scale_sd
    out.print(f"* were the scale between fuelling and force, now known to {scale:.1f} %, exact")
    for line in remembered_lines(summary.get("remembered")):
        out.print(line)
    for segment in _merged(summary["surfaces"]):
        out.print(
            f"ground from {segment['start_s']:.0f} s to {segment['end_s']:.0f} s: "
            f"{segment['surface']}"
        )
    for change in summary["load_changes"]:
        out.print(
            f"load change at {change['time_s']:.0f} s: {change['before_kg']:,.0f} → "
            f"{change['after_kg']:,.0f} kg (probability {change['probability']:.2f})"
        )
    for name, rating in (("GCM", "probability_over_gcm"), ("towing", "probability_over_towing")):
        chance = summary[rating]
        if chance is not None and chance >= 0.05:
            out.print(f"WARNING: above the {name} rating with probability {chance:.2f}")
    for line in exceeded_lines(summary["limits_exceeded"]):
        out.print(f"WARNING: {line}")
    for warning in summary["warnings"]:
        out.print(f"note: {warning}")
    reasons = summary["trust"]["reasons"]
    for sentence in summary["log_quality"]["contradictions"]:
        if sentence not in reasons:
            out.print(f"note: {sentence}")
    for reason in reasons:
        out.print(f"NOT TO BE TRUSTED: {reason}")
    if summary.get("what_to_drive_next"):
        out.print(f"next: {summary['what_to_drive_next']}")
    out.print(CAUTION)
    out.print(f"written to {run.folder}")


def _merged(surfaces: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Segments in order; consecutive ones on the same ground become one line."""
    merged: list[dict[str, Any]] = []
    for segment in surfaces:
        if merged and merged[-1]["surface"] == segment["surface"]:
            merged[-1] = {**merged[-1], "end_s": segment["end_s"]}
        else:
            merged.append(dict(segment))
    return merged


def estimate(
    log: Log,
    *,
    rig: RigOrVehicle = None,
    out: OutFolder,
    vehicle: Vehicle = None,
    channels: Channels = None,
    force: Force = False,
    no_figure: NoFigure = False,
    every: Every = 0.1,
    truth: Truth = None,
    beside: Beside = None,
    wide: Wide = False,
    format: Format = "png",
) -> int:
    """Learn mass, rolling resistance and drag area from a drive log.

    Writes estimates.csv, estimates.parquet, trace.parquet, provenance.json, summary.json and
    estimates.png to the output folder. Exit status 1 means: written, but not to be trusted as it
    stands, or a rating or limit was passed.

    Example: loadlearn estimate drive.csv --rig rig.toml --out out
    """
    if no_figure and (truth is not None or beside is not None):
        raise InputError("--truth and --beside are drawn; leave out --no-figure, or them")
    with progress("reading the log") as shown:
        run = run_estimate(
            log,
            rig,
            out,
            vehicle=vehicle,
            channels=channels,
            force=force,
            figure=not no_figure,
            every_s=every,
            truth=truth,
            beside=beside,
            wide=wide,
            picture_format=format,
            on_stage=shown.stage,
        )
    print_summary(run)
    return run.status
