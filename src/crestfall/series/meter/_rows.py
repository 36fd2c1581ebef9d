"""Readings of a meter as they came, in UTC and kW."""

from dataclasses import dataclass, replace
from functools import reduce
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.series.meter._clock import Change, Clock, Seconds
from crestfall.series.meter._record import Kind, Notebook, Said, Unit
from crestfall.series.meter._stamps import shown_wall

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

TO_KILO: dict[Unit, float] = {"W": 1e-3, "kW": 1.0, "MW": 1e3, "Wh": 1e-3, "kWh": 1.0, "MWh": 1e3}
MOST_FALLS = 2  # a register may be exchanged or roll over
SURE_ROWS = 100  # no load rises this often without ever falling


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """Readings of one metering point in the order in which they came.

    Parameters
    ----------
    source : str
        File or files.
    utc_s : ndarray of int64, shape (n_rows,)
        Start of each interval, seconds since 1970.
    step_s : int
        Length of an interval [s].
    load_kw : ndarray of shape (n_rows,)
        Mean power from the grid, NaN where the file has no value [kW].
    export_kw : ndarray of shape (n_rows,) or None
        Mean power to the grid [kW].
    line : ndarray of int, shape (n_rows,)
        Line of the file, or number of the reading where a format has no lines.
    clock : Clock
        The clock of the site.
    known_kw : ndarray of shape (n_rows,) or None
        Mean power that a register shows over a time without readings, NaN elsewhere [kW].
    substituted : ndarray of bool, shape (n_rows,) or None
        Values that the meter's operator estimated.
    skipped : ndarray of bool, shape (n_rows,) or None
        Rows at wall times that the clock skips.
    once : tuple of Change
        Clock changes whose repeated hour stands once.
    """

    source: str
    utc_s: Seconds
    step_s: int
    load_kw: FloatArray
    export_kw: FloatArray | None
    line: NDArray[np.int64]
    clock: Clock
    known_kw: FloatArray | None = None
    substituted: Mask | None = None
    skipped: Mask | None = None
    once: tuple[Change, ...] = ()

    @property
    def step_h(self) -> float:
        """Length of an interval [h]."""
        return self.step_s / 3600

    def shown(self, utc_s: int) -> str:
        """Return a moment as the clock of the site shows it."""
        return shown_wall(int(self.clock.wall_s(np.array([utc_s], np.int64))[0]))


def in_kw(values: FloatArray, unit: Unit, step_h: float) -> FloatArray:
    """
    Return mean powers.

    Parameters
    ----------
    values : ndarray
        Values as they stand in a file.
    unit : {"W", "kW", "MW", "Wh", "kWh", "MWh"}
        Their unit.
    step_h : float
        Length of an interval [h].

    Returns
    -------
    ndarray
        Powers [kW].
    """
    kilo = values if TO_KILO[unit] == 1.0 else values * TO_KILO[unit]
    return kilo / step_h if unit.endswith("h") else kilo


def kind_of_values(values: FloatArray, unit: Unit | None, said: Said, notes: Notebook) -> Kind:
    """
    Tell values of intervals from readings of a register that counts on, or note the question.

    Parameters
    ----------
    values : ndarray of shape (n_rows,)
        Values forwards in time.
    unit : {"W", "kW", "MW", "Wh", "kWh", "MWh"} or None
        Their unit, as far as it is known.
    said : Said
        What the user says.
    notes : Notebook
        Where the finding or the question goes.

    Returns
    -------
    {"interval", "register"}
        The kind; "interval" while the question is open.
    """
    if said.kind is not None:
        words = {"interval": "of each interval", "register": "readings of a register"}
        notes.found("values", words[said.kind], "as said", "--values")
        return said.kind
    present = values[np.isfinite(values)]
    changes = np.diff(present)
    rises, falls = int((changes > 0).sum()), int((changes < 0).sum())
    # A load that falls as often as it rises is none; one that never falls is a register.
    if falls > MOST_FALLS or rises < 2 or (rises > SURE_ROWS and falls > rises / SURE_ROWS):
        notes.found("values", "of each interval", f"they fall {falls:,} and rise {rises:,} times", "--values")
        return "interval"
    is_power = unit is not None and not unit.endswith("h")
    if rises >= SURE_ROWS and not is_power:
        why = f"they rise {rises:,} times and fall {falls} times"
        notes.found("values", "readings of a register", why, "--values")
        return "register"
    notes.ask(
        "values",
        f"they rise {rises:,} and fall {falls} times: a load, or a register that counts on?",
        ("--values interval", "each value belongs to one interval"),
        ("--values register", "the difference of two readings belongs to the interval between them"),
    )
    return "interval"


