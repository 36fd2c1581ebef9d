"""Worked bills from public pages, textbooks and contracts, each beside its source.

"Second hand" marks a bill that was read in a text that restates its source; "by hand" a total that was worked out here
from published prices.
"""

import numpy as np
import pytest

from billing import (
    MONDAY_TO_FRIDAY,
    amounts,
    at_hours,
    billed,
    column,
    steps,
    tariff_from,
    total,
)

HALF_A_CENT = 0.005  # totals are printed to the cent
ROUNDING = 1e-6  # sums of some thousand floats; the bill itself is exact
JUNE = steps("2025-06-01", "2025-07-01", zone="America/New_York")  # 30 days
YEAR = steps(zone="America/New_York")
TO_CENTS = {"amount_decimals": 2}

# Second hand: examples of Mehta and Mehta, Principles of Power System, as
# https://github.com/FOSSEE/Python-Textbook-Companions works them.


def with_peak(start, *, kwh, peak_kw):
    """An hourly import with a given energy whose highest hour is given; the hundredth one has it."""
    import_kw = np.full(len(start), (kwh - peak_kw) / (len(start) - 1))
    assert 0 <= import_kw[0] <= peak_kw
    import_kw[100] = peak_kw
    return import_kw


def demand(name="Demand", *, unit="kw", rate, averaging_min=60, **keys):
    return {"name": name, f"rate_per_{unit}": rate, "averaging_min": averaging_min, **keys}


def energy(rate, name="Energy", **keys):
    return {"name": name, "rate_per_kwh": rate, **keys}


def test_a_winter_bill_of_a_town_in_blocks_with_tax():
    # City of Seymour utilities, residential example of 1,200 kWh in winter: 250 kWh at 0.064, 450 at 0.049, the rest at
    # 0.0446, 0.085 on all of them, 7.50 a month, 1 % tax. Lines 16.00, 22.05, 22.30, 102.00, 7.50, tax 1.70: 171.55.
    # https://cityofseymour.org/departments/utilities/residential-electricity/bill-comparison/
    blocks = [(250, 0.064), (700, 0.049), (None, 0.0446)]
    tariff = tariff_from(
        energy_charges=[
            {
                "name": "Energy",
                "component": "Energy",
                "tiers": [{"rate_per_kwh": rate} | ({"upto_kwh": end} if end else {}) for end, rate in blocks],
            },
            energy(0.085, "Power cost", component="Power cost"),
        ],
        fixed_charges=[{"name": "Service", "amount_per_month": 7.5}],
        surcharges=[{"name": "Tax", "share_frac": 0.01, "on": ["all"]}],
        rounding=TO_CENTS,
    )
    start = steps("2025-01-01", "2025-02-01", zone="America/Indiana/Indianapolis")
    table = billed(tariff, start, 1200 / len(start))
    assert table["amount"].tolist() == [16.00, 22.05, 22.30, 102.00, 7.50, 1.70]
    assert total(table) == pytest.approx(171.55, abs=ROUNDING)


def test_a_commercial_bill_with_a_fuel_adjustment_below_zero():
    # Handbook on energy management, section 18.5.1 (a commercial rate in New Jersey, June): customer charge 3.74,
    # 17,588 kWh at 0.09444 are 1,661.01, the adjustment of -0.017192 is -302.37, 30 kW are 262.34: total 1,624.72. The
    # table of demand prices could not be read, so the line of 262.34 is taken as it stands.
    # https://www.civilengineeringhandbook.tk/energy-management/185-calculation-of-a-monthly-bill.html
    tariff = tariff_from(
        allow_negative=True,
        energy_charges=[energy(0.09444), energy(-0.017192, "Adjustment", component="Adjustment")],
        demand_charges=[demand(rate=262.34 / 30)],
        fixed_charges=[{"name": "Customer", "amount_per_month": 3.74}],
        rounding=TO_CENTS,
    )
    table = billed(tariff, JUNE, with_peak(JUNE, kwh=17_588, peak_kw=30))
    assert amounts(table) == {"Energy": 1661.01, "Adjustment": -302.37, "Demand": 262.34, "Customer": 3.74}
    assert total(table) == pytest.approx(1624.72, abs=ROUNDING)


