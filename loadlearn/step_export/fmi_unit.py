"""The step as an FMI 3.0 co-simulation unit: description, sources, and what was built of them.

Functional Mock-up Interface 3.0 (Modelica Association, fmi-standard.org). The unit is a zip file:
``modelDescription.xml`` names the variables with their units, ``terminalsAndIcons`` groups them,
``sources`` holds the C with ``buildDescription.xml``, ``binaries`` the library for this machine,
where a compiler is at hand.
"""

from __future__ import annotations

import hashlib
import platform
import shutil
import subprocess
import tempfile
import zipfile
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from loadlearn import __version__
from loadlearn.errors import InputError
from loadlearn.log.channels import BY_NAME
from loadlearn.step_export.channels_in import CHANNELS_IN
from loadlearn.step_export.native_step import FLAGS, compiler
from loadlearn.step_export.step_source import ESTIMATES, StepSource, comment, filled, template
from loadlearn.vehicle.gating import REASONS

IDENTIFIER = "loadlearn_step"
ASKED = ("asked_grade_percent", "asked_speed_m_s")
SETTINGS = ("power_retention", "full_share_time_s", "economy")
COUNTS = {
    "samples_taken": "samples taken so far",
    "samples_refused": "samples refused: time missing, not rising, or far ahead",
    "values_impossible": "values that cannot be, taken as absent",
    "clocks_set": "times that the clock was set to another time",
    "begun_anew": "times that a number was none, and all was learnt anew",
}
_FIRST = {"input": 1, "output": 101, "number": 201, "flag": 301, "count": 401}
"""First value reference of each kind, as in ``templates/fmi3_unit.c``."""

_UNITS: dict[str, dict[str, str]] = {
    "m": {"m": "1"},
    "m2": {"m": "2"},
    "m/s": {"m": "1", "s": "-1"},
    "m/s2": {"m": "1", "s": "-2"},
    "s": {"s": "1"},
    "kg": {"kg": "1"},
    "g/s": {"kg": "1", "s": "-1", "factor": "0.001"},
    "N": {"kg": "1", "m": "1", "s": "-2"},
    "N.m": {"kg": "1", "m": "2", "s": "-2"},
    "kPa": {"kg": "1", "m": "-1", "s": "-2", "factor": "1000"},
    "rev/min": {"rad": "1", "s": "-1", "factor": "0.10471975511965977"},
    "degC": {"K": "1", "offset": "273.15"},
    "%": {"factor": "0.01"},
}
_ENDINGS = (
    ("_m_s2", "m/s2"),
    ("_m_s", "m/s"),
    ("_g_s", "g/s"),
    ("_n_m", "N.m"),
    ("_rpm", "rev/min"),
    ("_degc", "degC"),
    ("_kpa", "kPa"),
    ("_percent", "%"),
    ("_m2", "m2"),
    ("_kg", "kg"),
    ("_n", "N"),
    ("_m", "m"),
    ("_s", "s"),
)
_MEANING = {
    "transfer_range": "transfer range: 0 high, 1 low",
    "asked_grade_percent": "grade that the road asks for, at which the strategy is looked up",
    "asked_speed_m_s": "speed that is asked for, at which the strategy is looked up",
    "mass_kg": "combined mass: mean of what is believed",
    "mass_sd_kg": "its standard deviation, in all",
    "mass_sd_given_scale_kg": "its standard deviation were the tractive scale known",
    "mass_low95_kg": "lower end of its central 95 % interval",
    "mass_high95_kg": "upper end of its central 95 % interval",
    "rolling_resistance": "coefficient of rolling resistance at 20 m/s",
    "rolling_resistance_sd": "its standard deviation",
    "drag_area_m2": "drag area CdA",
    "drag_area_sd_m2": "its standard deviation",
    "p_load_changed": "probability that the load changed at the last standstill",
    "p_nothing_hitched": "probability that nothing is hitched",
    "p_regeneration": "probability of an after-treatment regeneration",
    "power_retention": "share of the extra torque to keep under sustained demand; table alone, "
    "no protections",
    "full_share_time_s": "how long all of it may be kept before that; table alone, no protections",
    "economy": "how far demand is restrained, 0 to 1; table alone, no protections",
}


def unit_of(name: str) -> str | None:
    """Unit of a variable by its name's ending; None for a number without one.

    Parameters
    ----------
    name : str
    """
    return next((unit for ending, unit in _ENDINGS if name.endswith(ending)), None)


def _meaning(name: str) -> str:
    return _MEANING.get(name) or BY_NAME[name].description


