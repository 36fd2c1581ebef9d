"""Broken physics in a catalogue: each message says file, line, key, value, expectation and remedy."""

import pytest

from crestfall.errors import ScenarioError
from crestfall.plant import Option, build_plant
from crestfall.scenario import CatalogueFile, load_catalogue, load_scenario
from site_files import CATALOGUE, in_catalogue, message, write_site

CONSTANT = "  charge_efficiency_frac: 0.97\n  discharge_efficiency_frac: 0.95\n"


def refusal(tmp_path, old: str, new: str) -> str:
    """Return what is said of the small catalogue, on its own, with one edit."""
    assert CATALOGUE.count(old) == 1
    (tmp_path / "catalogue.yaml").write_text(CATALOGUE.replace(old, new), encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        load_catalogue(tmp_path / "catalogue.yaml")
    return message(caught.value, tmp_path)


def curve(*points: tuple[float, float]) -> str:
    lines = [f"    - {{load_frac: {load}, efficiency_frac: {efficiency}}}\n" for load, efficiency in points]
    return "  efficiency_curve:\n" + "".join(lines)


def derating(*points: tuple[float, float]) -> str:
    lines = [f"    - {{ambient_c: {ambient}, share_frac: {share}}}\n" for ambient, share in points]
    return "  auxiliary_kw: 0.2\n  derating:\n" + "".join(lines)


def thermal(*temperatures: float) -> str:
    lines = [f"      - {{ambient_c: {ambient}, power_kw: 0.1}}\n" for ambient in temperatures]
    return "  standby_kw: 0.05\n  thermal:\n    lowest_cell_c: 10\n    highest_cell_c: 30\n    power:\n" + "".join(
        lines
    )


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        pytest.param(
            CONSTANT,
            "  loss: {no_load_frac: 0.004, proportional_frac: -0.2, resistive_frac: 0.01}\n",
            "19: module.loss.proportional_frac: found -0.2, expected a number >= 0\n    loss for each unit of power",
            id="losses that make an efficiency above 1",
        ),
        pytest.param(
            CONSTANT,
            "  loss: {no_load_frac: 0.4, proportional_frac: 0.006, resistive_frac: 0.01}\n",
            "19: module.loss.no_load_frac: found 0.4, expected a number <= 0.2\n    loss at zero power while connected",
            id="losses that leave next to nothing",
        ),
        pytest.param(
            CONSTANT,
            curve((0.1, 0.95), (1.0, 98)),
            "21: module.efficiency_curve[1].efficiency_frac: found 98, expected a number <= 1\n"
            "    shares are written from 0 to 1: 98 % is 0.98",
            id="efficiency above 1",
        ),
        pytest.param(
            CONSTANT,
            curve((0.1, 0), (1.0, 0.98)),
            "20: module.efficiency_curve[0].efficiency_frac: found 0, expected a number > 0\n"
            "    AC power over AC power and loss",
            id="efficiency of 0",
        ),
        pytest.param(
            CONSTANT,
            curve((0.1, 0.9), (0.2, 0.96)),
            "21: module.efficiency_curve[1].efficiency_frac: found 0.96, expected an efficiency at which the loss is"
            " not below that of the load before\n    at most 0.9474 there; power lost grows with load",
            id="efficiency curve whose loss falls",
        ),
        pytest.param(
            CONSTANT,
            curve((0.5, 0.97), (0.25, 0.96)),
            "21: module.efficiency_curve[1].load_frac: found 0.25, expected load_frac above 0.5\n"
            "    put the points of the table in order",
            id="efficiency curve out of order",
        ),
        pytest.param(
            CONSTANT,
            CONSTANT + "  loss: {no_load_frac: 0.004, proportional_frac: 0.006, resistive_frac: 0.01}\n",
            "16: module: found a block of keys, expected charge_efficiency_frac and discharge_efficiency_frac, or loss,"
            " or efficiency_curve\n    one module, one kind of loss",
            id="two kinds of loss",
        ),
        pytest.param(
            "  auxiliary_kw: 0.2\n",
            derating((-20, 1.0), (55, 0.5), (45, 1.0)),
            "31: cabinet.derating[2].ambient_c: found 45, expected ambient_c above 55\n"
            "    put the points of the table in order",
            id="derating out of order",
        ),
        pytest.param(
            "  auxiliary_kw: 0.2\n",
            derating((45, 1.0), (45, 0.5)),
            "30: cabinet.derating[1].ambient_c: found 45, expected ambient_c above 45\n"
            "    put the points of the table in order",
            id="derating with a step",
        ),
        pytest.param(
            "  auxiliary_kw: 0.2\n",
            derating((45, 100)),
            "29: cabinet.derating[0].share_frac: found 100, expected a number <= 1\n"
            "    shares are written from 0 to 1: 100 % is 1",
            id="derating in per cent",
        ),
        pytest.param(
            "  standby_kw: 0.05\n",
            thermal(20, 10),
            "20: rack.thermal.power[1].ambient_c: found 10, expected ambient_c above 20\n"
            "    put the points of the table in order",
            id="thermal table out of order",
        ),
        pytest.param(
            "  standby_kw: 0.05\n",
            "  standby_kw: 0.05\n  resistance_ohm: 0.2\n",
            "4: rack.voltage: found nothing, expected a voltage beside resistance_ohm\n"
            "    give lowest_v, nominal_v and highest_v",
            id="resistance without a voltage",
        ),
        pytest.param(
            "  standby_kw: 0.05\n",
            "  standby_kw: 0.05\n  voltage: {lowest_v: 700, nominal_v: 600, highest_v: 800}\n",
            "15: rack.voltage.nominal_v: found 600, expected lowest_v <= nominal_v <= highest_v\n"
            "    put the three in order",
            id="voltages out of order",
        ),
        pytest.param(
            "  standby_kw: 0.05\n",
            "  standby_kw: 0.05\n  charge_taper: {from_soc_frac: 0.95, at_end_frac: 0.5}\n",
            "15: rack.charge_taper.from_soc_frac: found 0.95, expected a state of charge inside the usable window\n"
            "    the limit falls from there to the end of the window",
            id="taper beyond the window",
        ),
        pytest.param(
            "  most_racks: 8\n",
            "  most_racks: 8\n  least_racks_per_module: 3\n  most_racks_per_module: 2\n",
            "32: rules.most_racks_per_module: found 2, expected at least least_racks_per_module\n"
            "    the upper bound must not be below the lower one",
            id="ratio that nothing keeps",
        ),
    ],
)
def test_a_catalogue_that_cannot_be_is_shown_with_its_place(tmp_path, old, new, expected):
    assert refusal(tmp_path, old, new) == f"FOLDER/catalogue.yaml:{expected}\n1 problem, nothing was run"


