"""``loadlearn export-step``: estimator and strategy as a step for a controller, C99 and FMI 3.0."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from loadlearn.commands.common import (
    CAUTION,
    CAUTION_ADVICE,
    DONE,
    Channels,
    Force,
    OutFolder,
    RigFile,
    console,
    new_table,
    progress,
    strategy_inputs,
)
from loadlearn.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

    from loadlearn.estimation.learner import Sources
    from loadlearn.estimation.model import Noise
    from loadlearn.vehicle.rig import Rig

OWN_FILES = ("loadlearn_step.h", "loadlearn_step.c", "loadlearn_step.fmu", "step.json")

BENCH_ONLY = "For bench and simulation only."
UNJUDGED = (
    "Nothing here was made or judged by the rules for what steers, brakes or drives a vehicle on "
    "the road."
)


def run_export_step(
    rig: Path | str,
    out: Path | str,
    *,
    strategy: Path | str | None = None,
    log: Path | str | None = None,
    channels: Path | str | None = None,
    force: bool = False,
) -> dict[str, Any]:
    """Write a rig's estimator step and strategy look-up as C99 and as an FMI 3.0 unit.

    Parameters
    ----------
    rig : path
        Rig file.
    out : path
        Folder for the outputs.
    strategy : path, optional
        A strategy file; default the one that is made for the rig.
    log : path, optional
        A log of the same logger: which channels serve, its noise levels, and the drive over which
        operations are counted. Default: fuelling and grade, usual noise, the demonstration drive.
    channels : path, optional
        Channel map of the log.
    force : bool
        Whether this command's own earlier outputs may be replaced.

    Returns
    -------
    dict
        What ``step.json`` holds.

    Raises
    ------
    InputError
        An input or the output place cannot be used; nothing has then been written.
    """
    from loadlearn.outputs import OutputFolder, provenance, write_json
    from loadlearn.policy.choose import choose_strategy
    from loadlearn.step_export.fmi_unit import write_unit
    from loadlearn.step_export.native_step import compiler
    from loadlearn.step_export.reduced import reduced_setup
    from loadlearn.step_export.step_cost import cost_of
    from loadlearn.step_export.step_source import step_source
    from loadlearn.step_export.strategy_step import look_up_of
    from loadlearn.vehicle.rig import Rig
    from loadlearn.vehicle.samples import FORCE_CHANNELS, HEIGHT_CHANNELS

    rig, out = Path(rig), Path(out)
    outputs = OutputFolder(out, own=OWN_FILES, mark=OWN_FILES[-1], force=force)
    outputs.check()
    the_rig = Rig.from_toml(rig)
    chosen = choose_strategy(strategy, the_rig)
    if chosen.rule is not None:
        raise InputError(
            f"{strategy}: a rule of one's own is Python and has no place in a controller; give a "
            "strategy file, as loadlearn schedule writes them"
        )
    sources, noise, delays_s, drive = _as_logged(log, channels, the_rig)
    setup, look_up = reduced_setup(the_rig, sources, noise), look_up_of(chosen.strategy, the_rig)
    caution = f"{UNJUDGED} {CAUTION} {CAUTION_ADVICE}"
    made = step_source(setup, the_rig.name, caution, look_up)
    cost = None
    if compiler() is not None:
        cost = asdict(
            cost_of(made, step_source(setup, the_rig.name, caution, look_up, counting=True), drive)
        )
    inputs: dict[str, Path | None] = {"rig": rig}
    if strategy is not None:
        inputs |= strategy_inputs(strategy, "strategy")
    inputs |= {
        "log": None if log is None else Path(log),
        "channels": None if channels is None else Path(channels),
    }
    with outputs:
        outputs.path("loadlearn_step.h").write_text(made.header, encoding="utf-8")
        outputs.path("loadlearn_step.c").write_text(made.source, encoding="utf-8")
        built = write_unit(made, caution, outputs.path("loadlearn_step.fmu"))
        summary = {
            "caution": f"{BENCH_ONLY} {caution}",
            "rig": the_rig.name,
            "strategy": chosen.name,
            "force_channel": FORCE_CHANNELS[sources.force],
            "height_channel": HEIGHT_CHANNELS[sources.height],
            "grounds": list(made.grounds),
            "room_for_loads": setup.most_loads,
            "noise": setup.noise._asdict(),
            "delays_s": delays_s,
            "cost": cost,
            "cost_over": "the demonstration drive" if log is None else Path(log).name,
            "unit_built_here": built,
            "warnings": list(chosen.warnings),
            "provenance": provenance("export-step", inputs, {}),
        }
        write_json(outputs.path("step.json"), summary)
    return summary


def _as_logged(
    log: Path | str | None, channels: Path | str | None, rig: Rig
) -> tuple[Sources, Noise | None, dict[str, float], pd.DataFrame]:
    """Which channels serve, their noise and delays, and a drive to count operations over."""
    from loadlearn.demo_drive import demo_files
    from loadlearn.estimation.learner import Sources
    from loadlearn.estimation.model import Noise
    from loadlearn.estimation.prepare import prepare
    from loadlearn.log.readers import read_log
    from loadlearn.vehicle.rig import Rig

    if log is None:
        files = demo_files()
        drive = read_log(files.log, rig=Rig.from_toml(files.rig))
        return Sources.of(drive), None, {}, drive
    trace = read_log(log, rig=rig, channels=channels)
    prepared = prepare(trace, rig)
    delays_s = {name: float(value) for name, value in prepared.attrs["delays_s"].items()}
    return Sources.of(trace), Noise(**prepared.attrs["noise"]), delays_s, trace


def export_step(
    rig: RigFile,
    out: OutFolder,
    strategy: Annotated[
        Path | None,
        typer.Option(
            "--strategy", metavar="FILE", help="Strategy file; default: made for the rig."
        ),
    ] = None,
    log: Annotated[
        Path | None,
        typer.Option(
            "--log",
            metavar="LOG",
            help="A log of the same logger: its channels and noise levels are taken.",
        ),
    ] = None,
    channels: Channels = None,
    force: Force = False,
) -> int:
    """Write the estimator and the strategy's look-up as a step for a controller.

    loadlearn_step.h and .c are C99 that asks for no memory, in double or (with LOADLEARN_SINGLE
    defined) single precision, translated from this package's own kernels; loadlearn_step.fmu is the
    same as an FMI 3.0 co-simulation unit. The step carries a reduced set of hypotheses: three
    grounds, one broad load. The strategy's look-up is the table alone: the protections, which
    always win, are not in it. For bench and simulation only.

    Example: loadlearn export-step --rig rig.toml --strategy strategy.toml --out step
    """
    with progress("writing the step"):
        made = run_export_step(rig, out, strategy=strategy, log=log, channels=channels, force=force)
    shown = console()
    shown.print(
        f"{made['rig']}, strategy '{made['strategy']}': force from {made['force_channel']}, height "
        f"from {made['height_channel']}; grounds {', '.join(made['grounds'])}"
    )
    for warning in made["warnings"]:
        shown.print(f"WARNING: {warning}")
    late = {name: delay for name, delay in made["delays_s"].items() if delay != 0.0}
    if late:
        told = ", ".join(f"{name} {delay:+.1f} s" for name, delay in late.items())
        shown.print(
            f"WARNING: this logger's channels are late ({told}); the step takes all channels to be "
            "of one instant, so hold the others back by as much before it"
        )
    cost = made["cost"]
    if cost is None:
        shown.print("no C compiler (cc) here: nothing was compiled, sizes and operations not told")
    else:
        shown.print(_table(cost, made["cost_over"]))
    if not made["unit_built_here"]:
        shown.print("the FMI unit holds its sources only; an importer has to build it")
    shown.print(made["caution"])
    shown.print(f"written to {out}")
    return DONE


def _table(cost: dict[str, Any], over: str) -> Any:
    kinds = ("all", "add", "multiply", "divide", "compare", "function")
    table = new_table("floating-point operations", *kinds)
    rows = [("a sample, mean", cost["mean"]), ("a sample, most", cost["most"])]
    if cost["look_up"]:
        rows.append(("a look-up", cost["look_up"]))
    for name, counts in rows:
        table.add_row(name, *(f"{counts[kind]:,.0f}" for kind in kinds))
    table.caption = (
        f"over the {cost['samples']:,} samples of {over}; kept: {cost['state_bytes']:,} bytes "
        f"in double, {cost['state_bytes_single']:,} in single; arrays on the stack: "
        f"{cost['stack_bytes']:,} and {cost['stack_bytes_single']:,}"
    )
    table.caption_justify = "left"
    return table
