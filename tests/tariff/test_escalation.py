import pytest

from billing import amounts, billed, steps, tariff_from
from crestfall.tariff import escalated

HALF_YEAR = steps("2025-01-01", "2025-07-01")
SHARES = {"energy": 0.03, "demand": 0.02, "fixed": 0.01, "export": -0.05}
RISES_WITH = {  # line of the bill: the share it rises by
    "Energy": "energy",
    "Demand": "demand",
    "Level": "demand",
    "System": "demand",
    "Kvarh": "demand",
    "Meter": "fixed",
    "Export": "export",
}
TARIFF = tariff_from(
    energy_charges=[
        {"name": "Energy", "tiers": [{"upto_kwh": 9_000.0, "rate_per_kwh": 0.2}, {"rate_per_kwh": 0.1}]},
    ],
    demand_charges=[{"name": "Demand", "rate_per_kw": 7.0, "averaging_min": 60, "free_demand": 5.0}],
    capacity_charges=[
        {"name": "Level", "rate_per_kw": 3.0, "averaging_min": 60, "contracted_demand": 40.0, "excess_rate": 9.0}
    ],
    coincident_charges=[{"name": "System", "rate_per_kw": 30.0, "times": ["2025-02-03 17:00"]}],
    reactive_charges=[{"name": "Kvarh", "rate_per_kvarh": 0.05, "free_share_of_kwh": 0.1}],
    fixed_charges=[{"name": "Meter", "amount_per_day": 2.0}],
    export={"rate_per_kwh": 0.06},
    escalation={f"{group}_frac_per_year": share for group, share in SHARES.items()},
)


def lines_after(years):
    import_kw = 30.0 + 25.0 * (HALF_YEAR.hour.to_numpy() == 17)
    return amounts(billed(escalated(TARIFF, years), HALF_YEAR, import_kw, export_kw=1.0, kvar=10.0))


@pytest.mark.parametrize("years", [0, 1, 7])
def test_each_line_rises_by_the_share_of_its_group(years):
    first = lines_after(0)
    expected = {line: amount * (1 + SHARES[RISES_WITH[line]]) ** years for line, amount in first.items()}
    assert set(first) == set(RISES_WITH)
    assert lines_after(years) == pytest.approx(expected, rel=1e-12)


def test_quantities_and_shares_do_not_rise():
    later = escalated(TARIFF, 9)
    assert later.energy_charges[0].tiers[0].upto_kwh == 9_000.0
    assert later.demand_charges[0].free_demand == 5.0
    assert later.capacity_charges[0].contracted_demand == 40.0
    assert later.reactive_charges[0].free_share_of_kwh == 0.1


def test_a_price_from_a_file_rises_by_its_factor_and_its_adder():
    series = {"file": "p.csv", "column": "p", "unit": "per_kwh", "multiplier": 1.04, "adder_per_kwh": 0.02}
    tariff = tariff_from(
        energy_charges=[{"name": "Energy", "price_series": series}], escalation={"energy_frac_per_year": 0.1}
    )
    later = escalated(tariff, 2).energy_charges[0].price_series
    assert (later.multiplier, later.adder_per_kwh) == pytest.approx((1.04 * 1.21, 0.02 * 1.21))


def test_years_before_the_first_are_refused():
    with pytest.raises(ValueError, match="years is -1, expected 0 or more"):
        escalated(TARIFF, -1)
