"""Laws of fade: how much capacity cells lose to time and to cycles.

Each law adds up a damage for each of the two causes, and the loss is a power of the sum. As the square of a loss that
grows with the square root of time grows with time itself, a changing regime carries over exactly, whatever the order of
the regimes: it is the method of virtual time (and of virtual charge) with steps as fine as the data.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import ClassVar, Protocol

import numpy as np
from numpy.typing import NDArray

from crestfall.ageing._cycles import Cycles
from crestfall.ageing._ranges import OutOfRange, outside
from crestfall.ageing._use import CellUse
from crestfall.scenario import rack_life

FloatArray = NDArray[np.float64]
GAS_J_PER_MOL_K = 8.314
ZERO_C_K = 273.15
REFERENCE_K = 298.15
SECONDS_PER_H = 3600.0
PERCENT = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FadeState:
    """What cells have lost so far, and why. New cells: ``FadeState()``.

    Parameters
    ----------
    age_years : float
        Time since manufacture or, without any time of delivery, since commissioning [a].
    calendar_loss_frac, cycle_loss_frac : float
        Share of the nominal capacity lost by standing and by cycles.
    resistance_growth_frac : float
        Growth of the resistance over that of new cells, 0 where the law does not say.
    calendar_damage, closed_damage, open_damage : float
        Sums of the law behind the losses: of time, of cycles that are done with, and of halves that may still grow.
    """

    age_years: float = 0.0
    calendar_loss_frac: float = 0.0
    cycle_loss_frac: float = 0.0
    resistance_growth_frac: float = 0.0
    calendar_damage: float = 0.0
    closed_damage: float = 0.0
    open_damage: float = 0.0

    @property
    def health_frac(self) -> float:
        """Capacity now over capacity when new; below 0 where a law is driven beyond all sense."""
        return 1.0 - self.calendar_loss_frac - self.cycle_loss_frac

    def settled(self) -> "FadeState":
        """Return the same state with its open halves closed, to go on with a use that is counted from its beginning."""
        return replace(self, closed_damage=self.closed_damage + self.open_damage, open_damage=0.0)


class FadeLaw(Protocol):
    """What a law of fade can do."""

    @property
    def basis(self) -> str:
        """What it was fitted on and where it must not be trusted, in a sentence."""

    def aged(self, state: FadeState, use: CellUse) -> FadeState:
        """Return the state after an interval; `state` stays as it is."""

    def out_of_range(self, state: FadeState, use: CellUse) -> tuple[OutOfRange, ...]:
        """Return where an interval left what the law was fitted on, given the state after it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _DamageLaw:
    """What the laws share: two sums of damage, and the powers that make losses of them."""

    calendar_power: ClassVar[float] = 1.0
    cycle_power: ClassVar[float] = 1.0

    def aged(self, state: FadeState, use: CellUse) -> FadeState:
        """Return the state after an interval; `state` stays as it is."""
        calendar = state.calendar_damage + self._standing(use)
        closed = state.closed_damage + self._cycling(use.closed) + self._throughput(use)
        still_open = self._cycling(use.open)
        return FadeState(
            age_years=state.age_years + use.years,
            calendar_loss_frac=calendar**self.calendar_power,
            cycle_loss_frac=(closed + still_open) ** self.cycle_power,
            resistance_growth_frac=state.resistance_growth_frac + self._resistance(use),
            calendar_damage=calendar,
            closed_damage=closed,
            open_damage=still_open,
        )

    def out_of_range(self, state: FadeState, use: CellUse) -> tuple[OutOfRange, ...]:
        """Return where an interval left what the law was fitted on, given the state after it."""
        return tuple(self._excesses(state, use))

    def _standing(self, use: CellUse) -> float:
        return 0.0

    def _cycling(self, cycles: Cycles) -> float:
        return 0.0

    def _throughput(self, use: CellUse) -> float:
        return 0.0

    def _resistance(self, use: CellUse) -> float:
        return 0.0

    def _excesses(self, state: FadeState, use: CellUse) -> Iterator[OutOfRange]:
        yield from ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleTableLaw(_DamageLaw):
    """A data sheet's cycle life by depth with linear summation of damage [1]_, and a constant rate a year.

    A cycle of depth d costs (1 - end health) / N(d). N is taken as a power of depth between the points of the table,
    and beyond its ends as it runs at the end; with one point only, energy through the cells is what counts.

    Fitted on: the maker's tests, at one temperature and rate as a rule (the sheet says which). Not to be trusted at
    other temperatures and rates, below the shallowest depth of the table, or below the health at which it ends. Linear
    summation knows no order of cycles, and the calendar rate no temperature or state of charge.

    Parameters
    ----------
    depths_frac, cycles : ndarray of shape (n_points,)
        The table, from shallow to deep.
    end_health_frac : float
        Health at which its cycles end.
    calendar_loss_frac_per_year : float
        Loss by standing for a year.

    References
    ----------
    .. [1] M. A. Miner, "Cumulative damage in fatigue," Journal of Applied Mechanics, vol. 12, pp. A159-A164, 1945.
    """

    depths_frac: FloatArray
    cycles: FloatArray
    end_health_frac: float
    calendar_loss_frac_per_year: float

    @property
    def basis(self) -> str:
        """What it was fitted on and where it must not be trusted, in a sentence."""
        return "cycle life of the data sheet by depth, summed linearly; its temperature and rate only"

    def cycles_at(self, depth_frac: FloatArray) -> FloatArray:
        """Return the cycle life at each depth above 0, shape as given."""
        x, y = np.log(self.depths_frac), np.log(self.cycles)
        if len(x) == 1:
            x, y = np.array([x[0], x[0] + 1]), np.array([y[0], y[0] - 1])
        at = np.log(depth_frac)
        piece = np.clip(np.searchsorted(x, at), 1, len(x) - 1)
        slope = (y[piece] - y[piece - 1]) / (x[piece] - x[piece - 1])
        return np.asarray(np.exp(y[piece - 1] + slope * (at - x[piece - 1])))

    def _standing(self, use: CellUse) -> float:
        return self.calendar_loss_frac_per_year * use.years

    def _cycling(self, cycles: Cycles) -> float:
        return float((1 - self.end_health_frac) * (cycles.counts / self.cycles_at(cycles.depths_frac)).sum())

    def _excesses(self, state: FadeState, use: CellUse) -> Iterator[OutOfRange]:
        lowest, highest = float(self.depths_frac[0]), float(self.depths_frac[-1])
        cycles = use.cycles
        if len(self.depths_frac) > 1:
            yield from outside("depth of cycles", "", cycles.depths_frac, lowest, highest, cycles.full_cycles_frac)
        yield from outside("state of health", "", np.array([state.health_frac]), self.end_health_frac, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class LfpLaw(_DamageLaw):
    """Calendar and cycle laws of an LFP/graphite cell of 3 Ah, by Naumann et al. [1]_ [2]_, added up.

    Calendar: Q% = k exp(Ea/R (1/298.15 - 1/T)) (c (SoC - 0.5)³ + d) √t, and for the resistance
    R% = kR exp(EaR/R (1/298.15 - 1/T)) (cR (SoC - 0.5)² + dR) t, with T in kelvin and t in seconds.
    Cycles: Q% = (a C + b)(c (DOC - 0.6)³ + d) √FEC, with the depth DOC and the rate C of each cycle.

    Fitted on: storage at 0 to 60 degrees C and all states of charge for two and a half years, which its authors carry
    on to 20 years (error below 2.2 points); cycles at 0.2 to 1 C and 25 to 40 degrees C (these bounds from memory). Not
    to be trusted for cells of another make, whose level may differ by a factor (`calendar_factor`, `cycle_factor`);
    charging in the cold, where plating sets in; beyond 20 years; beyond a knee, which it does not know. The cycle law
    knows no temperature.

    Parameters
    ----------
    calendar_factor : float, default=1.0
        Factor on the calendar law's loss and growth of resistance.
    cycle_factor : float, default=1.0
        Factor on the cycle law's loss.

    References
    ----------
    .. [1] M. Naumann, M. Schimpe, P. Keil, H. C. Hesse, A. Jossen, "Analysis and modeling of calendar aging of a
       commercial LiFePO4/graphite cell," Journal of Energy Storage, vol. 17, pp. 153-169, 2018,
       doi:10.1016/j.est.2018.01.019 (table 7, from a summary; cR is negative there by its text, as growth peaks at half
       charge).
    .. [2] M. Naumann, F. B. Spingler, A. Jossen, "Analysis and modeling of cycle aging of a commercial LiFePO4/graphite
       cell," Journal of Power Sources, vol. 451, 227666, 2020, doi:10.1016/j.jpowsour.2019.227666 (coefficients from
       memory).
    """

    calendar_power: ClassVar[float] = 0.5
    cycle_power: ClassVar[float] = 0.5
    calendar_factor: float = 1.0
    cycle_factor: float = 1.0

    @property
    def basis(self) -> str:
        """What it was fitted on and where it must not be trusted, in a sentence."""
        return "tests of one LFP/graphite cell of 3 Ah (Naumann et al. 2018, 2020); no cold charging, no knee"

    def _standing(self, use: CellUse) -> float:
        arrhenius = np.exp(17_126 / GAS_J_PER_MOL_K * (1 / REFERENCE_K - 1 / (use.cell_c + ZERO_C_K)))
        rate = 0.001257 * arrhenius * (2.8575 * _cube(use.soc_frac - 0.5) + 0.60225)  # % a root second
        return float(((self.calendar_factor * rate / PERCENT) ** 2).sum() * use.step_h * SECONDS_PER_H)

    def _resistance(self, use: CellUse) -> float:
        arrhenius = np.exp(71_827 / GAS_J_PER_MOL_K * (1 / REFERENCE_K - 1 / (use.cell_c + ZERO_C_K)))
        rate = 3.419e-8 * arrhenius * (-3.3903 * (use.soc_frac - 0.5) ** 2 + 1.5604)  # % a second
        return float((self.calendar_factor * rate / PERCENT).sum() * use.step_h * SECONDS_PER_H)

    def _cycling(self, cycles: Cycles) -> float:
        rate = (0.063 * cycles.c_rate_per_h + 0.0971) * (4.0253 * _cube(cycles.depths_frac - 0.6) + 1.0923)
        return float(((self.cycle_factor * rate / PERCENT) ** 2 * cycles.full_cycles_frac).sum())

    def _excesses(self, state: FadeState, use: CellUse) -> Iterator[OutOfRange]:
        cycles = use.cycles
        yield from outside("cell temperature", "degrees C", use.cell_c, 0.0, 60.0)
        yield from outside("state of charge", "", use.soc_frac, 0.0, 1.0)
        yield from outside(
            "cell temperature in cycles", "degrees C", cycles.cell_c, 25.0, 40.0, cycles.full_cycles_frac
        )
        yield from outside("C-rate", "1/h", cycles.c_rate_per_h, 0.2, 1.0, cycles.full_cycles_frac)
        yield from outside("age", "years", np.array([state.age_years]), 0.0, 20.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class LfpPowerLaw(_DamageLaw):
    """Power law of the charge through an LFP/graphite cell of 2 Ah, by Wang et al. [1]_.

    Q% = B(C) exp((-31700 + 370.3 C) / (R T)) Ah^0.55 with the charge Ah that a cell of 2 Ah has given, T in kelvin. B
    is known at C/2, 2C, 6C and 10C and is not monotone: between these it is taken as linear, below C/2 the rate counts
    as C/2, and the result warns of both.

    Fitted on: cycles of 10 to 90 % depth at 15 to 60 degrees C (bounds from memory). The law has no time in it: what
    cells lose by standing has to be added (`calendar_loss_frac_per_year`), and the cold looks harmless because plating
    is not in it. Not to be trusted below 15 degrees C, for slow use over many years, or for other cells.

    Parameters
    ----------
    calendar_loss_frac_per_year : float, default=0.0
        Loss by standing for a year, which the law does not know.

    References
    ----------
    .. [1] J. Wang et al., "Cycle-life model for graphite-LiFePO4 cells," Journal of Power Sources, vol. 196, no. 8,
       pp. 3942-3948, 2011 (formula and B at C/2 and 2C from a review; B at 6C and 10C from memory).
    """

    cycle_power: ClassVar[float] = 0.55
    rates_per_h: ClassVar[tuple[float, ...]] = (0.5, 2.0, 6.0, 10.0)
    factors: ClassVar[tuple[float, ...]] = (31_630.0, 21_681.0, 12_934.0, 15_512.0)
    cell_ah: ClassVar[float] = 2.0
    calendar_loss_frac_per_year: float = 0.0

    @property
    def basis(self) -> str:
        """What it was fitted on and where it must not be trusted, in a sentence."""
        return "cycle tests of one LFP/graphite cell of 2 Ah (Wang et al. 2011); no fade by standing, no cold charging"

    def _standing(self, use: CellUse) -> float:
        return self.calendar_loss_frac_per_year * use.years

    def _cycling(self, cycles: Cycles) -> float:
        rate = np.clip(cycles.c_rate_per_h, self.rates_per_h[0], self.rates_per_h[-1])
        energy = (31_700 - 370.3 * rate) / (GAS_J_PER_MOL_K * (cycles.cell_c + ZERO_C_K))
        per_ah = np.interp(rate, self.rates_per_h, self.factors) * np.exp(-energy) / PERCENT
        return float((per_ah ** (1 / self.cycle_power) * self.cell_ah * cycles.full_cycles_frac).sum())

    def _excesses(self, state: FadeState, use: CellUse) -> Iterator[OutOfRange]:
        cycles, weight = use.cycles, use.cycles.full_cycles_frac
        yield from outside("C-rate", "1/h", cycles.c_rate_per_h, self.rates_per_h[0], self.rates_per_h[-1], weight)
        between = ~np.isin(cycles.c_rate_per_h, self.rates_per_h) & (cycles.c_rate_per_h > self.rates_per_h[0])
        if weight.sum() > 0 and (share := float(weight[between].sum() / weight.sum())) > 0:
            found = cycles.c_rate_per_h[between]
            yield OutOfRange(
                quantity="C-rate between those of the tests, where the law is interpolated",
                unit="1/h",
                lowest=self.rates_per_h[0],
                highest=self.rates_per_h[-1],
                found_lowest=float(found.min()),
                found_highest=float(found.max()),
                share_frac=share,
                share_of="energy through the cells",
            )
        yield from outside("depth of cycles", "", cycles.depths_frac, 0.1, 0.9, weight)
        yield from outside("cell temperature in cycles", "degrees C", cycles.cell_c, 15.0, 60.0, weight)


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleAndYearLaw(_DamageLaw):
    """So much for each full cycle and so much for each year.

    Fitted on: nothing; two figures that somebody stated. It knows no temperature, depth, rate or state of charge, and
    runs straight where cells slow down after their first years or break off at a knee.

    Parameters
    ----------
    loss_frac_per_full_cycle : float
        Loss with each equivalent full cycle.
    calendar_loss_frac_per_year : float
        Loss by standing for a year.
    """

    loss_frac_per_full_cycle: float
    calendar_loss_frac_per_year: float

    @property
    def basis(self) -> str:
        """What it was fitted on and where it must not be trusted, in a sentence."""
        return "two stated figures, one for each full cycle and one for each year; no conditions"

    def _standing(self, use: CellUse) -> float:
        return self.calendar_loss_frac_per_year * use.years

    def _throughput(self, use: CellUse) -> float:
        return self.loss_frac_per_full_cycle * use.full_cycles


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthByYearLaw:
    """A given curve of health against age, such as a warranted one.

    Fitted on: nothing; it is a promise or an assumption for a use within stated limits, which this law does not see.
    Beyond its last point it goes on as steeply as over its last piece, and the result warns of it.

    Parameters
    ----------
    years, health_frac : ndarray of shape (n_points,)
        The curve, beginning at age 0.
    """

    years: FloatArray
    health_frac: FloatArray

    @property
    def basis(self) -> str:
        """What it was fitted on and where it must not be trusted, in a sentence."""
        return "a given curve of health by age, whatever the use"

    def health_at(self, age_years: float) -> float:
        """Return the health at an age."""
        if age_years <= self.years[-1] or len(self.years) == 1:
            return float(np.interp(age_years, self.years, self.health_frac))
        slope = (self.health_frac[-1] - self.health_frac[-2]) / (self.years[-1] - self.years[-2])
        return float(self.health_frac[-1] + slope * (age_years - self.years[-1]))

    def aged(self, state: FadeState, use: CellUse) -> FadeState:
        """Return the state after an interval; `state` stays as it is."""
        age = state.age_years + use.years
        return FadeState(age_years=age, calendar_loss_frac=1 - self.health_at(age))

    def out_of_range(self, state: FadeState, use: CellUse) -> tuple[OutOfRange, ...]:
        """Return where an interval left the curve, given the state after it."""
        return tuple(outside("age", "years", np.array([state.age_years]), 0.0, float(self.years[-1])))


def _cube(x: FloatArray) -> FloatArray:
    return x * x * x  # x**3 would take numpy 70 times as long


def law_of(life: rack_life.RackLife) -> FadeLaw:
    """
    Return the law that a catalogue's rack names.

    Parameters
    ----------
    life : block of the catalogue
        The rack's `life`.

    Returns
    -------
    FadeLaw
        The law.
    """
    match life:
        case rack_life.CycleTable():
            return CycleTableLaw(
                depths_frac=np.array([point.depth_frac for point in life.table]),
                cycles=np.array([point.cycles for point in life.table]),
                end_health_frac=life.end_health_frac,
                calendar_loss_frac_per_year=life.calendar_loss_frac_per_year,
            )
        case rack_life.LfpLaws():
            return LfpLaw(calendar_factor=life.calendar_factor, cycle_factor=life.cycle_factor)
        case rack_life.LfpPowerLaw():
            return LfpPowerLaw(calendar_loss_frac_per_year=life.calendar_loss_frac_per_year)
        case rack_life.CycleAndYear():
            return CycleAndYearLaw(
                loss_frac_per_full_cycle=life.loss_frac_per_full_cycle,
                calendar_loss_frac_per_year=life.calendar_loss_frac_per_year,
            )
        case rack_life.HealthByYear():
            return health_curve(life.curve)


def health_curve(points: tuple[rack_life.HealthPoint, ...]) -> HealthByYearLaw:
    """
    Return the law of a given curve of health, which begins at 1 unless the curve says otherwise.

    Parameters
    ----------
    points : tuple of HealthPoint
        The curve, by age.

    Returns
    -------
    HealthByYearLaw
        The law.
    """
    given = [(point.year, point.health_frac) for point in points]
    if not given or given[0][0] > 0:
        given.insert(0, (0.0, 1.0))
    years, health = np.array(given).T
    return HealthByYearLaw(years=years, health_frac=health)
