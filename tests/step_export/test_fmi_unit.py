"""The FMI 3.0 unit: valid by the standard's schemas, and run by an importer that is not ours.

Outside: fmpy's importer, its checks of a model description, and the schemas and C headers of FMI
3.0 that it carries (Modelica Association).
"""

from __future__ import annotations

import re
import shutil
import subprocess
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from step_bench import drive, needs_compiler, of_the_package, setup_of

from loadlearn.policy.make_strategy import make_strategy
from loadlearn.step_export.channels_in import CHANNELS_IN
from loadlearn.step_export.fmi_unit import COUNTS, IDENTIFIER, SETTINGS, unit_of, write_unit
from loadlearn.step_export.native_step import FLAGS, NativeStep
from loadlearn.step_export.step_source import ESTIMATES, StepSource, step_source
from loadlearn.step_export.strategy_step import look_up_of

fmpy = pytest.importorskip("fmpy", reason="fmpy (the extra fmi) is not here")
pytestmark = needs_compiler
CARRIED = Path(fmpy.__file__).parent


@pytest.fixture(scope="module")
def made() -> StepSource:
    rig = drive("demo").rig
    return step_source(
        setup_of("reduced", "demo"), rig.name, "Take care.", look_up_of(make_strategy(rig), rig)
    )


@pytest.fixture(scope="module")
def unit(made: StepSource, tmp_path_factory: Any) -> Path:
    path = tmp_path_factory.mktemp("unit") / "step.fmu"
    assert write_unit(made, "Take care.", path)
    return path


@pytest.fixture(scope="module")
def unpacked(unit: Path, tmp_path_factory: Any) -> Path:
    folder: Path = tmp_path_factory.mktemp("unpacked")
    with zipfile.ZipFile(unit) as packed:
        packed.extractall(folder)
    return folder


def test_the_description_is_valid_and_carries_the_caution(unit: Path) -> None:
    from fmpy.validation import validate_fmu

    assert validate_fmu(str(unit)) == []
    described = fmpy.read_model_description(
        str(unit), validate=True, validate_variable_names=True, validate_model_structure=True
    )
    assert described.fmiVersion == "3.0" and described.coSimulation is not None
    assert "For bench and simulation only. Take care." in described.description
    units = {one.name: one.unit for one in described.modelVariables}
    assert units["mass_kg"] == units["mass_sd_given_scale_kg"] == "kg"
    assert units["speed_m_s"] == "m/s" and units["ambient_temp_degc"] == "degC"
    assert units["drag_area_sd_m2"] == "m2" and units["rolling_resistance_sd"] is None
    assert unit_of("accel_long_m_s2") == "m/s2" and unit_of("full_share_time_s") == "s"


@pytest.mark.parametrize(
    ("file", "schema"),
    [
        ("modelDescription.xml", "fmi3ModelDescription.xsd"),
        ("terminalsAndIcons/terminalsAndIcons.xml", "fmi3TerminalsAndIcons.xsd"),
        ("sources/buildDescription.xml", "fmi3BuildDescription.xsd"),
    ],
)
def test_files_follow_the_standards_schemas(file: str, schema: str, unpacked: Path) -> None:
    from lxml import etree

    rules = etree.XMLSchema(etree.parse(str(CARRIED / "schema" / "fmi3" / schema)))
    rules.assertValid(etree.parse(str(unpacked / file)))


def test_every_plug_holds_variables_that_there_are(unit: Path, unpacked: Path) -> None:
    from lxml import etree

    described = fmpy.read_model_description(str(unit))
    names = {one.name for one in described.modelVariables}
    plugs = etree.parse(str(unpacked / "terminalsAndIcons" / "terminalsAndIcons.xml"))
    members = [one.get("variableName") for one in plugs.iter("TerminalMemberVariable")]
    assert set(members) == names - {"time", *COUNTS} and len(members) == len(set(members))


