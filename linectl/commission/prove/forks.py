"""Many trips from one run: the stand goes on to each moment, and a child process does the course.

A child is a copy of the stand at its moment, so that hundreds of courses cost one run to their
moments. Several such runs go side by side, each with its share of the courses.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
import traceback
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from typing import Any, Protocol

from linectl.commission.prove.courses import Course
from linectl.commission.prove.moments import QUIET_MS
from linectl.commission.prove.stand import Stand
from linectl.site.model import Site


class Task(Protocol):
    """Something to do with a stand that has reached a moment, in a process of its own."""

    @property
    def course(self) -> Course:
        """When it begins, and in which mode both units run."""

    def on(self, stand: Stand) -> Any:
        """Do it; what it returns is told to the process that asked."""


def each_done(site: Site, seed: int, tasks: Sequence[Task], jobs: int) -> Iterator[tuple[int, Any]]:
    """(place of the task, what it returned), as they come. `jobs`: processes side by side.

    Raises what a task raised. Leaving the iteration early ends the processes.
    """
    order = sorted(
        range(len(tasks)), key=lambda n: (tasks[n].course.mode, tasks[n].course.moment.at_ms)
    )
    shares = [order[start::jobs] for start in range(jobs)]
    context = get_context("fork")
    links: list[Connection] = []
    processes = []
    for share in (share for share in shares if share):
        ours, theirs = context.Pipe(duplex=False)
        process = context.Process(
            target=_work, args=(site, seed, tasks, share, theirs), daemon=True
        )
        process.start()
        theirs.close()
        links.append(ours)
        processes.append(process)
    try:
        while links:
            for link in wait(links):
                assert isinstance(link, Connection)
                try:
                    place, result = link.recv()
                except EOFError:
                    links.remove(link)
                    continue
                if isinstance(result, Exception):
                    raise result
                yield place, result
    finally:
        for process in processes:
            process.terminate()
            process.join()


def _work(
    site: Site, seed: int, tasks: Sequence[Task], share: Sequence[int], link: Connection
) -> None:
    """One process's share: run on from moment to moment, a child for each task."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the one who asked ends us
    stand: Stand | None = None
    mode = ""
    for place in share:
        task = tasks[place]
        if stand is None or task.course.mode != mode:
            mode = task.course.mode
            stand = Stand(site, seed, mode)
            gc.collect()
            gc.freeze()  # a child that collects would copy every page
        stand.bench.run(task.course.moment.at_ms - QUIET_MS)
        link.send((place, in_child(partial(task.on, stand))))
    link.close()


def in_child(act: Callable[[], Any]) -> Any:
    """What `act` returns, or the exception it raised, done in a copy of this process."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            result: Any = act()
        except Exception as error:  # noqa: BLE001 the parent is told, whatever it was
            result = RuntimeError(f"{type(error).__name__}: {error}\n{traceback.format_exc()}")
        with os.fdopen(writing, "wb") as pipe:
            pickle.dump(result, pipe)
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading, "rb") as pipe:
        data = pipe.read()
    os.waitpid(child, 0)
    return pickle.loads(data)
