"""What a site may choose without a battery, and what a tariff forbids with one."""

import numpy as np
import pytest

from crestfall.errors import ScenarioError
from crestfall.scenario import load_scenario
from crestfall.study import prepare, run
from crestfall.tariff import bill
from hourly_site import WITH_PV, year_csv
from site_files import TARIFF, in_scenario, in_tariff, message, write_site

AGREES = 1e-6  # of the bill
YEAR = year_csv()
LEVEL = """capacity_charges:
  - {name: Level, rate_per_kw: 5.0, averaging_min: 60, contracted_demand: 200, choose: true, excess_rate: 14.0}
fixed_charges:"""
CONTRACTED = in_tariff("fixed_charges:", LEVEL)
GOOD_FACTOR = in_scenario("  import_limit_kw: 400\n", "  power_factor_frac: 0.9\n  import_limit_kw: 400\n")


def site(folder, *edits, others=()):
    """Write the joinery with PV, some edits and further tariffs; return the scenario's path."""
    path = write_site(folder, WITH_PV, *edits, load=YEAR)
    for name, text in others:
        (folder / name).write_text(text, encoding="utf-8")
    return path


def studied(folder, *edits, others=()):
    return run(load_scenario(site(folder, *edits, others=others)))


def assert_agrees(result):
    for case in (result.hindsight, result.rules):
        assert abs(result.bill_residual(case)) < AGREES * result.before.bill_total


def other_tariff(*replacements, title="Another"):
    text = TARIFF.replace("Two prices and a peak", title)
    for old, new in replacements:
        assert text.count(old) == 1
        text = text.replace(old, new)
    return text


def test_a_chosen_level_saves_without_a_battery_and_the_battery_earns_the_rest(tmp_path):
    result = studied(tmp_path, CONTRACTED)
    assert result.saving_by_contract > 0
    assert result.saving(result.hindsight) == result.best_contract.bill_total - result.hindsight.bill_total
    assert_agrees(result)


def test_no_level_is_better_than_the_chosen_one(tmp_path):
    result = studied(tmp_path, CONTRACTED)
    frame = result.bill_frame().query("line == 'Level'")
    level_kw = frame.groupby("case")["quantity"].first()
    assert level_kw["before"] == 200
    for neighbour in (0.98, 1.02):
        fixed = LEVEL.replace("200, choose: true", f"{level_kw['best contract'] * neighbour:.3f}")
        again = prepare(load_scenario(site(tmp_path, in_tariff("fixed_charges:", fixed))))
        assert billed_without_battery(again) >= result.best_contract.bill_total


def billed_without_battery(inputs):
    return bill(inputs.rates, inputs.without_battery(inputs.rates))["amount"].sum()


def test_the_cheaper_of_two_tariffs_is_what_the_battery_is_counted_from(tmp_path):
    cheap = other_tariff(("rate_per_kwh: 0.20", "rate_per_kwh: 0.17"))
    result = studied(
        tmp_path,
        in_scenario("tariff: tariff.yaml", "tariff: tariff.yaml\ntariff_choices: [cheap.yaml]"),
        others=[("cheap.yaml", cheap)],
    )
    assert result.best_contract.rates.title == result.hindsight.rates.title == "Another"
    assert result.saving_by_contract > 0
    assert result.summary()["tariff_after"] == "Another"
    assert_agrees(result)


def test_a_tariff_that_asks_for_more_hours_of_use_is_not_open(tmp_path):
    cheap = other_tariff(("rate_per_kwh: 0.20", "rate_per_kwh: 0.10")) + "hours_of_use: {at_least_h: 8000}\n"
    result = studied(
        tmp_path,
        in_scenario("tariff: tariff.yaml", "tariff: tariff.yaml\ntariff_choices: [cheap.yaml]"),
        others=[("cheap.yaml", cheap)],
    )
    assert result.best_contract.rates.title == result.hindsight.rates.title == "Two prices and a peak"


