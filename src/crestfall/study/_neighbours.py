"""What one rack or one module more would save at the most, from the prices that prove the optimum."""

from dataclasses import dataclass, replace

from crestfall.dispatch import Schedule, least_cost
from crestfall.errors import KeyedError
from crestfall.plant import Option, build_plant
from crestfall.study._inputs import Inputs, dispatch_problem
from crestfall.tariff import Rates


@dataclass(frozen=True, slots=True)
class AtMost:
    """What a larger option would save beyond the one that was studied, with hindsight and before its own price.

    Parameters
    ----------
    part : str
        What there is more of, `rack` or `module`.
    option : Option
        The larger option.
    saving : float
        No schedule of the larger option saves more than this a year beyond the optimum of the smaller.
    """

    part: str
    option: Option
    saving: float


def at_most(inputs: Inputs, rates: Rates, optimum: Schedule) -> tuple[AtMost, ...]:
    """
    Return what one rack more and one module more would save at the most, as far as the catalogue allows them.

    Prices are local: what a much larger option saves at the most they overstate. Wear counts as in the optimum.

    Parameters
    ----------
    inputs : Inputs
        The study.
    rates : Rates
        The tariff that the optimum was made for.
    optimum : Schedule
        The optimum.

    Returns
    -------
    tuple of AtMost
        An entry for each larger option; none where the exact way did not find the optimum.
    """
    scenario, option = inputs.scenario, inputs.plant.option
    if not option.is_battery:
        return ()
    larger = {
        "rack": Option(option.racks + 1, option.modules),
        "module": Option(option.racks, option.modules + 1),
    }
    found = []
    for part, other in larger.items():
        try:
            plant = build_plant(scenario.catalogue, other, modules_out=scenario.ask.availability.modules_out)
            problem = dispatch_problem(replace(inputs, plant=plant), rates)
        except KeyedError:  # the catalogue does not allow it
            continue
        bound = least_cost(problem, optimum)
        if bound is not None:
            found.append(AtMost(part, other, max(optimum.objective - bound, 0.0)))
    return tuple(found)
