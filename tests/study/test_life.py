"""Years of life on the joinery's hourly year: what each of them follows from, and what the whole is worth."""

import numpy as np
import pytest

from crestfall.dispatch import ImportLimitError, optimise
from crestfall.errors import InfeasibleError, ScenarioError, SolverError
from crestfall.scenario import load_scenario
from crestfall.study import YEAR_COLUMNS, prepare, run
from crestfall.study._life import AGREES_FRAC, life_of
from hourly_site import BY_RULES, NO_BATTERY, WITH_PV, year_csv
from site_files import Edit, in_catalogue, in_scenario, in_tariff, message, write_site

YEAR = year_csv()
PRICE = "  standby_kw: 0.05\n  price: 9000\n"
MONEY = "  installation_cost: 1500\n"
PRICES = "prices: {rack_price: 8000, works_cost: 400, price_fall_frac_per_year: 0.05}"
RATCHET = in_tariff("    averaging_min: 60\n", "    averaging_min: 60\n    ratchet: {share_frac: 0.9}\n")


def racks(cycle: float = 5e-5, year: float = 0.012, *, more: str = "") -> Edit:
    """Return the edit that lets racks lose so much with each cycle and each year."""
    law = f"{{law: per_cycle_and_year, loss_frac_per_full_cycle: {cycle}, calendar_loss_frac_per_year: {year}}}"
    return in_catalogue(PRICE, f"{PRICE}  life: {law}\n{more}")


def life(years: int = 3, text: str = "", *, money: str = "  discount: {rate_frac: 0.06, terms: nominal}\n") -> Edit:
    return in_scenario(MONEY, f"{MONEY}{money}life:\n  horizon_years: {years}\n{text}")


def end_of_life(text: str) -> str:
    return f"  end_of_life:\n    {text}\n"


def scenario(folder, *edits):
    return load_scenario(write_site(folder, WITH_PV, *edits, load=YEAR))


def lived(folder, *edits):
    """Return the life of the joinery's battery."""
    return life_of(prepare(scenario(folder, *edits)))


def refusal(folder, *edits) -> str:
    with pytest.raises(ScenarioError) as caught:
        prepare(scenario(folder, *edits))
    return message(caught.value, folder)


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """Three years of racks that fade, under a warranty of few cycles that the schedule does not know."""
    warranty = "  warranty: {years: 2, most_cycles_per_year: 180, health_by_year: [{year: 1, health_frac: 0.9}]}\n"
    folder = tmp_path_factory.mktemp("joinery")
    return run(scenario(folder, racks(more=warranty), life(3, "  load_growth_frac_per_year: 0.01\n")))


# --- one year after the other -----------------------------------------------------------------------------------------


def test_a_scenario_without_a_life_has_none(tmp_path):
    plain = run(scenario(tmp_path))
    assert plain.life is None
    assert "life" not in plain.summary()


def test_without_a_battery_there_is_no_life(tmp_path):
    assert run(scenario(tmp_path, NO_BATTERY, racks(), life())).life is None


@pytest.mark.parametrize("policy", [(), (BY_RULES,)], ids=["hindsight", "rules"])
def test_where_nothing_fades_grows_or_rises_every_year_is_the_plain_first_one(tmp_path, policy):
    found = run(scenario(tmp_path, racks(0, 0), life(2), *policy))
    # Of equal years an optimum that sets out from the last one may be another within the proven gap.
    tolerance = 1e-6 if policy else 1e-6 * found.before.bill_total
    for year in found.life.years:
        assert year.saving == pytest.approx(found.saving(found.headline), abs=tolerance)
        cycles = found.headline.use.equivalent_full_cycles
        assert year.full_cycles == pytest.approx(cycles, rel=1e-6 if policy else 0.02)
        assert (year.health_end_frac, year.solves) == (1, 1)


def test_the_mean_of_a_year_is_that_of_its_beginning_and_end(result):
    for year in result.life.years:
        mean = 0.5 * (year.health_start_frac + year.health_end_frac)
        assert year.health_mean_frac == pytest.approx(mean, abs=AGREES_FRAC)
        assert year.usable_kwh == pytest.approx(year.health_mean_frac * result.inputs.plant.usable_kwh)


