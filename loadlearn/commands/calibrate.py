"""``loadlearn calibrate``: the tractive scale from drives of weighed mass."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from loadlearn.commands.common import (
    CAUTION,
    DONE,
    DOUBTFUL,
    Channels,
    Force,
    RigFile,
    console,
    new_table,
    progress,
)
from loadlearn.errors import InputError, OutputExistsError

if TYPE_CHECKING:
    from loadlearn.estimation.calibration import Calibration
    from loadlearn.vehicle.rig import Rig

Logs = Annotated[
    list[Path],
    typer.Argument(
        metavar="LOG...", help="Drive logs, all with the same weighed load: .csv, .parquet, .mf4."
    ),
]
KnownMass = Annotated[
    float,
    typer.Option(
        "--known-mass",
        metavar="KG",
        min=1.0,
        help="Weighed combined mass at the start of the drives, people and fuel included (kg).",
    ),
]
# Public weighbridges read in steps of 20 kg, and people and fuel change after the weighing (common
# practice, no source).
KnownMassSd = Annotated[
    float,
    typer.Option(
        "--known-mass-sd",
        metavar="KG",
        min=0.0,
        help="How sure the weighing is, fuel and people since then included: one sd (kg).",
    ),
]
Out = Annotated[
    Path, typer.Option("--out", metavar="RIG2", help="The new rig file; its folder is made.")
]


def calibrate(
    logs: Logs,
    rig: RigFile,
    known_mass: KnownMass,
    out: Out,
    known_mass_sd: KnownMassSd = 20.0,
    channels: Channels = None,
    force: Force = False,
) -> int:
    """Learn the tractive scale and its sd from drives of weighed mass; write a new rig file.

    All drives carry the same load, weighed once. The new file is the old one, comments kept, with
    tractive_scale and tractive_scale_sd in its table uncertainty; with reported_share and its sd
    in engine.uprated too, where drives were made with the extra torque in use
    (extra_torque_share). The sd holds for a drive yet to come. The old rig file's scale and sd are
    what is believed beforehand: start from it again, not from the new one, to calibrate the same
    drives again. Exit status 1 means: written, but not to be trusted as it stands.

    Example: loadlearn calibrate solo1.csv solo2.csv --rig rig.toml --known-mass 2910 --out new.toml
    """
    from loadlearn.estimation.calibration import calibrate as join
    from loadlearn.estimation.calibration import calibrated_text, observe_drive
    from loadlearn.log.readers import read_log
    from loadlearn.outputs import OutputFolder
    from loadlearn.vehicle.rig import Rig as RigModel

    _check_places(logs, rig, out, force)
    outputs = OutputFolder(out.parent, own=[out.name], mark=out.name, force=force)
    outputs.check()
    with progress("reading the rig", total=len(logs)) as shown:
        the_rig = RigModel.from_toml(rig)
        drives, notes = [], []
        for log in logs:
            shown.stage(f"learning from {log.name}")
            trace = read_log(log, rig=the_rig, channels=channels)
            drives.append(observe_drive(trace, the_rig, known_mass, known_mass_sd, str(log)))
            if drives[-1].extra_torque_s > 0.0 and the_rig.engine.uprated is None:
                notes.append(
                    f"{log}: the extra torque was in use, but the rig has no [engine.uprated], so "
                    "what of it the log shows cannot be learnt"
                )
            shown.advance()
        calibration = join(drives, the_rig)
        # As bytes: line ends stay as they are.
        text = calibrated_text(rig.read_bytes().decode("utf-8"), calibration)
        with outputs:
            outputs.path(out.name).write_bytes(text.encode("utf-8"))
            RigModel.from_toml(outputs.path(out.name))
    gcm = the_rig.vehicle.rated_gcm_kg
    if over := gcm is not None and known_mass > gcm:
        notes.append(f"the known mass {known_mass:.0f} kg is above the GCM rating {gcm:.0f} kg")
    print_calibration(calibration, the_rig, notes)
    console().print(f"written to {out}", soft_wrap=True)
    return DOUBTFUL if calibration.doubts or over else DONE


def _check_places(logs: list[Path], rig: Path, out: Path, force: bool) -> None:
    twice = {log for log in logs if sum(log.resolve() == other.resolve() for other in logs) > 1}
    if twice:
        raise InputError(
            f"{min(twice)}: given more than once; each drive counts once, name each log once"
        )
    if out.resolve() in {rig.resolve(), *(log.resolve() for log in logs)}:
        raise InputError(f"{out}: --out is one of the inputs; give the new rig file another name")
    if out.is_dir() or not out.name:
        raise InputError(f"{out}: a folder; give the name of the new rig file with --out")
    if out.exists() and not force:
        raise OutputExistsError(
            f"{out}: already exists; choose another file with --out or replace it with --force"
        )


def print_calibration(calibration: Calibration, rig: Rig, notes: list[str]) -> None:
    """Print what each drive says, and the result.

    Parameters
    ----------
    calibration : Calibration
    rig : Rig
        As it was before.
    notes : list of str
        Warnings beside those of the calibration.
    """
    from loadlearn.estimation.calibration import interval95

    out = console()
    table = new_table(
        "drive", "learnt from, s", "implied mass, kg", "ln scale", "sd", "reported share"
    )
    for drive in calibration.drives:
        share = drive.reported_share
        table.add_row(
            Path(drive.name).name,
            f"{drive.learnt_s:,.0f}",
            f"{drive.implied_mass_kg:,.0f}",
            f"{drive.log_scale:+.4f}",
            f"{drive.log_scale_sd:.4f}",
            "" if share is None else f"{share.mean:.2f} ± {share.sd:.2f}",
        )
    out.print(table)
    joined, before = calibration.joined, rig.uncertainty
    low, high = interval95(calibration)
    lines = [
        f"tractive scale {calibration.tractive_scale:.4f}, sd {calibration.tractive_scale_sd:.4f} "
        f"(95 % of new drives: {low:.4f} to {high:.4f}); "
        f"before {before.tractive_scale:.4f}, sd {before.tractive_scale_sd:.4f}",
        f"of that sd, common to all drives {joined.common_sd[0]:.4f}, between drives "
        f"{joined.between_sd[0]:.4f}; by the drives alone the scale is "
        f"{math.exp(joined.drives.mean):.4f}",
    ]
    uprated = rig.engine.uprated
    if calibration.reported_share is not None and uprated is not None:
        lines.append(
            f"reported share of the extra torque {calibration.reported_share:.3f}, sd "
            f"{calibration.reported_share_sd:.3f}; before {uprated.reported_share:.3f}, sd "
            f"{uprated.reported_share_sd:.3f}"
        )
        if all(drive.mean.size > 1 for drive in calibration.drives):
            lines.append(
                "note: every drive used the extra torque; one without it would tell the scale "
                "and the reported share apart"
            )
    lines.append("the fuel burnt on the way is neglected: the mass is that at a drive's start")
    lines += [f"WARNING: {note}" for note in [*calibration.notes, *notes]]
    lines += [f"NOT TO BE TRUSTED: {doubt}" for doubt in calibration.doubts]
    for line in [*lines, CAUTION]:
        out.print(line)
