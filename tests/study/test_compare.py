"""Every option of a catalogue side by side: the ranking, its reason, and how sure it is."""

import json
import math
import os
import signal
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from compared_site import CHEAP_MODULES, FADING, MODULES, RACKS, YEARS, joinery, shared_comparison
from crestfall.dispatch._optimise import PROVEN_FRAC
from crestfall.errors import InputError, ScenarioError
from crestfall.finance import discount_factors
from crestfall.plant import Option
from crestfall.study import CRITERIA, compare, run
from crestfall.study._comparison import regrets
from crestfall.study._doubt import DRAW_COLUMNS, draw, scores, worth_in
from crestfall.study._draws import days_drawn_anew
from crestfall.study._executor import Processes, ThisProcess, WorkersError
from crestfall.study._inputs import prepare, with_option
from crestfall.study._option_figures import OptionFigures, middle_option
from crestfall.study._options_asked import counts_of, pair_of
from crestfall.study._ranking import Criterion, Worth
from crestfall.study._run import headline_year, optimum_to_set_out_from, reference_of
from hourly_site import BY_ROLLING, BY_RULES, NO_BATTERY
from site_files import in_catalogue, in_scenario

AS_IT_IS = (0, 1.0, 1.0, 1.0, 1.0)  # a draw in which nothing is otherwise
ONE_EACH = in_catalogue("  most_racks: 8\n  most_modules: 4\n", "  most_racks: 8\n  most_modules: 1\n")


@pytest.fixture(scope="module")
def found():
    return shared_comparison()


def test_every_option_of_the_grid_is_computed_and_no_battery_stands_among_them(found):
    options = {(one.option.racks, one.option.modules) for one in found.options}
    assert options == {(0, 0)} | {(r, m) for r in RACKS for m in MODULES}
    nothing = found.table[found.table["racks"] == 0].iloc[0]
    assert nothing[["npv", "saving", "capital"]].tolist() == [0, 0, 0]


def test_options_are_ranked_by_net_present_value(found):
    assert found.table["npv"].is_monotonic_decreasing
    assert found.table.index.tolist() == list(range(1, len(found.options) + 1))


def test_an_option_has_the_figures_of_a_study_of_its_own(found):
    option = Option(2, 1)
    alone = run(with_option(found.inputs, option).scenario)
    figures = found.figures(option)
    # It sets out from another optimum, and both end within the proven gap.
    gap = PROVEN_FRAC * alone.hindsight.bill_total
    assert figures.saving == pytest.approx(alone.saving(alone.hindsight), abs=gap)
    assert figures.npv == pytest.approx(alone.life.appraisal.without_debt.npv, abs=len(alone.life.years) * gap)
    assert figures.peak_import_kw == pytest.approx(alone.hindsight.readings.import_kw.max(), abs=0.01)


def test_the_reason_is_borne_out_by_the_full_lives_of_both_neighbours(found):
    """Present values of savings as yearly amounts, and all that is left of the difference in NPV is cost."""
    best, money = found.best, found.terms.money
    assert (best.option.racks, best.option.modules) == (2, 1)
    factors = discount_factors(money.discount.rate_frac, 3)[1:]
    said = found.reason
    for option, words in ((Option(3, 1), "a third rack adds"), (Option(1, 1), "the second rack adds")):
        other = found.figures(option)
        less, more = sorted((best, other), key=lambda one: one.option)
        saved = ((more.life.project.savings - less.life.project.savings) @ factors) / factors.sum()
        cost = saved - (more.npv - less.npv) / factors.sum()
        assert f"{words} {saved:,.0f} and costs {cost:,.0f} EUR a year" in said
        assert (saved > cost) == (more is best), "the larger of two neighbours pays only where it is the best"
    assert f"highest NPV, {best.npv:,.0f} EUR" in said