def test_a_reactive_demand_charge_below_a_power_factor_of_95_per_cent():
    # Orange & Rockland, calculating power factor: 1,000 kW and 750 kvar are a power factor of 0.8, so the kvar beyond a
    # third of the kW, 416.7, are billed at 0.40 each: 166.68. A third of the kW is a power factor of 0.949.
    # http://www.oru.com/energyandsafety/electricdelivery/powerfactor/calculatingpowerfactor.html
    charge = {"name": "Reactive demand", "rate_per_kvar": 0.40, "free_share_of_kw": 1 / 3}
    tariff = tariff_from(reactive_charges=[charge], rounding={"demand_decimals": 1, "amount_decimals": 2})
    table = billed(tariff, JUNE, 1000.0, kvar=750.0)
    assert column(table, "Reactive demand") == [416.7]
    assert column(table, "Reactive demand", "amount") == [166.68]


def test_the_bill_of_a_training_base():
    # UFC 3-550-03FA, cost example: 11,700 kW at 3.00 are 35,100, 3,000,000 kWh at 0.025 are 75,000, total 110,100. The
    # digits of the demand price are damaged in the text; 35,100 / 11,700 gives it.
    # http://buildingcriteria2.tpub.com/ufc_3_550_03fa/ufc_3_550_03fa0017.htm
    tariff = tariff_from(energy_charges=[energy(0.025)], demand_charges=[demand(rate=3.0)], rounding=TO_CENTS)
    table = billed(tariff, JUNE, with_peak(JUNE, kwh=3_000_000, peak_kw=11_700))
    assert amounts(table) == {"Energy": 75_000, "Demand": 35_100}


def test_a_year_with_a_charge_per_kva():
    # Second hand: Mehta and Mehta, example 5.8. 100 kW at a load factor of 0.6 and a power factor of 0.8; 75 a year per
    # kVA, 0.15 per kWh: 88,215.
    charge = demand(unit="kva", rate=75, period="year")
    tariff = tariff_from(energy_charges=[energy(0.15)], demand_charges=[charge])
    import_kw = with_peak(YEAR, kwh=100 * 0.6 * 8760, peak_kw=100)
    assert total(billed(tariff, YEAR, import_kw, kvar=0.75 * import_kw)) == pytest.approx(88_215, abs=ROUNDING)


def test_what_unity_power_factor_saves():
    # Second hand: Mehta and Mehta, example 5.9. 240 kW at a power factor of 0.8 and 50,000 kWh; 50 a year per kVA, 0.10
    # per kWh: 20,000, or 0.40 per kWh; at unity power factor 3,000 less.
    charge = demand(unit="kva", rate=50, period="year")
    tariff = tariff_from(energy_charges=[energy(0.10)], demand_charges=[charge])
    import_kw = with_peak(YEAR, kwh=50_000, peak_kw=240)
    lagging, unity = (total(billed(tariff, YEAR, import_kw, kvar=kvar)) for kvar in (0.75 * import_kw, 0.0))
    assert (lagging, lagging / 50_000) == pytest.approx((20_000, 0.40), abs=ROUNDING)
    assert lagging - unity == pytest.approx(3_000, abs=ROUNDING)


def test_blocks_by_hours_use_of_the_maximum_demand():
    # Second hand: Mehta and Mehta, example 5.2. 4.4 kW and 8,760 kWh a year; the first 500 hours use of the maximum
    # demand at 0.20, the rest at 0.10: 1,096.0, or 12.5 paise per kWh.
    blocks = {
        "name": "Energy",
        "tiers": [{"upto_hours": 500, "rate_per_kwh": 0.20}, {"rate_per_kwh": 0.10}],
        "tier_period": "year",
        "hours_of": "Demand",
    }
    tariff = tariff_from(energy_charges=[blocks], demand_charges=[demand(rate=0.0, period="year")])
    table = billed(tariff, YEAR, with_peak(YEAR, kwh=8760, peak_kw=4.4))
    assert column(table, "Energy") == pytest.approx([2200, 6560], abs=ROUNDING)
    assert total(table) == pytest.approx(1096.0, abs=ROUNDING)
    assert round(total(table) / 8760, 3) == 0.125


