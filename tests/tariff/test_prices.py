"""Prices from a file, and what the contract makes of them."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing import amounts, column, laid, readings_of, steps, tariff_from
from crestfall.errors import KeyedError
from crestfall.tariff import bill

FLOAT_SUM = 1e-12  # one product and one sum of prices near 1
DAY = steps("2025-06-01", "2025-06-02")


def write_prices(folder, start, prices):
    table = pd.DataFrame({"time": [stamp.isoformat() for stamp in start], "price": prices})
    table.to_csv(folder / "prices.csv", index=False)


def series(**keys):
    return {"file": "prices.csv", "column": "price", "unit": "per_kwh", **keys}


def passing_through(**keys):
    return tariff_from(energy_charges=[{"name": "Energy", "price_series": series(**keys)}])


def buy_per_kwh(folder, prices, *, start=DAY, file_start=None, **keys):
    write_prices(folder, start if file_start is None else file_start, prices)
    return laid(passing_through(**keys), start, folder=folder).buy_per_kwh


@pytest.mark.parametrize(
    ("keys", "found", "expected"),
    [
        pytest.param({}, 0.08, 0.08, id="per kWh"),
        pytest.param({"unit": "per_mwh"}, 80.0, 0.08, id="per MWh"),
        pytest.param({"multiplier": 1.05}, 0.08, 0.084, id="factor for losses"),
        pytest.param({"adder_per_kwh": 0.02}, 0.08, 0.10, id="adder"),
        pytest.param({"multiplier": 1.05, "adder_per_kwh": 0.02}, 0.08, 0.104, id="factor before adder"),
        pytest.param(
            {"unit": "per_mwh", "multiplier": 1.05, "adder_per_kwh": 0.02}, 80.0, 0.104, id="unit before both"
        ),
        pytest.param({"adder_per_kwh": 0.02, "cap_per_kwh": 0.09}, 0.08, 0.09, id="cap after the adder"),
        pytest.param({"adder_per_kwh": -0.1, "floor_per_kwh": 0.0}, 0.08, 0.0, id="floor after the adder"),
        pytest.param({"floor_per_kwh": 0.0, "cap_per_kwh": 0.3}, 0.08, 0.08, id="between floor and cap"),
        pytest.param({}, -0.05, -0.05, id="below zero"),
        pytest.param({"cap_per_kwh": -0.01}, 0.08, -0.01, id="cap below zero"),
    ],
)
def test_the_contract_makes_its_price_of_the_one_in_the_file(tmp_path, keys, found, expected):
    price = buy_per_kwh(tmp_path, np.full(24, found), **keys)
    assert price.tolist() == pytest.approx([expected] * 24, abs=FLOAT_SUM)


def test_each_step_has_the_price_of_its_time(tmp_path):
    prices = np.arange(24) / 100
    assert buy_per_kwh(tmp_path, prices).tolist() == prices.tolist()


def test_hourly_prices_hold_for_all_quarters_of_the_hour(tmp_path):
    quarters = steps("2025-06-01", "2025-06-02", step_min=15)
    prices = np.arange(24) / 100
    found = buy_per_kwh(tmp_path, prices, start=quarters, file_start=DAY)
    assert found.tolist() == pytest.approx(prices.repeat(4).tolist(), abs=FLOAT_SUM)


def test_prices_of_quarters_are_averaged_over_the_hour(tmp_path):
    quarters = steps("2025-06-01", "2025-06-02", step_min=15)
    found = buy_per_kwh(tmp_path, np.arange(96) / 100, file_start=quarters)
    assert found.tolist() == pytest.approx([(4 * hour + 1.5) / 100 for hour in range(24)], abs=FLOAT_SUM)


def test_a_file_may_hold_more_than_the_year(tmp_path):
    longer = steps("2025-05-31", "2025-06-03")
    found = buy_per_kwh(tmp_path, np.arange(72) / 100, file_start=longer)
    assert found.tolist() == pytest.approx((np.arange(24, 48) / 100).tolist(), abs=FLOAT_SUM)


@pytest.mark.parametrize("day", ["2025-03-30", "2025-10-26"])
def test_prices_follow_a_change_of_the_clock(tmp_path, day):
    start = steps(day, (pd.Timestamp(day) + pd.Timedelta(days=1)).strftime("%Y-%m-%d"))
    prices = np.arange(len(start)) / 100
    found = buy_per_kwh(tmp_path, prices, start=start, file_start=start.tz_convert("UTC"))
    assert found.tolist() == prices.tolist()


def test_local_stamps_are_read_in_the_zone_of_the_file(tmp_path):
    lisbon = DAY.tz_convert("Europe/Lisbon").tz_localize(None)
    found = buy_per_kwh(tmp_path, np.arange(24) / 100, file_start=lisbon, time_zone="Europe/Lisbon")
    assert found.tolist() == (np.arange(24) / 100).tolist()


def test_stamps_may_mark_the_end_of_a_step(tmp_path):
    found = buy_per_kwh(tmp_path, np.arange(24) / 100, file_start=DAY + pd.Timedelta(hours=1), stamp="end")
    assert found.tolist() == (np.arange(24) / 100).tolist()


@pytest.mark.parametrize(
    ("first", "last", "missing"),
    [
        pytest.param("2025-06-01 03:00", "2025-06-02", "2025-06-01 00:00 CEST", id="at the beginning"),
        pytest.param("2025-06-01", "2025-06-01 21:00", "2025-06-01 21:00 CEST", id="at the end"),
        pytest.param("2025-05-01", "2025-05-02", "2025-05-02 00:00 CEST", id="another month"),
    ],
)
def test_the_first_missing_price_is_named(tmp_path, first, last, missing):
    start = pd.date_range(first, last, freq="h", tz="Europe/Berlin", inclusive="left")
    with pytest.raises(KeyedError) as caught:
        buy_per_kwh(tmp_path, np.full(len(start), 0.1), file_start=start)
    assert caught.value.remedy == f"the first missing price is that of {missing}"


def test_a_series_may_hold_in_a_window_and_a_rate_elsewhere(tmp_path):
    write_prices(tmp_path, DAY, np.arange(24) / 100)
    day = {"name": "Day", "price_series": series(), "when": [{"times": ["08:00-20:00"]}]}
    tariff = tariff_from(energy_charges=[day, {"name": "Night", "rate_per_kwh": 0.5}])
    found = laid(tariff, DAY, folder=tmp_path).buy_per_kwh
    expected = [0.5] * 8 + [hour / 100 for hour in range(8, 20)] + [0.5] * 4
    assert found.tolist() == pytest.approx(expected, abs=FLOAT_SUM)


def test_a_row_shows_the_mean_price_of_what_was_imported(tmp_path):
    write_prices(tmp_path, DAY, np.where(DAY.hour < 12, 0.1, 0.4))
    import_kw = np.where(DAY.hour < 12, 2.0, 1.0)
    table = bill(laid(passing_through(), DAY, folder=tmp_path), readings_of(DAY, import_kw))
    assert column(table, "Energy", "rate") == pytest.approx([0.2])
    assert column(table, "Energy", "amount") == pytest.approx([7.2])


def test_a_month_without_import_has_a_row_of_nothing(tmp_path):
    write_prices(tmp_path, DAY, np.full(24, 0.1))
    table = bill(laid(passing_through(), DAY, folder=tmp_path), readings_of(DAY))
    assert (column(table, "Energy"), column(table, "Energy", "amount")) == ([0], [0])


def test_export_may_earn_a_series(tmp_path):
    write_prices(tmp_path, DAY, np.arange(24) / 100)
    rates = laid(tariff_from(export={"price_series": series(multiplier=0.9)}), DAY, folder=tmp_path)
    assert rates.sell_per_kwh.tolist() == pytest.approx((0.9 * np.arange(24) / 100).tolist(), abs=FLOAT_SUM)
    table = bill(rates, readings_of(DAY, export_kw=1.0))
    assert amounts(table)["Export"] == pytest.approx(-0.9 * 2.76)


@settings(max_examples=30)
@given(
    prices=st.lists(st.floats(-1, 1), min_size=24, max_size=24),
    multiplier=st.floats(-2, 2),
    adder=st.floats(-1, 1),
    bounds=st.tuples(st.floats(-1, 1), st.floats(-1, 1)).map(sorted),
)
def test_a_price_lies_between_floor_and_cap_and_is_theirs_only_beyond(
    tmp_path_factory, prices, multiplier, adder, bounds
):
    keys = {"multiplier": multiplier, "adder_per_kwh": adder, "floor_per_kwh": bounds[0], "cap_per_kwh": bounds[1]}
    found = buy_per_kwh(tmp_path_factory.mktemp("prices"), prices, **keys)
    expected = [min(max(price * multiplier + adder, bounds[0]), bounds[1]) for price in prices]
    assert found.tolist() == pytest.approx(expected, abs=FLOAT_SUM)