def test_the_next_part_never_saves_more_than_the_optimum_of_the_smaller_option_allows(found):
    steps = found.marginals.dropna(subset=["saving_at_most"])
    assert len(steps) == 7
    assert (steps["saving_planned"] <= steps["saving_at_most"] + 0.01).all()
    assert (steps["saving_planned"] > 0.3 * steps["saving_at_most"]).sum() >= 4, "the bounds say something"


def test_the_frontier_holds_what_saves_more_than_every_cheaper_option(found):
    frontier, table = found.frontier, found.table
    for _, row in table.iterrows():
        cheaper = table[(table["capital"] <= row["capital"]) & (table.index != row.name)]
        dominated = (cheaper["saving"] >= row["saving"]).any()
        assert (row.name in frontier.index) == (not dominated)


def test_a_draw_that_changes_nothing_gives_back_the_computed_worth(found):
    for one in found.options[1:]:
        worth = worth_in(one, AS_IT_IS, found.terms)
        assert (worth.npv, worth.saving) == pytest.approx((one.npv, one.saving), abs=1e-6)


def test_dearer_parts_cost_as_much_more_as_finance_says(found):
    one = found.best
    dearer = worth_in(one, (0, 1.0, 1.0, 1.0, 1.5), found.terms)
    assert one.npv - dearer.npv == pytest.approx(0.5 * one.capital.net, rel=1e-6)


def test_prices_that_all_rise_lift_the_saving_in_proportion(found):
    """Fixed charges save nothing, so all savings are those of energy, export and demand."""
    one = found.best
    dearer = worth_in(one, (0, 1.2, 1.2, 1.0, 1.0), found.terms)
    assert dearer.saving == pytest.approx(1.2 * one.saving, rel=1e-9)


def test_racks_that_fade_faster_are_worth_less_and_are_replaced_sooner(found):
    one = found.figures(Option(2, 1))
    slow, as_said, fast = (worth_in(one, (0, 1.0, 1.0, fade, 1.0), found.terms).npv for fade in (0.8, 1.0, 1.4))
    assert slow > as_said > fast
    bought = [year.racks_bought for year in one.life.years]
    assert bought == [0, 0, 2]


def test_fade_in_doubt_comes_close_to_a_life_with_a_faster_law(found):
    """Half as fast again: a life computed anew with that law, against the figures carried over from the first year."""
    edit = (FADING._replace(new=FADING.new.replace("0.16", "0.24").replace("0.0001", "0.00015")), CHEAP_MODULES, YEARS)
    option = Option(2, 1)
    true = run(with_option(prepare(joinery(*edit, NO_BATTERY)), option).scenario).life.appraisal.without_debt.npv
    one = found.figures(option)
    carried = worth_in(one, (0, 1.0, 1.0, 1.5, 1.0), found.terms).npv
    assert abs(carried - true) < 0.25 * abs(one.npv - true), "closer by far than to leave fade as it is"


def test_drawn_days_come_from_the_same_month_and_kind_of_day(found):
    series = found.inputs.series
    drawn = days_drawn_anew(series, 7)
    start = series.start
    assert np.array_equal(days_drawn_anew(series, 7).load_kw, drawn.load_kw)
    assert not np.array_equal(drawn.load_kw, series.load_kw)
    for month in (1, 3, 7, 10):  # clocks change in two of them
        for rest in (False, True):
            here = np.asarray((start.month == month) & ((start.day_of_week >= 5) == rest))
            assert set(drawn.load_kw[here]) <= set(series.load_kw[here])
            pairs = set(zip(series.load_kw[here], series.pv_kw[here], strict=True))
            assert set(zip(drawn.load_kw[here], drawn.pv_kw[here], strict=True)) <= pairs, "load and PV stay together"