def test_a_year_begins_as_the_one_before_ended(result):
    years = result.life.years
    assert years[0].health_start_frac == 1
    assert [year.health_start_frac for year in years[1:]] == [year.health_end_frac for year in years[:-1]]


def test_fade_is_what_the_law_says_of_years_and_cycles(result):
    # 5e-5 a cycle and 0.012 a year of 365.25 days, as the catalogue states them.
    for year in result.life.years:
        cycles = sum(one.full_cycles for one in result.life.years[: year.year])
        assert year.cycle_loss_frac == pytest.approx(5e-5 * cycles)
        assert year.calendar_loss_frac == pytest.approx(0.012 * year.year * 8760 / 8766)
        assert year.health_end_frac == pytest.approx(1 - year.cycle_loss_frac - year.calendar_loss_frac)


def test_the_bill_without_the_battery_grows_with_the_load(result):
    first, second, _ = (year.bill_without for year in result.life.years)
    assert first == pytest.approx(result.before.bill_total)
    assert first < second < 1.02 * first


def test_savings_by_line_add_up_to_the_difference_of_the_bills(result):
    for year in result.life.years:
        assert sum(year.line_savings.values()) == pytest.approx(year.bill_without - year.bill_with, abs=1e-6)
    assert result.life.project.savings == pytest.approx([year.saving for year in result.life.years])


def test_a_higher_price_of_wear_never_means_more_cycles_or_fade(tmp_path):
    lives = [
        lived(tmp_path, racks(), life(1), in_scenario("money:", f"dispatch: {{wear_per_kwh: {wear}}}\nmoney:"))
        for wear in (0.0, 0.07, 0.2)
    ]
    cycles = [one.years[-1].full_cycles for one in lives]
    losses = [one.years[-1].cycle_loss_frac for one in lives]
    assert cycles == sorted(cycles, reverse=True)
    assert losses == sorted(losses, reverse=True)
    assert losses[0] > losses[-1]


def test_time_between_delivery_and_commissioning_costs_calendar_fade(tmp_path):
    found = lived(tmp_path, racks(), life(1, "  delivery_months: 6\n"))
    assert found.years[0].health_start_frac == pytest.approx(1 - 0.5 * 0.012)


def test_rates_rise_from_year_to_year(tmp_path):
    rising = in_tariff("fixed_charges:", "escalation: {energy_frac_per_year: 0.1}\nfixed_charges:")
    bills = [year.bill_without for year in lived(tmp_path, racks(), life(3), rising).years]
    plain = run(scenario(tmp_path)).before.bill
    energy = plain.loc[plain["group"] == "energy", "amount"].sum()
    steps = [0.1 * energy, 1.1 * 0.1 * energy]
    assert np.diff(bills) == pytest.approx(steps, rel=1e-6)


def test_a_ratchet_remembers_the_replayed_peaks_of_the_year_before(tmp_path):
    # Of the first year it remembers the peaks before the battery; from the second on, those that the battery left.
    found = lived(tmp_path, racks(0, 0), life(3), RATCHET)
    first, second, third = (year.line_savings["Peak"] for year in found.years)
    assert min(second, third) > first + 100


def test_a_given_history_of_peaks_is_forgotten_after_the_first_year(tmp_path):
    history = ", ".join(["390"] * 11)
    given = in_tariff(
        "    averaging_min: 60\n", f"    averaging_min: 60\n    ratchet: {{share_frac: 0.9, history: [{history}]}}\n"
    )
    first, second = (year.bill_without for year in lived(tmp_path, racks(), life(2), given).years)
    assert first > second + 1000


# --- what is done about fade ------------------------------------------------------------------------------------------


def test_a_plan_that_stops_leaves_the_site_without_a_battery(tmp_path):
    found = lived(tmp_path, racks(0, 0.2), life(4, end_of_life("then: stop")))
    assert [year.racks for year in found.years] == [2, 2, 0, 0]
    assert found.last_year_in_use == 2
    assert [year.saving for year in found.years[2:]] == [0, 0]
    assert found.summary()["health_end_frac"][2:] == [None, None]


