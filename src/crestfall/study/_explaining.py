"""Find where a rolling plan lost most against hindsight, and what would have helped."""

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crestfall.control import Rolled
from crestfall.dispatch import Schedule
from crestfall.errors import KeyedError
from crestfall.plant import Option, build_plant
from crestfall.scenario.scenario_file import RollingPolicy, StatedError
from crestfall.study._inputs import Inputs, dispatch_problem
from crestfall.study._money import charging_cost
from crestfall.study._result import PolicyYear
from crestfall.study._rolling import roll
from crestfall.study._unforeseen import Costly, Trial, Unforeseen
from crestfall.tariff import CapacityLine, DemandLine

FloatArray = NDArray[np.float64]
MOST_COSTLY = 10
MORE_ROOM = 2.0  # times the margin of peak targets, or of nothing this:
SOME_ROOM_FRAC = 0.05


def unforeseen(inputs: Inputs, case: PolicyYear, rolled: Rolled, ceiling: PolicyYear) -> Unforeseen:
    """
    Return where a rolling plan lost most against hindsight under the same contract.

    A peak's cost is the difference of its line on the bills, put where the plan's peak stood. What energy cost more is
    added up by local day, with energy left in the store at what hindsight paid to store it.

    Parameters
    ----------
    inputs : Inputs
        The study.
    case : PolicyYear
        The rolling plan's year.
    rolled : Rolled
        Its forecasts.
    ceiling : PolicyYear
        Hindsight's year under the same contract.

    Returns
    -------
    Unforeseen
        Without trials.
    """
    found = [*_peaks(inputs, case, rolled, ceiling), *_days(inputs, case, rolled, ceiling)]
    found.sort(key=lambda one: (-one.cost, one.start))
    return Unforeseen(
        rolled=rolled,
        cost=case.bill_total - ceiling.bill_total,
        costliest=tuple(one for one in found[:MOST_COSTLY] if one.cost > 0),
    )


def _peaks(inputs: Inputs, case: PolicyYear, rolled: Rolled, ceiling: PolicyYear) -> Iterator[Costly]:
    h, start = inputs.series.step_h, inputs.series.start
    happened = _net_kw(inputs)
    taken: set[tuple[str, str]] = set()  # a period that two sheets share is on both of their charges
    for charge in case.rates.peak_charges:
        measure = charge.measure
        for p, amount in _cost_by_period(charge, case, ceiling, taken).items():
            intervals = measure.intervals_in(p)
            if amount <= 0 or not len(intervals):
                continue
            at = int(intervals[np.argmax(_means(case.readings.import_kw, intervals, measure.span))])
            during = slice(at, at + measure.span)
            yield Costly(
                start=start[at],
                hours=measure.span * h,
                what=f"{charge.name}, {measure.periods.names[p]}",
                expected_kw=float(rolled.expected_net_kw[during].mean()),
                happened_kw=float(happened[during].mean()),
                import_kw=float(case.readings.import_kw[during].mean()),
                hindsight_kw=float(_means(ceiling.readings.import_kw, intervals, measure.span).max()),
                cost=amount,
            )


def _cost_by_period(
    charge: DemandLine | CapacityLine, case: PolicyYear, ceiling: PolicyYear, taken: set[tuple[str, str]]
) -> dict[int, float]:
    """Return what a charge costs more than with hindsight, by the period in which the peak stood that is billed."""
    periods = charge.measure.periods
    own, other = (charge.measure.peaks(one.readings) for one in (case, ceiling))
    if isinstance(charge, DemandLine) and charge.is_daily:  # one line of a month sums its days
        return {p: float(charge.rate[p] * (own[p] - other[p])) for p in charge.in_use.tolist()}
    paid = [one.bill[one.bill["line"] == charge.name].groupby("period")["amount"].sum() for one in (case, ceiling)]
    more, cost = paid[0].sub(paid[1], fill_value=0.0), dict.fromkeys(range(periods.n), 0.0)
    for p, name in enumerate(periods.names):
        if periods.factor[p] > 0 and name in more.index and (charge.name, name) not in taken:
            taken.add((charge.name, name))
            # Where the period's own peak is no higher, an earlier one is billed: by a ratchet, of the highest.
            cost[p if own[p] > other[p] else int(np.argmax(own))] += float(more[name])
    return cost


def _means(power_kw: FloatArray, first: NDArray[np.int64], span: int) -> FloatArray:
    return np.asarray(power_kw[first[:, np.newaxis] + np.arange(span)].mean(axis=1))


