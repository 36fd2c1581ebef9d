import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing import EVERY_DAY, MONDAY_TO_FRIDAY, amounts, billed, column, laid, steps, tariff_from
from strategies import ZONES_WITH_DAYLIGHT_SAVING, time_of_use_tariffs, years

# North American list of off-peak days: a Sunday date moves to Monday, a Saturday date stays on Saturday.
# Published for 2010: http://www.docstoc.com/docs/52814626/Additional-Off-peak-Days-(aka-NERC-Holidays)
OFF_PEAK_DAYS_2010 = ["2010-01-01", "2010-05-31", "2010-07-05", "2010-09-06", "2010-11-25", "2010-12-25"]


def two_prices(when, **keys):
    """A charge `A` at the given times and a charge `B` at all others."""
    charges = [{"name": "A", "rate_per_kwh": 0.3, "when": [when]}, {"name": "B", "rate_per_kwh": 0.1}]
    return tariff_from(energy_charges=charges, **keys)


def has_price_a(tariff, start):
    """Whether a step has price `A`, all of it."""
    share = laid(tariff, start).sheets[0].energy[0].share
    assert set(share) <= {0, 1}
    return share == 1


def stamps_of_a(tariff, start, form):
    """Distinct local stamps, in the given form, of the steps that have price `A`."""
    return sorted(set(start[has_price_a(tariff, start)].strftime(form)))


def test_a_season_may_run_over_new_year():
    tariff = two_prices({"seasons": ["cold"]}, seasons={"cold": {"first_day": "11-15", "last_day": "02-01"}})
    days = stamps_of_a(tariff, steps(), "%m-%d")
    assert (days[0], days[31], days[32], days[-1], len(days)) == ("01-01", "02-01", "11-15", "12-31", 32 + 16 + 31)


def test_a_season_may_last_one_day():
    tariff = two_prices({"seasons": ["day"]}, seasons={"day": {"first_day": "06-21", "last_day": "06-21"}})
    assert stamps_of_a(tariff, steps(), "%m-%d") == ["06-21"]


@pytest.mark.parametrize(("year", "n_days"), [pytest.param(2024, 29, id="leap"), pytest.param(2025, 28, id="common")])
def test_a_season_up_to_29_february_ends_with_that_month(year, n_days):
    tariff = two_prices({"seasons": ["feb"]}, seasons={"feb": {"first_day": "02-01", "last_day": "02-29"}})
    assert len(stamps_of_a(tariff, steps(f"{year}-01-01", f"{year + 1}-01-01"), "%m-%d")) == n_days


def test_a_window_may_run_over_midnight():
    tariff = two_prices({"times": ["22:00-06:00"]})
    assert stamps_of_a(tariff, steps(), "%H") == ["00", "01", "02", "03", "04", "05", "22", "23"]


def test_a_window_ends_before_its_last_minute():
    tariff = two_prices({"times": ["17:00-20:30"]})
    assert stamps_of_a(tariff, steps(step_min=30), "%H:%M")[-1] == "20:00"


def test_a_window_up_to_24_ends_with_the_day():
    assert stamps_of_a(two_prices({"times": ["21:00-24:00"]}), steps(), "%H") == ["21", "22", "23"]


def test_conditions_of_one_block_hold_together():
    tariff = two_prices(
        {"seasons": ["may"], "day_types": ["sunday"], "times": ["08:00-09:00"]},
        seasons={"may": {"first_day": "05-01", "last_day": "05-31"}},
        day_types={"sunday": {"weekdays": ["sun"]}},
    )
    sundays = ["05-04 08", "05-11 08", "05-18 08", "05-25 08"]
    assert stamps_of_a(tariff, steps(), "%m-%d %H") == sundays


def test_any_one_of_several_blocks_is_enough():
    charges = [
        {"name": "A", "rate_per_kwh": 0.3, "when": [{"times": ["07:00-09:00"]}, {"times": ["08:00-10:00"]}]},
        {"name": "B", "rate_per_kwh": 0.1},
    ]
    assert stamps_of_a(tariff_from(energy_charges=charges), steps(), "%H") == ["07", "08", "09"]


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        # IANA time zone database (tzdata 2026.6): the clock skips or repeats 02:00 to 03:00.
        pytest.param("Europe/Berlin", "2025-03-30", 3, id="Berlin, spring"),
        pytest.param("Europe/Berlin", "2025-10-26", 5, id="Berlin, autumn"),
        pytest.param("America/New_York", "2025-03-09", 3, id="New York, spring"),
        pytest.param("America/New_York", "2025-11-02", 5, id="New York, autumn"),
    ],
)
def test_a_night_window_follows_the_wall_clock_when_it_changes(zone, day, hours):
    start = steps(zone=zone)
    in_window = has_price_a(two_prices({"times": ["00:00-04:00"]}), start)
    assert np.sum((start.strftime("%Y-%m-%d") == day) & in_window) == hours


@pytest.mark.parametrize(
    ("rule", "n_hours"),
    [
        # Ten hours of each of the 261 working days of 2010; five of the six days fall on one of them.
        pytest.param("as_weekday", 261 * 10, id="as weekday"),
        pytest.param("never", (261 - 5) * 10, id="never"),
        # The sixth, Christmas Day, is a Saturday.
        pytest.param("always", (261 + 1) * 10, id="always"),
    ],
)
def test_holidays_follow_the_rule_of_the_day_type(rule, n_hours):
    tariff = two_prices(
        {"day_types": ["working"], "times": ["08:00-18:00"]},
        day_types={"working": {"weekdays": MONDAY_TO_FRIDAY, "on_holidays": rule}},
        holidays={"extra_dates": OFF_PEAK_DAYS_2010},
    )
    assert np.sum(has_price_a(tariff, steps("2010-01-01", "2011-01-01", zone="UTC"))) == n_hours


