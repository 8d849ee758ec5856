"""Where the shipped demonstration drive lies, in the wheel and in a working copy."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from loadlearn.errors import InputError

_PACKAGE = Path(__file__).resolve().parent
_PLACES = (_PACKAGE / "demo_data", _PACKAGE.parent / "synthetic_data" / "demo")


@dataclass(frozen=True)
class DemoFiles:
    """Paths of the demonstration: a log, its rig, its road and its truth.

    Attributes
    ----------
    folder : Path
        Where all of them lie.
    log, rig, road, truth, truth_summary : Path
        ``drive.csv.gz``, ``rig.toml``, ``road.toml``, ``truth.csv.gz`` and ``truth.json``.
    """

    folder: Path
    log: Path
    rig: Path
    road: Path
    truth: Path
    truth_summary: Path


def demo_files() -> DemoFiles:
    """Find the demonstration's files.

    Returns
    -------
    DemoFiles
        From the installed package, else (an editable install) from the working copy.

    Raises
    ------
    InputError
        Neither place holds the drive.
    """
    for folder in _PLACES:
        if (folder / "drive.csv.gz").is_file():
            return DemoFiles(
                folder=folder,
                log=folder / "drive.csv.gz",
                rig=folder / "rig.toml",
                road=folder / "road.toml",
                truth=folder / "truth.csv.gz",
                truth_summary=folder / "truth.json",
            )
    raise InputError(
        "the demonstration's files are not part of this installation; install the package again"
    )
