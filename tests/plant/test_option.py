"""Rules on multiples, on racks for each module, and on cabinets with a DC side of their own."""

import pytest
from hypothesis import given

from crestfall.errors import KeyedError
from crestfall.plant import Option, allowed_options, cabinets_needed
from site_files import in_catalogue, in_scenario, message
from strategies import catalogue_from, catalogues

ROOMY = {"most_racks": 8, "most_modules": 8, "most_cabinets": 8}


def with_rules(**rules):
    """Return a catalogue whose cabinets take 4 racks and 2 modules."""
    return catalogue_from(rules={**ROOMY, **rules})


def allowed_by(**rules) -> set[tuple[int, int]]:
    return {(option.racks, option.modules) for option in allowed_options(with_rules(**rules))}


def test_rules_left_out_forbid_nothing():
    neutral = {"racks_multiple_of": 1, "modules_multiple_of": 1, "least_racks_per_module": 0.0, "dc_coupling": "common"}
    assert allowed_by(**neutral) == allowed_by()


def test_parts_come_in_multiples():
    pairs = allowed_by(racks_multiple_of=2, modules_multiple_of=3)
    assert pairs == {(r, m) for r, m in allowed_by() if r % 2 == 0 and m % 3 == 0}
    assert pairs


def test_modules_ask_for_racks_and_bear_only_so_many():
    some = allowed_by(least_racks_per_module=0.5, most_racks_per_module=1.5)
    assert some == {(r, m) for r, m in allowed_by() if m <= 2 * r and 2 * r <= 3 * m}
    assert {(1, 2), (3, 2)} <= some


@pytest.mark.parametrize("share", [0.1, 0.7, 1.1])
def test_a_ratio_that_floats_cannot_hold_is_still_met_exactly(share):
    modules, racks = 10, round(10 * share)
    rules = {"most_racks": 20, "most_modules": 20, "most_cabinets": 20}
    both = {"least_racks_per_module": share, "most_racks_per_module": share}
    assert Option(racks, modules) in allowed_options(
        catalogue_from(
            cabinet={"name": "C", "most_modules": 20, "most_racks": 20, "auxiliary_kw": 0, "price": 0},
            rules={**rules, **both},
        )
    )


@given(catalogue=catalogues())
def test_cabinets_of_their_own_hold_equal_parts(catalogue):
    rules = catalogue.rules.model_copy(update={"dc_coupling": "by_cabinet"})
    apart = allowed_options(catalogue.model_copy(update={"rules": rules}))
    assert apart == [
        option
        for option in allowed_options(catalogue)
        if all(count % cabinets_needed(option, catalogue) == 0 for count in (option.racks, option.modules))
    ]


def test_one_cabinet_has_nothing_to_spread():
    assert {(3, 2), (4, 1)} <= allowed_by(dc_coupling="by_cabinet")


NEAR = "    nearest allowed options (racks and modules): "


@pytest.mark.parametrize(
    ("racks", "modules", "rule", "expected"),
    [
        pytest.param(
            3,
            2,
            "racks_multiple_of: 2",
            "13: option.racks: found 3, expected a multiple of 2 (racks_multiple_of of the catalogue)\n"
            f"{NEAR}2 and 2, 4 and 2, 2 and 1",
            id="racks in pairs",
        ),
        pytest.param(
            4,
            3,
            "modules_multiple_of: 2",
            "14: option.modules: found 3, expected a multiple of 2 (modules_multiple_of of the catalogue)\n"
            f"{NEAR}4 and 2, 4 and 4, 3 and 2",
            id="modules in pairs",
        ),
        pytest.param(
            2,
            2,
            "least_racks_per_module: 1.5",
            "12: option: found 2 racks, 2 modules, expected at least 1.5 racks for each module"
            f" (least_racks_per_module of the catalogue)\n{NEAR}2 and 1, 3 and 2, 3 and 1",
            id="too few racks for the modules",
        ),
        pytest.param(
            4,
            1,
            "most_racks_per_module: 3",
            "12: option: found 4 racks, 1 module, expected at most 3 racks for each module"
            f" (most_racks_per_module of the catalogue)\n{NEAR}3 and 1, 4 and 2, 2 and 1",
            id="too many racks for the modules",
        ),
        pytest.param(
            5,
            4,
            "dc_coupling: by_cabinet",
            "12: option: found 5 racks, 4 modules, expected racks and modules that spread evenly over its 2 cabinets,"
            f" to run as one store (dc_coupling by_cabinet of the catalogue)\n{NEAR}4 and 4, 6 and 4, 2 and 4",
            id="cabinets that cannot be equal",
        ),
    ],
)
def test_an_option_against_a_rule_is_refused_with_the_rule_and_what_is_near(
    scenario_with, tmp_path, racks, modules, rule, expected
):
    scenario = scenario_with(
        in_scenario("racks: 2", f"racks: {racks}"),
        in_scenario("modules: 1", f"modules: {modules}"),
        in_catalogue("  most_cabinets: 2\n", f"  most_cabinets: 2\n  {rule}\n"),
    )
    with pytest.raises(KeyedError) as caught:
        cabinets_needed(Option(racks, modules), scenario.catalogue)
    assert message(scenario.located(caught.value), tmp_path) == (
        f"FOLDER/scenario.yaml:{expected}\n1 problem, nothing was run"
    )
