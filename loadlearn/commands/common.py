"""What every command shares: options, exit statuses, errors as sentences, progress, tables.

Imports nothing heavy: ``loadlearn --help`` reads this file.
"""

import contextlib
import inspect
import io
import os
import sys
import threading
from collections.abc import Callable, Iterator
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from loadlearn.errors import InputError, printable

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console
    from rich.table import Table

    from loadlearn.memory.vehicle_file import VehicleFile
    from loadlearn.memory.vehicle_memory import Remembered
    from loadlearn.vehicle.rig import Rig

DONE, DOUBTFUL, UNUSABLE, OUR_FAULT, INTERRUPTED = 0, 1, 2, 3, 130

CAUTION = (
    "An estimate, not a weighing: it says nothing of ball weight, axle loads, hitch or sway and "
    "never replaces a weighbridge."
)
CAUTION_ADVICE = (
    "Recommendations for test, within the maker's ratings; local rules and licensed practice "
    "decide. Nobody reads a screen while driving."
)

Log = Annotated[
    Path, typer.Argument(metavar="LOG", help="Drive log: .csv, .csv.gz, .parquet or .mf4.")
]
RigFile = Annotated[Path, typer.Option("--rig", metavar="RIG", help="Rig file (TOML).")]
RigOrVehicle = Annotated[
    Path | None,
    typer.Option("--rig", metavar="RIG", help="Rig file (TOML); not needed with --vehicle."),
]
Vehicle = Annotated[
    Path | None,
    typer.Option(
        "--vehicle",
        metavar="FILE",
        help="Start from what is remembered of the vehicle (loadlearn remember).",
    ),
]
OutFolder = Annotated[
    Path, typer.Option("--out", metavar="DIR", help="Folder for the outputs; made if missing.")
]
Force = Annotated[bool, typer.Option("--force", help="Replace this command's own earlier outputs.")]
Channels = Annotated[
    Path | None,
    typer.Option("--channels", metavar="FILE", help="Channel map (TOML) for foreign column names."),
]
NoFigure = Annotated[bool, typer.Option("--no-figure", help="Write no figure.")]
Every = Annotated[
    float,
    typer.Option(
        "--every",
        metavar="SECONDS",
        min=0.0,
        help="Interval of the rows in CSV files; 0 keeps every sample.",
    ),
]
Jobs = Annotated[int, typer.Option("--jobs", metavar="N", min=1, help="Worker processes.")]
Scheduler = Annotated[
    str | None,
    typer.Option(
        "--scheduler",
        metavar="ADDRESS",
        help="Of a Dask scheduler whose workers do the work, in place of --jobs.",
    ),
]
_Debug = Annotated[bool, typer.Option("--debug", help="Show the traceback of an error.")]


def command_name(command: Callable[..., int | None]) -> str:
    """What the user types for a command: its function's name."""
    return command.__name__.removesuffix("_command").replace("_", "-")


def register(app: typer.Typer, command: Callable[..., int | None], name: str | None = None) -> None:
    """Add a command to the program.

    Parameters
    ----------
    app : typer.Typer
        The program.
    command : callable
        Its signature gives the options, its docstring the help. It returns the exit status (None
        is 0), raises :class:`~loadlearn.errors.InputError` for what the user can mend, and gets
        ``--debug`` from here.
    name : str, optional
        What the user types; default the function's name.
    """

    @wraps(command)
    def guarded(*args: Any, debug: bool = False, **kwargs: Any) -> None:
        status = run_guarded(lambda: command(*args, **kwargs), debug=debug)
        if status != DONE:
            raise typer.Exit(status)

    signature = inspect.signature(command, eval_str=True)
    option = inspect.Parameter(
        "debug", inspect.Parameter.KEYWORD_ONLY, default=False, annotation=_Debug
    )
    parameters = [*signature.parameters.values(), option]
    guarded.__signature__ = signature.replace(parameters=parameters)  # type: ignore[attr-defined]
    guarded.__annotations__ = {p.name: p.annotation for p in parameters}
    # One line per paragraph: the terminal's width breaks it, not the source's.
    paragraphs = (inspect.getdoc(command) or "").split("\n\n")
    text = "\n\n".join(" ".join(paragraph.split()) for paragraph in paragraphs)
    app.command(name or command_name(command), help=text)(guarded)


def run_guarded(work: Callable[[], int | None], *, debug: bool = False) -> int:
    """Run a command's body; whatever happens becomes an exit status and at most one sentence.

    Parameters
    ----------
    work : callable
        Returns the exit status, or None for 0.
    debug : bool
        Whether a traceback is printed as well.

    Returns
    -------
    int
        0, 1, 2, 3 or 130.
    """
    try:
        return work() or DONE
    except InputError as error:
        return _say(str(error), UNUSABLE, debug)
    except KeyboardInterrupt:
        return _say("interrupted; no output was left half-written", INTERRUPTED, debug)
    except (typer.Exit, typer.Abort):
        raise
    except Exception as error:
        what = " ".join(str(error).split()) or "no message"
        sentence = (
            f"this is a fault of loadlearn itself, not of your input ({type(error).__name__}: "
            f"{what[:300]}); run again with --debug and send the traceback to its developers"
        )
        return _say(sentence, OUR_FAULT, debug)


