"""What cells go through in an interval: all that a fade law asks for."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from crestfall.ageing._cycles import CycleCount, Cycles

FloatArray = NDArray[np.float64]
HOURS_PER_YEAR = 8766.0  # 365.25 days: the year of the fade laws


@dataclass(frozen=True, slots=True, kw_only=True)
class CellUse:
    """What cells went through in an interval.

    Parameters
    ----------
    step_h : float
        Time that each place of the arrays stands for [h].
    soc_frac : ndarray of shape (n_steps,)
        Mean state of charge of each step: stored over capacity now.
    cell_c : ndarray of shape (n_steps,)
        Cell temperature [degrees C].
    rate_per_h : ndarray of shape (n_steps,)
        Rise of the stored energy over nominal energy, negative while it falls [1/h].
    closed : Cycles
        Cycles that ended, those that began earlier included.
    open : Cycles
        Halves that may still grow; the next interval counts them anew.
    full_cycles : float
        Energy taken out of the racks (DC) over nominal energy.
    """

    step_h: float
    soc_frac: FloatArray
    cell_c: FloatArray
    rate_per_h: FloatArray
    closed: Cycles
    open: Cycles
    full_cycles: float

    @property
    def years(self) -> float:
        """Length of the interval [a]."""
        return len(self.soc_frac) * self.step_h / HOURS_PER_YEAR

    @property
    def cycles(self) -> Cycles:
        """All cycles, the open halves last."""
        return self.closed.and_also(self.open)

    @property
    def mean_soc_frac(self) -> float:
        """Mean state of charge over the interval."""
        return float(self.soc_frac.mean())

    def settled(self) -> "CellUse":
        """Return the same use with its open halves closed, so that it can be repeated."""
        return replace(self, closed=self.cycles, open=Cycles())

    def times(self, factor: float) -> "CellUse":
        """Return the same use so many times over, in time as in cycles; halves are closed."""
        return replace(self.busier(factor), step_h=self.step_h * factor)

    def busier(self, factor: float) -> "CellUse":
        """Return so many times the cycles in the same time; halves are closed."""
        return replace(self, closed=self.cycles.times(factor), open=Cycles(), full_cycles=self.full_cycles * factor)

    def scaled(self, factor: float) -> "CellUse":
        """Return the same use by racks that hold so many times the energy, as full as these at any time."""
        return replace(
            self,
            rate_per_h=factor * self.rate_per_h,
            closed=self.closed.scaled(factor),
            open=self.open.scaled(factor),
            full_cycles=factor * self.full_cycles,
        )


def cell_use(
    count: CycleCount,
    stored_kwh: FloatArray,
    *,
    start_kwh: float,
    step_h: float,
    out_of_store_kwh: float,
    nominal_kwh: float,
    capacity_kwh: float,
    cell_c: FloatArray,
) -> tuple[CellUse, CycleCount]:
    """
    Return what cells went through in an interval, and where counting stands after it.

    Parameters
    ----------
    count : CycleCount
        Where counting stood; ``CycleCount()`` for new racks.
    stored_kwh : ndarray of shape (n_steps,)
        Energy in the racks at the end of each step, DC [kWh].
    start_kwh : float
        Energy in the racks before the first step [kWh].
    step_h : float
        Length of a step [h].
    out_of_store_kwh : float
        Energy taken out of the racks, DC [kWh].
    nominal_kwh : float
        Energy of the racks when new; depths of cycles are shares of it [kWh].
    capacity_kwh : float
        Energy that they hold now; states of charge are shares of it [kWh].
    cell_c : ndarray of shape (n_steps,)
        Cell temperature in each step [degrees C].

    Returns
    -------
    CellUse
        The use.
    CycleCount
        Where counting stands now.
    """
    levels = np.concatenate([[start_kwh], stored_kwh])
    closed, still_open, after = count.counted(
        stored_kwh / nominal_kwh, start_frac=start_kwh / nominal_kwh, step_h=step_h, cell_c=cell_c
    )
    use = CellUse(
        step_h=step_h,
        soc_frac=0.5 * (levels[1:] + levels[:-1]) / capacity_kwh,
        cell_c=cell_c,
        rate_per_h=np.diff(levels) / (nominal_kwh * step_h),
        closed=closed,
        open=still_open,
        full_cycles=out_of_store_kwh / nominal_kwh,
    )
    return use, after


def rest(years: float, *, soc_frac: float, cell_c: float) -> CellUse:
    """
    Return the use of cells that stand still, as between delivery and commissioning.

    Parameters
    ----------
    years : float
        How long, not negative [a].
    soc_frac : float
        State of charge.
    cell_c : float
        Cell temperature [degrees C].

    Returns
    -------
    CellUse
        A use without any cycle.

    Raises
    ------
    ValueError
        If the time is negative.
    """
    if years < 0:
        raise ValueError(f"years is {years:g}, expected 0 or more")
    return CellUse(
        step_h=years * HOURS_PER_YEAR,
        soc_frac=np.array([soc_frac]),
        cell_c=np.array([cell_c]),
        rate_per_h=np.zeros(1),
        closed=Cycles(),
        open=Cycles(),
        full_cycles=0.0,
    )
