"""Lazy compilation of the numeric kernels, with a cache that can never hold stale physics.

The disk cache of the compiler does not notice that a *callee* in another file was edited. The cache
folder is therefore named by a hash of all sources of this package and the compiler's version: any
edit is another folder. Where no folder can be written, a temporary one is used.
"""

from __future__ import annotations

import functools
import gc
import hashlib
import os
import pickle
import re
import stat
import sys
import tempfile
import types
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_type_hints

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Record = Any
"""A record of a structured array: the compiler knows its fields, a type checker does not."""
Records = Any
"""A structured array."""

_PACKAGE = Path(__file__).resolve().parent
_announced = False
_NUMBERS = re.compile(r"None|(float|int|bool)|tuple\[((float|int|bool)(, |\]))+")


def sources_hash() -> str:
    """Hash of every source file of the package (hexadecimal, 16 characters).

    The same on every system: files in the order of their names, line ends as Unix writes them.
    """
    digest = hashlib.sha256()
    files = {path.relative_to(_PACKAGE).as_posix(): path for path in _PACKAGE.rglob("*.py")}
    for name, path in sorted(files.items()):
        digest.update(name.encode())
        digest.update(path.read_bytes().replace(b"\r\n", b"\n"))
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
        return _fallback_directory(name)


def _fallback_directory(name: str) -> Path:
    """Without a home to write to: the same temporary folder each time, if it is ours alone."""
    whose = f"-{os.getuid()}" if hasattr(os, "getuid") else ""
    root = Path(tempfile.gettempdir()) / f"loadlearn-cache{whose}"
    try:
        root.mkdir(mode=0o700, exist_ok=True)
        held = root.lstat()
        mine = not whose or (held.st_uid == os.getuid() and not held.st_mode & 0o022)
        if mine and stat.S_ISDIR(held.st_mode):
            (root / name).mkdir(exist_ok=True)
            with tempfile.TemporaryFile(dir=root / name):
                pass
            return root / name
    except OSError:
        pass
    return Path(tempfile.mkdtemp(prefix="loadlearn-cache-"))


def _say(sentence: str) -> None:
    if sys.stderr is not None:
        sys.stderr.write(f"loadlearn: {sentence}\n")
        sys.stderr.flush()


@functools.cache
def _say_once(sentence: str) -> None:
    _say(sentence)


@functools.cache
def _checked_cache_file() -> type:
    """The compiler's cache file, with a digest before what it holds.

    Machine code that was cut or changed on the disk would be run as it is; so it is not read, and
    made anew. One that cannot be kept is used all the same.
    """
    from numba.core.caching import IndexDataCacheFile

    class CheckedCacheFile(IndexDataCacheFile):
        def _dump(self, obj: Any) -> bytes:
            data: bytes = super()._dump(obj)
            return hashlib.sha256(data).digest() + data

        def _read(self, path: str) -> bytes:
            with open(path, "rb") as file:
                data = file.read()
            if hashlib.sha256(data[32:]).digest() != data[:32]:
                raise OSError("damaged")
            return data[32:]

        def _load_index(self) -> dict[Any, Any]:
            try:
                version, stamp, overloads = pickle.loads(self._read(self._index_path))
            except FileNotFoundError:
                return {}
            except Exception:
                _say_once("the kept compiled kernels are damaged; they are made anew")
                return {}
            fresh = version == self._version and stamp == self._source_stamp
            return overloads if fresh else {}

        def _save_index(self, overloads: dict[Any, Any]) -> None:
            data = self._dump((self._version, self._source_stamp, overloads))
            with self._open_for_write(self._index_path) as file:
                file.write(data)

        def _load_data(self, name: str) -> Any:
            try:
                return pickle.loads(self._read(self._data_path(name)))
            except FileNotFoundError:
                raise
            except Exception as error:
                _say_once("the kept compiled kernels are damaged; they are made anew")
                raise OSError(str(error)) from None

        def save(self, key: Any, data: Any) -> None:
            try:
                super().save(key, data)
            except OSError as error:
                _say_once(
                    f"compiled kernels cannot be kept ({error.strerror or error}); they will be "
                    "compiled again next time"
                )

    return CheckedCacheFile


def _check_cache(compiled: Any) -> None:
    """Have a dispatcher keep its machine code in checked files."""
    cache_file = getattr(compiled._cache, "_cache_file", None)
    if cache_file is not None:  # there is none where nothing is kept
        cache_file.__class__ = _checked_cache_file()


