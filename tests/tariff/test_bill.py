import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crestfall.tariff import BILL_COLUMNS, bill, billed_peaks_kw, rates_on
from strategies import kilowatts, tariff_from, time_of_use_tariffs

CENT = 0.005  # half a cent: published lines are rounded
FLOAT_SUM = 1e-9  # sums of some hundred floats, in another order
MONDAY_TO_FRIDAY = ["mon", "tue", "wed", "thu", "fri"]
FOUR_DAYS = pd.date_range("2025-10-25", periods=4 * 24, freq="h", tz="Europe/Berlin")  # with a change of the clock
NO_EXPORT = np.zeros(len(FOUR_DAYS))

profiles = st.lists(kilowatts, min_size=len(FOUR_DAYS), max_size=len(FOUR_DAYS)).map(np.array)


def month(first, last, zone):
    return pd.date_range(first, last, freq="h", tz=zone, inclusive="left")


def lines(rates, import_kw, export_kw=None):
    """Amounts by line of the bill, over all periods."""
    table = bill(rates, import_kw=import_kw, export_kw=np.zeros_like(import_kw) if export_kw is None else export_kw)
    return table.groupby("line")["amount"].sum().to_dict()


def with_demand(tariff, *, averaging_min=60):
    """Add a charge for the peak and one for the month."""
    peak = {"name": "Peak", "rate_per_kw_month": 9.5, "averaging_min": averaging_min}
    keys = tariff.model_dump(exclude={"crestfall_tariff", "title", "currency", "valid_from"})
    fixed = [{"name": "Meter", "amount_per_month": 12}]
    return tariff_from(**{**keys, "demand_charges": [peak], "fixed_charges": fixed, "export": {"rate_per_kwh": 0.05}})


def one_peak_kw(start, *, kwh, peak_kw):
    """A month with a given energy and a given highest hour."""
    import_kw = np.full(len(start), (kwh - peak_kw) / (len(start) - 1))
    import_kw[100] = peak_kw
    return import_kw


def test_the_published_bill_of_a_commercial_customer_in_june():
    # Handbook on energy management, section 18.5.1 (a commercial rate in New Jersey, June): 17,588 kWh at 0.09444 are
    # 1,661.01, the adjustment of -0.017192 is -302.37, customer charge 3.74, demand 262.34 for 30 kW, total 1,624.72.
    # https://www.civilengineeringhandbook.tk/energy-management/185-calculation-of-a-monthly-bill.html
    tariff = tariff_from(
        energy_charges=[{"name": "Energy with adjustment", "rate_per_kwh": 0.09444 - 0.017192}],
        demand_charges=[{"name": "Demand", "rate_per_kw_month": 262.34 / 30, "averaging_min": 60}],
        fixed_charges=[{"name": "Customer", "amount_per_month": 3.74}],
    )
    start = month("2025-06-01", "2025-07-01", "America/New_York")
    found = lines(rates_on(tariff, start, step_h=1.0), one_peak_kw(start, kwh=17_588, peak_kw=30))
    assert found == pytest.approx(
        {"Energy with adjustment": 1661.01 - 302.37, "Demand": 262.34, "Customer": 3.74}, abs=2 * CENT
    )
    assert sum(found.values()) == pytest.approx(1624.72, abs=CENT)


def test_the_published_bill_of_a_training_base():
    # UFC 3-550-03FA, cost example: 11,700 kW at 3.00 are 35,100, 3,000,000 kWh at 0.025 are 75,000, total 110,100.
    # http://buildingcriteria2.tpub.com/ufc_3_550_03fa/ufc_3_550_03fa0017.htm
    tariff = tariff_from(
        energy_charges=[{"name": "Energy", "rate_per_kwh": 0.025}],
        demand_charges=[{"name": "Demand", "rate_per_kw_month": 3.0, "averaging_min": 60}],
    )
    start = month("2025-06-01", "2025-07-01", "America/New_York")
    found = lines(rates_on(tariff, start, step_h=1.0), one_peak_kw(start, kwh=3_000_000, peak_kw=11_700))
    assert found == pytest.approx({"Energy": 75_000, "Demand": 35_100}, abs=CENT)


