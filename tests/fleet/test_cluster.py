"""A fleet on a real Dask cluster of this machine, through what goes wrong in practice.

Scheduler, workers and client are processes of their own that speak over loopback.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pandas as pd
import pytest
from fleet_bench import write_fleet

pytest.importorskip("distributed")

DRIVES = 16
ENVIRONMENT = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


class Cluster:
    """Processes that end with the test."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.processes = folder, []
        told = folder / "scheduler.json"
        self.start("distributed.cli.dask_scheduler", "--port", "0", "--scheduler-file", str(told))
        wait_until(told.exists)
        self.address = json.loads(told.read_text())["address"]

    def start(self, module: str, *words: str) -> subprocess.Popen[str]:
        local = ("--host", "127.0.0.1", "--no-dashboard") if "dask" in module else ()
        with open(self.folder / f"log-{len(self.processes)}.txt", "w") as file:
            process = subprocess.Popen(
                [sys.executable, "-m", module, *words, *local],
                stdout=file,
                stderr=subprocess.STDOUT,
                text=True,
                env=ENVIRONMENT,
            )
        self.processes.append(process)
        return process

    def worker(self) -> subprocess.Popen[str]:
        place = self.folder / f"worker-{len(self.processes)}"
        words = ("--no-nanny", "--nthreads", "1", "--local-directory", str(place))
        return self.start("distributed.cli.dask_worker", self.address, *words)

    def client(self, manifest: Path, out: Path) -> subprocess.Popen[str]:
        words = ("fleet", str(manifest), "--out", str(out), "--scheduler", self.address)
        return self.start("loadlearn", *words)

    def end(self) -> None:
        for process in reversed(self.processes):
            process.kill()
        for process in self.processes:
            process.wait()


def wait_until(there: Callable[[], object], most_s: float = 240.0) -> None:
    """Wait for what other processes do."""
    end = time.monotonic() + most_s
    while not there():
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.02)


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    made = Cluster(tmp_path_factory.mktemp("cluster"))
    made.worker()
    try:
        yield made
    finally:
        made.end()


def test_worker_and_client_killed_nothing_is_lost_and_nothing_doubled(
    cluster: Cluster, tmp_path: Path
) -> None:
    victim = cluster.worker()
    manifest, out = write_fleet(tmp_path, DRIVES, duration_s=200.0), tmp_path / "out"

    def kept() -> set[Path]:
        return set((out / "work" / "results").rglob("[!.]*.json"))

    client = cluster.client(manifest, out)
    wait_until(lambda: len(kept()) >= 3)
    victim.send_signal(signal.SIGKILL)
    at_first = len(kept())
    wait_until(lambda: len(kept()) >= at_first + 3)
    client.send_signal(signal.SIGKILL)
    client.wait()
    before = {path: path.stat().st_mtime_ns for path in kept()}
    assert at_first < len(before) < DRIVES, "it was to be killed in the middle"
    assert not (out / "fleet.json").exists()

    again = cluster.client(manifest, out)
    assert again.wait(240) == 0
    # Nothing kept was judged again, and each drive has one result.
    assert {path: path.stat().st_mtime_ns for path in before} == before
    assert len(kept()) == DRIVES
    said = (cluster.folder / f"log-{len(cluster.processes) - 1}.txt").read_text()
    numbers = re.search(r"(\d+) logs worked on in this run, (\d+) kept", said)
    assert numbers is not None
    assert [int(one) for one in numbers.groups()] == [DRIVES - len(before), len(before)]
    table = pd.read_parquet(out / "dataset")
    assert sorted(table["log"]) == sorted(f"drive-{number}.csv" for number in range(DRIVES))
    assert table["key"].is_unique and table["log_sha256"].is_unique
    assert json.loads((out / "fleet.json").read_text())["drives"] == DRIVES


def test_validate_by_the_same_workers(cluster: Cluster, tmp_path: Path) -> None:
    """Rows as of one process, though another machine's workers read the logs."""
    from loadlearn.study.validation import validate_manifest

    manifest = write_fleet(tmp_path, 2, duration_s=60.0)
    rows = manifest.read_text().splitlines()
    weighed = [row + (",mass_kg" if number == 0 else ",5200") for number, row in enumerate(rows)]
    manifest.write_text("\n".join(weighed) + "\n")
    far = validate_manifest(manifest, scheduler=cluster.address).table
    near = validate_manifest(manifest).table
    pd.testing.assert_frame_equal(far, near, rtol=1e-9)
