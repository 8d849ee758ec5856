"""Files a command leaves behind: all of them or none, fast, and the same for the same input.

A command writes into a temporary folder beside its output folder, on the same file system. Only
when everything is written are the files renamed into place, the JSON that marks completion last.
"""

from __future__ import annotations

import errno
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
from loadlearn.errors import InputError, OutputExistsError

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
        self._refuse_existing()
        try:
            self._temporary = self._make_temporary()
        except OSError as error:
            raise _place_error(self.folder, error) from None
        return self

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
            shutil.rmtree(self._temporary, ignore_errors=True)
            self._temporary = None

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
        folder.parent.mkdir(parents=True, exist_ok=True)
        beside = folder.parent
        if folder.is_dir() and (
            folder.stat().st_dev != beside.stat().st_dev or not os.access(beside, os.W_OK)
        ):
            beside = folder  # a mount point, or a folder whose parent is not ours
        temporary = Path(tempfile.mkdtemp(prefix=f".{folder.name}.partial-", dir=beside))
        # mkdtemp makes a private folder; it may become the output folder itself.
        mask = os.umask(0)
        os.umask(mask)
        temporary.chmod(0o777 & ~mask)
        return temporary

    def _move_into_place(self) -> None:
        assert self._temporary is not None
        written = sorted(
            (path.name for path in self._temporary.iterdir()), key=lambda name: name == self.mark
        )
        if not self.folder.exists():
            self._temporary.rename(self.folder)
            return
        self._refuse_existing()
        # The mark goes first: from here until its successor is in place nothing claims completion.
        for name in (self.mark, *self.own):
            if name == self.mark or name not in written:
                (self.folder / name).unlink(missing_ok=True)
        for name in written:
            (self._temporary / name).replace(self.folder / name)

    def _ours(self, error: OSError) -> bool:
        """Whether a fault came from writing into the temporary folder."""
        if error.errno not in _PLACE_FAULTS:
            return False
        if error.filename is None:
            return error.errno in {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
        return str(self._temporary) in str(error.filename)


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
    if value is None or isinstance(value, str | bool | int):
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
            arrays.append(pa.array(column.astype(object), type=pa.string(), from_pandas=True))
    table = pa.Table.from_arrays(arrays, names=[str(name) for name in frame.columns])
    # pyarrow quotes every name of the header and every text; we quote only what needs it.
    quoting = "needed" if any(_needs_quotes(array) for array in arrays) else "none"
    with pa.OSFile(str(path), "wb") as file:
        file.write((",".join(_quoted(name) for name in table.column_names) + "\n").encode())
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
