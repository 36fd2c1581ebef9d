"""A battery's life, year by year: each year is scheduled, replayed and billed anew with the racks as they are then."""

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from crestfall.ageing import (
    CellUse,
    FadeState,
    Fleet,
    Purchase,
    WarrantyTerms,
    Work,
    YearOfUse,
    is_over,
    purchase,
    wear_per_kwh,
)
from crestfall.dispatch import Schedule
from crestfall.errors import InfeasibleError, KeyedError
from crestfall.finance import appraise, capital_breakdown, offers
from crestfall.study._budget import Budgeted, with_wear, within_budget
from crestfall.study._inputs import Inputs
from crestfall.study._later_year import reference_in_year, site_in_year, with_racks
from crestfall.study._life_result import Life, LifeYear, RacksWarranty, WearTrial
from crestfall.study._life_terms import LifeTerms, check_room
from crestfall.study._money import charging_cost, line_savings, project_of
from crestfall.study._result import Before, PolicyYear
from crestfall.study._run import OnStage, headline_year, reference_of
from crestfall.study._wear import agreeing
from crestfall.tariff import Readings

# Of health: how well a year's mean agrees with the fade of the schedule made for it. Schedules of equal cost differ by
# about as much in the fade that they cause, so a finer figure is never reached where wear has no price.
AGREES_FRAC = 5e-4
MOST_SOLVES = 4  # of one year; one is enough as a rule


def life_of(inputs: Inputs, *, first: PolicyYear | None = None, on_stage: OnStage | None = None) -> Life:
    """
    Study each year of a battery's life, and what they are worth.

    Parameters
    ----------
    inputs : Inputs
        The first year, of a scenario with a life and an option with a battery.
    first : PolicyYear, optional
        Its schedule with new racks by the policy of the scenario, if it is known already.
    on_stage : callable, optional
        Called with the name of each stage as it begins.

    Returns
    -------
    Life
        Years, warranties and money.

    Raises
    ------
    InputError
        If the racks have no capacity left in a year, or those that join do not fit.
    InfeasibleError
        If no schedule keeps the limits in one of the years.
    """
    try:
        return _life_of(inputs, first, on_stage or (lambda _: None))
    except KeyedError as error:
        raise inputs.scenario.located(error) from None


def _life_of(inputs: Inputs, first: PolicyYear | None, on_stage: OnStage) -> Life:
    terms, money = LifeTerms.of(inputs.scenario, inputs.series), inputs.scenario.ask.money
    walk = _Walk(inputs, terms)
    on_stage("trying the price of wear")
    wear = walk.settle_wear(first)
    years = []
    for year in range(1, terms.life.horizon_years + 1):
        on_stage(f"year {year} of {terms.life.horizon_years}")
        years.append(walk.next_year(year))
    capital = capital_breakdown(inputs.plant, inputs.scenario.catalogue, money)
    project = project_of(tuple(years))
    return Life(
        years=tuple(years),
        warranties=tuple(_warranties(terms, walk.generations.values())),
        wear=wear,
        basis=terms.law.basis,
        capital=capital,
        project=project,
        appraisal=appraise(project, capital, money),
        offers=offers(project, capital, money),
        warnings=tuple(walk.warnings.values()),
    )


@dataclass(frozen=True, slots=True)
class _Generation:
    """Racks under one warranty, and the years of their use so far."""

    joined_year: int
    racks: int
    uses: list[YearOfUse] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Settled:
    """A year whose fade agrees with the capacity that it was scheduled with."""

    site: Inputs
    budgeted: Budgeted
    uses: tuple[CellUse, ...]
    after: Fleet
    mean_health_frac: float
    solves: int


