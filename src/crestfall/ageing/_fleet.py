"""Racks of different age that work as one store."""

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from crestfall.ageing._cycles import CycleCount
from crestfall.ageing._laws import FadeLaw, FadeState
from crestfall.ageing._ranges import OutOfRange
from crestfall.ageing._use import CellUse, cell_use
from crestfall.errors import KeyedError

FloatArray = NDArray[np.float64]
Uses = tuple[tuple[CellUse, CycleCount], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """What all racks together did in an interval.

    Parameters
    ----------
    stored_kwh : ndarray of shape (n_steps,)
        Energy in the racks at the end of each step, DC [kWh].
    start_kwh : float
        Energy in the racks before the first step [kWh].
    step_h : float
        Length of a step [h].
    out_of_store_kwh : float
        Energy taken out of the racks, DC [kWh].
    cell_c : ndarray of shape (n_steps,)
        Cell temperature in each step [degrees C].
    """

    stored_kwh: FloatArray
    start_kwh: float
    step_h: float
    out_of_store_kwh: float
    cell_c: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class RackGroup:
    """Racks that were bought together.

    Parameters
    ----------
    racks : int
        How many.
    nominal_kwh : float
        Energy of all of them when new [kWh].
    joined_year : int
        Year of operation at whose start they joined, 1 for the first.
    state : FadeState
        What they have lost.
    count : CycleCount
        Where their cycle counting stands.
    """

    racks: int
    nominal_kwh: float
    joined_year: int = 1
    state: FadeState = field(default_factory=FadeState)
    count: CycleCount = field(default_factory=CycleCount)

    @property
    def capacity_kwh(self) -> float:
        """Energy that they hold now [kWh]."""
        return self.nominal_kwh * self.state.health_frac


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleet:
    """Groups of racks that share all power in proportion to the energy they hold now.

    So they are all as full, in per cent, at any time, and run as one store.

    Parameters
    ----------
    groups : tuple of RackGroup
        The groups, the oldest first.
    """

    groups: tuple[RackGroup, ...]

    @property
    def racks(self) -> int:
        """Number of racks."""
        return sum(group.racks for group in self.groups)

    @property
    def nominal_kwh(self) -> float:
        """Energy of all racks when new [kWh]."""
        return sum(group.nominal_kwh for group in self.groups)

    @property
    def capacity_kwh(self) -> float:
        """Energy that all racks hold now [kWh]."""
        return sum(group.capacity_kwh for group in self.groups)

    @property
    def health_frac(self) -> float:
        """Energy now over energy when new, of all racks."""
        return self.capacity_kwh / self.nominal_kwh

    @property
    def shares_frac(self) -> tuple[float, ...]:
        """Share of each group in power and in stored energy."""
        return tuple(group.capacity_kwh / self.capacity_kwh for group in self.groups)

    @property
    def resistance_growth_frac(self) -> float:
        """Growth of what resistance loses at the same power, over that of as many new racks."""
        shared = zip(self.shares_frac, self.groups, strict=True)
        loss = sum(share**2 * (1 + group.state.resistance_growth_frac) / group.racks for share, group in shared)
        return self.racks * loss - 1

    @property
    def lost_kwh(self) -> tuple[float, float]:
        """Energy that all racks lost by standing and by cycles [kWh]."""
        return (
            sum(group.nominal_kwh * group.state.calendar_loss_frac for group in self.groups),
            sum(group.nominal_kwh * group.state.cycle_loss_frac for group in self.groups),
        )

    def uses(self, work: Work, *, capacity_kwh: float | None = None) -> Uses:
        """Return what the cells of each group go through when all racks do a work, and where its counting stands then.

        `capacity_kwh` is what all racks are taken to hold over the interval; left out: what they hold at its start.
        """
        capacity = self.capacity_kwh if capacity_kwh is None else capacity_kwh
        return tuple(
            cell_use(
                group.count,
                share * work.stored_kwh,
                start_kwh=share * work.start_kwh,
                step_h=work.step_h,
                out_of_store_kwh=share * work.out_of_store_kwh,
                nominal_kwh=group.nominal_kwh,
                capacity_kwh=share * capacity,
                cell_c=work.cell_c,
            )
            for share, group in zip(self.shares_frac, self.groups, strict=True)
        )

    def worked(self, law: FadeLaw, work: Work, *, year: int, capacity_kwh: float | None = None) -> "Fleet":
        """Return the fleet after an interval of work; raise KeyedError if a group has no capacity left in that year."""
        return self.aged(law, self.uses(work, capacity_kwh=capacity_kwh), year=year)

    def aged(self, law: FadeLaw, used: Uses, *, year: int) -> "Fleet":
        """Return the fleet after what its groups went through, as `uses` has it; raise as `worked` does."""
        groups = [
            replace(group, state=law.aged(group.state, use), count=count)
            for group, (use, count) in zip(self.groups, used, strict=True)
        ]
        return Fleet(groups=tuple(_with_capacity(group, year) for group in groups))

    def rested(self, law: FadeLaw, use: CellUse) -> "Fleet":
        """Return the fleet after a time at rest (:func:`rest`), as between delivery and commissioning."""
        groups = [replace(group, state=law.aged(group.state, use)) for group in self.groups]
        return Fleet(groups=tuple(_with_capacity(group, group.joined_year) for group in groups))

    def joined_by(self, group: RackGroup) -> "Fleet":
        """Return the fleet with a further group."""
        return Fleet(groups=(*self.groups, group))

    def replaced(self, end_health_frac: float, *, year: int, new_state: FadeState) -> "Fleet":
        """Return the fleet with new racks in place of each group that is at its end of life at the start of a year."""
        return Fleet(
            groups=tuple(
                RackGroup(racks=group.racks, nominal_kwh=group.nominal_kwh, joined_year=year, state=new_state)
                if group.state.health_frac <= end_health_frac
                else group
                for group in self.groups
            )
        )

    def out_of_range(self, law: FadeLaw, work: Work, before: "Fleet") -> tuple[OutOfRange, ...]:
        """Return where this interval's work left what the law was fitted on; `self` is the fleet after it."""
        used = before.uses(work)
        pairs = zip(self.groups, used, strict=True)
        return tuple(item for group, (use, _) in pairs for item in law.out_of_range(group.state, use))


def _with_capacity(group: RackGroup, year: int) -> RackGroup:
    if group.state.health_frac > 0:
        return group
    lost = 1 - group.state.health_frac
    raise KeyedError(
        "catalogue",
        ("rack", "life"),
        found=f"a fade of {100 * lost:,.0f} % of the nominal energy by the end of year {year}",
        expected="capacity that stays above 0 over the horizon",
        remedy="shorten life.horizon_years, replace racks in time (life.end_of_life), or correct the law",
    )


def racks_to_hold(fleet: Fleet, *, promised_usable_kwh: float, window_frac: float, rack_kwh: float) -> int:
    """
    Return how many new racks restore a promise of usable energy.

    Parameters
    ----------
    fleet : Fleet
        The racks there are.
    promised_usable_kwh : float
        Usable energy promised [kWh].
    window_frac : float
        Width of the usable window of state of charge.
    rack_kwh : float
        Energy of one new rack [kWh].

    Returns
    -------
    int
        Fewest racks; 0 if the promise is kept as it is.
    """
    missing = promised_usable_kwh / window_frac - fleet.capacity_kwh
    return max(0, math.ceil(missing / rack_kwh - 1e-9))  # rounding buys no rack
