"""What a warranty allows, how much of it is used, and when it is broken."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.ageing._laws import FadeLaw, FadeState, HealthByYearLaw, health_curve
from crestfall.ageing._use import rest
from crestfall.errors import KeyedError
from crestfall.scenario.catalogue_file import Rack
from crestfall.scenario.rack_life import HealthPoint, Warranty

FloatArray = NDArray[np.float64]
KWH_PER_MWH = 1000.0
KEPT = 1e-9  # share of a limit by which rounding may exceed it
MARGINS = (
    "cycles_margin",
    "cycles_total_margin",
    "throughput_total_margin_mwh",
    "mean_soc_margin_frac",
    "cold_margin_c",
    "heat_margin_c",
    "health_margin_frac",
)
# What is held against each limit that has a share.
USED = {
    "cycles_margin": "cycles",
    "cycles_total_margin": "cycles_total",
    "throughput_total_margin_mwh": "throughput_total_mwh",
    "mean_soc_margin_frac": "mean_soc_frac",
}
WARRANTY_COLUMNS = (
    "year",
    "cycles",
    "cycles_total",
    "throughput_total_mwh",
    "mean_soc_frac",
    "coldest_cell_c",
    "hottest_cell_c",
    "health_frac",
    *MARGINS,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class YearOfUse:
    """What a warranty asks of one year.

    Parameters
    ----------
    discharged_kwh : float
        Energy discharged, AC [kWh].
    out_of_store_kwh : float
        Energy taken out of the racks, DC [kWh].
    mean_soc_frac : float
        Mean state of charge.
    coldest_cell_c, hottest_cell_c : float
        Lowest and highest cell temperature [degrees C].
    health_frac : float
        Health at the end of the year.
    """

    discharged_kwh: float
    out_of_store_kwh: float
    mean_soc_frac: float
    coldest_cell_c: float
    hottest_cell_c: float
    health_frac: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Breach:
    """A term of the warranty that is broken.

    Parameters
    ----------
    term : str
        The margin's column in `WARRANTY_COLUMNS`.
    year : int
        First year in which it is broken, 1 for the first of operation.
    margin : float
        How far it is from being kept then, negative, in the unit of its column.
    """

    term: str
    year: int
    margin: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WarrantyCheck:
    """Margins of a warranty, year by year.

    Parameters
    ----------
    frame : DataFrame
        A row for each year of operation, `WARRANTY_COLUMNS`. A margin is what is left of a limit: not negative while it
        is kept, NaN where there is no limit or the warranty is over.
    breaches : tuple of Breach
        First breach of each term, by year.
    """

    frame: pd.DataFrame
    breaches: tuple[Breach, ...]

    @property
    def year_of_breach(self) -> int | None:
        """First year in which any term is broken; None if all are kept."""
        return self.breaches[0].year if self.breaches else None

    @property
    def used_frac(self) -> pd.DataFrame:
        """How much of each limit is used, above 1 where it is broken; NaN where there is none.

        Columns are those of the margins but temperatures, which have no share. Of a guaranteed health it is the share
        of the loss that the guarantee leaves.
        """
        frame = self.frame
        used = pd.DataFrame({margin: frame[name] for margin, name in USED.items()})
        used["health_margin_frac"] = 1 - frame["health_frac"]
        limits = used + frame[list(used.columns)]
        return used / limits.where(limits > 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class WarrantyTerms:
    """A warranty for so many racks.

    Parameters
    ----------
    warranty : Warranty
        What the catalogue says.
    racks : int
        Number of racks.
    cycle_kwh : float
        Energy of one cycle by the contract's definition, all racks [kWh].
    """

    warranty: Warranty
    racks: int
    cycle_kwh: float

    @classmethod
    def of(cls, rack: Rack, racks: int) -> "WarrantyTerms | None":
        """Return the warranty of so many racks of a catalogue's type; None if there is none."""
        if rack.warranty is None or racks == 0:
            return None
        window = rack.highest_soc_frac - rack.lowest_soc_frac if rack.warranty.cycle_energy == "usable" else 1.0
        return cls(warranty=rack.warranty, racks=racks, cycle_kwh=racks * rack.energy_kwh * window)

    @property
    def side(self) -> Literal["ac", "dc"]:
        """Where the contract measures energy."""
        return self.warranty.side

    def energy_kwh(self, year: YearOfUse) -> float:
        """Return a year's energy on the side on which the contract measures it [kWh]."""
        return year.discharged_kwh if self.side == "ac" else year.out_of_store_kwh

    def cycles(self, year: YearOfUse) -> float:
        """Return a year's cycles by the contract's definition."""
        return self.energy_kwh(year) / self.cycle_kwh

    def guaranteed_health_frac(self, age_years: float) -> float | None:
        """Return the guaranteed health at an age; None where nothing is guaranteed."""
        curve = self.warranty.health_by_year
        return health_curve(curve).health_at(age_years) if curve and age_years <= curve[-1].year else None

    def check(self, years: Sequence[YearOfUse]) -> WarrantyCheck:
        """Return the margins of each year and the first breach of each term."""
        energy = np.array([self.energy_kwh(year) for year in years], dtype=np.float64)
        found = {
            "year": np.arange(1, len(years) + 1),
            "cycles": energy / self.cycle_kwh,
            "cycles_total": (energy / self.cycle_kwh).cumsum(),
            "throughput_total_mwh": energy.cumsum() / KWH_PER_MWH,
        }
        for name in ("mean_soc_frac", "coldest_cell_c", "hottest_cell_c", "health_frac"):
            found[name] = np.array([getattr(year, name) for year in years], dtype=np.float64)
        # The last year of a warranty that ends within it counts, but for what is guaranteed of a later age.
        counts = found["year"] < self.warranty.years + 1
        margins = {name: np.where(counts, margin, np.nan) for name, margin in self._margins(found).items()}
        breaches = [breach for name in MARGINS if (breach := _first_breach(name, margins[name])) is not None]
        columns = found | margins
        return WarrantyCheck(
            frame=pd.DataFrame({name: columns[name] for name in WARRANTY_COLUMNS}),
            breaches=tuple(sorted(breaches, key=lambda breach: breach.year)),
        )

    def _margins(self, found: dict[str, FloatArray]) -> dict[str, FloatArray]:
        given = self.warranty

        def below(limit: float | None, reached: FloatArray) -> FloatArray:
            return (np.nan if limit is None else limit) - reached

        throughput = None if given.most_throughput_mwh is None else self.racks * given.most_throughput_mwh
        guaranteed = [self.guaranteed_health_frac(float(year)) for year in found["year"]]
        return {
            "cycles_margin": below(given.most_cycles_per_year, found["cycles"]),
            "cycles_total_margin": below(given.most_cycles, found["cycles_total"]),
            "throughput_total_margin_mwh": below(throughput, found["throughput_total_mwh"]),
            "mean_soc_margin_frac": below(given.highest_mean_soc_frac, found["mean_soc_frac"]),
            "cold_margin_c": -below(given.lowest_cell_c, found["coldest_cell_c"]),
            "heat_margin_c": below(given.highest_cell_c, found["hottest_cell_c"]),
            "health_margin_frac": found["health_frac"]
            - np.array([np.nan if share is None else share for share in guaranteed], dtype=np.float64),
        }

    def yearly_budget_kwh(self, done: Sequence[YearOfUse] = ()) -> float:
        """Return what may be discharged in the next year, on the contract's side, `inf` without a limit [kWh].

        What is left of the limits in all is spread evenly over the years that are left.
        """
        given, years_left = self.warranty, self.warranty.years - len(done)
        if years_left <= 0:
            return math.inf
        used = sum(self.energy_kwh(year) for year in done)
        budgets = [math.inf]
        if given.most_cycles_per_year is not None:
            budgets.append(given.most_cycles_per_year * self.cycle_kwh)
        if given.most_cycles is not None:
            budgets.append((given.most_cycles * self.cycle_kwh - used) / max(years_left, 1.0))
        if given.most_throughput_mwh is not None:
            total = self.racks * given.most_throughput_mwh * KWH_PER_MWH
            budgets.append((total - used) / max(years_left, 1.0))
        return max(0.0, min(budgets))