def model_description(made: StepSource, caution: str, token: str) -> bytes:
    """``modelDescription.xml``.

    Parameters
    ----------
    made : StepSource
    caution, token : str
    """
    root = ElementTree.Element(
        "fmiModelDescription",
        fmiVersion="3.0",
        modelName="loadlearn step",
        instantiationToken=token,
        description=f"For bench and simulation only. {caution} "
        "A step takes the inputs as the sample at its start; NaN is an absent channel, and an "
        "estimate before the first sample.",
        version=__version__,
        generationTool=f"loadlearn {__version__}",
        variableNamingConvention="flat",
    )
    ElementTree.SubElement(
        root,
        "CoSimulation",
        modelIdentifier=IDENTIFIER,
        canHandleVariableCommunicationStepSize="true",
    )
    units = ElementTree.SubElement(root, "UnitDefinitions")
    for name, base in _UNITS.items():
        ElementTree.SubElement(ElementTree.SubElement(units, "Unit", name=name), "BaseUnit", base)
    types = ElementTree.SubElement(root, "TypeDefinitions")
    _enumeration(types, "Ground", made.grounds)
    _enumeration(types, "SetAside", tuple(one or "learnt from" for one in REASONS))
    ElementTree.SubElement(root, "DefaultExperiment", startTime="0", stepSize="0.1")
    variables = ElementTree.SubElement(root, "ModelVariables")
    structure = ElementTree.Element("ModelStructure")

    def add(kind: str, name: str, at: int, causality: str, meaning: str, **more: str) -> None:
        words = {"name": name, "valueReference": str(at), "causality": causality}
        words |= {"description": meaning, "variability": "discrete", **more}
        ElementTree.SubElement(variables, kind, words)
        if causality == "output":
            ElementTree.SubElement(structure, "Output", valueReference=str(at))

    add("Float64", "time", 0, "independent", "time", variability="continuous", unit="s")
    for place, name in enumerate(_inputs(made)):
        told = {"unit": unit} if (unit := unit_of(name)) else {}
        add("Float64", name, _FIRST["input"] + place, "input", _meaning(name), start="NaN", **told)
    for place, name in enumerate(_outputs(made)):
        told = {"unit": unit} if (unit := unit_of(name)) else {}
        add("Float64", name, _FIRST["output"] + place, "output", _meaning(name), **told)
    number, flag = _FIRST["number"], _FIRST["flag"]
    add("Enumeration", "surface", number, "output", "the ground", declaredType="Ground")
    add(
        *("Enumeration", "set_aside_because", number + 1, "output"),
        "why the sample was not learnt from",
        declaredType="SetAside",
    )
    add("Boolean", "learning", flag, "output", "whether the sample informed the estimate")
    if made.has_look_up:
        add("Boolean", "load_known", flag + 1, "output", "whether the mass is known to 10 %")
    for place, (name, meaning) in enumerate(COUNTS.items()):
        add("UInt64", name, _FIRST["count"] + place, "output", meaning)
    outputs = [one.get("valueReference", "") for one in structure]
    for at in outputs:
        ElementTree.SubElement(structure, "InitialUnknown", valueReference=at)
    root.append(structure)
    return _text(root)


def _inputs(made: StepSource) -> tuple[str, ...]:
    return (*(CHANNELS_IN.names or ()), *(ASKED if made.has_look_up else ()))


def _outputs(made: StepSource) -> tuple[str, ...]:
    return (*ESTIMATES, *(SETTINGS if made.has_look_up else ()))


def _enumeration(types: Any, name: str, items: tuple[str, ...]) -> None:
    made = ElementTree.SubElement(types, "EnumerationType", name=name)
    for value, item in enumerate(items):
        ElementTree.SubElement(made, "Item", name=item, value=str(value))


def _terminals(made: StepSource) -> bytes:
    """``terminalsAndIcons.xml``: what belongs together on one plug."""
    root = ElementTree.Element("fmiTerminalsAndIcons", fmiVersion="3.0")
    terminals = ElementTree.SubElement(root, "Terminals")
    plugs = {
        "channels": ("what the vehicle's channels show now", CHANNELS_IN.names or ()),
        "estimate": (
            "what is known of the load",
            (*ESTIMATES, "surface", "learning", "set_aside_because"),
        ),
    }
    if made.has_look_up:
        plugs["asked"] = ("where the strategy is looked up", ASKED)
        plugs["settings"] = ("what the strategy's table holds", (*SETTINGS, "load_known"))
    for name, (meaning, members) in plugs.items():
        terminal = ElementTree.SubElement(
            terminals, "Terminal", name=name, matchingRule="bus", description=meaning
        )
        for member in members:
            ElementTree.SubElement(
                terminal,
                "TerminalMemberVariable",
                variableName=member,
                memberName=member,
                variableKind="signal",
            )
    return _text(root)