def test_a_catalogue_is_loaded_on_its_own(tmp_path):
    (tmp_path / "catalogue.yaml").write_text(CATALOGUE, encoding="utf-8")
    catalogue = load_catalogue(str(tmp_path / "catalogue.yaml"))
    assert isinstance(catalogue, CatalogueFile)
    assert catalogue.rack.energy_kwh == 50


def test_a_limit_in_kw_says_what_a_c_rate_would(tmp_path):
    def limits_kw(folder, *edits):
        folder.mkdir()
        catalogue = load_scenario(write_site(folder, *edits)).catalogue
        plant = build_plant(catalogue, Option(2, 1))
        return plant.into_limit_kw, plant.outof_limit_kw

    by_rate = limits_kw(tmp_path / "rate")
    in_kw = [
        in_catalogue(
            "charge_c_rate_per_h: 0.5\n  discharge_c_rate_per_h: 0.8", "charge_limit_kw: 25\n  discharge_limit_kw: 40"
        )
    ]
    assert limits_kw(tmp_path / "kw", *in_kw) == pytest.approx(by_rate)
    both = in_catalogue("  charge_c_rate_per_h: 0.5", "  charge_limit_kw: 25\n  charge_c_rate_per_h: 0.5")
    with pytest.raises(ScenarioError, match="expected charge_c_rate_per_h or charge_limit_kw"):
        limits_kw(tmp_path / "both", both)