def test_the_prices_of_a_regulated_plan_with_three_periods():
    # Ontario, prices of 1 November 2022, winter: on peak 07-11 and 17-19 on weekdays at 0.151, mid 11-17 at 0.102,
    # else 0.074. https://www.wellingtonnorthpower.com/customers/time-of-use-and-tiered-prices/
    # By hand: 640 * 0.074 + 180 * 0.102 + 180 * 0.151 = 47.36 + 18.36 + 27.18 = 92.90.
    weekday = {"weekday": {"weekdays": MONDAY_TO_FRIDAY, "on_holidays": "never"}}
    on, mid = (
        {"day_types": ["weekday"], "times": times} for times in (["07:00-11:00", "17:00-19:00"], ["11:00-17:00"])
    )
    tariff = tariff_from(
        day_types=weekday,
        energy_charges=[
            {"name": "On", "rate_per_kwh": 0.151, "when": [on]},
            {"name": "Mid", "rate_per_kwh": 0.102, "when": [mid]},
            {"name": "Off", "rate_per_kwh": 0.074},
        ],
    )
    start = month("2022-11-01", "2022-12-01", "America/Toronto")
    works = start.day_of_week < 5
    is_on = works & start.hour.isin([7, 8, 9, 10, 17, 18])
    is_mid = works & start.hour.isin(range(11, 17))
    kwh = np.where(is_on, 180 / is_on.sum(), np.where(is_mid, 180 / is_mid.sum(), 640 / (~is_on & ~is_mid).sum()))
    found = lines(rates_on(tariff, start, step_h=1.0), kwh)
    assert found == pytest.approx({"Off": 47.36, "Mid": 18.36, "On": 27.18}, abs=1e-9)


def test_import_and_export_are_two_registers():
    # Net billing with two registers: https://myenergycoop.com/net-metering; retail 0.07 and avoided cost 0.015 from
    # http://www.ndsu.edu/ndsu/klemen/Net_Billing_Q_and_A.htm. By hand: 800 * 0.07 - 300 * 0.015 = 51.50.
    tariff = tariff_from(energy_charges=[{"name": "Energy", "rate_per_kwh": 0.07}], export={"rate_per_kwh": 0.015})
    start = month("2025-06-01", "2025-07-01", "America/Chicago")
    day = start.hour.to_numpy() // 12 % 2 == 1
    rates = rates_on(tariff, start, step_h=1.0)
    found = lines(rates, np.where(day, 0, 800 / 360), np.where(day, 300 / 360, 0))
    assert found == pytest.approx({"Energy": 56.0, "Export": -4.5}, abs=1e-9)


def test_a_bill_has_its_columns_in_order(valid_tariff):
    rates = rates_on(valid_tariff, FOUR_DAYS, step_h=1.0)
    assert tuple(bill(rates, import_kw=NO_EXPORT, export_kw=NO_EXPORT).columns) == BILL_COLUMNS


def test_each_month_has_its_own_peak(valid_tariff):
    start = month("2025-01-01", "2025-04-01", "Europe/Berlin")
    import_kw = start.day.to_numpy() * 1.0
    peaks = billed_peaks_kw(rates_on(valid_tariff, start, step_h=1.0), import_kw)
    assert peaks.tolist() == [[31.0, 28.0, 31.0]]


def test_a_month_in_which_a_demand_charge_is_not_measured_has_no_line():
    demand = {"name": "Winter peak", "rate_per_kw_month": 9, "averaging_min": 60, "when": [{"seasons": ["winter"]}]}
    seasons = {"winter": {"first_day": "11-01", "last_day": "02-28"}}
    start = month("2025-02-01", "2025-04-01", "Europe/Berlin")
    rates = rates_on(tariff_from(seasons=seasons, demand_charges=[demand]), start, step_h=1.0)
    table = bill(rates, import_kw=np.ones(len(start)), export_kw=np.zeros(len(start)))
    assert table.loc[table["line"] == "Winter peak", "period"].tolist() == ["2025-02"]


def test_rows_stand_month_by_month(valid_tariff):
    start = month("2025-01-01", "2025-03-01", "Europe/Berlin")
    table = bill(
        rates_on(valid_tariff, start, step_h=1.0), import_kw=np.ones(len(start)), export_kw=np.ones(len(start))
    )
    names = ["Evening", "Other hours", "Peak", "Export", "Meter"]
    expected = [("2025-01", name) for name in names] + [("2025-02", name) for name in names]
    assert list(zip(table["period"], table["line"], strict=True)) == expected


