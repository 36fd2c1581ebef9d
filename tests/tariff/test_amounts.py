"""Fixed amounts, the minimum bill, surcharges, and rounding."""

from decimal import ROUND_HALF_UP, Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing import amounts, at_hours, billed, column, laid, steps, tariff_from, total

FLOAT_SUM = 1e-9  # sums of some hundred floats, in another order
JUNE = steps("2025-06-01", "2025-07-01")
YEAR = steps()


def fixed(**keys):
    return tariff_from(fixed_charges=[{"name": "Fixed", **keys}])


@pytest.mark.parametrize(
    ("keys", "january", "february", "year"),
    [
        pytest.param({"amount_per_day": 2.0}, 62.0, 56.0, 730.0, id="a day"),
        pytest.param({"amount_per_month": 10.0}, 10.0, 10.0, 120.0, id="a month"),
        pytest.param({"amount_per_year": 365.0}, 31.0, 28.0, 365.0, id="a year"),
        pytest.param({"amount_per_month": 10.0, "meters": 3}, 30.0, 30.0, 360.0, id="three meters"),
    ],
)
def test_a_fixed_amount_is_due_whatever_is_used(keys, january, february, year):
    table = billed(fixed(**keys), YEAR)
    assert column(table, "Fixed", "amount")[:2] == pytest.approx([january, february], abs=FLOAT_SUM)
    assert amounts(table)["Fixed"] == pytest.approx(year, abs=FLOAT_SUM)


def test_an_amount_a_year_is_the_same_in_a_leap_year():
    table = billed(fixed(amount_per_year=366.0), steps("2024-01-01", "2025-01-01"))
    assert column(table, "Fixed", "amount")[1] == pytest.approx(29.0, abs=FLOAT_SUM)
    assert amounts(table)["Fixed"] == pytest.approx(366.0, abs=FLOAT_SUM)


def minimum(amount, *on, **keys):
    return tariff_from(
        demand_charges=[{"name": "Peak", "rate_per_kw": 5.0, "averaging_min": 60}],
        fixed_charges=[{"name": "Meter", "amount_per_month": 10.0}],
        minimum_bill={"amount_per_month": amount, "on": list(on)},
        **keys,
    )


@pytest.mark.parametrize(
    ("on", "missing"),
    [
        pytest.param(["energy"], 200 - 144, id="a group"),
        pytest.param(["Peak"], 200 - 5, id="a line"),
        pytest.param(["energy", "Peak"], 200 - 149, id="a group and a line"),
        pytest.param(["energy", "Energy"], 200 - 144, id="a line that its group has already"),
        pytest.param(["all"], 200 - 159, id="all"),
    ],
)
def test_a_minimum_bill_adds_what_its_lines_lack(on, missing):
    # 1 kW in June: 720 kWh at 0.2 are 144, the peak 5, the meter 10.
    assert column(billed(minimum(200, *on), JUNE, 1.0), "Minimum bill", "amount") == pytest.approx([missing])


def test_a_minimum_that_is_reached_adds_nothing():
    assert column(billed(minimum(100, "energy"), JUNE, 1.0), "Minimum bill", "amount") == [0]


def test_a_minimum_holds_for_each_month_on_its_own():
    start = steps("2025-06-01", "2025-08-01")
    import_kw = (start.month == 6) * 2.0
    table = billed(minimum(200, "energy"), start, import_kw)
    assert column(table, "Minimum bill", "amount") == pytest.approx([0, 200])


def test_export_counts_towards_a_minimum_on_all():
    tariff = minimum(200, "all", export={"rate_per_kwh": 0.05})
    table = billed(tariff, JUNE, 1.0, export_kw=1.0)
    assert column(table, "Minimum bill", "amount") == pytest.approx([200 - 159 + 36])