def _say(sentence: str, status: int, debug: bool) -> int:
    if debug:
        import traceback

        traceback.print_exc()
    text = printable(" ".join(sentence.split()))
    sys.stderr.write(f"loadlearn: {text}\n")
    return status


class _Unbreakable(io.FileIO):
    """A standard stream whose reader may be gone: what cannot be written is dropped."""

    def write(self, data: Any) -> int:
        try:
            return super().write(data)
        except OSError:
            return len(data)


def settle_streams() -> None:
    """See to it that what is printed, and to whom, never decides a command's exit status.

    A stream that was closed is opened on nothing, so that no output file gets its number; one whose
    reader leaves (``head``), or whose disk is full, drops what it is given.
    """
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest free number, which is this one
    for name, number in (("stdout", 1), ("stderr", 2)):
        stream = getattr(sys, name)
        if stream is None or isinstance(stream, io.TextIOWrapper):
            raw = _Unbreakable(number, "w", closefd=False)
            made = io.TextIOWrapper(
                io.BufferedWriter(raw),
                encoding=stream.encoding if stream is not None else "utf-8",
                errors="replace",  # a terminal that lacks ± shows something else
                line_buffering=number == 2 or raw.isatty(),
            )
            setattr(sys, name, made)


def console() -> "Console":
    """A console on stdout for tables; plain text where stdout is not a terminal.

    Returns
    -------
    rich.console.Console
        At least 80 columns wide when it is not a terminal, so that no cell is cut.
    """
    from rich.console import Console

    class Plain(Console):
        """Words from files do nothing to the terminal."""

        def render_str(self, text: str, **options: Any) -> Any:
            return super().render_str(printable(text), **options)

    # Words from files are printed as they are: brackets and colons in them mean nothing.
    as_they_are: dict[str, Any] = {"markup": False, "emoji": False, "highlight": False}
    if sys.stdout.isatty():
        return Plain(**as_they_are)
    return Plain(width=max(100, _columns()), color_system=None, **as_they_are)


def new_table(*headings: str, title: str | None = None) -> "Table":
    """A table whose first column is words and whose others are numbers.

    Parameters
    ----------
    *headings : str
        Of the columns.
    title : str, optional
    """
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, title=title, title_justify="left")
    for place, heading in enumerate(headings):
        # Names of files are broken rather than cut.
        table.add_column(heading, justify="right" if place else "left", overflow="fold")
    return table


def _columns() -> int:
    with contextlib.suppress(ValueError):
        return int(os.environ.get("COLUMNS", ""))
    return 0


