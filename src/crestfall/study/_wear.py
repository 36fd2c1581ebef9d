"""The price of wear that agrees with itself: what one more kWh costs in a year that is scheduled at that price.

A dearer kWh means fewer cycles, and fewer cycles change what one more of them costs. The two agree at one price where
that cost falls as the price rises. It may fall in a jump: above some price the racks outlast the study, and one more
kWh costs nothing. Then the price of the jump is the one that agrees, as the lowest at which they do.
"""

from collections.abc import Callable

from crestfall.study._life_result import WearTrial

MOST_TRIALS = 10
AGREES_FRAC = 0.02  # of the price: less than fade laws are known to by far
LEAST_SHRINKAGE_FRAC = 0.1  # of what is between two prices, at each trial, so that the search ends at jumps as well


def agreeing(given: WearTrial, tried_at: Callable[[float], WearTrial]) -> list[WearTrial]:
    """
    Return trials of prices of wear until price and marginal cost agree.

    Parameters
    ----------
    given : WearTrial
        The year at the price that the scenario gives.
    tried_at : callable
        From a price to the year that is scheduled at it.

    Returns
    -------
    list of WearTrial
        The given one and all that were tried; the price of the last one is the one to use.
    """
    low: WearTrial | None = None  # one more kWh costs more than the price here,
    high: WearTrial | None = None  # and no more than the price here
    trials = [given]
    while not _agrees(trials[-1]) and len(trials) <= MOST_TRIALS:
        trial = trials[-1]
        if _beyond(trial) > 0:
            low = trial
        else:
            high = trial
        if low is None or high is None:
            price = trial.marginal_per_kwh
        elif high.wear_per_kwh - low.wear_per_kwh <= AGREES_FRAC * high.wear_per_kwh:
            break
        else:
            price = _between(low, high)
        trials.append(tried_at(price))
    if high is not None and not _agrees(trials[-1]):
        trials.append(trials.pop(trials.index(high)))
    return trials


def _agrees(trial: WearTrial) -> bool:
    return abs(_beyond(trial)) <= AGREES_FRAC * trial.wear_per_kwh


def _beyond(trial: WearTrial) -> float:
    return trial.marginal_per_kwh - trial.wear_per_kwh


def _between(low: WearTrial, high: WearTrial) -> float:
    """Return where a straight line between two trials would agree, well inside of both."""
    share = _beyond(low) / (_beyond(low) - _beyond(high))
    share = min(max(share, LEAST_SHRINKAGE_FRAC), 1 - LEAST_SHRINKAGE_FRAC)
    return low.wear_per_kwh + share * (high.wear_per_kwh - low.wear_per_kwh)