def test_surcharges_come_after_the_minimum_and_on_it():
    tariff = minimum(200, "all", surcharges=[{"name": "Tax", "share_frac": 0.1, "on": ["all"]}])
    assert column(billed(tariff, JUNE, 1.0), "Tax", "amount") == pytest.approx([20.0])


def surcharged(*surcharges):
    return tariff_from(
        demand_charges=[{"name": "Peak", "rate_per_kw": 5.0, "averaging_min": 60}],
        fixed_charges=[{"name": "Meter", "amount_per_month": 10.0}],
        surcharges=[{"name": name, "share_frac": share, "on": on} for name, share, on in surcharges],
    )


@pytest.mark.parametrize(
    ("surcharges", "expected"),
    [
        pytest.param([("A", 0.1, ["energy"])], {"A": 14.4}, id="on a group"),
        pytest.param([("A", 0.1, ["Peak", "Meter"])], {"A": 1.5}, id="on two lines"),
        pytest.param([("A", 0.1, ["demand", "Peak"])], {"A": 0.5}, id="once on a line named twice"),
        pytest.param([("A", 0.1, ["all"]), ("B", 0.1, ["all"])], {"A": 15.9, "B": 17.49}, id="the second on the first"),
        pytest.param([("A", 0.1, ["energy"]), ("B", 0.5, ["A"])], {"A": 14.4, "B": 7.2}, id="on another alone"),
        pytest.param(
            [("A", 0.1, ["energy"]), ("B", 0.2, ["demand"]), ("C", 0.5, ["surcharge"])],
            {"A": 14.4, "B": 1.0, "C": 7.7},
            id="on all surcharges before it",
        ),
        pytest.param([("A", -0.5, ["energy"])], {"A": -72.0}, id="a discount"),
    ],
)
def test_a_surcharge_is_a_share_of_what_is_written_before_it(surcharges, expected):
    found = amounts(billed(surcharged(*surcharges), JUNE, 1.0))
    assert {name: found[name] for name in expected} == pytest.approx(expected, abs=FLOAT_SUM)


def test_the_order_of_two_surcharges_matters():
    tax, levy = ("Tax", 0.2, ["all"]), ("Levy", 0.1, ["energy"])
    first, second = (total(billed(surcharged(*order), JUNE, 1.0)) for order in ([tax, levy], [levy, tax]))
    assert second - first == pytest.approx(14.4 * 0.2, abs=FLOAT_SUM)


def test_a_surcharge_has_a_row_in_each_period_in_which_its_lines_have():
    tariff = tariff_from(
        demand_charges=[{"name": "Annual", "rate_per_kw": 50.0, "averaging_min": 60, "period": "year"}],
        surcharges=[{"name": "Tax", "share_frac": 0.1, "on": ["demand"]}],
    )
    table = billed(tariff, YEAR, 2.0)
    assert column(table, "Tax", "period") == ["2025"]
    assert column(table, "Tax", "amount") == pytest.approx([10.0])


@settings(max_examples=50)
@given(
    shares=st.lists(st.floats(-1, 1), min_size=1, max_size=4),
    chance=st.randoms(use_true_random=False),
)
def test_the_weight_of_a_line_is_what_one_unit_of_money_on_it_costs(shares, chance):
    names = ["Energy", "Peak", "Meter", "energy", "demand", "fixed", "all"]
    surcharges = []
    for number, share in enumerate(shares):
        known = [*names, *(f"S{k}" for k in range(number))]
        surcharges.append((f"S{number}", share, chance.sample(known, chance.randint(1, 3))))
    tariff = surcharged(*surcharges)
    table = billed(tariff, JUNE, 1.0)
    weights = laid(tariff, JUNE).sheets[0].weights
    found = amounts(table)
    weighted = sum(weights[line] * found[line] for line in ("Energy", "Peak", "Meter"))
    assert total(table) == pytest.approx(weighted, rel=FLOAT_SUM, abs=FLOAT_SUM)


