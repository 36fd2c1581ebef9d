"""Run many tasks in processes of this machine, so that nothing is lost when one of them dies.

A job is sent once to each worker, which makes of it a function of a task and keeps whatever it loads. The parent hands
out one task at a time over a pipe. A worker whose pipe ends has died: its task is tried once more elsewhere, then it is
a failure with the reason. Workers end when the parent's end of the pipe is gone, so none outlives it for long.
"""

import os
import signal
import threading
import time
import traceback
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any, Protocol

from crestfall.errors import CrestfallError

TRIES = 2  # of a task whose worker died
MOST_STILLBORN = 4  # workers that die before they are ready, one after the other
LISTEN_S = 0.2  # how often a wish to stop is looked for
# Solvers and linear algebra start as many threads as the machine has cores, in each process, unless told not to.
ONE_THREAD = dict.fromkeys(
    ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS", "NUMEXPR_NUM_THREADS"), "1"
)


class Job(Protocol):
    """What is done to each task; it can be pickled."""

    def function(self) -> Callable[[Any], Any]:
        """Return the function of a task, with all that it needs loaded."""


@dataclass(frozen=True, slots=True)
class Done:
    """What became of a task.

    Parameters
    ----------
    place : int
        Place of the task in the list.
    value : object
        What the function returned; None where it failed.
    failure : str or None
        Why it failed, in one line; None where it did not.
    is_bug : bool
        Whether the function raised what it should not, `details` then is the traceback.
    details : str
        The traceback.
    """

    place: int
    value: Any = None
    failure: str | None = None
    is_bug: bool = False
    details: str = ""


class WorkersError(CrestfallError):
    """Workers cannot be started."""


class Executor(Protocol):
    """Runs tasks somewhere."""

    @property
    def workers(self) -> int:
        """How many tasks it runs at once."""

    def run(self, job: Job, tasks: Sequence[Any], *, is_stopped: Callable[[], bool]) -> Iterator[Done]:
        """Yield what became of each task, as they end; once stopped, only of those that are in hand."""


class ThisProcess:
    """Runs tasks one after the other where it is called."""

    workers = 1

    def run(self, job: Job, tasks: Sequence[Any], *, is_stopped: Callable[[], bool]) -> Iterator[Done]:
        """Yield what became of each task; once stopped, none."""
        function = job.function()
        for place, task in enumerate(tasks):
            if is_stopped():
                return
            yield attempt(function, place, task)


@dataclass(slots=True)
class _Worker:
    process: BaseProcess
    pipe: Connection
    place: int | None = None  # of the task in hand
    is_ready: bool = False


class Processes:
    """Runs tasks in processes of this machine.

    Parameters
    ----------
    workers : int, optional
        How many; left out: one for each core that this process may use.
    """

    def __init__(self, workers: int | None = None) -> None:
        self.workers = cores() if workers is None else workers

    def run(self, job: Job, tasks: Sequence[Any], *, is_stopped: Callable[[], bool]) -> Iterator[Done]:
        """Yield what became of each task, as they end; once stopped, only of those that are in hand."""
        pool = _Pool(job, tasks)
        try:
            for _ in range(min(self.workers, len(tasks))):
                pool.hire()
            yield from pool.outcomes(is_stopped)
        finally:
            pool.close()


