"""``loadlearn simulate``: a drive and its truth, from the package's simulator."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from loadlearn.commands.common import DONE, Force, OutFolder, RigFile, console, progress
from loadlearn.errors import InputError

if TYPE_CHECKING:
    from loadlearn.simulation.drive import Drive

OWN_FILES = ("drive.csv", "truth.csv", "truth.json")

RoadFile = Annotated[
    Path, typer.Option("--road", metavar="ROAD", help="Road file: .toml, or .csv of a survey.")
]
Mass = Annotated[
    float | None,
    typer.Option("--mass", metavar="KG", help="True combined mass; default nothing hitched."),
]
Seed = Annotated[
    int, typer.Option("--seed", metavar="N", min=0, help="Of wind, tyres, driver and sensor noise.")
]
Scale = Annotated[
    float,
    typer.Option("--scale", metavar="S", help="True force at the tread over what the log tells."),
]


def run_simulate(
    rig: Path | str,
    road: Path | str,
    out: Path | str,
    *,
    mass_kg: float | None = None,
    seed: int = 0,
    tractive_scale: float = 1.0,
    force: bool = False,
) -> Drive:
    """Simulate one drive and write its log and its truth.

    Parameters
    ----------
    rig, road : path
        Rig file; road file, TOML or CSV.
    out : path
        Folder for the outputs.
    mass_kg : float, optional
        True combined mass; nothing hitched when absent.
    seed : int
    tractive_scale : float
        True force at the tread over the force that the log tells.
    force : bool
        Whether this command's own earlier outputs may be replaced.

    Raises
    ------
    InputError
        An input or the output place cannot be used; nothing has then been written.
    """
    from loadlearn.outputs import OutputFolder, write_csv, write_json
    from loadlearn.simulation.recording import kept_draws, kept_truth, simulate

    for option, value in (("--mass", mass_kg), ("--scale", tractive_scale)):
        if value is not None and not 0.0 < value < math.inf:
            raise InputError(f"{option} is {value:g}; give a positive number")
    outputs = OutputFolder(Path(out), own=OWN_FILES, mark="truth.json", force=force)
    outputs.check()
    drive = simulate(rig, road, seed, mass_kg, tractive_scale)
    with outputs:
        write_csv(outputs.path("drive.csv"), drive.log)
        write_csv(outputs.path("truth.csv"), kept_truth(drive))
        write_json(outputs.path("truth.json"), kept_draws(drive, Path(rig).name))
    return drive


def simulate_command(
    rig: RigFile,
    road: RoadFile,
    out: OutFolder,
    mass: Mass = None,
    seed: Seed = 0,
    scale: Scale = 1.0,
    force: Force = False,
) -> int:
    """Simulate a drive, with its truth.

    Writes drive.csv, as a logger at 10 Hz shows it, truth.csv once a second, and truth.json with
    everything that was drawn. Then: loadlearn estimate OUT/drive.csv --truth OUT/truth.csv ...

    Example: loadlearn simulate --rig rig.toml --road road.toml --mass 5200 --out simulated
    """
    with progress("driving"):
        drive = run_simulate(
            rig, road, out, mass_kg=mass, seed=seed, tractive_scale=scale, force=force
        )
    meta = drive.meta
    console().print(
        f"{meta['distance_m'] / 1e3:.1f} km in {meta['duration_s'] / 60.0:.0f} min at "
        f"{drive.truth['mass_kg'].iloc[0]:,.0f} kg, seed {seed}; written to {out}"
    )
    return DONE
