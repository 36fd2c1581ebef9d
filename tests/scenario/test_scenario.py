import shutil

import pytest

from crestfall.errors import KeyedError
from crestfall.scenario import json_schema, load_scenario
from site_files import TARIFF, Edit, in_scenario, message

INLINE_TARIFF = in_scenario("tariff: tariff.yaml", "tariff:\n" + "".join(f"  {line}\n" for line in TARIFF.splitlines()))


def keyed_error(document="tariff"):
    return KeyedError(document, ("energy_charges", 1, "rate_per_kwh"), found="0.2", expected="more", remedy="raise it")


def test_a_valid_scenario_gives_its_values(valid_scenario):
    assert valid_scenario.ask.option.racks == 2
    assert valid_scenario.contract[0].file.energy_charges[0].rate_per_kwh == 0.30
    assert valid_scenario.catalogue.rack.energy_kwh == 50


def test_a_tariff_may_be_written_inside_the_scenario(scenario_with):
    assert scenario_with(INLINE_TARIFF).contract[0].file == scenario_with().contract[0].file


def test_a_byte_order_mark_is_no_part_of_the_first_key(scenario_with):
    assert scenario_with(Edit("scenario.yaml", "crestfall_scenario", "\ufeffcrestfall_scenario")).ask.money.currency


def test_a_scenario_cannot_be_changed_after_reading(valid_scenario):
    with pytest.raises(ValueError, match="frozen"):
        valid_scenario.ask.option.racks = 3


def test_a_fault_found_later_gets_file_and_line(scenario_with, tmp_path):
    located = scenario_with().located(keyed_error())
    assert message(located, tmp_path) == (
        "FOLDER/tariff.yaml:20: energy_charges[1].rate_per_kwh: found 0.2, expected more\n    raise it\n"
        "1 problem, nothing was run"
    )


def test_a_fault_found_later_in_an_inline_tariff_gets_the_line_of_the_scenario(scenario_with, tmp_path):
    located = scenario_with(INLINE_TARIFF).located(keyed_error())
    assert message(located, tmp_path).splitlines()[0] == (
        "FOLDER/scenario.yaml:30: tariff.energy_charges[1].rate_per_kwh: found 0.2, expected more"
    )


def test_a_fault_found_later_at_a_key_left_out_gets_the_line_of_its_block(scenario_with, tmp_path):
    error = KeyedError("scenario", ("site", "export_limit_kw"), found="nothing", expected="a limit", remedy="add one")
    assert message(scenario_with().located(error), tmp_path).startswith("FOLDER/scenario.yaml:2: site.export_limit_kw:")


def test_input_files_are_found_from_the_folder_of_the_scenario(scenario_with, tmp_path):
    names = {"site.load": "load.csv", "scenario": "scenario.yaml", "tariff": "tariff.yaml"}
    names |= {"catalogue": "catalogue.yaml"}
    assert scenario_with().input_files() == {key: tmp_path / name for key, name in names.items()}


def test_the_fingerprint_does_not_depend_on_the_folder(scenario_with, tmp_path):
    first = scenario_with().fingerprint()
    copy = tmp_path / "elsewhere"
    copy.mkdir()
    for file in tmp_path.glob("*.*"):
        shutil.copy(file, copy)
    assert load_scenario(copy / "scenario.yaml").fingerprint() == first


def test_the_fingerprint_does_not_depend_on_comments(scenario_with):
    commented = scenario_with(in_scenario("option:", "# what is asked\noption:"))
    assert commented.fingerprint() == scenario_with().fingerprint()


@pytest.mark.parametrize(
    "edit",
    [
        pytest.param(in_scenario("racks: 2", "racks: 3"), id="option"),
        pytest.param(Edit("tariff.yaml", "9.5", "9.6"), id="tariff"),
        pytest.param(Edit("catalogue.yaml", "price: 9000", "price: 9001"), id="catalogue"),
        pytest.param(Edit("load.csv", "load_kw", "load_kw "), id="interval data"),
    ],
)
def test_the_fingerprint_moves_with_all_that_moves_a_result(scenario_with, valid_scenario, edit):
    assert scenario_with(edit).fingerprint() != valid_scenario.fingerprint()


def test_the_fingerprint_does_not_move_with_the_output(scenario_with, valid_scenario):
    other = scenario_with(in_scenario("money:", "output:\n  figure_formats: [png]\nmoney:"))
    assert other.fingerprint() == valid_scenario.fingerprint()


def test_defaults_are_filled_in_when_resolved(valid_scenario):
    assert valid_scenario.resolved()["scenario"]["site"]["load"]["stamp"] == "start"


@pytest.mark.parametrize("kind", ["scenario", "tariff", "catalogue"])
def test_the_schema_describes_every_key(kind):
    schema = json_schema(kind)
    blocks = [schema, *schema["$defs"].values()]
    keys = [(block["title"], name, key) for block in blocks for name, key in block["properties"].items()]
    assert [f"{title}.{name}" for title, name, key in keys if not key.get("description")] == []


@pytest.mark.parametrize("kind", ["scenario", "tariff", "catalogue"])
def test_the_schema_requires_the_format_version(kind):
    assert f"crestfall_{kind}" in json_schema(kind)["required"]