@dataclass(slots=True)
class _Walk:
    """Goes from year to year, and remembers what the next one needs."""

    inputs: Inputs
    terms: LifeTerms
    fleet: Fleet = field(init=False)
    with_battery: Readings | None = None  # what the meters showed in the year before
    is_over: bool = False
    last_use: CellUse | None = None  # of the oldest racks in the year before or, before the first, in the trial of wear
    last_health_frac: float = math.nan  # and their health on the average then
    like: Schedule | None = None  # of the last optimum, from which the next one sets out
    last_wear_per_kwh: float | None = None  # at which the year before kept its budget
    generations: dict[tuple[int, int], _Generation] = field(
        default_factory=dict
    )  # by joined_year and place in the fleet
    warnings: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        racks = self.inputs.plant.option.racks
        self.fleet = Fleet(groups=(self.terms.group(racks, year=1),))
        sheets = (sheet for rates in self.inputs.contracts for sheet in rates.sheets)
        if any(line.memory is not None for sheet in sheets for line in sheet.demand):
            self.warnings["ratchet"] = (
                "each year of life is scheduled for its own bill: what its peaks cost in the year after, by a ratchet,"
                " is billed there but not foreseen"
            )

    # The price of wear -------------------------------------------------------------------------------------------

    def settle_wear(self, first: PolicyYear | None) -> tuple[WearTrial, ...]:
        """Try the first year with new racks at prices of wear, from the given one to the one that stays."""
        trials = [self._wear_trial(self.inputs, first)]
        if self.terms.life.wear == "marginal":
            trials.append(self._tried_at(trials[0].marginal_per_kwh))
        elif self.terms.life.wear == "consistent":
            trials = agreeing(trials[0], self._tried_at)
        self.inputs = with_wear(self.inputs, trials[-1].wear_per_kwh)
        return tuple(trials)

    def _tried_at(self, wear_per_kwh: float) -> WearTrial:
        return self._wear_trial(with_wear(self.inputs, wear_per_kwh))

    def _wear_trial(self, inputs: Inputs, known: PolicyYear | None = None) -> WearTrial:
        terms, site = self.terms, site_in_year(inputs, self.terms, 1)
        new = Fleet(groups=(replace(self.fleet.groups[0], state=FadeState()),))
        worn = with_racks(site, terms, new, health_frac=1.0, growth_frac=0.0)
        # A bank's case has other outages and other losses than the year that is known.
        case = self._headline(worn) if known is None or terms.life.fade != "law" else known
        self.like = case.schedule
        use: CellUse = new.uses(_work(worn, case, terms))[0][0]
        self.last_use, self.last_health_frac = use, new.health_frac
        rack, energy = terms.rack, case.energy
        return WearTrial(
            wear_per_kwh=worn.scenario.ask.dispatch.wear_per_kwh,
            marginal_per_kwh=wear_per_kwh(
                terms.law,
                use,
                discharged_kwh=energy.discharged_kwh,
                racks_cost=rack.cost_of(new.racks),
                end_health_frac=rack.end_of_life_health_frac,
                service_years=float(terms.life.horizon_years),
            ),
            full_cycles=energy.out_of_store_kwh / new.nominal_kwh,
            saving=reference_in_year(inputs, terms, 1).bill_total - case.bill_total,
        )

    # One year ----------------------------------------------------------------------------------------------------

    def next_year(self, year: int) -> LifeYear:
        """Return a year of operation, and stand at its end."""
        site = site_in_year(self.inputs, self.terms, year)
        without = reference_in_year(self.inputs, self.terms, year)
        bought = None if self.is_over else self._renew(year)
        end = self.terms.rack.end_of_life_health_frac
        self.is_over = self.is_over or is_over(self.terms.life.end_of_life, self.fleet, end_health_frac=end)
        if self.is_over:
            given_up = reference_of(replace(site, last_year=self.with_battery))
            self.with_battery = given_up.readings
            return _year_without(year, without, given_up)
        try:
            settled = self._settled(replace(site, last_year=self.with_battery), year)
        except InfeasibleError as error:
            raise InfeasibleError(f"in year {year} of life: {error}") from None
        self.with_battery = settled.budgeted.case.readings
        self._remember_use(settled, year)
        found = self._year(settled, without, year, bought)
        self.last_use = settled.uses[0]
        # All groups are as full in per cent: what one held on the average follows from what they all did.
        oldest = self.fleet.groups[0].state.health_frac
        self.last_health_frac = settled.mean_health_frac * oldest / self.fleet.health_frac
        self.fleet = settled.after
        return found

    def _renew(self, year: int) -> Purchase | None:
        """Buy what the plan buys for the start of a year."""
        terms, plan = self.terms, self.terms.life.end_of_life
        bought = purchase(plan, self.fleet, terms.rack, year=year)
        if bought is None:
            return None
        if bought.replaces:
            end = terms.rack.end_of_life_health_frac
            self.fleet = self.fleet.replaced(end, year=year, new_state=terms.new_state)
            return bought
        place = next(place for place, one in enumerate(plan.additions) if one.year == year)
        check_room(terms, self.fleet.racks + bought.racks, place=place)
        cabinet, before = terms.scenario.catalogue.cabinet, terms.plant(self.fleet.racks).cabinets
        self.fleet = self.fleet.joined_by(terms.group(bought.racks, year=year))
        after = terms.plant(self.fleet.racks).cabinets
        # Racks that find no room take new cabinets, at today's price.
        return replace(bought, cost=bought.cost + cabinet.cost_of(after) - cabinet.cost_of(before))

    def _settled(self, site: Inputs, year: int) -> _Settled:
        """Schedule a year until the mean of its health agrees with the fade that follows from it."""
        begin, end = self.fleet, self._expected()
        mean = 0.5 * (begin.health_frac + end.health_frac)
        for solves in range(1, MOST_SOLVES + 1):
            worn = self._worn(site, begin, end, mean_health_frac=mean)
            budgeted = self._budgeted(worn)
            used = begin.uses(_work(worn, budgeted.case, self.terms), capacity_kwh=mean * begin.nominal_kwh)
            end = begin.aged(self.terms.law, used, year=year)
            found = 0.5 * (begin.health_frac + end.health_frac)
            if abs(found - mean) <= AGREES_FRAC:
                break
            if solves == MOST_SOLVES:
                self.warnings[f"mean of {year}"] = (
                    f"in year {year} of life the mean health still moved by {abs(found - mean):.1e} when it was"
                    f" scheduled for the {MOST_SOLVES}th time"
                )
            else:
                mean = found
        return _Settled(
            site=worn,
            budgeted=budgeted,
            uses=tuple(use for use, _ in used),
            after=end,
            mean_health_frac=mean,
            solves=solves,
        )

    def _expected(self) -> Fleet:
        """Return the fleet at the end of a year of as much use as the last, for what the racks hold."""
        begin, law, use = self.fleet, self.terms.law, self.last_use
        if use is None:
            return begin
        groups = tuple(
            replace(group, state=law.aged(group.state, use.scaled(group.state.health_frac / self.last_health_frac)))
            for group in begin.groups
        )
        return Fleet(groups=groups) if all(group.state.health_frac > 0 for group in groups) else begin

    def _worn(self, site: Inputs, begin: Fleet, end: Fleet, *, mean_health_frac: float | None = None) -> Inputs:
        health = begin.health_frac if mean_health_frac is None else mean_health_frac
        growth = 0.5 * (begin.resistance_growth_frac + end.resistance_growth_frac)
        return with_racks(site, self.terms, begin, health_frac=health, growth_frac=growth)

    def _headline(self, worn: Inputs) -> PolicyYear:
        """Return the case of a year, sought from the last optimum on."""
        case = headline_year(replace(worn, like=self.like))
        self.like = case.schedule
        return case

    def _budgeted(self, worn: Inputs) -> Budgeted:
        used = self._used_frac()
        if used is None:
            case = self._headline(worn)
            return Budgeted(case=case, wear_per_kwh=worn.scenario.ask.dispatch.wear_per_kwh, cost=0.0)
        found = within_budget(replace(worn, like=self.like), used, near_per_kwh=self.last_wear_per_kwh)
        self.last_wear_per_kwh = found.wear_per_kwh
        return found

    def _generations(self) -> list[_Generation]:
        """Return each group of the fleet with what it did so far."""
        return [
            self.generations.setdefault((group.joined_year, place), _Generation(group.joined_year, group.racks))
            for place, group in enumerate(self.fleet.groups)
        ]

    def _used_frac(self) -> Callable[[PolicyYear], float] | None:
        """Return how a case is held against the budgets of all racks under warranty; None where nothing binds."""
        if not self.terms.life.respect_warranty:
            return None
        budgets = []  # of the whole battery, as racks share energy by what they hold
        for generation, share in zip(self._generations(), self.fleet.shares_frac, strict=True):
            warranty = WarrantyTerms.of(self.terms.rack, generation.racks)
            if warranty is not None:
                budgets.append((warranty.side, warranty.yearly_budget_kwh(generation.uses) / share))
        if not any(math.isfinite(most) for _, most in budgets):
            return None

        def used(case: PolicyYear) -> float:
            energy = {"ac": case.energy.discharged_kwh, "dc": case.energy.out_of_store_kwh}
            return max(energy[side] / most if most > 0 else math.inf for side, most in budgets)

        return used

    # What is kept of a year --------------------------------------------------------------------------------------

    def _remember_use(self, settled: _Settled, year: int) -> None:
        begin, after, energy = self.fleet, settled.after, settled.budgeted.case.energy
        each = zip(self._generations(), after.groups, begin.shares_frac, settled.uses, strict=True)
        for generation, group, share, use in each:
            generation.uses.append(
                YearOfUse(
                    discharged_kwh=share * energy.discharged_kwh,
                    out_of_store_kwh=share * energy.out_of_store_kwh,
                    mean_soc_frac=use.mean_soc_frac,
                    coldest_cell_c=float(use.cell_c.min()),
                    hottest_cell_c=float(use.cell_c.max()),
                    health_frac=group.state.health_frac,
                )
            )
            for item in self.terms.law.out_of_range(group.state, use):
                # Said once, for the year in which it is met first.
                self.warnings.setdefault(f"{item.quantity} {item.unit}", f"in year {year} of life, {item}")

    def _year(self, settled: _Settled, without: Before, year: int, bought: Purchase | None) -> LifeYear:
        begin, after, case = self.fleet, settled.after, settled.budgeted.case
        calendar_kwh, cycle_kwh = after.lost_kwh
        return LifeYear(
            year=year,
            racks=begin.racks,
            purchase=bought,
            health_start_frac=begin.health_frac,
            health_mean_frac=settled.mean_health_frac,
            health_end_frac=after.health_frac,
            calendar_loss_frac=calendar_kwh / after.nominal_kwh,
            cycle_loss_frac=cycle_kwh / after.nominal_kwh,
            resistance_growth_frac=after.resistance_growth_frac,
            usable_kwh=settled.site.plant.usable_kwh,
            full_cycles=case.energy.out_of_store_kwh / begin.nominal_kwh,
            discharged_kwh=case.energy.discharged_kwh,
            round_trip_frac=case.energy.round_trip_frac,
            charging_cost=charging_cost(case, self.inputs.series.step_h),
            line_savings=line_savings(without, case),
            bill_without=without.bill_total,
            bill_with=case.bill_total,
            wear_per_kwh=settled.budgeted.wear_per_kwh,
            warranty_cost=settled.budgeted.cost,
            solves=settled.solves,
        )


