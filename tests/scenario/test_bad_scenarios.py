"""Broken scenario, tariff and catalogue files: each message says file, line, key, value, expectation and remedy."""

import re

import pytest

from crestfall.errors import ScenarioError
from crestfall.scenario import load_scenario
from site_files import in_catalogue, in_scenario, in_tariff, message, write_site

BOMB = "a: &a [x, x]\nb: &b [*a, *a]\nc: [*b, *b]\n"
EXPORT = "export:\n  rate_per_kwh: 0.06"
REMAINDER = "  - name: Other hours\n    rate_per_kwh: 0.20"


def problem(text: str) -> str:
    return f"{text}\n1 problem, nothing was run"


def refusal(scenario) -> str:
    with pytest.raises(ScenarioError) as caught:
        load_scenario(scenario)
    return message(caught.value, scenario.parent)


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        pytest.param(
            "", "FOLDER/scenario.yaml: the file is empty\n    start from an example in scenarios/", id="empty file"
        ),
        pytest.param(
            "# nothing but a comment\n",
            "FOLDER/scenario.yaml: the file is empty\n    start from an example in scenarios/",
            id="only a comment",
        ),
        pytest.param(
            "name: Mühle".encode("latin-1"),
            "FOLDER/scenario.yaml: byte 7 is not UTF-8\n    save the file as UTF-8",
            id="not UTF-8",
        ),
        pytest.param(
            "time,load_kw\n" * 80_000,
            "FOLDER/scenario.yaml: the file has 1,040,000 bytes, expected at most 1,000,000\n"
            "    put series in a CSV file",
            id="a series in place of the scenario",
        ),
        pytest.param(
            "title: a\x00b",
            "FOLDER/scenario.yaml: not readable as YAML: unacceptable character #x0000: special characters are not"
            " allowed\n    correct the file",
            id="zero byte",
        ),
        pytest.param(
            "- site\n- tariff\n",
            "FOLDER/scenario.yaml:1: found a list of 2, expected a block of keys\n    write 'key: value' lines",
            id="list in place of keys",
        ),
        pytest.param(
            "hello\n",
            "FOLDER/scenario.yaml:1: found 'hello', expected a block of keys\n    write 'key: value' lines",
            id="text in place of keys",
        ),
        pytest.param(
            BOMB,
            "FOLDER/scenario.yaml:1: anchor or alias 'a' found\n    write the value out where it is needed",
            id="YAML bomb",
        ),
        pytest.param(
            "a: 1\nb:\n  <<: *other\n",
            "FOLDER/scenario.yaml:3: anchor or alias 'other' found\n    write the value out where it is needed",
            id="alias without anchor",
        ),
        pytest.param(
            "a: 1\nb: " + "[" * 5000,
            "FOLDER/scenario.yaml:2: blocks nested deeper than 20\n    no key needs that; check brackets",
            id="too deep",
        ),
        pytest.param(
            "site:\n\tname: Mill\n",
            "FOLDER/scenario.yaml:2: a tab where YAML allows only spaces\n    indent with spaces",
            id="tab as indent",
        ),
        pytest.param(
            "site: {name: Mill\ntariff: t.yaml\n",
            "FOLDER/scenario.yaml:2: not valid YAML: expected ',' or '}', but got ':'\n"
            "    look at this line and the one above it",
            id="bracket left open",
        ),
        pytest.param(
            "site: !!python/object:os.system x\n",
            "FOLDER/scenario.yaml:1: not valid YAML: could not determine a constructor for the tag"
            " 'tag:yaml.org,2002:python/object:os.system'\n    look at this line and the one above it",
            id="tag of a program object",
        ),
        pytest.param(
            "a: 1\n---\nb: 2\n",
            "FOLDER/scenario.yaml:2: not valid YAML: but found another document\n"
            "    look at this line and the one above it",
            id="two documents in one file",
        ),
        pytest.param(
            "site: {}\n2025: x\n",
            "FOLDER/scenario.yaml:2: found key '2025', expected text\n    put it in quotes, or rename it",
            id="number as key",
        ),
        pytest.param(
            "site: {}\n[a, b]: x\n",
            "FOLDER/scenario.yaml:2: found a list or block as key, expected text\n    put it in quotes, or rename it",
            id="list as key",
        ),
    ],
)
def test_a_file_that_is_no_block_of_keys_is_refused(tmp_path, content, expected):
    assert refusal(write_site(tmp_path, scenario=content)) == problem(expected)


