"""What the years of a battery's life came to."""

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from crestfall.ageing import MARGINS, Purchase, WarrantyCheck
from crestfall.finance import Appraisal, CapitalCost, Offer, ProjectYears, Returns

YEAR_COLUMNS = (
    "racks",
    "racks_bought",
    "health_start_frac",
    "health_mean_frac",
    "health_end_frac",
    "calendar_loss_frac",
    "cycle_loss_frac",
    "resistance_growth_frac",
    "usable_kwh",
    "full_cycles",
    "discharged_kwh",
    "round_trip_frac",
    "bill_without",
    "bill_with",
    "saving",
    "wear_per_kwh",
    "warranty_cost",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LifeYear:
    """One year of operation.

    Parameters
    ----------
    year : int
        1 for the first.
    racks : int
        Racks in operation; 0 once the battery is given up.
    purchase : Purchase or None
        Racks that were bought for its start.
    health_start_frac, health_mean_frac, health_end_frac : float
        State of health at its start, as the schedule of the year has it, and at its end; NaN without racks.
    calendar_loss_frac, cycle_loss_frac : float
        What the racks have lost by its end to each cause, share of their nominal energy; NaN without racks.
    resistance_growth_frac : float
        Growth of the racks' resistance by its end; NaN without racks.
    usable_kwh : float
        Usable energy, mean of the year, DC [kWh].
    full_cycles : float
        Equivalent full cycles: energy out of the racks (DC) over nominal energy.
    discharged_kwh : float
        Energy discharged, AC [kWh].
    round_trip_frac : float or None
        AC to AC, without auxiliaries.
    charging_cost : float
        What the energy that was charged cost: at the price of import, or what it would have earned as export.
    line_savings : dict of str to float
        What the battery saves on each line of the bill, in money of the year.
    bill_without, bill_with : float
        What is due under the best contract without the battery, and with it.
    wear_per_kwh : float
        Price of wear in the schedule; never part of the cash.
    warranty_cost : float
        What keeping the warranty's limits cost in the year.
    solves : int
        How often the year was scheduled until its fade agreed with itself.
    """

    year: int
    racks: int
    purchase: Purchase | None
    health_start_frac: float
    health_mean_frac: float
    health_end_frac: float
    calendar_loss_frac: float
    cycle_loss_frac: float
    resistance_growth_frac: float
    usable_kwh: float
    full_cycles: float
    discharged_kwh: float
    round_trip_frac: float | None
    charging_cost: float
    line_savings: dict[str, float]
    bill_without: float
    bill_with: float
    wear_per_kwh: float
    warranty_cost: float
    solves: int

    @property
    def saving(self) -> float:
        """What the battery saves in the year."""
        return self.bill_without - self.bill_with

    @property
    def racks_bought(self) -> int:
        """Racks that were bought for its start."""
        return 0 if self.purchase is None else self.purchase.racks


@dataclass(frozen=True, slots=True, kw_only=True)
class RacksWarranty:
    """The warranty of racks that were bought together.

    Parameters
    ----------
    joined_year : int
        Year of operation in which they began.
    racks : int
        How many.
    check : WarrantyCheck
        Margins by year of their own age.
    """

    joined_year: int
    racks: int
    check: WarrantyCheck

    @property
    def year_of_breach(self) -> int | None:
        """Year of operation in which a term is broken first; None if all are kept."""
        broken = self.check.year_of_breach
        return None if broken is None else self.joined_year - 1 + broken


@dataclass(frozen=True, slots=True, kw_only=True)
class WearTrial:
    """A first year with new racks at one price of wear.

    Parameters
    ----------
    wear_per_kwh : float
        Price in the schedule.
    marginal_per_kwh : float
        What one more kWh then costs under the fade law; equal prices would be consistent.
    full_cycles : float
        Equivalent full cycles of the year.
    saving : float
        What the battery saves in the year.
    """

    wear_per_kwh: float
    marginal_per_kwh: float
    full_cycles: float
    saving: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """The years of a battery's life, and what they are worth.

    Parameters
    ----------
    years : tuple of LifeYear
        Every year of the horizon.
    warranties : tuple of RacksWarranty
        For racks of each purchase; empty without a warranty.
    wear : tuple of WearTrial
        The first year at the given price of wear and at those that were tried; the last one is the price in use.
    basis : str
        What the fade law was fitted on.
    capital : CapitalCost
        What is spent at the start.
    project : ProjectYears
        What finance knows of the years.
    appraisal : Appraisal
        Cash and what is read off it.
    offers : tuple of Offer
        Ways to have the battery.
    warnings : tuple of str
        What a reader must know before using a figure.
    """

    years: tuple[LifeYear, ...]
    warranties: tuple[RacksWarranty, ...]
    wear: tuple[WearTrial, ...]
    basis: str
    capital: CapitalCost
    project: ProjectYears
    appraisal: Appraisal
    offers: tuple[Offer, ...]
    warnings: tuple[str, ...]

    @property
    def year_of_breach(self) -> int | None:
        """First year of operation in which any term of a warranty is broken; None if all are kept."""
        years = [one.year_of_breach for one in self.warranties if one.year_of_breach is not None]
        return min(years, default=None)

    @property
    def has_limits(self) -> bool:
        """Whether any warranty has a limit of which a share is used."""
        return any(bool(one.check.used_frac.notna().to_numpy().any()) for one in self.warranties)

    @property
    def last_year_in_use(self) -> int:
        """Last year with a battery; 0 if it never runs."""
        return max((one.year for one in self.years if one.racks), default=0)

    def years_frame(self) -> pd.DataFrame:
        """Return a row for each year: `YEAR_COLUMNS`, then what is saved on each line, headed ``saved: LINE``."""
        frame = pd.DataFrame({name: [getattr(one, name) for one in self.years] for name in YEAR_COLUMNS})
        frame["round_trip_frac"] = frame["round_trip_frac"].astype(float)
        for place, line in enumerate(self.project.lines):
            frame[f"saved: {line}"] = self.project.line_savings[:, place]
        return frame.set_index(pd.Index([one.year for one in self.years], name="year"))

    def warranty_frame(self) -> pd.DataFrame:
        """Return the margins of all warranties: joined_year, racks, and the columns of a warranty's check."""
        parts = [one.check.frame.assign(joined_year=one.joined_year, racks=one.racks) for one in self.warranties]
        if not parts:
            return pd.DataFrame()
        frame = pd.concat(parts, ignore_index=True)
        return frame[["joined_year", "racks", *self.warranties[0].check.frame.columns]]

    def offers_frame(self) -> pd.DataFrame:
        """Return the cash of each offer by year: columns ``OFFER: site`` and, where it is known, ``OFFER: seller``."""
        columns = {f"{one.name}: site": one.buyer_cash for one in self.offers}
        columns |= {f"{one.name}: seller": one.seller_cash for one in self.offers if one.seller_cash is not None}
        return pd.DataFrame(columns, index=self.appraisal.frame.index)

    def summary(self) -> dict[str, Any]:
        """Return the figures of the years, ready for JSON."""
        worth, frame = self.appraisal, self.years_frame()
        return {
            "years": len(self.years),
            "last_year_in_use": self.last_year_in_use,
            "fade_basis": self.basis,
            "health_end_frac": _column(frame, "health_end_frac"),
            "calendar_loss_frac": _column(frame, "calendar_loss_frac"),
            "cycle_loss_frac": _column(frame, "cycle_loss_frac"),
            "full_cycles": _column(frame, "full_cycles"),
            "saving": _column(frame, "saving"),
            "saving_by_line": {
                line: self.project.line_savings[:, place].tolist() for place, line in enumerate(self.project.lines)
            },
            "racks_bought": [one.racks_bought for one in self.years],
            "warranty": {
                "year_of_breach": self.year_of_breach,
                "breaches": [
                    {
                        "racks_of_year": one.joined_year,
                        "term": breach.term,
                        "year": one.joined_year - 1 + breach.year,
                        "margin": breach.margin,
                    }
                    for one in self.warranties
                    for breach in one.check.breaches
                ],
                "margins": [
                    {"racks_of_year": one.joined_year, "racks": one.racks}
                    | {name: _column(one.check.frame, name) for name in MARGINS}
                    for one in self.warranties
                ],
                "cost_of_keeping": sum(one.warranty_cost for one in self.years),
            },
            "wear": [
                {name: getattr(one, name) for name in ("wear_per_kwh", "marginal_per_kwh", "full_cycles", "saving")}
                for one in self.wear
            ],
            "capital": self.capital.total,
            "grant": self.capital.grant,
            **_returns(worth.without_debt),
            "with_debt": None if worth.with_debt is None else _returns(worth.with_debt),
            "least_dscr": worth.least_dscr,
            "levelised_cost_per_kwh": worth.levelised_cost_per_kwh,
            "saving_per_kwh": worth.saving_per_kwh,
            "break_even_capital": worth.break_even_capital,
            "offers": [
                {name: getattr(one, name) for name in ("name", "buyer_npv", "seller_npv", "seller_margin_frac")}
                for one in self.offers
            ],
        }


def _column(frame: pd.DataFrame, name: str) -> list[float | None]:
    return [None if math.isnan(value) else float(value) for value in frame[name]]


def _returns(found: Returns) -> dict[str, Any]:
    return {
        "npv": found.npv,
        "irr_frac": list(found.irr_frac),
        "mirr_frac": found.mirr_frac,
        "payback_years": found.payback_years,
        "discounted_payback_years": found.discounted_payback_years,
        "profitability_index": found.profitability_index,
    }
