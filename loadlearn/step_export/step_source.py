"""The step as C99: header and source, from what a drive would be learnt with.

The generated code holds the package's own kernels (:mod:`loadlearn.step_export.translate`), the rig
and the priors as constant data, and around them the little below that is no physics: refuse what
cannot be taken, call the kernels, start anew should a number ever not be one.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from loadlearn import __version__
from loadlearn.estimation.filter import MEMORY, Scratch, filter_rows_with
from loadlearn.estimation.grounds import MODE, mix_scratch
from loadlearn.estimation.intervals import (
    INTERVAL_MEMORY,
    MAY_BE_HELD,
    SHORTEST_ROW_S,
    samples_to_rows,
)
from loadlearn.estimation.learner import Setup, initial_state
from loadlearn.estimation.loads import LOAD, NO_WEIGHT
from loadlearn.estimation.mixture import OUTPUT
from loadlearn.estimation.model import N_STATES, PART, ROW
from loadlearn.log.channels import BY_NAME
from loadlearn.policy.law_settings import load_known
from loadlearn.step_export.c_types import (
    Array,
    CType,
    Records,
    Struct,
    base_name,
    initialiser,
    literal,
    numbers_in,
    stored,
    struct_text,
    structs_in,
)
from loadlearn.step_export.channels_in import CHANNELS_IN, SURROUNDINGS, limits_of, take_channels
from loadlearn.step_export.strategy_step import LOAD_DRAW, LookUp, settings_for
from loadlearn.step_export.translate import Translation
from loadlearn.vehicle.engine_force import RIG_CONSTANTS
from loadlearn.vehicle.gating import REASONS, TRACTION_MEMORY
from loadlearn.vehicle.samples import FORCE_CHANNELS, HEIGHT_CHANNELS, SAMPLE
from loadlearn.vehicle.traction import FORCE

ESTIMATES = (
    "mass_kg",
    "mass_sd_kg",
    "mass_sd_given_scale_kg",
    "mass_low95_kg",
    "mass_high95_kg",
    "rolling_resistance",
    "rolling_resistance_sd",
    "drag_area_m2",
    "drag_area_sd_m2",
    "p_load_changed",
    "p_nothing_hitched",
    "p_regeneration",
)
"""What a step tells, of the names of the estimates; and the ground, by number."""
LONGEST_JUMP_S = 86_400.0
"""A stamp further ahead is refused as one that lies behind, until the next confirms it."""
NEW_CLOCK_WITHIN_S = 60.0
"""Two refused stamps that follow each other so closely are a clock that was set."""
AFTER_NEW_CLOCK_S = 3.0
"""What is taken to have passed meanwhile: a gap in the log."""
SHIFT_EVERY_S = 16.0
"""In single precision, instants are kept relative to a moment so near."""

_NAMES = {
    MEMORY: "filter_memory",
    MODE: "mode",
    INTERVAL_MEMORY: "interval_memory",
    LOAD: "load",
    OUTPUT: "output",
    PART: "part",
    ROW: "row",
    CHANNELS_IN: "channels_in",
    SURROUNDINGS: "surroundings",
    RIG_CONSTANTS: "rig_constants",
    TRACTION_MEMORY: "traction_memory",
    SAMPLE: "sample",
    FORCE: "force",
    LOAD_DRAW: "load_draw",
}
RECORDS = Records(_NAMES)

_INSTANTS = {
    "traction": ("time_s", "change_s", "brake_s", "retarded_s"),
    "memory": ("time_s", "row_s", "still_since_s", "altitude_s", "reversed_s"),
}
"""Fields that are moments of the log's clock, by the part of the interval state."""


@dataclass(frozen=True)
class StepSource:
    """The generated files.

    Attributes
    ----------
    header, source : str
        ``loadlearn_step.h`` and ``loadlearn_step.c``.
    grounds : tuple of str
        Names of the grounds, by number.
    has_look_up : bool
        Whether a strategy can be looked up.
    stack_items : int
        Numbers in the arrays on the stack while a sample is taken, at the deepest.
    """

    header: str
    source: str
    grounds: tuple[str, ...]
    has_look_up: bool
    stack_items: int


def _constant(kind: CType) -> CType:
    return (
        kind
        if not isinstance(kind, Struct | Array)
        else kind.__class__(**{**vars(kind), "constant": True})
    )


