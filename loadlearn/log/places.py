"""Where a log lies: a path, or any address that fsspec opens, such as that of an object store."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from loadlearn.errors import InputError


def is_address(place: str) -> bool:
    """Whether a place is an address with a protocol, as ``s3://logs/drive.csv``."""
    return "://" in place


def placed(folder: Path, place: str) -> str:
    """A place as it is spelled in a file of a folder: paths are relative to that folder."""
    if is_address(place):
        return place
    try:
        return str((folder / place).resolve())
    except (OSError, RuntimeError, ValueError):  # a loop of links, a NUL: reading it will say
        return str(folder / place)


def state_of(place: str) -> str:
    """What changes when the file does, without reading it.

    Parameters
    ----------
    place : str
        A path or an address.

    Returns
    -------
    str
        Size and times of a path; of an address whatever its store tells (size, time, tag).

    Raises
    ------
    InputError
        There is no such file, or its store does not answer.
    """
    if is_address(place):
        with _understood(place):
            system, path = _file_system(place)
            return f"{system.checksum(path):x}"
    try:
        seen = os.stat(place)
    except OSError as error:
        raise InputError(f"{place}: no such file ({error.strerror}); check the path") from None
    return f"{seen.st_size}-{seen.st_mtime_ns}-{seen.st_ino}"


@contextmanager
def at_hand(place: str) -> Iterator[Path]:
    """The file as a path of this machine: itself, or fetched whole for as long as the block lasts.

    Parameters
    ----------
    place : str
        A path or an address.

    Raises
    ------
    InputError
        There is no such file, or its store does not answer.
    """
    if not is_address(place):
        yield Path(place)
        return
    named = next(part for part in place.split("::") if is_address(part))
    with tempfile.TemporaryDirectory(prefix="loadlearn-") as folder:
        near = Path(folder) / (named.rstrip("/").rsplit("/", 1)[-1] or "log")
        with _understood(place):
            system, path = _file_system(place)
            with system.open(path, "rb") as far, open(near, "wb") as file:
                shutil.copyfileobj(far, file, 1 << 20)
        try:
            yield near
        except InputError as error:  # it names the file: by the name that people know
            raise InputError(str(error).replace(str(near), place)) from None


def _file_system(place: str) -> Any:
    from fsspec.core import url_to_fs

    return url_to_fs(place)


@contextmanager
def _understood(place: str) -> Iterator[None]:
    """Every store has errors of its own: each becomes one sentence."""
    try:
        yield
    except FileNotFoundError:
        raise InputError(f"{place}: no such file; check the address") from None
    except ImportError as error:
        missing = "the extra 'cluster'" if error.name == "fsspec" else "what its protocol needs"
        raise InputError(f"{place}: install {missing} to read it ({error})") from None
    except Exception as error:
        what = " ".join(str(error).split()) or "no message"
        raise InputError(
            f"{place}: cannot be fetched ({type(error).__name__}: {what[:200]}); check the address "
            "and the store"
        ) from None
