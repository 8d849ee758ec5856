"""``loadlearn schedule``: the strategy as tables over mass and rolling resistance."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from loadlearn.commands.common import (
    CAUTION_ADVICE,
    DONE,
    Force,
    NoFigure,
    OutFolder,
    RigFile,
    console,
    progress,
)

if TYPE_CHECKING:
    from loadlearn.policy.schedule_table import Schedule

OWN_FILES = ("schedule.csv", "schedule.png", "schedule.json")

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
) -> Schedule:
    """Compute a rig's strategy table and write it.

    Parameters
    ----------
    rig : path
        Rig file.
    out : path
        Folder for the outputs.
    ambient_degc, altitude_m : float
        Air for which the table is made.
    force : bool
        Whether this command's own earlier outputs may be replaced.
    figure : bool
        Whether ``schedule.png`` is drawn.

    Raises
    ------
    InputError
        The rig or the output place cannot be used; nothing has then been written.
    """
    from loadlearn.outputs import OutputFolder, provenance, write_csv, write_json
    from loadlearn.policy.schedule_table import compute_schedule
    from loadlearn.vehicle.rig import Rig

    rig = Path(rig)
    outputs = OutputFolder(Path(out), own=OWN_FILES, mark="schedule.json", force=force)
    outputs.check()
    the_rig = Rig.from_toml(rig)
    schedule = compute_schedule(the_rig, ambient_degc=ambient_degc, altitude_m=altitude_m)
    with outputs:
        write_csv(outputs.path("schedule.csv"), schedule.to_frame())
        if figure:
            from loadlearn.figures.draw_policy import draw_schedule
            from loadlearn.figures.style import save

            save(draw_schedule(schedule, the_rig), outputs.path("schedule.png"))
        options = {"ambient_degc": ambient_degc, "altitude_m": altitude_m}
        document = schedule.to_dict()
        document["provenance"] = provenance("schedule", {"rig": rig}, options)
        document["caution"] = CAUTION_ADVICE
        write_json(outputs.path("schedule.json"), document)
    return schedule


def schedule(
    rig: RigFile,
    out: OutFolder,
    ambient: Ambient = 25.0,
    altitude: Altitude = 0.0,
    force: Force = False,
    no_figure: NoFigure = False,
) -> int:
    """Tabulate the strategy over combined mass and rolling resistance.

    Power retention, full-share time and economy at each point, with units, axes and the rig's
    identity: schedule.csv, schedule.json and a heat map, schedule.png.

    Example: loadlearn schedule --rig rig.toml --out out --ambient 40
    """
    from loadlearn.policy.reason import rig_warnings
    from loadlearn.vehicle.rig import Rig

    with progress("computing the table"):
        table = run_schedule(
            rig,
            out,
            ambient_degc=ambient,
            altitude_m=altitude,
            force=force,
            figure=not no_figure,
        )
    shown = console()
    shown.print(
        f"{table.mass_kg.size} masses from {table.mass_kg[0]:,.0f} to {table.mass_kg[-1]:,.0f} kg, "
        f"{table.rolling_resistance.size} rolling resistances from "
        f"{table.rolling_resistance[0]:g} to {table.rolling_resistance[-1]:g}"
    )
    for name, change in table.isotonic_change.items():
        if change >= 0.005:
            least = f"{change:.1f} s" if name.endswith("_s") else f"{100 * change:.0f} %"
            shown.print(
                f"order along the axes restored in {name.removesuffix('_s').replace('_', ' ')}: "
                f"changed by at most {least}"
            )
    for warning in rig_warnings(Rig.from_toml(rig)):
        shown.print(f"WARNING: {warning}")
    shown.print(CAUTION_ADVICE)
    shown.print(f"written to {out}")
    return DONE