def holidays_of(year, *, zone, **holidays):
    tariff = two_prices(
        {"day_types": ["holiday"]},
        day_types={"holiday": {"weekdays": [], "on_holidays": "always"}},
        holidays=holidays,
    )
    return stamps_of_a(tariff, steps(f"{year}-01-01", f"{year + 1}-01-01", zone=zone), "%Y-%m-%d")


def test_public_holidays_of_a_region_are_known():
    # Bayerisches Feiertagsgesetz, article 1 (1): the days of the whole state; Easter Sunday 2025 was 20 April.
    assert holidays_of(2025, zone="Europe/Berlin", country="DE", subdivision="BY") == [
        *("2025-01-01", "2025-01-06", "2025-04-18", "2025-04-21", "2025-05-01", "2025-05-29", "2025-06-09"),
        *("2025-06-19", "2025-10-03", "2025-11-01", "2025-12-25", "2025-12-26"),
    ]


def test_a_holiday_on_saturday_does_not_move_to_friday():
    # https://www.pge.com/tariffs/en/rate-information/tou-holidays.html: no weekday is off peak for a Saturday date.
    days = holidays_of(2026, zone="America/Los_Angeles", country="US")
    assert ("2026-07-04" in days, "2026-07-03" in days) == (True, False)


def test_the_holidays_of_both_calendar_years_count():
    tariff = two_prices(
        {"day_types": ["holiday"]},
        day_types={"holiday": {"weekdays": [], "on_holidays": "always"}},
        holidays={"country": "DE"},
    )
    days = stamps_of_a(tariff, steps("2024-10-01", "2025-10-01"), "%Y-%m-%d")
    assert {"2024-12-25", "2025-05-01"} <= set(days)


def is_price_a_window(tariff, stamp):
    """Work out in plain Python which charge a local stamp has."""
    season, days = tariff.seasons["season"], tariff.day_types["days"]
    month_day, clock = f"{stamp:%m-%d}", f"{stamp:%H:%M}"
    in_order = season.first_day <= season.last_day
    bounds = (season.first_day <= month_day, month_day <= season.last_day)
    in_season = all(bounds) if in_order else any(bounds)
    belongs = EVERY_DAY[stamp.weekday()] in days.weekdays
    if days.on_holidays != "as_weekday" and stamp.date() in tariff.holidays.extra_dates:
        belongs = days.on_holidays == "always"
    if not (in_season and belongs):
        return "Rest"
    for charge in tariff.energy_charges[:-1]:
        begin, end = charge.when[0].times[0].split("-")
        if begin <= clock < end or (begin > end and (clock >= begin or clock < end)):
            return charge.name
    raise AssertionError("the windows cover the day")


@settings(max_examples=40)
@given(
    tariff=time_of_use_tariffs(), zone=st.sampled_from(ZONES_WITH_DAYLIGHT_SAVING), year=years, shift=st.integers(0, 96)
)
def test_every_step_has_the_one_price_that_the_wall_clock_says(tariff, zone, year, shift):
    start = steps(f"{year}-01-01", f"{year + 1}-01-01", zone=zone, step_min=30)
    energy = laid(tariff, start).sheets[0].energy
    shares = np.array([line.share for line in energy])
    assert (shares.sum(axis=0) == 1).all()
    some = slice(shift, None, 97)  # 97 half hours: every time of day and every month
    names = [energy[line].name for line in shares[:, some].argmax(axis=0)]
    assert names == [is_price_a_window(tariff, stamp) for stamp in start[some].to_pydatetime()]


@pytest.mark.parametrize("zone", ZONES_WITH_DAYLIGHT_SAVING)
def test_periods_are_the_local_calendar_months(zone):
    start = steps("2024-04-01", "2025-04-01", zone=zone, step_min=30)
    billing = laid(tariff_from(), start).sheets[0].layout.billing
    assert [billing.names[p] for p in billing.of] == start.strftime("%Y-%m").tolist()
    assert billing.factor.tolist() == [1.0] * 12


def test_the_price_of_each_step_is_that_of_its_charge():
    rates = laid(two_prices({"times": ["00:00-02:00"]}), steps())
    assert rates.buy_per_kwh[:4].tolist() == [0.3, 0.3, 0.1, 0.1]


def test_a_demand_charge_without_when_is_measured_always():
    demand = [{"name": "Peak", "rate_per_kw": 9, "averaging_min": 60}]
    assert laid(tariff_from(demand_charges=demand), steps()).sheets[0].demand[0].measure.is_measured().all()


def test_a_demand_charge_is_measured_in_its_windows():
    when = [{"times": ["17:00-19:00"]}]
    demand = [{"name": "Peak", "rate_per_kw": 9, "averaging_min": 60, "when": when}]
    start = steps()
    measured = laid(tariff_from(demand_charges=demand), start).sheets[0].demand[0].measure.is_measured()
    assert sorted(set(start[measured].hour)) == [17, 18]


def test_fixed_amounts_are_due_in_every_month():
    fixed = [{"name": "Meter", "amount_per_month": 12}, {"name": "Service", "amount_per_month": 0.5}]
    table = billed(tariff_from(fixed_charges=fixed), steps())
    assert (amounts(table)["Meter"], amounts(table)["Service"]) == (144, 6)
    assert len(column(table, "Meter")) == 12
