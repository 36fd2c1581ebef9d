"""The price of wear that agrees with itself: what one more kWh costs in a year that is scheduled at that price.

A dearer kWh means fewer cycles, and fewer cycles change what one more of them costs. The two agree at one price where
that cost falls as the price rises. It may fall in a jump: above some price the racks outlast the study, and one more
kWh costs nothing. Then the price of the jump is the one that agrees, as the lowest at which they do.
"""

from collections.abc import Callable

from crestfall.study._life_result import WearTrial

MOST_TRIALS = 10
AGREES_FRAC = 0.02  # of the price: less than fade laws are known to by far


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
    trials = [given]
    while not _agrees(trials[-1]) and len(trials) <= MOST_TRIALS:
        low, high = _around(trials)
        if low is None or high is None:
            price = trials[-1].marginal_per_kwh
        elif high.wear_per_kwh - low.wear_per_kwh <= AGREES_FRAC * high.wear_per_kwh:
            break
        else:
            # Every other time in the middle: a straight line alone creeps towards a jump.
            price = _middle(low, high) if len(trials) % 2 else _crossing(low, high)
        trials.append(tried_at(price))
    _, high = _around(trials)
    if high is not None and not _agrees(trials[-1]):
        trials.append(trials.pop(trials.index(high)))
    return trials


def _around(trials: list[WearTrial]) -> tuple[WearTrial | None, WearTrial | None]:
    """Return the highest price below what one more kWh costs there, and the lowest that is not."""
    below = [trial for trial in trials if _beyond(trial) > 0]
    beyond = [trial for trial in trials if _beyond(trial) <= 0]
    return max(below, key=_price, default=None), min(beyond, key=_price, default=None)


def _price(trial: WearTrial) -> float:
    return trial.wear_per_kwh


def _agrees(trial: WearTrial) -> bool:
    return abs(_beyond(trial)) <= AGREES_FRAC * trial.wear_per_kwh


def _beyond(trial: WearTrial) -> float:
    return trial.marginal_per_kwh - trial.wear_per_kwh


def _middle(low: WearTrial, high: WearTrial) -> float:
    return 0.5 * (low.wear_per_kwh + high.wear_per_kwh)


def _crossing(low: WearTrial, high: WearTrial) -> float:
    """Return the price at which a straight line between two trials agrees."""
    share = _beyond(low) / (_beyond(low) - _beyond(high))
    return low.wear_per_kwh + share * (high.wear_per_kwh - low.wear_per_kwh)