def working_year(*, peak_kw, kwh_per_month):
    """Import in 200 hours of each month, one of them with a given peak."""
    hour_of_month = (YEAR.day.to_numpy() - 1) * 24 + YEAR.hour.to_numpy()
    import_kw = np.where(hour_of_month < 200, (kwh_per_month - peak_kw) / 199, 0.0)
    import_kw[hour_of_month == 0] = peak_kw
    assert import_kw.sum() == pytest.approx(12 * kwh_per_month)
    return import_kw


def test_supply_at_high_or_at_low_voltage():
    # Second hand: Mehta and Mehta, example 5.12. 250 kW at most, 200 kW on average over 2,400 hours a year, power
    # factor 0.8. Low voltage: 5 a month per kVA and 0.055 per kWh, 45,150 a year. High voltage: 4.50 and 0.05, but 4 %
    # losses behind the meter, and equipment of 50 per kVA at 12 % a year: 620 less. By hand, without the book's
    # rounding on the way, 618.75.
    low, high = (
        tariff_from(energy_charges=[energy(rate)], demand_charges=[demand(unit="kva", rate=per_kva)])
        for rate, per_kva in ((0.055, 5.0), (0.05, 4.5))
    )
    import_kw = working_year(peak_kw=250, kwh_per_month=200 * 200)
    kvar = 0.75 * import_kw
    at_low = total(billed(low, YEAR, import_kw, kvar=kvar))
    at_high = total(billed(high, YEAR, import_kw / 0.96, kvar=kvar / 0.96))
    equipment = 250 / 0.8 / 0.96 * 50 * 0.12
    assert at_low == pytest.approx(45_150, abs=ROUNDING)
    difference = at_low - at_high - equipment
    book_rounding = 1.5  # its kVA are whole or tenths, and a tenth of a kVA at high voltage is 6 a year
    assert difference == pytest.approx(620, abs=book_rounding)
    assert difference == pytest.approx(618.75, abs=ROUNDING)


def test_what_a_capacitor_saves_on_kva():
    # Second hand: Mehta and Mehta, example 6.8. 750 kVA at a power factor of 0.8, 8.50 a month per kVA; a capacitor of
    # 250 kvar at 2,000 a year leaves 632.5 kVA and saves 9,985 a year, from a reduction rounded to 117.5 kVA.
    tariff = tariff_from(demand_charges=[demand(unit="kva", rate=8.5)])
    without, with_capacitor = (billed(tariff, YEAR, 600.0, kvar=kvar) for kvar in (450.0, 200.0))
    assert column(with_capacitor, "Demand") == pytest.approx([632.4555] * 12, abs=5e-5)
    saved = total(without) - total(with_capacitor) - 2_000
    book_rounding = 0.05 * 8.5 * 12  # of a reduction that is printed to a tenth of a kVA
    assert saved == pytest.approx(9_985, abs=book_rounding)


@pytest.mark.parametrize(
    ("second_begins", "demand_charge"),
    [pytest.param("07:00", 5.00, id="together"), pytest.param("08:00", 2.50, id="one after the other")],
)
def test_demand_is_a_mean_over_a_whole_hour(second_begins, demand_charge):
    # Columbia River PUD: two appliances of 5 kW run for 30 minutes each. In the same hour they make a demand of 5 kW,
    # one after the other in different hours 2.5 kW; each kW is 1.00.
    # https://www.crpud.net/frequently-asked-questions/what-is-the-demand-charge/
    start = steps("2025-06-01", "2025-07-01", zone="America/Los_Angeles", step_min=30)
    first, second = (at_hours(start, {f"2025-06-10 {time}": 5.0}) for time in ("07:00", second_begins))
    table = billed(tariff_from(demand_charges=[demand(rate=1.0)]), start, first + second)
    assert column(table, "Demand", "amount") == [demand_charge]


@pytest.mark.parametrize(
    ("hours", "demand_charge"),
    [pytest.param((17, 17, 17), 9.00, id="stacked"), pytest.param((17, 19, 21), 4.00, id="spread")],
)
def test_loads_that_coincide_cost_more(hours, demand_charge):
    # Los Alamos County, lower bills with time-of-use rates: loads of 2, 3 and 4 kW cost 9.00 if they run in the same
    # hour, 4.00 if they are spread, at 1.00 per kW. https://www.losalamosnm.us/Services/Public-Utilities/
    # Rates-and-Fees/Time-of-Use-and-Residential-Demand/Lower-Bills-with-TOU
    loads = (at_hours(JUNE, {f"2025-06-10 {hour}:00": kw}) for hour, kw in zip(hours, (2.0, 3.0, 4.0), strict=True))
    table = billed(tariff_from(demand_charges=[demand(rate=1.0)]), JUNE, sum(loads))
    assert column(table, "Demand", "amount") == [demand_charge]


