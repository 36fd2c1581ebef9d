"""Export set off against import, kWh for kWh."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing import amounts, billed, column, laid, readings_of, steps, tariff_from, total
from crestfall.tariff import bill

FLOAT_SUM = 1e-8  # sums of some thousand kWh
QUARTER = steps("2025-04-01", "2025-07-01")  # 720, 744 and 720 hours
MONTH_OF = QUARTER.month.to_numpy() - 4
HOURS = np.bincount(MONTH_OF)


def net_metered(*charges, carry_over=True, settlement=0.0, **keys):
    net = {"carry_over": carry_over, "settlement_rate_per_kwh": settlement}
    flat = [{"name": "Energy", "rate_per_kwh": 0.2}]
    return tariff_from(energy_charges=list(charges) or flat, export={"net_metering": net}, **keys)


def netted(tariff, imported_kwh, exported_kwh):
    """The bill of three months with the given kWh of each, spread over its hours."""
    import_kw, export_kw = ((np.array(kwh) / HOURS)[MONTH_OF] for kwh in (imported_kwh, exported_kwh))
    return billed(tariff, QUARTER, import_kw, export_kw=export_kw)


def test_export_runs_the_meter_back():
    assert column(netted(net_metered(), [500, 500, 500], [100, 0, 500]), "Energy") == pytest.approx(
        [400, 500, 0], abs=FLOAT_SUM
    )


def test_unused_credit_goes_on_until_it_is_used():
    table = netted(net_metered(), [100, 100, 500], [300, 150, 0])
    assert column(table, "Energy") == pytest.approx([0, 0, 250], abs=FLOAT_SUM)


def test_credit_left_at_the_end_is_settled_once():
    table = netted(net_metered(settlement=0.05), [100, 100, 100], [300, 100, 150])
    assert column(table, "Export", "period") == ["2025-06"]
    assert column(table, "Export") == pytest.approx([250], abs=FLOAT_SUM)
    assert column(table, "Export", "amount") == pytest.approx([-12.5], abs=FLOAT_SUM)


def test_without_carry_over_each_month_is_settled():
    table = netted(net_metered(carry_over=False, settlement=0.05), [100, 500, 100], [300, 100, 150])
    assert column(table, "Energy") == pytest.approx([0, 400, 0], abs=FLOAT_SUM)
    assert column(table, "Export", "period") == ["2025-04", "2025-06"]
    assert column(table, "Export") == pytest.approx([200, 50], abs=FLOAT_SUM)


def test_credit_that_is_used_up_earns_nothing():
    assert "Export" not in amounts(netted(net_metered(settlement=0.05), [100, 500, 100], [300, 0, 0]))


def test_each_price_is_netted_on_its_own():
    day = {"name": "Day", "rate_per_kwh": 0.3, "when": [{"times": ["08:00-20:00"]}]}
    tariff = net_metered(day, {"name": "Night", "rate_per_kwh": 0.1})
    june = steps("2025-06-01", "2025-07-01")
    is_day = (june.hour.to_numpy() >= 8) & (june.hour.to_numpy() < 20)
    table = billed(tariff, june, np.where(is_day, 0.0, 1.0), export_kw=np.where(is_day, 1.0, 0.0))
    assert (column(table, "Day"), column(table, "Night")) == ([0], [360])


def test_blocks_take_what_is_left_after_netting():
    tiers = [{"upto_kwh": 200, "rate_per_kwh": 0.1}, {"rate_per_kwh": 0.2}]
    table = netted(net_metered({"name": "Energy", "tiers": tiers}), [700, 500, 500], [100, 500, 400])
    assert column(table, "Energy") == pytest.approx([200, 400, 0, 100], abs=FLOAT_SUM)


def test_credit_goes_on_to_each_component():
    supply = {"name": "Supply", "rate_per_kwh": 0.1, "component": "Supply"}
    grid = {"name": "Grid", "rate_per_kwh": 0.05, "component": "Grid"}
    table = netted(net_metered(supply, grid), [100, 500, 500], [300, 0, 0])
    for line in ("Supply", "Grid"):
        assert column(table, line) == pytest.approx([0, 300, 500], abs=FLOAT_SUM)


@pytest.mark.parametrize("carry_over", [True, False])
def test_a_settlement_belongs_to_the_lines_and_bears_surcharges(carry_over):
    tax = [{"name": "Tax", "share_frac": 0.1, "on": ["all"]}]
    tariff = net_metered(carry_over=carry_over, settlement=0.05, surcharges=tax)
    table = netted(tariff, [0, 0, 0], [0, 0, 100])
    assert laid(tariff, QUARTER).line_groups["Export"] == "export"
    assert column(table, "Tax", "amount")[-1] == pytest.approx(-0.5, abs=FLOAT_SUM)
    assert total(table) == pytest.approx(-5.5, abs=FLOAT_SUM)


@settings(max_examples=50)
@given(
    imported=st.lists(st.integers(0, 1000), min_size=3, max_size=3),
    exported=st.lists(st.integers(0, 1000), min_size=3, max_size=3),
    carry_over=st.booleans(),
)
def test_netting_bills_what_a_loop_over_the_months_says(imported, exported, carry_over):
    owed, credit, paid_out = [], 0, 0
    for bought, sold in zip(imported, exported, strict=True):
        balance = bought - sold - credit
        owed.append(max(balance, 0))
        credit = max(-balance, 0)
        if not carry_over:
            paid_out, credit = paid_out + credit, 0
    table = netted(net_metered(carry_over=carry_over, settlement=0.05), imported, exported)
    assert column(table, "Energy") == pytest.approx(owed, abs=FLOAT_SUM)
    assert sum(column(table, "Export")) == pytest.approx(paid_out + credit, abs=FLOAT_SUM)


@settings(max_examples=30)
@given(seed=st.integers(0, 2**32 - 1), settlement=st.floats(0, 0.2))
def test_netting_is_never_worse_than_the_settlement_rate_for_all_export(seed, settlement):
    chance = np.random.default_rng(seed)
    readings = readings_of(QUARTER, chance.uniform(0, 10, len(QUARTER)), export_kw=chance.uniform(0, 20, len(QUARTER)))
    plain = tariff_from(export={"rate_per_kwh": settlement})
    net, two_registers = (
        total(bill(laid(tariff, QUARTER), readings)) for tariff in (net_metered(settlement=settlement), plain)
    )
    assert net <= two_registers + FLOAT_SUM
