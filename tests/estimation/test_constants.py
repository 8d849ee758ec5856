"""The table of constants in DEVELOPERS.md is complete, and says what the code says."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import pytest

import loadlearn
from loadlearn.estimation.model import Evidence, Noise

PACKAGE = Path(loadlearn.__file__).resolve().parent
DRIVELINE = ("gating", "gear", "engine_force", "traction")
# Counts, formats and figures of mathematics or of a manoeuvre, not of the estimator.
NOT_ITS_OWN = {"N_STATES", "STATE_FORMAT", "NO_WEIGHT", "NEVER"}


def constants() -> Iterator[tuple[str, float]]:
    """Named numbers of the estimator's and the driveline's modules."""
    files = [*(PACKAGE / "estimation").glob("*.py")]
    files += [PACKAGE / "vehicle" / f"{name}.py" for name in DRIVELINE]
    for path in files:
        module = import_module(f"loadlearn.{path.parent.name}.{path.stem}")
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if not isinstance(node, ast.Assign):
                continue
            for name in re.findall(r"id='([A-Z][A-Z0-9_]+)'", ast.dump(node.targets[0])):
                value = getattr(module, name)
                if isinstance(value, int | float) and name not in NOT_ITS_OWN:
                    yield name, value
    for defaults in (Evidence(), Noise()):
        yield from defaults._asdict().items()


def test_every_constant_stands_in_the_table_with_its_value() -> None:
    text = (Path(__file__).resolve().parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.partition("## Constants of the estimator")[2].partition("\n## ")[0]
    told = {name: float(value) for name, value in re.findall(r"`(\w+)` = ([-+.\de]+)", section)}
    found = dict(constants())
    assert len(found) > 100
    assert sorted(set(found) - set(told)) == []
    assert sorted(set(told) - set(found)) == []
    for name, value in found.items():
        assert told[name] == pytest.approx(value, rel=2e-3), name