def test_demand_priced_per_kw_and_day_over_a_quarter():
    # Second hand: a retailer's bill quoted by a customer, 9.6 kW for 90 days at 0.15 per kW and day: 129.60.
    # https://neighbourhood.agl.com.au/t5/user/viewprofilepage/user-id/87419
    tariff = tariff_from(
        billing={"reading_dates": ["2025-01-01", "2025-04-01"]},
        demand_charges=[demand(rate=0.15, per_day=True, averaging_min=30)],
        rounding=TO_CENTS,
    )
    start = steps("2025-01-01", "2025-04-01", zone="Australia/Brisbane", step_min=30)
    table = billed(tariff, start, at_hours(start, {"2025-02-03 18:30": 9.6}))
    assert column(table, "Demand", "amount") == [129.60]


def test_a_quarter_hour_with_25_kwh_is_a_demand_of_100_kw():
    # A utility metering manual: the demand is the energy of an interval times the intervals in an hour.
    # https://docs.oracle.com/en/industries/energy-water/market-settlements-management-cloud-service/23a/
    # msmcs-user-guides/Topics/D1_AG_Usage_RollingDemand.html
    start = steps("2025-06-01", "2025-07-01", step_min=15)
    kwh = at_hours(start, {"2025-06-10 07:15": 25.0})
    table = billed(tariff_from(demand_charges=[demand(rate=1.0, averaging_min=15)]), start, kwh / 0.25)
    assert column(table, "Demand") == [100.0]


def test_a_ratchet_of_80_per_cent_of_the_preceding_eleven_months():
    # https://feds.pnnl.gov/faq/what-demand-ratchet: with 80 % of the highest of the preceding eleven months, a peak of
    # 1,000 kW keeps billed demand at 800 kW or more. The series is worked by hand: month 12 still sees the 1,000 kW,
    # months 13 and 14 see 850.
    peaks = [1000, *[600] * 5, 850, *[600] * 7]
    start = steps("2025-01-01", "2026-03-01", zone="America/New_York")
    month = (start.year.to_numpy() - 2025) * 12 + start.month.to_numpy() - 1
    ratchet = {"share_frac": 0.8, "preceding_periods": 11, "history": [0.0] * 11}
    tariff = tariff_from(demand_charges=[demand(rate=10.0, ratchet=ratchet)])
    table = billed(tariff, start, np.array(peaks)[month])
    assert column(table, "Demand") == [1000, *[800] * 5, 850, *[800] * 5, 680, 680]


