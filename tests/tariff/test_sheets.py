"""Two sheets in one year: each holds from its date to the next."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing import amounts, billed, column, laid, sheets_from, steps, tariff_from, total

FLOAT_SUM = 1e-9  # sums of some hundred floats, in another order
YEAR = steps()


def sheet(valid_from, *, rate=0.2, **keys):
    return tariff_from(valid_from=valid_from, energy_charges=[{"name": "Energy", "rate_per_kwh": rate}], **keys)


def two_sheets(date="2025-07-01", **keys):
    return sheets_from(sheet("2025-01-01", rate=0.1, **keys), sheet(date, rate=0.3, **keys))


def test_each_sheet_prices_the_days_on_which_it_is_valid():
    price = laid(two_sheets(), YEAR).buy_per_kwh
    assert sorted(set(YEAR[price == 0.1].month)) == [1, 2, 3, 4, 5, 6]
    assert sorted(set(YEAR[price == 0.3].month)) == [7, 8, 9, 10, 11, 12]


def test_the_bill_has_one_row_a_month_where_sheets_change_with_the_month():
    table = billed(two_sheets(), YEAR, 1.0)
    assert column(table, "Energy", "period") == [f"2025-{month:02d}" for month in range(1, 13)]
    assert column(table, "Energy", "rate") == [0.1] * 6 + [0.3] * 6


def test_a_month_in_which_sheets_change_has_a_row_of_each():
    table = billed(two_sheets("2025-07-11"), YEAR, 1.0)
    july = table[table["period"] == "2025-07"]
    assert column(july, "Energy") == [240, 504]
    assert column(july, "Energy", "rate") == [0.1, 0.3]


def test_the_first_sheet_also_holds_before_its_date():
    contract = sheets_from(sheet("2025-03-01", rate=0.1), sheet("2025-07-01", rate=0.3))
    assert laid(contract, YEAR).buy_per_kwh[0] == 0.1


def test_a_sheet_of_a_later_year_has_no_rows():
    assert len(laid(two_sheets("2026-01-01"), YEAR).sheets) == 1
    assert amounts(billed(two_sheets("2026-01-01"), YEAR, 1.0)) == pytest.approx({"Energy": 876})


def test_a_sheet_that_ended_before_the_year_has_no_rows():
    assert amounts(billed(two_sheets("2025-01-01"), YEAR, 1.0)) == pytest.approx({"Energy": 2628})


def test_a_sheet_that_ended_before_the_year_needs_no_prices_for_it(tmp_path):
    old = {"file": "prices.csv", "column": "price", "unit": "per_kwh"}
    first = tariff_from(valid_from="2024-01-01", energy_charges=[{"name": "Energy", "price_series": old}])
    assert set(laid(sheets_from(first, sheet("2025-01-01")), YEAR, folder=tmp_path).buy_per_kwh) == {0.2}


def test_prices_of_a_sheet_need_to_cover_its_own_days_only(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    covered = steps("2025-07-01", "2026-01-01")
    table = pd.DataFrame({"time": [stamp.isoformat() for stamp in covered], "price": 0.3})
    table.to_csv("prices.csv", index=False)
    ask = {"file": "prices.csv", "column": "price", "unit": "per_kwh"}
    later = tariff_from(valid_from="2025-07-01", energy_charges=[{"name": "Energy", "price_series": ask}])
    price = laid(sheets_from(sheet("2025-01-01"), later), YEAR).buy_per_kwh
    assert np.unique(price).tolist() == [0.2, 0.3]


CLAUSES = {
    "demand_charges": [
        {"name": "Peak", "rate_per_kw": 10.0, "averaging_min": 60},
        {"name": "Annual", "rate_per_kw": 40.0, "averaging_min": 60, "period": "year"},
        {"name": "Daily", "rate_per_kw": 0.1, "averaging_min": 60, "period": "day"},
        {
            "name": "Ratchet",
            "rate_per_kw": 1.0,
            "averaging_min": 60,
            "ratchet": {"share_frac": 0.8, "preceding_periods": 3},
        },
    ],
    "capacity_charges": [
        {"name": "Level", "rate_per_kw": 2.0, "averaging_min": 60, "contracted_demand": 5, "excess_rate": 4.0}
    ],
    "reactive_charges": [{"name": "kvarh", "rate_per_kvarh": 0.01, "free_share_of_kwh": 0.0}],
    "fixed_charges": [
        {"name": "By day", "amount_per_day": 1.0},
        {"name": "By month", "amount_per_month": 31.0},
        {"name": "By year", "amount_per_year": 365.0},
    ],
    "export": {"rate_per_kwh": 0.05},
    "surcharges": [{"name": "Tax", "share_frac": 0.1, "on": ["all"]}],
}


@settings(max_examples=20)
@given(
    seed=st.integers(0, 2**32 - 1), day=st.dates(pd.Timestamp("2025-01-02").date(), pd.Timestamp("2025-12-31").date())
)
def test_two_sheets_that_say_the_same_cost_what_one_does(seed, day):
    chance = np.random.default_rng(seed)
    readings = {name: chance.uniform(0, 10, len(YEAR)) for name in ("export_kw", "kvar")}
    import_kw = chance.uniform(0, 10, len(YEAR))
    one = amounts(billed(sheet("2025-01-01", **CLAUSES), YEAR, import_kw, **readings))
    contract = sheets_from(sheet("2025-01-01", **CLAUSES), sheet(str(day), **CLAUSES))
    assert amounts(billed(contract, YEAR, import_kw, **readings)) == pytest.approx(one, rel=FLOAT_SUM)


def test_the_peak_of_a_month_is_shared_by_its_days_between_two_sheets():
    # The peak of July is on the 20th; the first sheet holds for 10 of its 31 days.
    import_kw = np.where((YEAR.month == 7) & (YEAR.day == 20), 62.0, 0.0)
    peak = [{"name": "Peak", "rate_per_kw": 1.0, "averaging_min": 60}]
    table = billed(two_sheets("2025-07-11", demand_charges=peak), YEAR, import_kw)
    july = table[table["period"] == "2025-07"]
    assert column(july, "Peak") == [62, 62]
    assert column(july, "Peak", "amount") == pytest.approx([20, 42])


def test_each_sheet_rounds_and_surcharges_its_own_rows():
    taxed = sheet("2025-07-01", rate=0.3, surcharges=[{"name": "Tax", "share_frac": 0.5, "on": ["all"]}])
    rounded = sheet("2025-01-01", rate=0.1, rounding={"amount_decimals": 0})
    table = billed(sheets_from(rounded, taxed), YEAR, 1.0)
    assert column(table, "Tax", "period") == [f"2025-{month:02d}" for month in range(7, 13)]
    assert column(table, "Energy", "amount")[:3] == [74, 67, 74]
    assert total(table[table["period"] == "2025-07"]) == pytest.approx(744 * 0.3 * 1.5)


def test_the_title_names_both_sheets():
    assert laid(two_sheets(), YEAR).title == "Drawn, then Drawn"


def test_two_sheets_may_choose_a_level_each():
    level = {"name": "Level", "rate_per_kw": 2.0, "averaging_min": 60, "excess_rate": 9.0, "choose": True}
    import_kw = np.where(YEAR.month < 7, 10.0, 20.0)
    table = billed(two_sheets(capacity_charges=[level]), YEAR, import_kw)
    assert column(table, "Level") == [10] * 6 + [20] * 6
