"""How long does a newcomer wait for the compiler?

Question
    Processor seconds of `estimate`, and of `advise` after it, on an empty compile cache, and again
    on a full one; how much of that is compilation?
Method
    Each command in a process of its own on the shipped demo drive, without the figure, with a cache
    folder of its own; processor time of the whole process by the operating system. Compilation is
    the difference between the first and the second run. One thread.
Expected answer
    At most 12 s of compilation for `estimate` and 8 s more for `advise`, on a machine on which
    importing the compiler takes a third of a second.
Source
    None; the targets are the project's own.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import harness
import pandas as pd

from loadlearn.demo_drive import demo_files


def processor_s(command: list[str], cache: Path) -> float:
    """Processor seconds of a command with its own cache folder."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        [sys.executable, "-m", "loadlearn", *command],
        env={**os.environ, "XDG_CACHE_HOME": str(cache)},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode not in (0, 1):
        raise RuntimeError(done.stderr)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def one_run(index: int) -> list[dict[str, Any]]:
    """Both commands, on an empty cache and then on a full one."""
    files = demo_files()
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder)
        common = [str(files.log), "--rig", str(files.rig), "--no-figure", "--force", "--out"]
        for command in ("estimate", "advise"):
            call = [command, *common, str(here / "out")]
            first, second = (processor_s(call, here / "cache") for _ in range(2))
            rows.append(
                {
                    "command": command,
                    "empty_cache_s": first,
                    "full_cache_s": second,
                    "compilation_s": first - second,
                }
            )
    return rows


def main() -> int:
    """Run and print."""
    made = harness.parser(__doc__, seeds=3, quick_seeds=1)
    chosen = harness.parse(made)
    runs = harness.run(one_run, [(index,) for index in range(chosen.seeds)], chosen, label="runs")
    found = pd.DataFrame(runs)
    table = found.groupby("command", sort=False).median(numeric_only=True).reset_index()
    harness.write(chosen, "benchmark_first_call", table, details=found, digits=3)
    return 0


if __name__ == "__main__":
    sys.exit(main())
