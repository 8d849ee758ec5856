"""A few hundred cases of the fuzzers; ``experiments/fuzz_*.py`` run twenty thousand."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

EXPERIMENTS = Path(__file__).resolve().parents[2] / "experiments"
sys.path.insert(0, str(EXPERIMENTS))

import fuzz_inputs  # noqa: E402
import fuzz_states  # noqa: E402

FIRST = 500_000
CASES = {"log": 60, "DataFrame": 30, "channel map": 20, "rig": 60, "samples to the estimator": 30}
CASES |= {"manifest": 8, "road": 15, "dyno sheet": 15}


@pytest.mark.parametrize("kind", CASES)
def test_wrong_inputs_are_answered_or_refused_in_a_sentence(kind: str) -> None:
    rows = pd.DataFrame(fuzz_inputs.many_cases(kind, FIRST, CASES[kind]))
    bad = rows[rows["outcome"].isin([fuzz_inputs.FAULT, fuzz_inputs.NOT_FINITE])]
    assert bad.empty, bad["said"].tolist()
    assert (rows["outcome"] == fuzz_inputs.REFUSED).any() or kind.startswith("samples")


def test_the_fuzzers_base_cases_are_valid(tmp_path: Path) -> None:
    """Else everything would be refused for another reason than what was changed."""

    class Nothing:
        """A generator that never changes anything."""

        def __getattr__(self, name: str) -> object:
            return lambda *args, **options: 0.999 if name == "random" else 0

    assert fuzz_inputs.mutated_cells(Nothing(), "a,b\n1,2") == "a,b\n1,2"  # type: ignore[arg-type]
    from loadlearn import LoadEstimator, Rig

    rig = Rig.from_dict(fuzz_inputs.rig().model_dump())
    last = LoadEstimator(rig).run(fuzz_inputs.drive(), prepare=False).iloc[-1]
    assert np.isfinite(last["mass_kg"])


def test_changed_states_are_refused_and_kill_nothing() -> None:
    rows = pd.DataFrame(fuzz_states.batch(FIRST, 150))
    bad = rows[~rows["outcome"].isin([fuzz_inputs.ANSWERED, fuzz_inputs.REFUSED])]
    assert bad.empty, bad["said"].tolist()
    assert {fuzz_inputs.ANSWERED, fuzz_inputs.REFUSED} == set(rows["outcome"])
    assert len(rows) == 150
