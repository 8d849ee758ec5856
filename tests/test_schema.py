"""The dictionaries of files: what is written is described, and what is described is written."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Annotated, Any, TypedDict

import numpy as np
import pandas as pd
import pytest
from schema_bench import held_together, keys_of, part_of, paths
from typer.testing import CliRunner

from loadlearn import read_log
from loadlearn.cli import app
from loadlearn.commands.advise import run_advise
from loadlearn.commands.compare import run_compare
from loadlearn.commands.estimate import run_estimate
from loadlearn.described import Entry, Named, Unit, entries, meanings, unit_of
from loadlearn.errors import InputError
from loadlearn.file_schemas import schema, schemas
from loadlearn.log.quality import log_quality
from loadlearn.outputs import plain
from loadlearn.study.validation import validate_manifest
from loadlearn.vehicle.rig import Rig

DATA = Path(__file__).resolve().parents[1] / "synthetic_data"
ROAD = """
name = "a hill"
seed = 5
[[section]]
length_m = 900.0
relief = "level"
speed_limit_km_h = 60.0
[[section]]
length_m = 1500.0
relief = "level"
grade_percent = 7.0
speed_limit_km_h = 90.0
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A drive that loses its trailer, with a rig whose limit its coolant passes."""
    place = tmp_path_factory.mktemp("schema")
    rig = (DATA / "rigs" / "utility_boat.toml").read_text()
    limits = "coolant_full_degc = 60.0\ncoolant_start_degc = 50.0\ncoolant_reduce_degc = 65.0\n"
    assert "[limits]" not in rig
    (place / "rig.toml").write_text(f"{rig}\n[limits]\n{limits}coolant_zero_degc = 70.0\n")
    log = DATA / "drives" / "trailer_left.csv.gz"
    run_estimate(log, place / "rig.toml", place / "out", figure=False)
    run_advise(log, place / "rig.toml", place / "out", figure=False)
    return place / "out"


def test_estimates(folder: Path) -> None:
    for file in ("estimates.csv", "estimates.parquet"):
        path = folder / file
        table = pd.read_csv(path) if path.suffix == ".csv" else pd.read_parquet(path)
        held_together(part_of("estimates", file), set(table.columns))


def test_summary_and_provenance(folder: Path) -> None:
    written = keys_of(folder / "summary.json")
    assert "load_changes[].before_kg" in written and "limits_exceeded[].peak" in written
    held_together(part_of("summary", "summary.json"), written, r"not_learnt\[\]\..*|remembered.*")
    written = keys_of(folder / "provenance.json")
    held_together(schema("provenance").parts[0], written, "seeds.<name>")


def test_advice(folder: Path) -> None:
    table = pd.read_csv(folder / "advice.csv")
    assert list(table) == [one.name for one in part_of("advice", "advice.csv").entries]
    held_together(part_of("advice", "advice.json"), keys_of(folder / "advice.json"), "remembered.*")


def test_inspect() -> None:
    rig = Rig.from_toml(DATA / "rigs" / "utility_boat.toml")
    trace = read_log(DATA / "drives" / "trailer_left.csv.gz", rig=rig)
    written = set(paths(log_quality(trace, rig).to_dict()))
    held_together(schema("inspect").parts[0], written)
    canonical = {one.name for one in schema("log").parts[0].entries}
    assert set(trace.columns) <= canonical


def test_compared(tmp_path: Path) -> None:
    (tmp_path / "road.toml").write_text(ROAD)
    rig = DATA / "rigs" / "utility_boat.toml"
    run_compare(rig, tmp_path / "road.toml", tmp_path / "out", draws=2, figure=False)
    for file in ("comparison.csv", "sheet.csv"):
        table = pd.read_csv(tmp_path / "out" / file)
        assert list(table) == [one.name for one in part_of("compared", file).entries]
    traces = pd.read_parquet(tmp_path / "out" / "traces.parquet")
    held_together(part_of("compared", "traces.parquet"), set(traces.columns))
    silent = r"limits_exceeded\[\]\..*"
    written = keys_of(tmp_path / "out" / "comparison.json")
    held_together(part_of("compared", "comparison.json"), written, silent)


def fake(trace: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """Estimates by formula."""
    mass = np.linspace(5000.0, 5200.0, len(trace))
    table = pd.DataFrame({"time_s": trace["time_s"], "mass_kg": mass, "mass_sd_kg": 50.0})
    return table.assign(mass_sd_given_scale_kg=20.0)


@pytest.mark.parametrize("full", [False, True])
def test_validation(tmp_path: Path, full: bool) -> None:
    log, rig = DATA / "drives" / "overtaking.csv.gz", DATA / "rigs" / "utility_boat.toml"
    more = ",group,vehicle,at_s,tractive_scale" if full else ""
    rows = [f"{log},{rig},5200" + (f",a,car {at},{at},1" if full else "") for at in (300, 600)]
    manifest = tmp_path / "manifest.csv"
    manifest.write_text(f"log,rig,mass_kg{more}\n" + "\n".join(rows) + "\n")
    result = validate_manifest(manifest, learn=fake)
    given, named = ("(?!)", "(?!)") if full else (r".*given_scale.*", r"groups\..*|.*<statistic>")
    if not full:
        given += r"|vehicle"
        named += r"|.*given_scale.*"
    written = set(result.table.columns)
    written -= set() if full else {"sd_given_scale_kg"}
    held_together(part_of("validation", "validation.csv"), written, given)
    written = set(paths(plain(result.summary))) | {"provenance"}
    held_together(part_of("validation", "validation.json"), written, named)
    manifest_names = {one.name for one in part_of("validation", "manifest").entries}
    assert set(manifest.read_text().partition("\n")[0].split(",")) <= manifest_names


def test_rig_keys() -> None:
    described = {one.name for one in schema("rig").parts[0].entries}
    written = set()
    for path in (DATA / "rigs").glob("*.toml"):
        written |= set(paths(tomllib.loads(path.read_text())))
    assert written <= described
    # And a key that is not described is refused.
    every = set(paths(Rig.from_toml(path).model_dump(exclude_none=False)))
    uprated = {name for name in described if name.startswith("engine.uprated.")}
    assert every | uprated == described


@pytest.mark.parametrize("one", schemas(), ids=lambda one: one.name)
def test_every_entry_says_what_it_is(one: Any) -> None:
    for part in one.parts:
        names = [entry.name for entry in part.entries]
        assert len(set(names)) == len(names)
        for entry in part.entries:
            assert entry.meaning and entry.kind, f"{part.file}: {entry.name}"
            assert "``" not in entry.meaning and ":data:" not in entry.meaning
            numbers = entry.kind.startswith(("number", "whole number", "list of number"))
            assert bool(entry.unit) >= numbers, f"{part.file}: {entry.name} has no unit"


def test_the_command() -> None:
    runner = CliRunner()
    listed = runner.invoke(app, ["schema"]).output
    assert all(f"{one.name}: " in listed for one in schemas())
    shown = runner.invoke(app, ["schema", "estimates"]).output
    assert "mass_sd_given_scale_kg" in shown and "(kg)" in shown
    alone = runner.invoke(app, ["schema", "sheet.csv"]).output
    assert "worst_draw" in alone and "comparison.json" not in alone
    told = json.loads(runner.invoke(app, ["schema", "summary", "--json"]).output)
    assert told["parts"][0]["entries"][0]["name"] == "mass_kg"
    assert len(json.loads(runner.invoke(app, ["schema", "--json"]).output)) == len(schemas())
    with pytest.raises(InputError, match="no schema 'nothing'; give one of rig"):
        schema("nothing")


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("mass_kg", "kg"),
        ("wheel_inertia_kg_m2", "kg m²"),
        ("speed_m_s", "m/s"),
        ("accel_long_m_s2", "m/s²"),
        ("fuel_rate_g_s", "g/s"),
        ("engine_torque_n_m", "N m"),
        ("exhaust_gas_estimate_sd_k", "K"),
        ("seconds_wanted", "s"),
        ("rolling_resistance", ""),
    ],
)
def test_units_from_names(name: str, unit: str) -> None:
    assert unit_of(name) == unit


class Inner(TypedDict):
    """A quantity."""

    mean: float
    """Its mean."""
    n: int
    """How many."""


class Outer(TypedDict):
    """A file."""

    mass_kg: Inner | None
    """A mass
    in two lines."""
    by_name: Annotated[dict[str, Inner], Named("<who>"), Unit("V")]
    """By name."""
    kinds: list[Inner]
    """Several."""
    p_x: Annotated[float, Named("p_<x>")]
    """One for each."""
    bare: list[str]


def test_entries_by_hand() -> None:
    found = entries(Outer)
    assert found[:3] == [
        Entry("mass_kg", "table or null", "", "A mass in two lines."),
        Entry("mass_kg.mean", "number", "kg", "Its mean."),
        Entry("mass_kg.n", "whole number", "1", "How many."),
    ]
    assert [one.name for one in found[3:6]] == ["by_name", "by_name.<who>.mean", "by_name.<who>.n"]
    assert found[4].unit == "V" and found[5].unit == "1"
    assert [one.name for one in found[6:]] == [
        "kinds",
        "kinds[].mean",
        "kinds[].n",
        "p_<x>",
        "bare",
    ]
    assert found[-1] == Entry("bare", "list of text", "", "")
    assert "bare" not in meanings(Outer)
