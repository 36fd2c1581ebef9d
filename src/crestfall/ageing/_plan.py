"""What is bought in later years, and what it costs."""

from dataclasses import dataclass

from crestfall.ageing._fleet import Fleet, racks_to_hold
from crestfall.scenario.catalogue_file import Rack
from crestfall.scenario.life_block import EndOfLife, RackPrice


@dataclass(frozen=True, slots=True, kw_only=True)
class Purchase:
    """Racks that are bought for the start of a year.

    Parameters
    ----------
    year : int
        Year of operation.
    racks : int
        How many.
    replaces : bool
        Whether they take the place of worn racks, or join those there are.
    cost : float
        Price and work on site, in money of that year.
    """

    year: int
    racks: int
    replaces: bool
    cost: float


def later_cost(prices: RackPrice, racks: int, year: int) -> float:
    """
    Return what racks and the work to place them cost at the start of a year.

    Parameters
    ----------
    prices : RackPrice
        Today's prices, and how they fall.
    racks : int
        How many; 0 cost nothing.
    year : int
        Year of operation, 1 for the first, which pays today's price.

    Returns
    -------
    float
        The cost.

    Examples
    --------
    >>> later_cost(RackPrice(rack_price=10_000.0, price_fall_frac_per_year=0.1, works_cost=500.0), 2, 3)
    16700.0
    """
    if racks == 0:
        return 0.0
    return racks * prices.rack_price * (1 - prices.price_fall_frac_per_year) ** (year - 1) + prices.works_cost


def is_over(plan: EndOfLife, fleet: Fleet, *, end_health_frac: float) -> bool:
    """
    Return whether the battery is given up: all racks at their end, and a plan that buys none.

    Parameters
    ----------
    plan : EndOfLife
        What is done about fade.
    fleet : Fleet
        The racks at the start of a year.
    end_health_frac : float
        Health at which racks are given up.

    Returns
    -------
    bool
        Whether the year is one without a battery.
    """
    return plan.then != "replace" and fleet.health_frac <= end_health_frac


def purchase(
    plan: EndOfLife, fleet: Fleet, rack: Rack, *, year: int, end_health_frac: float | None = None
) -> Purchase | None:
    """
    Return what a plan buys for the start of a year.

    Parameters
    ----------
    plan : EndOfLife
        What is done about fade.
    fleet : Fleet
        The racks there are then.
    rack : Rack
        The catalogue's rack.
    year : int
        Year of operation, 1 for the first.
    end_health_frac : float, optional
        Health at which racks are given up; left out: the catalogue's.

    Returns
    -------
    Purchase or None
        The racks; None for none.
    """
    end = rack.end_of_life_health_frac if end_health_frac is None else end_health_frac
    racks = _racks(plan, fleet, rack, year=year, end_health_frac=end)
    if racks == 0 or plan.prices is None:
        return None
    return Purchase(year=year, racks=racks, replaces=plan.then == "replace", cost=later_cost(plan.prices, racks, year))


def _racks(plan: EndOfLife, fleet: Fleet, rack: Rack, *, year: int, end_health_frac: float) -> int:
    if plan.then == "replace":
        return sum(group.racks for group in fleet.groups if group.state.health_frac <= end_health_frac)
    for addition in plan.additions:
        if addition.year == year:
            if addition.racks is not None:
                return addition.racks
            return racks_to_hold(
                fleet,
                promised_usable_kwh=plan.promised_usable_kwh or 0.0,
                window_frac=rack.highest_soc_frac - rack.lowest_soc_frac,
                rack_kwh=rack.energy_kwh,
            )
    return 0
