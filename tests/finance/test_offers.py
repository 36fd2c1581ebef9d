"""Buying, renting and sharing, from both sides of the table."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crestfall.errors import KeyedError
from crestfall.finance import appraise, offers, present_value
from money import capital_of, money_with, years_of

SELLER = {"cost_frac": 0.8, "rate_frac": 0.06}
TEN_YEARS = years_of([20_000.0] * 10)


def by_name(money, years=TEN_YEARS, capital=None) -> dict:
    return {offer.name: offer for offer in offers(years, capital_of() if capital is None else capital, money)}


def test_only_what_has_terms_is_offered():
    lease, shared = {"rent_per_month": 1000.0, "years": 8}, {"seller_frac": 0.6, "years": 8}
    assert list(by_name(money_with())) == ["purchase"]
    assert list(by_name(money_with(shared_savings=shared))) == ["purchase", "shared_savings"]
    assert list(by_name(money_with(lease=lease, shared_savings=shared))) == ["purchase", "lease", "shared_savings"]


def test_a_purchase_is_the_project():
    money = money_with(seller=SELLER, tax={"rate_frac": 0.3, "depreciation_years": 10})
    bought = by_name(money)["purchase"]
    assert bought.buyer_npv == pytest.approx(appraise(TEN_YEARS, capital_of(), money).without_debt.npv)
    assert bought.seller_margin_frac == pytest.approx(0.2)
    assert bought.seller_npv == pytest.approx(20_000)


def test_a_purchase_on_credit_is_the_owners_cash():
    money = money_with(loan={"share_frac": 0.5, "rate_frac": 0.05, "years": 5})
    assert by_name(money)["purchase"].buyer_npv == pytest.approx(appraise(TEN_YEARS, capital_of(), money).with_debt.npv)


def test_a_lease_takes_the_rent_and_leaves_the_savings():
    """20,000 saved, 12 x 1,250 paid with 2 % more each year, room 500; service is in the rent; three years."""
    money = money_with(
        lease={"rent_per_month": 1250.0, "escalation_frac_per_year": 0.02, "years": 3},
        service={"amount_per_year": 1000.0},
        land={"amount_per_year": 500.0},
        seller=SELLER,
        residual_frac=0.5,
        decommissioning_cost=700.0,
    )
    lease = by_name(money)["lease"]
    assert lease.buyer_cash.tolist() == pytest.approx([0, 4500, 4200, 3894, *[0] * 7])
    assert lease.seller_cash.tolist() == pytest.approx([-80_000, 14_000, 14_300, 14_606 + 50_000 - 700, *[0] * 7])
    paid = present_value([0, 15_000, 15_300, 15_606], 0.06)
    assert lease.seller_margin_frac == pytest.approx(present_value(lease.seller_cash, 0.06) / paid)


def test_a_lease_may_leave_service_to_the_site():
    keys = {"service": {"amount_per_year": 1000.0}, "seller": SELLER}
    lease = {"rent_per_month": 1000.0, "years": 10}
    covered, bare = (
        by_name(money_with(**keys, lease={**lease, "service_included": included}))["lease"]
        for included in (True, False)
    )
    assert (covered.buyer_cash[1], bare.buyer_cash[1]) == (8000, 7000)
    assert (covered.seller_cash[1], bare.seller_cash[1]) == (11_000, 12_000)


def test_shared_savings_share_what_is_saved_and_nothing_of_a_loss():
    years = years_of([20_000.0, -1000.0, 10_000.0])
    money = money_with(shared_savings={"seller_frac": 0.7, "years": 3}, seller=SELLER)
    shared = by_name(money, years)["shared_savings"]
    assert shared.buyer_cash.tolist() == pytest.approx([0, 6000, -1000, 3000])
    assert shared.seller_cash.tolist() == pytest.approx([-80_000, 14_000, 0, 7000])


@given(
    savings=st.lists(st.integers(0, 40_000).map(float), min_size=5, max_size=15),
    share=st.floats(0.1, 1.0),
    racks=st.sampled_from([0.0, 12_000.0]),
)
def test_without_tax_and_margin_both_sides_together_have_the_projects_cash(savings, share, racks):
    years = years_of(savings, replacement=[0.0, 0.0, racks, *[0.0] * (len(savings) - 3)])
    money = money_with(
        shared_savings={"seller_frac": share, "years": len(savings)},
        lease={"rent_per_month": 900.0, "years": len(savings)},
        seller={"cost_frac": 1.0, "rate_frac": 0.08},
        service={"amount_per_year": 800.0, "escalation_frac_per_year": 0.02},
        land={"amount_per_year": 200.0},
        residual_frac=0.1,
        decommissioning_cost=900.0,
    )
    capital = capital_of(grant=5000.0, racks=100_000.0)
    project = appraise(years, capital, money).frame["cash"].to_numpy()
    found = by_name(money, years, capital)
    for name in ("lease", "shared_savings"):
        assert found[name].buyer_cash + found[name].seller_cash == pytest.approx(project, abs=1e-6)


def test_rent_lowers_the_profit_that_is_taxed():
    money = money_with(lease={"rent_per_month": 1000.0, "years": 10}, tax={"rate_frac": 0.25, "depreciation_years": 5})
    assert by_name(money)["lease"].buyer_cash[1] == pytest.approx(0.75 * 8000)


def test_a_seller_whose_costs_are_unknown_shows_no_margin():
    purchase = by_name(money_with())["purchase"]
    assert (purchase.seller_cash, purchase.seller_npv, purchase.seller_margin_frac) == (None, None, None)


@pytest.mark.parametrize("key", ["lease", "shared_savings"])
def test_a_contract_beyond_the_horizon_is_refused(key):
    terms = {"lease": {"rent_per_month": 1.0, "years": 11}, "shared_savings": {"seller_frac": 0.5, "years": 11}}
    with pytest.raises(KeyedError) as caught:
        by_name(money_with(**{key: terms[key]}))
    assert str(caught.value) == (
        f"money.{key}.years: found 11, expected at most 10 years, the horizon of the study\n"
        "    shorten the contract, or lengthen life.horizon_years"
    )
