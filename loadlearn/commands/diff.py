"""``loadlearn diff``: what two strategy files differ in."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from loadlearn.commands.common import DONE, Force, NoFigure, console, new_table

if TYPE_CHECKING:
    from loadlearn.policy.strategy_diff import StrategyDiff

OWN_FILES = ("diff.csv", "diff.png", "diff.json")

Before = Annotated[Path, typer.Argument(metavar="A", help="Strategy file before.")]
After = Annotated[Path, typer.Argument(metavar="B", help="Strategy file after.")]
Out = Annotated[
    Path | None,
    typer.Option("--out", metavar="DIR", help="Folder for the outputs; none: only printed."),
]
RollingResistance = Annotated[
    float | None,
    typer.Option(
        "--rolling-resistance",
        metavar="C",
        min=0.001,
        max=1.0,
        help="Of the picture; default that of the largest change.",
    ),
]
Speed = Annotated[
    float | None,
    typer.Option(
        "--speed",
        metavar="M/S",
        min=0.1,
        max=60.0,
        help="Of the picture; default that of the largest change.",
    ),
]


def run_diff(
    before: Path | str,
    after: Path | str,
    out: Path | str | None = None,
    *,
    rolling_resistance: float | None = None,
    speed_m_s: float | None = None,
    force: bool = False,
    figure: bool = True,
) -> StrategyDiff:
    """Compare two strategy files, and write what changed if a folder is given.

    Parameters
    ----------
    before, after : path
        Strategy files.
    out : path, optional
        Folder for the outputs.
    rolling_resistance, speed_m_s : float, optional
        Where the maps are drawn; default where the largest change is.
    force : bool
        Whether this command's own earlier outputs may be replaced.
    figure : bool
        Whether ``diff.png`` is drawn.

    Raises
    ------
    InputError
        A file or the output place cannot be used; nothing has then been written.
    """
    from loadlearn.outputs import OutputFolder, provenance, write_csv, write_json
    from loadlearn.policy.strategy_diff import diff_strategies
    from loadlearn.policy.strategy_file import read_strategy, strategy_files

    files = {"before": Path(before), "after": Path(after)}
    found = diff_strategies(*(read_strategy(path) for path in files.values()))
    if out is None:
        return found
    with OutputFolder(Path(out), own=OWN_FILES, mark="diff.json", force=force) as outputs:
        write_csv(outputs.path("diff.csv"), found.to_frame(), round_numbers=False)
        if figure:
            from loadlearn.figures.draw_strategy import draw_diff
            from loadlearn.figures.style import save

            maps = draw_diff(
                found,
                rolling_resistance=rolling_resistance,
                speed_m_s=speed_m_s,
                names=(files["before"].name, files["after"].name),
            )
            save(maps, outputs.path("diff.png"))
        inputs: dict[str, Path | None] = {}
        for role, path in files.items():
            inputs |= zip((role, f"{role}_table"), strategy_files(path), strict=False)
        options = {"rolling_resistance": rolling_resistance, "speed_m_s": speed_m_s}
        document = {**found.to_dict(), "provenance": provenance("diff", inputs, options)}
        write_json(outputs.path("diff.json"), document)
    return found


def diff(
    before: Before,
    after: After,
    out: Out = None,
    rolling_resistance: RollingResistance = None,
    speed: Speed = None,
    force: Force = False,
    no_figure: NoFigure = False,
) -> int:
    """Tell what changed from one strategy file to another.

    Per setting: cells changed, mean and largest change and where; then every key that differs in
    share limits, protections, rig and how they were made. Different grids are compared at the
    points of both. With --out also diff.csv (the changed cells), diff.json and diff.png (before,
    after and difference).

    Example: loadlearn diff old.toml new.toml --out changes
    """
    from loadlearn.policy.strategy_diff import sentences

    found = run_diff(
        before,
        after,
        out,
        rolling_resistance=rolling_resistance,
        speed_m_s=speed,
        force=force,
        figure=not no_figure,
    )
    shown = console()
    for sentence in sentences(found):
        shown.print(sentence)
    if found.keys:
        table = new_table("key", "before", "after")
        for one in found.keys:
            table.add_row(one.key, _told(one.before), _told(one.after))
        shown.print(table)
    else:
        shown.print("no other key differs")
    if out is not None:
        shown.print(f"written to {out}")
    return DONE


def _told(value: Any) -> str:
    if value is None:
        return "–"
    if isinstance(value, list):
        return ", ".join(map(_told, value))
    return f"{value:.9g}" if isinstance(value, float) else str(value)
