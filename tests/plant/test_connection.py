"""Currents, power, heat, floor and mass of an option, and all options side by side."""

import math
from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from ruamel.yaml import YAML

from crestfall.errors import KeyedError
from crestfall.plant import (
    OPTIONS_COLUMNS,
    Option,
    ac_current_a,
    allowed_options,
    build_plant,
    connection_sheet,
    dc_current_a,
    highest_kva,
    highest_within_kva,
    options_table,
)
from crestfall.scenario import Connection
from site_files import CATALOGUE
from strategies import catalogue_from

SITE = Connection(nominal_v=400.0, lowest_v_frac=0.9)
SIZES = {
    "rack": {"width_m": 0.6, "depth_m": 0.9, "height_m": 1.8, "mass_kg": 400.0},
    "module": {"width_m": 0.5, "depth_m": 0.7, "height_m": 0.2, "mass_kg": 40.0},
    "cabinet": {"width_m": 2.0, "depth_m": 1.2, "height_m": 2.2, "mass_kg": 800.0},
}
VOLTAGE = {"lowest_v": 600.0, "nominal_v": 720.0, "highest_v": 800.0}


def catalogue_with(**changes):
    """Return the small catalogue with further keys in its blocks; a rack of 50 kWh, modules of 60 kVA, 4 and 2 fit."""
    parts = YAML(typ="safe").load(CATALOGUE)
    return catalogue_from(**{block: {**parts[block], **keys} for block, keys in changes.items()})


FULL = catalogue_with(
    rack={"size": SIZES["rack"], "voltage": VOLTAGE},
    module={"size": SIZES["module"]},
    cabinet={"size": SIZES["cabinet"], "terminals": {"ac_a": 180.0, "dc_a": 60.0}},
)


def sheet(racks, modules, *, catalogue=FULL, site=SITE, **more):
    return connection_sheet(catalogue, Option(racks, modules), site, **more)


# --- currents ---------------------------------------------------------------------------------------------------------


def test_plants_current_is_that_of_its_rating_and_rises_as_voltage_falls():
    found = sheet(4, 2)
    assert found.ac_nominal_a == pytest.approx(120_000 / (math.sqrt(3) * 400))
    assert found.ac_lowest_a == pytest.approx(found.ac_nominal_a / 0.9)


def test_one_phase_carries_all_of_it():
    assert ac_current_a(12.0, 240.0, phases=1) == pytest.approx(50.0)
    assert sheet(4, 2, site=Connection(nominal_v=240.0, phases=1)).ac_nominal_a == pytest.approx(500.0)


def test_terminals_are_those_of_the_fullest_cabinet():
    found = sheet(5, 3)  # 2 modules in one cabinet, 1 in the other
    assert found.terminals[0].current_a == pytest.approx(ac_current_a(120.0, 400.0))
    assert found.terminals[1].current_a == pytest.approx(ac_current_a(120.0, 360.0))


@pytest.mark.parametrize(
    ("modules", "verdicts"),
    [
        # 120 kVA: 173 A at 400 V, 192 A at 360 V, of 180 A; 4 racks share 126 kW at 600 V: 53 A of 60 A
        pytest.param(2, ["ok", "above", "ok"], id="two modules"),
        pytest.param(1, ["ok", "ok", "ok"], id="one module"),
    ],
)
def test_currents_are_held_against_the_terminals(modules, verdicts):
    assert [current.verdict for current in sheet(4, modules).terminals] == verdicts


@pytest.mark.parametrize("block", ["cabinet without terminals", "rack without voltage"])
def test_what_the_catalogue_does_not_say_is_unknown(block):
    rack = {} if block == "rack without voltage" else {"voltage": VOLTAGE}
    cabinet = {"terminals": {"ac_a": 180.0, "dc_a": 60.0}} if rack == {} else {}
    found = sheet(4, 1, catalogue=catalogue_with(rack=rack, cabinet=cabinet))
    assert found.terminals[-1].verdict == "unknown"
    assert (found.rack_a is None) == (rack == {})
    assert [current.verdict for current in found.terminals[:2]] == (["ok"] * 2 if cabinet else ["unknown"] * 2)