def rounded(rounding, *, rate_per_kwh=0.1, rate_per_kw=1.0):
    return tariff_from(
        allow_negative=True,
        energy_charges=[{"name": "Energy", "rate_per_kwh": rate_per_kwh}],
        demand_charges=[{"name": "Peak", "rate_per_kw": rate_per_kw, "averaging_min": 60}],
        rounding=rounding,
    )


ONE_HOUR = "2025-06-10 12:00"


@pytest.mark.parametrize(
    ("kwh", "rate", "amount"),
    [
        pytest.param(1, 2.675, 2.68, id="half a cent in decimal, less in binary"),
        pytest.param(1, 0.125, 0.13, id="half a cent to odd"),
        pytest.param(1, 0.135, 0.14, id="half a cent to even"),
        pytest.param(1, -2.675, -2.68, id="half a cent below zero"),
        pytest.param(3, 0.1, 0.30, id="noise of floats"),
        pytest.param(1, 0.12499, 0.12, id="just below half a cent"),
    ],
)
def test_amounts_are_rounded_half_away_from_zero(kwh, rate, amount):
    import_kw = at_hours(JUNE, {ONE_HOUR: kwh})
    table = billed(rounded({"amount_decimals": 2}, rate_per_kwh=rate), JUNE, import_kw)
    assert column(table, "Energy", "amount") == [amount]


@settings(max_examples=50)
@given(cents=st.integers(-99_999, 99_999), decimals=st.integers(0, 2))
def test_rounding_agrees_with_decimal_numbers(cents, decimals):
    # In thousandths, so that halves are frequent.
    rate = cents / 1000
    import_kw = at_hours(JUNE, {ONE_HOUR: 1.0})
    table = billed(rounded({"amount_decimals": decimals}, rate_per_kwh=rate), JUNE, import_kw)
    exact = Decimal(cents) / 1000
    assert column(table, "Energy", "amount") == [
        float(exact.quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_UP))
    ]


def test_demand_is_rounded_before_it_is_priced():
    import_kw = at_hours(JUNE, {ONE_HOUR: 12.5})
    table = billed(rounded({"demand_decimals": 0}, rate_per_kw=3.0), JUNE, import_kw)
    assert (column(table, "Peak"), column(table, "Peak", "amount")) == ([13.0], [39.0])
    assert column(table, "Energy") == [12.5]


def test_energy_is_rounded_before_it_is_priced():
    import_kw = at_hours(JUNE, {ONE_HOUR: 12.5})
    table = billed(rounded({"energy_decimals": 0}), JUNE, import_kw)
    assert (column(table, "Energy"), column(table, "Peak")) == ([13.0], [12.5])
    assert column(table, "Energy", "amount") == pytest.approx([1.3])


def test_a_surcharge_stands_on_rounded_amounts():
    tariff = tariff_from(
        energy_charges=[{"name": "Energy", "rate_per_kwh": 0.104}],
        fixed_charges=[{"name": "Meter", "amount_per_month": 0.104}],
        surcharges=[{"name": "Tax", "share_frac": 0.5, "on": ["all"]}],
        rounding={"amount_decimals": 2},
    )
    found = amounts(billed(tariff, JUNE, at_hours(JUNE, {ONE_HOUR: 1.0})))
    assert found == {"Energy": 0.10, "Meter": 0.10, "Tax": 0.10}


@settings(max_examples=30)
@given(kwh=st.floats(0, 1000), peak=st.floats(0, 100))
def test_each_rounded_line_is_within_half_a_cent_of_the_exact_one(kwh, peak):
    import_kw = at_hours(JUNE, {ONE_HOUR: peak, "2025-06-11 12:00": kwh})
    exact, cents = (amounts(billed(rounded(r), JUNE, import_kw)) for r in ({}, {"amount_decimals": 2}))
    assert {line: round(amount, 2) for line, amount in cents.items()} == cents
    assert cents == pytest.approx(exact, abs=0.005 + FLOAT_SUM)
