"""Tariffs that are well formed but cannot be laid on the data: file, line, key, the first step, the remedy."""

import pytest

from billing import steps
from crestfall.errors import KeyedError
from crestfall.scenario import load_scenario
from crestfall.tariff import rates_on
from site_files import in_scenario, in_tariff, message, write_site

REMAINDER = "  - name: Other hours\n    rate_per_kwh: 0.20\n"
WINTER_WORKING = "      - seasons: [winter]\n        day_types: [working]\n"


EXPORT = "export:\n  rate_per_kwh: 0.06"
PEAK = "    averaging_min: 60\n"
PRICE = "    rate_per_kwh: 0.20\n"
SERIES = "    price_series: {file: prices.csv, column: price, unit: per_mwh}\n"
LEVY = "  - name: Levy\n    component: Levy\n    rate_per_kwh: 0.02\n    when:\n      - times: [06:00-24:00]\n"
LEVEL = "  - name: Level\n    rate_per_kw: 1\n    excess_rate: 2\n    choose: true\n    averaging_min: 60\n"


def block(text):
    """Return the edit that adds a block of keys at the end."""
    return in_tariff(EXPORT, f"{EXPORT}\n{text}")


def event(start, duration_min):
    """Return the edit that adds a payment for one event."""
    events = f'[{{start: "{start}", duration_min: {duration_min}}}]'
    return block(f"event_payments:\n  - {{name: Calls, rate_per_kwh: 5, events: {events}}}")


def system_peak(time, duration_min=60):
    """Return the edit that adds a charge on the import at one time."""
    keys = f'rate_per_kw: 5, times: ["{time}"], duration_min: {duration_min}'
    return block(f"coincident_charges:\n  - {{name: System, {keys}}}")


def prices(first, last):
    """Return the text of a file of hourly prices."""
    return "time,price\n" + "".join(f"{stamp.isoformat()},80\n" for stamp in steps(first, last))


def refused(scenario, folder, step_min):
    """Return the message with which the tariff of a scenario is refused on a year of steps."""
    start = steps(step_min=step_min)
    with pytest.raises(KeyedError) as caught:
        rates_on(scenario.contract, start, step_h=step_min / 60)
    return message(scenario.located(caught.value), folder)


def refusal(folder, edits, step_min, **contents):
    return refused(load_scenario(write_site(folder, *edits, **contents)), folder, step_min)


def charge(name, times):
    return f"  - name: {name}\n    rate_per_kwh: 0.1\n    when:\n      - times: [{times}]\n"


