"""``loadlearn compare``: one road driven in closed loop under several strategies."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from loadlearn.commands.common import (
    CAUTION_ADVICE,
    DONE,
    DOUBTFUL,
    Force,
    NoFigure,
    OutFolder,
    WeighedMassSd,
    console,
    new_table,
    progress,
    strategy_inputs,
)
from loadlearn.simulation.shown_quantities import SHOWN

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from loadlearn.simulation.comparison import Comparison
    from loadlearn.simulation.situation import Situation
    from loadlearn.vehicle.rig import Rig

OWN_FILES = (
    "comparison.csv",
    "comparison_pareto.png",
    "comparison_traces.png",
    "sheet.csv",
    "traces.parquet",
    "traces.mf4",
    "comparison.json",
)


@dataclass(frozen=True)
class CompareRun:
    """What :func:`run_compare` computed and wrote.

    Attributes
    ----------
    folder : Path
        Where the files lie.
    result : Comparison
    summary : dict
        The content of ``comparison.json``.
    status : int
        0, or 1 when a row of the sheet fails or a recorded limit was exceeded for more than 2 s.
    """

    folder: Path
    result: Comparison
    summary: dict[str, Any]
    status: int


def run_compare(
    rig: Path | str | Sequence[Path | str],
    road: Path | str,
    out: Path | str,
    *,
    draws: int = 12,
    seed: int = 0,
    mass_kg: float | None = None,
    weighed_mass_kg: float | None = None,
    weighed_mass_sd_kg: float | None = None,
    retention: float | None = None,
    strategies: Sequence[Path | str] = (),
    jobs: int = 1,
    every_s: float = 1.0,
    mdf: bool = False,
    force: bool = False,
    figure: bool = True,
    on_draw: Callable[[], None] | None = None,
) -> CompareRun:
    """Drive one road under every strategy, and write the outputs.

    Parameters
    ----------
    rig : path or sequence of path
        Rig file, or several to be compared on the same road with the same draws.
    road : path
        Road file, TOML or CSV.
    out : path
        Folder for the outputs.
    draws, seed : int
        Draws of vehicle, wind and sensor noise, and the first one's seed.
    mass_kg : float, optional
        True combined mass; when absent nine tenths of GCM, or of the towing rating, of the first
        rig.
    weighed_mass_kg, weighed_mass_sd_kg : float, optional
        What the estimator is told of the mass at the start.
    retention : float, optional
        Power retention of ``fixed_share``.
    strategies : sequence of path or str
        Strategy files, or rules of one's own as ``rules.py:function``, compared beside the
        built-in ones.
    jobs : int
        Worker processes.
    every_s : float
        Interval of the traces (s).
    mdf : bool
        Whether the traces are also written as MDF 4.
    force : bool
        Whether this command's own earlier outputs may be replaced.
    figure : bool
        Whether the figures are drawn.
    on_draw : callable, optional
        Called after each draw of each rig.

    Raises
    ------
    InputError
        An input or the output place cannot be used; nothing has then been written.
    """
    from loadlearn.log.mdf_writer import check_mdf_writer, write_mdf
    from loadlearn.outputs import OutputFolder, provenance, write_csv, write_json, write_parquet
    from loadlearn.simulation.comparison import compare_strategies
    from loadlearn.simulation.comparison_notes import comparison_notes
    from loadlearn.simulation.paired_differences import summarise
    from loadlearn.simulation.roadfile import read_road
    from loadlearn.simulation.situation import situation

    given = [rig] if isinstance(rig, str | Path) else list(rig)
    files, road = [Path(one) for one in given], Path(road)
    outputs = OutputFolder(Path(out), own=OWN_FILES, mark="comparison.json", force=force)
    outputs.check()
    if mdf:
        check_mdf_writer()
    laid_road = read_road(road)
    whats: list[Situation] = []
    for name, one in _named_rigs(files).items():
        whats.append(
            situation(
                one,
                laid_road,
                whats[0].combined_mass_kg if whats and mass_kg is None else mass_kg,
                retention,
                weighed_mass_kg=weighed_mass_kg,
                weighed_mass_sd_kg=weighed_mass_sd_kg,
                rig_name=name,
                strategies=strategies,
            )
        )
    result = compare_strategies(whats, draws, seed, jobs, on_draw, every_s)
    summary = summarise(result)
    summary["notes"] = comparison_notes(result)
    summary["caution"] = CAUTION_ADVICE
    options = {
        "draws": draws,
        "mass_kg": whats[0].combined_mass_kg,
        "weighed_mass_kg": weighed_mass_kg,
        "weighed_mass_sd_kg": weighed_mass_sd_kg,
        "retention": retention,
        "strategies": [str(one) for one in strategies],
        "every_s": every_s,
        "figure": figure,
    }
    roles: dict[str, Path | None] = {
        "rig" if not number else f"rig_{number + 1}": path for number, path in enumerate(files)
    }
    for number, own in enumerate(strategies):
        roles |= strategy_inputs(own, f"strategy_{number + 1}")
    summary["provenance"] = provenance("compare", roles | {"road": road}, options, {"seed": seed})
    with outputs:
        write_csv(outputs.path("comparison.csv"), result.table)
        write_csv(outputs.path("sheet.csv"), _sheet_table(summary["sheet"]))
        write_parquet(outputs.path("traces.parquet"), result.traces)
        if mdf:
            write_mdf(outputs.path("traces.mf4"), result.traces, ("draw", "strategy"))
        if figure:
            from loadlearn.figures.draw_comparison import draw_pareto, draw_traces
            from loadlearn.figures.style import save

            save(draw_pareto(result, summary), outputs.path("comparison_pareto.png"))
            save(draw_traces(result, summary), outputs.path("comparison_traces.png"))
        write_json(outputs.path("comparison.json"), summary)
    failed = any(row["verdict"] == "fail" for row in summary["sheet"])
    status = DOUBTFUL if failed or summary["limits_exceeded"] else DONE
    return CompareRun(Path(out), result, summary, status)


def _sheet_table(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """The sheet as a table for people: without how many decimals are worth showing."""
    import pandas as pd

    return pd.DataFrame(rows).drop(columns="decimals")


def _named_rigs(files: Sequence[Path]) -> dict[str, Rig]:
    """Rigs by a name that tells them apart: their own, else their file's, else a number."""
    from loadlearn.vehicle.rig import Rig

    rigs = [Rig.from_toml(path) for path in files]
    for names in (
        [rig.name for rig in rigs],
        [path.stem for path in files],
        [f"rig {number + 1}" for number in range(len(files))],
    ):
        if len(set(names)) == len(names):
            return dict(zip(names, rigs, strict=True))
    raise AssertionError("numbers differ")