def _work(site: Inputs, case: PolicyYear, terms: LifeTerms) -> Work:
    return Work(
        stored_kwh=case.replayed.stored_kwh,
        start_kwh=case.schedule.start_kwh,
        step_h=site.series.step_h,
        out_of_store_kwh=case.energy.out_of_store_kwh,
        cell_c=terms.cell_c,
    )


def _year_without(year: int, without: Before, given_up: Before) -> LifeYear:
    """Return a year in which the battery has been given up; in the first one ratchets remember what it had saved."""
    return LifeYear(
        year=year,
        racks=0,
        purchase=None,
        health_start_frac=np.nan,
        health_mean_frac=np.nan,
        health_end_frac=np.nan,
        calendar_loss_frac=np.nan,
        cycle_loss_frac=np.nan,
        resistance_growth_frac=np.nan,
        usable_kwh=0.0,
        full_cycles=0.0,
        discharged_kwh=0.0,
        round_trip_frac=None,
        charging_cost=0.0,
        line_savings=line_savings(without, given_up),
        bill_without=without.bill_total,
        bill_with=given_up.bill_total,
        wear_per_kwh=0.0,
        warranty_cost=0.0,
        solves=0,
    )


def _warranties(terms: LifeTerms, generations: Iterable[_Generation]) -> Iterator[RacksWarranty]:
    for one in generations:
        warranty = WarrantyTerms.of(terms.rack, one.racks)
        if warranty is not None:
            yield RacksWarranty(joined_year=one.joined_year, racks=one.racks, check=warranty.check(one.uses))
