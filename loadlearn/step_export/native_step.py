"""A generated step compiled by the system's compiler and run over a drive, for measurements."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.step_export.channels_in import CHANNELS_IN
from loadlearn.step_export.step_source import ESTIMATES, StepSource, filled, template

FloatArray = NDArray[np.float64]

FLAGS = ("-std=c99", "-Wall", "-Wextra", "-Wshadow", "-Wconversion", "-Werror", "-pedantic", "-O2")
"""The generated code is clean under these."""
TOLD = (*ESTIMATES, "surface", "learning", "set_aside_because", "taken")
COUNTED = ("add", "multiply", "divide", "compare", "function")
"""Kinds of floating-point operations."""


_LOOK_UP = """    struct loadlearn_settings settings;
    out[4] = loadlearn_look_up(&step, (real)grade_percent, (real)speed_m_s, &settings);
    out[0] = (double)settings.power_retention;
    out[1] = (double)settings.full_share_time_s;
    out[2] = (double)settings.economy;
    out[3] = settings.load_known;"""
_NO_LOOK_UP = """    (void)grade_percent;
    (void)speed_m_s;
    (void)out;"""


class LookedUp(NamedTuple):
    """What a look-up told."""

    power_retention: float
    full_share_time_s: float
    economy: float
    load_known: bool
    taken: bool
    """Whether grade and speed could be."""
    operations: tuple[int, ...]
    """Floating-point operations, by ``COUNTED``."""


def compiler() -> str | None:
    """The system's C compiler, or None where there is none."""
    return shutil.which("cc")


@dataclass(frozen=True)
class NativeRun:
    """What a step told over a drive.

    Attributes
    ----------
    estimates : DataFrame
        One row per sample: ``TOLD``.
    operations : ndarray, shape (samples, 5)
        Floating-point operations of each sample, by ``COUNTED``; zeros without counting.
    seconds : float
        Processor time in all.
    counts : dict
        Samples taken, refused, ..., since the start.
    """

    estimates: pd.DataFrame
    operations: FloatArray
    seconds: float
    counts: dict[str, int]


class NativeStep:
    """A generated step, compiled.

    Parameters
    ----------
    made : StepSource
    single : bool
        Single precision.
    counting : bool
        Whether ``made`` counts its operations.
    options : sequence of str
        Further options of the compiler.

    Raises
    ------
    InputError
        There is no compiler, or it refuses the code.
    """

    def __init__(
        self,
        made: StepSource,
        single: bool = False,
        counting: bool = False,
        options: Sequence[str] = (),
    ) -> None:
        cc = compiler()
        if cc is None:
            raise InputError("no C compiler: install one that is called cc, such as gcc")
        with tempfile.TemporaryDirectory(prefix="loadlearn-step-") as name:
            folder = Path(name)
            (folder / "loadlearn_step.h").write_text(made.header, encoding="utf-8")
            (folder / "loadlearn_step.c").write_text(made.source, encoding="utf-8")
            words = {
                "COUNTER": "" if counting else "static unsigned long loadlearn_counted[5];",
                "LOOK_UP": _LOOK_UP if made.has_look_up else _NO_LOOK_UP,
                "FIRST": ESTIMATES[0],
                "INPUTS": str(len(CHANNELS_IN.names or ()) + 1),
                "OUTPUTS": str(len(TOLD)),
                "ESTIMATES": str(len(ESTIMATES)),
            }
            (folder / "bench.c").write_text(filled(template("bench.c"), words), encoding="utf-8")
            library = folder / "step.so"
            precision = ["-DLOADLEARN_SINGLE"] if single else []
            command = [cc, *FLAGS, *precision, *options, "-shared", "-fPIC", "-o", str(library)]
            done = subprocess.run(
                [*command, str(folder / "bench.c"), str(folder / "loadlearn_step.c"), "-lm"],
                capture_output=True,
                text=True,
                check=False,
            )
            if done.returncode != 0:
                raise InputError(f"the compiler refuses the generated step: {done.stderr[:2000]}")
            self._library: Any = ctypes.CDLL(str(library))
        self._library.bench_bytes.restype = ctypes.c_size_t
        self._library.bench_run.restype = ctypes.c_double
        self._library.bench_look_up.argtypes = [ctypes.c_double, ctypes.c_double, ctypes.c_void_p]
        self._counting = counting
        self.has_look_up = made.has_look_up
        self._library.bench_start()

    @property
    def state_bytes(self) -> int:
        """Size of everything that is remembered."""
        return int(self._library.bench_bytes())

    def start(self) -> None:
        """Forget everything."""
        self._library.bench_start()

    def look_up(self, grade_percent: float, speed_m_s: float) -> LookedUp:
        """Look the strategy up for what is known now.

        Parameters
        ----------
        grade_percent, speed_m_s : float
            Asked for.
        """
        assert self.has_look_up
        operations = (ctypes.c_ulong * 5)()
        if self._counting:
            operations = (ctypes.c_ulong * 5).in_dll(self._library, "loadlearn_counted")
            operations[:] = [0] * 5
        out = (ctypes.c_double * 5)()
        self._library.bench_look_up(grade_percent, speed_m_s, out)
        told = (out[0], out[1], out[2], bool(out[3]), bool(out[4]))
        counted = tuple(operations)
        operations[:] = [0] * 5
        return LookedUp(*told, counted)

    def run(self, trace: pd.DataFrame) -> NativeRun:
        """Take the samples of a trace, one after the other.

        Parameters
        ----------
        trace : DataFrame
            Canonical columns, n rows.
        """
        given = np.full((len(trace), len(CHANNELS_IN.names or ()) + 1), np.nan)
        for place, name in enumerate(("time_s", *(CHANNELS_IN.names or ()))):
            if name in trace.columns:
                given[:, place] = trace[name].to_numpy(dtype=np.float64, na_value=np.nan)
        told = np.empty((len(given), len(TOLD)))
        operations = np.empty((len(given), len(COUNTED)))
        counts = np.empty(5)

        def at(values: FloatArray) -> Any:
            return values.ctypes.data_as(ctypes.POINTER(ctypes.c_double))

        seconds = self._library.bench_run(
            at(given), ctypes.c_size_t(len(given)), at(told), at(operations)
        )
        self._library.bench_counts(at(counts))
        names = ("taken", "refused", "impossible", "clocks_set", "begun_anew")
        return NativeRun(
            pd.DataFrame(told, columns=list(TOLD)),
            operations,
            float(seconds),
            {name: int(value) for name, value in zip(names, counts, strict=True)},
        )