def test_other_years_of_load_are_scheduled_anew(found):
    """The first other year, solved here by hand, is what the comparison drew with."""
    seed = int(np.random.SeedSequence(found.seed).generate_state(3)[0])
    other = days_drawn_anew(found.inputs.series, seed)
    # From the one all options set out, and from each option its other years.
    middle = optimum_to_set_out_from(with_option(found.inputs, middle_option(found.inputs.scenario.catalogue)))
    own = headline_year(replace(with_option(found.inputs, Option(1, 1)), like=middle))
    site = replace(found.inputs, series=other)
    case = headline_year(replace(with_option(site, Option(1, 1)), like=own.schedule))
    saving = reference_of(site).bill_total - case.bill_total
    drawn = worth_in(found.figures(Option(1, 1)), (1, 1.0, 1.0, 1.0, 1.0), found.terms)
    assert drawn.saving == pytest.approx(saving, abs=1e-6)
    assert drawn.peak_import_kw == pytest.approx(float(case.readings.import_kw.max()), abs=1e-9)
    without = worth_in(found.figures(Option(0, 0)), (1, 1.0, 1.0, 1.0, 1.0), found.terms)
    assert without.peak_import_kw == reference_of(site).import_kw.max()


def test_a_peak_is_as_it_is_in_the_year_of_load_that_is_drawn(found):
    """In the second year of days drawn anew one rack keeps a peak that it does not keep in the data."""
    small, large = found.figures(Option(1, 1)), found.figures(Option(2, 1))
    of_small = [small.peak_import_kw, *small.other_peaks]
    target = 0.5 * (min(of_small) + small.peak_import_kw)
    assert max(large.peak_import_kw, *large.other_peaks) < target, "two racks keep it in all years"
    other = _by(found, Criterion(name="peak_target", target=target))
    assert other.recommendation == Option(2, 1)
    keeps = np.array(of_small)[found.draws["load"]] <= target
    assert 0 < keeps.sum() < len(keeps)
    assert other.table["best_share_frac"].iloc[0] == (~keeps).mean()
    row = other.doubt[(other.doubt["racks"] == 1) & (other.doubt["modules"] == 1)].iloc[0]
    assert row["best_share_frac"] == keeps.mean()
    assert row["highest_import_kw"] == max(of_small)
    dearer = found.draws["capital"] * (large.capital.net - small.capital.net)
    assert other.regret_when_not_best == pytest.approx(dearer[keeps].mean())


def test_draws_in_which_no_option_reaches_the_target_are_nobodys(found):
    """The largest option keeps the target as the data have it, and misses it in one of the other years."""
    known = found.figures(Option(2, 1))
    largest = replace(known, other_peaks=tuple(known.peak_import_kw + by for by in (-1.0, 1.0, 0.0)))
    few = replace(found, options=(*(one for one in found.options if one.option < Option(2, 1)), largest))
    peaks = np.array([largest.peak_import_kw, *largest.other_peaks])
    target = known.peak_import_kw + 0.5
    other = _by(few, Criterion(name="peak_target", target=target))
    missed = peaks[found.draws["load"]] > target
    assert 0 < missed.sum() < len(missed)
    assert other.recommendation == Option(2, 1)
    assert other.no_candidate_frac == missed.mean()
    assert other.doubt["best_share_frac"].sum() == pytest.approx(1 - missed.mean())
    assert other.table["best_share_frac"].iloc[0] == (~missed).mean()
    assert other.regret_when_not_best is None, "nobody is ahead of it"
    assert other.missed_frac == missed.mean()
    wanted = {"missed_frac": missed.mean(), "no_candidate_frac": missed.mean()}
    assert other.summary()["doubt"].items() >= wanted.items()
    assert (found.missed_frac, found.no_candidate_frac) == (None, None), "no target, nothing to miss"


def test_a_year_of_load_whose_limits_cannot_be_kept_has_no_peak(found):
    one = replace(found.figures(Option(1, 1)), other_years=(None,), other_peaks=(None,))
    assert worth_in(one, (1, 1.0, 1.0, 1.0, 1.0), found.terms) is None
    assert math.isnan(one.highest_import_kw)


def test_racks_that_have_lost_a_tenth_are_known_to_keep_less(found):
    for one in found.options:
        if one.option.is_battery:
            assert one.worn_peak_kw > one.peak_import_kw + 1
        else:
            assert one.worn_peak_kw is None


