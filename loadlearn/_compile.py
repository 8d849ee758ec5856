"""Lazy compilation of the numeric kernels, with a cache that can never hold stale physics.

The disk cache of the compiler does not notice that a *callee* in another file was edited. The cache
folder is therefore named by a hash of all sources of this package and the compiler's version: any
edit is another folder. Where no folder can be written, a temporary one is used.
"""

from __future__ import annotations

import functools
import hashlib
import os
import sys
import tempfile
import types
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_type_hints

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_PACKAGE = Path(__file__).resolve().parent
_announced = False


def sources_hash() -> str:
    """Hash of every source file of the package (hexadecimal, 16 characters)."""
    digest = hashlib.sha256()
    for path in sorted(_PACKAGE.rglob("*.py")):
        digest.update(path.relative_to(_PACKAGE).as_posix().encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def _cache_root() -> Path:
    base = os.environ.get("XDG_CACHE_HOME")
    return (Path(base) if base else Path.home() / ".cache") / "loadlearn"


@functools.cache
def cache_directory() -> Path:
    """Folder of the compiled kernels: user cache, else temporary; created on first use."""
    import numba

    name = f"{sources_hash()}-{numba.__version__}-py{sys.version_info[0]}{sys.version_info[1]}"
    try:
        folder = _cache_root() / name
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
        return folder
    except (OSError, RuntimeError):
        return Path(tempfile.mkdtemp(prefix="loadlearn-cache-"))


class LazyKernel:
    """A function compiled when first called (or first called by another kernel).

    Parameters
    ----------
    function : callable
        Written in the subset of Python that the compiler knows.
    inline : str
        ``"always"`` to inline it in its callers.
    parallel : bool
        Whether loops over ``numba.prange`` run on all cores.
    """

    def __init__(
        self, function: Callable[..., Any], inline: str = "never", parallel: bool = False
    ) -> None:
        self.py_func = function
        self._inline = inline
        self._parallel = parallel
        self._dispatchers: dict[bool, Callable[..., Any]] = {}
        functools.update_wrapper(self, function)

    def compiled(self, from_python: bool = True) -> Callable[..., Any]:
        """The compiled dispatcher, with every kernel it names compiled too.

        Parameters
        ----------
        from_python : bool
            Whether Python calls it. What takes arguments out of Python's objects is as much to
            compile as a kernel is, so that kernels called by kernels do without.
        """
        if from_python not in self._dispatchers:
            import numba

            settings: Any = numba.core.config
            compile_function: Any = numba.njit
            folder = str(cache_directory())
            # Read by the compiler when a function is decorated with cache=True. It names files by
            # the source's path relative to this folder's configuration, so one folder serves all.
            settings.CACHE_DIR = folder
            # Off by default; it turns statements side by side (one a lane) into one instruction.
            settings.SLP_VECTORIZE = 1
            scope = self.py_func.__globals__
            # The compiler resolves global names itself: hand it a scope of compiled functions.
            resolved = {
                name: kernel.compiled(from_python=False)
                for name in self.py_func.__code__.co_names
                if (kernel := _as_kernel(scope.get(name))) is not None
            }
            function = _with_globals(self.py_func, {**scope, **resolved})
            if not from_python:
                # The disk cache goes by this name, and knows nothing of how it was compiled.
                function.__qualname__ += "-inner"
            self._dispatchers[from_python] = compile_function(
                cache=True,
                inline=self._inline,
                parallel=self._parallel,
                # Products and sums in one rounding, where the machine can.
                fastmath={"contract"},
                error_model="numpy",
                no_cpython_wrapper=not from_python,
                no_cfunc_wrapper=True,
            )(function)
        return self._dispatchers[from_python]

    def __call__(self, *args: Any) -> Any:
        """Call the compiled function, compiling it first if need be."""
        dispatcher = self._dispatchers.get(True)
        if dispatcher is None:
            return _announce_while(self.compiled(), args)
        return dispatcher(*args)


def jit(
    function: Callable[..., Any] | None = None, *, inline: str = "never", parallel: bool = False
) -> Any:
    """Decorate a kernel; nothing is imported or compiled until it is called.

    Parameters
    ----------
    function : callable, optional
        The kernel, when used as a bare decorator.
    inline, parallel
        As in :class:`LazyKernel`.

    Returns
    -------
    LazyKernel
    """
    if function is None:
        return lambda actual: LazyKernel(actual, inline, parallel)
    return LazyKernel(function, inline, parallel)


@functools.cache
def record_type(schema: type) -> np.dtype[Any]:
    """Structured type with the fields of a class of floats, for what compiled code carries about.

    A record is handed on as one pointer and changed in place; each field of a tuple is an argument
    and a result of its own, at every call.

    Parameters
    ----------
    schema : type
        A dataclass or named tuple whose fields are floats, or such classes themselves.

    Returns
    -------
    dtype
    """
    import numpy as np

    kinds = get_type_hints(schema)
    fields = [
        (name, np.float64 if kind is float else record_type(kind)) for name, kind in kinds.items()
    ]
    return np.dtype(fields, align=True)


def as_record(values: Any) -> NDArray[Any]:
    """An instance as an array of one record, shape (1,); see :func:`record_type`.

    Parameters
    ----------
    values : dataclass instance or named tuple

    Returns
    -------
    ndarray, shape (1,)
    """
    import numpy as np

    kind = record_type(values.__class__)
    return np.array([_plain(values, kind)], dtype=kind)


def _plain(values: Any, kind: Any) -> tuple[Any, ...]:
    parts = ((getattr(values, name), kind[name]) for name in kind.names)
    return tuple(_plain(value, part) if part.names else value for value, part in parts)


_plain_twins: dict[types.FunctionType, LazyKernel] = {}


def _as_kernel(value: object) -> LazyKernel | None:
    """The kernel behind a name used in a kernel.

    A plain function of this package (the force balance, say, which also serves arrays) gets a
    compiled twin, so that physics is written once.
    """
    if isinstance(value, LazyKernel):
        return value
    if isinstance(value, types.FunctionType) and value.__module__.split(".")[0] == "loadlearn":
        return _plain_twins.setdefault(value, LazyKernel(value))
    return None


def _with_globals(function: Callable[..., Any], scope: dict[str, Any]) -> Callable[..., Any]:
    copy = types.FunctionType(
        function.__code__, scope, function.__name__, function.__defaults__, function.__closure__
    )
    copy.__module__ = function.__module__
    copy.__qualname__ = function.__qualname__
    copy.__doc__ = function.__doc__
    return copy


def _announce_while(compiled: Any, args: tuple[Any, ...]) -> Any:
    """First call: say so on stderr when the cache is empty, for compilation takes seconds."""
    global _announced
    if not _announced and not any(cache_directory().rglob("*.nbc")):
        _announced = True
        sys.stderr.write("loadlearn: compiling once for this machine, about 20 s\n")
        sys.stderr.flush()
    return compiled(*args)