def test_a_site_outside_of_its_hours_of_use_is_told_so(tmp_path):
    limits = in_tariff("fixed_charges:", "hours_of_use: {at_least_h: 8000}\nfixed_charges:")
    result = studied(tmp_path, limits)
    assert "by its hours of use the site does not belong on 'Two prices and a peak'" in result.warnings


def test_a_new_sheet_in_the_year_is_billed_and_optimised_from_its_date(tmp_path):
    later = other_tariff(
        ("valid_from: 2025-01-01", "valid_from: 2025-07-10"), ("rate_per_kwh: 0.20", "rate_per_kwh: 0.25")
    )
    result = studied(
        tmp_path,
        in_scenario("tariff: tariff.yaml", "tariff: [tariff.yaml, later.yaml]"),
        others=[("later.yaml", later)],
    )
    july = result.before.bill.query("period == '2025-07' and line == 'Other hours'")
    assert july["rate"].tolist() == [0.20, 0.25]
    assert result.before.rates.title == "Two prices and a peak, then Another"
    assert_agrees(result)


def test_sheets_out_of_order_are_refused(tmp_path):
    path = site(
        tmp_path,
        in_scenario("tariff: tariff.yaml", "tariff: [tariff.yaml, same.yaml]"),
        others=[("same.yaml", other_tariff())],
    )
    with pytest.raises(ScenarioError) as caught:
        load_scenario(path)
    assert message(caught.value, tmp_path) == (
        "FOLDER/same.yaml:4: valid_from: found 2025-01-01, expected a day after 2025-01-01, from which the sheet before"
        " it is valid\n    list the sheets in the order of their dates\n1 problem, nothing was run"
    )


EXPORT_RULES = {
    "a battery that charges from PV beyond the load": (
        "battery_charges_from: pv_surplus",
        lambda r, s: s.charge_kw - np.maximum(r.inputs.series.pv_kw - r.inputs.series.load_kw, 0),
    ),
    "a battery that charges from PV": ("battery_charges_from: pv", lambda r, s: s.charge_kw - r.inputs.series.pv_kw),
    "a battery that may not export": (
        "battery_exports: forbidden",
        lambda r, s: s.export_kw - np.maximum(r.inputs.series.pv_kw - r.inputs.series.load_kw, 0),
    ),
    "no export": ("limit_kw: 0", lambda r, s: s.export_kw),
}


@pytest.mark.parametrize("rule", EXPORT_RULES)
def test_a_schedule_keeps(rule, tmp_path):
    key, excess = EXPORT_RULES[rule]
    result = studied(tmp_path, in_tariff("export:\n  rate_per_kwh: 0.06", f"export:\n  rate_per_kwh: 0.06\n  {key}"))
    # A store at its floor makes good what it loses by standing, some watts, from anywhere.
    upkeep_kw = 0.01
    for case in (result.hindsight, result.rules):
        assert excess(result, case.schedule).max() < upkeep_kw
    assert result.hindsight.schedule.charge_kw.sum() > 100
    assert_agrees(result)


def test_apparent_power_is_optimised_to_a_proven_bound(tmp_path):
    kva = in_tariff("rate_per_kw: 9.5", "rate_per_kva: 9.5")
    result = studied(tmp_path, kva, GOOD_FACTOR)
    assert result.hindsight.schedule.gap_frac(result.idle_cost) < 1e-6
    assert result.saving(result.hindsight) > 0
    assert_agrees(result)


def test_apparent_power_without_reactive_power_is_refused(tmp_path):
    path = site(tmp_path, in_tariff("rate_per_kw: 9.5", "rate_per_kva: 9.5"))
    with pytest.raises(ScenarioError) as caught:
        prepare(load_scenario(path))
    assert message(caught.value, tmp_path) == (
        "FOLDER/scenario.yaml:2: site: found neither reactive nor power_factor_frac, expected one of them, since the"
        " tariff bills kVA or reactive power\n    give the power factor of the load, for example power_factor_frac:"
        " 0.92\n1 problem, nothing was run"
    )


