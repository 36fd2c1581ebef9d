"""Life, warranty and money that cannot be: each message says file, line, key, value, expectation and remedy."""

import pytest

from crestfall.errors import ScenarioError
from crestfall.scenario import load_catalogue, load_scenario
from crestfall.scenario.rack_life import LAWS
from site_files import in_catalogue, in_scenario, in_tariff, message, write_site

STANDBY = "  standby_kw: 0.05\n"
MONEY = "  installation_cost: 1500\n"
DISCOUNT = "  discount: {rate_frac: 0.05, terms: real}\n"


def in_rack(text: str):
    return in_catalogue(STANDBY, STANDBY + text)


def in_money(text: str):
    return in_scenario(MONEY, MONEY + text)


def with_life(text: str):
    return in_scenario(MONEY, f"{MONEY}life:\n  horizon_years: 10\n{text}")


def refusal(folder, *edits) -> str:
    with pytest.raises(ScenarioError) as caught:
        load_scenario(write_site(folder, *edits))
    return message(caught.value, folder)


@pytest.mark.parametrize(
    ("edit", "expected"),
    [
        pytest.param(
            in_rack("  life: {law: linear}\n"),
            "catalogue.yaml:15: rack.life.law: found 'linear', expected one of cycle_table, lfp_calendar_and_cycle,"
            " lfp_power_law, per_cycle_and_year, health_by_year\n"
            "    name of the fade law; it decides the other keys",
            id="unknown law",
        ),
        pytest.param(
            in_rack("  life: {calendar_factor: 1.0}\n"),
            "catalogue.yaml:15: rack.life.law: required, but missing\n"
            "    name of the fade law; it decides the other keys",
            id="no law",
        ),
        pytest.param(
            in_rack("  life: {law: lfp_calendar_and_cycle, calender_factor: 0.9}\n"),
            "catalogue.yaml:15: rack.life.calender_factor: unknown key\n    did you mean 'calendar_factor'?",
            id="unknown key of a law",
        ),
        pytest.param(
            in_rack("  life: {law: lfp_power_law, calendar_loss_frac_per_year: 2}\n"),
            "catalogue.yaml:15: rack.life.calendar_loss_frac_per_year: found 2, expected a number < 0.5\n"
            "    shares are written from 0 to 1: 2 % is 0.02",
            id="loss in per cent",
        ),
        pytest.param(
            in_rack(
                "  life:\n    law: cycle_table\n    end_health_frac: 0.7\n    calendar_loss_frac_per_year: 0.01\n"
                "    table:\n    - {depth_frac: 0.9, cycles: 6000}\n    - {depth_frac: 0.5, cycles: 12000}\n"
            ),
            "catalogue.yaml:21: rack.life.table[1].depth_frac: found 0.5, expected depth_frac above 0.9\n"
            "    put the points of the table in order",
            id="table out of order",
        ),
        pytest.param(
            in_rack(
                "  life:\n    law: cycle_table\n    end_health_frac: 0.7\n    calendar_loss_frac_per_year: 0.01\n"
                "    table:\n    - {depth_frac: 0.5, cycles: 6000}\n    - {depth_frac: 0.9, cycles: 12000}\n"
            ),
            "catalogue.yaml:21: rack.life.table[1].cycles: found 12000, expected cycles below 6000\n"
            "    deeper cycles wear more, so there are fewer of them",
            id="table upside down",
        ),
        pytest.param(
            in_rack(
                "  life:\n    law: health_by_year\n    curve:\n    - {year: 1, health_frac: 0.9}\n"
                "    - {year: 2, health_frac: 0.95}\n"
            ),
            "catalogue.yaml:19: rack.life.curve[1].health_frac: found 0.95, expected a health of at most 0.9\n"
            "    capacity does not come back with age",
            id="health that rises",
        ),
        pytest.param(
            in_rack("  warranty: {years: 10, most_cycles_per_year: 400, most_cycles: 300}\n"),
            "catalogue.yaml:15: rack.warranty.most_cycles: found 300, expected at least most_cycles_per_year\n"
            "    the cycles of one year are among the cycles in all",
            id="fewer cycles in all than in a year",
        ),
        pytest.param(
            in_rack("  warranty: {years: 10, most_cycles: 0}\n"),
            "catalogue.yaml:15: rack.warranty.most_cycles: found 0, expected a number > 0\n"
            "    most cycles in all; left out: no limit",
            id="no cycle allowed",
        ),
        pytest.param(
            in_rack("  warranty: {years: 10, highest_mean_soc_frac: 0.1}\n"),
            "catalogue.yaml:15: rack.warranty.highest_mean_soc_frac: found 0.1, expected a mean state of charge above"
            " lowest_soc_frac (0.1)\n    no rack could keep it, not even at zero cycles",
            id="mean state of charge that no rack keeps",
        ),
        pytest.param(
            in_rack(
                "  thermal: {power: [{ambient_c: 20, power_kw: 0.1}], lowest_cell_c: 18, highest_cell_c: 30}\n"
                "  warranty: {years: 10, highest_cell_c: 15}\n"
            ),
            "catalogue.yaml:16: rack.warranty.highest_cell_c: found 15, expected a temperature inside the band of"
            " thermal (18 to 30 degrees C)\n    no rack could keep it, not even at zero cycles",
            id="temperature that no rack keeps",
        ),
        pytest.param(
            in_rack("  warranty: {years: 10, lowest_cell_c: 30, highest_cell_c: 20}\n"),
            "catalogue.yaml:15: rack.warranty.highest_cell_c: found 20, expected a value above lowest_cell_c\n"
            "    the band must not be empty",
            id="temperatures out of order",
        ),
        pytest.param(
            in_rack("  warranty:\n    years: 5\n    health_by_year:\n    - {year: 10, health_frac: 0.7}\n"),
            "catalogue.yaml:18: rack.warranty.health_by_year[0].year: found 10, expected a year of at most 5, the end"
            " of the warranty\n    drop the points beyond it, or raise years",
            id="guarantee beyond the warranty",
        ),
        pytest.param(
            in_catalogue("  price: 9000\n", "  price: 9000\n  price_breaks:\n  - {from_count: 5, price: 9500}\n"),
            "catalogue.yaml:17: rack.price_breaks[0].price: found 9500, expected a price of at most 9000\n"
            "    a quantity break makes the part cheaper",
            id="quantity break that is dearer",
        ),
        pytest.param(
            in_catalogue(
                "  price: 9000\n",
                "  price: 9000\n  price_breaks:\n  - {from_count: 5, price: 8500}\n  - {from_count: 5, price: 8000}\n",
            ),
            "catalogue.yaml:18: rack.price_breaks[1].from_count: found 5, expected from_count above 5\n"
            "    put the points of the table in order",
            id="two breaks for one number",
        ),
    ],
)
def test_a_rack_that_cannot_live_so_is_shown_with_its_place(tmp_path, edit, expected):
    assert refusal(tmp_path, edit) == f"FOLDER/{expected}\n1 problem, nothing was run"


