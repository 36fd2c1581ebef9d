import math
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crestfall.errors import KeyedError
from crestfall.plant import Option, allowed_options, build_plant, cabinets_needed
from site_files import in_catalogue, in_scenario, message
from strategies import catalogues

NO_BATTERY = Option(0, 0)


@pytest.fixture(scope="session")
def plant(valid_catalogue):
    """Three racks of 50 kWh and two modules of 60 kVA in one cabinet."""
    return build_plant(valid_catalogue, Option(3, 2))


@pytest.mark.parametrize(
    ("quantity", "expected"),
    [
        pytest.param("cabinets", 1, id="cabinets"),
        pytest.param("nominal_kwh", 3 * 50, id="nominal energy"),
        pytest.param("rating_kva", 2 * 60, id="rating"),
        pytest.param("floor_kwh", 150 * 0.1, id="floor"),
        pytest.param("ceiling_kwh", 150 * 0.9, id="ceiling"),
        pytest.param("usable_kwh", 150 * (0.9 - 0.1), id="usable energy"),
        pytest.param("into_limit_kw", 150 * 0.5, id="limit into the store"),
        pytest.param("outof_limit_kw", 150 * 0.8, id="limit out of the store"),
        pytest.param("charge_frac", 0.97 * 0.98, id="charging efficiency"),
        pytest.param("discharge_frac", 0.95 * 0.96, id="discharging efficiency"),
        pytest.param("round_trip_frac", 0.97 * 0.98 * 0.95 * 0.96, id="round trip"),
        pytest.param("standby_kw", 3 * 0.05 + 2 * 0.1 + 1 * 0.2, id="auxiliaries"),
        pytest.param("parts_cost", 3 * 9000 + 2 * 5000 + 1 * 3000, id="cost of the parts"),
    ],
)
def test_a_plant_is_the_sum_of_its_parts(plant, quantity, expected):
    assert getattr(plant, quantity) == pytest.approx(expected, rel=1e-12)


def test_a_month_of_standing_costs_the_share_of_the_data_sheet(plant):
    # 2 % a month; a mean month has 365.25 * 24 / 12 = 730.5 hours.
    assert plant.keep_frac(730.5) == pytest.approx(0.98, rel=1e-12)


def test_a_quarter_hour_kept_four_times_is_an_hour_kept(plant):
    assert plant.keep_frac(0.25) ** 4 == pytest.approx(plant.keep_frac(1.0), rel=1e-12)


def test_without_self_discharge_nothing_is_lost(scenario_with):
    catalogue = scenario_with(in_catalogue("  self_discharge_frac_per_month: 0.02\n", "")).catalogue
    assert build_plant(catalogue, Option(1, 1)).keep_frac(8760) == 1


@pytest.mark.parametrize(
    "quantity", ["cabinets", "nominal_kwh", "rating_kva", "usable_kwh", "standby_kw", "parts_cost"]
)
def test_no_battery_has_nothing(valid_catalogue, quantity):
    assert getattr(build_plant(valid_catalogue, NO_BATTERY), quantity) == 0


def test_no_battery_draws_nothing_in_any_weather(scenario_with):
    heated = in_catalogue(
        "  standby_kw: 0.05\n",
        "  standby_kw: 0.05\n  thermal:\n    lowest_cell_c: 10\n    highest_cell_c: 30\n    power:\n"
        "      - {ambient_c: -10, power_kw: 0.5}\n      - {ambient_c: 10, power_kw: 0.1}\n",
    )
    catalogue = scenario_with(heated).catalogue
    weather = np.array([-10.0, 0.0, 30.0])
    assert build_plant(catalogue, NO_BATTERY).auxiliary_kw(weather, 3) == pytest.approx([0, 0, 0], abs=0)
    # Each of the three racks beside the 0.55 kW of controls; linear between points, constant beyond.
    three = build_plant(catalogue, Option(3, 2)).auxiliary_kw(weather, 3)
    assert three == pytest.approx([0.55 + 1.5, 0.55 + 0.9, 0.55 + 0.3], rel=1e-12)


def test_derating_leaves_nothing_beyond_its_table(scenario_with):
    derated = in_catalogue(
        "  auxiliary_kw: 0.2\n",
        "  auxiliary_kw: 0.2\n  derating:\n    - {ambient_c: -20, share_frac: 1}\n"
        "    - {ambient_c: 40, share_frac: 1}\n    - {ambient_c: 50, share_frac: 0.5}\n",
    )
    plant = build_plant(scenario_with(derated).catalogue, Option(3, 2))
    weather = np.array([-21.0, -20.0, 25.0, 44.0, 50.0, 50.1])
    assert plant.available_frac(weather, 6) == pytest.approx([0, 1, 1, 0.8, 0.5, 0], rel=1e-12)
    assert plant.available_frac(None, 2).tolist() == [1, 1]


def test_modules_out_of_service_are_paid_for_and_give_nothing(valid_catalogue, plant):
    one_out = build_plant(valid_catalogue, Option(3, 2), modules_out=1)
    assert one_out.rating_kva == 60
    assert one_out.parts_cost == plant.parts_cost
    assert one_out.into_limit_kw == plant.into_limit_kw
    assert one_out.standby_kw == pytest.approx(plant.standby_kw - 0.1, rel=1e-12)


@pytest.mark.parametrize(
    ("option", "text"),
    [
        (NO_BATTERY, "no battery"),
        (Option(1, 1), "1 rack, 1 module"),
        (Option(2, 1), "2 racks, 1 module"),
        (Option(1, 3), "1 rack, 3 modules"),
    ],
)
def test_an_option_is_written_in_words(option, text):
    assert str(option) == text


