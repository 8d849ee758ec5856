"""One function over many tasks: in this process, in worker processes, or on a Dask cluster.

The engines run a task *at least once*: again, where the worker that had it died. So what a function
returns must follow from its task alone, and whoever keeps results keeps one per task.
"""

from __future__ import annotations

import concurrent.futures as futures
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from typing import Any, TypeVar

from loadlearn.errors import InputError

Task = TypeVar("Task")
Result = TypeVar("Result")

AHEAD = 3
"""Tasks handed out per worker: it never waits for the next, and this process holds no more."""
ANSWERS_WITHIN_S = 15.0
COUNT_AGAIN_S = 2.0
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
"""Workers share the cores with each other."""


@dataclass(frozen=True)
class Lost:
    """In place of the result of a task whose worker died each time.

    Attributes
    ----------
    reason : str
    """

    reason: str


def run_tasks(
    function: Callable[[Task], Result],
    tasks: Iterable[Task],
    *,
    jobs: int = 1,
    scheduler: str | None = None,
) -> Iterator[tuple[Task, Result | Lost]]:
    """Call a function on every task, and give what it returned as it comes.

    Parameters
    ----------
    function : callable
        Takes one task; can be pickled, and so can tasks and results. It does not raise.
    tasks : iterable
        Read as needed, so that there may be any number of them.
    jobs : int
        Worker processes on this machine (joblib's); 1 is none but this one.
    scheduler : str, optional
        Address of a Dask scheduler, whose workers then do the work.

    Yields
    ------
    task, result
        In the order in which they are done. A task whose worker dies is run again; where its worker
        dies each time the result is :class:`Lost`.

    Raises
    ------
    InputError
        No scheduler answers, it has no workers or goes away, or they lack this package.
    """
    if scheduler is None and jobs == 1:
        for task in tasks:
            yield task, function(task)
    elif scheduler is None:
        yield from _on_this_machine(function, tasks, jobs)
    else:
        yield from _on_a_cluster(function, tasks, scheduler)


def _spread(
    executor: futures.Executor,
    function: Callable[[Task], Result],
    tasks: Iterator[Task],
    workers: Callable[[], int],
) -> Iterator[tuple[Task, futures.Future[Result]]]:
    """Finished calls, of which no more than a few per worker are under way."""
    under_way: dict[futures.Future[Result], Task] = {}
    while True:
        for task in islice(tasks, max(0, AHEAD * workers() - len(under_way))):
            under_way[executor.submit(function, task)] = task
        if not under_way:
            return
        done, _ = futures.wait(under_way, timeout=COUNT_AGAIN_S, return_when="FIRST_COMPLETED")
        for one in done:
            yield under_way.pop(one), one


def _on_this_machine(
    function: Callable[[Task], Result], tasks: Iterable[Task], jobs: int
) -> Iterator[tuple[Task, Result | Lost]]:
    from joblib.externals.loky import get_reusable_executor
    from joblib.externals.loky.process_executor import BrokenProcessPool

    def pool(workers: int) -> futures.Executor:
        executor: futures.Executor = get_reusable_executor(workers, env=ONE_THREAD)
        return executor

    left = iter(tasks)
    finished = False
    try:
        while not finished:
            # One dead worker takes the whole pool with it: who it was shows when each is alone.
            suspects = []
            for task, done in _spread(pool(jobs), function, left, lambda: jobs):
                if isinstance(done.exception(), BrokenProcessPool):
                    suspects.append(task)
                else:
                    yield task, done.result()
            for task in suspects:
                try:
                    yield task, pool(1).submit(function, task).result()
                except BrokenProcessPool:
                    yield task, Lost("its worker died twice (out of memory?)")
            finished = not suspects
    finally:
        if not finished:
            get_reusable_executor(jobs).shutdown(wait=False, kill_workers=True)


def _on_a_cluster(
    function: Callable[[Task], Result], tasks: Iterable[Task], scheduler: str
) -> Iterator[tuple[Task, Result | Lost]]:
    from distributed import KilledWorker

    with _client(scheduler) as client:
        counted = [-COUNT_AGAIN_S, 1.0]

        def workers() -> int:
            """Threads of the workers now there: they may come and go."""
            if time.monotonic() - counted[0] >= COUNT_AGAIN_S:
                counted[:] = time.monotonic(), max(1, sum(client.nthreads().values()))
            return int(counted[1])

        # A key of its own for each call: equal tasks are not merged.
        executor = client.get_executor(pure=False)
        try:
            for task, done in _spread(executor, function, iter(tasks), workers):
                error = done.exception()
                if isinstance(error, KilledWorker):
                    yield task, Lost("its worker died several times (out of memory?)")
                elif isinstance(error, ImportError):
                    raise InputError(
                        f"scheduler {scheduler}: a worker cannot import what it needs ({error}); "
                        "install the same loadlearn, with the extra 'cluster', on every worker"
                    )
                else:
                    yield task, done.result()
        except (OSError, futures.CancelledError) as error:
            raise InputError(
                f"scheduler {scheduler}: went away ({error or 'no message'}); start it and its "
                "workers, and run again: what was done is kept"
            ) from None


@contextmanager
def _client(scheduler: str) -> Iterator[Any]:
    try:
        from distributed import Client
    except ImportError:
        raise InputError(
            "--scheduler needs Dask; install the extra with: pip install 'loadlearn[cluster]'"
        ) from None
    try:
        client = Client(scheduler, timeout=ANSWERS_WITHIN_S, set_as_default=False)
    except (OSError, ValueError, futures.TimeoutError) as error:
        raise InputError(
            f"scheduler {scheduler}: does not answer ({error}); give the address that "
            "`dask scheduler` prints, as in tcp://127.0.0.1:8786"
        ) from None
    with client:
        try:
            client.wait_for_workers(1, timeout=ANSWERS_WITHIN_S)
        except futures.TimeoutError:
            raise InputError(
                f"scheduler {scheduler}: has no workers; start some with: dask worker {scheduler}"
            ) from None
        yield client
