"""The synthetic drives that come with the package, each with its rig and its truth."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from loadlearn.demo_drive import demo_files
from loadlearn.errors import InputError
from loadlearn.log.readers import read_log
from loadlearn.simulation.scenarios import shipped_rig
from loadlearn.vehicle.rig import Rig

DEMO = "demo"
_DRIVES = Path(__file__).resolve().parents[2] / "synthetic_data" / "drives"


@dataclass(frozen=True)
class ShippedDrive:
    """A drive of which all is known.

    Attributes
    ----------
    name : str
    rig : Rig
        As the estimator is told it.
    log : DataFrame
        Canonical columns.
    truth : DataFrame
        Once a second: ``mass_kg``, ``rolling_resistance``, ``drag_area_m2``, ``surface`` and more.
    drawn : dict
        Everything that was drawn for it, such as ``tractive_scale``.
    """

    name: str
    rig: Rig
    log: pd.DataFrame
    truth: pd.DataFrame
    drawn: dict[str, Any]


def shipped_drives() -> tuple[str, ...]:
    """Names of the drives that are here; a wheel brings the demonstration only.

    Returns
    -------
    tuple of str
        For :func:`shipped_drive`.
    """
    ending = "_truth.json"
    others = sorted(path.name.removesuffix(ending) for path in _DRIVES.glob(f"*{ending}"))
    return (DEMO, *others)


def shipped_drive(name: str = DEMO) -> ShippedDrive:
    """Load a shipped drive with its rig and its truth.

    Parameters
    ----------
    name : str
        One of :func:`shipped_drives`.

    Returns
    -------
    ShippedDrive

    Raises
    ------
    InputError
        There is no such drive here.
    """
    if name not in shipped_drives():
        raise InputError(
            f"drive '{name}' is not here; use one of {', '.join(shipped_drives())} "
            "(a wheel brings the demonstration only; the others lie in a working copy)"
        )
    if name == DEMO:
        files = demo_files()
        log, truth, drawn = files.log, files.truth, files.truth_summary
        rig = Rig.from_toml(files.rig)
    else:
        log = _DRIVES / f"{name}.csv.gz"
        truth, drawn = _DRIVES / f"{name}_truth.csv.gz", _DRIVES / f"{name}_truth.json"
        rig_file = json.loads(drawn.read_text(encoding="utf-8"))["rig_file"]
        rig = shipped_rig(Path(rig_file).stem)
    told = json.loads(drawn.read_text(encoding="utf-8"))
    return ShippedDrive(name, rig, read_log(log, rig=rig), pd.read_csv(truth), told)
