"""Every option of a catalogue at one site, through its whole life, ranked; and how sure the choice is."""

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from crestfall.errors import CrestfallError, InputError, KeyedError
from crestfall.plant import Option
from crestfall.scenario import Scenario
from crestfall.series import years_of_load
from crestfall.study._comparison import Comparison
from crestfall.study._doubt import Terms, draw, scores
from crestfall.study._executor import Executor, Processes, Rate, ThisProcess
from crestfall.study._inputs import Inputs, prepare, with_option
from crestfall.study._kept_options import CompareFolder, keys_of
from crestfall.study._option_figures import OptionFigures, OptionsJob, OtherLoad, without_option
from crestfall.study._options_asked import options_asked
from crestfall.study._ranking import Criterion, CriterionName
from crestfall.study._result import Result
from crestfall.study._run import LIMIT_TOLERANCE_KW, OnStage, reference_of
from crestfall.study._run import run as first_year
from crestfall.study._zipped import value_bytes, value_in

DEFAULT_DRAWS = 256
DAYS_DRAWN_ANEW = 3  # years of load beside the one of the data; each is one more schedule of each option
# What the options' keys mean to the study as a whole; whatever else is wrong holds for all options alike.
OF_ONE_OPTION = (("option",), ("backup",), ("life", "end_of_life", "additions"))


def compare(
    scenario: Scenario,
    *,
    racks: Sequence[int] | None = None,
    modules: Sequence[int] | None = None,
    criterion: CriterionName | None = None,
    target: float | None = None,
    pair: tuple[Option, Option] | None = None,
    draws: int = DEFAULT_DRAWS,
    seed: int = 1,
    workers: int | None = None,
    out: str | Path | None = None,
    resume: bool = False,
    afresh: bool = False,
    on_stage: OnStage | None = None,
    is_stopped: Callable[[], bool] | None = None,
) -> Comparison:
    """
    Study every option through its whole life, rank them, and say how sure the first one is.

    Parameters
    ----------
    scenario : Scenario
        The site; the option that it names is left aside.
    racks, modules : sequence of int, optional
        Numbers to combine; left out: all that the catalogue allows.
    criterion : str, optional
        One of npv, payback, irr, saving_per_capital, saving, saving_target, peak_target; left out: npv where the
        scenario has a life and a discount rate, else saving.
    target : float, optional
        For saving_target the saving, for peak_target the highest import [kW], both of the first year and reached at
        least capital.
    pair : tuple of Option, optional
        Two options to be shown side by side; left out: the best with the fewest and with the most racks.
    draws : int, default=256
        How often load year, prices, fade and capital cost are drawn anew; 0 leaves doubt out.
    seed : int, default=1
        Start of the random numbers.
    workers : int, optional
        Processes; left out: one for each core, 0: all in this process.
    out : str or Path, optional
        A folder that keeps the figures of each option as they come; left out: nothing is written.
    resume : bool, default=False
        Whether to go on with what the folder holds: only what is missing is studied.
    afresh : bool, default=False
        Whether to give up what a comparison kept in the folder.
    on_stage : callable, optional
        Called with what is being done.
    is_stopped : callable, optional
        Whether to stop; options in hand are finished and kept.

    Returns
    -------
    Comparison
        All options, ranked.

    Raises
    ------
    InputError
        If data, tariff, catalogue or a wish cannot be used.
    OutputError
        If the folder cannot be used, or holds results of other code or inputs.
    KeyboardInterrupt
        If it was stopped; `resume` goes on.
    """
    tell, stopped = on_stage or (lambda _: None), is_stopped or (lambda: False)
    tell("reading data, tariff and catalogue")
    chosen, note = _criterion(scenario, criterion, target)
    allowed, refused = options_asked(scenario.catalogue, racks, modules)
    _check_pair(pair, allowed)
    inputs = prepare(without_option(scenario))
    _check_common(inputs, allowed)
    others = _other_loads(scenario, seed) if draws else ()
    executor: Executor = ThisProcess() if workers == 0 else Processes(workers)
    job, options = OptionsJob(scenario, others), [Option(0, 0), *allowed]
    folder = None if out is None else CompareFolder(Path(out))
    place: AbstractContextManager[dict[str, dict[str, Any]]] = nullcontext({})
    if folder is not None:
        place = folder.opened(inputs.scenario, resume=resume, afresh=afresh)
    with place as kept:
        contents = {key: row["content"] for key, row in kept.items()}
        found = _studied(executor, job, options, tell, folder, contents, stopped)
    can = tuple(one for one in found if one.refusal is None)
    refused += [(one.option, one.refusal) for one in found if one.refusal is not None]
    tell("weighing what is not known")
    terms = _terms(inputs, can, chosen)
    drawn = draw(draws, 1 + len(others), seed) if draws else None
    comparison = Comparison(
        inputs=inputs,
        options=can,
        refused=tuple(sorted(refused)),
        terms=terms,
        note="; ".join(filter(None, [note, _over_limit(inputs), _not_held(inputs, can)])),
        loads=("as in the data", *(one.name for one in others)),
        draws=drawn,
        scores=None if drawn is None else scores(can, drawn, terms),
        seed=seed,
    )
    if stopped():
        raise KeyboardInterrupt
    tell("studying the pair")
    return replace(comparison, pair=_pair(comparison, pair))