@settings(max_examples=30)
@given(tariff=time_of_use_tariffs(step_min=60), import_kw=profiles, export_kw=profiles)
def test_amount_is_quantity_times_rate(tariff, import_kw, export_kw):
    table = bill(rates_on(with_demand(tariff), FOUR_DAYS, step_h=1.0), import_kw=import_kw, export_kw=export_kw)
    assert table["amount"].tolist() == pytest.approx((table["quantity"] * table["rate"]).tolist(), rel=FLOAT_SUM)


@settings(max_examples=30)
@given(tariff=time_of_use_tariffs(step_min=60), import_kw=profiles)
def test_every_imported_kwh_is_billed_once(tariff, import_kw):
    table = bill(rates_on(tariff, FOUR_DAYS, step_h=1.0), import_kw=import_kw, export_kw=NO_EXPORT)
    assert table.loc[table["unit"] == "kWh", "quantity"].sum() == pytest.approx(import_kw.sum(), rel=FLOAT_SUM)


def scaled_prices(tariff, factor):
    keys = tariff.model_dump(exclude={"crestfall_tariff", "title", "currency", "valid_from"})
    for group, price in (
        ("energy_charges", "rate_per_kwh"),
        ("demand_charges", "rate_per_kw_month"),
        ("fixed_charges", "amount_per_month"),
    ):
        keys[group] = [{**charge, price: charge[price] * factor} for charge in keys[group]]
    keys["export"]["rate_per_kwh"] *= factor
    return tariff_from(**keys)


@settings(max_examples=30)
@given(tariff=time_of_use_tariffs(step_min=60), import_kw=profiles, export_kw=profiles, factor=st.floats(0.1, 10))
def test_scaling_all_prices_scales_the_bill(tariff, import_kw, export_kw, factor):
    full = with_demand(tariff)
    first, second = (rates_on(t, FOUR_DAYS, step_h=1.0) for t in (full, scaled_prices(full, factor)))
    expected = {line: amount * factor for line, amount in lines(first, import_kw, export_kw).items()}
    assert lines(second, import_kw, export_kw) == pytest.approx(expected, rel=FLOAT_SUM)


@settings(max_examples=30)
@given(tariff=time_of_use_tariffs(step_min=60), import_kw=profiles, factor=st.floats(0.1, 10))
def test_scaling_all_power_scales_every_line_but_the_fixed_ones(tariff, import_kw, factor):
    rates = rates_on(with_demand(tariff), FOUR_DAYS, step_h=1.0)
    first, second = lines(rates, import_kw), lines(rates, import_kw * factor)
    expected = {line: amount * (1 if line == "Meter" else factor) for line, amount in first.items()}
    assert second == pytest.approx(expected, rel=FLOAT_SUM)


@settings(max_examples=30)
@given(tariff=time_of_use_tariffs(step_min=60), import_kw=profiles, seed=st.integers(0, 2**32 - 1))
def test_shifting_energy_inside_one_price_changes_no_energy_line(tariff, import_kw, seed):
    rates = rates_on(tariff, FOUR_DAYS, step_h=1.0)
    shifted = import_kw.copy()
    for line in np.unique(rates.energy_line):
        inside = rates.energy_line == line
        shifted[inside] = np.random.default_rng(seed).permutation(import_kw[inside])
    assert lines(rates, shifted) == pytest.approx(lines(rates, import_kw), rel=FLOAT_SUM)


@settings(max_examples=30)
@given(tariff=time_of_use_tariffs(step_min=60), import_kw=profiles, export_kw=profiles)
def test_halving_each_step_changes_nothing(tariff, import_kw, export_kw):
    halves = pd.date_range(FOUR_DAYS[0], periods=2 * len(FOUR_DAYS), freq="30min")
    hourly = rates_on(with_demand(tariff), FOUR_DAYS, step_h=1.0)
    half_hourly = rates_on(with_demand(tariff, averaging_min=30), halves, step_h=0.5)
    found = lines(half_hourly, np.repeat(import_kw, 2), np.repeat(export_kw, 2))
    assert found == pytest.approx(lines(hourly, import_kw, export_kw), rel=FLOAT_SUM)