@pytest.mark.parametrize(
    ("edit", "expected"),
    [
        pytest.param(
            in_scenario(MONEY, MONEY + "life: {horizon_years: 0}\n"),
            "scenario.yaml:18: life.horizon_years: found 0, expected a number >= 1\n"
            "    years of operation that are studied, from 1",
            id="horizon of 0",
        ),
        pytest.param(
            with_life("  load_growth_frac_per_year: 2\n"),
            "scenario.yaml:20: life.load_growth_frac_per_year: found 2, expected a number < 0.5\n"
            "    shares are written from 0 to 1: 2 % is 0.02",
            id="growth in per cent",
        ),
        pytest.param(
            with_life("  end_of_life: {then: replace}\n"),
            "scenario.yaml:20: life.end_of_life.prices: found nothing, expected the price of later racks beside"
            " replace\n    give rack_price, and how it falls",
            id="replacement without a price",
        ),
        pytest.param(
            with_life("  end_of_life: {then: augment, prices: {rack_price: 9000}}\n"),
            "scenario.yaml:20: life.end_of_life.additions: found nothing, expected at least one addition beside"
            " augment\n    give year and racks of each",
            id="augment without additions",
        ),
        pytest.param(
            with_life(
                "  end_of_life:\n    then: augment\n    prices: {rack_price: 9000}\n"
                "    additions:\n    - {year: 11, racks: 1}\n"
            ),
            "scenario.yaml:24: life.end_of_life.additions[0].year: found 11, expected a year of at most 10, the"
            " horizon\n    racks that join later do nothing here",
            id="addition beyond the horizon",
        ),
        pytest.param(
            with_life(
                "  end_of_life:\n    then: augment\n    prices: {rack_price: 9000}\n    additions:\n    - {year: 5}\n"
            ),
            "scenario.yaml:24: life.end_of_life.additions[0].racks: found nothing, expected racks, or"
            " promised_usable_kwh beside additions\n    one of them says how many racks join",
            id="addition of nobody knows how many",
        ),
        pytest.param(
            with_life("  end_of_life:\n    then: stop\n    additions:\n    - {year: 5, racks: 1}\n"),
            "scenario.yaml:22: life.end_of_life.additions: found a list of 1, expected no additions\n"
            "    racks join with then: augment, not with stop",
            id="additions to a plan that stops",
        ),
        pytest.param(
            in_money("  discount: {rate_frac: 8, terms: nominal}\n"),
            "scenario.yaml:18: money.discount.rate_frac: found 8, expected a number <= 1\n"
            "    shares are written from 0 to 1: 8 % is 0.08",
            id="rate in per cent",
        ),
        pytest.param(
            in_money("  discount: {rate_frac: 0.08}\n"),
            "scenario.yaml:18: money.discount.terms: required, but missing\n"
            "    nominal (rates as banks quote them, prices rise) or real (inflation taken out, prices of today)",
            id="rate that is neither nominal nor real",
        ),
        pytest.param(
            in_money(DISCOUNT + "  service: {amount_per_year: 900, escalation_frac_per_year: 0.02}\n"),
            "scenario.yaml:19: money.service.escalation_frac_per_year: found 0.02, expected an escalation in real"
            " terms, as the discount rate\n    nominal escalation and real discounting do not mix; restate one, and set"
            " escalation_terms",
            id="real rate with a nominal escalation",
        ),
        pytest.param(
            in_money(DISCOUNT + "  tax: {rate_frac: 0.3, depreciation_years: 10}\n"),
            "scenario.yaml:19: money.tax: found a block of keys, expected no tax beside a real discount rate\n"
            "    instalments and depreciation are fixed in nominal money; discount at a nominal rate",
            id="depreciation at a real rate",
        ),
        pytest.param(
            in_money("  loan: {share_frac: 0.7, rate_frac: 0.05, years: 8}\n"),
            "scenario.yaml:15: money.discount: found nothing, expected a discount rate beside loan\n"
            "    give rate_frac and terms",
            id="loan without a discount rate",
        ),
        pytest.param(
            in_money("  tax: {rate_frac: 0.3, depreciation_years: 10, declining_frac: 0.2}\n"),
            "scenario.yaml:18: money.tax.declining_frac: found 0.2, expected no declining_frac beside straight_line\n"
            "    write depreciation: declining",
            id="declining share of a straight line",
        ),
    ],
)
def test_money_and_years_that_cannot_be_are_shown_with_their_place(tmp_path, edit, expected):
    assert refusal(tmp_path, edit) == f"FOLDER/{expected}\n1 problem, nothing was run"