def test_our_declarations_are_those_of_the_standards_headers(unpacked: Path) -> None:
    """With the standard's header before it, every definition has to fit its prototype."""
    source = unpacked / "sources" / "fmi3_unit.c"
    header = CARRIED / "c-code" / "fmi3Functions.h"
    # Its callbacks take no prototype, which the strictest options do not like.
    flags = [*FLAGS, "-Wno-strict-prototypes", "-Wno-redundant-decls", "-fsyntax-only"]
    subprocess.run(["cc", *flags, "-include", str(header), str(source)], check=True)
    # And all that the standard's header declares is there, and nothing else.
    prefixed = re.findall(r"^#define (fmi3\w+) +fmi3FullName", header.read_text(), re.M)
    if shutil.which("nm") is None:
        pytest.skip("no nm here")
    library = next((unpacked / "binaries").rglob(f"{IDENTIFIER}.*"))
    listed = subprocess.run(
        ["nm", "-D", "--defined-only", str(library)], capture_output=True, text=True, check=True
    ).stdout
    there = {line.split()[-1] for line in listed.splitlines()}
    assert there == set(prefixed)


def test_the_unit_tells_the_packages_answers(unit: Path, unpacked: Path) -> None:
    from fmpy.fmi3 import FMU3Slave

    described = fmpy.read_model_description(str(unit))
    at = {one.name: one.valueReference for one in described.modelVariables}
    log = drive("demo").log.iloc[:6000]
    package = of_the_package("reduced", "demo")
    slave = FMU3Slave(
        guid=described.guid,
        unzipDirectory=str(unpacked),
        modelIdentifier=described.coSimulation.modelIdentifier,
        instanceName="one",
    )
    slave.instantiate()
    slave.enterInitializationMode(startTime=float(log["time_s"].iloc[0]))
    slave.exitInitializationMode()
    names = [one for one in CHANNELS_IN.names or () if one in log.columns]
    inputs = [at[one] for one in names] + [at["asked_grade_percent"], at["asked_speed_m_s"]]
    values = np.column_stack([log[names].to_numpy(dtype=float), np.full((len(log), 2), 5.0)])
    values[:, -1] = 20.0
    times = log["time_s"].to_numpy(dtype=float)
    for row in range(len(log) - 1):
        slave.setFloat64(inputs, list(values[row]))
        slave.doStep(times[row], times[row + 1] - times[row])
    told = slave.getFloat64([at[one] for one in ESTIMATES])
    expected = package[list(ESTIMATES)].iloc[len(log) - 2]
    assert told == pytest.approx(list(expected), rel=1e-9, abs=1e-12)
    assert slave.getInt64([at["surface"]]) == [package["surface"].iloc[len(log) - 2]]
    assert slave.getUInt64([at["samples_taken"], at["samples_refused"]]) == [len(log) - 1, 0]
    assert slave.getBoolean([at["load_known"]]) == [True]
    assert max(slave.getFloat64([at[one] for one in SETTINGS])) > 0.0
    # A step back in time is refused, counted, and does no harm.
    slave.doStep(times[10], 0.1)
    assert slave.getUInt64([at["samples_refused"]]) == [1]
    assert slave.getFloat64([at[one] for one in ESTIMATES]) == told
    slave.reset()
    assert np.isnan(slave.getFloat64([at["mass_kg"]])[0])
    slave.terminate()
    slave.freeInstance()


def test_a_simulation_of_the_unit(unit: Path, made: StepSource) -> None:
    """The importer's own loop over a recorded input, against the step called directly."""
    log = drive("demo").log.iloc[:900]
    names = [one for one in CHANNELS_IN.names or () if one in log.columns]
    given = np.rec.fromarrays(
        [log[one].to_numpy(dtype=float) for one in ("time_s", *names)], names=["time", *names]
    )
    start, stop = float(given["time"][0]), float(given["time"][-1])
    found = fmpy.simulate_fmu(
        str(unit),
        start_time=start,
        stop_time=stop,
        step_size=0.1,
        output_interval=0.1,
        input=given,
        output=["mass_kg", "samples_taken"],
    )
    # Between the samples the importer joins flags and gears by straight lines; both are near.
    direct = NativeStep(made, options=("-O0",)).run(log).estimates["mass_kg"].iloc[-1]
    assert found["samples_taken"][-1] >= len(log) - 2
    assert found["mass_kg"][-1] == pytest.approx(direct, rel=0.02)


def test_the_same_export_is_the_same_file(made: StepSource, unit: Path, tmp_path: Path) -> None:
    write_unit(made, "Take care.", tmp_path / "again.fmu")
    assert (tmp_path / "again.fmu").read_bytes() == unit.read_bytes()
