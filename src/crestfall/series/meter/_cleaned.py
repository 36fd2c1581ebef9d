"""A series on a whole axis, what is known of each step, and what was wrong with it."""

from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.series.meter._clock import Clock
from crestfall.series.meter._suspects import gap_runs

FloatArray = NDArray[np.float64]
Marks = NDArray[np.int8]
AWAITED = np.int8(99)  # while cleaning: a missing step that has been refused already


class Mark(IntEnum):
    """What is known about a step."""

    METERED = 0
    SUBSTITUTED = 1
    REPAIRED = 2
    SUSPECT = 3
    MISSING = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Defect:
    """One kind of damage, and what was done about it.

    Parameters
    ----------
    kind : str
        What is wrong.
    steps : int
        How many steps.
    places : int
        How many times.
    first : str
        Where it begins first, on the clock of the site.
    energy_kwh : float
        Energy of the steps after the repair, or as metered where nothing was done [kWh].
    added_kwh : float
        Energy after less energy before [kWh].
    done : str
        What was done.
    option : str
        What may be said to repair it, as KEY=VALUE; empty where it is done or nothing can be.
    is_open : bool
        Whether it must be repaired before the series can be used.
    """

    kind: str
    steps: int
    places: int
    first: str
    energy_kwh: float
    added_kwh: float
    done: str
    option: str = ""
    is_open: bool = False


@dataclass(slots=True, kw_only=True)
class Cleaned:
    """A series on a whole axis.

    Parameters
    ----------
    source : str
        File or files.
    first_s : int
        Start of the first step, seconds since 1970.
    step_s : int
        Length of a step [s].
    clock : Clock
        The clock of the site.
    load_kw : ndarray of shape (n_steps,)
        Mean power from the grid; NaN where it is missing still [kW].
    export_kw : ndarray of shape (n_steps,) or None
        Mean power to the grid [kW].
    marks : ndarray of int8, shape (n_steps,)
        A `Mark` for each step.
    defects : list of Defect
        What was wrong.
    """

    source: str
    first_s: int
    step_s: int
    clock: Clock
    load_kw: FloatArray
    export_kw: FloatArray | None
    marks: Marks
    defects: list[Defect] = field(default_factory=list)

    @property
    def step_h(self) -> float:
        """Length of a step [h]."""
        return self.step_s / 3600

    @property
    def utc_s(self) -> NDArray[np.int64]:
        """Start of each step, seconds since 1970."""
        return self.first_s + self.step_s * np.arange(len(self.load_kw), dtype=np.int64)

    @property
    def local_s(self) -> NDArray[np.int64]:
        """What the clock of the site shows at the start of each step."""
        return self.clock.wall_s(self.utc_s)

    @property
    def start(self) -> pd.DatetimeIndex:
        """Start of each step in the zone of the site."""
        return pd.DatetimeIndex(self.utc_s.astype("datetime64[s]"), tz="UTC").tz_convert(self.clock.name)

    @property
    def open_defects(self) -> list[Defect]:
        """What must be repaired before the series can be used."""
        return [defect for defect in self.defects if defect.is_open]

    def shown(self, step: int) -> str:
        """Return the start of a step as the clock of the site shows it."""
        at = np.array([self.first_s + self.step_s * step], np.int64)
        return f"{np.datetime64(int(self.clock.wall_s(at)[0]), 's')}".replace("T", " ")[:16]


def note(
    series: Cleaned,
    kind: str,
    steps: NDArray[np.int64] | NDArray[np.intp],
    *,
    done: str,
    option: str = "",
    is_open: bool = False,
    added_kwh: float = 0.0,
) -> None:
    """
    Add to the defects of a series.

    Parameters
    ----------
    series : Cleaned
        The series; its list grows.
    kind : str
        What is wrong.
    steps : ndarray of int
        Where.
    done, option, is_open, added_kwh
        As in `Defect`.
    """
    energy = series.load_kw[steps]
    series.defects.append(
        Defect(
            kind=kind,
            steps=len(steps),
            places=len(gap_runs(np.sort(steps))),
            first=series.shown(int(steps.min())),
            energy_kwh=float(np.nansum(energy)) * series.step_h,
            added_kwh=added_kwh,
            done=done,
            option=option,
            is_open=is_open,
        )
    )
