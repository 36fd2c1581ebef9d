"""What a project is worth: figures of its cash, with and without debt."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import brentq

from crestfall.finance._capital import CapitalCost
from crestfall.finance._cash_flow import OPERATION, ProjectYears, cash_flow, project_cash
from crestfall.finance._returns import (
    levelised_cost,
    modified_rate_of_return,
    payback_years,
    present_value,
    profitability_index,
    rates_of_return,
)
from crestfall.scenario.money_block import Discount, Money

FloatArray = NDArray[np.float64]
DOUBLINGS = 40  # of the capital, in search of one that is too dear


@dataclass(frozen=True, slots=True, kw_only=True)
class Returns:
    """What is read off a row of cash; None where there is no such figure.

    Parameters
    ----------
    npv : float or None
        Net present value; None without a discount rate.
    irr_frac : tuple of float
        Every internal rate of return; empty for none. Several mean that none of them says anything by itself.
    mirr_frac : float or None
        Modified internal rate of return: payments discounted at the discount rate, receipts earning the reinvestment
        rate, flows at the ends of the years.
    payback_years, discounted_payback_years : float or None
        Time after which receipts cover payments and go on covering them [a].
    profitability_index : float or None
        Present value of the later flows over what is spent at the start.
    """

    npv: float | None
    irr_frac: tuple[float, ...]
    mirr_frac: float | None
    payback_years: float | None
    discounted_payback_years: float | None
    profitability_index: float | None

    @classmethod
    def of(cls, cash: FloatArray, discount: Discount | None) -> "Returns":
        """Return the figures of a row of cash, the first flow at the start."""
        if discount is None:
            return cls(
                npv=None,
                irr_frac=rates_of_return(cash),
                mirr_frac=None,
                payback_years=payback_years(cash),
                discounted_payback_years=None,
                profitability_index=None,
            )
        rate, timing, reinvest = discount.rate_frac, discount.timing, discount.reinvestment_rate_frac
        return cls(
            npv=present_value(cash, rate, timing=timing),
            irr_frac=rates_of_return(cash, timing=timing),
            mirr_frac=modified_rate_of_return(
                cash, finance_frac=rate, reinvest_frac=rate if reinvest is None else reinvest
            ),
            payback_years=payback_years(cash),
            discounted_payback_years=payback_years(cash, rate_frac=rate, timing=timing),
            profitability_index=profitability_index(cash, rate, timing=timing),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Appraisal:
    """What a project is worth.

    Parameters
    ----------
    frame : DataFrame
        The yearly table of cash, `CASH_FLOW_COLUMNS`.
    without_debt : Returns
        Of all the money in the project.
    with_debt : Returns or None
        Of the owner's money beside the loan; None without a loan.
    least_dscr : float or None
        Lowest debt service cover ratio; None without a loan.
    levelised_cost_per_kwh : float or None
        Levelised cost of storage: present value of capital less grant, running costs, replacements, decommissioning and
        the energy charged, less the residual value, over the present value of the energy discharged (AC); before tax.
    saving_per_kwh : float or None
        All savings over all energy discharged (AC), not discounted.
    break_even_capital : float or None
        Capital cost at which the net present value without debt is 0, all that is a share of it and the grant in
        proportion; None if no capital is low enough.
    """

    frame: pd.DataFrame
    without_debt: Returns
    with_debt: Returns | None
    least_dscr: float | None
    levelised_cost_per_kwh: float | None
    saving_per_kwh: float | None
    break_even_capital: float | None


def appraise(years: ProjectYears, capital: CapitalCost, money: Money) -> Appraisal:
    """
    Return the cash of a project and what is read off it.

    Parameters
    ----------
    years : ProjectYears
        What the years of operation bring.
    capital : CapitalCost
        What is spent at the start.
    money : Money
        Money of the scenario.

    Returns
    -------
    Appraisal
        The project's worth.

    Raises
    ------
    KeyedError
        If a loan runs beyond the horizon.
    """
    frame = cash_flow(years, capital, money)
    discount, discharged_kwh = money.discount, float(years.discharged_kwh.sum())
    has_loan = money.loan is not None and capital.net > 0
    return Appraisal(
        frame=frame,
        without_debt=Returns.of(frame["cash"].to_numpy(), discount),
        with_debt=Returns.of(frame["cash_with_debt"].to_numpy(), discount) if has_loan else None,
        least_dscr=float(frame["dscr"].min()) if has_loan else None,
        levelised_cost_per_kwh=None if discount is None else _levelised(years, frame, discount),
        saving_per_kwh=float(years.savings.sum()) / discharged_kwh if discharged_kwh > 0 else None,
        break_even_capital=None if discount is None else _break_even(years, capital, money, discount),
    )


def _levelised(years: ProjectYears, frame: pd.DataFrame, discount: Discount) -> float | None:
    columns = ["capital", "grant", *OPERATION[1:], "replacements", "residual_value", "decommissioning"]
    cost = -frame[columns].sum(axis=1).to_numpy()
    cost[1:] += years.charging_cost
    energy = np.concatenate([[0.0], years.discharged_kwh])
    return levelised_cost(cost, energy, discount.rate_frac, timing=discount.timing)


def _break_even(years: ProjectYears, capital: CapitalCost, money: Money, discount: Discount) -> float | None:
    def worth(factor: float) -> float:
        scaled = replace(capital, **{name: factor * getattr(capital, name) for name in CapitalCost.__slots__})
        cash = project_cash(years, scaled, money)
        return present_value(cash, discount.rate_frac, timing=discount.timing)

    if capital.total == 0 or worth(0.0) <= 0:
        return None
    too_dear = next((2.0**k for k in range(DOUBLINGS) if worth(2.0**k) < 0), None)
    if too_dear is None:
        return None
    return capital.total * float(brentq(worth, 0.0, too_dear, xtol=1e-12, rtol=1e-12))
