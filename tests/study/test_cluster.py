"""A cluster whose workers come and go, without any."""

from types import SimpleNamespace
from typing import ClassVar

import pytest

from crestfall.study._cluster import Cluster
from crestfall.study._executor import Done


class Ended:
    """Futures that have ended; the first of them is lost with its worker before it hands over what it found."""

    lost: ClassVar[set[int]] = set()

    def __init__(self, place: int) -> None:
        self.place = place

    def result(self, timeout: float) -> Done:
        assert timeout > 0
        if self.place == 0 and not self.lost:
            self.lost.add(0)
            raise TimeoutError
        return Done(self.place)


class AsCompleted:
    def __init__(self, loop: object) -> None:
        self.added: list[Ended] = []

    def add(self, future: Ended) -> None:
        self.added.append(future)

    def next_batch(self, *, block: bool) -> list[Ended]:
        found, self.added = self.added, []
        return found


class Client:
    """Ends every task at once."""

    loop = None

    def submit(self, function, *given, **_) -> object:
        return Ended(given[1]) if len(given) > 1 and isinstance(given[1], int) else None

    def nthreads(self) -> dict[str, int]:
        return {"tcp://10.0.0.5:4000": 1}

    def cancel(self, futures) -> None: ...

    def close(self, timeout: float) -> None: ...


@pytest.fixture
def cluster():
    Ended.lost.clear()
    made = object.__new__(Cluster)
    made._client, made._address = Client(), "tcp://10.0.0.5:8786"
    killed = type("KilledWorker", (Exception,), {})
    made._library = SimpleNamespace(as_completed=AsCompleted, scheduler=SimpleNamespace(KilledWorker=killed))
    return made


def test_a_result_that_is_lost_before_it_is_handed_over_is_waited_for_again(cluster):
    found = list(cluster.run(None, ["a", "b", "c"], is_stopped=lambda: False))
    assert Ended.lost == {0}
    assert sorted(one.place for one in found) == [0, 1, 2]
