"""Files a command leaves behind: all of them or none, fast, and the same for the same input.

A command writes into a temporary folder beside its output folder, on the same file system. Only
when everything is written does it take the output folder's place, in one step, with what other
commands left there. One writer at a time: a lock beside the folder.
"""

from __future__ import annotations

import errno
import glob
import hashlib
import json
import math
import os
import shutil
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, is_dataclass
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Annotated, Any, Self, TypedDict

from loadlearn.described import Named
from loadlearn.errors import InputError, OutputExistsError, printable
from loadlearn.files import FolderLock, exchange, sync_file, sync_folder

if TYPE_CHECKING:
    import pandas as pd

# A full or forbidden place is the user's to mend; any other fault of the system is ours to explain.
_PLACE_FAULTS = {
    errno.EACCES,
    errno.EDQUOT,
    errno.EFBIG,
    errno.EISDIR,
    errno.ENAMETOOLONG,
    errno.ENOENT,
    errno.ENOSPC,
    errno.ENOTDIR,
    errno.EPERM,
    errno.EROFS,
}

# Decimals that a text file keeps, by the end of the column's name. Far below what can be known, and
# enough for a person's spreadsheet; the Parquet file keeps every bit.
_DECIMALS = (
    ("time_s", None),
    ("_kg", 3),
    ("_m2", 5),
    ("_percent", 4),
    ("_sd", 7),
    ("_n", 2),
)


FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""A cell of text that begins so is a formula to a spreadsheet."""


class OutputFolder:
    """A command's output files, put into place together when the block ends without an error.

    Parameters
    ----------
    folder : Path
        Where the files go; created with its parents.
    own : sequence of str
        Every file name the command may write. Others in the folder are left alone.
    mark : str
        The one of ``own`` whose presence marks completion: moved into place last.
    force : bool
        Whether the command's own files already there may be replaced. All of them are then removed,
        so that none is left over from an earlier run with other options.

    Raises
    ------
    OutputExistsError
        One of ``own`` exists and ``force`` is false.
    InputError
        The place cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> place = Path(tempfile.mkdtemp()) / "out"
    >>> with OutputFolder(place, own=["numbers.json"], mark="numbers.json") as out:
    ...     write_json(out.path("numbers.json"), {"mass_kg": 5200.0})
    >>> (place / "numbers.json").exists()
    True
    """

    def __init__(self, folder: Path, *, own: Sequence[str], mark: str, force: bool = False) -> None:
        if mark not in own:
            raise ValueError(f"the mark {mark!r} is not one of the command's own files")
        self.folder = Path(folder)
        self.own = tuple(own)
        self.mark = mark
        self.force = force
        self._temporary: Path | None = None

    def path(self, name: str) -> Path:
        """Where to write one of the command's files until the block ends.

        Parameters
        ----------
        name : str
            One of ``own``.
        """
        if name not in self.own:
            raise ValueError(f"{name!r} is not one of the command's own files")
        if self._temporary is None:
            raise ValueError("the output folder is not open")
        return self._temporary / name

    def check(self) -> None:
        """Refuse early, before long work, what entering the block would refuse.

        Raises
        ------
        InputError
            As for the class. Nothing is created.
        """
        self._refuse_existing()
        above = self.folder.absolute()
        while not above.exists() and above != above.parent:
            above = above.parent
        if not above.is_dir():
            raise _place_error(self.folder, NotADirectoryError(errno.ENOTDIR, f"{above} is a file"))
        if not os.access(above, os.W_OK | os.X_OK):
            raise _place_error(self.folder, PermissionError(errno.EACCES, "permission denied"))

    def __enter__(self) -> Self:
        try:
            self._lock = FolderLock(self.folder)
        except OSError as error:
            raise _place_error(self.folder, error) from None
        try:
            self._refuse_existing()
            self._temporary = self._make_temporary()
        except OSError as error:
            self._lock.release()
            raise _place_error(self.folder, error) from None
        except InputError:
            self._lock.release()
            raise
        return self

    @property
    def temporary(self) -> Path:
        """The folder that is being filled; it bears the name of the output folder."""
        if self._temporary is None:
            raise ValueError("the output folder is not open")
        return self._temporary

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        assert self._temporary is not None
        try:
            if error is None:
                self._move_into_place()
            elif isinstance(error, OSError) and self._ours(error):
                raise _place_error(self.folder, error) from None
        except OSError as fault:
            raise _place_error(self.folder, fault) from None
        finally:
            shutil.rmtree(self._temporary.parent, ignore_errors=True)
            self._temporary = None
            self._lock.release()

    def _refuse_existing(self) -> None:
        try:
            if self.folder.exists() and not self.folder.is_dir():
                raise InputError(
                    f"{self.folder}: the output place is a file; give a folder with --out"
                )
            there = [name for name in self.own if (self.folder / name).exists()]
        except OSError as error:
            raise _place_error(self.folder, error) from None
        if there and not self.force:
            raise OutputExistsError(
                f"{self.folder / there[0]}: already exists; choose another folder with --out or "
                "replace it with --force"
            )

    def _make_temporary(self) -> Path:
        folder = self.folder.absolute()
        beside = self._lock.beside
        # Nobody but the one that holds the lock writes: what lies there was left by a kill.
        for left in beside.glob(f".{glob.escape(folder.name)}.partial-*"):
            shutil.rmtree(left, ignore_errors=True)
        holder = Path(tempfile.mkdtemp(prefix=f".{folder.name}.partial-", dir=beside))
        temporary = holder / folder.name
        temporary.mkdir()
        return temporary

    def _move_into_place(self) -> None:
        new = self.temporary
        for path in new.iterdir():
            if path.is_file():
                sync_file(path)
        sync_folder(new)
        if not self.folder.exists():
            new.rename(self.folder)
        else:
            self._refuse_existing()
            if not self._exchange():
                self._replace_one_by_one()
        sync_folder(self.folder.absolute().parent)

    def _exchange(self) -> bool:
        """Swap the folder for one that holds the new files and all that is not ours, at once.

        Killed at any instant, either the old result is there or the new one.
        """
        new, old = self.temporary, self.folder.resolve()
        others = [path for path in old.iterdir() if path.name not in self.own]
        # Whoever stands in a folder that is swapped finds himself in the one that is removed.
        standing = Path.cwd()
        if (
            len(self.own) == 1
            or self._lock.beside != old.parent
            or standing == old
            or old in standing.parents
            or any(path.is_dir() and not path.is_symlink() for path in others)
        ):
            return False
        try:
            for path in others:
                if not path.name.startswith(f".{old.name}."):
                    os.link(path, new / path.name, follow_symlinks=False)
            new.chmod(old.stat().st_mode & 0o7777)
            return exchange(new, old)
        except (OSError, NotImplementedError):
            return False

    def _replace_one_by_one(self) -> None:
        """The same where folders cannot be swapped: a mount, folders inside, other systems."""
        written = sorted(
            (path.name for path in self.temporary.iterdir() if path.name in self.own),
            key=lambda name: name == self.mark,
        )
        # The mark goes first: from here until its successor is in place nothing claims completion.
        for name in (self.mark, *self.own):
            if name not in written or (name == self.mark and len(written) > 1):
                (self.folder / name).unlink(missing_ok=True)
        for name in written:
            (self.temporary / name).replace(self.folder / name)

    def _ours(self, error: OSError) -> bool:
        """Whether a fault came from writing into the temporary folder."""
        if error.errno not in _PLACE_FAULTS:
            return False
        if error.filename is None:
            return error.errno in {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
        return str(self.temporary.parent) in str(error.filename)


def _place_error(folder: Path, error: OSError) -> InputError:
    reason = (error.strerror or str(error)).lower()
    return InputError(
        f"{folder}: the output cannot be written there ({reason}); choose another folder with --out"
    )


def plain(value: Any) -> Any:
    """Reduce a value to what JSON holds.

    Parameters
    ----------
    value : object
        Nested mappings, sequences, dataclasses, numpy scalars and arrays, paths.

    Returns
    -------
    object
        Dictionaries with text keys, lists, text, numbers, true, false and null. Numbers that are
        not finite become null.
    """
    if isinstance(value, str):
        return printable(value)
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if is_dataclass(value) and not isinstance(value, type):
        return plain(asdict(value))
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, Path):
        return value.as_posix()
    if hasattr(value, "tolist"):  # numpy scalars and arrays, pandas series
        return plain(value.tolist())
    if isinstance(value, Iterable):
        return [plain(item) for item in value]
    raise TypeError(f"{type(value).__name__} has no JSON form")


def write_json(path: Path, value: Any) -> None:
    """Write a value as JSON: sorted keys, plain types, one final newline.

    Parameters
    ----------
    path : Path
        The file.
    value : object
        Anything :func:`plain` accepts.
    """
    text = json.dumps(plain(value), indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")


def write_csv(path: Path, frame: pd.DataFrame, *, round_numbers: bool = True) -> None:
    """Write a table as CSV, many times faster than ``DataFrame.to_csv``.

    Parameters
    ----------
    path : Path
        The file.
    frame : DataFrame
        Numbers and text; missing values become empty fields.
    round_numbers : bool
        Whether columns are rounded to the decimals that their unit deserves.
    """
    import numpy as np
    import pyarrow as pa
    from pyarrow import csv

    arrays = []
    for name, column in _columns(frame):
        if not isinstance(column.dtype, np.dtype) and column.dtype.kind in "iufb":
            arrays.append(pa.array(column))  # whole numbers with missing values
        elif column.dtype.kind == "f":
            numbers = column.to_numpy()
            decimals = _decimals(str(name)) if round_numbers else None
            if decimals is not None:
                numbers = numbers.round(decimals) + 0.0  # no negative zero
            arrays.append(pa.array(numbers, from_pandas=True))
        elif column.dtype.kind in "iub":
            arrays.append(pa.array(column.to_numpy()))
        else:
            # The same word stands in many rows.
            words = {one: as_text(one) for one in column.dropna().unique()}
            texts = [words.get(one) for one in column]
            arrays.append(pa.array(texts, type=pa.string(), from_pandas=True))
    table = pa.Table.from_arrays(arrays, names=[str(name) for name in frame.columns])
    # pyarrow quotes every name of the header and every text; we quote only what needs it.
    quoting = "needed" if any(_needs_quotes(array) for array in arrays) else "none"
    with pa.OSFile(str(path), "wb") as file:
        file.write(
            (",".join(_quoted(as_text(name)) for name in table.column_names) + "\n").encode()
        )
        csv.write_csv(table, file, csv.WriteOptions(include_header=False, quoting_style=quoting))


def _columns(frame: pd.DataFrame) -> list[tuple[Any, pd.Series]]:
    """Columns by name, without ``attrs``, which each of them would be given a deep copy of."""
    plain = frame.copy(deep=False)
    plain.attrs = {}
    return [(name, plain[name]) for name in plain.columns]


def _decimals(name: str) -> int | None:
    for ending, decimals in _DECIMALS:
        if name.endswith(ending):
            return decimals
    return 7


def as_text(word: str) -> str:
    """A word from outside as a cell of a table that people open in a spreadsheet.

    Parameters
    ----------
    word : str

    Returns
    -------
    str
        What a spreadsheet would take for a formula has an apostrophe before it, which makes it text
        there (common practice, no source).
    """
    text = printable(str(word))
    return f"'{text}" if text.startswith(FORMULA) else text


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"' if set(name) & set(',"\r\n') else name


def _needs_quotes(array: Any) -> bool:
    import pyarrow as pa
    import pyarrow.compute as pc

    if not pa.types.is_string(array.type):
        return False
    marked = pc.match_substring_regex(pc.unique(array), r'[,"\r\n]')
    return bool(pc.any(marked).as_py())


def write_parquet(path: Path, frame: pd.DataFrame) -> None:
    """Write a table as Parquet, every bit kept.

    Parameters
    ----------
    path : Path
        The file.
    frame : DataFrame
        Numbers and text.
    """
    import pandas as pd
    import pyarrow as pa
    from pyarrow import parquet

    arrays, words = [], []
    for name, column in _columns(frame):
        if column.dtype.kind in "fiub":
            arrays.append(pa.array(column.to_numpy()))
        else:
            words.append(str(name))
            if not isinstance(column.dtype, pd.CategoricalDtype):
                column = column.astype("category")
            codes, values = column.cat.codes.to_numpy(), column.cat.categories
            missing = codes < 0
            arrays.append(
                pa.DictionaryArray.from_arrays(
                    pa.array(codes.astype("int32"), mask=missing if missing.any() else None),
                    pa.array([str(value) for value in values], type=pa.string()),
                )
            )
    table = pa.Table.from_arrays(arrays, names=[str(name) for name in frame.columns])
    # A dictionary of mostly distinct floats costs much time and saves nothing.
    with pa.OSFile(str(path), "wb") as file:
        parquet.write_table(
            table,
            file,
            compression="zstd",
            compression_level=1,
            use_dictionary=words if words else False,
            write_statistics=False,
        )


def file_hash(path: Path) -> str:
    """SHA-256 of a file's bytes.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    str
        Hexadecimal.
    """
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


class Input(TypedDict):
    """A file that was read."""

    file: str
    """Its name, without folders."""
    sha256: str
    """Hash of its bytes."""


class Provenance(TypedDict):
    """What made the files: enough to make them again."""

    command: str
    """Which of the commands."""
    inputs: Annotated[dict[str, Input], Named("<role>")]
    """Files read, by their role."""
    options: Annotated[dict[str, Any], Named("<option>")]
    """What else decides the result."""
    seeds: Annotated[dict[str, int], Named("<name>")]
    """Seeds of random numbers."""
    sources: str
    """Hash of this package's source files: tells apart what the version does not."""
    versions: Annotated[dict[str, str], Named("<library>")]
    """Of this package, of Python and of the libraries that compute."""