def print_comparison(run: CompareRun) -> None:
    """Print the sheet of limits, the results, the paired differences, and the limits exceeded."""
    out, summary = console(), run.summary
    out.print(
        f"{summary['rig']} on {summary['road']}: {summary['combined_mass_kg']:,.0f} kg, "
        f"{_counted(len(summary['climbs']), 'climb')}, {_counted(summary['draws'], 'draw')}, "
        "the same for every strategy"
    )
    for note in summary["notes"]:
        out.print(f"note: {note}", markup=False)
    for rig in summary["rigs"]:
        several = len(summary["rigs"]) > 1
        here = {name: one for name, one in summary["strategies"].items() if one["rig"] == rig}
        _print_means(out, here, rig if several else "")
        _print_results(out, summary, rig, several)
    _print_differences(out, summary, run.result)
    ratio = summary["share_of_known_gain"].get("climb_power_kw", {"mean": float("nan")})
    if ratio["mean"] == ratio["mean"]:
        low, high = ratio["interval95"]
        out.print(
            f"of the climb power that known_load gains over base, learnt_load gains "
            f"{100 * ratio['mean']:.0f} % ({100 * low:.0f} to {100 * high:.0f} %)"
        )
    _print_sheet(out, summary)
    for line in _limit_lines(summary["limits_exceeded"]):
        out.print(f"WARNING: {line}")
    out.print(CAUTION_ADVICE)
    out.print(f"written to {run.folder}")


def _plain(label: str, several: bool) -> str:
    return (label.split(": ", 1)[-1] if several else label).replace("_", " ")


def _print_means(out: Console, strategies: dict[str, Any], rig: str) -> None:
    names = list(strategies)
    title = f"means, {rig}" if rig else "means"
    means = new_table("", *(_plain(name, bool(rig)) for name in names), title=title)
    for quantity, heading, factor, decimals in SHOWN:
        values = [strategies[name][quantity]["mean"] for name in names]
        if any(value == value for value in values):
            means.add_row(heading, *(_number(factor * value, decimals) for value in values))
    out.print(means)


