"""The errors that a caller can meet, and how one wrong value is described.

::

    CrestfallError
    ├── InputError               exit status 2
    │   ├── ScenarioError            a YAML file: every fault at once, in file order
    │   ├── KeyedError               one value that only a later room can judge
    │   ├── SeriesError              interval data
    │   └── OutputError              the folder for the results
    ├── InfeasibleError          exit status 3
    └── SolverError              exit status 1
"""

from dataclasses import dataclass
from typing import ClassVar, Literal

DocumentKind = Literal["scenario", "tariff", "catalogue", "sweep"]
DocumentName = str  # a kind of document; with further tariff files "tariff 2", "tariff 3" ...
KeyPath = tuple[str | int, ...]


class CrestfallError(Exception):
    """Base of all errors that Crestfall raises on purpose."""

    exit_status: ClassVar[int] = 1


class InputError(CrestfallError):
    """What the user gave cannot be used."""

    exit_status: ClassVar[int] = 2


class SeriesError(InputError):
    """Interval data are missing, damaged or do not fit together; the message gives file, place, count, remedy."""


class OutputError(InputError):
    """The results cannot be written where they were asked for."""


class InfeasibleError(CrestfallError):
    """No schedule keeps all limits; the message says which limit, when and by how much."""

    exit_status: ClassVar[int] = 3


class SolverError(CrestfallError):
    """The solver ended without a usable schedule although one may exist."""


class KeyedError(InputError):
    """A value that is well formed but wrong in its context; :meth:`Scenario.located` adds file and line.

    Parameters
    ----------
    document : str
        The file in which the value stands: scenario, tariff or catalogue, or a further tariff such as "tariff 2".
    key : tuple of str or int
        Path of keys that leads to it.
    found, expected, remedy : str
        What is there, what would be right, and how to get there.
    """

    def __init__(self, document: DocumentName, key: KeyPath, *, found: str, expected: str, remedy: str) -> None:
        super().__init__(f"{dotted(key)}: found {found}, expected {expected}\n    {remedy}")
        self.document = document
        self.key = key
        self.found = found
        self.expected = expected
        self.remedy = remedy


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One wrong value in a YAML file, and the way out of it."""

    file: str
    line: int
    key: str
    text: str
    remedy: str

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else self.file
        return f"{where}: {self.key + ': ' if self.key else ''}{self.text}\n    {self.remedy}"


class ScenarioError(InputError):
    """One or more faults in a scenario, tariff or catalogue file.

    Parameters
    ----------
    faults : tuple of Fault
        All of them, in the order in which they stand in the files.
    """

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        count = "1 problem" if len(faults) == 1 else f"{len(faults)} problems"
        super().__init__("\n".join([*map(str, faults), f"{count}, nothing was run"]))
        self.faults = faults


def dotted(key: KeyPath) -> str:
    """Return a key path as it is shown to a user.

    >>> dotted(("tariff", "energy_charges", 0, "rate_per_kwh"))
    'tariff.energy_charges[0].rate_per_kwh'
    """
    text = ""
    for part in key:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text