def test_racks_share_what_the_modules_draw_when_discharging():
    # One way 0.95: 60 kW need 63.2 kW of DC, more than the 58.2 kW that charging with 0.97 gives.
    assert sheet(4, 1).rack_a == pytest.approx(dc_current_a(60 / 4, 600.0, efficiency_frac=0.95), rel=1e-9)


def test_a_rack_gives_no_more_than_its_c_rate():
    # 0.8 of 50 kWh leave the store each hour, 0.96 of that comes out of the rack.
    found = sheet(1, 2)
    assert found.rack_a == pytest.approx(dc_current_a(50 * 0.8 * 0.96, 600.0), rel=1e-9)
    assert found.discharge_kw == pytest.approx(50 * 0.8 * 0.96 * 0.95, rel=1e-9)
    assert found.charge_kw == pytest.approx(50 * 0.5 / 0.98 / 0.97, rel=1e-9)


def test_enough_racks_leave_the_rating():
    found = sheet(8, 2)
    assert (found.charge_kw, found.discharge_kw) == (120.0, 120.0)


# --- power, heat ------------------------------------------------------------------------------------------------------


def test_heat_is_what_modules_and_racks_lose_in_the_worse_direction():
    dc = 60 / 0.95
    assert sheet(4, 1).heat_kw == pytest.approx((dc - 60) + dc * (1 / 0.96 - 1), rel=1e-9)


def test_heat_counts_the_loss_at_zero_power_and_resistance():
    curve = catalogue_with(
        module={
            "charge_efficiency_frac": None,
            "discharge_efficiency_frac": None,
            "loss": {"no_load_frac": 0.01, "proportional_frac": 0.02, "resistive_frac": 0.03},
        },
        rack={"voltage": VOLTAGE, "resistance_ohm": 0.2},
    )
    dc = 60 * 1.06
    in_resistance = 4 * 0.2 * (dc / 4 * 1000 / 720) ** 2 / 1000
    expected = 60 * 0.06 + dc * (1 / 0.96 - 1) + in_resistance
    assert sheet(4, 1, catalogue=curve).heat_kw == pytest.approx(expected, rel=1e-9)


def test_most_that_the_plant_adds_is_its_rating_and_its_auxiliaries():
    assert sheet(4, 2).adds_kva == pytest.approx(120 + 4 * 0.05 + 2 * 0.1 + 0.2)


def test_auxiliaries_are_those_of_the_worst_weather_at_highest_power():
    thermal = {
        "power": [{"ambient_c": -10.0, "power_kw": 0.5}, {"ambient_c": 30.0, "power_kw": 0.2}],
        "per_loss_frac": 0.5,
        "lowest_cell_c": 10.0,
        "highest_cell_c": 30.0,
    }
    warm = sheet(4, 1, catalogue=catalogue_with(rack={"thermal": thermal})).auxiliary_kw
    lost = 60 / 0.95 * (1 / 0.96 - 1)
    assert warm == pytest.approx(sheet(4, 1).auxiliary_kw + 4 * 0.5 + 0.5 * lost, rel=1e-9)


def test_highest_apparent_power_is_not_where_active_power_is_highest():
    assert highest_kva(np.array([100.0, -80.0]), np.array([0.0, 60.0 + 20.0])) == pytest.approx(80 * math.sqrt(2))
    assert highest_kva(np.array([100.0, -120.0])) == 120.0


# --- floor, mass ------------------------------------------------------------------------------------------------------


def test_floor_is_that_of_the_cabinets_and_mass_is_all():
    found = sheet(5, 3)
    assert found.footprint_m2 == pytest.approx(2 * 2.0 * 1.2)
    assert found.mass_kg == pytest.approx(2 * 800 + 5 * 400 + 3 * 40)


@pytest.mark.parametrize("missing", SIZES)
def test_mass_needs_every_size_and_floor_that_of_the_cabinet(missing):
    found = sheet(1, 1, catalogue=catalogue_with(**{part: {"size": SIZES[part]} for part in SIZES if part != missing}))
    assert found.mass_kg is None
    assert (found.footprint_m2 is None) == (missing == "cabinet")


def test_parts_are_spread_over_cabinets_as_evenly_as_they_go():
    for racks, modules in product(range(1, 9), range(1, 5)):
        option = Option(racks, modules)
        if option not in allowed_options(FULL):
            continue
        held = sheet(racks, modules).in_cabinets
        assert sum(one.racks for one in held) == racks
        assert sum(one.modules for one in held) == modules
        assert max(one.racks for one in held) - min(one.racks for one in held) <= 1
        assert max(one.modules for one in held) - min(one.modules for one in held) <= 1


