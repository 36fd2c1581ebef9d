"""Prices of energy: parts that add up, windows inside steps, blocks, and export."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing import amounts, at_hours, billed, column, laid, readings_of, steps, tariff_from, total
from crestfall.tariff import bill
from strategies import ZONES_WITH_DAYLIGHT_SAVING, prices, time_partitions, years

FLOAT_SUM = 1e-9  # sums of some hundred floats, in another order
JUNE = steps("2025-06-01", "2025-07-01")
ONE_DAY = steps("2025-06-01", "2025-06-02")


def at(times, name, rate, **keys):
    return {"name": name, "rate_per_kwh": rate, "when": [{"times": times}], **keys}


def remainder(rate, name="Rest", **keys):
    return {"name": name, "rate_per_kwh": rate, **keys}


def blocks(*tiers, kind="upto_kwh", **keys):
    """A charge whose blocks end at the given numbers; the last is open."""
    written = [{"rate_per_kwh": rate} | ({} if end is None else {kind: end}) for end, rate in tiers]
    return tariff_from(energy_charges=[{"name": "Energy", "tiers": written, **keys}])


def test_components_add_up_and_each_has_its_own_windows():
    charges = [
        at(["08:00-20:00"], "Day", 0.30, component="Supply"),
        remainder(0.20, "Night", component="Supply"),
        at(["18:00-22:00"], "Evening grid", 0.05, component="Grid"),
        remainder(0.01, "Grid", component="Grid"),
    ]
    price = laid(tariff_from(energy_charges=charges), ONE_DAY).buy_per_kwh
    expected = [0.21] * 8 + [0.31] * 10 + [0.35] * 2 + [0.25] * 2 + [0.21] * 2
    assert price.tolist() == pytest.approx(expected, abs=FLOAT_SUM)


@pytest.mark.parametrize(
    ("window", "shares"),
    [
        pytest.param("17:00-20:30", {17: 1, 18: 1, 19: 1, 20: 0.5}, id="ends at half past"),
        pytest.param("16:45-18:00", {16: 0.25, 17: 1}, id="begins at a quarter to"),
        pytest.param("17:10-17:30", {17: 1 / 3}, id="lies inside one step"),
        pytest.param("23:40-00:20", {23: 1 / 3, 0: 1 / 3}, id="runs over midnight"),
    ],
)
def test_a_step_that_a_window_cuts_is_split_by_time(window, shares):
    tariff = tariff_from(split_steps=True, energy_charges=[at([window], "A", 1.0), remainder(0.0)])
    first = laid(tariff, ONE_DAY).sheets[0].energy[0].share
    assert {hour: first[hour] for hour in np.flatnonzero(first)} == pytest.approx(shares, abs=FLOAT_SUM)


@settings(max_examples=30)
@given(
    windows=time_partitions(step_min=15), rates=st.lists(prices, min_size=5, max_size=5), seed=st.integers(0, 2**32 - 1)
)
def test_split_steps_cost_what_finer_data_would(windows, rates, seed):
    charges = [at([window], f"W{k}", rates[k]) for k, window in enumerate(windows)]
    tariff = tariff_from(split_steps=True, energy_charges=charges)
    two_days = pd.date_range("2025-10-25", periods=49, freq="h", tz="Europe/Berlin")
    quarters = pd.date_range("2025-10-25", periods=4 * 49, freq="15min", tz="Europe/Berlin")
    import_kw = np.random.default_rng(seed).uniform(0, 100, 49)
    found = amounts(billed(tariff, two_days, import_kw))
    assert found == pytest.approx(amounts(billed(tariff, quarters, import_kw.repeat(4))), rel=FLOAT_SUM)


@settings(max_examples=20)
@given(
    zone=st.sampled_from(ZONES_WITH_DAYLIGHT_SAVING),
    year=years,
    supply=time_partitions(step_min=15),
    grid=time_partitions(step_min=15),
    split=st.sampled_from([(True, 60), (False, 15)]),
)
def test_every_step_of_a_year_has_one_price_in_each_component(zone, year, supply, grid, split):
    charges = [at([w], f"S{w}", 0.2, component="Supply") for w in supply]
    charges += [at([w], f"G{w}", 0.1, component="Grid") for w in grid]
    start = steps(f"{year}-01-01", f"{year + 1}-01-01", zone=zone, step_min=split[1])
    energy = laid(tariff_from(split_steps=split[0], energy_charges=charges), start).sheets[0].energy
    for component in ("Supply", "Grid"):
        share = sum(line.share for line in energy if line.component == component)
        assert np.abs(share - 1).max() < FLOAT_SUM


def test_blocks_take_the_kwh_of_a_month_in_order():
    table = billed(blocks((100, 0.1), (300, 0.2), (None, 0.3)), JUNE, 1000 / 720)
    assert column(table, "Energy") == pytest.approx([100, 200, 700], abs=FLOAT_SUM)
    assert column(table, "Energy", "rate") == [0.1, 0.2, 0.3]


def test_a_block_that_is_not_reached_has_no_row():
    assert column(billed(blocks((100, 0.1), (300, 0.2), (None, 0.3)), JUNE, 150 / 720), "Energy", "rate") == [0.1, 0.2]


def test_without_import_the_first_block_has_a_row_of_nothing():
    assert column(billed(blocks((100, 0.1), (None, 0.3)), JUNE), "Energy") == [0]


def test_blocks_begin_anew_each_month():
    table = billed(blocks((100, 0.1), (None, 0.3)), steps("2025-06-01", "2025-08-01"), 1.0)
    assert column(table, "Energy") == pytest.approx([100, 620, 100, 644], abs=FLOAT_SUM)


def test_blocks_of_a_year_are_filled_once():
    table = billed(blocks((5000, 0.1), (None, 0.3), tier_period="year"), steps(), 1.0)
    assert column(table, "Energy") == pytest.approx([5000, 3760], abs=FLOAT_SUM)
    assert column(table, "Energy", "period") == ["2025", "2025"]


def test_blocks_in_a_window_count_its_kwh_only():
    tiers = [{"upto_kwh": 100, "rate_per_kwh": 0.1}, {"rate_per_kwh": 0.3}]
    day = {"name": "Day", "tiers": tiers, "when": [{"times": ["08:00-20:00"]}]}
    table = billed(tariff_from(energy_charges=[day, remainder(0.05)]), JUNE, 1.0)
    assert column(table, "Day") == pytest.approx([100, 260], abs=FLOAT_SUM)
    assert column(table, "Rest") == pytest.approx([360], abs=FLOAT_SUM)


def hours_of_use(**demand):
    keys = {"name": "Peak", "rate_per_kw": 5.0, "averaging_min": 60, **demand}
    tiers = [{"upto_hours": 100, "rate_per_kwh": 0.2}, {"rate_per_kwh": 0.1}]
    return tariff_from(energy_charges=[{"name": "Energy", "tiers": tiers, "hours_of": "Peak"}], demand_charges=[keys])


def test_blocks_by_hours_of_use_grow_with_the_peak():
    import_kw = at_hours(JUNE, {"2025-06-10 12:00": 8.0}, else_kw=2.0)
    assert column(billed(hours_of_use(), JUNE, import_kw), "Energy") == pytest.approx([800, 646], abs=FLOAT_SUM)


def test_hours_of_use_are_counted_by_the_billed_peak():
    table = billed(hours_of_use(minimum_demand=12, free_demand=3), JUNE, 2.0)
    assert column(table, "Energy") == pytest.approx([1200, 240], abs=FLOAT_SUM)
    assert column(table, "Peak") == [9]


@settings(max_examples=30)
@given(
    ends=st.lists(st.floats(1, 3000), min_size=1, max_size=4, unique=True).map(sorted),
    rates=st.lists(prices, min_size=5, max_size=5),
    kwh=st.floats(0, 5000),
)
def test_blocks_cost_what_summing_kwh_by_kwh_does(ends, rates, kwh):
    tiers = [*zip(ends, rates, strict=False), (None, rates[len(ends)])]
    table = billed(blocks(*tiers), JUNE, kwh / 720)
    midpoints = (np.arange(20_000) + 0.5) * kwh / 20_000
    brute_force = np.array(rates)[np.searchsorted(ends, midpoints)].mean() * kwh
    grid = kwh / 20_000 * sum(rates)  # a block edge may lie anywhere between two midpoints
    assert total(table) == pytest.approx(brute_force, abs=grid + 1e-6)


def test_export_has_prices_by_time():
    export = {"charges": [at(["10:00-14:00"], "Noon", 0.02), remainder(0.07, "Other")]}
    rates = laid(tariff_from(export=export), ONE_DAY)
    assert rates.sell_per_kwh.tolist() == [0.07] * 10 + [0.02] * 4 + [0.07] * 10
    table = bill(rates, readings_of(ONE_DAY, export_kw=1.0))
    assert column(table, "Noon", "amount") == pytest.approx([-0.08], abs=FLOAT_SUM)
    assert column(table, "Other", "amount") == pytest.approx([-1.4], abs=FLOAT_SUM)


def test_an_export_window_may_cut_a_step_too():
    export = {"charges": [at(["10:00-12:15"], "Noon", 0.02), remainder(0.06, "Other")]}
    price = laid(tariff_from(split_steps=True, export=export), ONE_DAY).sell_per_kwh
    assert price[10:14].tolist() == pytest.approx([0.02, 0.02, 0.05, 0.06], abs=FLOAT_SUM)


def test_a_site_that_does_not_export_has_no_line_for_it():
    assert "Export" not in amounts(billed(tariff_from(export={"rate_per_kwh": 0.05}), ONE_DAY, 1.0))


@pytest.mark.parametrize(
    ("rule", "paid_kwh"),
    [
        pytest.param("paid", 24 * 5, id="all export is paid"),
        pytest.param("unpaid", 12 * 3, id="only the surplus is paid"),
    ],
)
def test_export_beyond_the_surplus_may_be_unpaid(rule, paid_kwh):
    surplus_kw = np.where(ONE_DAY.hour < 12, 3.0, 0.0)
    tariff = tariff_from(export={"rate_per_kwh": 0.05, "battery_exports": rule})
    table = billed(tariff, ONE_DAY, export_kw=5.0, surplus_kw=surplus_kw)
    assert column(table, "Export") == pytest.approx([paid_kwh], abs=FLOAT_SUM)


def test_an_energy_price_below_zero_pays_for_import():
    tariff = tariff_from(allow_negative=True, energy_charges=[remainder(-0.1)])
    assert total(billed(tariff, ONE_DAY, 1.0)) == pytest.approx(-2.4, abs=FLOAT_SUM)
