"""Days of clock changes and off-peak holidays as time zones and tariff sheets publish them."""

import datetime as dt

import numpy as np
import pytest

from billing import laid, steps, tariff_from

# IANA time zone database (tzdata 2026.6): local days that are short and long, by zone and year.
SHORT_DAYS = {
    "America/New_York": ["2024-03-10", "2025-03-09", "2026-03-08", "2027-03-14"],
    "America/Los_Angeles": ["2024-03-10", "2025-03-09", "2026-03-08", "2027-03-14"],
    "Europe/London": ["2024-03-31", "2025-03-30", "2026-03-29", "2027-03-28"],
    "Europe/Berlin": ["2024-03-31", "2025-03-30", "2026-03-29", "2027-03-28"],
    "Australia/Sydney": ["2024-10-06", "2025-10-05", "2026-10-04", "2027-10-03"],
    "Australia/Lord_Howe": ["2024-10-06", "2025-10-05", "2026-10-04", "2027-10-03"],
    "Africa/Cairo": ["2024-04-26", "2025-04-25", "2026-04-24", "2027-04-30"],
    "America/Phoenix": [],
    "Asia/Kolkata": [],
    "Asia/Tokyo": [],
    "Africa/Johannesburg": [],
    "Australia/Brisbane": [],
}
LONG_DAYS = {
    "America/New_York": ["2024-11-03", "2025-11-02", "2026-11-01", "2027-11-07"],
    "America/Los_Angeles": ["2024-11-03", "2025-11-02", "2026-11-01", "2027-11-07"],
    "Europe/London": ["2024-10-27", "2025-10-26", "2026-10-25", "2027-10-31"],
    "Europe/Berlin": ["2024-10-27", "2025-10-26", "2026-10-25", "2027-10-31"],
    "Australia/Sydney": ["2024-04-07", "2025-04-06", "2026-04-05", "2027-04-04"],
    "Australia/Lord_Howe": ["2024-04-07", "2025-04-06", "2026-04-05", "2027-04-04"],
    "Africa/Cairo": ["2024-10-31", "2025-10-30", "2026-10-29", "2027-10-28"],
}
# A clock change of an hour, on Lord Howe of half an hour.
CHANGE_QUARTERS = {"Australia/Lord_Howe": 2}


@pytest.mark.parametrize("zone", SHORT_DAYS)
def test_days_of_clock_changes_have_92_or_100_quarter_hours(zone):
    daily = {"name": "Daily", "rate_per_kw": 1.0, "averaging_min": 15, "period": "day"}
    days = laid(tariff_from(demand_charges=[daily]), steps("2024-01-01", "2028-01-01", zone=zone, step_min=15))
    periods = days.sheets[0].demand[0].measure.periods
    counts = dict(zip(periods.names, np.bincount(periods.of).tolist(), strict=True))
    change = CHANGE_QUARTERS.get(zone, 4)
    assert [day for day, count in counts.items() if count == 96 - change] == SHORT_DAYS[zone]
    assert [day for day, count in counts.items() if count == 96 + change] == LONG_DAYS.get(zone, [])
    assert sum(counts.values()) == (3 * 8760 + 8784) * 4


def holidays_of(year, *, zone="America/New_York", **holidays):
    """Dates on which the price of holidays holds."""
    tariff = tariff_from(
        day_types={"holiday": {"weekdays": [], "on_holidays": "always"}},
        energy_charges=[
            {"name": "Holiday", "rate_per_kwh": 0.1, "when": [{"day_types": ["holiday"]}]},
            {"name": "Other", "rate_per_kwh": 0.2},
        ],
        holidays=holidays,
    )
    start = steps(f"{year}-01-01", f"{year + 1}-01-01", zone=zone)
    return sorted(set(start[laid(tariff, start).sheets[0].energy[0].share == 1].strftime("%Y-%m-%d")))