class Progress:
    """A bar or spinner on stderr, shown once the work has lasted two seconds.

    Use it as :func:`progress` gives it.
    """

    def __init__(self, label: str, total: int | None) -> None:
        self._bar: Any = None
        self._task: Any = None
        self._label, self._total, self._done = label, total, 0
        self._lock = threading.Lock()

    def stage(self, label: str) -> None:
        """Name what is being done now."""
        with self._lock:
            self._label = label
            if self._bar is not None:
                self._bar.update(self._task, description=label)

    def at(self, done: int, total: int) -> None:
        """Say how many steps of how many are done."""
        with self._lock:
            self._done, self._total = done, total
            if self._bar is not None:
                self._bar.update(self._task, completed=done, total=total)

    def advance(self, steps: int = 1) -> None:
        """Count finished steps."""
        with self._lock:
            self._done += steps
            if self._bar is not None:
                self._bar.update(self._task, completed=self._done)

    def _show(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, SpinnerColumn, TextColumn, TimeElapsedColumn
        from rich.progress import Progress as Bar
        from rich.progress import TimeRemainingColumn as Left

        columns: list[Any] = [SpinnerColumn(), TextColumn("{task.description}")]
        if self._total is not None:
            columns += [BarColumn(), TextColumn("{task.completed}/{task.total}, left"), Left()]
        with self._lock:
            self._bar = Bar(
                *columns, TimeElapsedColumn(), console=Console(stderr=True), transient=True
            )
            self._task = self._bar.add_task(self._label, total=self._total, completed=self._done)
            self._bar.start()

    def _hide(self) -> None:
        with self._lock:
            if self._bar is not None:
                self._bar.stop()
                self._bar = None


@contextlib.contextmanager
def progress(label: str, total: int | None = None, after_s: float = 2.0) -> Iterator[Progress]:
    """Show progress on stderr while the block runs; silent where stderr is not a terminal.

    Parameters
    ----------
    label : str
        What is being done.
    total : int, optional
        Number of steps; without it a spinner stands for the bar.
    after_s : float
        Quicker work shows nothing (s).

    Yields
    ------
    Progress
        With ``stage(label)`` and ``advance()``.
    """
    shown = Progress(label, total)
    timer = threading.Timer(after_s, shown._show)
    timer.daemon = True
    if sys.stderr.isatty():
        timer.start()
    try:
        yield shown
    finally:
        timer.cancel()
        if timer.is_alive():
            timer.join()
        shown._hide()


def exceeded_lines(exceeded: list[dict[str, Any]]) -> list[str]:
    """One line per channel that passed its limit, however often it did.

    Parameters
    ----------
    exceeded : list of dict
        ``channel``, ``limit``, ``start_s``, ``end_s`` and ``peak`` of each time.
    """
    groups: dict[tuple[str, float], list[dict[str, Any]]] = {}
    for one in exceeded:
        groups.setdefault((one["channel"], one["limit"]), []).append(one)
    lines = []
    for (channel, limit), cases in groups.items():
        first, last = cases[0]["start_s"], cases[-1]["end_s"]
        when = f"from {first:.0f} s to {last:.0f} s"
        if len(cases) > 1:
            seconds = sum(one["end_s"] - one["start_s"] for one in cases)
            when = (
                f"{len(cases)} times between {first:.0f} and {last:.0f} s, {seconds:.0f} s in all"
            )
        lines.append(
            f"{channel} above {limit:g} {when}, peak {max(one['peak'] for one in cases):.0f}"
        )
    return lines


def plus_minus(value: dict[str, Any], decimals: int, unit: str = "") -> str:
    """A quantity of a summary as ``mean (low to high) unit``.

    Parameters
    ----------
    value : dict
        ``{mean, sd, interval95: [low, high]}``.
    decimals : int
        Decimals shown.
    unit : str
        Appended after a space.
    """
    low, high = value["interval95"]
    text = f"{value['mean']:,.{decimals}f}  ({low:,.{decimals}f} to {high:,.{decimals}f})"
    return f"{text} {unit}".rstrip()


WeighedMassSd = Annotated[
    float | None,
    typer.Option(
        "--weighed-mass-sd", metavar="KG", help="How sure that is; default 1 % of it.", min=0.0
    ),
]


def strategy_inputs(spec: Path | str, role: str) -> dict[str, Path]:
    """The files that a strategy is read from, by their role in the provenance.

    Parameters
    ----------
    spec : path or str
        A strategy file, or a rule of one's own.
    role : str
        Of the first file; further ones are its parts.
    """
    from loadlearn.policy.strategy_file import strategy_files

    return {
        role + (f"_part_{number + 1}" if number else ""): path
        for number, path in enumerate(strategy_files(spec))
    }


def read_rig(
    rig: Path | str | None, vehicle: Path | str | None
) -> tuple["Rig", "VehicleFile | None"]:
    """The rig as its owner describes it, and what is remembered of the vehicle.

    Parameters
    ----------
    rig : path, optional
        Rig file; with a vehicle file, it must be the one that the memory began from.
    vehicle : path, optional
        Vehicle file.

    Raises
    ------
    InputError
        Neither is given, one cannot be read, or they do not belong together.
    """
    from loadlearn.vehicle.rig import Rig

    if vehicle is None:
        if rig is None:
            raise InputError("give the rig file with --rig, or a vehicle file with --vehicle")
        return Rig.from_toml(rig), None
    from loadlearn.memory.vehicle_file import VehicleFile

    memory = VehicleFile.read(vehicle)
    if rig is None:
        return memory.own_rig, memory
    the_rig = Rig.from_toml(rig)
    memory.check_rig(the_rig, vehicle)
    return the_rig, memory


def start_from(
    rig: "Rig", memory: "VehicleFile | None", trace: "pd.DataFrame"
) -> tuple["Rig", "Remembered | None"]:
    """The rig that an estimate starts from, and what of it is remembered.

    Parameters
    ----------
    rig : Rig
        From :func:`read_rig`.
    memory : VehicleFile or None
    trace : DataFrame
        The drive in question: where it is remembered itself, the others count.

    Returns
    -------
    Rig
    Remembered or None
        For the summary, without a memory None.
    """
    if memory is None:
        return rig, None
    from loadlearn.memory.drive_record import content_hash
    from loadlearn.memory.vehicle_memory import remembered_rig, what_is_known

    this = content_hash(trace)
    known = what_is_known(memory, leaving=this)
    scale = known.tractive_scale
    return remembered_rig(known, rig), {
        "drives": len(known.counted),
        "without_this_drive": any(one.hash == this for one in memory.drives),
        "tractive_scale": {"mean": scale.mean, "sd": scale.mean * scale.sd},
        "findings": list(known.findings),
        "notes": list(known.notes),
    }


def remembered_lines(remembered: "Remembered | None") -> list[str]:
    """What a command says of the memory that it started from.

    Parameters
    ----------
    remembered : Remembered or None
        From :func:`start_from`.
    """
    if remembered is None:
        return []
    scale = remembered["tractive_scale"]
    itself = ", this one left aside" if remembered["without_this_drive"] else ""
    return [
        f"started from {remembered['drives']} remembered drives{itself}: tractive scale "
        f"{scale['mean']:.3f} ± {scale['sd']:.3f}",
        *(f"note: remembered: {one}" for one in remembered["findings"]),
    ]