def test_a_high_tension_bill_with_time_of_day_rates_and_an_incentive():
    # Second hand: a learner's answer sheet on an Indian high-tension bill, https://scribd.com/document/471158390/
    # Assignment-1-docx. 295 kVA at 220 are 64,900.00; 75,895 kWh at 8.41 are 638,276.95; fuel 21,091.22; by time of day
    # -24,052.50, 11,732 and 11,198; incentive for a power factor of 0.998 -50,620.20, which is 7 % of the lines so far;
    # tax 6,860.91, which is 0.0904 per kWh: 679,386.38. Rates and hours of the time of day are from memory (-1.50 at
    # night, 0.80 before noon, 1.10 in the evening); with them the three lines are whole kWh.
    kwh = {"Night": 16_035, "Forenoon": 14_665, "Evening": 10_180, "Other": 75_895 - 40_880}
    windows = {"Night": "22:00-06:00", "Forenoon": "09:00-12:00", "Evening": "18:00-22:00"}
    rates = {"Night": -1.5, "Forenoon": 0.8, "Evening": 1.1}
    tariff = tariff_from(
        allow_negative=True,
        energy_charges=[
            energy(8.41),
            energy(0.2779, "Fuel", component="Fuel"),
            energy(0.0904, "Tax on sale", component="Tax on sale"),
            *(energy(rates[k], k, component="Time", when=[{"times": [windows[k]]}]) for k in windows),
            energy(0.0, "Other", component="Time"),
        ],
        demand_charges=[demand(unit="kva", rate=220.0, averaging_min=30)],
        surcharges=[{"name": "Incentive", "share_frac": -0.07, "on": ["Demand", "Energy", "Fuel", *windows]}],
        rounding=TO_CENTS,
    )
    start = steps("2025-06-01", "2025-07-01", zone="Asia/Kolkata", step_min=30)
    hour = start.hour.to_numpy()
    part = np.select(
        [(hour >= 22) | (hour < 6), (hour >= 9) & (hour < 12), hour >= 18], ["Night", "Forenoon", "Evening"], "Other"
    )
    import_kw = sum(np.where(part == k, kwh[k] / (np.sum(part == k) / 2), 0.0) for k in kwh)
    kvar = np.zeros(len(start))
    kvar[500] = np.sqrt(295**2 - import_kw[500] ** 2)
    table = billed(tariff, start, import_kw, kvar=kvar)
    found = amounts(table)
    assert [found[line] for line in ("Demand", "Energy", "Fuel", "Incentive", "Tax on sale")] == [
        *(64_900.00, 638_276.95, 21_091.22, -50_620.20, 6_860.91)
    ]
    assert [found[line] for line in ("Night", "Forenoon", "Evening")] == [-24_052.5, 11_732, 11_198]
    assert total(table) == pytest.approx(679_386.38, abs=ROUNDING)


def test_demand_by_the_kva_or_by_a_target_of_the_power_factor():
    # A consultant's list of power-factor clauses: 800 kW at a power factor of 0.8 are 1,000 kVA, at 10 each 10,000;
    # with a target of 0.9 they are billed as 900 kW, a penalty of 1,000.
    # https://www.foretaggroup.com/copy-of-georgia-power-demand-charge
    per_kva = tariff_from(demand_charges=[demand(unit="kva", rate=10.0)])
    target = tariff_from(demand_charges=[demand(rate=10.0, power_factor_target_frac=0.9)])
    plain = tariff_from(demand_charges=[demand(rate=10.0)])
    by_kva, by_target, by_kw = (billed(t, JUNE, 800.0, kvar=600.0) for t in (per_kva, target, plain))
    assert column(by_kva, "Demand", "amount") == pytest.approx([10_000], abs=ROUNDING)
    assert column(by_target, "Demand") == pytest.approx([900], abs=ROUNDING)
    assert total(by_target) - total(by_kw) == pytest.approx(1_000, abs=ROUNDING)


def rate_g(*, minimum):
    """Hydro-Québec, rate G of 1 April 2023: all amounts are for 30 days."""
    return tariff_from(
        billing={"standard_days": 30},
        energy_charges=[
            {"name": "Energy", "tiers": [{"upto_kwh": 15_090, "rate_per_kwh": 0.10959}, {"rate_per_kwh": 0.08435}]}
        ],
        demand_charges=[demand(rate=19.526, free_demand=50, averaging_min=15)],
        fixed_charges=[{"name": "Access", "amount_per_month": 13.648}],
        minimum_bill={"amount_per_month": minimum, "on": ["all"]},
    )


@pytest.mark.parametrize(
    ("kwh", "peak_kw", "minimum", "amount"),
    [
        pytest.param(20_000, 70, 13.648, 2472.04, id="both blocks and demand"),
        pytest.param(12_000, 45, 13.648, 1328.73, id="first block, demand free"),
        pytest.param(30_000, 120, 13.648, 4291.84, id="more of both"),
        pytest.param(100, 10, 40.944, 40.94, id="minimum of three phases"),
    ],
)
def test_a_general_rate_for_30_days_with_a_minimum(kwh, peak_kw, minimum, amount):
    # Prices of 1 April 2023: https://www.hydroquebec.com/business/customer-space/rates/rate-g-billing.html: access
    # 13.648, 0.10959 up to 15,090 kWh, then 0.08435, 19.526 per kW over 50 kW, at least 13.648, three phases 40.944.
    # Totals by hand, for example 13.648 + 15,090 * 0.10959 + 4,910 * 0.08435 + 20 * 19.526 = 2,472.04.
    start = steps("2025-06-01", "2025-07-01", zone="America/Toronto", step_min=15)
    import_kw = np.full(len(start), (kwh - peak_kw / 4) / (len(start) / 4 - 0.25))
    import_kw[100] = peak_kw
    assert total(billed(rate_g(minimum=minimum), start, import_kw)) == pytest.approx(amount, abs=HALF_A_CENT)


