"""Tasks on this machine: each once, none lost, a few under way, a deadly one found out."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator

from loadlearn.runner import AHEAD, Lost, run_tasks


def doubled(number: int) -> int:
    return 2 * number


def doubled_or_dead(number: int) -> int:
    if number == 5:
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def test_each_task_once_and_read_as_needed() -> None:
    for jobs in (1, 2):
        taken = 0

        def tasks() -> Iterator[int]:
            nonlocal taken
            for number in range(40):
                taken += 1
                yield number

        found = []
        for done, pair in enumerate(run_tasks(doubled, tasks(), jobs=jobs)):
            found.append(pair)
            assert taken <= done + 1 + 2 * AHEAD * jobs
        assert sorted(found) == [(number, 2 * number) for number in range(40)]


def test_a_task_that_kills_its_worker_is_given_up_and_no_other() -> None:
    found = dict(run_tasks(doubled_or_dead, iter(range(12)), jobs=2))
    lost = found.pop(5)
    assert isinstance(lost, Lost) and "worker died" in lost.reason
    assert found == {number: 2 * number for number in range(12) if number != 5}


def test_no_tasks() -> None:
    assert list(run_tasks(doubled, [], jobs=2)) == []
