"""Tasks on this machine: each once, none lost, a few under way, a deadly one found out."""

from __future__ import annotations

import concurrent.futures as futures
import os
import signal
from collections.abc import Iterator

from loadlearn.runner import AHEAD, Lost, _spread, run_tasks


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


def test_no_task_is_taken_for_a_pool_that_broke() -> None:
    """Whether that shows at a call or when one is handed out."""
    for after in range(1, 6):
        pool, left = Breaking(after), iter(range(20))
        ended = list(_spread(pool, doubled, left, lambda: 1))
        # What came before has its result, the rest that was taken the error, and no more was taken.
        well = sorted(task for task, call in ended if call.exception() is None)
        assert well == list(range(after)) and len(ended) <= after + AHEAD
        assert list(left) == list(range(len(ended), 20))


class Breaking(futures.Executor):
    """Breaks after a number of calls, and refuses all later ones."""

    def __init__(self, after: int) -> None:
        self.left = after

    def submit(self, function, /, *words, **options):  # type: ignore[no-untyped-def]
        self.left -= 1
        if self.left < -1:
            raise futures.BrokenExecutor("it broke before")
        call: futures.Future[int] = futures.Future()
        if self.left < 0:
            call.set_exception(futures.BrokenExecutor("it breaks"))
        else:
            call.set_result(function(*words))
        return call


def test_no_tasks() -> None:
    assert list(run_tasks(doubled, [], jobs=2)) == []