def _days(inputs: Inputs, case: PolicyYear, rolled: Rolled, ceiling: PolicyYear) -> Iterator[Costly]:
    h, start, rates = inputs.series.step_h, inputs.series.start, case.rates
    stored_per_kwh = _price_of_stored(ceiling, h)
    paid = [
        h * (rates.buy_per_kwh * one.readings.import_kw - rates.sell_per_kwh * one.readings.export_kw)
        - stored_per_kwh * np.diff(one.replayed.stored_kwh, prepend=one.schedule.start_kwh)
        for one in (case, ceiling)
    ]
    columns = {
        "cost": paid[0] - paid[1],
        "expected": rolled.expected_net_kw,
        "happened": _net_kw(inputs),
        "own": case.readings.import_kw,
        "other": ceiling.readings.import_kw,
    }
    by_day = pd.DataFrame(columns, index=start).groupby(start.normalize())
    sums, means, steps = by_day["cost"].sum(), by_day.mean(), by_day.size()
    for day in sums.nlargest(MOST_COSTLY).index:
        mean = means.loc[day]
        yield Costly(
            start=day,
            hours=float(steps[day]) * h,
            what="energy of the day",
            expected_kw=float(mean["expected"]),
            happened_kw=float(mean["happened"]),
            import_kw=float(mean["own"]),
            hindsight_kw=float(mean["other"]),
            cost=float(sums[day]),
        )


def _price_of_stored(case: PolicyYear, step_h: float) -> float:
    """Return what it cost to store a kWh, on the mean of a year."""
    energy = case.energy
    stored_kwh = energy.out_of_store_kwh + energy.standing_loss_kwh + energy.change_in_store_kwh
    return charging_cost(case, step_h) / stored_kwh if stored_kwh > 0 else 0.0


def _net_kw(inputs: Inputs) -> FloatArray:
    """Return the import that the battery stands before, negative for a surplus; its auxiliaries are in it."""
    return inputs.load_kw + inputs.auxiliary_kw - inputs.series.pv_kw


def tried(
    inputs: Inputs, case: PolicyYear, billed: Callable[[Inputs, Schedule], PolicyYear], found: Unforeseen
) -> Unforeseen:
    """
    Run the rolling plan again with one thing changed each time: a rack more, perfect forecasts, more room for peaks.

    Parameters
    ----------
    inputs : Inputs
        The study.
    case : PolicyYear
        The rolling plan's year as it is.
    billed : callable
        From inputs and a schedule to its case under the same contract.
    found : Unforeseen
        What is known so far.

    Returns
    -------
    Unforeseen
        The same with the trials.
    """
    ask = inputs.scenario.ask.rolling
    perfect = ask.model_copy(
        update={"load_forecast": StatedError(error_frac=0.0), "pv_forecast": StatedError(error_frac=0.0)}
    )
    margin = MORE_ROOM * ask.target_margin_frac or SOME_ROOM_FRAC
    roomy = ask.model_copy(update={"target_margin_frac": min(margin, 1.0)})

    def saves_more(otherwise: Inputs, settings: RollingPolicy) -> float:
        problem = dispatch_problem(otherwise, case.rates)
        rolled = roll(problem, case.rates, settings, otherwise.known, otherwise.series.temperature_c)
        return case.bill_total - billed(otherwise, rolled.schedule).bill_total

    trials = [
        Trial(change="perfect forecasts of load and PV", saves_more=saves_more(inputs, perfect)),
        Trial(
            change=f"peak targets {100 * roomy.target_margin_frac:g} % above what the last weeks could have kept, not"
            f" {100 * ask.target_margin_frac:g} %",
            saves_more=saves_more(inputs, roomy),
        ),
    ]
    larger = with_a_rack_more(inputs)
    if larger is not None:
        more_kwh = larger.plant.usable_kwh - inputs.plant.usable_kwh
        words = f"one rack more, {more_kwh:,.0f} kWh usable"
        trials.append(Trial(change=words, saves_more=saves_more(larger, ask), more_kwh=more_kwh))
    return replace(found, trials=tuple(sorted(trials, key=lambda one: -one.saves_more)))


def with_a_rack_more(inputs: Inputs) -> Inputs | None:
    """Return the same site with a rack more; None where the catalogue does not allow it."""
    scenario, option = inputs.scenario, inputs.plant.option
    other = Option(option.racks + 1, option.modules)
    try:
        plant = build_plant(scenario.catalogue, other, modules_out=scenario.ask.availability.modules_out)
    except KeyedError:
        return None
    return replace(inputs, plant=plant)