def step_source(
    setup: Setup,
    rig_name: str,
    caution: str,
    look_up: LookUp | None = None,
    counting: bool = False,
) -> StepSource:
    """Generate the step for what a drive would be learnt with.

    Parameters
    ----------
    setup : Setup
        Rig, sources, grounds, priors, noise; see :mod:`loadlearn.step_export.reduced`.
    rig_name : str
    caution : str
        What whoever uses it has to know; it stands at the head of both files.
    look_up : LookUp, optional
        A strategy, whose settings are then looked up (``loadlearn_look_up``).
    counting : bool
        Whether the code counts its floating-point operations (``loadlearn_counted``).

    Returns
    -------
    StepSource

    Raises
    ------
    NotInSubsetError
        A kernel holds what is not translated.
    """
    state = initial_state(setup)
    into = Translation(counting)
    data: list[tuple[str, CType, Any]] = [
        ("rig", RECORDS.type_of(setup.rig), setup.rig),
        ("grounds", RECORDS.type_of(setup.grounds), setup.grounds),
        ("prior", RECORDS.type_of(setup.prior), setup.prior),
        ("noise", RECORDS.type_of(setup.noise), setup.noise),
        ("evidence", RECORDS.type_of(setup.evidence), setup.evidence),
        ("may_be_held", RECORDS.type_of(MAY_BE_HELD), MAY_BE_HELD),
        ("intervals_at_start", RECORDS.type_of(state.intervals), state.intervals),
        ("output_at_start", RECORDS.struct(OUTPUT), state.output[0]),
    ]
    data = [(name, _constant(kind), value) for name, kind, value in data]
    kinds = {name: kind for name, kind, _ in data}
    real, whole = RECORDS.type_of(0.0), RECORDS.type_of(0)
    names = len(setup.names)
    parts: list[tuple[str, CType]] = [
        ("intervals", RECORDS.type_of(state.intervals)),
        ("memory", RECORDS.type_of(state.memory)),
        ("hypotheses", RECORDS.type_of(state.hypotheses)),
        ("outputs", RECORDS.type_of(np.zeros(2, OUTPUT))),
        ("surface_probability", RECORDS.type_of(np.zeros((2, names)))),
        ("surroundings", RECORDS.struct(SURROUNDINGS)),
    ]
    held = dict(parts)
    fields = len(SAMPLE.names or ())
    rows = RECORDS.type_of(np.zeros(1, ROW))
    to_rows = into.function(
        samples_to_rows,
        (
            held["intervals"],
            RECORDS.type_of(np.zeros(fields)),
            RECORDS.type_of(np.zeros(len(ROW.names or ()))),
            kinds["may_be_held"],
            kinds["rig"],
            whole,
            whole,
            real,
            RECORDS.type_of(np.zeros((1, fields))),
            RECORDS.type_of(np.zeros((1, len(ROW.names or ())))),
            RECORDS.type_of(np.zeros(1, np.int64)),
            RECORDS.type_of(np.zeros(1, np.int64)),
            RECORDS.type_of(np.zeros(1)),
        ),
    )
    slots, modes = state.hypotheses.log_weights.shape
    room = RECORDS.type_of(
        Scratch(
            np.empty(N_STATES),
            np.empty(slots),
            np.empty(modes),
            np.empty((6, slots * modes)),
            mix_scratch(modes),
        )
    )
    to_estimates = into.function(
        filter_rows_with,
        (
            rows,
            RECORDS.struct(MEMORY),
            held["hypotheses"],
            kinds["grounds"],
            kinds["prior"],
            kinds["noise"],
            kinds["evidence"],
            held["outputs"],
            held["surface_probability"],
            RECORDS.type_of(True),
            room,
        ),
    )
    to_sample = into.function(
        take_channels,
        (RECORDS.struct(CHANNELS_IN), RECORDS.struct(SURROUNDINGS), RECORDS.struct(SAMPLE)),
    )
    asked = _look_up_words(into, data, look_up)
    for kind in (*(kind for _, kind, _ in data), *held.values(), room):
        into.note(kind)
    words = {
        "VERSION": __version__,
        "RIG": _quoted(rig_name),
        "CAUTION": comment(caution),
        "FORCE_CHANNEL": FORCE_CHANNELS[setup.sources.force],
        "HEIGHT_CHANNEL": HEIGHT_CHANNELS[setup.sources.height],
        "GROUNDS": ", ".join(f"{i} {name}" for i, name in enumerate(setup.names)),
        "REASONS": "\n".join(f"   {i:2d} {one or 'learnt from'}" for i, one in enumerate(REASONS)),
        "CHANNELS": "\n".join(f"    real {name};" for name in CHANNELS_IN.names or ()),
        "ESTIMATES": "\n".join(f"    real {name};" for name in ESTIMATES),
        "STATE": "\n".join(f"    {stored(kind, name)};" for name, kind in parts),
        "TYPES": "\n\n".join(struct_text(one) for one in _outside(into, held)),
        **{name: filled(text, asked) for name, text in _look_up_texts(look_up).items()},
        "COUNTED": "\nextern unsigned long loadlearn_counted[5];" if counting else "",
    }
    header = filled(template("loadlearn_step.h"), words)
    code = into.text()
    words |= {
        "INNER_TYPES": "\n\n".join(struct_text(one) for one in _inside(into, held)),
        "CONSTANTS": "\n".join(
            f"#define {name} {literal(value)}" for name, value in into.constants.items()
        ),
        "HELPERS": helpers_of(code, counting),
        "DATA": "\n\n".join(_data_text(*one) for one in data),
        "CODE": code,
        "LIMITS": ",\n".join(
            "    {" + ", ".join(literal(one) for one in limits_of(name)) + f"}}  /* {name} */"
            for name in CHANNELS_IN.names or ()
        ),
        "CHANNELS_COUNT": str(len(CHANNELS_IN.names or ())),
        "FORCE": str(setup.sources.force),
        "HEIGHT": str(setup.sources.height),
        "TAKE_CHANNELS": to_sample.name,
        "TO_ROWS": to_rows.name,
        "TO_ESTIMATES": to_estimates.name,
        "SHORTEST": literal(SHORTEST_ROW_S),
        "GROUND_COUNT": str(names),
        "FORGET": _forget_text(held["hypotheses"]),
        "TOLD": "\n".join(f"    estimate->{name} = now->{name};" for name in ESTIMATES),
        "SHIFTS": _shift_text(),
        "TIME_LOW": repr(BY_NAME["time_s"].lower),
        "TIME_HIGH": repr(BY_NAME["time_s"].upper),
        "LONGEST_JUMP": repr(LONGEST_JUMP_S),
        "NEW_CLOCK_WITHIN": repr(NEW_CLOCK_WITHIN_S),
        "AFTER_NEW_CLOCK": repr(AFTER_NEW_CLOCK_S),
        "SHIFT_EVERY": repr(SHIFT_EVERY_S),
    }
    return StepSource(
        header,
        filled(template("loadlearn_step.c"), words),
        setup.names,
        look_up is not None,
        max(to_rows.most_items, to_estimates.most_items) + numbers_in(room),
    )


