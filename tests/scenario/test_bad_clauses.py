"""Clauses of a tariff that contradict themselves or each other: file, line, key, value, expectation and remedy."""

import pytest

from crestfall.errors import ScenarioError
from crestfall.scenario import load_scenario
from site_files import in_scenario, in_tariff, message, write_site

EXPORT = "export:\n  rate_per_kwh: 0.06"
PEAK = "    averaging_min: 60\n"
PRICE = "    rate_per_kwh: 0.20\n"


def block(text):
    """Return the edit that adds a block of keys at the end."""
    return in_tariff(EXPORT, f"{EXPORT}\n{text}")


def tiers(blocks, more=""):
    """Return the edit that gives the remaining hours blocks in place of a price."""
    return in_tariff(PRICE, f"    tiers: {blocks}\n{more}")


@pytest.mark.parametrize(
    ("edits", "expected"),
    [
        pytest.param(
            [in_tariff("rate_per_kwh: 0.20", 'rate_per_kwh: "0.20"')],
            "FOLDER/tariff.yaml:20: energy_charges[1].rate_per_kwh: found '0.20', expected a number, without"
            " quotes\n"
            "    price of one kWh in the tariff's currency\n"
            "1 problem, nothing was run",
            id="rate as text",
        ),
        pytest.param(
            [in_tariff("rate_per_kwh: 0.20", "rate_per_kwh: 20 ct")],
            "FOLDER/tariff.yaml:20: energy_charges[1].rate_per_kwh: found '20 ct', expected a number\n"
            "    price of one kWh in the tariff's currency\n"
            "1 problem, nothing was run",
            id="rate with its unit",
        ),
        pytest.param(
            [in_tariff("rate_per_kw: 9.5", "rate_per_kw: -9.5")],
            "FOLDER/tariff.yaml:23: demand_charges[0].rate_per_kw: found -9.5, expected a number >= 0\n"
            "    price of one kW and period\n"
            "1 problem, nothing was run",
            id="negative demand rate",
        ),
        pytest.param(
            [in_tariff("amount_per_month: 12", "amount_per_month: -12")],
            "FOLDER/tariff.yaml:27: fixed_charges[0].amount_per_month: found -12, expected a number >= 0\n"
            "    set allow_negative: true if a rate below zero is meant\n"
            "1 problem, nothing was run",
            id="negative fixed amount",
        ),
        pytest.param(
            [tiers("[{upto_kwh: 100, rate_per_kwh: 0.2}, {rate_per_kwh: -0.1}]")],
            "FOLDER/tariff.yaml:20: energy_charges[1].tiers[1].rate_per_kwh: found -0.1, expected a number >= 0\n"
            "    set allow_negative: true if a rate below zero is meant\n"
            "1 problem, nothing was run",
            id="negative price of a block",
        ),
        pytest.param(
            [in_tariff("rate_per_kw: 9.5", "rate_per_kw_month: 9.5")],
            "FOLDER/tariff.yaml:23: demand_charges[0].rate_per_kw_month: unknown key\n"
            "    did you mean 'rate_per_kw'?\n"
            "1 problem, nothing was run",
            id="span in the key of a rate",
        ),
        pytest.param(
            [in_tariff(PEAK, PEAK + "    ratchet: {share: 0.8}\n")],
            "FOLDER/tariff.yaml:25: demand_charges[0].ratchet.share_frac: required, but missing\n"
            "    share of the highest earlier peak as measured, 0 to 1\n"
            "FOLDER/tariff.yaml:25: demand_charges[0].ratchet.share: unknown key\n"
            "    did you mean 'share_frac'?\n"
            "2 problems, nothing was run",
            id="share without its unit",
        ),
        pytest.param(
            [in_tariff(PEAK, PEAK + "    ratchet: {share_frac: 80}\n")],
            "FOLDER/tariff.yaml:25: demand_charges[0].ratchet.share_frac: found 80, expected a number <= 1\n"
            "    shares are written from 0 to 1: 80 % is 0.8\n"
            "1 problem, nothing was run",
            id="per cent for a ratchet",
        ),
        pytest.param(
            [block("surcharges:\n  - {name: Tax, share_frac: 19, on: [all]}")],
            "FOLDER/tariff.yaml:31: surcharges[0].share_frac: found 19, expected a number <= 1\n"
            "    shares are written from 0 to 1: 19 % is 0.19\n"
            "1 problem, nothing was run",
            id="per cent for a surcharge",
        ),
        pytest.param(
            [block("surcharges:\n  - {name: Tax, share_frac: 19%, on: [all]}")],
            "FOLDER/tariff.yaml:31: surcharges[0].share_frac: found '19%', expected a number\n"
            "    shares are written from 0 to 1: 19 % is 0.19\n"
            "1 problem, nothing was run",
            id="per cent with its sign",
        ),
        pytest.param(
            [in_tariff(PEAK, PEAK + "    power_factor_target_frac: 95\n")],
            "FOLDER/tariff.yaml:25: demand_charges[0].power_factor_target_frac: found 95, expected a number <= 1\n"
            "    shares are written from 0 to 1: 95 % is 0.95\n"
            "1 problem, nothing was run",
            id="per cent for a power factor",
        ),
        pytest.param(
            [in_tariff("rate_per_kw: 9.5", "rate_per_kw: 9.5\n    rate_per_kva: 9")],
            "FOLDER/tariff.yaml:22: demand_charges[0]: found a block of keys, expected rate_per_kw or"
            " rate_per_kva\n"
            "    the rate says what is measured\n"
            "1 problem, nothing was run",
            id="rate per kW and per kVA",
        ),
        pytest.param(
            [in_tariff("    rate_per_kw: 9.5\n", "    rate_per_kva: 9.5\n    power_factor_target_frac: 0.9\n")],
            "FOLDER/tariff.yaml:24: demand_charges[0].power_factor_target_frac: found 0.9, expected rate_per_kw"
            " beside it\n"
            "    kVA already count the power factor\n"
            "1 problem, nothing was run",
            id="power factor beside kVA",
        ),
        pytest.param(
            [in_tariff(PEAK, PEAK + "    period: day\n    ratchet: {share_frac: 0.8}\n")],
            "FOLDER/tariff.yaml:26: demand_charges[0].ratchet: found a block of keys, expected a period of a month"
            " or longer\n"
            "    a ratchet looks back over whole periods\n"
            "1 problem, nothing was run",
            id="ratchet on daily peaks",
        ),
        pytest.param(
            [in_tariff(PRICE, "    rate_per_kwh: 0.20\n    price_series: {file: p.csv, column: p, unit: per_kwh}\n")],
            "FOLDER/tariff.yaml:19: energy_charges[1]: found a block of keys, expected one of rate_per_kwh,"
            " price_series or tiers\n"
            "    a charge has one price\n"
            "1 problem, nothing was run",
            id="rate and price series",
        ),
        pytest.param(
            [in_tariff(PRICE, "    component: Energy\n")],
            "FOLDER/tariff.yaml:19: energy_charges[1]: found a block of keys, expected one of rate_per_kwh,"
            " price_series or tiers\n"
            "    say what a kWh costs\n"
            "1 problem, nothing was run",
            id="charge without a price",
        ),
        pytest.param(
            [in_tariff(PRICE, "    price_series: {file: p.csv, column: p, unit: EUR/MWh}\n")],
            "FOLDER/tariff.yaml:20: energy_charges[1].price_series.unit: found 'EUR/MWh', expected per_kwh or"
            " per_mwh\n"
            "    per_kwh or per_mwh, in the tariff's currency\n"
            "1 problem, nothing was run",
            id="unit of a price series",
        ),
        pytest.param(
            [
                in_tariff(
                    PRICE,
                    "    price_series: {file: p.csv, column: p, unit: per_kwh, floor_per_kwh: 0.3, cap_per_kwh: 0.2}\n",
                )
            ],
            "FOLDER/tariff.yaml:20: energy_charges[1].price_series.floor_per_kwh: found 0.3, expected a floor below"
            " the cap\n"
            "    swap the two\n"
            "1 problem, nothing was run",
            id="floor above the cap",
        ),
        pytest.param(
            [tiers("[{upto_kwh: 100, rate_per_kwh: 0.2}, {upto_kwh: 200, rate_per_kwh: 0.1}]")],
            "FOLDER/tariff.yaml:20: energy_charges[1].tiers: found a list of 2, expected two or more blocks, the"
            " last without an upper end\n"
            "    the last block takes what is left\n"
            "1 problem, nothing was run",
            id="last block with an end",
        ),
        pytest.param(
            [tiers("[{rate_per_kwh: 0.2}]")],
            "FOLDER/tariff.yaml:20: energy_charges[1].tiers: found a list of 1, expected two or more blocks, the"
            " last without an upper end\n"
            "    the last block takes what is left\n"
            "1 problem, nothing was run",
            id="one block",
        ),
        pytest.param(
            [tiers("[{upto_kwh: 200, rate_per_kwh: 0.2}, {upto_kwh: 100, rate_per_kwh: 0.1}, {rate_per_kwh: 0.1}]")],
            "FOLDER/tariff.yaml:20: energy_charges[1].tiers: found a list of 3, expected upper ends that rise\n"
            "    each block begins where the one before ends\n"
            "1 problem, nothing was run",
            id="falling blocks",
        ),
        pytest.param(
            [tiers("[{upto_kwh: 200, rate_per_kwh: 0.2}, {upto_hours: 300, rate_per_kwh: 0.1}, {rate_per_kwh: 0.1}]")],
            "FOLDER/tariff.yaml:20: energy_charges[1].tiers: found a list of 3, expected upto_kwh in all blocks but"
            " the last, or upto_hours in all\n"
            "    one charge, one kind of block\n"
            "1 problem, nothing was run",
            id="mixed blocks",
        ),
        pytest.param(
            [tiers("[{upto_hours: 200, rate_per_kwh: 0.2}, {rate_per_kwh: 0.1}]")],
            "FOLDER/tariff.yaml:19: energy_charges[1].hours_of: found nothing, expected hours_of together with"
            " upto_hours\n"
            "    name the demand charge, or count by kWh\n"
            "1 problem, nothing was run",
            id="hours of use of nothing",
        ),
        pytest.param(
            [tiers("[{upto_hours: 200, rate_per_kwh: 0.2}, {rate_per_kwh: 0.1}]", "    hours_of: Peek\n")],
            "FOLDER/tariff.yaml:21: energy_charges[1].hours_of: found 'Peek', expected the name of a demand"
            " charge\n"
            "    in this file: Peak\n"
            "1 problem, nothing was run",
            id="hours of use of an unknown charge",
        ),
        pytest.param(
            [
                tiers(
                    "[{upto_hours: 200, rate_per_kwh: 0.2}, {rate_per_kwh: 0.1}]",
                    "    hours_of: Peak\n    tier_period: year\n",
                )
            ],
            "FOLDER/tariff.yaml:21: energy_charges[1].hours_of: found 'Peak', expected a demand charge whose period"
            " is the year, as that of the blocks\n"
            "    set tier_period, or name another demand charge\n"
            "1 problem, nothing was run",
            id="hours of use over another period",
        ),
        pytest.param(
            [block("capacity_charges:\n  - {name: Level, rate_per_kw: 3, averaging_min: 60, excess_rate: 9}")],
            "FOLDER/tariff.yaml:31: capacity_charges[0]: found a block of keys, expected contracted_demand, or"
            " choose: true\n"
            "    say what is contracted, or let it be chosen\n"
            "1 problem, nothing was run",
            id="capacity without a level",
        ),
        pytest.param(
            [
                in_tariff("seasons:\n  winter: {first_day: 11-01, last_day: 03-31}\n", ""),
                in_tariff("seasons: [winter]\n        ", ""),
                in_tariff(PEAK, PEAK + "    period: season\n"),
            ],
            "FOLDER/tariff.yaml:22: demand_charges[0].period: found 'season', expected seasons in this file\n"
            "    a seasonal peak needs them\n"
            "1 problem, nothing was run",
            id="seasonal peak without seasons",
        ),
        pytest.param(
            [block("event_payments:\n  - {name: C, rate_per_kwh: 1, events: [{start: 2025-07-01, duration_min: 9}]}")],
            "FOLDER/tariff.yaml:31: event_payments[0].events[0].start: found 2025-07-01, expected text (put it in"
            " quotes)\n"
            "    local start, year-month-day hour:minute\n"
            "1 problem, nothing was run",
            id="event as a date",
        ),
        pytest.param(
            [block('coincident_charges:\n  - {name: System, rate_per_kw: 5, times: ["2025-07-01 17h"]}')],
            "FOLDER/tariff.yaml:31: coincident_charges[0].times[0]: found '2025-07-01 17h', expected a local time,"
            " year-month-day hour:minute\n"
            "    local start of each interval, year-month-day hour:minute\n"
            "1 problem, nothing was run",
            id="system peak in another form",
        ),
        pytest.param(
            [block("reactive_charges:\n  - {name: kvarh, rate_per_kvarh: 0.01}")],
            "FOLDER/tariff.yaml:31: reactive_charges[0]: found a block of keys, expected rate_per_kvarh with"
            " free_share_of_kwh, or rate_per_kvar with free_share_of_kw\n"
            "    a free share of 0 charges all of it\n"
            "1 problem, nothing was run",
            id="reactive rate without a free share",
        ),
        pytest.param(
            [in_tariff("amount_per_month: 12", "amount_per_month: 12\n    amount_per_day: 1")],
            "FOLDER/tariff.yaml:26: fixed_charges[0]: found a block of keys, expected one of amount_per_day,"
            " amount_per_month, amount_per_year\n"
            "    one charge, one amount\n"
            "1 problem, nothing was run",
            id="amount per day and per month",
        ),
        pytest.param(
            [block("minimum_bill: {amount_per_month: 100, on: [Peek]}")],
            "FOLDER/tariff.yaml:30: minimum_bill.on[0]: found 'Peek', expected a line or a group written before"
            " it\n"
            "    groups: energy, demand, capacity, coincident, events, reactive, export, fixed, minimum, surcharge,"
            " or all\n"
            "1 problem, nothing was run",
            id="minimum bill on an unknown line",
        ),
        pytest.param(
            [block("minimum_bill: {amount_per_month: 10, on: [Minimum bill]}")],
            "FOLDER/tariff.yaml:30: minimum_bill.on[0]: found 'Minimum bill', expected a line or a group written before"
            " it\n"
            "    groups: energy, demand, capacity, coincident, events, reactive, export, fixed, minimum, surcharge,"
            " or all\n"
            "1 problem, nothing was run",
            id="minimum bill on itself",
        ),
        pytest.param(
            [in_tariff("rate_per_kwh: 0.20", "rate_per_kwh: 1.0e+308")],
            "FOLDER/tariff.yaml:20: energy_charges[1].rate_per_kwh: found 1e+308, expected at most 1,000,000,000\n"
            "    write prices in the tariff's currency\n"
            "1 problem, nothing was run",
            id="huge rate",
        ),
        pytest.param(
            [block("surcharges:\n  - {name: A, share_frac: 0.1, on: [B]}\n  - {name: B, share_frac: 0.1, on: [all]}")],
            "FOLDER/tariff.yaml:31: surcharges[0].on[0]: found 'B', expected a line or a group written before it\n"
            "    groups: energy, demand, capacity, coincident, events, reactive, export, fixed, minimum, surcharge,"
            " or all\n"
            "1 problem, nothing was run",
            id="surcharge on a later one",
        ),
        pytest.param(
            [in_tariff("name: Meter", "name: fixed")],
            "FOLDER/tariff.yaml:26: fixed_charges[0].name: found 'fixed', expected a name that no other charge"
            " has\n"
            "    each line of the bill needs its own name; these are groups: energy, demand, capacity, coincident,"
            " events, reactive, export, fixed, minimum, surcharge\n"
            "1 problem, nothing was run",
            id="line named as a group",
        ),
        pytest.param(
            [in_tariff(EXPORT, EXPORT + "\n  net_metering: {}")],
            "FOLDER/tariff.yaml:28: export: found a block of keys, expected at most one of rate_per_kwh,"
            " price_series, charges, net_metering\n"
            "    export is paid in one way\n"
            "1 problem, nothing was run",
            id="two ways to pay export",
        ),
        pytest.param(
            [
                in_tariff(PRICE, "    price_series: {file: p.csv, column: p, unit: per_kwh}\n"),
                in_tariff(EXPORT, "export:\n  net_metering: {}"),
            ],
            "FOLDER/tariff.yaml:19: energy_charges[1]: found a block of keys, expected a rate or blocks\n"
            "    kWh of different prices cannot be set off against each other\n"
            "1 problem, nothing was run",
            id="net metering of a price series",
        ),
        pytest.param(
            [in_tariff(EXPORT, "export:\n  net_metering: {settlement_rate_per_kwh: 0.25}")],
            "FOLDER/tariff.yaml:29: export.net_metering.settlement_rate_per_kwh: found 0.25, expected at most 0.2,"
            " the lowest rate of 'Other hours'\n"
            "    credit that earns more than energy costs would be bought in order to be sold\n"
            "1 problem, nothing was run",
            id="settlement above the energy price",
        ),
        pytest.param(
            [in_tariff("  country: DE\n  subdivision: BY\n", "  only: [Neujahr]\n")],
            "FOLDER/tariff.yaml:10: holidays.only: found a list of 1, expected a country beside the names\n"
            "    names are those of one country's holidays\n"
            "1 problem, nothing was run",
            id="names of holidays without a country",
        ),
        pytest.param(
            [block("billing: {reading_day: 5, reading_dates: [2025-01-01, 2026-01-01]}")],
            "FOLDER/tariff.yaml:30: billing.reading_dates: found a list of 2, expected reading_day or"
            " reading_dates, not both\n"
            "    leave one of them out\n"
            "1 problem, nothing was run",
            id="reading day and dates",
        ),
        pytest.param(
            [block("billing: {reading_dates: [2025-02-01, 2025-01-01]}")],
            "FOLDER/tariff.yaml:30: billing.reading_dates: found a list of 2, expected dates in order, each once\n"
            "    sort them\n"
            "1 problem, nothing was run",
            id="reading dates out of order",
        ),
        pytest.param(
            [in_tariff("  subdivision: BY\n", "  subdivision: BY\n  every_year: [02-30]\n")],
            "FOLDER/tariff.yaml:12: holidays.every_year: found a list of 1, expected a day that exists, as"
            " month-day\n"
            "    February has at most 29 days, four months have 30\n"
            "1 problem, nothing was run",
            id="yearly holiday that no year has",
        ),
        pytest.param(
            [block("billing: {reading_day: 32}")],
            "FOLDER/tariff.yaml:30: billing.reading_day: found 32, expected a number <= 31\n"
            "    day of the month on which each billing period begins, or the last day of a shorter month\n"
            "1 problem, nothing was run",
            id="reading day beyond the month",
        ),
        pytest.param(
            [in_scenario("tariff: tariff.yaml", "tariff: []")],
            "FOLDER/scenario.yaml:10: tariff: found a list of 0, expected at least one entry\n"
            "    the tariff in force: a file, relative to this YAML file; a list of files, each valid from its"
            " valid_from to the next; or the tariff's own keys written here\n"
            "1 problem, nothing was run",
            id="empty list of sheets",
        ),
        pytest.param(
            [block("surcharges:\n  - {name: A, share_frac: 0.1, on: []}")],
            "FOLDER/tariff.yaml:31: surcharges[0].on: found a list of 0, expected at least one entry\n"
            "    lines or groups, surcharges written earlier by their name, or all written before it\n"
            "1 problem, nothing was run",
            id="surcharge on nothing",
        ),
        pytest.param(
            [in_tariff("amount_per_month: 12", "amount_per_month: 12\n    when: [{times: [08:00-12:00]}]")],
            "FOLDER/tariff.yaml:28: fixed_charges[0].when: unknown key\n"
            "    known keys here: name, amount_per_day, amount_per_month, amount_per_year, meters\n"
            "1 problem, nothing was run",
            id="times on a fixed charge",
        ),
    ],
)
def test_a_wrong_clause_is_shown_with_its_place(tmp_path, edits, expected):
    with pytest.raises(ScenarioError) as caught:
        load_scenario(write_site(tmp_path, *edits))
    assert message(caught.value, tmp_path) == expected


