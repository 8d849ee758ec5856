"""``loadlearn schedule``: a rig's strategy, as a file to read, edit, check, compare and drive."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from loadlearn.commands.common import (
    CAUTION_ADVICE,
    DONE,
    Force,
    NoFigure,
    RigFile,
    console,
    progress,
)

if TYPE_CHECKING:
    from loadlearn.policy.strategy import Strategy

OWN_FILES = ("schedule.csv", "schedule.toml", "schedule.png", "schedule.json")

Ambient = Annotated[
    float,
    typer.Option("--ambient", metavar="DEGC", min=-40.0, max=60.0, help="Ambient temperature."),
]
Altitude = Annotated[
    float, typer.Option("--altitude", metavar="M", min=-400.0, max=5000.0, help="Altitude.")
]


def run_schedule(
    rig: Path | str,
    out: Path | str,
    *,
    ambient_degc: float = 25.0,
    altitude_m: float = 0.0,
    force: bool = False,
    figure: bool = True,
) -> Strategy:
    """Make a rig's strategy and write it.

    Parameters
    ----------
    rig : path
        Rig file.
    out : path
        A file (``.toml`` or ``.json``) for the strategy alone; else a folder, which gets
        ``schedule.toml`` with its grid in ``schedule.csv``, the whole once more in
        ``schedule.json``, and ``schedule.png``.
    ambient_degc, altitude_m : float
        Air for which it is made.
    force : bool
        Whether this command's own earlier outputs may be replaced.
    figure : bool
        Whether ``schedule.png`` is drawn.

    Raises
    ------
    InputError
        The rig or the output place cannot be used; nothing has then been written.
    """
    from dataclasses import replace

    from loadlearn.outputs import OutputFolder, provenance
    from loadlearn.policy.make_strategy import make_strategy
    from loadlearn.policy.strategy_file import write_strategy
    from loadlearn.vehicle.rig import Rig

    rig, out = Path(rig), Path(out)
    alone = out.suffix.lower() in (".toml", ".json")
    folder, own = (out.parent, (out.name,)) if alone else (out, OWN_FILES)
    outputs = OutputFolder(folder, own=own, mark=own[-1], force=force)
    outputs.check()
    the_rig = Rig.from_toml(rig)
    strategy = make_strategy(the_rig, ambient_degc=ambient_degc, altitude_m=altitude_m)
    options = {"ambient_degc": ambient_degc, "altitude_m": altitude_m}
    origin = provenance("schedule", {"rig": rig}, options)
    strategy = replace(
        strategy, made={**strategy.made, "caution": CAUTION_ADVICE, "provenance": origin}
    )
    with outputs:
        if alone:
            write_strategy(strategy, outputs.path(out.name))
            return strategy
        write_strategy(strategy, outputs.path("schedule.toml"), table_csv=True)
        if figure:
            from loadlearn.figures.draw_strategy import draw_strategy
            from loadlearn.figures.style import save

            save(draw_strategy(strategy, the_rig), outputs.path("schedule.png"))
        write_strategy(strategy, outputs.path("schedule.json"))
    return strategy


StrategyPlace = Annotated[
    Path,
    typer.Option(
        "--out",
        metavar="PLACE",
        help="A file (.toml, .json) for the strategy alone, or a folder for table and figure too.",
    ),
]


def schedule(
    rig: RigFile,
    out: StrategyPlace,
    ambient: Ambient = 25.0,
    altitude: Altitude = 0.0,
    force: Force = False,
    no_figure: NoFigure = False,
) -> int:
    """Make the strategy of a rig: its settings over load and road.

    Power retention, full-share time and economy over combined mass, rolling resistance, grade and
    speed, with the protections and the rig's identity. A folder gets schedule.toml with its grid as
    schedule.csv, to be edited in any spreadsheet, the whole once more as schedule.json, and a heat
    map. Any of them is what check, diff, compare --strategy and advise --strategy take.

    Example: loadlearn schedule --rig rig.toml --out strategy --ambient 40
    """
    from loadlearn.policy.reason import rig_warnings
    from loadlearn.policy.strategy import AXES
    from loadlearn.vehicle.rig import Rig

    with progress("making the strategy"):
        made = run_schedule(
            rig,
            out,
            ambient_degc=ambient,
            altitude_m=altitude,
            force=force,
            figure=not no_figure,
        )
    shown = console()
    spans = ", ".join(
        f"{made.axes[axis].size} {axis.rpartition('_')[0].replace('_', ' ') or axis} "
        f"{made.axes[axis][0]:,g} to {made.axes[axis][-1]:,g} {unit if unit != '1' else ''}".strip()
        for axis, unit in AXES.items()
    )
    shown.print(f"{made.name}: {spans}", markup=False)
    for warning in rig_warnings(Rig.from_toml(rig)):
        shown.print(f"WARNING: {warning}")
    shown.print(CAUTION_ADVICE)
    shown.print(f"written to {out}")
    return DONE