def test_draws_fill_every_layer_of_each_range_once():
    drawn = draw(200, 4, seed=3)
    assert tuple(drawn.columns) == DRAW_COLUMNS
    assert drawn["load"].value_counts().tolist() == [50] * 4
    for name in ("energy_price", "demand_price", "capital"):
        assert np.log(drawn[name]).mean() == pytest.approx(0, abs=0.002)
    assert drawn["fade"].between(0.8, 1.4).all()
    assert drawn.equals(draw(200, 4, seed=3))
    assert not drawn.equals(draw(200, 4, seed=4))


def test_shares_of_being_best_add_up_and_regret_is_what_the_best_is_ahead(found):
    assert found.doubt["best_share_frac"].sum() == pytest.approx(1.0)
    again = scores(found.options, found.draws, found.terms)
    assert np.array_equal(again, found.scores)
    at = found.options.index(found.best)
    by_hand = [float(max(row) - row[at]) for row in found.scores]
    row = found.doubt[(found.doubt["racks"] == 2) & (found.doubt["modules"] == 1)].iloc[0]
    assert row["mean_regret"] == pytest.approx(np.mean(by_hand))
    assert found.regret_when_not_best == pytest.approx(np.mean([one for one in by_hand if one > 0]))


def _by(found, criterion):
    """Return the same comparison by another criterion."""
    terms = replace(found.terms, criterion=criterion)
    return replace(found, terms=terms, scores=scores(found.options, found.draws, terms))


def test_an_option_that_is_no_candidate_gives_everything_away():
    lost = regrets(np.array([[1.0, -np.inf], [2.0, 3.0], [-np.inf, -np.inf]]))
    assert lost.tolist() == [[0.0, math.inf], [1.0, 0.0], [0.0, 0.0]]


WORTH = Worth(
    is_battery=True, capital=1000.0, saving=200.0, npv=50.0, irr_frac=0.1, payback_years=5.0, peak_import_kw=80.0
)


@pytest.mark.parametrize(
    ("criterion", "score"),
    [
        (Criterion(), 50.0),
        (Criterion(name="payback"), -5.0),
        (Criterion(name="irr"), 0.1),
        (Criterion(name="saving_per_capital"), 0.2),
        (Criterion(name="saving"), 200.0),
        (Criterion(name="saving_target", target=150.0), -1000.0),
        (Criterion(name="saving_target", target=250.0), -math.inf),
        (Criterion(name="peak_target", target=80.0), -1000.0),
        (Criterion(name="peak_target", target=79.0), -math.inf),
    ],
)
def test_a_criterion_scores_what_it_is_about(criterion, score):
    assert criterion.score(WORTH) == score


@pytest.mark.parametrize("name", [name for name in CRITERIA if not name.endswith("target")])
def test_each_criterion_ranks_the_same_options_its_own_way(found, name):
    other = replace(found, terms=replace(found.terms, criterion=Criterion(name=name, hurdle_frac=0.06)))
    table = other.table
    assert table["score"].is_monotonic_decreasing
    column = {"npv": "npv", "payback": "payback_years", "irr": "irr_frac"}.get(name, name)
    ahead = table[table["racks"] > 0][column]
    assert ahead.iloc[0] == (ahead.min() if name == "payback" else ahead.max())
    assert str(other.recommendation) in other.reason


def _neighbours(found, best):
    """Options beside the best one that were compared, and what a sentence says of the part between."""
    sides = (
        (1, 0, "a {} rack brings that to"),
        (-1, 0, "without the {} rack it is"),
        (0, 1, "a {} module brings that to"),
        (0, -1, "without the {} module it is"),
    )
    for racks, modules, words in sides:
        larger = best.racks + max(racks, 0) if racks else best.modules + max(modules, 0)
        other = found.figures(Option(best.racks + racks, best.modules + modules))
        if other is not None and other.option.is_battery:
            yield other, words.format(("", "first", "second", "third")[larger])