def test_reactive_readings_and_a_power_factor_say_the_same(tmp_path):
    rows = YEAR.splitlines()
    kvar = [float(row.split(",")[1]) * np.tan(np.arccos(0.9)) for row in rows[1:]]
    text = "\n".join(
        ["time,kvar", *(f"{row.split(',')[0]},{q!r}" for row, q in zip(rows[1:], map(float, kvar), strict=True))]
    )
    metered = "  reactive: {file: reactive.csv, column: kvar, unit: kvar}\n  import_limit_kw: 400\n"
    kva = in_tariff("rate_per_kw: 9.5", "rate_per_kva: 9.5")
    first = prepare(load_scenario(site(tmp_path, kva, GOOD_FACTOR)))
    path = site(tmp_path, kva, in_scenario("  import_limit_kw: 400\n", metered), others=[("reactive.csv", text)])
    second = prepare(load_scenario(path))
    np.testing.assert_allclose(first.series.kvar, second.series.kvar, rtol=1e-12)


def test_blocks_that_get_cheaper_are_billed_as_they_are_and_the_gap_is_stated(tmp_path):
    tiers = "tiers: [{upto_kwh: 15000, rate_per_kwh: 0.2}, {rate_per_kwh: 0.1}]"
    result = studied(
        tmp_path, in_tariff("  - name: Other hours\n    rate_per_kwh: 0.20", f"  - name: Other hours\n    {tiers}")
    )
    gap_frac = result.hindsight.schedule.gap_frac(result.idle_cost)
    stated = [warning for warning in result.warnings if "settled by a local search" in warning]
    assert bool(stated) == (gap_frac > AGREES)
    assert result.hindsight.schedule.objective <= result.idle_cost
    assert_agrees(result)


def test_savings_by_line_add_up_to_the_saving(tmp_path):
    result = studied(tmp_path, CONTRACTED)
    table = result.savings_by_line()
    assert table["saved"].sum() == pytest.approx(result.saving(result.hindsight))
    assert table["before"].sum() == pytest.approx(result.before.bill_total)
    assert table.set_index("line").loc["Level", "saved"] > 0


def test_blocks_by_hours_use_that_get_dearer_do_not_reward_a_billed_peak(tmp_path):
    tiers = "hours_of: Peak\n    tiers: [{upto_hours: 200, rate_per_kwh: 0.08}, {rate_per_kwh: 0.13}]"
    result = studied(
        tmp_path, in_tariff("  - name: Other hours\n    rate_per_kwh: 0.20", f"  - name: Other hours\n    {tiers}")
    )
    assert result.saving(result.hindsight) > -result.idle_cost * 0.01
    assert any("end at the hours use of the peak without the battery" in warning for warning in result.warnings)


def test_a_sheet_that_is_never_valid_in_the_data_is_named(tmp_path):
    later = other_tariff(("valid_from: 2025-01-01", "valid_from: 2030-01-01"))
    result = studied(
        tmp_path,
        in_scenario("tariff: tariff.yaml", "tariff: [tariff.yaml, later.yaml]"),
        others=[("later.yaml", later)],
    )
    assert "'Another' is valid from 2030-01-01, after the data, and bills nothing" in result.warnings


def test_a_line_that_changes_its_group_is_summed_in_each(tmp_path):
    later = other_tariff(
        ("valid_from: 2025-01-01", "valid_from: 2025-07-01"),
        ("fixed_charges:\n  - name: Meter\n    amount_per_month: 12\n", ""),
    ).replace("energy_charges:\n", "energy_charges:\n  - {name: Meter, component: Metering, rate_per_kwh: 0.001}\n")
    result = studied(
        tmp_path,
        in_scenario("tariff: tariff.yaml", "tariff: [tariff.yaml, later.yaml]"),
        others=[("later.yaml", later)],
    )
    table = result.savings_by_line().set_index(["group", "line"])
    assert table.loc[("fixed", "Meter"), "before"] == pytest.approx(6 * 12)
    assert table.loc[("energy", "Meter"), "before"] > 0
