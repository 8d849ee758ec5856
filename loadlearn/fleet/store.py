"""What a fleet's run keeps as it goes: a file per task, each written whole or not at all.

Tasks run at least once, by any number of workers and by runs that were cut off; a result is named
by a hash of all that decides it, so that however often it comes there is one.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import uuid
from pathlib import Path
from typing import Any

from loadlearn.errors import InputError


class Store:
    """The files of a folder, in sub-folders named by the first digits of their hash.

    Parameters
    ----------
    folder : Path
        Made when something is kept.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, kind: str, name: str, ending: str) -> Path:
        """Where a file lies.

        Parameters
        ----------
        kind : str
            First sub-folder.
        name : str
            What its name is a hash of.
        ending : str
        """
        digits = hashlib.sha256(name.encode()).hexdigest()
        return self.folder / kind / digits[:3] / f"{digits[3:]}.{ending}"

    def keep(self, kind: str, name: str, value: dict[str, Any], *, to_disk: bool = True) -> None:
        """Keep a value; an earlier one of that name is replaced.

        Parameters
        ----------
        kind, name : str
            As for :meth:`path`.
        value : dict
        to_disk : bool
            Whether it must survive a failure of power too, which takes the disk's time.
        """
        text = json.dumps(value, sort_keys=True)
        write_whole(self.path(kind, name, "json"), text.encode(), to_disk=to_disk)

    def kept(self, kind: str, name: str) -> dict[str, Any] | None:
        """A value kept, or None."""
        try:
            value = json.loads(self.path(kind, name, "json").read_bytes())
        except (FileNotFoundError, ValueError):  # not yet, or no longer readable: made again
            return None
        return value if isinstance(value, dict) else None


def write_whole(path: Path, data: bytes, *, to_disk: bool = True) -> None:
    """Write a file so that under its name there is never less than all of it.

    Parameters
    ----------
    path : Path
        Its folder is made if missing.
    data : bytes
    to_disk : bool
        As for :meth:`Store.keep`.

    Raises
    ------
    InputError
        The place cannot be written.
    """
    partial = path.with_name(f".{path.name}.{os.getpid()}-{uuid.uuid4().hex[:8]}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(partial, "wb") as file:
            file.write(data)
            if to_disk:
                file.flush()
                os.fsync(file.fileno())
        os.replace(partial, path)
    except OSError as error:
        raise InputError(
            f"{path.parent}: the output cannot be written there ({error.strerror}); choose another "
            "folder with --out"
        ) from None
    finally:
        with contextlib.suppress(OSError):
            partial.unlink()
