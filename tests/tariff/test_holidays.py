"""Which days a sheet keeps as holidays."""

import datetime as dt
import os
import subprocess
import sys
from pathlib import Path

import pytest

from billing import laid, steps, tariff_from
from crestfall.tariff import rates_on
from crestfall.tariff._calendar import LocalClock, holiday_dates

PROGRAM = """
import sys
sys.path.insert(0, sys.argv[1])
from billing import tariff_from
print(tariff_from(holidays={"country": "DE", "only": ["Neujahr", "Karfreitag"]}).holidays.only)
"""


def tariff_with(**holidays):
    """Return a tariff with a price of its own on holidays."""
    return tariff_from(
        day_types={"holiday": {"weekdays": [], "on_holidays": "always"}},
        energy_charges=[
            {"name": "Holiday", "rate_per_kwh": 0.1, "when": [{"day_types": ["holiday"]}]},
            {"name": "Other", "rate_per_kwh": 0.2},
        ],
        holidays=holidays,
    )


def holidays_of(first, last, **holidays):
    """Dates on which the price of holidays holds."""
    start = steps(first, last)
    return priced_dates(laid(tariff_with(**holidays), start))


def priced_dates(rates):
    return sorted(set(rates.start[rates.sheets[0].energy[0].share == 1].strftime("%Y-%m-%d")))


@pytest.mark.parametrize(
    ("rule", "day"),
    [
        pytest.param({}, "2025-03-01", id="a Saturday stays"),
        pytest.param({"saturday_moves_to": "friday"}, "2025-02-28", id="a Saturday moves to Friday"),
        pytest.param({"saturday_moves_to": "monday"}, "2025-03-03", id="a Saturday moves to Monday"),
        pytest.param({"sunday_moves_to": "monday"}, "2025-03-01", id="the rule for Sunday is another"),
    ],
)
def test_a_holiday_on_saturday_is_kept_where_the_sheet_says(rule, day):
    assert holidays_of("2025-01-01", "2026-01-01", every_year=["03-01"], **rule) == [day]


@pytest.mark.parametrize(
    ("rule", "day"),
    [
        pytest.param({}, "2025-03-02", id="a Sunday stays"),
        pytest.param({"sunday_moves_to": "monday"}, "2025-03-03", id="a Sunday moves to Monday"),
        pytest.param({"saturday_moves_to": "monday"}, "2025-03-02", id="the rule for Saturday is another"),
    ],
)
def test_a_holiday_on_sunday_is_kept_where_the_sheet_says(rule, day):
    assert holidays_of("2025-01-01", "2026-01-01", every_year=["03-02"], **rule) == [day]


def test_a_holiday_moves_over_the_turn_of_the_year():
    # 1 January 2022 is a Saturday, 1 January 2023 a Sunday.
    moved = {"every_year": ["01-01"], "saturday_moves_to": "friday", "sunday_moves_to": "monday"}
    assert holidays_of("2021-01-01", "2022-01-01", **moved) == ["2021-01-01", "2021-12-31"]
    assert holidays_of("2022-01-01", "2023-01-01", **moved) == []
    assert holidays_of("2023-01-01", "2024-01-01", **moved) == ["2023-01-02"]


def test_single_dates_never_move():
    moved = {"extra_dates": ["2025-03-01", "2025-03-02"], "saturday_moves_to": "friday", "sunday_moves_to": "monday"}
    assert holidays_of("2025-01-01", "2026-01-01", **moved) == ["2025-03-01", "2025-03-02"]


def test_29_february_is_a_holiday_in_leap_years_only():
    assert holidays_of("2024-01-01", "2026-01-01", every_year=["02-29"]) == ["2024-02-29"]


def test_only_the_named_holidays_count():
    assert holidays_of("2025-01-01", "2026-01-01", country="DE", only=["Neujahr", "Karfreitag"]) == [
        "2025-01-01",
        "2025-04-18",
    ]


def test_own_days_are_kept_beside_those_of_the_country():
    found = holidays_of("2025-12-01", "2026-01-01", country="DE", every_year=["12-24"], extra_dates=["2025-12-30"])
    assert found == ["2025-12-24", "2025-12-25", "2025-12-26", "2025-12-30"]


@pytest.mark.parametrize("language", ["C", "C.UTF-8", "en_US.UTF-8", "de_DE.UTF-8"])
def test_names_of_holidays_do_not_depend_on_the_language_of_the_machine(language):
    environment = {**os.environ, "LANGUAGE": "", "LC_ALL": language, "LANG": language}
    folder = str(Path(__file__).parents[1])
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, folder], env=environment, capture_output=True, text=True, check=True
    )
    assert done.stdout == "('Neujahr', 'Karfreitag')\n"


def test_a_holiday_that_moves_onto_another_passes_it_on():
    # Japan 2025: Constitution (3 May, Saturday), Greenery (4 May, Sunday), Children (Monday); the substitute is 6 May.
    # United Kingdom 2021: Christmas on a Saturday and Boxing Day on a Sunday are kept on Monday 27 and Tuesday 28.
    japan = tariff_from(holidays={"country": "JP", "sunday_moves_to": "monday"})
    britain = tariff_from(
        holidays={"country": "GB", "sunday_moves_to": "monday", "saturday_moves_to": "monday"},
    )
    may = kept_days(japan, steps("2025-05-01", "2025-05-11", zone="Asia/Tokyo"))
    december = kept_days(britain, steps("2021-12-20", "2022-01-01", zone="Europe/London"))
    assert {"2025-05-03", "2025-05-05", "2025-05-06"} <= may
    assert "2025-05-04" not in may
    assert {"2021-12-27", "2021-12-28"} <= december


def kept_days(tariff, start):
    return {str(day) for day in holiday_dates(tariff, LocalClock.at(start, 1.0))}


def test_a_calendar_that_is_used_again_keeps_the_holidays_of_each_tariff():
    start = steps("2025-03-01", "2025-03-08")
    first = rates_on(tariff_with(extra_dates=[dt.date(2025, 3, 4)]), start, step_h=1.0)
    other = rates_on(tariff_with(extra_dates=[dt.date(2025, 3, 6)]), start, step_h=1.0, like=first)
    again = rates_on(tariff_with(extra_dates=[dt.date(2025, 3, 4)]), start, step_h=1.0, like=other)
    assert other.sheets[0].layout.clock is first.sheets[0].layout.clock
    assert [priced_dates(one) for one in (first, other, again)] == [["2025-03-04"], ["2025-03-06"], ["2025-03-04"]]