def test_a_general_rate_for_31_days_costs_a_thirtieth_more():
    # The same rate: what is stated for 30 days is multiplied by the days and divided by 30, the block included.
    start = steps("2025-07-01", "2025-08-01", zone="America/Toronto", step_min=15)
    table = billed(rate_g(minimum=13.648), start, 70.0)
    share = 31 / 30
    assert column(table, "Energy") == pytest.approx([15_090 * share, 70 * 744 - 15_090 * share], abs=ROUNDING)
    assert column(table, "Access", "amount") == pytest.approx([13.648 * share], abs=ROUNDING)
    assert column(table, "Demand", "amount") == pytest.approx([20 * 19.526 * share], abs=ROUNDING)


@pytest.mark.parametrize(
    ("kva", "winter_peak_kw", "billed_kw"),
    [
        pytest.param(350, 520, 338, id="65 % of the winter"),
        pytest.param(350, 400, 315, id="90 % of the kVA"),
        pytest.param(320, 400, 300, id="the month's own kW"),
    ],
)
def test_the_highest_of_kw_share_of_kva_and_share_of_the_winter_peak(kva, winter_peak_kw, billed_kw):
    # Rule: Hydro-Québec, rate M, http://www.hydroquebec.com/business/rates-and-billing/billing/reading-your-bill/rate-m/
    # bill-m-details/bill-m-details-part3-overlay/. Billed are the month's kW, 90 % of its kVA or 65 % of the highest kW
    # of the last winter, whichever is most. Cases of 300 kW by hand. Winter is December to March.
    ratchet = {"share_frac": 0.65, "preceding_periods": 12, "months": [12, 1, 2, 3], "history": [0.0] * 12}
    tariff = tariff_from(demand_charges=[demand(rate=1.0, power_factor_target_frac=0.9, ratchet=ratchet)])
    start = steps("2025-01-01", "2025-07-01", zone="America/Toronto")
    import_kw = np.where(start.month == 6, 300.0, 100.0)
    import_kw[500] = winter_peak_kw
    kvar = np.where(start.month == 6, np.sqrt(kva**2 - 300.0**2), 0.0)
    assert column(billed(tariff, start, import_kw, kvar=kvar), "Demand")[-1] == pytest.approx(billed_kw, abs=ROUNDING)


# Ontario, winter prices of 1 November 2022, https://www.wellingtonnorthpower.com/customers/time-of-use-and-tiered-prices/
NOVEMBER = steps("2022-11-01", "2022-12-01", zone="America/Toronto")


def test_a_regulated_plan_with_three_periods():
    # On peak 07-11 and 17-19 on weekdays at 0.151, mid peak 11-17 at 0.102, else 0.074.
    # By hand: 640 * 0.074 + 180 * 0.102 + 180 * 0.151 = 47.36 + 18.36 + 27.18 = 92.90.
    on, mid = (
        {"day_types": ["weekday"], "times": times} for times in (["07:00-11:00", "17:00-19:00"], ["11:00-17:00"])
    )
    tariff = tariff_from(
        day_types={"weekday": {"weekdays": MONDAY_TO_FRIDAY, "on_holidays": "never"}},
        holidays={"country": "CA", "subdivision": "ON"},
        energy_charges=[
            energy(0.151, "On", when=[on]),
            energy(0.102, "Mid", when=[mid]),
            energy(0.074, "Off"),
        ],
    )
    hour, workday = NOVEMBER.hour.to_numpy(), NOVEMBER.day_of_week.to_numpy() < 5
    kwh = np.full(len(NOVEMBER), 640.0)
    kwh[workday & (hour >= 11) & (hour < 17)] = 180.0
    kwh[workday & np.isin(hour, [7, 8, 9, 10, 17, 18])] = -180.0
    _, number, counts = np.unique(kwh, return_inverse=True, return_counts=True)
    found = amounts(billed(tariff, NOVEMBER, np.abs(kwh) / counts[number]))
    assert found == pytest.approx({"On": 27.18, "Mid": 18.36, "Off": 47.36}, abs=ROUNDING)