def test_a_misspelt_holiday_is_shown_with_the_names_in_the_language_of_the_country(tmp_path):
    misspelt = in_tariff("  subdivision: BY\n", "  subdivision: BY\n  only: [Neujahrstag]\n")
    with pytest.raises(ScenarioError) as caught:
        load_scenario(write_site(tmp_path, misspelt))
    text = message(caught.value, tmp_path)
    assert "tariff.yaml:12: holidays.only[0]: found 'Neujahrstag', expected the name of a holiday there\n" in text
    assert {"Neujahr", "Karfreitag"} < set(text.splitlines()[1].removeprefix("    known ones: ").split(", "))


@pytest.mark.parametrize(
    "edits",
    [
        pytest.param([in_tariff("rate_per_kwh: 0.20", "rate_per_kwh: -0.20")], id="energy"),
        pytest.param([tiers("[{upto_kwh: 100, rate_per_kwh: 0.2}, {rate_per_kwh: -0.1}]")], id="block"),
        pytest.param([in_tariff("amount_per_month: 12", "amount_per_month: -12")], id="fixed amount"),
        pytest.param([in_tariff("rate_per_kwh: 0.06", "rate_per_kwh: -0.06")], id="export"),
    ],
)
def test_a_negative_rate_that_is_meant_is_taken(tmp_path, edits):
    meant = in_tariff("currency: EUR\n", "currency: EUR\nallow_negative: true\n")
    assert load_scenario(write_site(tmp_path, meant, *edits)).contract[0].file.allow_negative


def test_sheets_that_do_not_follow_each_other_are_refused(tmp_path):
    scenario = write_site(tmp_path, in_scenario("tariff: tariff.yaml", "tariff: [tariff.yaml, later.yaml]"))
    (tmp_path / "later.yaml").write_text((tmp_path / "tariff.yaml").read_text(encoding="utf-8"), encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        load_scenario(scenario)
    assert message(caught.value, tmp_path) == (
        "FOLDER/later.yaml:4: valid_from: found 2025-01-01, expected a day after 2025-01-01, from which the sheet"
        " before it is valid\n    list the sheets in the order of their dates\n1 problem, nothing was run"
    )
