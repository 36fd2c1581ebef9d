"""A tariff in plain words holds each number of its file."""

import itertools
from pathlib import Path

import pytest

from billing import EVERY_DAY, tariff_from
from crestfall.report import tariff_words
from crestfall.report._tariff_words import GROUP_HEADINGS
from crestfall.scenario import load_tariff
from crestfall.scenario.tariff_file import GROUPS

TARIFFS = Path(__file__).parents[2] / "data" / "tariffs"

SENTENCES_OF_DEMOS = {
    "klitlys_seasonal": [
        "Prices in EUR, valid from 2025-01-01.",
        "winter: 1 October to 31 March.",
        "working day: Monday to Friday, but not on holidays.",
        "rest day: Saturday and Sunday, and all holidays.",
        "Further holidays are 5 June, 24 December and 31 December.",
        "Winter high load: 0.256 EUR per kWh, on working days 07:00-09:00 and 16:00-20:00 in winter.",
        "Winter standard load: 0.171 EUR per kWh, on working days 06:00-07:00, 09:00-16:00 and 20:00-22:00 in winter;"
        " on rest days 16:00-20:00 in winter.",
        "Low load: 0.094 EUR per kWh, at all other times.",
        "Peak demand at any time: 5.80 EUR per kW of each month's highest 15-minute mean, at any time.",
        "Peak demand in high load hours: 8.20 EUR per kW of each month's highest 15-minute mean,"
        " on working days 16:00-20:00 in winter, 17:00-20:00 in summer.",
        "Metering and connection: 185.00 EUR a month.",
        "Exported energy earns 0.045 EUR per kWh.",
    ],
    "dagspris_passthrough": [
        "One kWh costs the sum of 3 parts: Supply, Network and Tax.",
        "Day-ahead energy (part Supply): the price in ../prices/dagspris.csv (column price_per_mwh, EUR per MWh),"
        " times 1.045, plus 0.0065 EUR per kWh, at least -0.04 EUR per kWh, at all times.",
        "Network energy, other times (part Network): 0.026 EUR per kWh, at all other times.",
        "Network peak of the year: 46.00 EUR per kW of the year's highest 60-minute mean,"
        " on working days 17:00-21:00 in winter.",
        "System peak: 38.00 EUR a year per kW of the mean import in 6 intervals of 60 minutes.",
        "They begin at 2025-01-20 18:00, 2025-01-29 18:00, 2025-02-14 18:00, 2025-02-21 18:00, 2025-03-05 18:00"
        " and 2025-12-05 18:00.",
        "Exported energy earns the price in ../prices/dagspris.csv (column price_per_mwh, EUR per MWh),"
        " minus 0.004 EUR per kWh.",
        "Non-deductible sales duty: 6 % on energy, demand, coincident and fixed.",
    ],
    "ferrisbay_ratchet": [
        "Energy: 0.113 EUR per kWh, at all times.",
        "Billed is at least 80 % of the highest peak of the 11 months before.",
        "At least 50 kW are billed.",
        "At a power factor below 0.9 the kW are billed times 0.9 over the actual one.",
        "Minimum bill: energy, demand and fixed come to at least 900.00 EUR a month; what is missing is added.",
        "Sales tax: 6.5 % on all lines before it.",
        "Each line's amount is rounded to 2 decimals, half away from zero.",
        "Exported energy earns nothing.",
    ],
    "holmvandry_capacity": [
        "Day energy: 0.149 EUR per kWh, 07:00-23:00.",
        "Capacity: 6.40 EUR per kVA contracted (330 kVA) for each month.",
        "Beyond it: 16.00 EUR per kVA by which each month's highest 30-minute mean exceeds that level, at any time.",
        "The site may set another level of at least 100 kVA.",
        "Reactive energy: 0.011 EUR per kvarh beyond 0.5 kvarh for each imported kWh of a month, at any time.",
        "Standing charge: 3.85 EUR a day.",
    ],
    "solvighove_netblocks": [
        "Billing periods begin on day 12 of each month and bear the date of that day.",
        "Energy (part Supply): first 20,000 kWh of a billing period at 0.104 EUR per kWh,"
        " then up to 60,000 kWh at 0.127, then the rest at 0.158, at all times.",
        "Grid renewal rider (part Rider): 0.036 EUR per kWh, at all times.",
        "Service: 140.00 EUR a billing period.",
        "Exported kWh are set off against imported kWh, for each energy charge and billing period.",
        "Credit that is not used goes on to the next billing period; what is left at the end earns 0.03 EUR per kWh.",
    ],
}