class _Pool:
    def __init__(self, job: Job, tasks: Sequence[Any]) -> None:
        self.job, self.tasks = job, tasks
        self.waiting = deque(range(len(tasks)))
        self.tries = [0] * len(tasks)
        self.workers: list[_Worker] = []
        self.stillborn = 0
        self.context = get_context("spawn")

    def hire(self) -> None:
        ours, theirs = self.context.Pipe()
        process = self.context.Process(target=_serve, args=(theirs, self.job), daemon=True)
        with _environment(ONE_THREAD), _deaf_to_interrupts():
            process.start()
        theirs.close()  # else the end of the worker would not end the pipe
        self.workers.append(_Worker(process, ours))

    def outcomes(self, is_stopped: Callable[[], bool]) -> Iterator[Done]:
        while True:
            stopped = is_stopped()
            busy = [one for one in self.workers if one.place is not None]
            if not busy and (stopped or not self.waiting):
                return
            listened = busy if stopped else self.workers
            for pipe in wait([one.pipe for one in listened], timeout=LISTEN_S):
                worker = next(one for one in self.workers if one.pipe is pipe)
                try:
                    message = worker.pipe.recv()
                except (EOFError, OSError):
                    yield from self._lost(worker, stopped=stopped)
                    continue
                yield from self._heard(worker, message)
                if not stopped:
                    self._hand_out(worker)

    def _heard(self, worker: _Worker, message: Any) -> Iterator[Done]:
        if isinstance(message, Done):
            worker.place = None
            yield message
            return
        worker.is_ready, self.stillborn = True, 0
        if message is not None:
            raise message

    def _hand_out(self, worker: _Worker) -> None:
        if not self.waiting:
            return
        place = self.waiting.popleft()
        worker.place, self.tries[place] = place, self.tries[place] + 1
        try:
            worker.pipe.send((place, self.tasks[place]))
        except OSError:
            return  # it has died; the pipe says so when it is listened to

    def _lost(self, worker: _Worker, *, stopped: bool) -> Iterator[Done]:
        worker.process.join()
        worker.pipe.close()
        self.workers.remove(worker)
        place, why = worker.place, _cause(worker.process.exitcode)
        if not worker.is_ready:
            self.stillborn += 1
            if self.stillborn >= MOST_STILLBORN:
                raise WorkersError(f"workers end before they begin ({why})\n    {_remedy(worker.process.exitcode)}")
        if place is not None:
            if self.tries[place] >= TRIES:
                yield Done(place, failure=f"its worker died {TRIES} times ({why})")
            elif not stopped:
                self.waiting.appendleft(place)
        if self.waiting and not stopped:
            self.hire()

    def close(self) -> None:
        for worker in self.workers:
            if worker.place is not None or not worker.is_ready:
                worker.process.terminate()
            worker.pipe.close()  # idle ones end by themselves
        for worker in self.workers:
            worker.process.join(timeout=5)
            if worker.process.is_alive():
                worker.process.kill()
                worker.process.join()


def cores() -> int:
    """Return the number of cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@dataclass(slots=True)
class Rate:
    """How fast tasks end, and when all will have."""

    total: int
    done: int = 0
    began: float = 0.0

    def __post_init__(self) -> None:
        self.began = time.monotonic()

    def words(self, noun: str) -> str:
        """Return how many are done, how fast, and the time that is left, for one line."""
        seconds = time.monotonic() - self.began
        text = f"{self.done:,} of {self.total:,} {noun}"
        if not self.done or seconds <= 0:
            return text
        per_s = self.done / seconds
        rate = f"{per_s:.1f} a second" if per_s >= 1 else f"{60 * per_s:.1f} a minute"
        return f"{text}, {rate}, {duration((self.total - self.done) / per_s)} left"


def duration(seconds: float) -> str:
    """Return a time in words.

    >>> duration(42.4), duration(190), duration(9000)
    ('42 s', '3 min 10 s', '2 h 30 min')
    """
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"


def _serve(pipe: Connection, job: Job) -> None:
    """Work until the pipe ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        function = job.function()
        pipe.send(None)
    except CrestfallError as error:
        pipe.send(error)
        return
    except OSError:
        return  # the parent is gone
    while True:
        try:
            place, task = pipe.recv()
            pipe.send(attempt(function, place, task))
        except (EOFError, OSError):
            return


def attempt(function: Callable[[Any], Any], place: int, task: Any) -> Done:
    """Return what became of a task, whatever it raised."""
    try:
        return Done(place, value=function(task))
    except MemoryError:
        return Done(place, failure="out of memory")
    except Exception as error:  # whatever it is, it belongs to this task and must not take the others along
        words = str(error).splitlines() or [""]
        return Done(
            place,
            failure=f"{type(error).__name__}: {words[0]}",
            is_bug=not isinstance(error, CrestfallError),
            details=traceback.format_exc(),
        )


def _cause(exitcode: int | None) -> str:
    if exitcode is not None and exitcode < 0:
        name = signal.Signals(-exitcode).name
        return f"{name}, perhaps for want of memory" if name == "SIGKILL" else name
    return f"exit status {exitcode}"


def _remedy(exitcode: int | None) -> str:
    if exitcode is not None and exitcode < 0:
        return "let fewer run at once, so that each has more memory"
    return "in a script of your own, start from within: if __name__ == '__main__':"


@contextmanager
def _deaf_to_interrupts() -> Iterator[None]:
    """Start processes that do not hear Ctrl-C: it is for the parent, which ends them or lets them finish."""
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread may say what is done with signals
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _environment(values: dict[str, str]) -> Iterator[None]:
    """Set variables for processes that start meanwhile."""
    before = {name: os.environ.get(name) for name in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
