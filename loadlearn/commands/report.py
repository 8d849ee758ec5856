"""``loadlearn report``: one page from what lies in an output folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from loadlearn.commands.common import CAUTION, Force, console, progress

OWN_FILES = ("report.html",)

Folder = Annotated[Path, typer.Argument(metavar="DIR", help="Folder that other commands wrote to.")]


def run_report(folder: Path, *, force: bool = False) -> Path:
    """Write ``report.html`` into an output folder.

    Parameters
    ----------
    folder : Path
        Where other commands wrote.
    force : bool
        Whether an earlier page may be replaced.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    InputError
        The folder holds nothing to report, or files of different logs or rigs, or cannot be
        written.
    """
    from loadlearn.outputs import OutputFolder
    from loadlearn.report import build_page
    from loadlearn.report.same_drive import check_same_drive

    outputs = OutputFolder(folder, own=OWN_FILES, mark=OWN_FILES[0], force=force)
    outputs.check()
    check_same_drive(folder)
    page = build_page(folder)
    with outputs:
        outputs.path(OWN_FILES[0]).write_text(page, encoding="utf-8", newline="\n")
    return folder / OWN_FILES[0]


def report(folder: Folder, force: Force = False) -> int:
    """Make one self-contained page, with a replay of the drive, from an output folder.

    The page needs no network and no other file. It shows whatever of estimate, advise, schedule,
    compare, dyno, condition and validate lies in the folder.

    Example: loadlearn report out
    """
    with progress("writing the report"):
        page = run_report(folder, force=force)
    console().print(f"written to {page}")
    console().print(CAUTION)
    return 0