@pytest.mark.parametrize(
    ("criterion", "figure"),
    [
        (Criterion(name="irr"), lambda one: f"{100 * one.life.appraisal.without_debt.irr_frac[0]:.1f} %"),
        (Criterion(name="saving_per_capital"), lambda one: f"{one.saving / one.capital.net:.3f} a year"),
        (
            Criterion(name="saving_target", target=2000.0),
            lambda one: f"{one.saving:,.0f} EUR a year for {one.capital.net:,.0f} EUR",
        ),
        (
            Criterion(name="peak_target", target=90.0),
            lambda one: f"{one.peak_import_kw:.1f} kW for {one.capital.net:,.0f} EUR",
        ),
    ],
)
def test_the_reason_holds_the_best_against_its_neighbours_by_every_criterion(found, criterion, figure):
    other = replace(found, terms=replace(found.terms, criterion=criterion))
    assert other.recommendation.is_battery
    neighbours = list(_neighbours(found, other.recommendation))
    assert len(neighbours) >= 2
    for one, words in neighbours:
        assert f"; {words} {figure(one)}" in other.reason


def test_the_reason_tells_what_neighbours_make_of_a_payback(found):
    other = replace(found, terms=replace(found.terms, criterion=Criterion(name="payback")))
    neighbours = list(_neighbours(found, other.recommendation))
    assert len(neighbours) >= 2
    for one, words in neighbours:
        assert f"; {words.replace('it is', 'it takes')} {one.payback_years:.1f} years" in other.reason


def test_the_reason_says_where_nothing_was_looked_at(found):
    """The catalogue has eight racks and four modules; one to three and one to two of them were compared."""
    assert found.recommendation == Option(2, 1)
    assert "not compared" not in found.reason
    most = replace(found, terms=replace(found.terms, criterion=Criterion(name="saving")))
    assert most.recommendation == Option(3, 2)
    assert most.reason.endswith("; more racks were not compared; more modules were not compared")
    fewer = tuple(one for one in found.options if one.option.racks != 1)
    assert replace(found, options=fewer, scores=None).reason.endswith("; fewer racks were not compared")
    none = replace(found, terms=replace(found.terms, criterion=Criterion(name="saving_target", target=1e6)))
    assert none.reason.endswith("; not all options of the catalogue were compared")


def test_a_site_that_cannot_do_without_a_battery_is_told_so(monkeypatch):
    def studied(_executor, _job, options, *_more):  # how options keep the limit is not asked here
        return [OptionFigures(option=one, refusal="not asked" if one.is_battery else None) for one in options]

    monkeypatch.setattr("crestfall.study._compare._studied", studied)
    found = compare(joinery(in_scenario("import_limit_kw: 400", "import_limit_kw: 100")), draws=0, workers=0)
    assert "without the battery the site exceeds its import limit in " in found.note


def test_a_target_is_reached_at_least_capital(found):
    wanted = sorted(found.table["saving"])[-3]
    other = replace(found, terms=replace(found.terms, criterion=Criterion(name="saving_target", target=wanted)))
    reach = found.table[found.table["saving"] >= wanted]
    assert other.best.capital.net == reach["capital"].min()
    # Where the target is missed in a draw, the regret has no end, which JSON has no number for.
    missed = replace(
        other, scores=np.where(np.arange(len(found.options)) == other.options.index(other.best), -np.inf, found.scores)
    )
    json.dumps(missed.summary(), allow_nan=False)
    unmet = replace(found, terms=replace(found.terms, criterion=Criterion(name="saving_target", target=1e6)))
    assert not unmet.recommendation.is_battery
    assert unmet.reason.startswith("no battery: no option saves 1,000,000 EUR a year")


