"""Files that are whole or absent, also when the power fails."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from loadlearn.errors import InputError


def write_whole(target: Path, data: bytes, what: str) -> None:
    """Write a file whole or not at all; an older one stays until the new one is safe on the disk.

    Parameters
    ----------
    target : Path
    data : bytes
    what : str
        Named in the error, as "the state".

    Raises
    ------
    InputError
        The place cannot be written.
    """
    # A name of its own: two writers must not write into one file.
    temporary = target.with_name(f".{target.name}.{os.getpid()}.partial")
    try:
        try:
            with open(temporary, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            temporary.replace(target)
        finally:
            with contextlib.suppress(OSError):
                temporary.unlink()
        sync_folder(target.parent)
    except (OSError, ValueError) as error:
        raise InputError(f"{target}: {what} cannot be written ({error})") from None


def sync_file(path: Path) -> None:
    """Have a file's bytes on the disk before it is renamed.

    Parameters
    ----------
    path : Path
    """
    with open(path, "rb") as file:
        os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """Have a folder's names on the disk, where the system can do that.

    Parameters
    ----------
    folder : Path
    """
    with contextlib.suppress(OSError):
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)
