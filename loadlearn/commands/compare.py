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
    new_table,
    progress,
)

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
    ("climb_power_kw", "power on climbs (kW)", 1.0, 1),
    ("climb_time_s", "time on climbs (s)", 1.0, 1),
    ("climb_extra_torque_share", "extra torque used there (%)", 100.0, 1),
    ("crest_speed_m_s", "speed at the crests (km/h)", 3.6, 1),
    ("passing_time_s", "time to pass (s)", 1.0, 1),
    ("trip_time_s", "time for the road (s)", 1.0, 0),
    ("fuel_l_per_100km", "fuel (l/100 km)", 1.0, 2),
    ("peak_gas_degc", "peak gas (degC)", 1.0, 0),
    ("seconds_over_gas_limit", "gas above its limit (s)", 1.0, 1),
    ("longest_10k_over_gas_limit_s", "longest 10 K above it (s)", 1.0, 1),
    ("gear_change_torque_n_m", "torque in gear changes (N m)", 1.0, 0),
    ("setting_changes", "setting changes", 1.0, 1),
)
_AGAINST = ("base", "fixed_share", "short_pull", "known_load")


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
        True combined mass; when absent nine tenths of GCM, or of the towing rating.
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

    Raises
    ------
    InputError
        An input or the output place cannot be used; nothing has then been written.
    """
    from loadlearn.outputs import OutputFolder, provenance, write_csv, write_json
    from loadlearn.simulation.comparison import compare_strategies
    from loadlearn.simulation.comparison_notes import comparison_notes
    from loadlearn.simulation.paired_differences import summarise
    from loadlearn.simulation.roadfile import read_road
    from loadlearn.simulation.situation import situation
    from loadlearn.vehicle.rig import Rig

    rig, road = Path(rig), Path(road)
    outputs = OutputFolder(Path(out), own=OWN_FILES, mark="comparison.json", force=force)
    outputs.check()
    what = situation(Rig.from_toml(rig), read_road(road), mass_kg, retention)
    result = compare_strategies(what, draws, seed, jobs, on_draw)
    summary = summarise(result)
    summary["notes"] = comparison_notes(result)
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
            from loadlearn.figures.draw_comparison import draw_pareto, draw_traces
            from loadlearn.figures.style import save

            save(draw_pareto(result, summary), outputs.path("comparison_pareto.png"))
            save(draw_traces(result, summary), outputs.path("comparison_traces.png"))
        write_json(outputs.path("comparison.json"), summary)
    status = DOUBTFUL if summary["limits_exceeded"] else DONE
    return CompareRun(Path(out), result, summary, status)


def print_comparison(run: CompareRun) -> None:
    """Print the means, the paired differences that matter, and the limits exceeded."""
    out, summary = console(), run.summary
    out.print(
        f"{summary['rig']} on {summary['road']}: {summary['combined_mass_kg']:,.0f} kg, "
        f"{_counted(len(summary['climbs']), 'climb')}, {_counted(summary['draws'], 'draw')}, "
        "the same for every strategy"
    )
    for note in summary["notes"]:
        out.print(f"note: {note}", markup=False)
    names = list(summary["strategies"])
    means = new_table("", *(name.replace("_", " ") for name in names), title="means")
    for quantity, heading, factor, decimals in _SHOWN:
        values = [summary["strategies"][name][quantity]["mean"] for name in names]
        if any(value == value for value in values):
            means.add_row(heading, *(_number(factor * value, decimals) for value in values))
    out.print(means)
    differences = new_table(
        "",
        *(minus.replace("_", " ") for minus in _AGAINST),
        title="the load learnt, less ... in the same draw: mean ± half the 95 % interval",
    )
    found = {
        (one["minus"], one["quantity"]): one
        for one in summary["paired_differences"]
        if one["of"] == "learnt_load"
    }
    for quantity, heading, factor, decimals in _SHOWN:
        cells = [found[minus, quantity] for minus in _AGAINST]
        if any(cell["n"] for cell in cells):
            differences.add_row(heading, *(_with_interval(c, factor, decimals) for c in cells))
    out.print(differences)
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


def _counted(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _number(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}" if value == value else "–"


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
