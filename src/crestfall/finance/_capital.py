"""What an option costs to buy, part by part."""

from dataclasses import dataclass, replace

from crestfall.plant import Plant
from crestfall.scenario import CatalogueFile
from crestfall.scenario.money_block import Money


@dataclass(frozen=True, slots=True, kw_only=True)
class CapitalCost:
    """What is spent at the start, by part; all zero for no battery.

    Parameters
    ----------
    racks, modules, cabinets : float
        Price of the catalogue's parts, at the price that holds for their number.
    balance_of_system, works, design : float
        What stands beside them.
    contingency : float
        Allowance on all of that.
    grant : float
        Money given towards it, not more than it costs.
    """

    racks: float
    modules: float
    cabinets: float
    balance_of_system: float
    works: float
    design: float
    contingency: float
    grant: float

    @property
    def parts(self) -> float:
        """Price of racks, modules and cabinets."""
        return self.racks + self.modules + self.cabinets

    @property
    def total(self) -> float:
        """All that is spent, before the grant."""
        return self.parts + self.balance_of_system + self.works + self.design + self.contingency

    @property
    def net(self) -> float:
        """What is left to pay after the grant."""
        return self.total - self.grant


def capital_breakdown(plant: Plant, catalogue: CatalogueFile, money: Money) -> CapitalCost:
    """
    Return the capital cost of an option, part by part.

    Parameters
    ----------
    plant : Plant
        The option's plant.
    catalogue : CatalogueFile
        Prices of its parts.
    money : Money
        Money of the scenario.

    Returns
    -------
    CapitalCost
        The cost, in the currency of the catalogue.
    """
    if not plant.option.is_battery:
        return CapitalCost(**dict.fromkeys(CapitalCost.__slots__, 0.0))
    racks, modules = catalogue.rack.cost_of(plant.option.racks), catalogue.module.cost_of(plant.option.modules)
    cabinets = catalogue.cabinet.cost_of(plant.cabinets)
    cost = CapitalCost(
        racks=racks,
        modules=modules,
        cabinets=cabinets,
        balance_of_system=money.balance_of_system_cost,
        works=money.installation_cost,
        design=money.design_cost,
        contingency=_beside(racks + modules + cabinets, money) * money.contingency_frac,
        grant=0.0,
    )
    return replace(cost, grant=_grant(cost.total, money))


def capital_cost(plant: Plant, money: Money) -> float:
    """
    Return the price of the parts and of all that stands beside them, before any grant; nothing for no battery.

    Parameters
    ----------
    plant : Plant
        The option's plant.
    money : Money
        Money of the scenario.

    Returns
    -------
    float
        Capital cost in the currency of the catalogue.
    """
    return _beside(plant.parts_cost, money) * (1 + money.contingency_frac) if plant.option.is_battery else 0.0


def _beside(parts_cost: float, money: Money) -> float:
    return parts_cost + money.balance_of_system_cost + money.installation_cost + money.design_cost


def _grant(total: float, money: Money) -> float:
    if money.grant is None:
        return 0.0
    return min(total, money.grant.amount + money.grant.frac_of_capital * total)