@pytest.mark.parametrize(
    ("threshold_kwh", "kwh", "amount"),
    [pytest.param(750, 1000, 91.00, id="business"), pytest.param(1000, 1200, 107.60, id="home in winter")],
)
def test_a_regulated_plan_with_two_tiers(threshold_kwh, kwh, amount):
    # 0.087 up to 750 kWh a month (homes 1,000 in winter), then 0.103.
    # By hand: 750 * 0.087 + 250 * 0.103 = 91.00 and 1,000 * 0.087 + 200 * 0.103 = 107.60.
    tiers = [{"upto_kwh": threshold_kwh, "rate_per_kwh": 0.087}, {"rate_per_kwh": 0.103}]
    tariff = tariff_from(energy_charges=[{"name": "Energy", "tiers": tiers}])
    assert total(billed(tariff, NOVEMBER, kwh / len(NOVEMBER))) == pytest.approx(amount, abs=ROUNDING)


def test_a_credit_for_hours_of_use():
    # Second hand: a large power service contract quoted at https://forums.mikeholt.com/threads/demand-charges.57903:
    # 150 a month, 0.0291 per kWh, 3.79 + 1.09 + 1.70 per kW, and a credit of 0.0050 per kW for each whole hour of use
    # beyond 365. By hand for 1,000,000 kWh and 2,000 kW, 500 hours: 150 + 29,100 + 13,160 - 0.005 * 2,000 * 135 =
    # 41,060. Here the credit is a price below zero for kWh beyond 365 hours, the same for whole hours of use.
    parts = {"Generation": 3.79, "Transmission": 1.09, "Distribution": 1.70}
    credit = {
        "name": "Credit",
        "component": "Credit",
        "tiers": [{"upto_hours": 365, "rate_per_kwh": 0.0}, {"rate_per_kwh": -0.005}],
        "hours_of": "Generation",
    }
    tariff = tariff_from(
        allow_negative=True,
        energy_charges=[energy(0.0291), credit],
        demand_charges=[demand(name, rate=rate) for name, rate in parts.items()],
        fixed_charges=[{"name": "Customer", "amount_per_month": 150}],
    )
    table = billed(tariff, JUNE, with_peak(JUNE, kwh=1_000_000, peak_kw=2_000))
    assert amounts(table)["Credit"] == pytest.approx(-1_350, abs=ROUNDING)
    assert total(table) == pytest.approx(41_060, abs=ROUNDING)


@pytest.mark.parametrize(
    ("export", "amount"),
    [
        pytest.param({"rate_per_kwh": 0.015}, 51.50, id="two registers"),
        pytest.param({"net_metering": {}}, 35.00, id="net metering"),
    ],
)
def test_export_at_avoided_cost_or_set_off(export, amount):
    # Rule: https://myenergycoop.com/net-metering; retail 0.07 and avoided cost 0.015 from
    # http://www.ndsu.edu/ndsu/klemen/Net_Billing_Q_and_A.htm. By hand for 800 kWh in and 300 kWh out:
    # 800 * 0.07 - 300 * 0.015 = 51.50; 500 * 0.07 = 35.00.
    tariff = tariff_from(energy_charges=[energy(0.07)], export=export)
    is_day = JUNE.hour.to_numpy() // 12 == 1
    table = billed(tariff, JUNE, np.where(is_day, 0, 800 / 360), export_kw=np.where(is_day, 300 / 360, 0))
    assert total(table) == pytest.approx(amount, abs=ROUNDING)


def test_unused_credit_goes_on_to_the_next_month():
    # The same rule: a credit that a month does not use carries over. By hand: 300 kWh out in June, 800 kWh in in July.
    start = steps("2025-06-01", "2025-08-01", zone="America/Chicago")
    is_june = start.month.to_numpy() == 6
    tariff = tariff_from(energy_charges=[energy(0.07)], export={"net_metering": {}})
    table = billed(tariff, start, np.where(is_june, 0, 800 / 744), export_kw=np.where(is_june, 300 / 720, 0))
    assert column(table, "Energy", "amount") == pytest.approx([0.0, 35.00], abs=ROUNDING)