def test_a_ratchet_remembers_a_battery_that_is_gone(tmp_path):
    found = lived(tmp_path, racks(0, 0.4), life(3, end_of_life("then: stop")), RATCHET)
    last, after, later = found.years
    assert [year.racks for year in found.years] == [2, 0, 0]
    assert after.line_savings["Peak"] == pytest.approx(after.saving)
    assert 0 < after.saving < last.saving
    assert later.saving == 0


def test_replaced_racks_begin_anew_and_are_paid_at_the_price_of_their_year(tmp_path):
    found = lived(tmp_path, racks(0, 0.2), life(4, end_of_life(f"then: replace\n    {PRICES}")))
    assert [year.racks_bought for year in found.years] == [0, 0, 2, 0]
    assert found.years[2].health_start_frac == 1
    cost = 2 * 8000 * 0.95**2 + 400
    assert found.project.replacement_cost == pytest.approx([0, 0, cost, 0])
    assert found.appraisal.frame["replacements"].tolist() == pytest.approx([0, 0, -cost, 0, 0])


def test_racks_that_join_are_younger_and_share_the_work(tmp_path):
    plan = end_of_life(f"then: augment\n    {PRICES}\n    additions: [{{year: 2, racks: 1}}]")
    found = lived(tmp_path, racks(0, 0.03), life(2, plan))
    assert [year.racks for year in found.years] == [2, 3]
    assert found.years[1].health_start_frac == pytest.approx((2 * found.years[0].health_end_frac + 1) / 3)


def test_additions_restore_the_promised_energy(tmp_path):
    plan = end_of_life(f"then: augment\n    {PRICES}\n    promised_usable_kwh: 78\n    additions: [{{year: 2}}]")
    found = lived(tmp_path, racks(0, 0.1), life(2, plan))
    assert found.years[1].racks_bought == 1
    assert found.years[1].health_start_frac * 3 * 40 >= 78


def test_an_addition_in_the_last_year_is_never_free(tmp_path):
    alone = lived(tmp_path, racks(), life(2))
    plan = end_of_life(f"then: augment\n    {PRICES}\n    additions: [{{year: 2, racks: 1}}]")
    joined = lived(tmp_path, racks(), life(2, plan))
    assert joined.project.replacement_cost[1] == pytest.approx(8000 * 0.95 + 400)
    more = joined.years[1].saving - alone.years[1].saving
    worth = joined.appraisal.without_debt.npv - alone.appraisal.without_debt.npv
    assert worth == pytest.approx(more / 1.06**2 - (8000 * 0.95 + 400) / 1.06, abs=1e-4)
    assert worth < 0


def test_racks_without_room_are_refused_before_anything_is_solved(tmp_path):
    additions = "additions:\n    - {year: 2, racks: 1}\n    - {year: 3, racks: 6}"
    plan = end_of_life(f"then: augment\n    {PRICES}\n    {additions}")
    assert refusal(tmp_path, racks(), life(3, plan)) == (
        "FOLDER/scenario.yaml:31: life.end_of_life.additions[1]: found 9 racks in all, expected 1 to 8 racks"
        " (least_racks and most_racks of the catalogue)\n"
        "    let fewer racks join, or choose an option with room for them\n1 problem, nothing was run"
    )


def test_racks_that_have_nothing_left_are_refused_with_the_year(tmp_path):
    with pytest.raises(ScenarioError) as caught:
        run(scenario(tmp_path, racks(0.004, 0.4), life(3, end_of_life("then: stop"))))
    assert "of the nominal energy by the end of year 1" in str(caught.value)


# --- warranty and wear ------------------------------------------------------------------------------------------------


def test_margins_and_the_year_of_breach_are_shown(result):
    found = result.life
    (racks_of_one,) = found.warranties
    margins = racks_of_one.check.frame["cycles_margin"]
    assert margins.iloc[0] == pytest.approx(180 - found.years[0].full_cycles)
    assert np.isnan(margins.iloc[2])  # the warranty is over
    assert found.year_of_breach == 1
    assert found.summary()["warranty"]["breaches"] == [
        {"racks_of_year": 1, "term": "cycles_margin", "year": 1, "margin": pytest.approx(margins.iloc[0])}
    ]


