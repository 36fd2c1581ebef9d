"""Tariffs that are well formed but cannot be laid on the data: file, line, key, the first step, the remedy."""

import pandas as pd
import pytest

from crestfall.errors import KeyedError
from crestfall.scenario import load_scenario
from crestfall.tariff import rates_on
from site_files import in_tariff, message, write_site

REMAINDER = "  - name: Other hours\n    rate_per_kwh: 0.20\n"
WINTER_WORKING = "      - seasons: [winter]\n        day_types: [working]\n"


def charge(name, times):
    return f"  - name: {name}\n    rate_per_kwh: 0.1\n    when:\n      - times: [{times}]\n"


@pytest.mark.parametrize(
    ("edits", "step_min", "expected"),
    [
        pytest.param(
            [in_tariff(REMAINDER, charge("Night", "19:00-06:00") + REMAINDER)],
            60,
            "FOLDER/tariff.yaml:21: energy_charges[1].when: found 'Night' and 'Evening' both from Thu 2025-01-02 19:00,"
            " expected one price for each step\n    narrow one of the two (103 steps of the year overlap)",
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
            "    a step can have only one price; use finer data or move the window to a whole step",
            id="window ends inside a step",
        ),
        pytest.param(
            [in_tariff("averaging_min: 60", "averaging_min: 60\n    when:\n      - times: [08:10-18:00]")],
            60,
            "FOLDER/tariff.yaml:26: demand_charges[0].when[0].times[0]: found '08:10-18:00',"
            " expected times on the 60-minute steps of the data\n"
            "    a step can have only one price; use finer data or move the window to a whole step",
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
            "FOLDER/tariff.yaml:24: demand_charges[0].averaging_min: found 15, expected 60, the step of the data\n"
            "    bring the data to the tariff's interval: coarser data understate a peak, finer overstate it",
            id="averaging finer than the data",
        ),
        pytest.param(
            [],
            15,
            "FOLDER/tariff.yaml:24: demand_charges[0].averaging_min: found 60, expected 15, the step of the data\n"
            "    bring the data to the tariff's interval: coarser data understate a peak, finer overstate it",
            id="averaging coarser than the data",
        ),
    ],
)
def test_a_tariff_that_does_not_fit_the_data_is_refused(tmp_path, edits, step_min, expected):
    scenario = load_scenario(write_site(tmp_path, *edits))
    start = pd.date_range("2025-01-01", "2026-01-01", freq=f"{step_min}min", tz="Europe/Berlin", inclusive="left")
    with pytest.raises(KeyedError) as caught:
        rates_on(scenario.tariff, start, step_h=step_min / 60)
    assert message(scenario.located(caught.value), tmp_path) == f"{expected}\n1 problem, nothing was run"
