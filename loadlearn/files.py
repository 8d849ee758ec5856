"""Files that are whole or absent, also when the power fails."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import time
from pathlib import Path

from loadlearn.errors import InputError

try:
    import fcntl
except ImportError:  # not a POSIX system: there is no lock, and the last writer wins
    fcntl = None  # type: ignore[assignment]

PATIENCE_S = 10.0
"""For so long another writer is waited for (s)."""
_AT_FDCWD, _RENAME_EXCHANGE = -100, 2


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


def exchange(first: Path, second: Path) -> bool:
    """Let two files or folders of one file system change places in one step.

    Parameters
    ----------
    first, second : Path

    Returns
    -------
    bool
        False where the system cannot: nothing has then been done.
    """
    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError, TypeError):
        return False
    names = os.fsencode(first), os.fsencode(second)
    return rename(_AT_FDCWD, names[0], _AT_FDCWD, names[1], _RENAME_EXCHANGE) == 0


class FolderLock:
    """One writer at a time to an output folder; gone with the process that holds it.

    Parameters
    ----------
    folder : Path
        Need not be there yet; its parents are made.

    Attributes
    ----------
    beside : Path
        Where to write what is to become the folder: its parent, or the folder itself where that is
        a mount point or its parent is not ours.

    Raises
    ------
    OSError
        The place cannot be written.
    InputError
        Another process has been writing there for longer than ``PATIENCE_S``.
    """

    def __init__(self, folder: Path) -> None:
        folder = folder.absolute()
        self.beside = folder.resolve().parent if folder.is_dir() else folder.parent
        self.beside.mkdir(parents=True, exist_ok=True)
        if folder.is_dir() and (
            folder.stat().st_dev != self.beside.stat().st_dev or not os.access(self.beside, os.W_OK)
        ):
            self.beside = folder
        self._path = self.beside / f".{folder.name}.lock"
        self._number = -1
        until = time.monotonic() + PATIENCE_S
        while fcntl is not None and not self._taken():
            if time.monotonic() > until:
                raise InputError(
                    f"{folder}: another loadlearn is writing there; wait for it, or choose another "
                    "folder with --out"
                )
            time.sleep(0.05)

    def _taken(self) -> bool:
        number = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
        try:
            fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
            # Its last holder may have removed it meanwhile: then another file holds the name.
            if os.stat(self._path).st_ino == os.fstat(number).st_ino:
                self._number = number
                return True
        except OSError as error:
            if error.errno not in (errno.EAGAIN, errno.EACCES, errno.ENOENT):
                os.close(number)
                raise
        os.close(number)
        return False

    def release(self) -> None:
        """Let others write; the lock's file goes with it."""
        if self._number >= 0:
            with contextlib.suppress(OSError):
                self._path.unlink()
            os.close(self._number)
            self._number = -1