def test_a_missing_scenario_is_named(tmp_path):
    assert refusal(tmp_path / "absent.yaml") == problem(
        "FOLDER/absent.yaml: there is no such file\n    check the name, or the folder you are in"
    )


def test_a_folder_in_place_of_a_scenario_is_named(tmp_path):
    folder = tmp_path / "site.yaml"
    folder.mkdir()
    assert refusal(folder) == problem(
        "FOLDER/site.yaml: this is a folder, expected a YAML file\n    name the file inside it"
    )


@pytest.mark.parametrize(
    ("edit", "expected"),
    [
        pytest.param(
            in_scenario("import_limit_kw", "import_limt_kw"),
            "FOLDER/scenario.yaml:9: site.import_limt_kw: unknown key\n    did you mean 'import_limit_kw'?",
            id="unknown key with one near",
        ),
        pytest.param(
            in_scenario("  racks: 2", "  racks: 2\n  wxyz: 5"),
            "FOLDER/scenario.yaml:14: option.wxyz: unknown key\n    known keys here: racks, modules",
            id="unknown key with none near",
        ),
        pytest.param(
            in_scenario("  name: Tidewell Joinery", "  name: Tidewell Joinery\n  name: Another"),
            "FOLDER/scenario.yaml:4: key 'name' stands twice in one block\n    keep one of them",
            id="duplicate key",
        ),
        pytest.param(
            in_scenario("crestfall_scenario: 1", "crestfall_scenario: 2"),
            "FOLDER/scenario.yaml:1: crestfall_scenario: found 2, expected 1\n"
            "    version of the file format; this Crestfall reads version 1",
            id="wrong format version",
        ),
        pytest.param(
            in_scenario("crestfall_scenario: 1", "crestfall_scenario: true"),
            "FOLDER/scenario.yaml:1: crestfall_scenario: found true, expected 1\n"
            "    version of the file format; this Crestfall reads version 1",
            id="true for the format version",
        ),
        pytest.param(
            in_scenario("crestfall_scenario: 1\n", ""),
            "FOLDER/scenario.yaml:1: crestfall_scenario: required, but missing\n"
            "    version of the file format; this Crestfall reads version 1",
            id="no format version",
        ),
        pytest.param(
            in_scenario("  name: Tidewell Joinery\n", ""),
            "FOLDER/scenario.yaml:2: site.name: required, but missing\n    name of the site, shown on the report",
            id="missing required key",
        ),
        pytest.param(
            in_scenario("Tidewell Joinery", '""'),
            "FOLDER/scenario.yaml:3: site.name: found '', expected some text\n"
            "    name of the site, shown on the report",
            id="empty name",
        ),
        pytest.param(
            in_scenario("Tidewell Joinery", "2025"),
            "FOLDER/scenario.yaml:3: site.name: found 2025, expected text (put it in quotes)\n"
            "    name of the site, shown on the report",
            id="number for a name",
        ),
        pytest.param(
            in_scenario("Tidewell Joinery", '"Tidewell\\nJoinery"'),
            "FOLDER/scenario.yaml:3: site.name: found 'Tidewell\\nJoinery', expected text on one line\n"
            "    name of the site, shown on the report",
            id="line break in a name",
        ),
        pytest.param(
            in_scenario("Tidewell Joinery", "x" * 81),
            f"FOLDER/scenario.yaml:3: site.name: found '{'x' * 57}...', expected a shorter text\n"
            "    name of the site, shown on the report",
            id="name of 81 letters",
        ),
        pytest.param(
            in_scenario("Europe/Berlin", "Europe/Berln"),
            "FOLDER/scenario.yaml:4: site.time_zone: found 'Europe/Berln', expected an IANA time zone\n"
            "    write it as region and city, for example Europe/Lisbon, or UTC",
            id="unknown time zone",
        ),
        pytest.param(
            in_scenario("    unit: kW", "    time_zone: CEST\n    unit: kW"),
            "FOLDER/scenario.yaml:8: site.load.time_zone: found 'CEST', expected an IANA time zone\n"
            "    write it as region and city, for example Europe/Lisbon, or UTC",
            id="abbreviation for a time zone",
        ),
        pytest.param(
            in_scenario("unit: kW", "unit: MW"),
            "FOLDER/scenario.yaml:8: site.load.unit: found 'MW', expected kW or kWh\n"
            "    kW (mean power over the step) or kWh (energy per step)",
            id="unknown unit",
        ),
        pytest.param(
            in_scenario("load.csv", "lode.csv"),
            "FOLDER/scenario.yaml:6: site.load.file: found 'lode.csv' (no such file), expected a CSV file\n"
            "    paths start at FOLDER",
            id="missing series file",
        ),
        pytest.param(
            in_scenario("load.csv", "."),
            "FOLDER/scenario.yaml:6: site.load.file: found '.' (a folder), expected a CSV file\n"
            "    paths start at FOLDER",
            id="folder for a series file",
        ),
        pytest.param(
            in_scenario("load.csv", "x" * 300),
            f"FOLDER/scenario.yaml:6: site.load.file: found '{'x' * 300}' (no such file), expected a CSV file\n"
            "    paths start at FOLDER",
            id="series file with an endless name",
        ),
        pytest.param(
            in_scenario("400", "-400"),
            "FOLDER/scenario.yaml:9: site.import_limit_kw: found -400, expected a number >= 0\n"
            "    most import at the point of connection; left out: no limit",
            id="negative limit",
        ),
        pytest.param(
            in_scenario("400", '"400"'),
            "FOLDER/scenario.yaml:9: site.import_limit_kw: found '400', expected a number, without quotes\n"
            "    most import at the point of connection; left out: no limit",
            id="quoted number",
        ),
        pytest.param(
            in_scenario("400", "400 kW"),
            "FOLDER/scenario.yaml:9: site.import_limit_kw: found '400 kW', expected a number\n"
            "    most import at the point of connection; left out: no limit",
            id="number with its unit",
        ),
        pytest.param(
            in_scenario("400", ".nan"),
            "FOLDER/scenario.yaml:9: site.import_limit_kw: found nan, expected a finite number\n"
            "    most import at the point of connection; left out: no limit",
            id="NaN",
        ),
        pytest.param(
            in_scenario("400", ".inf"),
            "FOLDER/scenario.yaml:9: site.import_limit_kw: found inf, expected a finite number\n"
            "    most import at the point of connection; left out: no limit",
            id="infinity",
        ),
        pytest.param(
            in_scenario("400", "1" + "0" * 400),
            f"FOLDER/scenario.yaml:9: site.import_limit_kw: found 1{'0' * 56}..., expected a number\n"
            "    most import at the point of connection; left out: no limit",
            id="number beyond all floats",
        ),
        pytest.param(
            in_scenario("400", "[400]"),
            "FOLDER/scenario.yaml:9: site.import_limit_kw: found a list of 1, expected a number\n"
            "    most import at the point of connection; left out: no limit",
            id="list for a number",
        ),
        pytest.param(
            in_scenario("1500", "true"),
            "FOLDER/scenario.yaml:17: money.installation_cost: found true, expected a number\n"
            "    design, works, connection and commissioning of this option, once",
            id="bool for a number",
        ),
        pytest.param(
            in_scenario("racks: 2", "racks: 2.5"),
            "FOLDER/scenario.yaml:13: option.racks: found 2.5, expected a whole number\n"
            "    number of racks, 0 for no battery",
            id="half a rack",
        ),
        pytest.param(
            in_scenario("racks: 2", "racks: -2"),
            "FOLDER/scenario.yaml:13: option.racks: found -2, expected a number >= 0\n"
            "    number of racks, 0 for no battery",
            id="negative racks",
        ),
        pytest.param(
            in_scenario("option:\n  racks: 2\n  modules: 1", "option: 2"),
            "FOLDER/scenario.yaml:12: option: found 2, expected a block of keys\n    the option to study",
            id="number for a block",
        ),
        pytest.param(
            in_scenario("currency: EUR", "currency: euro"),
            "FOLDER/scenario.yaml:16: money.currency: found 'euro', expected three capital letters\n"
            "    three-letter currency code; tariff and catalogue must use the same",
            id="currency as a word",
        ),
        pytest.param(
            in_scenario("money:", "rules:\n  reserve_frac: 50\nmoney:"),
            "FOLDER/scenario.yaml:16: rules.reserve_frac: found 50, expected a number <= 1\n"
            "    shares are written from 0 to 1: 50 % is 0.5",
            id="per cent for a share",
        ),
        pytest.param(
            in_scenario("policy: hindsight", "policy: magic"),
            "FOLDER/scenario.yaml:18: policy: found 'magic', expected rolling, rules or hindsight\n"
            "    which policy makes the headline: rolling (plans on forecasts again and again), rules (knows the tariff"
            " and the past) or hindsight (knows the whole year: a ceiling)",
            id="unknown policy",
        ),
        pytest.param(
            in_scenario("policy: hindsight", "rolling: {load_forecast: yesterday}"),
            "FOLDER/scenario.yaml:18: rolling.load_forecast: found 'yesterday', expected last_week, similar_days or"
            " regression\n    last_week (the same time a week ago), similar_days (their mean, the latest with the most"
            " weight), regression (on time, kind of day and temperature), a file, or what happens with an error_frac",
            id="forecast of PV for the load",
        ),
        pytest.param(
            in_scenario("policy: hindsight", "rolling: {load_forecast: {error_frac: 20}}"),
            "FOLDER/scenario.yaml:18: rolling.load_forecast.error_frac: found 20, expected a number <= 1\n"
            "    shares are written from 0 to 1: 20 % is 0.2",
            id="per cent for the size of an error",
        ),
        pytest.param(
            in_scenario("policy: hindsight", "rolling: {pv_forecast: {error_frac: 0.2, sed: 2}}"),
            "FOLDER/scenario.yaml:18: rolling.pv_forecast.sed: unknown key\n    did you mean 'seed'?",
            id="unknown key of a forecast",
        ),
        pytest.param(
            in_scenario("policy: hindsight", "rolling: {pv_forecast: {file: sun.csv, column: kw, unit: kW}}"),
            "FOLDER/scenario.yaml:18: rolling.pv_forecast.file: found 'sun.csv' (no such file), expected a CSV file\n"
            "    paths start at FOLDER",
            id="forecast that is not there",
        ),
        pytest.param(
            in_scenario("policy: hindsight", "rolling: {history: {load: {file: past.csv, column: kw, unit: kW}}}"),
            "FOLDER/scenario.yaml:18: rolling.history.load.file: found 'past.csv' (no such file), expected a CSV file\n"
            "    paths start at FOLDER",
            id="history that is not there",
        ),
        pytest.param(
            in_scenario("tariff: tariff.yaml", "tariff: 12"),
            "FOLDER/scenario.yaml:10: tariff: found 12, expected the name of a file, or a block of keys\n"
            "    the tariff in force: a file, relative to this YAML file; a list of files, each valid from its"
            " valid_from to the next; or the tariff's own keys written here",
            id="number for the tariff",
        ),
        pytest.param(
            in_scenario("tariff: tariff.yaml", "tariff: tarif.yaml"),
            "FOLDER/tarif.yaml: there is no such file\n    check the name, or the folder you are in",
            id="missing tariff file",
        ),
        pytest.param(
            in_scenario("catalogue: catalogue.yaml", "catalogue: ./"),
            "FOLDER: this is a folder, expected a YAML file\n    name the file inside it",
            id="folder for the catalogue",
        ),
        pytest.param(
            in_scenario("catalogue: catalogue.yaml", "catalogue: " + "x" * 300),
            f"FOLDER/{'x' * 300}: cannot be read: File name too long\n    check name and permissions",
            id="catalogue with an endless name",
        ),
    ],
)
def test_a_wrong_value_in_the_scenario_is_shown_with_its_place(tmp_path, edit, expected):
    assert refusal(write_site(tmp_path, edit)) == problem(expected)