@pytest.mark.parametrize(
    ("racks", "modules", "cabinets"),
    [(0, 0, 0), (1, 1, 1), (4, 2, 1), (5, 2, 2), (4, 3, 2), (8, 4, 2)],
)
def test_cabinets_are_filled_before_another_is_opened(valid_catalogue, racks, modules, cabinets):
    assert cabinets_needed(Option(racks, modules), valid_catalogue) == cabinets


def is_allowed(option, catalogue):
    try:
        cabinets_needed(option, catalogue)
    except KeyedError:
        return False
    return True


@given(catalogue=catalogues())
def test_the_options_are_all_that_the_rules_allow(catalogue):
    rules = catalogue.rules
    every = (Option(*counts) for counts in product(range(1, rules.most_racks + 3), range(1, rules.most_modules + 3)))
    assert allowed_options(catalogue) == [option for option in every if is_allowed(option, catalogue)]


@given(catalogue=catalogues())
def test_the_parts_of_every_option_can_be_put_into_its_cabinets(catalogue):
    for option in allowed_options(catalogue):
        number = cabinets_needed(option, catalogue)
        for count, most in (
            (option.racks, catalogue.cabinet.most_racks),
            (option.modules, catalogue.cabinet.most_modules),
        ):
            # Spread as evenly as they go: the fullest cabinet is not too full and the emptiest is not empty.
            assert math.ceil(count / number) <= most
            assert count // number >= 1


@given(catalogue=catalogues(), option=st.builds(Option, st.integers(1, 14), st.integers(1, 14)))
def test_one_cabinet_fewer_would_not_hold_the_option(catalogue, option):
    if is_allowed(option, catalogue):
        fewer = cabinets_needed(option, catalogue) - 1
        held = (fewer * catalogue.cabinet.most_racks, fewer * catalogue.cabinet.most_modules)
        assert held[0] < option.racks or held[1] < option.modules


def test_options_come_with_the_fewest_racks_first(valid_catalogue):
    options = allowed_options(valid_catalogue)
    assert options == sorted(options)


@pytest.mark.parametrize(
    ("racks", "modules", "rules", "expected"),
    [
        pytest.param(
            9,
            1,
            [],
            "FOLDER/scenario.yaml:13: option.racks: found 9, expected 1 to 8 racks (least_racks and most_racks of the"
            " catalogue)\n    nearest allowed options (racks and modules): 8 and 2, 7 and 2, 8 and 3",
            id="9 racks of 8",
        ),
        pytest.param(
            2,
            5,
            [],
            "FOLDER/scenario.yaml:14: option.modules: found 5, expected 1 to 4 modules (least_modules and most_modules"
            " of the catalogue)\n    nearest allowed options (racks and modules): 2 and 4, 2 and 3, 3 and 4",
            id="5 modules of 4",
        ),
        pytest.param(
            1,
            1,
            [in_catalogue("most_racks: 8", "most_racks: 8\n  least_racks: 3")],
            "FOLDER/scenario.yaml:13: option.racks: found 1, expected 3 to 8 racks (least_racks and most_racks of the"
            " catalogue)\n    nearest allowed options (racks and modules): 3 and 1, 3 and 2, 4 and 1",
            id="fewer racks than sold",
        ),
        pytest.param(
            3,
            0,
            [],
            "FOLDER/scenario.yaml:14: option.modules: found 0, expected at least 1, for racks without modules have no"
            " power\n    nearest allowed options (racks and modules): 3 and 1, 2 and 1, 3 and 2",
            id="racks without modules",
        ),
        pytest.param(
            0,
            2,
            [],
            "FOLDER/scenario.yaml:13: option.racks: found 0, expected at least 1, for modules without racks have no"
            " energy\n    nearest allowed options (racks and modules): 1 and 2, 1 and 1, 2 and 2",
            id="modules without racks",
        ),
        pytest.param(
            6,
            4,
            [in_catalogue("most_cabinets: 2", "most_cabinets: 1")],
            "FOLDER/scenario.yaml:12: option: found 6 racks, 4 modules, expected an option for at most 1 cabinet"
            " (most_cabinets of the catalogue), it needs 2\n"
            "    nearest allowed options (racks and modules): 4 and 2, 3 and 2, 4 and 1",
            id="too many cabinets",
        ),
        pytest.param(
            5,
            1,
            [],
            "FOLDER/scenario.yaml:12: option: found 5 racks, 1 module, expected at least one rack and one module in"
            " each of its 2 cabinets\n    nearest allowed options (racks and modules): 4 and 1, 5 and 2, 3 and 1",
            id="a cabinet without a module",
        ),
        pytest.param(
            5,
            1,
            [in_catalogue("most_racks: 8\n  most_modules: 4", "least_racks: 5\n  most_racks: 8\n  most_modules: 1")],
            "FOLDER/scenario.yaml:12: option: found 5 racks, 1 module, expected at least one rack and one module in"
            " each of its 2 cabinets\n"
            "    nearest allowed options (racks and modules): none, see rules of the catalogue",
            id="rules that allow nothing",
        ),
    ],
)
def test_an_option_against_the_rules_is_refused(scenario_with, tmp_path, racks, modules, rules, expected):
    edits = [in_scenario("racks: 2", f"racks: {racks}"), in_scenario("modules: 1", f"modules: {modules}")]
    scenario = scenario_with(*edits, *rules)
    with pytest.raises(KeyedError) as caught:
        build_plant(scenario.catalogue, Option(scenario.ask.option.racks, scenario.ask.option.modules))
    assert message(scenario.located(caught.value), tmp_path) == f"{expected}\n1 problem, nothing was run"
