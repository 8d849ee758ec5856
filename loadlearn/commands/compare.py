"""``loadlearn compare``: one road driven in closed loop under several strategies."""

from __future__ import annotations

from collections.abc import Callable
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
    RigFile,
    console,
    progress,
)
from loadlearn.commands.common import register as _register

if TYPE_CHECKING:
    from loadlearn.simulation.comparison import Comparison

OWN_FILES = (
    "comparison.csv",
    "comparison_pareto.png",
    "comparison_traces.png",
    "comparison.json",
)

# What is shown of a comparison: quantity, heading, factor, decimals.
_SHOWN = (
    ("climb_power_kw", "climb power kW", 1.0, 1),
    ("climb_time_s", "climb time s", 1.0, 1),
    ("crest_speed_m_s", "crest km/h", 3.6, 1),
    ("passing_time_s", "pass s", 1.0, 1),
    ("fuel_l_per_100km", "l/100 km", 1.0, 2),
    ("peak_gas_degc", "peak gas degC", 1.0, 0),
    ("seconds_over_gas_limit", "over limit s", 1.0, 1),
    ("gear_change_torque_n_m", "change N m", 1.0, 0),
    ("setting_changes", "changes", 1.0, 1),
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
        0, or 1 when a recorded limit was exceeded for more than 2 s.
    """

    folder: Path
    result: Comparison
    summary: dict[str, Any]
    status: int


def run_compare(
    rig: Path | str,
    road: Path | str,
    out: Path | str,
    *,
    draws: int = 12,
    seed: int = 0,
    mass_kg: float | None = None,
    retention: float | None = None,
    jobs: int = 1,
    force: bool = False,
    figure: bool = True,
    on_draw: Callable[[], None] | None = None,
) -> CompareRun:
    """Drive one road under every strategy, and write the outputs.

    Parameters
    ----------
    rig, road : path
        Rig file; road file, TOML or CSV.
    out : path
        Folder for the outputs.
    draws, seed : int
        Draws of vehicle, wind and sensor noise, and the first one's seed.
    mass_kg : float, optional
        True combined mass; nine tenths of GCM when absent.
    retention : float, optional
        Power retention of ``fixed_share``.
    jobs : int
        Worker processes.
    force : bool
        Whether this command's own earlier outputs may be replaced.
    figure : bool
        Whether the figures are drawn.
    on_draw : callable, optional
        Called after each draw.

    Returns
    -------
    CompareRun

    Raises
    ------
    InputError
        An input or the output place cannot be used; nothing has then been written.
    """
    from loadlearn.outputs import OutputFolder, provenance, write_csv, write_json
    from loadlearn.rig import Rig
    from loadlearn.simulation.comparison import compare_strategies, situation, summarise
    from loadlearn.simulation.road import Road

    rig, road = Path(rig), Path(road)
    outputs = OutputFolder(Path(out), own=OWN_FILES, mark="comparison.json", force=force)
    outputs.check()
    what = situation(Rig.from_toml(rig), Road.from_file(road), mass_kg, retention)
    result = compare_strategies(what, draws, seed, jobs, on_draw)
    summary = summarise(result)
    summary["caution"] = CAUTION_ADVICE
    options = {
        "draws": draws,
        "mass_kg": what.combined_mass_kg,
        "retention": retention,
        "figure": figure,
    }
    summary["provenance"] = provenance(
        "compare", {"rig": rig, "road": road}, options, {"seed": seed}
    )
    with outputs:
        write_csv(outputs.path("comparison.csv"), result.table)
        if figure:
            from loadlearn.figures.compare import draw_pareto, draw_traces
            from loadlearn.figures.style import save

            save(draw_pareto(result, summary), outputs.path("comparison_pareto.png"))
            save(draw_traces(result, summary), outputs.path("comparison_traces.png"))
        write_json(outputs.path("comparison.json"), summary)
    status = DOUBTFUL if summary["limits_exceeded"] else DONE
    return CompareRun(Path(out), result, summary, status)


def print_comparison(run: CompareRun) -> None:
    """Print the means, the paired differences that matter, and the limits exceeded.

    Parameters
    ----------
    run : CompareRun
    """
    from rich import box
    from rich.table import Table

    out, summary = console(), run.summary
    out.print(
        f"{summary['rig']} on {summary['road']}: {summary['combined_mass_kg']:,.0f} kg, "
        f"{len(summary['climbs'])} climbs, {summary['draws']} draws, the same for every strategy"
    )
    base = Table(box=box.SIMPLE_HEAD, pad_edge=False, title="means", title_justify="left")
    base.add_column("strategy")
    for _, heading, _, _ in _SHOWN:
        base.add_column(heading, justify="right")
    for name, entry in summary["strategies"].items():
        cells = [
            _number(entry[quantity]["mean"] * factor, decimals)
            for quantity, _, factor, decimals in _SHOWN
        ]
        base.add_row(name, *cells)
    out.print(base)
    shown = Table(
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        title="paired differences (95 % interval)",
        title_justify="left",
    )
    columns = [one for one in _SHOWN if one[0] in ("climb_power_kw", "climb_time_s")]
    columns += [one for one in _SHOWN if one[0] in ("fuel_l_per_100km", "peak_gas_degc")]
    shown.add_column("strategy less another")
    for _, heading, _, _ in columns:
        shown.add_column(heading, justify="right")
    found = {
        (one["of"], one["minus"], one["quantity"]): one for one in summary["paired_differences"]
    }
    for of, minus in dict.fromkeys((one[0], one[1]) for one in found):
        cells = []
        for quantity, _, factor, decimals in columns:
            one = found[of, minus, quantity]
            low, high = (factor * end for end in one["interval95"])
            mean = _number(factor * one["mean"], decimals)
            cells.append(f"{mean} ({_number(low, decimals)} to {_number(high, decimals)})")
        shown.add_row(f"{of} less {minus}", *cells)
    out.print(shown)
    ratio = summary["share_of_known_gain"]["climb_power_kw"]
    if ratio["mean"] == ratio["mean"]:
        low, high = ratio["interval95"]
        out.print(
            f"of the climb power that known_load gains over base, learnt_load gains "
            f"{100 * ratio['mean']:.0f} % ({100 * low:.0f} to {100 * high:.0f} %)"
        )
    for line in _limit_lines(summary["limits_exceeded"]):
        out.print(f"WARNING: {line}")
    out.print(CAUTION_ADVICE)
    out.print(f"written to {run.folder}")


def _number(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}" if value == value else "–"


def _limit_lines(exceeded: list[dict[str, Any]]) -> list[str]:
    """One sentence per strategy and channel."""
    groups: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for one in exceeded:
        groups.setdefault((one["strategy"], one["channel"]), []).append(one)
    return [
        f"{strategy}: {channel} above {cases[0]['limit']:g} for more than 2 s in {len(cases)} "
        f"draws, longest {max(one['longest_s'] for one in cases):.0f} s, "
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
    typer.Option("--mass", metavar="KG", help="True combined mass; default nine tenths of GCM."),
]
Retention = Annotated[
    float | None,
    typer.Option(
        "--retention", metavar="SHARE", help="Power retention of fixed_share, 0 to 1; default 0.5."
    ),
]
Jobs = Annotated[int, typer.Option("--jobs", metavar="N", min=1, help="Worker processes.")]


def compare(
    rig: RigFile,
    road: RoadFile,
    out: OutFolder,
    draws: Draws = 12,
    seed: Seed = 0,
    mass: Mass = None,
    retention: Retention = None,
    jobs: Jobs = 1,
    force: Force = False,
    no_figure: NoFigure = False,
) -> int:
    """Drive one road in closed loop under several strategies and compare them.

    Base calibration, a fixed share, a short pull, settings from the load learnt on the way, and
    from the true load: each over the same draws of vehicle, wind and sensor noise, so that the
    differences are paired. Writes comparison.csv, comparison_pareto.png, comparison_traces.png and
    comparison.json. Exit status 1 means: written, but a recorded limit was exceeded for more than
    2 s under some strategy.

    Example: loadlearn compare --rig rig.toml --road road.toml --out out
    """
    with progress("driving", total=draws) as shown:
        run = run_compare(
            rig,
            road,
            out,
            draws=draws,
            seed=seed,
            mass_kg=mass,
            retention=retention,
            jobs=jobs,
            force=force,
            figure=not no_figure,
            on_draw=shown.advance,
        )
    print_comparison(run)
    return run.status


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    _register(app, compare)