@pytest.mark.parametrize(
    ("edits", "step_min", "expected"),
    [
        pytest.param(
            [in_tariff(REMAINDER, charge("Night", "19:00-06:00") + REMAINDER)],
            60,
            "FOLDER/tariff.yaml:21: energy_charges[1].when: found 'Night' and 'Evening' both from Thu 2025-01-02 19:00,"
            " expected one price for each step\n    narrow one of the two (103 steps of the year overlap);"
            " prices that add up are different components",
            id="prices overlap",
        ),
        pytest.param(
            [in_tariff(REMAINDER, "")],
            60,
            "FOLDER/tariff.yaml:12: energy_charges: found no price from Wed 2025-01-01 00:00,"
            " expected one price for each step\n    cover it, or leave 'when' out of one charge, which then takes all"
            " other times (8,451 steps of the year have none)",
            id="prices cover only some evenings",
        ),
        pytest.param(
            [
                in_tariff(WINTER_WORKING + "        times: [17:00-20:00]", "      - times: [00:00-23:00]"),
                in_tariff(REMAINDER, ""),
            ],
            60,
            "FOLDER/tariff.yaml:12: energy_charges: found no price from Wed 2025-01-01 23:00,"
            " expected one price for each step\n    cover it, or leave 'when' out of one charge, which then takes all"
            " other times (365 steps of the year have none)",
            id="prices leave the last hour",
        ),
        pytest.param(
            [in_tariff("17:00-20:00", "17:00-20:30")],
            60,
            "FOLDER/tariff.yaml:18: energy_charges[0].when[0].times[0]: found '17:00-20:30',"
            " expected times on the 60-minute steps of the data\n"
            "    use finer data, move the window to a whole step, or set split_steps: true to split it by time",
            id="window ends inside a step",
        ),
        pytest.param(
            [in_tariff("averaging_min: 60", "averaging_min: 60\n    when:\n      - times: [08:10-18:00]")],
            60,
            "FOLDER/tariff.yaml:26: demand_charges[0].when[0].times[0]: found '08:10-18:00',"
            " expected times on the 60-minute steps of the data\n"
            "    use finer data, move the window to a whole step, or set split_steps: true to split it by time",
            id="demand window begins inside a step",
        ),
        pytest.param(
            [in_tariff("17:00-20:00", "17:00-17:00")],
            60,
            "FOLDER/tariff.yaml:18: energy_charges[0].when[0].times[0]: found '17:00-17:00',"
            " expected two different times\n    write a whole day as 00:00-24:00",
            id="window without length",
        ),
        pytest.param(
            [in_tariff("averaging_min: 60", "averaging_min: 15")],
            60,
            "FOLDER/tariff.yaml:24: demand_charges[0].averaging_min: found 15, expected a multiple of 60, the step of"
            " the data\n    use finer data: a mean over longer steps understates a peak",
            id="averaging finer than the data",
        ),
        pytest.param(
            [in_tariff("averaging_min: 60", "averaging_min: 20")],
            15,
            "FOLDER/tariff.yaml:24: demand_charges[0].averaging_min: found 20, expected a multiple of 15, the step"
            " of the data\n"
            "    use finer data: a mean over longer steps understates a peak",
            id="averaging that is no multiple of the step",
        ),
        pytest.param(
            [in_tariff(PEAK, PEAK + "    ratchet: {share_frac: 0.8, preceding_periods: 13}\n")],
            60,
            "FOLDER/tariff.yaml:25: demand_charges[0].ratchet.preceding_periods: found 13 preceding periods, 12"
            " periods in the data, expected as many peaks before the data as the first period looks back, 13\n"
            "    give the measured peaks in history, oldest first",
            id="ratchet beyond the year without a history",
        ),
        pytest.param(
            [in_tariff(PEAK, PEAK + "    ratchet:\n      share_frac: 0.8\n      history: [310, 290]\n")],
            60,
            "FOLDER/tariff.yaml:27: demand_charges[0].ratchet.history: found 11 preceding periods, 2 peaks,"
            " expected as many peaks before the data as the first period looks back, 11\n"
            "    give the measured peaks in history, oldest first",
            id="history shorter than the ratchet",
        ),
        pytest.param(
            [in_tariff(PRICE, SERIES)],
            60,
            "FOLDER/tariff.yaml:20: energy_charges[1].price_series.file: found FOLDER/prices.csv: cannot be read:"
            " No such file or directory, expected prices for each step\n"
            "    check name and permissions",
            id="price series without its file",
        ),
        pytest.param(
            [block("billing: {reading_dates: [2025-01-01, 2025-07-01]}")],
            60,
            "FOLDER/tariff.yaml:30: billing.reading_dates: found 2025-01-01 to 2025-07-01, expected dates from"
            " 2025-01-01 or before to a day after 2025-12-31\n"
            "    each period needs its first day, the last one also the first day after it",
            id="reading dates of half a year",
        ),
        pytest.param(
            [system_peak("2024-07-01 17:00")],
            60,
            "FOLDER/tariff.yaml:31: coincident_charges[0].times: found 1 times from 2024-07-01 17:00, expected"
            " times from Wed 2025-01-01 00:00 to Wed 2025-12-31 23:00\n"
            "    give the times of the year of the data",
            id="system peaks of another year",
        ),
        pytest.param(
            [system_peak("2025-07-01 17:20")],
            60,
            "FOLDER/tariff.yaml:31: coincident_charges[0].times[0]: found '2025-07-01 17:20', expected the start of"
            " a step of 60 minutes\n"
            "    use finer data or a whole step",
            id="system peak inside a step",
        ),
        pytest.param(
            [system_peak("2025-07-01 17:00", 30)],
            60,
            "FOLDER/tariff.yaml:31: coincident_charges[0].times[0]: found 2025-07-01 17:00 for 30 minutes, expected"
            " whole steps of 60 minutes\n"
            "    use finer data",
            id="system peak shorter than a step",
        ),
        pytest.param(
            [event("2026-07-01 17:00", 60)],
            60,
            "FOLDER/tariff.yaml:31: event_payments[0].events: found 1 events from 2026-07-01 17:00, expected times"
            " from Wed 2025-01-01 00:00 to Wed 2025-12-31 23:00\n"
            "    give the times of the year of the data",
            id="events of another year",
        ),
        pytest.param(
            [event("2025-07-01 17:00", 90)],
            60,
            "FOLDER/tariff.yaml:31: event_payments[0].events[0]: found 2025-07-01 17:00 for 90 minutes, expected"
            " whole steps of 60 minutes\n"
            "    use finer data",
            id="event of a step and a half",
        ),
        pytest.param(
            [event("2025-01-01 17:00", 60)],
            60,
            "FOLDER/tariff.yaml:31: event_payments[0].events[0]: found Wed 2025-01-01 17:00, expected an event with"
            " at least one earlier day of the same kind in the data\n"
            "    leave the event out, or begin the data earlier",
            id="event without an earlier day",
        ),
        pytest.param(
            [
                in_tariff(
                    EXPORT,
                    "export:\n  charges:\n    - {name: Noon, rate_per_kwh: 0.03, when: [{times: [10:00-14:00]}]}",
                )
            ],
            60,
            "FOLDER/tariff.yaml:29: export.charges: found no price from Wed 2025-01-01 00:00, expected one price"
            " for each step\n"
            "    cover it, or leave 'when' out of one charge, which then takes all other times (7,300 steps of the"
            " year have none)",
            id="export price at noon only",
        ),
        pytest.param(
            [
                in_tariff(
                    PRICE,
                    PRICE + LEVY,
                )
            ],
            60,
            "FOLDER/tariff.yaml:12: energy_charges: found no price from Wed 2025-01-01 00:00, expected one price"
            " for each step\n"
            "    cover it, or leave 'when' out of one charge, which then takes all other times (2,190 steps of the"
            " year have none)",
            id="component with a hole at night",
        ),
        pytest.param(
            [block(f"capacity_charges:\n{LEVEL}    when:\n      - times: [08:30-10:00]")],
            60,
            "FOLDER/tariff.yaml:37: capacity_charges[0].when[0].times[0]: found '08:30-10:00', expected times on"
            " the 60-minute steps of the data\n"
            "    use finer data, move the window to a whole step, or set split_steps: true to split it by time",
            id="capacity window begins inside a step",
        ),
    ],
)
def test_a_tariff_that_does_not_fit_the_data_is_refused(tmp_path, edits, step_min, expected):
    assert refusal(tmp_path, edits, step_min) == f"{expected}\n1 problem, nothing was run"


