"""Readings of a meter as they came, in UTC and kW."""

from dataclasses import dataclass
from functools import reduce
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import SeriesError
from crestfall.series.meter._clock import Change, Clock, Seconds
from crestfall.series.meter._record import Unit
from crestfall.series.meter._stamps import shown_wall

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

TO_KILO: dict[Unit, float] = {"W": 1e-3, "kW": 1.0, "MW": 1e3, "Wh": 1e-3, "kWh": 1.0, "MWh": 1e3}


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
    known_kw, known_export_kw : ndarray of shape (n_rows,) or None
        Mean power that a register shows over a time without readings, or past its last digit, NaN elsewhere [kW].
    rolled : ndarray of bool, shape (n_rows,) or None
        Steps in which a register passed its last digit.
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
    known_export_kw: FloatArray | None = None
    rolled: Mask | None = None
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
        known_export_kw=_maybe(one, other, "known_export_kw", np.nan),
        rolled=_maybe(one, other, "rolled", False),
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
