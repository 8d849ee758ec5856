"""``loadlearn dyno``: two wheel-dyno runs, corrected and compared."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from loadlearn.commands.common import (
    CAUTION_ADVICE,
    DONE,
    Channels,
    Force,
    NoFigure,
    OutFolder,
    console,
    new_table,
    progress,
)

if TYPE_CHECKING:
    from loadlearn.dyno import DynoComparison

OWN_FILES = ("dyno.csv", "dyno.png", "full_load.toml", "dyno.json")

Before = Annotated[
    str,
    typer.Argument(
        metavar="BEFORE", help="Run before the change (CSV); join repeats with commas: A.csv,B.csv."
    ),
]
After = Annotated[str, typer.Argument(metavar="AFTER", help="Run after the change, likewise.")]
Rig = Annotated[
    Path | None,
    typer.Option(
        "--rig",
        metavar="RIG",
        help="Rig file: fuel, aspiration, inertia, displacement, efficiency.",
    ),
]
Conditions = Annotated[
    Path | None,
    typer.Option(
        "--conditions",
        metavar="FILE",
        help="TOML with tables both, before and after: gear, tyre pressure and the like.",
    ),
]
Ignition = Annotated[
    str | None,
    typer.Option(
        "--ignition",
        help="compression or spark; default: by the rig's fuel, without a rig compression.",
    ),
]
Aspiration = Annotated[
    str | None,
    typer.Option(
        "--aspiration",
        help="turbocharged or naturally_aspirated; default: the rig's, without one turbocharged.",
    ),
]
Standard = Annotated[str, typer.Option("--standard", help="iso_1585 or sae_j1349.")]
Exponent = Annotated[
    float | None,
    typer.Option(
        "--temperature-exponent",
        min=0.0,
        max=3.0,
        help="x of the turbocharged formula; sources give 0.7, 1.2 and 1.5.",
    ),
]
EngineFactor = Annotated[
    float | None,
    typer.Option("--engine-factor", min=0.0, max=2.0, help="fm where fuelling is not logged."),
]
Displacement = Annotated[
    float | None,
    typer.Option("--displacement-l", min=0.05, max=50.0, help="Swept volume, without a rig file."),
]
Efficiency = Annotated[
    float | None,
    typer.Option("--driveline-efficiency", min=0.3, max=1.0, help="Crankshaft to tread."),
]
TyreLoss = Annotated[
    float,
    typer.Option("--tyre-loss-n", min=0.0, help="Rolling resistance of the tyres on the rollers."),
]


def dyno(
    before: Before,
    after: After,
    out: OutFolder,
    rig: Rig = None,
    conditions: Conditions = None,
    ignition: Ignition = None,
    aspiration: Aspiration = None,
    standard: Standard = "iso_1585",
    temperature_exponent: Exponent = None,
    engine_factor: EngineFactor = None,
    displacement_l: Displacement = None,
    driveline_efficiency: Efficiency = None,
    tyre_loss_n: TyreLoss = 0.0,
    channels: Channels = None,
    force: Force = False,
    no_figure: NoFigure = False,
) -> int:
    """Compare two wheel-dyno runs: cleaned, corrected to standard air, gain with its uncertainty.

    A file holds engine speed (or roller speed), a load (tractive_force_n, tractive_power_kw,
    axle_torque_n_m or engine_referred_torque_n_m) and ambient temperature, pressure and humidity;
    a column 'run' tells repeats apart. The rig's fuel says which correction is right: without a rig
    give --ignition spark for a petrol engine. Writes dyno.csv, dyno.png, full_load.toml (for a rig
    file) and dyno.json.

    Example: loadlearn dyno before.csv after.csv --rig rig.toml --out dyno-out
    """
    from loadlearn.dyno import (
        ComparisonSettings,
        compare,
        correction_for,
        read_runs,
        rig_fragment,
    )
    from loadlearn.dyno.runs import split_paths
    from loadlearn.dyno.stated import read_column_names, read_conditions
    from loadlearn.outputs import OutputFolder, provenance, write_csv, write_json
    from loadlearn.vehicle.rig import Rig as RigModel

    outputs = OutputFolder(out, own=OWN_FILES, mark="dyno.json", force=force)
    outputs.check()
    with progress("reading the runs") as shown:
        the_rig = None if rig is None else RigModel.from_toml(rig)
        correction, sources = correction_for(
            the_rig,
            ignition,
            aspiration,
            standard=standard,
            temperature_exponent=temperature_exponent,
            engine_factor=engine_factor,
        )
        settings = ComparisonSettings(tyre_loss_n=tyre_loss_n)
        if driveline_efficiency is not None:
            settings = replace(settings, driveline_efficiency=driveline_efficiency)
        elif the_rig is not None:
            settings = replace(settings, driveline_efficiency=the_rig.driveline.efficiency)
        stated = ({}, {}) if conditions is None else read_conditions(conditions)
        names = None if channels is None else read_column_names(channels)
        sides = [
            read_runs(side, said, columns=names)
            for side, said in zip((before, after), stated, strict=True)
        ]
        shown.stage("comparing")
        comparison = compare(
            *sides,
            correction=correction,
            correction_sources=sources,
            rig=the_rig,
            displacement_l=displacement_l,
            settings=settings,
        )
        comparison.warnings.extend(_given_twice(before, after))
        text, notes = rig_fragment(comparison)
        comparison.warnings.extend(notes["warnings"])
        files = {
            f"{name}_{number + 1}": path
            for name, side in (("before", before), ("after", after))
            for number, path in enumerate(split_paths(side))
        }
        inputs = {**files, "rig": rig, "conditions": conditions, "channels": channels}
        result = comparison.to_dict()
        result["rig_fragment"] = notes
        result["provenance"] = provenance("dyno", inputs, result["settings"])
        result["caution"] = CAUTION_ADVICE
        with outputs:
            write_csv(outputs.path("dyno.csv"), comparison.curves)
            outputs.path("full_load.toml").write_text(text, encoding="utf-8")
            if not no_figure:
                shown.stage("drawing")
                from loadlearn.figures.draw_dyno import draw_dyno
                from loadlearn.figures.style import save

                save(draw_dyno(comparison), outputs.path("dyno.png"))
            write_json(outputs.path("dyno.json"), result)
    print_comparison(comparison, out)
    return DONE


def _given_twice(before: str, after: str) -> list[str]:
    """What is to be said of files that stand for more than one run."""
    from loadlearn.dyno.runs import split_paths

    sides = [[path.resolve() for path in split_paths(side)] for side in (before, after)]
    said = [
        f"{path.name} is given both before and after: what it holds on both sides says nothing of "
        "the change"
        for path in dict.fromkeys(sides[0])
        if path in sides[1]
    ]
    return said + [
        f"{path.name} is given twice on one side: a copy is no repeat, and makes the runs look "
        "more alike than they are"
        for side in sides
        for path in dict.fromkeys(side)
        if side.count(path) > 1
    ]


def print_comparison(comparison: DynoComparison, out: Path) -> None:
    """Print peaks, gain and what may fake it.

    Parameters
    ----------
    comparison : DynoComparison
        A finished comparison.
    out : Path
        Where the files lie.
    """
    shown = console()
    place = comparison.settings["torque_measured_at"]
    table = new_table(f"peak at the {place}", "before", "after", "gain (95 % interval)")
    for quantity, unit, label in (("torque", "n_m", "N·m"), ("power", "kw", "kW")):
        entry = comparison.peaks[quantity]
        gain = entry["gain_percent"]
        low, high = gain["interval95"]
        peaks = [(entry[side], f"value_{unit}") for side in ("before", "after")]
        cells = [
            f"{peak[key]:.1f} {label} at {peak['engine_speed_rpm']:.0f} rpm" for peak, key in peaks
        ]
        table.add_row(quantity, *cells, f"{gain['mean']:.1f} %  ({low:.1f} to {high:.1f})")
    shown.print(table)
    mean = comparison.gain["mean_over_engine_speed"]
    low, high = mean["interval95"]
    shown.print(
        f"mean gain over engine speed: {mean['gain_percent']:.1f} % ({low:.1f} to {high:.1f})"
    )
    for sentence in comparison.correction["basis"]:
        shown.print(sentence, markup=False)
    for one in comparison.correction["variants"]:
        shown.print(
            f"  with correction {one['variant']}: peak power gain "
            f"{one['peak_power_gain_percent']:.1f} %"
        )
    for finding in comparison.findings:
        if finding.status == "alike":
            continue
        size = finding.faked_gain_percent
        more = "" if size is None else f" (fakes about {size:+.1f} %)"
        shown.print(f"{finding.subject}, {finding.status}: {finding.sentence}{more}", markup=False)
    for warning in comparison.warnings:
        shown.print(f"WARNING: {warning}", markup=False)
    shown.print(CAUTION_ADVICE)
    shown.print(f"written to {out}", markup=False)
