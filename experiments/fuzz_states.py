"""What does a saved state do that was changed on the way?

Question
    Of many thousand saved states of the estimator with something in them changed: how many are
    refused in one sentence, how many end in a traceback or kill the process, how many are accepted
    and then give numbers that are not finite?
Method
    A state is saved half-way through a short drive, with and without delays. One to three things in
    it are changed: bytes of the file, a key's value, numbers within the packed arrays (NaN,
    infinity, huge, tiny, negative, another index, a flipped bit). Half of the changed files get the
    digest that belongs to the change, as somebody would who wrote the file by hand: then only the
    checks of shape, range and finiteness stand in the way. Each is loaded, and taught forty
    samples, in a process of its own kind: one that dies is counted with the signal it died of.
Expected answer
    Every change that keeps the old digest is refused; no traceback, no death, nothing not finite.
Source
    The bounds are the project's own.
"""

from __future__ import annotations

import base64
import json
import math
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import fuzz_inputs
import harness
import numpy as np
import pandas as pd
from fuzz_inputs import ANSWERED, FAULT, NOT_FINITE, REFUSED

from loadlearn import InputError, LoadEstimator
from loadlearn.estimation.estimator import _digest

DIED, ACCEPTED = "died", "accepted though changed"
BATCH = 250
NUMBERS = (math.nan, math.inf, -math.inf, 1e20, -1e20, 1e-300, 1e300, 0.0, -1.0, 1e9, -5.0, 7.0)


def saved(folder: Path, delayed: bool) -> str:
    """A state in the middle of the drive, as JSON."""
    delays = {"force": 0.4, "height": -0.3} if delayed else None
    estimator = LoadEstimator(fuzz_inputs.rig(), delays_s=delays)
    for sample in fuzz_inputs.drive().to_dict("records")[:70]:
        estimator.step(sample)
    estimator.save(folder / "good.json")
    LoadEstimator.load(folder / "good.json", fuzz_inputs.rig())
    return (folder / "good.json").read_text()


def changed(rng: np.random.Generator, good: str) -> tuple[bytes, bool]:
    """A changed state, and whether it carries the digest of its change."""
    if rng.random() < 0.2:
        return fuzz_inputs.mutated_bytes(rng, good.encode()), False
    document = json.loads(good)
    for _ in range(rng.integers(1, 4)):
        if rng.random() < 0.65:
            _change_array(rng, document["state"])
        else:
            table = fuzz_inputs.mutated_table(rng, document)
            document = json.loads(json.dumps(table, default=str))
            if not isinstance(document.get("state"), dict):
                break
    told = rng.random() < 0.6
    if told:
        document["digest"] = _digest(document)
    return json.dumps(document).encode(), told


def _change_array(rng: np.random.Generator, state: dict[str, Any]) -> None:
    name = str(rng.choice(sorted(state)))
    if not isinstance(state[name], str):
        return
    try:
        data = bytearray(base64.b64decode(state[name]))
    except ValueError:  # an earlier change has spoilt it
        return
    words = len(data) // 8
    if not words:
        return
    at, how = 8 * int(rng.integers(0, words)), rng.integers(0, 5)
    if how == 0:
        data[at : at + 8] = np.int64(rng.choice((-1, 2, 7, 99, 1 << 40, -(1 << 60)))).tobytes()
    elif how == 1:
        data[at + int(rng.integers(0, 8))] ^= 1 << int(rng.integers(0, 8))
    elif how == 2:
        data = data[:at]
    elif how == 3:
        values = np.frombuffer(bytes(data[: 8 * words])) * float(10.0 ** rng.uniform(-6.0, 6.0))
        data[: 8 * words] = values.tobytes()
    else:
        data[at : at + 8] = np.float64(rng.choice(NUMBERS)).tobytes()
    state[name] = base64.b64encode(bytes(data)).decode()


