"""``loadlearn advise``: what would have been advised over a recorded drive."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from loadlearn.commands.common import (
    CAUTION_ADVICE,
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
    WeighedMassSd,
    console,
    exceeded_lines,
    new_table,
    progress,
    read_rig,
    remembered_lines,
    start_from,
    strategy_inputs,
)

if TYPE_CHECKING:
    import pandas as pd

    from loadlearn.vehicle.rig import Rig

OWN_FILES = ("advice.csv", "advice.png", "advice.json")


@dataclass(frozen=True)
class AdviceRun:
    """What :func:`run_advise` computed and wrote.

    Attributes
    ----------
    folder : Path
        Where the files lie.
    rig : Rig
    advice : DataFrame
        One row per sample.
    summary : dict
        The content of ``advice.json``.
    status : int
        0, or 1 when the load is doubtful or a limit or rating was passed.
    """

    folder: Path
    rig: Rig
    advice: pd.DataFrame
    summary: dict[str, Any]
    status: int


def run_advise(
    log: Path | str,
    rig: Path | str | None,
    out: Path | str,
    *,
    vehicle: Path | str | None = None,
    strategy: Path | str | None = None,
    weighed_mass_kg: float | None = None,
    weighed_mass_sd_kg: float | None = None,
    channels: Path | str | None = None,
    force: bool = False,
    figure: bool = True,
    every_s: float = 0.1,
    on_stage: Callable[[str], None] | None = None,
) -> AdviceRun:
    """Learn the load from one log, advise over it, and write the outputs.

    Parameters
    ----------
    log, rig, out, vehicle, channels, force, figure, every_s, on_stage
        As for :func:`loadlearn.commands.estimate.run_estimate`.
    strategy : path or str, optional
        Strategy file, or a rule of one's own as ``rules.py:function``; default the one made for
        the rig.
    weighed_mass_kg, weighed_mass_sd_kg : float, optional
        Combined mass on a weighbridge at the start, and how sure (default 1 % of it).

    Raises
    ------
    InputError
        An input or the output place cannot be used; nothing has then been written.
    """
    from loadlearn.estimation import LoadEstimator, prepare
    from loadlearn.estimation.ratings import ratings_and_limits
    from loadlearn.log.readers import read_log
    from loadlearn.outputs import OutputFolder, provenance, thin, write_csv, write_json
    from loadlearn.policy import advise_log
    from loadlearn.policy.advice_summary import summarise
    from loadlearn.policy.choose import choose_strategy
    from loadlearn.policy.weighing import weighed_mass

    say = on_stage or (lambda stage: None)
    log = Path(log)
    channels = None if channels is None else Path(channels)
    outputs = OutputFolder(Path(out), own=OWN_FILES, mark="advice.json", force=force)
    outputs.check()

    say("reading the log")
    the_rig, memory = read_rig(rig, vehicle)
    chosen = choose_strategy(strategy, the_rig)
    weighed = weighed_mass(weighed_mass_kg, weighed_mass_sd_kg)
    trace = read_log(log, rig=the_rig, channels=channels)
    # The load is learnt from what is remembered; a strategy belongs to the rig as it is described.
    start, remembered = start_from(the_rig, memory, trace)
    say("preparing")
    prepared = prepare(trace, start)
    say("learning the load")
    history = LoadEstimator(start, *(weighed or (None, None))).run(prepared)
    say("advising")
    advice = advise_log(trace, the_rig, history, chosen.rule or chosen.strategy, weighed=weighed)
    load = dict(history.attrs.get("summary", {}))
    summary: dict[str, Any] = {**summarise(advice, the_rig), "caution": CAUTION_ADVICE}
    summary["strategy"] = chosen.name
    summary["warnings"] += chosen.warnings
    summary["trust"] = load.get("trust", {"ok": True, "reasons": []})
    if "mass_kg" in load and "trailer_mass_kg" in load:
        summary |= ratings_and_limits(trace, the_rig, load)
    else:
        from dataclasses import asdict

        from loadlearn.log.exceedances import exceedances

        summary["limits_exceeded"] = [asdict(one) for one in exceedances(trace, the_rig)]
    if remembered is not None:
        summary["remembered"] = remembered
    inputs = {
        "log": log,
        "rig": None if rig is None else Path(rig),
        "vehicle": None if vehicle is None else Path(vehicle),
        "channels": channels,
    }
    if strategy is not None:
        inputs |= strategy_inputs(strategy, "strategy")
    options = {
        "every_s": every_s,
        "figure": figure,
        "weighed_mass_kg": weighed_mass_kg,
        "weighed_mass_sd_kg": weighed_mass_sd_kg,
    }
    summary["provenance"] = provenance("advise", inputs, options)

    with outputs:
        say("writing")
        write_csv(outputs.path("advice.csv"), advice[thin(advice["time_s"], every_s)])
        if figure:
            say("drawing")
            from loadlearn.figures.draw_policy import draw_advice
            from loadlearn.figures.style import save

            save(draw_advice(trace, advice, the_rig), outputs.path("advice.png"))
        write_json(outputs.path("advice.json"), summary)
    doubtful = (
        not summary["trust"]["ok"]
        or bool(summary["limits_exceeded"])
        or (summary.get("probability_over_gcm") or 0.0) > 0.5
    )
    return AdviceRun(Path(out), the_rig, advice, summary, DOUBTFUL if doubtful else DONE)


def print_advice(run: AdviceRun) -> None:
    """Print the advice at the end and what held it back on the way."""
    out, summary = console(), run.summary
    end = summary["at_end"]
    out.print(end["reason"])
    table = new_table("advice at the end of the drive", "")
    table.add_row("power retention", f"{100 * end['power_retention']:.0f} %")
    table.add_row("full-share time", f"{end['full_share_time_s']:.0f} s")
    table.add_row("economy", f"{100 * end['economy']:.0f} %")
    table.add_row("extra torque now", f"{100 * end['extra_torque']:.0f} %")
    table.add_row(
        "extra torque in use / wanted",
        f"{summary['seconds_with_extra_torque']:.0f} / {summary['seconds_wanted']:.0f} s",
    )
    table.add_row("setting changes", f"{summary['setting_changes']}")
    for name, seconds in sorted(summary["seconds_limited"].items(), key=lambda item: -item[1]):
        table.add_row(f"limit: {name.replace('_', ' ')}", f"{seconds:.0f} s")
    out.print(table)
    for line in remembered_lines(summary.get("remembered")):
        out.print(line)
    for line in exceeded_lines(summary["limits_exceeded"]):
        out.print(f"WARNING: {line}")
    for warning in summary["warnings"]:
        out.print(f"WARNING: {warning}")
    for reason in summary["trust"]["reasons"]:
        out.print(f"NOT TO BE TRUSTED: {reason}")
    out.print(CAUTION_ADVICE)
    out.print(f"written to {run.folder}")


StrategyFile = Annotated[
    str | None,
    typer.Option(
        "--strategy",
        metavar="FILE",
        help="Strategy file, or rules.py:function; default the one made for the rig.",
    ),
]
WeighedMass = Annotated[
    float | None,
    typer.Option("--weighed-mass", metavar="KG", help="Combined mass weighed at the start."),
]


def advise(
    log: Log,
    *,
    rig: RigOrVehicle = None,
    out: OutFolder,
    vehicle: Vehicle = None,
    strategy: StrategyFile = None,
    weighed_mass: WeighedMass = None,
    weighed_mass_sd: WeighedMassSd = None,
    channels: Channels = None,
    force: Force = False,
    no_figure: NoFigure = False,
    every: Every = 0.1,
) -> int:
    """Advise on the drive modes' settings over a recorded drive.

    Learns the load, then says instant by instant what would have been advised: power retention,
    full-share time, economy, extra torque, and which protections act. Writes advice.csv, advice.png
    and advice.json. Exit status 1 means: written, but the load is doubtful, or a rating or limit
    was passed.

    Example: loadlearn advise drive.csv --rig rig.toml --out out
    """
    with progress("reading the log") as shown:
        run = run_advise(
            log,
            rig,
            out,
            vehicle=vehicle,
            strategy=strategy,
            weighed_mass_kg=weighed_mass,
            weighed_mass_sd_kg=weighed_mass_sd,
            channels=channels,
            force=force,
            figure=not no_figure,
            every_s=every,
            on_stage=shown.stage,
        )
    print_advice(run)
    return run.status