def test_a_warranty_is_kept_where_it_is_asked_for_and_its_cost_is_shown(tmp_path):
    warranty = "  warranty: {years: 10, most_cycles_per_year: 150}\n"
    free, kept = (lived(tmp_path, racks(more=warranty), life(2, text)) for text in ("", "  respect_warranty: true\n"))
    assert (free.year_of_breach, kept.year_of_breach) == (1, None)
    for year, unbound in zip(kept.years, free.years, strict=True):
        assert 149 < year.full_cycles <= 150  # the budget is used, not only kept
        assert year.warranty_cost > 0
        assert year.saving < unbound.saving
    assert kept.years[0].warranty_cost == pytest.approx(free.years[0].saving - kept.years[0].saving, rel=0.02)


def test_a_warranty_that_does_not_bind_costs_nothing(tmp_path):
    warranty = "  warranty: {years: 10, most_cycles_per_year: 400}\n"
    free, kept = (lived(tmp_path, racks(more=warranty), life(1, text)) for text in ("", "  respect_warranty: true\n"))
    assert kept.years == free.years


def test_a_replaced_rack_has_a_warranty_of_its_own(tmp_path):
    warranty = "  warranty: {years: 10, most_cycles_per_year: 400}\n"
    plan = end_of_life(f"then: replace\n    {PRICES}")
    found = lived(tmp_path, racks(0, 0.2, more=warranty), life(4, plan))
    assert [(one.joined_year, len(one.check.frame)) for one in found.warranties] == [(1, 2), (3, 2)]


def test_the_marginal_price_of_wear_is_used_and_in_no_cash(tmp_path):
    fast = racks(6e-4, 0.0)
    given, marginal = (lived(tmp_path, fast, life(3, text)) for text in ("", "  wear: marginal\n"))
    assert [one.wear_per_kwh for one in given.wear] == [0]
    first, second = marginal.wear
    assert first == given.wear[0]
    assert second.wear_per_kwh == first.marginal_per_kwh > 0
    assert second.full_cycles < first.full_cycles
    assert {year.wear_per_kwh for year in marginal.years if year.racks} == {first.marginal_per_kwh}
    for year in marginal.years:
        assert year.saving == pytest.approx(sum(year.line_savings.values()), abs=1e-6)


def test_at_a_consistent_price_of_wear_the_racks_just_last_the_study(tmp_path):
    """Three tenths of the capacity are lost to 500 cycles of 6e-4 each: 167 a year over three years.

    One of them costs dearly while there are more, and nothing once there are fewer.
    """
    *others, used = lived(tmp_path, racks(6e-4, 0.0), life(3, "  wear: consistent\n")).wear
    assert others[0].wear_per_kwh == 0
    assert used.full_cycles <= 167
    below = [one for one in others if one.wear_per_kwh < used.wear_per_kwh]
    assert all(one.full_cycles > 166 and one.marginal_per_kwh > one.wear_per_kwh for one in below)
    assert all(one.wear_per_kwh >= used.wear_per_kwh for one in others if one not in below)
    assert max(one.wear_per_kwh for one in below) > 0.95 * used.wear_per_kwh


def test_wear_costs_nothing_where_the_horizon_comes_first(tmp_path):
    (trial,) = lived(tmp_path, racks(), life(2)).wear
    assert trial.marginal_per_kwh == 0


def test_a_banks_case_follows_the_guaranteed_curve(tmp_path):
    warranty = (
        "  warranty:\n    years: 10\n    availability_frac: 0.95\n    round_trip_frac: 0.84\n"
        "    health_by_year: [{year: 1, health_frac: 0.95}, {year: 3, health_frac: 0.85}]\n"
    )
    own, banks = (lived(tmp_path, racks(0, 0.02, more=warranty), life(2, text)) for text in ("", "  fade: warranted\n"))
    # Guaranteed at 1 and 2 years; the data's year has 8760 of 8766 hours.
    assert [year.health_end_frac for year in banks.years] == pytest.approx([0.95, 0.90], abs=2e-4)
    assert all(bank.saving < plain.saving for bank, plain in zip(banks.years, own.years, strict=True))
    assert banks.years[0].round_trip_frac < own.years[0].round_trip_frac