def _print_results(out: Console, summary: dict[str, Any], rig: str, several: bool) -> None:
    """The results beside the sheet, each with its paired differences."""
    title = "results: mean ± half the 95 % interval of the difference in the same draw"
    table = new_table("", "mean", "less base", "less fixed share", title=title)
    shown = {one[0]: one[1:] for one in SHOWN}
    last = ""
    for row in summary["results"]:
        if row["rig"] != rig or row["mean"] != row["mean"]:
            continue
        heading, factor, decimals = shown[row["quantity"]]
        if row["quantity"] != last:
            if last:
                table.add_section()
            table.add_row(heading + (f", {rig}" if several else ""))
            last = row["quantity"]
        cells = [
            _with_interval(row[key], factor, decimals) if row[key] else "–"
            for key in ("less_base", "less_fixed_share")
        ]
        mean = _number(factor * row["mean"], decimals)
        table.add_row(f"  {_plain(row['strategy'], several)}", mean, *cells)
    out.print(table)


def _print_differences(out: Console, summary: dict[str, Any], result: Comparison) -> None:
    """What was learnt or made by the user less the others; then every rig less the first."""
    found = {
        (one["of"], one["minus"], one["quantity"]): one for one in summary["paired_differences"]
    }
    several = len(result.whats) > 1
    first = result.whats[0].rig_name
    labels = {(run.what.rig_name, run.strategy.name): run.label for run in result.runs}
    for run in result.runs:
        rig, name = run.what.rig_name, run.strategy.name
        others = [
            o for r, o in labels if r == rig and (run.label, labels[r, o], SHOWN[0][0]) in found
        ]
        if len(others) < 2 or several:
            continue
        _print_one(
            out,
            found,
            f"{name.replace('_', ' ')}, less ...",
            [(o.replace("_", " "), run.label, labels[rig, o]) for o in others],
        )
    for what in result.whats[1:]:
        columns = [
            (name.replace("_", " "), labels[what.rig_name, name], labels[first, name])
            for name in (one.name for one in what.compared)
            if (first, name) in labels
        ]
        _print_one(out, found, f"{what.rig_name} less {first}", columns)


def _print_one(
    out: Console, found: dict[Any, Any], title: str, columns: list[tuple[str, str, str]]
) -> None:
    table = new_table(
        "",
        *(heading for heading, _, _ in columns),
        title=f"{title} in the same draw: mean ± half the 95 % interval",
    )
    for quantity, heading, factor, decimals in SHOWN:
        cells = [found[of, minus, quantity] for _, of, minus in columns]
        if any(cell["n"] for cell in cells):
            table.add_row(heading, *(_with_interval(c, factor, decimals) for c in cells))
    out.print(table)


def _print_sheet(out: Console, summary: dict[str, Any]) -> None:
    """Every limit, every strategy: worst, margin, pass or fail."""
    table = new_table(
        *("limit", "in\ndraw", "worst", "peak", "margin"),
        *("draws\nover", "s over,\nin one", "s over,\nin all", "verdict"),
        title="sheet of limits: the worst of all draws",
    )
    # Where it is narrow the words give way; a number or a verdict is never lost.
    for column in table.columns[1:]:
        column.no_wrap = True
    last: Any = None
    for row in summary["sheet"]:
        group = (row["rig"], row["quantity"])
        if group != last:
            if last is not None:
                table.add_section()
            sense = "at least" if row["at_least"] else "at most"
            rig = f"{row['rig']}: " if len(summary["rigs"]) > 1 else ""
            limit = _number(row["limit"], row["decimals"])
            on = " (by its sensor)" if row["judged_on"] == "sensor" else ""
            table.add_row(f"{rig}{row['words']}{on}, {sense} {limit} {row['unit']}".rstrip())
            last = group
        number = row["decimals"]
        table.add_row(
            f"  {_plain(row['strategy'], len(summary['rigs']) > 1)}",
            "–" if row["worst_draw"] is None else str(row["worst_draw"]),
            _number(row["worst"], number),
            _number(row["peak"], number),
            _number(row["margin"], number),
            f"{row['draws_over']} of {row['draws']}",
            _number(row["seconds_over_worst"], 1),
            _number(row["seconds_over_total"], 1),
            row["verdict"],
        )
    out.print(table)
    out.print(summary["criterion"])