def _build_description() -> bytes:
    root = ElementTree.Element("fmiBuildDescription", fmiVersion="3.0")
    configuration = ElementTree.SubElement(root, "BuildConfiguration", modelIdentifier=IDENTIFIER)
    files = ElementTree.SubElement(configuration, "SourceFileSet", language="C99")
    for name in ("fmi3_unit.c", "loadlearn_step.c"):
        ElementTree.SubElement(files, "SourceFile", name=name)
    ElementTree.SubElement(configuration, "Library", name="m", external="true")
    return _text(root)


def _text(root: Any) -> bytes:
    ElementTree.indent(root)
    text: bytes = ElementTree.tostring(root, encoding="UTF-8", xml_declaration=True)
    return text + b"\n"


_LOOK_UP = """    {
        struct loadlearn_settings settings;
        (void)loadlearn_look_up(&unit->step, (real)unit->inputs[CHANNELS],
            (real)unit->inputs[CHANNELS + 1], &settings);
        unit->outputs[ESTIMATES] = (double)settings.power_retention;
        unit->outputs[ESTIMATES + 1] = (double)settings.full_share_time_s;
        unit->outputs[ESTIMATES + 2] = (double)settings.economy;
        unit->flags[1] = settings.load_known != 0;
    }"""


def unit_source(made: StepSource, caution: str, token: str) -> str:
    """The C of the unit, around the step.

    Parameters
    ----------
    made : StepSource
    caution, token : str
    """
    words = {
        "CAUTION": comment(caution),
        "TOKEN": token,
        "CHANNELS_COUNT": str(len(CHANNELS_IN.names or ())),
        "ESTIMATES_COUNT": str(len(ESTIMATES)),
        "LOOK_UP": _LOOK_UP if made.has_look_up else "",
    }
    return filled(template("fmi3_unit.c"), words)


def token_of(made: StepSource) -> str:
    """What tells this unit from every other: a hash of its sources."""
    digest = hashlib.sha256((made.header + made.source + template("fmi3_unit.c")).encode())
    return digest.hexdigest()[:32]


_SYSTEMS = {
    "Linux": ("linux", ".so"),
    "Darwin": ("darwin", ".dylib"),
    "Windows": ("windows", ".dll"),
}
_MACHINES = {"AMD64": "x86_64", "arm64": "aarch64"}


def _library(sources: dict[str, str]) -> tuple[str, bytes] | None:
    """Name within the unit and bytes of the library for this machine; None without a compiler."""
    cc = compiler()
    if cc is None or platform.system() not in _SYSTEMS:
        return None
    system, ending = _SYSTEMS[platform.system()]
    machine = _MACHINES.get(platform.machine(), platform.machine())
    with tempfile.TemporaryDirectory(prefix="loadlearn-fmu-") as name:
        folder = Path(name)
        for file, text in sources.items():
            (folder / file).write_text(text, encoding="utf-8")
        library = f"{IDENTIFIER}{ending}"
        # By bare names, so that no path of this machine goes into the library.
        done = subprocess.run(
            [cc, *FLAGS, "-shared", "-fPIC", "-fvisibility=hidden", "-o", library]
            + ["fmi3_unit.c", "loadlearn_step.c", "-lm"],
            cwd=folder,
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode != 0:
            raise InputError(f"the compiler refuses the unit: {done.stderr[:2000]}")
        if (strip := shutil.which("strip")) is not None and system == "linux":
            subprocess.run([strip, "-x", library], cwd=folder, check=False)
        return f"binaries/{machine}-{system}/{library}", (folder / library).read_bytes()


def write_unit(made: StepSource, caution: str, path: Path) -> bool:
    """Write the unit.

    Parameters
    ----------
    made : StepSource
    caution : str
    path : Path
        ``….fmu``.

    Returns
    -------
    bool
        Whether a library for this machine is in it; without one an importer has to build it.

    Raises
    ------
    InputError
        The compiler refuses the code.
    """
    token = token_of(made)
    sources = {
        "loadlearn_step.h": made.header,
        "loadlearn_step.c": made.source,
        "fmi3_unit.c": unit_source(made, caution, token),
    }
    files = {
        "modelDescription.xml": model_description(made, caution, token),
        "terminalsAndIcons/terminalsAndIcons.xml": _terminals(made),
        "sources/buildDescription.xml": _build_description(),
        **{f"sources/{name}": text.encode() for name, text in sources.items()},
    }
    library = _library(sources)
    if library is not None:
        files[library[0]] = library[1]
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as into:
        for name, data in files.items():
            # The same date in every file: same input, same output.
            entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
            into.writestr(entry, data)
    return library is not None