WINDOW = [{"times": ["17:00-20:00"]}]
DEMAND = {"name": "Demand", "rate_per_kw": 4, "averaging_min": 15}
RATCHET = {
    "share_frac": 0.5,
    "preceding_periods": 2,
    "months": [6, 7],
    "counts_current": False,
    "history": [210, 180.5],
}

# Keys of a tariff, and the sentences that they must give.
SENTENCES_OF_CLAUSES = {
    "hours of use": (
        {"hours_of_use": {"at_least_h": 2500, "below_h": 5000}},
        [
            "For sites with at least 2,500 and less than 5,000 hours of use a year"
            " (imported kWh over the year's highest kW)."
        ],
    ),
    "calendar": (
        {
            "billing": {"standard_days": 30, "prorate": False},
            "split_steps": True,
            "day_types": {"week": {"weekdays": ["mon", "wed", "thu"]}, "any": {"weekdays": EVERY_DAY}},
            "holidays": {
                "country": "DE",
                "subdivision": "BY",
                "sunday_moves_to": "monday",
                "saturday_moves_to": "friday",
                "extra_dates": ["2025-05-02"],
            },
        },
        [
            "week: Monday, Wednesday and Thursday, holidays as their weekday.",
            "any: every day of the week, holidays as their weekday.",
            "Holidays are the public holidays of DE (BY).",
            "Further holidays are 2025-05-02.",
            "A holiday that falls on a Saturday is kept on Friday.",
            "A holiday that falls on a Sunday is kept on Monday.",
            "Amounts, demand rates and block sizes hold for 30 days, whatever the period has.",
            "A part of a period costs as much as a whole one.",
            "A step of the data that a window cuts is shared out by time.",
        ],
    ),
    "reading dates": (
        {"billing": {"reading_dates": ["2025-01-03", "2025-02-04"]}},
        ["Billing periods begin on 2025-01-03 and 2025-02-04."],
    ),
    "hours use of demand": (
        {
            "demand_charges": [DEMAND],
            "energy_charges": [
                {
                    "name": "Blocks",
                    "hours_of": "Demand",
                    "tiers": [
                        {"upto_hours": 200, "rate_per_kwh": 0.2},
                        {"upto_hours": 400, "rate_per_kwh": 0.15},
                        {"rate_per_kwh": 0.1},
                    ],
                }
            ],
        },
        [
            "Blocks: first 200 hours of use of a month at 0.20 EUR per kWh, then up to 400 hours at 0.15,"
            " then the rest at 0.10 (hours of use: kWh over the billed peak of 'Demand'), at all times."
        ],
    ),
    "demand": (
        {"demand_charges": [DEMAND | {"sliding": True, "per_day": True, "free_demand": 20, "ratchet": RATCHET}]},
        [
            "Demand: 4.00 EUR a day per kW of each month's highest 15-minute mean (sliding), at any time.",
            "Billed is 50 % of the highest peak of the 2 months before, whatever the month's own peak is.",
            "Of these only peaks of June and July count.",
            "Peaks before the data: 210 and 180.5 kW, oldest first.",
            "Of what is billed, the first 20 kW cost nothing.",
        ],
    ),
    "daily and seasonal peaks": (
        {
            "seasons": {"dark_half": {"first_day": "10-01", "last_day": "03-31"}},
            "demand_charges": [
                DEMAND | {"name": "Each day", "period": "day"},
                DEMAND | {"name": "Each season", "period": "season", "when": [{"seasons": ["dark_half"]}]},
            ],
        },
        [
            "Each day: 4.00 EUR per kW of each day's highest 15-minute mean, at any time.",
            "Each season: 4.00 EUR per kW of each season's highest 15-minute mean, in dark half.",
        ],
    ),
    "capacity to choose": (
        {
            "capacity_charges": [
                DEMAND | {"name": "Level", "rate_per_kw": 50, "excess_rate": 99, "period": "year", "choose": True}
            ]
        },
        [
            "Level: 50.00 EUR per kW contracted (the cheapest level) for each year.",
            "Beyond it: 99.00 EUR per kW by which the year's highest 15-minute mean exceeds that level, at any time.",
            "The site may set another level.",
        ],
    ),
    "events": (
        {
            "event_payments": [
                {
                    "name": "Calls",
                    "rate_per_kwh": 0.5,
                    "events": [{"start": "2025-07-01T17:00", "duration_min": 120}],
                    "baseline": {"days": 10, "highest": 5},
                }
            ]
        },
        [
            "Calls: 0.50 EUR earned per kWh below the baseline in 1 event.",
            "Events: 2025-07-01 17:00 for 120 minutes.",
            "The baseline is the mean import without a battery at the same times on the 10 latest days of the same kind"
            " without an event, of which the 5 highest count.",
        ],
    ),
    "reactive peak": (
        {"reactive_charges": [{"name": "kvar", "rate_per_kvar": 1.5, "free_share_of_kw": 0.4, "when": WINDOW}]},
        ["kvar: 1.50 EUR per kvar of each month's highest, beyond 0.4 kvar for each kW of the peak, 17:00-20:00."],
    ),
    "fixed": (
        {"fixed_charges": [{"name": "Meters", "amount_per_year": 1200, "meters": 3}]},
        ["Meters: 1,200.00 EUR a year for each of 3 meters."],
    ),
    "export by time": (
        {
            "export": {
                "charges": [
                    {"name": "Evening export", "rate_per_kwh": 0.09, "when": WINDOW},
                    {"name": "Other export", "rate_per_kwh": 0.03},
                ],
                "limit_kw": 50,
                "battery_exports": "forbidden",
                "battery_charges_from": "pv_surplus",
            }
        },
        [
            "Evening export: earns 0.09 EUR per kWh, 17:00-20:00.",
            "Other export: earns 0.03 EUR per kWh, at all other times.",
            "At most 50 kW may be exported.",
            "Only PV beyond the load may leave the site, nothing from a battery.",
            "A battery may charge no more than the PV beyond the load of the moment.",
        ],
    ),
    "credit without carry-over": (
        {"export": {"net_metering": {"carry_over": False, "settlement_rate_per_kwh": 0.05}, "limit_kw": 0}},
        ["Credit that is not used earns 0.05 EUR per kWh at the end of each month.", "Nothing may be exported."],
    ),
    "surcharges": (
        {
            "surcharges": [
                {"name": "Discount", "share_frac": -0.05, "on": ["Energy", "demand"]},
                {"name": "Tax", "share_frac": 0.07, "on": ["all"]},
            ]
        },
        ["Discount: 5 % off 'Energy' and demand.", "Tax: 7 % on all lines before it."],
    ),
    "rounding": (
        {"rounding": {"demand_decimals": 0, "energy_decimals": 1}},
        [
            "kW, kVA and kvar, before they are priced, are rounded to a whole number, half away from zero.",
            "kWh and kvarh, before they are priced, are rounded to 1 decimal, half away from zero.",
        ],
    ),
    "escalation": (
        {"escalation": {"energy_frac_per_year": 0.03, "demand_frac_per_year": -0.01}},
        ["Energy charges rise by 3 % a year.", "Demand, capacity and reactive charges fall by 1 % a year."],
    ),
}