class LazyKernel:
    """A function compiled when first called (or first called by another kernel).

    Parameters
    ----------
    function : callable
        Written in the subset of Python that the compiler knows.
    parallel : bool
        Whether loops over ``numba.prange`` run on all cores.
    distinct : bool
        Whether the arrays of a call never overlap: plain loops then become vector instructions.
    """

    def __init__(
        self,
        function: Callable[..., Any],
        parallel: bool = False,
        distinct: bool = False,
    ) -> None:
        self.py_func = function
        self._parallel = parallel
        self.distinct = distinct
        self._compiled: Callable[..., Any] | None = None
        self._inner: Callable[..., Any] | None = None
        functools.update_wrapper(self, function)

    def compiled(self) -> Callable[..., Any]:
        """The compiled dispatcher, with every kernel it names compiled into it."""
        if self._compiled is None:
            self._compiled = self._dispatcher(cache=True)
        return self._compiled

    def inner(self) -> Callable[..., Any]:
        """The same for other kernels to call: those hold its code, and are kept on disk."""
        if self._inner is None:
            self._inner = self._dispatcher(no_cpython_wrapper=True, no_cfunc_wrapper=True)
        return self._inner

    def counts_holders(self) -> bool:
        """Whether it may make or be handed an array that it has to free, and so counts holders.

        Other arrays belong to the caller while a kernel runs. Counting, an atomic operation for
        each view of an array, took a third of the filter's time.
        """
        code, scope = self.py_func.__code__, self.py_func.__globals__
        if "np" in code.co_names:
            return True
        called = (_as_kernel(scope.get(name)) for name in code.co_names)
        return any(
            kernel is not None and kernel.counts_holders() and not kernel.returns_numbers()
            for kernel in called
        )

    def returns_numbers(self) -> bool:
        """Whether nothing but numbers is returned, by its annotation."""
        told = self.py_func.__annotations__.get("return", "")
        return _NUMBERS.fullmatch(str(told)) is not None

    def _dispatcher(self, **options: Any) -> Callable[..., Any]:
        import numba

        settings: Any = numba.core.config
        compile_function: Any = numba.njit
        # Read by the compiler when a function is decorated with cache=True. It names files by the
        # source's path relative to this folder's configuration, so one folder serves all.
        settings.CACHE_DIR = str(cache_directory())
        # Off by default; it turns statements side by side into one instruction.
        settings.SLP_VECTORIZE = 1
        scope = self.py_func.__globals__
        # The compiler resolves global names itself: hand it a scope of compiled functions.
        resolved = {
            name: kernel.inner()
            for name in self.py_func.__code__.co_names
            if (kernel := _as_kernel(scope.get(name))) is not None
        }
        compiled: Callable[..., Any] = compile_function(
            pipeline_class=_pipeline(self.distinct, "cache" not in options),
            parallel=self._parallel,
            # Products and sums in one rounding, where the machine can.
            fastmath={"contract"},
            error_model="numpy",
            nogil=True,
            _nrt=self.counts_holders(),
            **options,
        )(_with_globals(self.py_func, {**scope, **resolved}))
        if "cache" in options:
            _check_cache(compiled)
        return compiled

    def __call__(self, *args: Any) -> Any:
        """Call the compiled function, compiling it first if need be."""
        if self._compiled is None:
            return _announce_while(self.compiled(), args)
        return self._compiled(*args)


def _nothing() -> None:
    """Do nothing."""


@functools.cache
def _pipeline(distinct: bool, inner: bool) -> Any:
    """The compiler's usual pipeline, told what it cannot know.

    Parameters
    ----------
    distinct : bool
        Arguments do not overlap in memory.
    inner : bool
        Other kernels alone call it: the code is handed to them, and no machine code is made of it
        by itself, which takes half of the compiler's time.
    """
    from numba.core.compiler import CompilerBase, DefaultPassBuilder
    from numba.core.compiler_machinery import register_pass
    from numba.core.typed_passes import NativeLowering

    @register_pass(mutates_CFG=True, analysis_only=False)
    class InnerLowering(NativeLowering):
        _name = "inner_lowering"

        def run_pass(self, state: Any) -> bool:
            state.flags.no_compile = True
            # Optimised once, in the kernel that Python calls, and not on each way up to it.
            library = state.targetctx.codegen().create_library(state.func_id.func_qualname)
            library._optimize_final_module = _nothing
            state.library = library
            super().run_pass(state)
            # What callers know it by: any builtin of its own does.
            key = list[None]().append
            state.targetctx.insert_user_function(key, state["cr"].fndesc, [state.library])
            state["cr"] = state["cr"]._replace(cfunc=key)
            return True

    class Pipeline(CompilerBase):
        def define_pipelines(self) -> list[Any]:
            if distinct:
                self.state.flags.noalias = True
                self.state.flags.forceinline = inner
            built = DefaultPassBuilder.define_nopython_pipeline(self.state)
            if inner:
                built.passes = [
                    (InnerLowering if one is NativeLowering else one, why)
                    for one, why in built.passes
                ]
            return [built]

    return Pipeline


def jit(
    function: Callable[..., Any] | None = None,
    *,
    parallel: bool = False,
    distinct: bool = False,
) -> Any:
    """Decorate a kernel; nothing is imported or compiled until it is called.

    Parameters
    ----------
    function : callable, optional
        The kernel, when used as a bare decorator.
    parallel, distinct
        As in :class:`LazyKernel`.
    """
    if function is None:
        return lambda actual: LazyKernel(actual, parallel, distinct)
    return LazyKernel(function, parallel, distinct)


@functools.cache
def record_type(schema: type) -> np.dtype[Any]:
    """Structured type with the fields of a class of floats, for what compiled code carries about.

    A record is handed on as one pointer and changed in place; each field of a tuple is an argument
    and a result of its own, at every call.

    Parameters
    ----------
    schema : type
        A dataclass or named tuple whose fields are floats, or such classes themselves.
    """
    import numpy as np

    kinds = get_type_hints(schema)
    fields = [
        (name, np.float64 if kind is float else record_type(kind)) for name, kind in kinds.items()
    ]
    return np.dtype(fields, align=True)


def as_record(values: Any) -> NDArray[Any]:
    """An instance as an array of one record, shape (1,); see :func:`record_type`.

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
        _say("compiling once for this machine, some 10 to 20 s")
    # The compiler makes millions of small objects that live on; looking through them for garbage
    # again and again takes a tenth of its time.
    usual = gc.get_threshold()
    gc.set_threshold(100_000, 20, 100)
    try:
        return compiled(*args)
    finally:
        gc.set_threshold(*usual)