def _look_up_words(
    into: Translation, data: list[tuple[str, CType, Any]], look_up: LookUp | None
) -> dict[str, str]:
    """Translate the look-up and add its data; what its texts are filled with."""
    if look_up is None:
        return {}
    real = RECORDS.type_of(0.0)
    given = [
        ("grid", _constant(RECORDS.type_of(look_up.grid)), look_up.grid),
        ("rig_belief", _constant(RECORDS.type_of(look_up.rig)), look_up.rig),
        ("points", _constant(RECORDS.type_of(look_up.points)), look_up.points),
    ]
    draws = RECORDS.type_of(np.zeros(look_up.points.shape[1], LOAD_DRAW))
    output = _constant(RECORDS.struct(OUTPUT))
    kinds = tuple(kind for _, kind, _ in given)
    found = into.function(settings_for, (output, draws, *kinds, real, real, real))
    known = into.function(load_known, (real, real, real))
    into.note(draws)
    data += given
    low, high = limits_of("grade_percent")
    slowest, fastest = limits_of("speed_m_s")
    return {
        "SETTINGS_FOR": found.name,
        "LOAD_KNOWN": known.name,
        "DRAWS": str(look_up.points.shape[1]),
        "STRATEGY": _quoted(look_up.name),
        "GRADE_LOW": literal(low),
        "GRADE_HIGH": literal(high),
        "SPEED_LOW": literal(slowest),
        "SPEED_HIGH": literal(fastest),
    }