def one_case(seed: int, folder: Path, states: tuple[str, str]) -> dict[str, Any]:
    """Change a state, load it and learn with it."""
    rng = np.random.default_rng([seed, 77])
    good = states[int(rng.integers(0, 2))]
    data, told = changed(rng, good)
    path = folder / "state.json"
    path.write_bytes(data)
    said = ""
    try:
        estimator = LoadEstimator.load(path, fuzz_inputs.rig())
        for sample in fuzz_inputs.drive().to_dict("records")[70:110]:
            load = estimator.step(sample)
        found = [load.mass_kg, load.mass_sd_kg, load.drag_area_m2, load.rolling_resistance]
        outcome = ANSWERED if all(map(math.isfinite, found)) else NOT_FINITE
        if outcome == ANSWERED and not told and json.loads(data) != json.loads(good):
            outcome = ACCEPTED
        said = "" if outcome == ANSWERED else str(found)
    except InputError as error:
        outcome, said = REFUSED, str(error)
    except Exception as error:
        outcome, said = FAULT, f"{type(error).__name__}: {error}"
    kind = "digest of the change" if told else "old digest"
    return {"state": kind, "seed": seed, "outcome": outcome, "said": said[-300:]}


def work(first: int, count: int) -> None:
    """Judge consecutive seeds; a line for each, before and after."""
    with tempfile.TemporaryDirectory(prefix="fuzz-") as place:
        folder = Path(place)
        states = saved(folder, False), saved(folder, True)
        for seed in range(first, first + count):
            print(f"at {seed}", flush=True)
            print(json.dumps(one_case(seed, folder, states)), flush=True)


def batch(first: int, count: int) -> list[dict[str, Any]]:
    """The same in a process that may die, begun again after the seed it died of."""
    rows: list[dict[str, Any]] = []
    while count > 0:
        command = [sys.executable, __file__, "--worker", str(first), str(count)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        lines = done.stdout.splitlines()
        rows += [json.loads(line) for line in lines if line.startswith("{")]
        if done.returncode == 0:
            break
        started = [int(line.split()[1]) for line in lines if line.startswith("at ")]
        at = started[-1] if started else first
        said = f"return code {done.returncode}: {done.stderr[-200:]}"
        rows.append({"state": "", "seed": at, "outcome": DIED, "said": said})
        first, count = at + 1, first + count - at - 1
    return rows


def counted(rows: pd.DataFrame) -> pd.DataFrame:
    """How many ended how."""
    table = pd.crosstab(rows["state"], rows["outcome"])
    names = [ANSWERED, REFUSED, FAULT, NOT_FINITE, ACCEPTED, DIED]
    table = table.reindex(columns=names, fill_value=0)
    table.loc["all"] = table.sum()
    return table.rename_axis(index="state", columns=None).reset_index()


def main() -> int:
    """Run and print; exit status 1 where anything was found."""
    made = harness.parser(__doc__, seeds=20_000, quick_seeds=120)
    made.add_argument("--first-seed", type=int, default=0, help="seed of the first case")
    made.add_argument("--worker", nargs=2, type=int, default=None, help="for its own processes")
    chosen = harness.parse(made)
    if chosen.worker is not None:
        work(*chosen.worker)
        return 0
    end = chosen.first_seed + chosen.seeds
    tasks = [(at, min(BATCH, end - at)) for at in range(chosen.first_seed, end, BATCH)]
    rows = pd.DataFrame(harness.run(batch, tasks, chosen, label="batches"))
    table = counted(rows)
    bad = rows[~rows["outcome"].isin([ANSWERED, REFUSED])]
    harness.write(chosen, "fuzz_states", table, details=bad, digits=0)
    for _, one in bad.drop_duplicates("said").head(40).iterrows():
        print(f"seed {one['seed']}: {one['outcome']}: {one['said']!r}")
    return int(len(bad) > 0)


if __name__ == "__main__":
    sys.exit(main())
