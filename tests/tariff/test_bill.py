"""What holds for every bill, whatever its clauses."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing import MONDAY_TO_FRIDAY, amounts, billed, column, laid, readings_of, steps, tariff_from, total
from crestfall.tariff import BILL_COLUMNS, bill
from strategies import kilowatts, time_of_use_tariffs

FLOAT_SUM = 1e-9  # sums of some hundred floats, in another order
SMALL_SUM = 1e-6  # the same near zero, where charges and payments of some thousand cancel out
FOUR_DAYS = pd.date_range("2025-10-25", periods=4 * 24, freq="h", tz="Europe/Berlin")  # with a change of the clock
EIGHT_DAYS = pd.date_range("2025-10-25", periods=8 * 24 + 1, freq="h", tz="Europe/Berlin")  # and one of the month

profiles = st.lists(kilowatts, min_size=len(FOUR_DAYS), max_size=len(FOUR_DAYS)).map(np.array)
seeds = st.integers(0, 2**32 - 1)

# One of every clause that a sheet can have, but for price series and net metering; nothing rounds.
EVERY_CLAUSE = {
    "seasons": {
        "warm": {"first_day": "04-01", "last_day": "10-31"},
        "cold": {"first_day": "11-01", "last_day": "03-31"},
    },
    "day_types": {"working": {"weekdays": MONDAY_TO_FRIDAY, "on_holidays": "never"}},
    "holidays": {"country": "DE", "subdivision": "BY"},
    "energy_charges": [
        {
            "name": "Day",
            "component": "Supply",
            "rate_per_kwh": 0.21,
            "when": [{"seasons": ["cold"], "times": ["07:00-19:00"]}, {"day_types": ["working"]}],
        },
        {"name": "Night", "component": "Supply", "rate_per_kwh": 0.13},
        {
            "name": "Blocks",
            "component": "Grid",
            "tiers": [{"upto_kwh": 3000, "rate_per_kwh": 0.05}, {"rate_per_kwh": 0.03}],
        },
        {
            "name": "Hours",
            "component": "Levy",
            "tiers": [{"upto_hours": 20, "rate_per_kwh": 0.02}, {"rate_per_kwh": 0.01}],
            "hours_of": "Peak",
        },
    ],
    "demand_charges": [
        {
            "name": "Peak",
            "rate_per_kw": 9.5,
            "averaging_min": 60,
            "minimum_demand": 20,
            "free_demand": 5,
            "power_factor_target_frac": 0.9,
            "ratchet": {"share_frac": 0.8, "preceding_periods": 2},
        },
        {"name": "Apparent", "rate_per_kva": 2.0, "averaging_min": 60, "per_day": True},
        {"name": "Daily", "rate_per_kw": 0.3, "averaging_min": 60, "period": "day"},
        {"name": "Seasonal", "rate_per_kw": 11.0, "averaging_min": 60, "period": "season"},
        {"name": "Annual", "rate_per_kw": 40.0, "averaging_min": 60, "period": "year"},
    ],
    "capacity_charges": [
        {"name": "Contract", "rate_per_kva": 1.1, "averaging_min": 60, "choose": True, "excess_rate": 3.0}
    ],
    "coincident_charges": [{"name": "System", "rate_per_kw": 30.0, "times": ["2025-10-27 18:00", "2025-11-01 18:00"]}],
    "event_payments": [
        {"name": "Calls", "rate_per_kwh": 0.5, "events": [{"start": "2025-10-30 18:00", "duration_min": 120}]}
    ],
    "reactive_charges": [
        {"name": "Reactive energy", "rate_per_kvarh": 0.012, "free_share_of_kwh": 0.4},
        {"name": "Reactive peak", "rate_per_kvar": 0.7, "free_share_of_kw": 0.3},
    ],
    "fixed_charges": [
        {"name": "By day", "amount_per_day": 1.5},
        {"name": "By month", "amount_per_month": 60, "meters": 2},
        {"name": "By year", "amount_per_year": 365},
    ],
    "export": {
        "charges": [
            {"name": "Noon export", "rate_per_kwh": 0.04, "when": [{"times": ["10:00-14:00"]}]},
            {"name": "Other export", "rate_per_kwh": 0.06},
        ]
    },
    "minimum_bill": {"amount_per_month": 3000, "on": ["energy", "Peak"]},
    "surcharges": [
        {"name": "Levy on energy", "share_frac": 0.05, "on": ["energy", "minimum"]},
        {"name": "Discount", "share_frac": -0.1, "on": ["Peak", "Levy on energy"]},
        {"name": "Tax", "share_frac": 0.19, "on": ["all"]},
    ],
}


def with_demand(tariff, *, averaging_min=60):
    """Add a charge for the peak and one for the month."""
    peak = {"name": "Peak", "rate_per_kw": 9.5, "averaging_min": averaging_min}
    keys = tariff.model_dump(exclude={"crestfall_tariff", "title", "currency", "valid_from"})
    fixed = [{"name": "Meter", "amount_per_month": 12}]
    return tariff_from(**{**keys, "demand_charges": [peak], "fixed_charges": fixed, "export": {"rate_per_kwh": 0.05}})


def some_readings(seed, *, largest_kw=100.0):
    """Readings of eight days in which nothing is related to anything, a third of them without export."""
    chance = np.random.default_rng(seed)
    export_kw = chance.uniform(0, largest_kw, len(EIGHT_DAYS)) * (seed % 3 > 0)
    return readings_of(
        EIGHT_DAYS,
        chance.uniform(0, largest_kw, len(EIGHT_DAYS)),
        export_kw=export_kw,
        kvar=chance.uniform(-largest_kw, largest_kw, len(EIGHT_DAYS)),
    )


def test_a_bill_has_its_columns_in_order(valid_tariff):
    assert tuple(billed(valid_tariff, FOUR_DAYS).columns) == BILL_COLUMNS


def test_each_month_has_its_own_peak(valid_tariff):
    start = steps("2025-01-01", "2025-04-01")
    assert column(billed(valid_tariff, start, start.day.to_numpy()), "Peak") == [31.0, 28.0, 31.0]


def test_a_month_in_which_a_demand_charge_is_not_measured_has_no_line():
    demand = {"name": "Winter peak", "rate_per_kw": 9, "averaging_min": 60, "when": [{"seasons": ["winter"]}]}
    seasons = {"winter": {"first_day": "11-01", "last_day": "02-28"}}
    table = billed(tariff_from(seasons=seasons, demand_charges=[demand]), steps("2025-02-01", "2025-04-01"), 1.0)
    assert column(table, "Winter peak", "period") == ["2025-02"]


def test_rows_stand_month_by_month(valid_tariff):
    table = billed(valid_tariff, steps("2025-01-01", "2025-03-01"), 1.0, export_kw=1.0)
    names = ["Evening", "Other hours", "Peak", "Export", "Meter"]
    expected = [("2025-01", name) for name in names] + [("2025-02", name) for name in names]
    assert list(zip(table["period"], table["line"], strict=True)) == expected


def test_rows_of_a_season_or_a_year_stand_behind_the_months():
    table = bill(laid(tariff_from(**EVERY_CLAUSE), EIGHT_DAYS), some_readings(1))
    periods = list(dict.fromkeys(table["period"]))
    assert periods[:2] == ["2025-10", "2025-11"]
    assert set(periods[2:]) == {"warm 2025", "cold 2025/26", "2025"}


def test_the_groups_of_the_rates_are_those_of_the_rows():
    rates = laid(tariff_from(**EVERY_CLAUSE), EIGHT_DAYS)
    table = bill(rates, some_readings(1))
    assert dict(zip(table["line"], table["group"], strict=True)).items() <= rates.line_groups.items()
    assert set(table["line"]) == set(rates.line_groups)


@settings(max_examples=30)
@given(seed=seeds)
def test_amount_is_quantity_times_rate(seed):
    table = bill(laid(tariff_from(**EVERY_CLAUSE), EIGHT_DAYS), some_readings(seed))
    assert table["amount"].tolist() == pytest.approx((table["quantity"] * table["rate"]).tolist(), rel=FLOAT_SUM)


@settings(max_examples=30)
@given(tariff=time_of_use_tariffs(step_min=60), import_kw=profiles)
def test_every_imported_kwh_is_billed_once(tariff, import_kw):
    table = billed(tariff, FOUR_DAYS, import_kw)
    assert table.loc[table["unit"] == "kWh", "quantity"].sum() == pytest.approx(import_kw.sum(), rel=FLOAT_SUM)


@settings(max_examples=30)
@given(seed=seeds)
def test_every_imported_kwh_is_billed_once_in_each_component(seed):
    readings = some_readings(seed)
    table = bill(laid(tariff_from(**EVERY_CLAUSE), EIGHT_DAYS), readings)
    component = {"Day": "Supply", "Night": "Supply", "Blocks": "Grid", "Hours": "Levy"}
    energy = table[table["group"] == "energy"]
    found = energy.groupby(energy["line"].map(component))["quantity"].sum().to_dict()
    assert found == pytest.approx(dict.fromkeys(["Grid", "Levy", "Supply"], readings.import_kw.sum()), rel=FLOAT_SUM)


def scaled_prices(keys, factor):
    """The same keys with every price and amount times a factor."""
    if isinstance(keys, list):
        return [scaled_prices(entry, factor) for entry in keys]
    if not isinstance(keys, dict):
        return keys
    return {
        key: value * factor
        if key.startswith(("rate_per_", "amount_per_")) or key == "excess_rate"
        else scaled_prices(value, factor)
        for key, value in keys.items()
    }


@settings(max_examples=30)
@given(seed=seeds, factor=st.floats(0.1, 10))
def test_scaling_all_prices_scales_the_bill(seed, factor):
    readings = some_readings(seed)
    first = bill(laid(tariff_from(**EVERY_CLAUSE), EIGHT_DAYS), readings)
    second = bill(laid(tariff_from(**scaled_prices(EVERY_CLAUSE, factor)), EIGHT_DAYS), readings)
    expected = {line: amount * factor for line, amount in amounts(first).items()}
    assert amounts(second) == pytest.approx(expected, rel=FLOAT_SUM, abs=SMALL_SUM)


@settings(max_examples=30)
@given(seed=seeds)
def test_the_bill_is_the_sum_of_its_own_lines_times_their_weights(seed):
    rates = laid(tariff_from(**EVERY_CLAUSE), EIGHT_DAYS)
    table = bill(rates, some_readings(seed))
    weights = rates.sheets[0].weights
    own = table[table["group"] != "surcharge"]
    assert set(weights) == set(rates.line_groups) - {"Levy on energy", "Discount", "Tax"}
    weighted = (own["amount"] * own["line"].map(weights)).sum()
    assert total(table) == pytest.approx(weighted, rel=FLOAT_SUM, abs=SMALL_SUM)


@settings(max_examples=30)
@given(tariff=time_of_use_tariffs(step_min=60), import_kw=profiles, factor=st.floats(0.1, 10))
def test_scaling_all_power_scales_every_line_but_the_fixed_ones(tariff, import_kw, factor):
    full = with_demand(tariff)
    first, second = (amounts(billed(full, FOUR_DAYS, power)) for power in (import_kw, import_kw * factor))
    expected = {line: amount * (1 if line == "Meter" else factor) for line, amount in first.items()}
    assert second == pytest.approx(expected, rel=FLOAT_SUM)


@settings(max_examples=30)
@given(tariff=time_of_use_tariffs(step_min=60), import_kw=profiles, seed=seeds)
def test_shifting_energy_inside_one_price_changes_no_energy_line(tariff, import_kw, seed):
    shifted = import_kw.copy()
    for line in laid(tariff, FOUR_DAYS).sheets[0].energy:
        inside = line.share == 1
        shifted[inside] = np.random.default_rng(seed).permutation(import_kw[inside])
    expected = amounts(billed(tariff, FOUR_DAYS, import_kw))
    assert amounts(billed(tariff, FOUR_DAYS, shifted)) == pytest.approx(expected, rel=FLOAT_SUM)


@settings(max_examples=30)
@given(seed=seeds, step=st.integers(0, len(EIGHT_DAYS) - 1), is_export=st.booleans())
def test_one_kwh_more_costs_or_earns_the_price_of_its_step(seed, step, is_export):
    # Without blocks, peaks and minimum every kWh has one price, surcharges included.
    kept = ("seasons", "day_types", "holidays", "export")
    surcharges = [
        {"name": "Levy", "share_frac": 0.05, "on": ["Day"]},
        {"name": "Tax", "share_frac": 0.19, "on": ["all"]},
    ]
    keys = {key: EVERY_CLAUSE[key] for key in kept} | {"energy_charges": EVERY_CLAUSE["energy_charges"][:2]}
    rates = laid(tariff_from(**keys, surcharges=surcharges), EIGHT_DAYS)
    before, after = some_readings(seed), some_readings(seed)
    (after.export_kw if is_export else after.import_kw)[step] += 1.0
    change = total(bill(rates, after)) - total(bill(rates, before))
    price = -rates.sell_per_kwh[step] if is_export else rates.buy_per_kwh[step]
    assert change == pytest.approx(price, abs=SMALL_SUM)


@settings(max_examples=30)
@given(tariff=time_of_use_tariffs(step_min=60), import_kw=profiles, export_kw=profiles)
def test_halving_each_step_changes_nothing(tariff, import_kw, export_kw):
    halves = pd.date_range(FOUR_DAYS[0], periods=2 * len(FOUR_DAYS), freq="30min")
    hourly = billed(with_demand(tariff), FOUR_DAYS, import_kw, export_kw=export_kw)
    tariff = with_demand(tariff, averaging_min=30)
    half_hourly = billed(tariff, halves, np.repeat(import_kw, 2), export_kw=np.repeat(export_kw, 2))
    assert amounts(half_hourly) == pytest.approx(amounts(hourly), rel=FLOAT_SUM)


@settings(max_examples=20)
@given(seed=seeds, parts=st.sampled_from([2, 4]))
def test_splitting_each_step_changes_no_clause(seed, parts):
    readings = some_readings(seed)
    finer = pd.date_range(EIGHT_DAYS[0], periods=parts * len(EIGHT_DAYS), freq=pd.Timedelta(hours=1) / parts)
    split = readings_of(
        finer,
        np.repeat(readings.import_kw, parts),
        export_kw=np.repeat(readings.export_kw, parts),
        kvar=np.repeat(readings.kvar, parts),
    )
    tariff = tariff_from(**EVERY_CLAUSE)
    expected = amounts(bill(laid(tariff, EIGHT_DAYS), readings))
    assert amounts(bill(laid(tariff, finer), split)) == pytest.approx(expected, rel=FLOAT_SUM, abs=SMALL_SUM)