@pytest.mark.parametrize(
    ("edit", "expected"),
    [
        pytest.param(
            in_tariff("currency: EUR", "currency: USD"),
            "FOLDER/tariff.yaml:3: currency: found USD, expected EUR, the currency of the scenario\n"
            "    convert the prices, or correct money.currency; Crestfall knows no exchange rates",
            id="another currency",
        ),
        pytest.param(
            in_tariff("2025-01-01", '"2025-01-01"'),
            "FOLDER/tariff.yaml:4: valid_from: found '2025-01-01', expected a date, year-month-day\n"
            "    first day on which the sheet is valid, year-month-day",
            id="quoted date",
        ),
        pytest.param(
            in_tariff("2025-01-01", "2025-01-01 06:00:00"),
            "FOLDER/tariff.yaml:4: valid_from: found 2025-01-01 06:00:00, expected a date, year-month-day\n"
            "    first day on which the sheet is valid, year-month-day",
            id="date with a time",
        ),
        pytest.param(
            in_tariff("2025-01-01", "2025-02-30"),
            "FOLDER/tariff.yaml:4: not valid YAML: day is out of range for month\n"
            "    look at this line and the one above it",
            id="date that does not exist",
        ),
        pytest.param(
            in_tariff("last_day: 03-31", "last_day: 02-30"),
            "FOLDER/tariff.yaml:6: seasons.winter.last_day: found '02-30', expected a day that exists, as month-day\n"
            "    February has at most 29 days, four months have 30",
            id="season up to 30 February",
        ),
        pytest.param(
            in_tariff("last_day: 03-31", "last_day: 3-31"),
            "FOLDER/tariff.yaml:6: seasons.winter.last_day: found '3-31', expected month-day with two digits each,"
            " 01-01 to 12-31\n    last day, included, as month-day; a season may run over New Year",
            id="month with one digit",
        ),
        pytest.param(
            in_tariff("first_day: 11-01, last_day: 03-31", "first_day: 11-01, last_day: 02-30, colour: red"),
            "FOLDER/tariff.yaml:6: seasons.winter.last_day: found '02-30', expected a day that exists, as month-day\n"
            "    February has at most 29 days, four months have 30\n"
            "FOLDER/tariff.yaml:6: seasons.winter.colour: unknown key\n    known keys here: first_day, last_day\n"
            "2 problems, nothing was run",
            id="two faults on one line",
        ),
        pytest.param(
            in_tariff("[mon, tue, wed, thu, fri]", "[mon, Tue]"),
            "FOLDER/tariff.yaml:8: day_types.working.weekdays[1]: found 'Tue', expected mon, tue, wed, thu, fri, sat or"
            " sun\n    days of the week: mon, tue, wed, thu, fri, sat, sun",
            id="weekday with a capital",
        ),
        pytest.param(
            in_tariff("on_holidays: never", "on_holidays: false"),
            "FOLDER/tariff.yaml:8: day_types.working.on_holidays: found false, expected as_weekday, never or always\n"
            "    always: every holiday belongs here; never: none does; as_weekday: the weekday decides",
            id="bool for a choice",
        ),
        pytest.param(
            in_tariff("country: DE", "country: XX"),
            "FOLDER/tariff.yaml:10: holidays.country: found 'XX', expected a two-letter country code\n"
            "    for example DE, PT, US; or list the days in extra_dates",
            id="unknown holiday country",
        ),
        pytest.param(
            in_tariff("country: DE\n  subdivision: BY", "country: CH\n  subdivision: BY"),
            "FOLDER/tariff.yaml:11: holidays.subdivision: found 'BY', expected a subdivision of that country\n"
            "    known ones: AG, AI, AR, BE, BL, BS, FR, GE, GL, GR, JU, LU, NE, NW, OW, SG, SH, SO, SZ, TG",
            id="subdivision of another country",
        ),
        pytest.param(
            in_tariff("  country: DE\n", ""),
            "FOLDER/tariff.yaml:10: holidays.subdivision: found 'BY', expected a subdivision of that country\n"
            "    known ones: none, for it needs a country",
            id="subdivision without a country",
        ),
        pytest.param(
            in_tariff("[winter]", "[summer]"),
            "FOLDER/tariff.yaml:16: energy_charges[0].when[0].seasons[0]: found 'summer', expected a name from"
            " seasons\n    defined in this file: winter",
            id="unknown season",
        ),
        pytest.param(
            in_tariff("[working]", "[sunday]"),
            "FOLDER/tariff.yaml:17: energy_charges[0].when[0].day_types[0]: found 'sunday', expected a name from"
            " day_types\n    defined in this file: working",
            id="unknown day type",
        ),
        pytest.param(
            in_tariff("17:00-20:00", "17:00-25:00"),
            "FOLDER/tariff.yaml:18: energy_charges[0].when[0].times[0]: found '17:00-25:00', expected a window of"
            " times, HH:MM-HH:MM, up to 24:00\n"
            "    windows of local time, for example 17:00-20:30; 22:00-06:00 runs over midnight",
            id="window to 25 o'clock",
        ),
        pytest.param(
            in_tariff("[17:00-20:00]", "17:00-20:00"),
            "FOLDER/tariff.yaml:18: energy_charges[0].when[0].times: found '17:00-20:00', expected a list\n"
            "    windows of local time, for example 17:00-20:30; 22:00-06:00 runs over midnight",
            id="one window without brackets",
        ),
        pytest.param(
            in_tariff("[17:00-20:00]", "[]"),
            "FOLDER/tariff.yaml:18: energy_charges[0].when[0].times: found a list of 0, expected at least one entry\n"
            "    leave the key out where it does not restrict",
            id="no window at all",
        ),
        pytest.param(
            in_tariff("averaging_min: 60", "averaging_min: 60\n    when: []"),
            "FOLDER/tariff.yaml:25: demand_charges[0].when: found a list of 0, expected at least one entry\n"
            "    leave the key out where it does not restrict",
            id="empty when",
        ),
        pytest.param(
            in_tariff(REMAINDER, REMAINDER + "\n  - name: Rest\n    rate_per_kwh: 0.1"),
            "FOLDER/tariff.yaml:21: energy_charges[2]: found a block of keys, expected 'when' on all charges of a"
            " component but one\n    two charges cannot both have all remaining times; charges that add up are"
            " different components",
            id="two remainders",
        ),
        pytest.param(
            in_tariff("name: Meter", "name: Peak"),
            "FOLDER/tariff.yaml:26: fixed_charges[0].name: found 'Peak', expected a name that no other charge has\n"
            "    each line of the bill needs its own name; these are groups: energy, demand, capacity, coincident,"
            " events, reactive, export, fixed, minimum, surcharge",
            id="duplicate line name",
        ),
        pytest.param(
            in_tariff("rate_per_kwh: 0.20", "rate_per_kwh: -0.20"),
            "FOLDER/tariff.yaml:20: energy_charges[1].rate_per_kwh: found -0.2, expected a number >= 0\n"
            "    set allow_negative: true if a rate below zero is meant",
            id="negative energy price",
        ),
        pytest.param(
            in_tariff("rate_per_kwh: 0.06", "rate_per_kwh: -0.06"),
            "FOLDER/tariff.yaml:29: export.rate_per_kwh: found -0.06, expected a number >= 0\n"
            "    set allow_negative: true if a rate below zero is meant",
            id="negative export price",
        ),
        pytest.param(
            in_tariff("averaging_min: 60", "averaging_min: 45"),
            "FOLDER/tariff.yaml:24: demand_charges[0].averaging_min: found 45, expected 5, 10, 15, 20, 30 or 60\n"
            "    minutes over which the meter averages demand",
            id="averaging over 45 minutes",
        ),
        pytest.param(
            in_tariff(EXPORT, "export:\n  rate_per_kwh: 0,06"),
            "FOLDER/tariff.yaml:29: export.rate_per_kwh: found '0,06', expected a number\n"
            "    price paid to the site for one exported kWh",
            id="decimal comma in a price",
        ),
        pytest.param(
            in_tariff(EXPORT, "energy_charge: []"),
            "FOLDER/tariff.yaml:28: energy_charge: unknown key\n    did you mean 'energy_charges'?",
            id="singular for plural",
        ),
    ],
)
def test_a_wrong_value_in_the_tariff_is_shown_with_its_place(tmp_path, edit, expected):
    wanted = expected if expected.endswith("nothing was run") else problem(expected)
    assert refusal(write_site(tmp_path, edit)) == wanted


