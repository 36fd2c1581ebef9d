"""Tasks on the workers of a cluster, by the same interface as processes of this machine."""

import socket
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError
from typing import Any
from urllib.parse import urlsplit

from crestfall.errors import InputError
from crestfall.study._executor import LISTEN_S, Done, Job, WorkersError, attempt
from crestfall.study._parts import code_hash

CONNECT_S = 20
POLL_S = 0.02  # how often it is looked whether a task has ended
HANDED_OVER_S = 5  # longest that a result is waited for: its worker may be gone
AHEAD = 2  # tasks on their way for each thread of a worker: one in hand, one waiting there


class Cluster:
    """Runs tasks on the workers of a Dask scheduler.

    All machines need the same Crestfall, and the files of the study under the same paths.

    Parameters
    ----------
    address : str
        The scheduler, such as ``tcp://10.0.0.5:8786``.

    Raises
    ------
    InputError
        If the package is missing, nobody answers, or a worker has another version.
    """

    def __init__(self, address: str) -> None:
        try:
            import distributed
        except ImportError:
            raise InputError(
                f"--cluster {address}: the package distributed is not installed\n"
                "    pip install 'crestfall[cluster]', here and on every machine"
            ) from None
        _check_answers(address)
        self._library = distributed
        try:
            self._client = distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, TimeoutError, ValueError) as error:
            words = (str(error).splitlines() or [type(error).__name__])[0]
            raise InputError(
                f"--cluster {address}: no scheduler answers there: {words}\n"
                "    start one with: dask scheduler; it prints its address"
            ) from None
        self._address = address
        try:
            self._check_workers(address)
            self._check_versions(address)
        except BaseException:
            self._client.close(timeout=LISTEN_S)  # else it goes on asking the scheduler beside whatever comes next
            raise

    @property
    def workers(self) -> int:
        """How many tasks it runs at once."""
        try:
            threads: dict[str, int] = self._client.nthreads()
        except OSError:
            raise self._scheduler_lost() from None
        return sum(threads.values())

    def run(self, job: Job, tasks: Sequence[Any], *, is_stopped: Callable[[], bool]) -> Iterator[Done]:
        """Yield what became of each task, as they end; once stopped, only of those that are in hand."""
        waiting = iter(range(len(tasks)))
        # A task and not scattered data, for it can be made again when the worker that holds it is lost.
        shared = self._client.submit(_same, job, pure=False)
        pending: dict[Any, int] = {}
        done = self._library.as_completed(loop=self._client.loop)
        try:
            while True:
                stopped = is_stopped()
                if not stopped:
                    most = AHEAD * max(1, self.workers)  # they may all be gone and come again
                    while len(pending) < most and (place := next(waiting, None)) is not None:
                        future = self._client.submit(_on_worker, shared, place, tasks[place], pure=False, retries=0)
                        pending[future] = place
                        done.add(future)
                if not pending or (stopped and not self.workers):
                    return
                finished = done.next_batch(block=False)
                for future in finished:
                    outcome = self._outcome(future, pending[future])
                    if outcome is None:
                        done.add(future)
                        continue
                    del pending[future]
                    yield outcome
                if not finished:
                    time.sleep(POLL_S)
        finally:
            self._client.cancel(list(pending))
            self._client.close(timeout=LISTEN_S)

    def _outcome(self, future: Any, place: int) -> Done | None:
        """Return what became of a task; None where its worker left before it handed that over, so it is done again."""
        try:
            outcome: Done = future.result(timeout=HANDED_OVER_S)
        except TimeoutError:
            return None
        except self._library.scheduler.KilledWorker:
            return Done(place, failure="its worker died, and so did others that tried")
        except CancelledError:
            raise self._scheduler_lost() from None
        except Exception as error:  # of the cluster, not of the task, whose own errors come back as a Done
            return Done(place, failure=f"{type(error).__name__} on the cluster")
        return outcome

    def _scheduler_lost(self) -> WorkersError:
        return WorkersError(
            f"--cluster {self._address}: the scheduler does not answer any more; what is done is kept\n"
            "    start it and its workers again, and go on with --resume"
        )

    def _check_workers(self, address: str) -> None:
        """Raise unless there is a worker, or one comes soon."""
        try:
            self._client.wait_for_workers(1, timeout=CONNECT_S)
        except TimeoutError:
            raise InputError(
                f"--cluster {address}: the scheduler has no workers\n"
                f"    start one on each machine with: dask worker {address} --nthreads 1"
            ) from None

    def _check_versions(self, address: str) -> None:
        """Raise unless every worker runs the same code and libraries."""
        try:
            self._client.get_versions(check=True)
        except ValueError as error:
            raise InputError(f"--cluster {address}: versions differ\n    {error}") from None
        mine = code_hash()
        for worker, theirs in self._client.run(_code, on_error="return").items():
            if theirs != mine:
                raise InputError(
                    f"--cluster {address}: worker {worker} has another Crestfall, or none\n"
                    "    install the same on every machine"
                )


_functions: dict[str, Callable[[Any], Any]] = {}  # of a worker process: what a job has loaded


def _check_answers(address: str) -> None:
    """Raise unless something listens at an address: the library itself would wait long and say much."""
    found = urlsplit(address if "//" in address else f"tcp://{address}")
    try:
        host, port = found.hostname, found.port
    except ValueError:
        host = port = None
    if host is None or port is None:
        raise InputError(
            f"--cluster {address}: expected the address of a scheduler with its port\n"
            "    write it as dask scheduler prints it, for example tcp://10.0.0.5:8786"
        )
    try:
        socket.create_connection((host, port), timeout=CONNECT_S).close()
    except OSError as error:
        raise InputError(
            f"--cluster {address}: nobody answers there: {error.strerror or error}\n"
            "    start a scheduler with: dask scheduler; it prints its address"
        ) from None


def _on_worker(job: Job, place: int, task: Any) -> Done:
    key = repr(job)
    if key not in _functions:
        _functions.clear()  # one job at a time
        _functions[key] = job.function()
    return attempt(_functions[key], place, task)


def _same(job: Job) -> Job:
    return job


def _code() -> str:
    return code_hash()