@pytest.mark.parametrize("option", [Option(9, 1), Option(5, 1), Option(1, 0)])
def test_an_option_against_the_rules_has_no_sheet(option):
    with pytest.raises(KeyedError, match="nearest allowed options"):
        connection_sheet(FULL, option, SITE)


# --- all options ------------------------------------------------------------------------------------------------------


def test_table_has_every_allowed_option_and_its_columns():
    table = options_table(FULL)
    assert tuple(table.columns) == OPTIONS_COLUMNS
    assert [Option(*row) for row in table[["racks", "modules"]].to_numpy().tolist()] == allowed_options(FULL)


def test_rows_are_what_plant_and_sheet_say():
    for row in options_table(FULL, volts=480.0).to_dict("records"):
        option = Option(row["racks"], row["modules"])
        plant, found = build_plant(FULL, option), connection_sheet(FULL, option, Connection(nominal_v=480.0))
        assert row["cabinets"] == plant.cabinets
        assert row["rating_kva"] == plant.rating_kva
        assert row["nominal_kwh"] == plant.nominal_kwh
        assert row["usable_kwh"] == pytest.approx(plant.usable_kwh)
        assert row["usable_h"] == pytest.approx(plant.usable_kwh / plant.rating_kva)
        assert row["parts_cost"] == plant.parts_cost
        assert (row["ac_a"], row["rack_a"]) == (found.ac_nominal_a, found.rack_a)
        assert (row["footprint_m2"], row["mass_kg"]) == (found.footprint_m2, found.mass_kg)


def test_what_is_unknown_is_not_a_number():
    table = options_table(catalogue_with())
    assert table[["footprint_m2", "mass_kg", "rack_a"]].isna().all(axis=None)
    assert table["ac_a"].notna().all()


def test_rules_that_allow_nothing_give_an_empty_table_with_its_columns():
    nothing = catalogue_from(rules={"least_racks": 5, "most_racks": 8, "most_modules": 1, "most_cabinets": 2})
    table = options_table(nothing)
    assert table.empty
    assert tuple(table.columns) == OPTIONS_COLUMNS
    assert isinstance(table, pd.DataFrame)


# --- limits kept ------------------------------------------------------------------------------------------------------

powers = st.lists(st.floats(-200, 200), min_size=6, max_size=6).map(np.array)


def within(idle_kw, **changes) -> float:
    limits = {"charge_kw": 60.0, "discharge_kw": 60.0, "import_limit_kw": np.inf, "export_limit_kw": np.inf} | changes
    n = len(idle_kw)
    return highest_within_kva(
        np.asarray(idle_kw, dtype=float),
        **{name: None if value is None else np.full(n, value) for name, value in limits.items()},
    )


@pytest.mark.parametrize(
    ("idle_kw", "changes", "kva"),
    [
        pytest.param([100.0, -20.0], {}, 160.0, id="charging at the highest load"),
        pytest.param([100.0, -20.0], {"import_limit_kw": 120.0}, 120.0, id="charging up to the limit"),
        pytest.param([100.0, -20.0], {"import_limit_kw": 90.0}, 100.0, id="load above the limit"),
        pytest.param([10.0, -50.0], {}, 110.0, id="discharging onto a surplus"),
        pytest.param([10.0, -50.0], {"export_limit_kw": 40.0}, 70.0, id="discharging up to the limit"),
        pytest.param([100.0], {"kvar": 120.0}, 200.0, id="with reactive power"),
    ],
)
def test_highest_apparent_power_within_limits(idle_kw, changes, kva):
    assert within(idle_kw, **changes) == pytest.approx(kva)


@given(idle=powers, limit=st.floats(0, 300), power=st.floats(0, 100))
def test_limits_never_raise_it_and_no_limit_is_the_sum(idle, limit, power):
    free = within(idle, charge_kw=power, discharge_kw=power)
    assert free == pytest.approx(float(np.abs(idle).max()) + power)
    kept = within(idle, charge_kw=power, discharge_kw=power, import_limit_kw=limit, export_limit_kw=limit)
    assert kept <= free + 1e-9
    assert kept <= max(limit, float(idle.max())) + 1e-9