@pytest.mark.parametrize(
    ("edit", "expected"),
    [
        pytest.param(
            in_catalogue("currency: EUR", "currency: USD"),
            "FOLDER/catalogue.yaml:3: currency: found USD, expected EUR, the currency of the scenario\n"
            "    convert the prices, or correct money.currency; Crestfall knows no exchange rates",
            id="another currency",
        ),
        pytest.param(
            in_catalogue("highest_soc_frac: 0.9", "highest_soc_frac: 95"),
            "FOLDER/catalogue.yaml:8: rack.highest_soc_frac: found 95, expected a number <= 1\n"
            "    shares are written from 0 to 1: 95 % is 0.95",
            id="per cent for a share",
        ),
        pytest.param(
            in_catalogue("highest_soc_frac: 0.9", "highest_soc_frac: 95 %"),
            "FOLDER/catalogue.yaml:8: rack.highest_soc_frac: found '95 %', expected a number\n"
            "    shares are written from 0 to 1: 95 % is 0.95",
            id="share with a per cent sign",
        ),
        pytest.param(
            in_catalogue("highest_soc_frac: 0.9", "highest_soc_frac: 950"),
            "FOLDER/catalogue.yaml:8: rack.highest_soc_frac: found 950, expected a number <= 1\n"
            "    upper end of the usable window of state of charge, 0 to 1",
            id="share of 950",
        ),
        pytest.param(
            in_catalogue("highest_soc_frac: 0.9", "highest_soc_frac: 0.1"),
            "FOLDER/catalogue.yaml:8: rack.highest_soc_frac: found 0.1, expected a value above lowest_soc_frac\n"
            "    the usable window must not be empty",
            id="closed window of charge",
        ),
        pytest.param(
            in_catalogue("  charge_efficiency_frac: 0.97", "  charge_efficiency_frac: 0.3"),
            "FOLDER/catalogue.yaml:19: module.charge_efficiency_frac: found 0.3, expected a number >= 0.5\n"
            "    DC power out over AC power in, one way, at any load",
            id="efficiency below one half",
        ),
        pytest.param(
            in_catalogue("energy_kwh: 50", "energy_kwh: 0"),
            "FOLDER/catalogue.yaml:6: rack.energy_kwh: found 0, expected a number > 0\n"
            "    nominal energy of one rack when new, DC, in kWh",
            id="rack without energy",
        ),
        pytest.param(
            in_catalogue("self_discharge_frac_per_month: 0.02", "self_discharge_frac_per_month: 2"),
            "FOLDER/catalogue.yaml:13: rack.self_discharge_frac_per_month: found 2, expected a number < 0.5\n"
            "    shares are written from 0 to 1: 2 % is 0.02",
            id="self-discharge in per cent",
        ),
        pytest.param(
            in_catalogue("price: 5000", "price: -5000"),
            "FOLDER/catalogue.yaml:22: module.price: found -5000, expected a number >= 0\n    price of one module",
            id="negative price",
        ),
        pytest.param(
            in_catalogue("most_racks: 8", "most_racks: 8\n  least_racks: 9"),
            "FOLDER/catalogue.yaml:30: rules.most_racks: found 8, expected at least least_racks\n"
            "    the upper bound must not be below the lower one",
            id="bounds crossed",
        ),
        pytest.param(
            in_catalogue("most_cabinets: 2", "most_cabinets: 0"),
            "FOLDER/catalogue.yaml:32: rules.most_cabinets: found 0, expected a number >= 1\n"
            "    most cabinets of an option",
            id="no cabinet allowed",
        ),
        pytest.param(
            in_catalogue("rating_kva: 60", "rating_kw: 60"),
            "FOLDER/catalogue.yaml:16: module.rating_kva: required, but missing\n"
            "    rating of one module at its AC terminals, in kVA; the schedule decides the direction\n"
            "FOLDER/catalogue.yaml:18: module.rating_kw: unknown key\n    did you mean 'rating_kva'?\n"
            "2 problems, nothing was run",
            id="misspelt key that is required",
        ),
    ],
)
def test_a_wrong_value_in_the_catalogue_is_shown_with_its_place(tmp_path, edit, expected):
    wanted = expected if expected.endswith("nothing was run") else problem(expected)
    assert refusal(write_site(tmp_path, edit)) == wanted