def of_register(rows: Rows, notes: Notebook) -> Rows:
    """
    Return the powers between readings of a register.

    Parameters
    ----------
    rows : Rows
        Readings; `load_kw` holds counts in kWh at the moments `utc_s`.
    notes : Notebook
        Where falls are noted.

    Returns
    -------
    Rows
        Powers on intervals that start at a reading; where readings are missing, with the power that is known over them.

    Raises
    ------
    SeriesError
        If readings are out of order.
    """
    order = np.argsort(rows.utc_s, kind="stable")
    utc_s, first = np.unique(rows.utc_s[order], return_index=True)
    order = order[first]
    if len(utc_s) < 2:
        raise SeriesError(f"{rows.source}: one reading of a register makes no interval\n    expected at least two")
    length_s = np.diff(utc_s)
    steps = np.maximum(length_s // rows.step_s, 1)
    if (length_s % rows.step_s).any():
        at = int(np.flatnonzero(length_s % rows.step_s)[0])
        raise SeriesError(
            f"{rows.source} line {rows.line[order[at + 1]]:,}: the reading at {rows.shown(int(utc_s[at + 1]))} stands"
            f" off the steps of {rows.step_s // 60} minutes\n    bring the readings to one step"
        )
    start_s = np.repeat(utc_s[:-1], steps) + rows.step_s * _counted_up(steps)
    line = np.repeat(rows.line[order[:-1]], steps)
    is_whole = np.repeat(steps == 1, steps)
    powers: list[FloatArray | None] = []
    for counts in (rows.load_kw, rows.export_kw):
        if counts is None:
            powers.append(None)
            continue
        gained_kwh = np.diff(counts[order])
        if falls := int((gained_kwh < 0).sum()):
            notes.found("register", "it falls", f"{falls} time{'' if falls == 1 else 's'}: exchanged, or rolled over")
            gained_kwh = np.where(gained_kwh < 0, np.nan, gained_kwh)
        powers.append(np.repeat(gained_kwh / (length_s / 3600), steps))
    load_kw, export_kw = powers
    assert load_kw is not None  # noqa: S101 -- tells the type checker
    return replace(
        rows,
        utc_s=start_s,
        load_kw=np.where(is_whole, load_kw, np.nan),
        export_kw=None if export_kw is None else np.where(is_whole, export_kw, np.nan),
        known_kw=None if is_whole.all() else np.where(is_whole, np.nan, load_kw),
        line=line,
        skipped=None,
        substituted=None,
    )


def joined(parts: list[Rows]) -> Rows:
    """
    Return the rows of several files as one series.

    Parameters
    ----------
    parts : list of Rows
        Rows, file by file.

    Returns
    -------
    Rows
        All rows, in the order of the files' first moments.

    Raises
    ------
    SeriesError
        If steps differ, or one has an export and another has none.
    """
    parts = sorted(parts, key=lambda part: int(part.utc_s.min()))
    first = parts[0]
    for part in parts[1:]:
        if part.step_s != first.step_s:
            raise SeriesError(
                f"{part.source}: has steps of {part.step_s // 60} minutes, {first.source} of {first.step_s // 60}\n"
                "    read them apart, and bring them to one step with --step-min"
            )
    return reduce(_pair, parts)


def _pair(one: Rows, other: Rows) -> Rows:
    clock = one.clock if len(one.clock.changes) >= len(other.clock.changes) else other.clock
    export = None
    if one.export_kw is not None or other.export_kw is not None:
        export = np.concatenate([np.zeros(len(r.utc_s)) if r.export_kw is None else r.export_kw for r in (one, other)])
    return Rows(
        source=f"{one.source}, {other.source}",
        utc_s=np.concatenate((one.utc_s, other.utc_s)),
        step_s=one.step_s,
        load_kw=np.concatenate((one.load_kw, other.load_kw)),
        export_kw=export,
        line=np.concatenate((one.line, other.line)),
        clock=_wider(clock, one.clock, other.clock),
        known_kw=_maybe(one, other, "known_kw", np.nan),
        substituted=_maybe(one, other, "substituted", False),
        skipped=_maybe(one, other, "skipped", False),
        once=(*one.once, *other.once),
    )


def _wider(clock: Clock, one: Clock, other: Clock) -> Clock:
    changes = tuple(sorted({*one.changes, *other.changes}, key=lambda change: change.at_s))
    first = changes[0].before_s if changes else clock.first_offset_s
    return Clock(name=clock.name, first_offset_s=first, changes=changes)


def _maybe(one: Rows, other: Rows, name: str, default: float) -> Any:
    if getattr(one, name) is None and getattr(other, name) is None:
        return None
    parts = [getattr(r, name) if getattr(r, name) is not None else np.full(len(r.utc_s), default) for r in (one, other)]
    return np.concatenate(parts)


def _counted_up(steps: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return 0, 1, ... n-1 for each n.

    >>> _counted_up(np.array([2, 1, 3])).tolist()
    [0, 1, 0, 0, 1, 2]
    """
    ends = np.cumsum(steps)
    return np.arange(ends[-1]) - np.repeat(ends - steps, steps)