def test_a_real_rate_refuses_what_rises_in_nominal_terms_in_other_files(tmp_path):
    edits = [
        in_money(
            DISCOUNT + "life:\n  horizon_years: 10\n  end_of_life:\n    then: replace\n"
            "    prices: {rack_price: 9000, price_fall_frac_per_year: 0.03}\n"
        ),
        in_tariff("fixed_charges:", "escalation: {energy_frac_per_year: 0.02}\nfixed_charges:"),
    ]
    assert refusal(tmp_path, *edits) == (
        "FOLDER/tariff.yaml:25: escalation.energy_frac_per_year: found 0.02 in nominal terms (money.escalation_terms),"
        " expected a rate in real terms, as money.discount\n"
        "    restate one of them; real and nominal rates do not mix\n"
        "FOLDER/scenario.yaml:23: life.end_of_life.prices.price_fall_frac_per_year: found 0.03 in nominal terms"
        " (money.escalation_terms), expected a rate in real terms, as money.discount\n"
        "    restate one of them; real and nominal rates do not mix\n"
        "2 problems, nothing was run"
    )


def test_a_real_rate_with_real_escalations_is_welcome(scenario_with):
    scenario = scenario_with(
        in_money(
            DISCOUNT + "  escalation_terms: real\n  service: {amount_per_year: 900, escalation_frac_per_year: 0.01}\n"
        ),
        in_tariff("fixed_charges:", "escalation: {energy_frac_per_year: 0.02}\nfixed_charges:"),
    )
    assert scenario.ask.money.discount.terms == "real"


def test_a_real_rate_where_nothing_rises_is_welcome(scenario_with):
    assert scenario_with(in_money(DISCOUNT)).ask.money.escalations == {"service": 0, "insurance": 0, "land": 0}


def test_a_scenario_without_the_new_keys_is_as_before(valid_scenario):
    ask, rack = valid_scenario.ask, valid_scenario.catalogue.rack
    assert (ask.life, ask.money.discount, ask.money.tax, ask.money.loan) == (None,) * 4
    assert (rack.life, rack.warranty, rack.price_breaks) == (None, None, ())


@pytest.mark.parametrize("law", LAWS)
def test_a_law_is_read_with_its_own_keys(tmp_path, law):
    texts = {
        "cycle_table": "table: [{depth_frac: 0.8, cycles: 6000}], end_health_frac: 0.7,"
        " calendar_loss_frac_per_year: 0.01",
        "per_cycle_and_year": "loss_frac_per_full_cycle: 0.00004, calendar_loss_frac_per_year: 0.01",
        "health_by_year": "curve: [{year: 10, health_frac: 0.7}]",
    }
    write_site(tmp_path, in_rack(f"  life: {{law: {law}, {texts.get(law, '')}}}\n"))
    assert load_catalogue(tmp_path / "catalogue.yaml").rack.life.law == law