def test_all_problems_of_all_files_come_at_once_in_file_order(tmp_path):
    scenario = write_site(
        tmp_path,
        in_scenario("installation_cost: 1500", "installation_cost: -1"),
        in_scenario("unit: kW", "unit: MW"),
        in_tariff("country: DE", "country: XX"),
        in_tariff("rate_per_kwh: 0.06", "rate_per_kwh: free"),
        in_catalogue("price: 9000", "price: cheap"),
    )
    assert refusal(scenario) == (
        "FOLDER/scenario.yaml:8: site.load.unit: found 'MW', expected kW or kWh\n"
        "    kW (mean power over the step) or kWh (energy per step)\n"
        "FOLDER/scenario.yaml:17: money.installation_cost: found -1, expected a number >= 0\n"
        "    design, works, connection and commissioning of this option, once\n"
        "FOLDER/tariff.yaml:10: holidays.country: found 'XX', expected a two-letter country code\n"
        "    for example DE, PT, US; or list the days in extra_dates\n"
        "FOLDER/tariff.yaml:29: export.rate_per_kwh: found 'free', expected a number\n"
        "    price paid to the site for one exported kWh\n"
        "FOLDER/catalogue.yaml:15: rack.price: found 'cheap', expected a number\n"
        "    price of one rack\n"
        "5 problems, nothing was run"
    )