SIX_DAYS = {
    "country": "US",
    "only": ["New Year's Day", "Memorial Day", "Independence Day", "Labor Day", "Thanksgiving Day", "Christmas Day"],
    "sunday_moves_to": "monday",
}
EIGHT_DAYS = {**SIX_DAYS, "only": [*SIX_DAYS["only"], "Washington's Birthday", "Veterans Day"]}


@pytest.mark.parametrize(
    ("year", "days"),
    [
        # North American list of additional off-peak days: a date on Sunday moves to Monday, one on Saturday stays.
        # http://www.docstoc.com/docs/52814626/Additional-Off-peak-Days-(aka-NERC-Holidays) prints the list of 2010.
        (2010, ["01-01", "05-31", "07-05", "09-06", "11-25", "12-25"]),
        # By hand from the rule. The time-of-use rate of Lansing BWL has the same six, https://lbwl.com/FAQs/
        # are-holidays-included-time-use.
        (2021, ["01-01", "05-31", "07-05", "09-06", "11-25", "12-25"]),
        (2022, ["01-01", "05-30", "07-04", "09-05", "11-24", "12-26"]),
        (2023, ["01-02", "05-29", "07-04", "09-04", "11-23", "12-25"]),
        (2024, ["01-01", "05-27", "07-04", "09-02", "11-28", "12-25"]),
        (2025, ["01-01", "05-26", "07-04", "09-01", "11-27", "12-25"]),
        (2026, ["01-01", "05-25", "07-04", "09-07", "11-26", "12-25"]),
        (2027, ["01-01", "05-31", "07-05", "09-06", "11-25", "12-25"]),
    ],
)
def test_six_off_peak_days_a_year(year, days):
    assert holidays_of(year, **SIX_DAYS) == [f"{year}-{day}" for day in days]


@pytest.mark.parametrize(
    ("year", "days"),
    [
        # Rule of a utility in California: these six, Presidents Day and Veterans Day. A date on Sunday moves to Monday,
        # for one on Saturday no weekday is off peak. Weekdays by hand from the rule; 4 July 2026 is a Saturday.
        # https://www.pge.com/tariffs/en/rate-information/tou-holidays.html
        (2025, ["01-01", "02-17", "05-26", "07-04", "09-01", "11-11", "11-27", "12-25"]),
        (2026, ["01-01", "02-16", "05-25", "09-07", "11-11", "11-26", "12-25"]),
        (2027, ["01-01", "02-15", "05-31", "07-05", "09-06", "11-11", "11-25"]),
    ],
)
def test_eight_holidays_of_a_time_of_use_rate(year, days):
    found = holidays_of(year, zone="America/Los_Angeles", **EIGHT_DAYS)
    assert [day for day in found if dt.date.fromisoformat(day).weekday() < 5] == [f"{year}-{day}" for day in days]


@pytest.mark.parametrize("day", ["2021-12-24", "2021-12-31", "2026-07-03"])
def test_a_friday_before_a_holiday_on_saturday_is_no_holiday_of_a_sheet(day):
    # The federal rule moves these to Friday, the two sheets above do not.
    assert day not in holidays_of(int(day[:4]), **EIGHT_DAYS)


def test_the_holidays_of_a_regulated_plan_need_more_than_those_of_the_law():
    # Ontario, off-peak days of 2017: https://www.bluewaterpower.com/index.php/residential-top/smart-meters/
    # time-of-use-rates. New Year's Day (a Sunday) and Canada Day (a Saturday) are kept on Monday; the civic holiday of
    # August is no statutory one.
    published = ["01-02", "02-20", "04-14", "05-22", "07-03", "08-07", "09-04", "10-09", "12-25", "12-26"]
    found = holidays_of(
        2017,
        zone="America/Toronto",
        country="CA",
        subdivision="ON",
        sunday_moves_to="monday",
        saturday_moves_to="monday",
        extra_dates=["2017-08-07"],
    )
    assert found == [f"2017-{day}" for day in published]
