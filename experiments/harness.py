"""The one small harness that the experiments share.

An experiment is a script with a docstring (question, method, expected answer, source), a function
that does one task and returns a row or a list of rows, and a ``main`` such as::

    options = harness.options(__doc__, seeds=100)
    rows = harness.run(one_drive, tasks, options, label="drives")
    table = pd.DataFrame(rows)
    harness.write(options, "coverage", table, figure=plot(table))

Results go to ``--out`` as CSV, PNG and SVG; the table is printed as Markdown. Nothing here knows
what is studied.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from loadlearn.figures import save, style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLOURS = (
    *(style.BLUE, style.VERMILION, style.BLUISH_GREEN, style.ORANGE),
    *(style.REDDISH_PURPLE, style.SKY_BLUE, style.GREY, style.BLACK),
)

# Worker processes share two cores with each other: one thread each.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")


def parser(doc: str | None, *, seeds: int = 20, quick_seeds: int = 2) -> argparse.ArgumentParser:
    """The command-line options that every experiment has.

    Parameters
    ----------
    doc : str or None
        The script's docstring, shown by ``--help``.
    seeds : int
        Default number of random repetitions.
    quick_seeds : int
        Number of repetitions under ``--quick``.

    Returns
    -------
    argparse.ArgumentParser
        To which an experiment may add its own options.
    """
    name = Path(sys.argv[0]).stem
    made = argparse.ArgumentParser(
        description=doc, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    made.add_argument("--quick", action="store_true", help="a small run that shows it works")
    made.add_argument(
        "--seeds", type=_positive, default=None, metavar="N", help=f"repetitions (default {seeds})"
    )
    made.add_argument("--jobs", type=_positive, default=1, metavar="N", help="worker processes")
    made.add_argument(
        "--threads", action="store_true", help="let the workers be threads of one process"
    )
    made.add_argument(
        "--out",
        type=Path,
        default=Path("results") / name,
        metavar="DIR",
        help="where the results go (default %(default)s)",
    )
    made.set_defaults(default_seeds=seeds, quick_seeds=quick_seeds)
    return made


def parse(made: argparse.ArgumentParser, argv: Sequence[str] | None = None) -> argparse.Namespace:
    """Parse, and settle the number of seeds.

    Parameters
    ----------
    made : argparse.ArgumentParser
        From :func:`parser`.
    argv : sequence of str, optional
        Arguments; those of the process when absent.

    Returns
    -------
    argparse.Namespace
        With ``quick``, ``seeds``, ``jobs``, ``threads`` and ``out``.
    """
    chosen = made.parse_args(argv)
    if chosen.seeds is None:
        chosen.seeds = chosen.quick_seeds if chosen.quick else chosen.default_seeds
    return chosen


def options(
    doc: str | None, *, seeds: int = 20, quick_seeds: int = 2, argv: Sequence[str] | None = None
) -> argparse.Namespace:
    """:func:`parser` and :func:`parse` in one, for an experiment without options of its own.

    Parameters
    ----------
    doc, seeds, quick_seeds
        As in :func:`parser`.
    argv : sequence of str, optional
        As in :func:`parse`.

    Returns
    -------
    argparse.Namespace
    """
    return parse(parser(doc, seeds=seeds, quick_seeds=quick_seeds), argv)


def run(
    function: Callable[..., Any],
    tasks: Iterable[Any],
    chosen: argparse.Namespace,
    label: str = "tasks",
) -> list[Any]:
    """Call ``function`` on every task, in worker processes when asked, with a progress bar.

    Simulator and estimator let go of Python's lock while they compute, so that threads serve, too,
    and compile and load the libraries once; what draws figures needs processes.

    Parameters
    ----------
    function : callable
        Takes one task: a tuple is unpacked, a mapping is passed as keywords, anything else is the
        only argument. Returns a row (dict), a list of rows, or anything else.
    tasks : iterable
        Each holds its own seed, so the answer does not depend on ``--jobs``.
    chosen : argparse.Namespace
        The options; ``jobs`` and ``threads`` are used.
    label : str
        What the tasks are, for the progress bar.

    Returns
    -------
    list
        Results in the order of the tasks, lists of rows joined into one.
    """
    from joblib import Parallel, delayed

    todo = list(tasks)
    results: list[Any] = []
    kind = "threads" if getattr(chosen, "threads", False) else None
    produced = Parallel(n_jobs=chosen.jobs, prefer=kind, return_as="generator")(
        delayed(_call)(function, task) for task in todo
    )
    bar = Progress(len(todo), label)
    for result in produced:
        results.extend(result) if isinstance(result, list) else results.append(result)
        bar.advance()
    bar.close()
    return results


def _call(function: Callable[..., Any], task: Any) -> Any:
    if isinstance(task, dict):
        return function(**task)
    if isinstance(task, tuple):
        return function(*task)
    return function(task)


class Progress:
    """A progress bar on stderr; silent when that is not a terminal.

    Parameters
    ----------
    total : int
        Number of steps.
    label : str
        What is counted.
    """

    def __init__(self, total: int, label: str) -> None:
        self.total, self.label, self.done = total, label, 0
        self.started = time.monotonic()
        self.shown = sys.stderr.isatty() and total > 1

    def advance(self) -> None:
        """One more step is done."""
        self.done += 1
        if not self.shown:
            return
        elapsed = time.monotonic() - self.started
        left = elapsed / self.done * (self.total - self.done)
        filled = 30 * self.done // self.total
        bar = "#" * filled + "-" * (30 - filled)
        sys.stderr.write(f"\r[{bar}] {self.done}/{self.total} {self.label}, {left:.0f} s left ")
        sys.stderr.flush()

    def close(self) -> None:
        """Clear the line."""
        if self.shown:
            sys.stderr.write("\r" + " " * 78 + "\r")
            sys.stderr.flush()


def markdown(table: pd.DataFrame, digits: int = 4) -> str:
    """A data frame as a Markdown table, index left out.

    Parameters
    ----------
    table : DataFrame
        What to show.
    digits : int
        Significant digits of floats.

    Returns
    -------
    str
    """

    def cell(value: Any) -> str:
        if isinstance(value, float):
            if value != value:
                return "–"
            return f"{value:.0f}" if abs(value) >= 10**digits else f"{value:.{digits}g}"
        return str(value)

    names = [str(name) for name in table.columns]
    right = [pd.api.types.is_numeric_dtype(kind) for kind in table.dtypes]
    rule = ["---:" if numeric else ":---" for numeric in right]
    rows = [[cell(value) for value in row] for row in table.itertuples(index=False)]
    return "\n".join("| " + " | ".join(line) + " |" for line in [names, rule, *rows])


def write(
    chosen: argparse.Namespace,
    name: str,
    table: pd.DataFrame,
    figure: Figure | None = None,
    details: pd.DataFrame | None = None,
    digits: int = 4,
) -> None:
    """Write the results to ``--out`` and print the table.

    Parameters
    ----------
    chosen : argparse.Namespace
        The options; ``out`` is used.
    name : str
        Stem of the files: ``NAME.csv``, ``NAME.md``, ``NAME.png``, ``NAME.svg``.
    table : DataFrame
        The answer, printed as Markdown.
    figure : matplotlib Figure, optional
        Saved as PNG and SVG, in the package's style; a panel without data says so, and a quick run
        says that it is one.
    details : DataFrame, optional
        All rows behind the table, saved as ``NAME_rows.csv``.
    digits : int
        Significant digits in the printed table.
    """
    folder = Path(chosen.out)
    folder.mkdir(parents=True, exist_ok=True)
    table.to_csv(folder / f"{name}.csv", index=False)
    if details is not None:
        details.to_csv(folder / f"{name}_rows.csv", index=False)
    text = markdown(table, digits)
    (folder / f"{name}.md").write_text(text + "\n", encoding="utf-8")
    if figure is not None:
        _finish(figure, chosen)
        for ending in ("png", "svg"):
            save(figure, folder / f"{name}.{ending}", 150)
    print(text)
    print(f"\nWritten to {folder}/", file=sys.stderr)


def figure(rows: int = 1, columns: int = 1, width: float = 9.0, height: float = 3.2) -> Any:
    """A figure and its axes in the package's colours, drawn without a display.

    Parameters
    ----------
    rows, columns : int
        Of panels, sharing the horizontal axis within a column.
    width, height : float
        Width of the figure and height of one row (inches).

    Returns
    -------
    figure, axes : Figure, ndarray of Axes
        ``axes`` is always two-dimensional.
    """
    made = style.new_figure(width, height * rows)
    axes = made.subplots(rows, columns, squeeze=False, sharex="col")
    for panel in axes.ravel():
        panel.set_prop_cycle(color=COLOURS)
    return made, axes


def signed_log(axes: Axes, linear_to: float, most: float) -> None:
    """A vertical axis of errors: linear about zero, logarithmic beyond, in plain numbers.

    Parameters
    ----------
    axes : Axes
    linear_to : float
        Where the logarithmic parts begin.
    most : float
        Largest size that is shown.
    """
    axes.set_yscale("symlog", linthresh=linear_to)
    sizes = [step * decade for decade in (0.1, 1.0, 10.0, 100.0) for step in (1.0, 2.0, 5.0)]
    sizes = [size for size in sizes if 0.45 * linear_to <= size <= max(most, linear_to)]
    ticks = [-size for size in reversed(sizes)] + [0.0, *sizes]
    axes.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.minorticks_off()
    axes.set_ylim(-1.1 * most, 1.1 * most)


def _finish(figure: Figure, chosen: argparse.Namespace) -> None:
    """One look; and what a figure cannot show, it says."""
    for axes in figure.axes:
        if not axes.axison:
            continue
        axes.grid(not axes.images, **({} if axes.images else {"color": "#DDDDDD", "lw": 0.6}))
        axes.set_axisbelow(True)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        if not _shows_data(axes):
            words = "nothing to show in this run"
            axes.text(0.5, 0.5, words, transform=axes.transAxes, ha="center", va="center")
    if chosen.quick:
        # Above, where nothing else stands; else below.
        say = figure.supxlabel if figure.get_suptitle() else figure.suptitle
        say(
            f"quick run of {chosen.seeds} {'repetition' if chosen.seeds == 1 else 'repetitions'}: "
            "it shows that this works, not how well",
            fontsize=8,
            color=style.VERMILION,
        )


def _shows_data(axes: Axes) -> bool:
    """Whether anything but a line of reference is drawn."""
    import numpy as np

    for line in axes.lines:
        held = np.isfinite(np.asarray(line.get_ydata(), dtype=float)).sum()
        if held > 2 or (held > 0 and not str(line.get_label()).startswith("_")):
            return True
        if held > 0 and line.get_marker() not in ("None", "", None):
            return True
    points = [np.ma.filled(one.get_offsets(), np.nan) for one in axes.collections]
    return bool(axes.containers or axes.images) or any(np.isfinite(one).any() for one in points)


def _positive(text: str) -> int:
    value = int(text)
    if value < 1:
        raise argparse.ArgumentTypeError(f"must be at least 1, not {text}")
    return value
