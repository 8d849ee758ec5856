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
from typing import Any

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
    distinct : bool
        Whether the arrays of a call never overlap: plain loops then become vector instructions.
    """

    def __init__(
        self,
        function: Callable[..., Any],
        inline: str = "never",
        parallel: bool = False,
        distinct: bool = False,
    ) -> None:
        self.py_func = function
        self._inline = inline
        self._parallel = parallel
        self._distinct = distinct
        self._compiled: Callable[..., Any] | None = None
        functools.update_wrapper(self, function)

    def compiled(self) -> Callable[..., Any]:
        """The compiled dispatcher, with every kernel it names compiled too."""
        if self._compiled is None:
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
                name: kernel.compiled()
                for name in self.py_func.__code__.co_names
                if (kernel := _as_kernel(scope.get(name))) is not None
            }
            function = _with_globals(self.py_func, {**scope, **resolved})
            further: dict[str, Any] = {}
            if self._distinct:
                further["pipeline_class"] = _distinct_pipeline()
            self._compiled = compile_function(
                cache=True,
                **further,
                inline=self._inline,
                parallel=self._parallel,
                # Products and sums in one rounding, where the machine can.
                fastmath={"contract"},
                error_model="numpy",
            )(function)
        return self._compiled

    def __call__(self, *args: Any) -> Any:
        """Call the compiled function, compiling it first if need be."""
        if self._compiled is None:
            self.compiled()
            return _announce_while(self._compiled, args)
        return self._compiled(*args)


@functools.cache
def _distinct_pipeline() -> Any:
    """The compiler's usual pipeline, told that arguments do not overlap in memory."""
    from numba.core.compiler import CompilerBase, DefaultPassBuilder

    class Distinct(CompilerBase):
        def define_pipelines(self) -> list[Any]:
            self.state.flags.noalias = True
            self.state.flags.forceinline = True
            return [DefaultPassBuilder.define_nopython_pipeline(self.state)]

    return Distinct


def jit(
    function: Callable[..., Any] | None = None,
    *,
    inline: str = "never",
    parallel: bool = False,
    distinct: bool = False,
) -> Any:
    """Decorate a kernel; nothing is imported or compiled until it is called.

    Parameters
    ----------
    function : callable, optional
        The kernel, when used as a bare decorator.
    inline, parallel, distinct
        As in :class:`LazyKernel`.

    Returns
    -------
    LazyKernel
    """
    if function is None:
        return lambda actual: LazyKernel(actual, inline, parallel, distinct)
    return LazyKernel(function, inline, parallel, distinct)


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