def _first_breach(name: str, margin: FloatArray) -> Breach | None:
    # A margin is a difference of numbers up to some thousand: below this it is rounding.
    rounding = KEPT * np.abs(margin).max(initial=1.0, where=~np.isnan(margin))
    broken = np.flatnonzero(margin < -rounding)
    return None if not broken.size else Breach(term=name, year=int(broken[0]) + 1, margin=float(margin[broken[0]]))


def warranted_law(rack: Rack) -> HealthByYearLaw:
    """
    Return the guaranteed curve of health as a law of fade: a bank's case.

    Parameters
    ----------
    rack : Rack
        The catalogue's rack.

    Returns
    -------
    HealthByYearLaw
        The law.

    Raises
    ------
    KeyedError
        If no health is guaranteed.
    """
    if rack.warranty is None or not rack.warranty.health_by_year:
        raise KeyedError(
            "catalogue",
            ("rack", "warranty"),
            found="no health_by_year",
            expected="a guaranteed curve of health for life.fade: warranted",
            remedy="add health_by_year as the warranty states it, or write fade: law",
        )
    return health_curve(rack.warranty.health_by_year)


def check_kept_at_rest(rack: Rack, law: FadeLaw, *, cell_c: float, soc_frac: float, state: FadeState) -> None:
    """
    Raise if racks that never move would break the guaranteed health all the same.

    Parameters
    ----------
    rack : Rack
        The catalogue's rack.
    law : FadeLaw
        How it fades.
    cell_c : float
        Cell temperature at rest [degrees C].
    soc_frac : float
        State of charge at rest; the lowest of the window is the kindest under most laws.
    state : FadeState
        What the racks have lost at commissioning.

    Raises
    ------
    KeyedError
        At the first point of the guaranteed curve that cannot be kept: no budget on cycles would help.
    """
    points: tuple[HealthPoint, ...] = () if rack.warranty is None else rack.warranty.health_by_year
    for place, point in enumerate(points):
        rested = law.aged(state.settled(), rest(point.year, soc_frac=soc_frac, cell_c=cell_c))
        if rested.health_frac < point.health_frac - KEPT:
            raise KeyedError(
                "catalogue",
                ("rack", "warranty", "health_by_year", place, "health_frac"),
                found=f"{point.health_frac:g} at year {point.year:g}",
                expected=f"at most {rested.health_frac:.3f}, which the fade law leaves at zero cycles",
                remedy="no schedule can keep it: check life and warranty against each other, or drop respect_warranty",
            )