def _counted(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _number(value: float, decimals: int) -> str:
    # A difference that rounds to nothing has no sign.
    return f"{round(value, decimals) + 0.0:.{decimals}f}" if value == value else "–"


def _with_interval(one: dict[str, Any], factor: float, decimals: int) -> str:
    # Student's interval is symmetric about the mean; one number keeps a row on one line.
    low, high = one["interval95"]
    half = _number(factor * (high - low) / 2.0, decimals)
    return f"{_number(factor * one['mean'], decimals)} ± {half}"


def _limit_lines(exceeded: list[dict[str, Any]]) -> list[str]:
    """One sentence per strategy and channel."""
    groups: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for one in exceeded:
        groups.setdefault((one["strategy"], one["channel"]), []).append(one)
    return [
        f"{strategy}: {channel} above {cases[0]['limit']:g} for more than 2 s in "
        f"{_counted(len(cases), 'draw')}, longest {max(one['longest_s'] for one in cases):.0f} s, "
        f"peak {max(one['peak'] for one in cases):.0f}"
        for (strategy, channel), cases in groups.items()
    ]


RoadFile = Annotated[Path, typer.Option("--road", metavar="ROAD", help="Road file: TOML or CSV.")]
Draws = Annotated[
    int,
    typer.Option("--draws", metavar="N", min=1, help="Draws of vehicle, wind and sensor noise."),
]
Seed = Annotated[int, typer.Option("--seed", metavar="N", min=0, help="Seed of the first draw.")]
Mass = Annotated[
    float | None,
    typer.Option(
        "--mass",
        metavar="KG",
        help="True combined mass; default nine tenths of GCM, or of the towing rating if less.",
    ),
]
WeighedMass = Annotated[
    float | None,
    typer.Option(
        "--weighed-mass",
        metavar="KG",
        help="What the estimator is told of the combined mass at the start; --mass is the truth.",
    ),
]
RigFiles = Annotated[
    list[Path],
    typer.Option(
        "--rig", metavar="RIG", help="Rig file (TOML); again for another rig on the same draws."
    ),
]
EverySeconds = Annotated[
    float,
    typer.Option("--every", metavar="SECONDS", min=0.0, help="Interval of the traces."),
]
Mdf = Annotated[
    bool, typer.Option("--mdf", help="Write the traces as MDF 4 too (needs the extra mdf).")
]
Retention = Annotated[
    float | None,
    typer.Option(
        "--retention", metavar="SHARE", help="Power retention of fixed_share, 0 to 1; default 0.5."
    ),
]
Strategies = Annotated[
    list[str],
    typer.Option(
        "--strategy",
        metavar="FILE",
        help="Strategy file, or rules.py:function; again for another. Driven beside the others.",
    ),
]
Jobs = Annotated[int, typer.Option("--jobs", metavar="N", min=1, help="Worker processes.")]


def compare(
    rig: RigFiles,
    road: RoadFile,
    out: OutFolder,
    draws: Draws = 12,
    seed: Seed = 0,
    mass: Mass = None,
    weighed_mass: WeighedMass = None,
    weighed_mass_sd: WeighedMassSd = None,
    retention: Retention = None,
    strategy: Strategies = [],  # noqa: B006  (read only; typer asks for a list)
    jobs: Jobs = 1,
    every: EverySeconds = 1.0,
    mdf: Mdf = False,
    force: Force = False,
    no_figure: NoFigure = False,
) -> int:
    """Drive one road in closed loop under several strategies and compare them.

    Base calibration, a fixed share, a short pull, settings from the load learnt on the way and
    from the true load, and the strategies named with --strategy: each over the same draws of
    vehicle, wind and sensor noise, so that the differences are paired. With --rig given twice, both
    rigs meet the same draws. Writes comparison.csv, sheet.csv (every limit, pass or fail),
    traces.parquet (every drive),
    comparison_pareto.png, comparison_traces.png and comparison.json. Exit status 1 means: written,
    but a row of the sheet fails, or a recorded limit was exceeded for more than 2 s.

    Example: loadlearn compare --rig rig.toml --road road.toml --out out
    """
    with progress("driving", total=draws * len(rig)) as shown:
        run = run_compare(
            rig,
            road,
            out,
            draws=draws,
            seed=seed,
            mass_kg=mass,
            weighed_mass_kg=weighed_mass,
            weighed_mass_sd_kg=weighed_mass_sd,
            retention=retention,
            strategies=strategy,
            jobs=jobs,
            every_s=every,
            mdf=mdf,
            force=force,
            figure=not no_figure,
            on_draw=shown.advance,
        )
    print_comparison(run)
    return run.status