# --- money ------------------------------------------------------------------------------------------------------------


def test_cash_is_what_the_years_saved_less_what_was_spent(result):
    frame, found = result.life.appraisal.frame, result.life
    assert frame["cash"].tolist() == pytest.approx([-result.capital, *(year.saving for year in found.years)])
    by_hand = sum(cash / 1.06**year for year, cash in enumerate(frame["cash"]))
    assert found.appraisal.without_debt.npv == pytest.approx(by_hand)


def test_summary_and_tables_hold_every_year(result):
    summary, frame = result.summary()["life"], result.life.years_frame()
    assert tuple(frame.columns[: len(YEAR_COLUMNS)]) == YEAR_COLUMNS
    assert frame.index.tolist() == [1, 2, 3]
    assert summary["saving"] == frame["saving"].tolist()
    assert {"npv", "irr_frac", "payback_years", "health_end_frac", "warranty"} <= set(summary)


def test_progress_is_told_year_by_year(tmp_path):
    stages: list[str] = []
    run(scenario(tmp_path, racks(), life(2)), on_stage=stages.append)
    assert stages[-3:] == ["trying the price of wear", "year 1 of 2", "year 2 of 2"]


# --- what cannot be ---------------------------------------------------------------------------------------------------


def test_racks_of_unknown_fade_are_refused(tmp_path):
    assert refusal(tmp_path, life()) == (
        "FOLDER/catalogue.yaml:4: rack.life: found nothing, expected a law of fade, since the scenario asks for the"
        " years of life\n    say how the rack fades (crestfall schema catalogue lists the laws), or drop life from the"
        " scenario\n1 problem, nothing was run"
    )


def test_a_bank_without_a_guaranteed_curve_is_refused(tmp_path):
    text = refusal(tmp_path, racks(), life(2, "  fade: warranted\n"))
    assert "rack.warranty: found no health_by_year, expected a guaranteed curve of health" in text


def test_a_warranty_that_no_schedule_keeps_is_refused(tmp_path):
    warranty = "  warranty: {years: 10, health_by_year: [{year: 5, health_frac: 0.97}]}\n"
    text = refusal(tmp_path, racks(more=warranty), life(2, "  respect_warranty: true\n"))
    assert "rack.warranty.health_by_year[0].health_frac: found 0.97 at year 5, expected at most 0.940" in text


def test_rules_cannot_be_held_to_a_budget(tmp_path):
    warranty = "  warranty: {years: 10, most_cycles_per_year: 100}\n"
    text = refusal(tmp_path, racks(more=warranty), life(2, "  respect_warranty: true\n"), BY_RULES)
    assert "life.respect_warranty: found true beside policy rules, expected policy rolling or hindsight" in text


def test_a_loan_beyond_the_horizon_is_refused_before_anything_is_solved(tmp_path):
    money = "  discount: {rate_frac: 0.06, terms: nominal}\n  loan: {share_frac: 0.5, rate_frac: 0.05, years: 5}\n"
    text = refusal(tmp_path, racks(), life(3, money=money))
    assert "money.loan.years: found 5, expected at most 3 years, the horizon of the study" in text


def test_a_year_that_cannot_keep_a_limit_is_named(tmp_path, monkeypatch):
    def optimise_or_refuse(problem, **given):
        """Whatever the exact way finds no schedule for is refused; by how much would take the general solver's time."""
        try:
            return optimise(problem, **given | {"solver": "exact"})
        except SolverError:
            raise ImportLimitError(problem, np.ones(problem.n_steps), first=0, worst=0) from None

    monkeypatch.setattr("crestfall.study._run.optimise", optimise_or_refuse)
    tight = in_scenario("  import_limit_kw: 400\n", "  import_limit_kw: 112\n")
    growing = life(6, "  load_growth_frac_per_year: 0.08\n")
    path = write_site(tmp_path, tight, racks(), growing, load=YEAR)
    with pytest.raises(InfeasibleError, match=r"^in year [2-6] of life: site.import_limit_kw 112 cannot be kept"):
        run(load_scenario(path))