def test_no_battery_is_recommended_where_none_pays():
    dear = in_catalogue("  price: 5000", "  price: 90000")
    lean = compare(joinery(FADING, dear, YEARS), racks=[1], modules=[1], draws=0, workers=0)
    assert not lean.recommendation.is_battery
    loss = -lean.table[lean.table["racks"] == 1]["npv"].iloc[0]
    assert lean.reason == (
        f"no battery: no option has an NPV above 0; the best of them, 1 rack, 1 module, would lose {loss:,.0f} EUR;"
        " not all options of the catalogue were compared"
    )
    assert lean.doubt is None
    assert lean.pair is None


def test_without_a_life_options_are_ranked_by_saving_and_it_says_so():
    found = compare(joinery(), racks=[1, 2], modules=[1], draws=0, workers=0)
    assert found.terms.criterion.name == "saving"
    assert found.note.startswith("the scenario has no life and no money.discount, so options are ranked by the saving")
    assert found.table["saving"].is_monotonic_decreasing
    assert found.table["npv"].isna().sum() == 2


def test_options_that_break_a_rule_are_listed_with_the_rule():
    found = compare(joinery(ONE_EACH), racks=[1, 9], modules=[1, 2], draws=0, workers=0)
    reasons = found.refused_frame().set_index(["racks", "modules"])["reason"].to_dict()
    assert reasons == {
        (1, 2): "it takes 1 module (least_modules and most_modules of the catalogue)",
        (9, 1): "it takes 1 to 8 racks (least_racks and most_racks of the catalogue)",
        (9, 2): "it takes 1 to 8 racks (least_racks and most_racks of the catalogue)",
    }


@pytest.mark.parametrize("policy", [(), (BY_RULES,), (BY_ROLLING,)])
def test_options_that_the_connection_does_not_carry_are_listed_with_the_limit_by_every_policy(policy):
    """A policy without hindsight would exceed the limit and go on; what nobody could keep is refused all the same."""
    tight = joinery(in_scenario("import_limit_kw: 400", "import_limit_kw: 105"), *policy)
    found = compare(tight, racks=[1, 4], modules=[1], draws=0, workers=0)
    ((option, reason),) = found.refused
    assert option == Option(1, 1)
    assert reason.startswith("site.import_limit_kw 105 cannot be kept with 1 rack, 1 module: at 2025-")
    assert [one.option for one in found.options] == [Option(0, 0), Option(4, 1)]
    # What could be kept and is not is said; hindsight keeps it.
    says_so = "options that exceed the import limit in the first year, as their controller is set: 1 of 1" in found.note
    assert says_so == (found.figures(Option(4, 1)).peak_import_kw > 105.001) == bool(policy)


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        ({"criterion": "npv"}, "criterion npv: the scenario has no life and no money.discount\n    add both"),
        ({"criterion": "irr"}, "criterion irr: the scenario has no life\n    add it"),
        ({"criterion": "saving_target"}, "criterion saving_target: no target\n    add a saving each year"),
        ({"criterion": "saving", "target": 3.0}, "criterion saving: found a target"),
        ({"criterion": "peak_target", "target": -1.0}, "target: found -1, expected a number > 0"),
        (
            {"racks": [9], "modules": [9]},
            "the catalogue allows no option that was asked for; 9 racks, 9 modules: it takes 1 to 8",
        ),
        ({"racks": range(1, 100), "modules": range(1, 100)}, "9,801 options, expected at most 2,000"),
        ({"criterion": "saving_target", "target": math.inf}, "target: found inf, expected a number > 0"),
        ({"pair": (Option(1, 1), Option(9, 1))}, "pair: 9 racks, 1 module is not among the options"),
        ({"pair": (Option(1, 1), Option(1, 1))}, "pair: found 1 rack, 1 module twice, expected two options"),
        ({"pair": (Option(0, 0), Option(1, 1))}, "pair: no battery stands beside both anyway"),
    ],
)
def test_a_wish_that_cannot_be_met_is_refused_before_anything_is_solved(wish, words):
    with pytest.raises(InputError) as error:
        compare(joinery(), workers=0, **wish)
    assert str(error.value).startswith(words)