def provenance(
    command: str,
    inputs: Mapping[str, Path | None],
    options: Mapping[str, Any],
    seeds: Mapping[str, int] | None = None,
) -> Provenance:
    """What made these outputs: enough to make them again, and nothing that differs between runs.

    Parameters
    ----------
    command : str
        The command's name.
    inputs : mapping of str to Path
        Input files by their role; None for one not given.
    options : mapping
        What else decides the result.
    seeds : mapping of str to int, optional
        Seeds of random number generators.

    Returns
    -------
    Provenance
        No folder names, no clock, no machine.
    """
    import platform
    from importlib.metadata import PackageNotFoundError, version

    from loadlearn import __version__
    from loadlearn._compile import sources_hash

    versions = {"loadlearn": __version__, "python": platform.python_version()}
    for library in ("numba", "numpy", "pandas", "pyarrow", "scipy"):
        try:
            versions[library] = version(library)
        except PackageNotFoundError:  # a dependency replaced by a distribution of another name
            versions[library] = "unknown"
    return {
        "command": command,
        "inputs": {
            role: {"file": Path(path).name, "sha256": file_hash(Path(path))}
            for role, path in inputs.items()
            if path is not None
        },
        "options": dict(options),
        "seeds": dict(seeds or {}),
        "sources": sources_hash(),
        "versions": versions,
    }


def thin(time_s: Any, every_s: float) -> Any:
    """Which samples to keep for about one row per interval.

    Parameters
    ----------
    time_s : ndarray of shape (n,)
        Rising times (s).
    every_s : float
        Interval (s); 0 keeps every sample. A log whose usual interval is as long, or nearly, is
        kept whole, so that jittering stamps lose no rows.

    Returns
    -------
    ndarray of bool, shape (n,)
        The first sample of each interval, counted from the first sample.
    """
    import numpy as np

    time_s = np.asarray(time_s, dtype=float)
    if every_s <= 0.0 or len(time_s) < 3 or np.median(np.diff(time_s)) >= 0.95 * every_s:
        return np.ones(len(time_s), dtype=bool)
    # A millionth of an interval forgives 0.7 / 0.1 = 6.999999999999999 and its like.
    slot = np.floor((time_s - time_s[0]) / every_s + 1e-6)
    return np.concatenate(([True], np.diff(slot) > 0))