def _look_up_texts(look_up: LookUp | None) -> dict[str, str]:
    if look_up is None:
        return {"LOOK_UP_HEAD": "", "LOOK_UP_CODE": ""}
    return {"LOOK_UP_HEAD": template("look_up.h"), "LOOK_UP_CODE": template("look_up.c")}


def template(name: str) -> str:
    """A C file with words to be filled in, marked ``@WORD@``.

    Parameters
    ----------
    name : str
        Of a file in ``templates``.
    """
    return (Path(__file__).parent / "templates" / name).read_text(encoding="utf-8")


def filled(text: str, words: Mapping[str, str]) -> str:
    """A template with its words filled in.

    Parameters
    ----------
    text : str
    words : mapping of str to str
    """
    return re.sub(r"@(\w+)@", lambda found: words[found[1]], text)


def _quoted(name: str) -> str:
    """A name from a file within a comment of C."""
    return " ".join(name.split()).replace("*/", "* /")


def comment(text: str) -> str:
    """A text as the inside of a comment of C.

    Parameters
    ----------
    text : str
    """
    lines = textwrap.wrap(" ".join(text.split()).replace("*/", "* /"), 92)
    return "\n".join(f"   {one}" for one in lines)


def _outside(into: Translation, held: dict[str, CType]) -> list[Struct]:
    """Structs that the state is made of, which a caller has to see to make room for it."""
    seen = {one.name for kind in held.values() for one in structs_in(kind)}
    return [one for name, one in into.structs.items() if name in seen]


def _inside(into: Translation, held: dict[str, CType]) -> list[Struct]:
    outside = {one.name for one in _outside(into, held)}
    return [one for name, one in into.structs.items() if name not in outside]


def _data_text(name: str, kind: CType, value: Any) -> str:
    data = initialiser(value, kind)
    if isinstance(kind, Array):
        return f"static const {base_name(kind)} the_{name}[{kind.size}] = {data};"
    return f"static const {base_name(kind)} the_{name} = {data};"


def helpers_of(code: str, counting: bool = False) -> str:
    """What the translated code calls beside the kernels and the C library.

    Parameters
    ----------
    code : str
    counting : bool
        Whether it counts its operations.
    """
    lines = []
    for name, text in _HELPERS.items():
        if re.search(rf"\b{name}\(", code):
            lines.append(text)
    if counting:
        lines.insert(0, _COUNT)
    return "\n\n".join(lines)


def _forget_text(kind: CType) -> str:
    """Statements that put the hypotheses back to none."""
    assert isinstance(kind, Struct)
    lines = []
    for name, of in kind.fields:
        assert isinstance(of, Array)
        value = "no_load" if isinstance(of.item, Struct) else "R(0.0)"
        if name == "log_weights":
            value = literal(NO_WEIGHT)
        lines.append(f"    for (i = 0; i < {of.size}; i++) {{")
        lines.append(f"        step->hypotheses.{name}[i] = {value};")
        lines.append("    }")
    return "\n".join(lines)


def _shift_text() -> str:
    lines = [
        f"    step->intervals.{part}[0].{name} -= shift;"
        for part, names in _INSTANTS.items()
        for name in names
    ]
    return "\n".join(lines)


_COUNT = """unsigned long loadlearn_counted[5];

#define COUNT(add, multiply, divide, compare, function) do { \\
    loadlearn_counted[0] += (add); \\
    loadlearn_counted[1] += (multiply); \\
    loadlearn_counted[2] += (divide); \\
    loadlearn_counted[3] += (compare); \\
    loadlearn_counted[4] += (function); \\
} while (0)"""

_HELPERS = {
    "R_max": "static real R_max(real a, real b)\n{\n    return b > a ? b : a;\n}",
    "R_min": "static real R_min(real a, real b)\n{\n    return b < a ? b : a;\n}",
    "int_max": "static int int_max(int a, int b)\n{\n    return b > a ? b : a;\n}",
    "int_min": "static int int_min(int a, int b)\n{\n    return b < a ? b : a;\n}",
    "square": "static real square(real a)\n{\n    return a * a;\n}",
    "place_of_greatest": """static int place_of_greatest(const real *values, int size)
{
    int found = 0;
    for (int i = 1; i < size; i++) {
        if (values[i] > values[found]) {
            found = i;
        }
    }
    return found;
}""",
}