@pytest.mark.parametrize(
    ("contents", "expected"),
    [
        pytest.param(
            {"prices": prices("2025-01-01 05:00", "2026-01-01")},
            "FOLDER/tariff.yaml:20: energy_charges[1].price_series.file: found prices from 2025-01-01 05:00 to"
            " 2026-01-01 00:00, expected prices from 2025-01-01 00:00 to 2026-01-01 00:00\n"
            "    the first missing price is that of 2025-01-01 00:00 CET",
            id="price series that begins late",
        ),
        pytest.param(
            {"prices": prices("2025-01-01", "2025-12-31 20:00")},
            "FOLDER/tariff.yaml:20: energy_charges[1].price_series.file: found prices from 2025-01-01 00:00 to"
            " 2025-12-31 20:00, expected prices from 2025-01-01 00:00 to 2026-01-01 00:00\n"
            "    the first missing price is that of 2025-12-31 20:00 CET",
            id="price series that ends early",
        ),
        pytest.param(
            {"prices": prices("2025-01-01", "2026-01-01").replace("price", "prise", 1)},
            "FOLDER/tariff.yaml:20: energy_charges[1].price_series.file: found FOLDER/prices.csv: there is no"
            " column 'price', expected prices for each step\n"
            "    did you mean 'prise'? set column to one of: time, prise",
            id="price series without its column",
        ),
        pytest.param(
            {"prices": prices("2025-01-01", "2026-01-01").replace("2025-03-05T07:00:00+01:00,80\n", "")},
            "FOLDER/tariff.yaml:20: energy_charges[1].price_series.file: found FOLDER/prices.csv: 1 gap with 1"
            " missing step, the first from 2025-03-05 07:00 CET (1 step), expected prices for each step\n"
            "    fill them in the file with the true values; nothing is filled in silence",
            id="price series with a gap",
        ),
    ],
)
def test_a_price_series_that_does_not_fit_the_data_is_refused(tmp_path, contents, expected):
    edits = [in_tariff(PRICE, SERIES)]
    assert refusal(tmp_path, edits, 60, **contents) == f"{expected}\n1 problem, nothing was run"


def test_a_fault_of_a_later_sheet_is_shown_in_its_file(tmp_path):
    scenario = write_site(tmp_path, in_scenario("tariff: tariff.yaml", "tariff: [tariff.yaml, later.yaml]"))
    text = (tmp_path / "tariff.yaml").read_text(encoding="utf-8")
    later = text.replace("2025-01-01", "2025-07-01").replace("17:00-20:00", "17:00-17:00")
    (tmp_path / "later.yaml").write_text(later, encoding="utf-8")
    assert refused(load_scenario(scenario), tmp_path, 60).startswith(
        "FOLDER/later.yaml:18: energy_charges[0].when[0].times[0]: found '17:00-17:00', expected two different times"
    )