@pytest.mark.parametrize("name", SENTENCES_OF_DEMOS)
def test_a_demo_tariff_is_said_in_words_with_its_numbers(name):
    said = [line.strip() for line in tariff_words(load_tariff(TARIFFS / f"{name}.yaml").file)]
    assert [sentence for sentence in SENTENCES_OF_DEMOS[name] if sentence not in said] == []


def test_every_demo_tariff_is_looked_at():
    assert sorted(SENTENCES_OF_DEMOS) == sorted(path.stem for path in TARIFFS.glob("*.yaml"))


@pytest.mark.parametrize("name", SENTENCES_OF_CLAUSES)
def test_a_clause_is_said_in_words(name):
    keys, sentences = SENTENCES_OF_CLAUSES[name]
    said = [line.strip() for line in tariff_words(tariff_from(**keys))]
    assert [sentence for sentence in sentences if sentence not in said] == []


def test_every_line_of_the_bill_is_named():
    for path in TARIFFS.glob("*.yaml"):
        tariff = load_tariff(path).file
        text = "\n".join(tariff_words(tariff))
        assert [line for line in tariff.line_groups if line not in text] == []


def test_headings_stand_in_the_order_of_the_bill():
    assert tuple(GROUP_HEADINGS) == GROUPS
    lines = tariff_words(load_tariff(TARIFFS / "ferrisbay_ratchet.yaml").file)
    headings = [line for before, line in itertools.pairwise(lines) if not before]
    assert headings == [
        "Calendar", "Energy", "Demand", "Export", "Fixed amounts", "Minimum bill", "Surcharges", "Rounding",
    ]  # fmt: skip


@pytest.mark.parametrize("width", [40, 80, 100])
def test_lines_keep_to_the_width_and_lose_no_word(width):
    tariff = load_tariff(TARIFFS / "klitlys_seasonal.yaml").file
    wrapped = tariff_words(tariff, width=width)
    assert max(map(len, wrapped)) <= width
    assert " ".join(wrapped).split() == " ".join(tariff_words(tariff)).split()