def test_a_missing_series_is_told_before_the_faults_of_the_tariff(tmp_path):
    scenario = write_site(tmp_path, in_scenario("load.csv", "lode.csv"), in_tariff("currency: EUR", "currency: €"))
    assert [line.split(":")[0] for line in refusal(scenario).splitlines() if line.startswith("FOLDER")] == [
        "FOLDER/scenario.yaml",
        "FOLDER/tariff.yaml",
    ]


def test_both_other_currencies_are_told_at_once(tmp_path):
    scenario = write_site(
        tmp_path, in_tariff("currency: EUR", "currency: USD"), in_catalogue("currency: EUR", "currency: CHF")
    )
    assert re.findall(r"found (\w+)", refusal(scenario)) == ["USD", "CHF"]


def test_a_fault_of_a_tariff_written_inside_the_scenario_is_shown_with_the_scenarios_line(tmp_path):
    inline = (
        "tariff:\n  crestfall_tariff: 1\n  title: Flat\n  currency: EUR\n  valid_from: 2025-01-01\n"
        "  seasons:\n    inline: {first_day: 01-01, last_day: 02-30}\n"
        "  energy_charges:\n    - {name: Energy, rate_per_kwh: 0.2}"
    )
    assert refusal(write_site(tmp_path, in_scenario("tariff: tariff.yaml", inline))) == problem(
        "FOLDER/scenario.yaml:16: tariff.seasons.inline.last_day: found '02-30', expected a day that exists,"
        " as month-day\n    February has at most 29 days, four months have 30"
    )


