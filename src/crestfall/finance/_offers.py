"""Ways to have the battery: buy it, rent it, or let the seller run it for a share of the savings."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from crestfall.errors import KeyedError
from crestfall.finance._capital import CapitalCost
from crestfall.finance._cash_flow import ProjectYears, cash_flow, tax_on, yearly_cost
from crestfall.finance._returns import present_value
from crestfall.scenario.money_block import Money

FloatArray = NDArray[np.float64]
OfferName = Literal["purchase", "lease", "shared_savings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """One way to have the battery, seen from both sides.

    Parameters
    ----------
    name : {"purchase", "lease", "shared_savings"}
        Which way.
    buyer_cash : ndarray of shape (n_years + 1,)
        The site's cash after tax and, for a purchase with a loan, after debt.
    buyer_npv : float or None
        Its present value; None without a discount rate.
    seller_cash : ndarray of shape (n_years + 1,) or None
        The seller's cash before tax; None where the seller's costs are unknown, as are the next two.
    seller_npv : float or None
        Its present value at the seller's rate.
    seller_margin_frac : float or None
        That over the present value of what the seller is paid.
    """

    name: OfferName
    buyer_cash: FloatArray
    buyer_npv: float | None
    seller_cash: FloatArray | None
    seller_npv: float | None
    seller_margin_frac: float | None


def offers(years: ProjectYears, capital: CapitalCost, money: Money) -> tuple[Offer, ...]:
    """
    Return the ways to have the battery that the scenario gives terms for, the purchase first.

    With a lease or shared savings the battery goes back at the end of the contract and the site saves nothing more; the
    seller takes the grant and bears capital, replacements, decommissioning and, unless the lease leaves them to the
    site, service and insurance. The site pays for the room in any case.

    Parameters
    ----------
    years : ProjectYears
        What the years of operation bring.
    capital : CapitalCost
        What a buyer spends at the start.
    money : Money
        Money of the scenario.

    Returns
    -------
    tuple of Offer
        The offers.

    Raises
    ------
    KeyedError
        If a contract runs beyond the horizon.
    """
    n = years.n_years
    frame = cash_flow(years, capital, money)
    running = yearly_cost(money.service, capital, n) + yearly_cost(money.insurance, capital, n)
    found = [_purchase(frame["cash" if money.loan is None else "cash_with_debt"].to_numpy(), years, capital, money)]
    if money.lease is not None:
        lease = money.lease
        rent = np.asarray(12 * lease.rent_per_month * (1 + lease.escalation_frac_per_year) ** np.arange(n))
        by_seller = running if lease.service_included else np.zeros(n)
        terms = _Terms("lease", lease.years, fee=rent, by_seller=by_seller, by_site=running - by_seller)
        found.append(_contract(terms, years, capital, money))
    if money.shared_savings is not None:
        shared = money.shared_savings
        fee = shared.seller_frac * np.maximum(years.savings, 0.0)
        terms = _Terms("shared_savings", shared.years, fee=fee, by_seller=running, by_site=np.zeros(n))
        found.append(_contract(terms, years, capital, money))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Terms:
    """A contract: its years, the yearly fee, and who bears which running costs, arrays of shape (n_years,)."""

    name: Literal["lease", "shared_savings"]
    years: int
    fee: FloatArray
    by_seller: FloatArray
    by_site: FloatArray


def _purchase(cash: FloatArray, years: ProjectYears, capital: CapitalCost, money: Money) -> Offer:
    paid = np.append(years.replacement_cost, 0.0)
    paid[0] += capital.total
    costs = np.zeros_like(paid) if money.seller is None else money.seller.cost_frac * paid
    return _offer("purchase", cash, paid - costs, paid, money)


def _contract(terms: _Terms, years: ProjectYears, capital: CapitalCost, money: Money) -> Offer:
    n, term = years.n_years, terms.years
    if term > n:
        raise KeyedError(
            "scenario",
            ("money", terms.name, "years"),
            found=str(term),
            expected=f"at most {n} years, the horizon of the study",
            remedy="shorten the contract, or lengthen life.horizon_years",
        )
    under_contract = np.arange(n) < term
    land = yearly_cost(money.land, capital, n)
    profit = np.where(under_contract, years.savings - terms.fee - terms.by_site - land, 0.0)
    buyer = np.append(0.0, profit - tax_on(profit, money.tax))
    received = np.append(0.0, np.where(under_contract, terms.fee, 0.0))
    seller = received.copy()
    seller[1:] -= np.where(under_contract, terms.by_seller, 0.0)
    if money.seller is not None:
        bought = np.where(under_contract, years.replacement_cost, 0.0)
        bought[0] += capital.total
        seller[:-1] -= money.seller.cost_frac * bought
    seller[0] += capital.grant
    seller[term] += money.residual_frac * capital.parts - money.decommissioning_cost
    return _offer(terms.name, buyer, seller, received, money)


def _offer(name: OfferName, buyer: FloatArray, seller: FloatArray, received: FloatArray, money: Money) -> Offer:
    timing = "end_of_year" if money.discount is None else money.discount.timing
    worth = None if money.discount is None else present_value(buyer, money.discount.rate_frac, timing=timing)
    if money.seller is None:
        return Offer(
            name=name, buyer_cash=buyer, buyer_npv=worth, seller_cash=None, seller_npv=None, seller_margin_frac=None
        )
    rate = money.seller.rate_frac
    npv, paid = present_value(seller, rate, timing=timing), present_value(received, rate, timing=timing)
    return Offer(
        name=name,
        buyer_cash=buyer,
        buyer_npv=worth,
        seller_cash=seller,
        seller_npv=npv,
        seller_margin_frac=npv / paid if paid > 0 else None,
    )
