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

if TYPE_CHECKING:
    from matplotlib.figure import Figure

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
        With ``quick``, ``seeds``, ``jobs`` and ``out``.
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

    Parameters
    ----------
    function : callable
        Takes one task: a tuple is unpacked, a mapping is passed as keywords, anything else is the
        only argument. Returns a row (dict), a list of rows, or anything else.
    tasks : iterable
        Each holds its own seed, so the answer does not depend on ``--jobs``.
    chosen : argparse.Namespace
        The options; ``jobs`` is used.
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
    produced = Parallel(n_jobs=chosen.jobs, return_as="generator")(
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
        Saved as PNG and SVG.
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
        figure.savefig(folder / f"{name}.png", dpi=150, bbox_inches="tight")
        figure.savefig(folder / f"{name}.svg", bbox_inches="tight")
    print(text)
    print(f"\nWritten to {folder}/", file=sys.stderr)


def figure(rows: int = 1, columns: int = 1, width: float = 9.0, height: float = 3.2) -> Any:
    """A figure and its axes, drawn without a display.

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
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    return plt.subplots(
        rows,
        columns,
        figsize=(width, height * rows),
        squeeze=False,
        sharex="col",
        layout="constrained",
    )


def _positive(text: str) -> int:
    value = int(text)
    if value < 1:
        raise argparse.ArgumentTypeError(f"must be at least 1, not {text}")
    return value