SUPPORT = "reactive_support: {{kvar: {}}}\nmoney:"


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        pytest.param(
            "money:",
            SUPPORT.format("-3"),
            "FOLDER/scenario.yaml:15: reactive_support.kvar: found -3, expected a number >= 0\n"
            "    reactive power supplied, kvar; a constant or a series",
            id="negative constant",
        ),
        pytest.param(
            "money:",
            SUPPORT.format("{file: load.csv, column: q, unit: kW}"),
            "FOLDER/scenario.yaml:15: reactive_support.kvar.unit: found 'kW', expected kvar or kvarh\n"
            "    kvar (mean over the step) or kvarh (per step), supplied, not negative",
            id="series in another unit",
        ),
        pytest.param(
            "money:",
            SUPPORT.format("{file: q.csv, column: q, unit: kvar}"),
            "FOLDER/scenario.yaml:15: reactive_support.kvar.file: found 'q.csv' (no such file), expected a CSV file\n"
            "    paths start at FOLDER",
            id="series in no file",
        ),
        pytest.param(
            "  import_limit_kw: 400\n",
            "  power_factor_frac: 90\n",
            "FOLDER/scenario.yaml:9: site.power_factor_frac: found 90, expected a number <= 1\n"
            "    shares are written from 0 to 1: 90 % is 0.9",
            id="power factor in per cent",
        ),
        pytest.param(
            "  import_limit_kw: 400\n",
            "  power_factor_frac: {file: load.csv, unit: frac}\n",
            "FOLDER/scenario.yaml:9: site.power_factor_frac.column: required, but missing\n    column with the values",
            id="series of power factors without its column",
        ),
    ],
)
def test_what_may_be_a_number_or_a_series_is_called_wrong_once(tmp_path, old, new, expected):
    assert refusal(write_site(tmp_path, in_scenario(old, new))) == problem(expected)