def _criterion(scenario: Scenario, name: CriterionName | None, target: float | None) -> tuple[Criterion, str]:
    """Return the criterion, and what has to be said about it."""
    ask = scenario.ask
    lacks = [
        what
        for what, there in (("life", ask.life), ("money.discount", ask.money.discount))
        if there is None and (what == "life" or name in (None, "npv"))
    ]
    hurdle = 0.0 if ask.money.discount is None else ask.money.discount.rate_frac
    if name is None and lacks:
        note = f"the scenario has no {' and no '.join(lacks)}, so options are ranked by the saving of the first year"
        return Criterion(name="saving", target=target), f"{note}; what they cost decides nothing"
    if name in ("npv", "irr") and lacks:
        raise InputError(
            f"criterion {name}: the scenario has no {' and no '.join(lacks)}\n"
            f"    add {'it' if len(lacks) == 1 else 'both'}, or rank by payback, saving or saving_per_capital"
        )
    return Criterion(name=name or "npv", target=target, hurdle_frac=hurdle), ""


def _over_limit(inputs: Inputs) -> str:
    """Return what has to be said about a site that cannot do without a battery; empty for nothing."""
    over = int((reference_of(inputs).import_kw > inputs.import_limit_kw + LIMIT_TOLERANCE_KW).sum())
    if not over:
        return ""
    return f"without the battery the site exceeds its import limit in {over:,} steps; the bill before ignores this"


def _not_held(inputs: Inputs, options: Sequence[OptionFigures]) -> str:
    """Return what has to be said about options that could keep the import limit and do not; empty for nothing."""
    most_kw = float(inputs.import_limit_kw.max()) + LIMIT_TOLERANCE_KW
    peaks_kw = [one.peak_import_kw for one in options if one.option.is_battery]
    over = sum(peak_kw > most_kw for peak_kw in peaks_kw)
    if not over:
        return ""
    return (
        f"options that exceed the import limit in the first year, as their controller is set: {over} of {len(peaks_kw)}"
    )


def _check_pair(pair: tuple[Option, Option] | None, allowed: Sequence[Option]) -> None:
    """Raise unless both are different options that are compared."""
    for one in pair or ():
        if not one.is_battery:
            raise InputError(
                "pair: no battery stands beside both anyway\n    choose two options with racks and modules"
            )
        if one not in allowed:
            raise InputError(f"pair: {one} is not among the options that are compared\n    choose two that are")
    if pair is not None and pair[0] == pair[1]:
        raise InputError(f"pair: found {pair[0]} twice, expected two options\n    choose another one beside it")


def _check_common(inputs: Inputs, allowed: Sequence[Option]) -> None:
    """Raise for what is wrong with all options alike before any is studied."""
    try:
        with_option(inputs, allowed[0])
    except KeyedError as error:
        if not any(error.key[: len(key)] == key for key in OF_ONE_OPTION):
            raise inputs.scenario.located(error) from None


def _other_loads(scenario: Scenario, seed: int) -> tuple[OtherLoad, ...]:
    others = [month for month in years_of_load(scenario) if month != scenario.ask.site.first_month]
    if others and scenario.ask.site.first_month is not None:
        return tuple(OtherLoad(f"year from {month}", first_month=month) for month in others)
    seeds = np.random.SeedSequence(seed).generate_state(DAYS_DRAWN_ANEW).tolist()
    return tuple(OtherLoad(f"days drawn anew, {at}", seed=one) for at, one in enumerate(seeds, start=1))


def _studied(
    executor: Executor,
    job: OptionsJob,
    options: list[Option],
    tell: OnStage,
    folder: CompareFolder | None,
    contents: dict[str, bytes],
    is_stopped: Callable[[], bool],
) -> list[OptionFigures]:
    """Return the figures of all options, of which those that are kept are not studied again.

    All pass through the form in which they are kept, so that a comparison is the same whether it was stopped or not.
    """
    keys = keys_of(job, options)
    missing = [option for option in options if keys[option] not in contents]
    for note in () if folder is None else folder.notes:
        tell(note)
    done_before = len(options) - len(missing)
    tell(f"studying {len(options)} options" + (f", {done_before} of them done already" if done_before else ""))
    rate = Rate(len(missing))
    for done in executor.run(job, missing, is_stopped=is_stopped):
        option = missing[done.place]
        if done.is_bug:
            text = f"{option}: {done.failure}; this is a bug, please report it\n{done.details}"
            raise CrestfallError(text)
        rate.done += 1
        figures = done.value
        if done.failure is not None:
            figures = OptionFigures(option=option, refusal=done.failure)
        contents[keys[option]] = content = value_bytes(figures)
        if folder is not None and done.failure is None:  # what failed is tried again
            folder.add(keys[option], {"content": content})
        tell(rate.words("options"))
    if any(key not in contents for key in keys.values()):
        raise KeyboardInterrupt
    return [value_in(contents[keys[option]]) for option in options]


def _terms(inputs: Inputs, options: Sequence[OptionFigures], criterion: Criterion) -> Terms:
    life = inputs.scenario.ask.life
    return Terms(
        money=inputs.scenario.ask.money,
        plan=None if life is None else life.end_of_life,
        end_health_frac=inputs.scenario.catalogue.rack.end_of_life_health_frac,
        groups={line: group for rates in inputs.contracts for line, group in rates.line_groups.items()},
        criterion=criterion,
    )


def _pair(comparison: Comparison, asked: tuple[Option, Option] | None) -> tuple[Result, Result] | None:
    """Study the first year of both options again, with all that figures need."""
    pair = asked or comparison.ends()
    if pair is None:
        return None
    both = []
    for option in pair:
        figures = comparison.figures(option)
        if figures is None:
            return None  # one of them cannot be had, which the result says
        inputs = with_option(comparison.inputs, option)
        result = first_year(inputs.scenario, inputs=inputs)
        both.append(replace(result, life=figures.life))
    return both[0], both[1]