def test_what_is_wrong_with_all_options_is_said_once_with_its_place():
    with pytest.raises(ScenarioError, match=r"rack\.life: found nothing, expected a law of fade"):
        compare(joinery(YEARS), workers=0)


@pytest.mark.parametrize("text", ["", "0", "1..", "3..2", "a", "1..9999999", "1;2", "1..99999"])
def test_numbers_are_listed_or_refused(text):
    with pytest.raises(InputError, match="--racks"):
        counts_of(text, asked_by="--racks")


@pytest.mark.parametrize("text", ["", "1x1", "1x1,2", "1x1,2x2,3x3", "axb,1x1"])
def test_a_pair_is_two_options_or_refused(text):
    with pytest.raises(InputError, match="--pair"):
        pair_of(text, asked_by="--pair")


# Workers ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Squares:
    """A job of workers; some tasks are made to fail. Deaths are counted in files, as a worker forgets."""

    folder: Path
    stillborn: int = 0  # how many workers die before they are ready
    of_signal: bool = False

    def function(self):
        if len(list(self.folder.glob("*.born"))) < self.stillborn:
            (self.folder / f"{os.getpid()}.born").touch()
            if self.of_signal:
                os.kill(os.getpid(), signal.SIGKILL)
            os._exit(3)
        return self.square

    def square(self, task):
        if task == "memory":
            raise MemoryError
        if task == "input":
            raise InputError("no such thing\n    look again")
        if task == "bug":
            return 1 / 0
        if isinstance(task, tuple):  # dies so many times, then gives in
            name, times = task
            marks = self.folder / name
            before = len(marks.read_text()) if marks.exists() else 0
            if before < times:
                marks.write_text("x" * (before + 1))
                os.kill(os.getpid(), signal.SIGKILL)
            return name
        return task**2


def test_failures_are_told_and_a_task_whose_worker_was_killed_is_tried_once_more(tmp_path):
    tasks = [3, "memory", "input", "bug", ("twice", 2), 4]
    here = list(ThisProcess().run(Squares(tmp_path), tasks[:4], is_stopped=lambda: False))
    done = {one.place: one for one in Processes(1).run(Squares(tmp_path), tasks, is_stopped=lambda: False)}
    assert len(done) == len(tasks)
    assert [replace(done[place], details="") for place in range(4)] == [replace(one, details="") for one in here]
    assert (done[0].value, done[5].value) == (9, 16)
    assert done[1].failure == "out of memory"
    assert (done[2].failure, done[2].is_bug) == ("InputError: no such thing", False)
    assert (done[3].failure, done[3].is_bug) == ("ZeroDivisionError: division by zero", True)
    assert done[4].failure == "its worker died 2 times (SIGKILL, perhaps for want of memory)"


@pytest.mark.parametrize(
    ("of_signal", "words"),
    [
        (False, r"workers end before they begin \(exit status 3\)\n    in a script"),
        (True, r"workers end before they begin \(SIGKILL, perhaps for want of memory\)\n    let fewer run at once"),
    ],
)
def test_workers_that_cannot_start_are_reported(tmp_path, monkeypatch, of_signal, words):
    monkeypatch.setattr("crestfall.study._executor.MOST_STILLBORN", 1)
    job = Squares(tmp_path, stillborn=99, of_signal=of_signal)
    with pytest.raises(WorkersError, match=words):
        list(Processes(1).run(job, [1, 2], is_stopped=lambda: False))


def test_both_workers_may_be_killed_before_they_are_ready(tmp_path):
    job = Squares(tmp_path, stillborn=2, of_signal=True)
    done = list(Processes(2).run(job, [1, 2, 3], is_stopped=lambda: False))
    assert sorted(one.value for one in done) == [1, 4, 9]


def test_nothing_more_is_begun_once_it_is_stopped(tmp_path):
    seen = []
    for one in ThisProcess().run(Squares(tmp_path), list(range(50)), is_stopped=lambda: len(seen) >= 3):
        seen.append(one.place)
    assert seen == [0, 1, 2]
