"""The project's cash, year by year: what it costs, saves, pays in tax and pays back to a bank."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.errors import KeyedError
from crestfall.finance._capital import CapitalCost
from crestfall.finance._returns import annuity, discount_factors
from crestfall.scenario.money_block import Loan, Money, Tax, YearlyCost

FloatArray = NDArray[np.float64]
OPERATION = ("savings", "service", "insurance", "land")
CLOSING = ("residual_value", "decommissioning")
DEBT = ("loan", "interest", "repayment", "tax_with_debt", "cash_with_debt", "dscr")
CASH_FLOW_COLUMNS = (
    "capital",
    "grant",
    "savings",
    "service",
    "insurance",
    "land",
    "replacements",
    "residual_value",
    "decommissioning",
    "depreciation",
    "tax",
    "cash",
    "cumulative",
    "discounted",
    "cumulative_discounted",
    *DEBT,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProjectYears:
    """What the years of operation bring, before any tax: all that finance knows of the battery.

    Parameters
    ----------
    lines : tuple of str
        Lines of the bill.
    line_savings : ndarray of shape (n_years, n_lines)
        What the battery saves on each line, in money of the year; auxiliaries and charging are in it already.
    replacement_cost : ndarray of shape (n_years,)
        What racks cost that are bought for the start of each year, in money of that time.
    discharged_kwh : ndarray of shape (n_years,)
        Energy discharged, AC [kWh].
    charging_cost : ndarray of shape (n_years,)
        What the energy that was charged cost; for the levelised cost only.
    """

    lines: tuple[str, ...]
    line_savings: FloatArray
    replacement_cost: FloatArray
    discharged_kwh: FloatArray
    charging_cost: FloatArray

    def __post_init__(self) -> None:
        if self.n_years == 0 or self.line_savings.shape[1] != len(self.lines):
            raise ValueError(f"line_savings has shape {self.line_savings.shape}, expected (1 or more years, n_lines)")
        for name in ("replacement_cost", "discharged_kwh", "charging_cost"):
            if getattr(self, name).shape != (self.n_years,):
                raise ValueError(f"{name} has shape {getattr(self, name).shape}, expected ({self.n_years},)")
        if (self.replacement_cost < 0).any() or (self.discharged_kwh < 0).any():
            raise ValueError("replacement_cost and discharged_kwh must not be negative")

    @property
    def n_years(self) -> int:
        """Number of years of operation."""
        return len(self.line_savings)

    @property
    def savings(self) -> FloatArray:
        """What the battery saves in each year, shape (n_years,)."""
        return np.asarray(self.line_savings.sum(axis=1))


def cash_flow(years: ProjectYears, capital: CapitalCost, money: Money) -> pd.DataFrame:
    """
    Return the yearly table of cash.

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
    DataFrame
        `CASH_FLOW_COLUMNS`, a row for the start (year 0) and for each year. Receipts are positive and payments
        negative, so that columns of cash add up:

        capital, grant
            At the start.
        savings, service, insurance, land
            Of each year.
        replacements
            Racks for the start of a year are paid at the end of the year before.
        residual_value, decommissioning
            At the horizon.
        depreciation
            What is written off: no cash; it lowers the profit that is taxed.
        tax, cash
            Without debt: tax, and all of the above but depreciation.
        cumulative, discounted, cumulative_discounted
            Of `cash`; discounted ones are NaN without a discount rate.
        loan, interest, repayment
            NaN without a loan, as are the next three.
        tax_with_debt, cash_with_debt
            The same with the loan; interest lowers the profit that is taxed.
        dscr
            Debt service cover ratio: savings less running costs, replacements and tax (with debt), over interest and
            repayment.

    Raises
    ------
    KeyedError
        If a loan runs beyond the horizon.
    """
    columns = _project(years, capital, money)
    columns |= _debt(columns, capital, money)
    return pd.DataFrame(columns, index=pd.RangeIndex(years.n_years + 1, name="year"))[list(CASH_FLOW_COLUMNS)]


def project_cash(years: ProjectYears, capital: CapitalCost, money: Money) -> FloatArray:
    """
    Return the column `cash` of the yearly table alone.

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
    ndarray of shape (n_years + 1,)
        Cash without debt, the first flow at the start.
    """
    return _project(years, capital, money)["cash"]


def _project(years: ProjectYears, capital: CapitalCost, money: Money) -> dict[str, FloatArray]:
    """Return the columns of the project without debt."""
    n = years.n_years
    columns = {
        "capital": _at(0, -capital.total, n),
        "grant": _at(0, capital.grant, n),
        "savings": np.append(0.0, years.savings),
        **{line: np.append(0.0, -yearly_cost(getattr(money, line), capital, n)) for line in OPERATION[1:]},
        "replacements": np.append(-years.replacement_cost, 0.0),
        "residual_value": _at(n, money.residual_frac * capital.parts, n),
        "decommissioning": _at(n, -money.decommissioning_cost, n),
        "depreciation": np.zeros(n + 1),
    }
    if money.tax is not None:
        bought = years.replacement_cost.copy()
        bought[0] += capital.net
        columns["depreciation"][1:] = written_off(bought, money.tax)
    columns["tax"] = -tax_on(_profit(columns), money.tax)
    columns["cash"] = _sum(columns, "capital", "grant", *OPERATION, "replacements", *CLOSING, "tax")
    columns["cumulative"] = columns["cash"].cumsum()
    columns["discounted"] = np.full(n + 1, np.nan)
    if money.discount is not None:
        factors = discount_factors(money.discount.rate_frac, n, timing=money.discount.timing)
        columns["discounted"] = columns["cash"] * factors
    columns["cumulative_discounted"] = columns["discounted"].cumsum()
    return columns


def _debt(columns: dict[str, FloatArray], capital: CapitalCost, money: Money) -> dict[str, FloatArray]:
    """Return the columns of the project with debt."""
    n = len(columns["cash"]) - 1
    if money.loan is None:
        return {name: np.full(n + 1, np.nan) for name in DEBT}
    if money.loan.years > n:
        raise KeyedError(
            "scenario",
            ("money", "loan", "years"),
            found=str(money.loan.years),
            expected=f"at most {n} years, the horizon of the study",
            remedy="shorten the loan, or lengthen life.horizon_years",
        )
    owed = money.loan.share_frac * capital.net
    interest, repayment = loan_schedule(money.loan, owed)
    later = np.zeros(n - money.loan.years)
    debt = {
        "loan": _at(0, owed, n),
        "interest": -np.concatenate([[0.0], interest, later]),
        "repayment": -np.concatenate([[0.0], repayment, later]),
    }
    debt["tax_with_debt"] = -tax_on(_profit(columns) + debt["interest"], money.tax)
    with_debt = columns | debt
    before_tax = columns["cash"] - columns["tax"]
    debt["cash_with_debt"] = before_tax + _sum(with_debt, "tax_with_debt", "loan", "interest", "repayment")
    service = -_sum(debt, "interest", "repayment")
    available = _sum(with_debt, *OPERATION, "replacements", "tax_with_debt")
    debt["dscr"] = np.where(service > 0, available, np.nan) / np.where(service > 0, service, 1.0)
    return debt


def _at(year: int, amount: float, n_years: int) -> FloatArray:
    row = np.zeros(n_years + 1)
    row[year] = amount
    return row


def _sum(columns: dict[str, FloatArray], *names: str) -> FloatArray:
    return np.asarray(np.sum([columns[name] for name in names], axis=0))


def _profit(columns: dict[str, FloatArray]) -> FloatArray:
    """Return what is taxed without debt."""
    return _sum(columns, *OPERATION, *CLOSING) - columns["depreciation"]


def yearly_cost(cost: YearlyCost, capital: CapitalCost, n_years: int) -> FloatArray:
    """Return a cost that comes back each year, risen from year to year, shape (n_years,)."""
    first = cost.amount_per_year + cost.frac_of_capital * capital.total
    return np.asarray(first * (1 + cost.escalation_frac_per_year) ** np.arange(n_years))


def loan_schedule(loan: Loan, owed: float) -> tuple[FloatArray, FloatArray]:
    """
    Return interest and repayment of each year of a loan with equal instalments.

    Parameters
    ----------
    loan : Loan
        Rate and number of instalments.
    owed : float
        What is owed at the start.

    Returns
    -------
    interest : ndarray of shape (years,)
        Interest on what is still owed.
    repayment : ndarray of shape (years,)
        The rest of the instalment.
    """
    instalment = annuity(owed, loan.rate_frac, loan.years)
    interest = np.zeros(loan.years)
    for year in range(loan.years):
        interest[year] = loan.rate_frac * owed
        owed += interest[year] - instalment
    return interest, instalment - interest


def depreciation(cost: float, tax: Tax, *, salvage: float = 0.0) -> FloatArray:
    """
    Return what is written off in each year after a purchase.

    Parameters
    ----------
    cost : float
        What was paid.
    tax : Tax
        Method and years.
    salvage : float, default=0.0
        Value that is left at the end and never written off.

    Returns
    -------
    ndarray of shape (depreciation_years,)
        Amounts that sum up to cost less salvage.
    """
    n = tax.depreciation_years
    if tax.depreciation == "straight_line":
        return np.full(n, (cost - salvage) / n)
    share = min(1.0, 2 / n) if tax.declining_frac is None else tax.declining_frac
    left = np.maximum(cost * (1 - share) ** np.arange(n + 1), salvage)
    left[-1] = salvage
    return np.asarray(-np.diff(left))


def written_off(bought: FloatArray, tax: Tax) -> FloatArray:
    """
    Return what is written off in each year of a project; at the horizon, all that is left.

    Parameters
    ----------
    bought : ndarray of shape (n_years,)
        What is paid for the start of each year.
    tax : Tax
        Method and years.

    Returns
    -------
    ndarray of shape (n_years,)
        Depreciation of each year.
    """
    n = len(bought)
    total = np.zeros(n)
    for start, cost in enumerate(bought):
        amounts = depreciation(float(cost), tax)[: n - start]
        total[start : start + len(amounts)] += amounts
        total[-1] += cost - amounts.sum()
    return total


def tax_on(profit: FloatArray, tax: Tax | None) -> FloatArray:
    """Return the tax of each year; below 0 where a loss saves tax on the firm's other profit."""
    if tax is None:
        return np.zeros(len(profit))
    if tax.losses == "offset":
        return tax.rate_frac * profit
    # What has been taxed up to a year is the highest sum of profit so far: losses wait until they are made good.
    highest = np.maximum.accumulate(np.maximum(np.cumsum(profit), 0.0))
    return tax.rate_frac * np.diff(highest, prepend=0.0)
