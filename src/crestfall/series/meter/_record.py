"""What is said, found and asked while a meter file is read."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from crestfall.errors import SeriesError

Stamp = Literal["start", "end"]
DateOrder = Literal["dmy", "mdy", "ymd"]
Unit = Literal["W", "kW", "MW", "Wh", "kWh", "MWh"]
Kind = Literal["interval", "register"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What the user says about the files; what is left out is looked for in them.

    Parameters
    ----------
    zone : str or None
        IANA zone of the site; stamps without UTC offset are its wall clock unless `clock` says otherwise.
    clock : str or None
        IANA zone of the clock that the meter keeps, such as UTC or Etc/GMT-1.
    date_order : {"dmy", "mdy", "ymd"} or None
        Order of day, month and year.
    stamp : {"start", "end"} or None
        Which end of its interval a stamp marks.
    unit : {"W", "kW", "MW", "Wh", "kWh", "MWh"} or None
        Unit of the values.
    kind : {"interval", "register"} or None
        Values of each interval, or readings of a register that counts on.
    encoding : str or None
        Encoding of a text file.
    delimiter : str or None
        Mark between columns.
    decimal : {".", ","} or None
        Decimal mark.
    header_lines : int or None
        Lines before the data.
    time_columns : tuple of str
        Column with the stamps, or those with date and time of day.
    load_column, export_column : str or None
        Columns with what the site takes from the grid and with what it gives.
    sheet : str or None
        Sheet of a workbook.
    point : str or None
        Metering point, where a file holds several.
    """

    zone: str | None = None
    clock: str | None = None
    date_order: DateOrder | None = None
    stamp: Stamp | None = None
    unit: Unit | None = None
    kind: Kind | None = None
    encoding: str | None = None
    delimiter: str | None = None
    decimal: Literal[".", ","] | None = None
    header_lines: int | None = None
    time_columns: tuple[str, ...] = ()
    load_column: str | None = None
    export_column: str | None = None
    sheet: str | None = None
    point: str | None = None


@dataclass(frozen=True, slots=True)
class Evidence:
    """One thing that was found about a file.

    Parameters
    ----------
    topic : str
        What it is about.
    value : str
        What was found.
    why : str
        What speaks for it.
    option : str
        The option that says otherwise; empty where there is nothing to choose.
    """

    topic: str
    value: str
    why: str
    option: str = ""


@dataclass(frozen=True, slots=True)
class Question:
    """Something that a file leaves open.

    Parameters
    ----------
    topic : str
        What it is about.
    why : str
        Why it is open.
    choices : tuple of (str, str)
        Each option to give, exactly as it is written, with what it would mean.
    """

    topic: str
    why: str
    choices: tuple[tuple[str, str], ...]

    def __str__(self) -> str:
        width = max(len(option) for option, _ in self.choices)
        return "\n".join([f"{self.topic}: {self.why}", *(f"    {o:<{width}}  {m}".rstrip() for o, m in self.choices)])


class UndecidedError(SeriesError):
    """A file can be read in more than one way; nothing is chosen in silence.

    Parameters
    ----------
    path : str
        The file.
    questions : sequence of Question
        What has to be said.
    evidence : sequence of Evidence
        What was found so far.
    """

    def __init__(self, path: str, questions: Sequence[Question], evidence: Sequence[Evidence]) -> None:
        noun = "question is" if len(questions) == 1 else f"{len(questions)} questions are"
        head = f"{path}: {'a ' if len(questions) == 1 else ''}{noun} open; add one option for each"
        super().__init__("\n".join([head, *map(str, questions)]))
        self.questions = tuple(questions)
        self.evidence = tuple(evidence)


@dataclass(slots=True)
class Notebook:
    """Evidence and questions of one file, as they come up."""

    path: str
    evidence: list[Evidence] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)

    def found(self, topic: str, value: str, why: str, option: str = "") -> None:
        """Note what was found, and why."""
        self.evidence.append(Evidence(topic, value, why, option))

    def ask(self, topic: str, why: str, *choices: tuple[str, str]) -> None:
        """Note what is open; reading goes on as far as it can."""
        self.questions.append(Question(topic, why, choices))

    def settle(self) -> None:
        """Stop here if anything is open."""
        if self.questions:
            raise UndecidedError(self.path, self.questions, self.evidence)
